"""A sheet of part labels: number, name, serial, and a QR code that a photo is recognised by. Vector PDF in true size."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import segno
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from holeinspect.errors import SetupError

PAGES: Mapping[str, tuple[float, float]] = {"a4": A4, "letter": LETTER}
"""Width and height in points."""
LABEL_MM = (62.0, 24.0)
"""Three across and eleven down on A4; small enough to lie beside a part on the mat. Ours."""
MARGIN_MM = 10.0
CODE_MM = 17.0
"""Side of a QR code of 21 squares (version 1) without its quiet zone: 0.8 mm a square, 6 to 10 pixels in a phone's photo of the
mat. Ours, tried on photos."""
CODE_BOX_MM = (
    LABEL_MM[0] - (LABEL_MM[1] + CODE_MM) / 2,
    (LABEL_MM[1] - CODE_MM) / 2,
    LABEL_MM[0] - (LABEL_MM[1] - CODE_MM) / 2,
    (LABEL_MM[1] + CODE_MM) / 2,
)
"""Left, bottom, right and top of the QR code on its label, whose origin is its lower left corner."""
QUIET_SQUARES = 4
"""ISO/IEC 18004: the least white border of a QR code, in squares."""
ERROR_LEVEL = "Q"
"""A quarter of the code may be soiled or covered (ISO/IEC 18004); the code keeps its smallest size."""
NUMBER_PT, NAME_PT, SMALL_PT = 13.0, 8.0, 7.0
FONT, BOLD = "Helvetica", "Helvetica-Bold"


@dataclass(frozen=True, slots=True)
class PartLabel:
    """One label: piece `serial` of `of`; text: what its QR code holds."""

    number: str
    name: str
    serial: int
    of: int
    text: str


def label_sheet(labels: Sequence[PartLabel], page: str) -> bytes:
    """The labels as PDF, as many pages as they need. Raises SetupError for an unknown page, or no label at all."""
    if page not in PAGES:
        raise SetupError(f"Labels are not printed on {page!r}. Choose {' or '.join(PAGES)}.")
    if not labels:
        raise SetupError("There is no piece to print a label for. Add a part to the kit list first.")
    width, height = PAGES[page]
    places = _places(width, height)
    data = io.BytesIO()
    canvas = Canvas(data, pagesize=(width, height), invariant=True)
    canvas.setTitle("Part labels")
    for start in range(0, len(labels), len(places)):
        for label, (x, y) in zip(labels[start : start + len(places)], places, strict=False):
            canvas.saveState()
            canvas.translate(x, y)
            _draw(canvas, label)
            canvas.restoreState()
        canvas.showPage()
    canvas.save()
    return data.getvalue()


def _places(width: float, height: float) -> list[tuple[float, float]]:
    """Lower left corners in points, row by row from the top."""
    label_width, label_height, margin = LABEL_MM[0] * mm, LABEL_MM[1] * mm, MARGIN_MM * mm
    columns, rows = int((width - 2 * margin) / label_width), int((height - 2 * margin) / label_height)
    left, top = (width - columns * label_width) / 2, height - margin
    return [(left + column * label_width, top - (row + 1) * label_height) for row in range(rows) for column in range(columns)]


def _draw(canvas: Canvas, label: PartLabel) -> None:
    """One label with its origin at the lower left, cut along the thin line."""
    width, height = LABEL_MM[0] * mm, LABEL_MM[1] * mm
    canvas.setLineWidth(0.25)
    canvas.setStrokeGray(0.6)
    canvas.rect(0, 0, width, height)
    code_left = CODE_BOX_MM[0] * mm
    _draw_code(canvas, label.text, code_left, CODE_BOX_MM[1] * mm)
    room = code_left - 5 * mm - QUIET_SQUARES * CODE_MM / 21 * mm + 2 * mm
    _write(canvas, (2.5 * mm, height - 7 * mm), label.number, (BOLD, NUMBER_PT), room)
    _write(canvas, (2.5 * mm, height - 12 * mm), label.name, (FONT, NAME_PT), room)
    _write(canvas, (2.5 * mm, height - 16.5 * mm), f"piece {label.serial} of {label.of}", (BOLD, NAME_PT), room)
    _write(canvas, (2.5 * mm, 2.5 * mm), label.text, (FONT, SMALL_PT), room)


def _draw_code(canvas: Canvas, text: str, left: float, bottom: float) -> None:
    """The QR code as black runs; its quiet zone is the label's white."""
    rows = [bytes(row) for row in segno.make(text, error=ERROR_LEVEL, boost_error=False, micro=False).matrix]
    square = CODE_MM * mm / len(rows)
    canvas.setFillGray(0)
    for number, row in enumerate(rows):
        for start, length in _runs(row):
            canvas.rect(left + start * square, bottom + (len(rows) - 1 - number) * square, length * square, square, 0, 1)


def _runs(row: bytes) -> list[tuple[int, int]]:
    """Start and length of each run of dark squares."""
    runs: list[tuple[int, int]] = []
    for column, dark in enumerate(row):
        if dark and runs and sum(runs[-1]) == column:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        elif dark:
            runs.append((column, 1))
    return runs


def _write(canvas: Canvas, at: tuple[float, float], text: str, type_pt: tuple[str, float], room: float) -> None:
    """A line of text, made smaller and then cut where it does not fit. Letters that the font lacks become a question mark."""
    font, size = type_pt
    shown = text.encode("cp1252", "replace").decode("cp1252")
    size = max(SMALL_PT, size * min(1.0, room / max(1.0, stringWidth(shown, font, size))))
    while shown and stringWidth(shown, font, size) > room:
        shown = shown.removesuffix("…")[:-1] + "…" if len(shown) > 1 else ""
    canvas.setFillGray(0)
    canvas.setFont(font, size)
    canvas.drawString(*at, shown)
