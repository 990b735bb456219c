"""The part sheet: one inspection as a printable PDF, for the folder that goes with the build.

`inspection_story` gives the flowing content alone, for longer documents that hold several inspections.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from io import BytesIO
from pathlib import Path
from typing import Literal
from xml.sax.saxutils import escape

from PIL import Image as PillowImage
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Image, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from holeinspect.inspection import Finding, Hole, Inspection, Part
from holeinspect.report import words
from holeinspect.report.picture import mark
from holeinspect.report.view import PhotoLike
from holeinspect.units import LengthUnit

Paper = Literal["a4", "letter"]
PAPERS: dict[Paper, tuple[float, float]] = {"a4": A4, "letter": LETTER}
INCH_PAGES = ("letter", "11x17")
MARGIN = 15 * mm
FONT, BOLD = "DejaVuSans", "DejaVuSans-Bold"
"""Come with matplotlib; they have the letters of most alphabets, for names of parts."""
TEXT_WIDTH = min(width for width, _ in PAPERS.values()) - 2 * MARGIN
"""Points; fits both papers."""
TYPE, LEADING = 8.5, 11.0
"""Size of the letters and step of the lines, points: read at arm's length on a bench."""
HEADING_TYPE, VERDICT_TYPE = 14.0, 11.0
TALLEST_PICTURE = 120 * mm
KEY = "Rim drawn with one line: good; two lines: rework; broken line: measure by hand. \u00d8 diameter, e edge distance."
PICTURE_QUALITY = 85
"""Of the picture's JPEG within the PDF."""
RULE = colors.Color(0.75, 0.75, 0.75)
SIGNED = "Checked by: ______________________________    Date: ________________    Place in the build log: ________________"


def part_sheet_pdf(photo: PhotoLike, inspection: Inspection) -> bytes:
    """The inspection of one photo on as many pages as it needs, as PDF; photo: as in `picture.mark`."""
    heading = Path(inspection.photo.name).stem
    story = [
        Paragraph(escape(heading), style("heading")),
        *inspection_story(inspection, mark(photo, inspection, strips=False)),
        Spacer(0, LEADING),
        Paragraph(SIGNED, style("text")),
    ]
    return pdf_of(story, heading, paper_like(inspection), inspection.caution)


def paper_like(inspection: Inspection) -> Paper:
    """The paper that goes with the mat's: who prints mats on Letter has Letter."""
    return "letter" if inspection.scale.page in INCH_PAGES else "a4"


def pdf_of(story: Sequence[Flowable], title: str, paper: Paper, footer: str) -> bytes:
    """A PDF of a story: page numbers and a footer on every page; the same story gives the same bytes."""
    out = BytesIO()
    width, height = PAPERS[paper]
    document = SimpleDocTemplate(out, pagesize=(width, height), leftMargin=MARGIN, rightMargin=MARGIN, topMargin=MARGIN,
                                 bottomMargin=MARGIN + 3 * LEADING, title=title, author="holeinspect", invariant=1)  # fmt: skip
    note = Paragraph(escape(footer), style("small"))

    def foot(canvas: Canvas, template: SimpleDocTemplate) -> None:
        _, tall = note.wrap(width - 2 * MARGIN, MARGIN)
        note.drawOn(canvas, MARGIN, MARGIN + LEADING)
        canvas.setFont(FONT, TYPE)
        canvas.drawRightString(width - MARGIN, MARGIN, f"page {template.page}")
        canvas.setStrokeColor(RULE)
        canvas.line(MARGIN, MARGIN + LEADING + tall + 3, width - MARGIN, MARGIN + LEADING + tall + 3)

    document.build(list(story), onFirstPage=foot, onLaterPages=foot)
    return out.getvalue()


def inspection_story(inspection: Inspection, picture: PillowImage.Image | None) -> Iterator[Flowable]:
    """Verdicts, picture, holes, findings, reasons, rules, scale: all of one inspection."""
    side = f"Side {inspection.side}. " if inspection.side else ""
    yield Paragraph(escape(f"{side}{_taken(inspection)}"), style("text"))
    for part in inspection.parts:
        yield Paragraph(escape(words.part_verdict(part)), style("verdict"))
    if picture is not None:
        yield Spacer(0, LEADING / 2)
        yield _picture(picture)
        yield Paragraph(KEY, style("small"))
    for part in inspection.parts:
        yield from _part(part, inspection)
    yield from _sentences("Please note", words.warnings(inspection))
    yield from _sentences("Scale", [f"{words.scale(inspection.scale, inspection.units)}."])


def style(name: Literal["heading", "verdict", "title", "text", "small"]) -> ParagraphStyle:
    """A paragraph style by its name; registers the fonts when first used."""
    if FONT not in pdfmetrics.getRegisteredFontNames():
        import matplotlib  # only for its fonts, and slow to import

        folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
        for font in (FONT, BOLD):
            pdfmetrics.registerFont(TTFont(font, folder / f"{font}.ttf"))
        pdfmetrics.registerFontFamily(FONT, normal=FONT, bold=BOLD, italic=FONT, boldItalic=BOLD)
    match name:
        case "heading":
            return ParagraphStyle(name, fontName=BOLD, fontSize=HEADING_TYPE, leading=1.3 * HEADING_TYPE, spaceAfter=4)
        case "verdict":
            return ParagraphStyle(name, fontName=BOLD, fontSize=VERDICT_TYPE, leading=1.3 * VERDICT_TYPE, spaceBefore=2)
        case "title":
            return ParagraphStyle(name, fontName=BOLD, fontSize=TYPE, leading=LEADING, spaceBefore=6)
        case "text":
            return ParagraphStyle(name, fontName=FONT, fontSize=TYPE, leading=LEADING)
        case "small":
            return ParagraphStyle(name, fontName=FONT, fontSize=TYPE - 2, leading=LEADING - 2.5)


def table(headings: Sequence[str], rows: Iterable[Sequence[str]], shares: Sequence[float], width: float) -> Table:
    """A ruled table whose heading stands again on every page. shares: of the columns, of its width in points."""
    cells = [[Paragraph(f"<b>{escape(text)}</b>", style("text")) for text in headings]]
    cells += [[Paragraph(escape(text).replace("\n", "<br/>"), style("text")) for text in row] for row in rows]
    ruled = TableStyle([("LINEBELOW", (0, 0), (-1, 0), 0.8, colors.black), ("LINEBELOW", (0, 1), (-1, -1), 0.3, RULE),
                        ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 2),
                        ("RIGHTPADDING", (0, 0), (-1, -1), 2), ("TOPPADDING", (0, 0), (-1, -1), 2),
                        ("BOTTOMPADDING", (0, 0), (-1, -1), 2)])  # fmt: skip
    total = sum(shares)
    return Table(cells, colWidths=[width * share / total for share in shares], style=ruled, repeatRows=1)


def _taken(inspection: Inspection) -> str:
    taken = f"Photo {inspection.photo.name}"
    if inspection.photo.captured:
        taken += f", taken {inspection.photo.captured.replace('T', ' ')}"
    return f"{taken}. SHA-256 {inspection.photo.sha256[:16]}."


def _picture(picture: PillowImage.Image) -> Image:
    """The picture as wide as the text, or as tall as a page leaves room for."""
    scale = min(TEXT_WIDTH / picture.width, TALLEST_PICTURE / picture.height)
    data = BytesIO()
    picture.convert("RGB").save(data, format="JPEG", quality=PICTURE_QUALITY)
    return Image(data, width=picture.width * scale, height=picture.height * scale)


def _part(part: Part, inspection: Inspection) -> Iterator[Flowable]:
    units = inspection.units
    if part.holes:
        yield Spacer(0, LEADING)
        yield table((f"{part.name}", f"Diameter, {units}", "Size", f"Edge distance, {units}", f"Pitch, {units}", "Verdict"),
                    (_hole_row(hole, units) for hole in part.holes), (5, 15, 16, 20, 22, 22), TEXT_WIDTH)  # fmt: skip
    found = [finding for finding in inspection.findings if finding.part == part.name]
    if found:
        several = len(inspection.parts) > 1
        yield Spacer(0, LEADING)
        yield table(("To work on", f"Size, {units}", "What to do"), (_finding_row(f, units, several) for f in found),
                    (34, 24, 42), TEXT_WIDTH)  # fmt: skip
    yield from _sentences("Why", words.why(part, inspection.findings))
    yield from _sentences("Readings that would decide", words.readings(part))


def _hole_row(hole: Hole, units: LengthUnit) -> tuple[str, ...]:
    edge = words.without_unit(words.edge(hole, units), units)
    if hole.edge_ratio is not None:
        edge += f"\n{words.ratio(hole.edge_ratio)}"
    reasons = ", ".join(dict.fromkeys(note.name for note in hole.reasons))
    verdict = f"{hole.verdict}\n{reasons}" if reasons else hole.verdict
    size = "\n".join(filter(None, (words.size(hole.nominal), words.form(hole, units))))
    pitch = words.without_unit(words.pitch(hole, units), units)
    return hole.name, words.bare_length(hole.diameter, units), size, edge, pitch, verdict


def _finding_row(finding: Finding, units: LengthUnit, several_parts: bool) -> tuple[str, ...]:
    return words.finding_name(finding, several_parts), words.finding_size(finding, units), finding.remedy


def _sentences(title: str, sentences: Iterable[str]) -> Iterator[Flowable]:
    """A title and its sentences; the title never stands alone at the foot of a page."""
    said = [Paragraph(escape(sentence), style("text")) for sentence in sentences]
    if said:
        yield KeepTogether([Paragraph(title, style("title")), said[0]])
        yield from said[1:]
