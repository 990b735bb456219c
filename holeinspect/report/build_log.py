"""The build log: the records of pieces as a PDF, for the binder or the file that goes with the build.

An overview first, then piece by piece: how far it is and why, every photo with what it found and cleared, every correction
with who made it and when, and the inspection of each side that decides.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from xml.sax.saxutils import escape

from PIL import Image as PillowImage
from reportlab.platypus import Flowable, PageBreak, Paragraph, Spacer

from holeinspect.inspection import CAUTION, Inspection
from holeinspect.records.shapes import CorrectionShown, HistoryEntry, PartShown, PieceShown, StandingReason
from holeinspect.report.part_sheet import LEADING, SIGNED, TEXT_WIDTH, Paper, inspection_story, pdf_of, style, table

PRINTED_DPI = 200
"""Resolution of the pictures on paper."""
POINTS_PER_INCH = 72
MOMENT = "%Y-%m-%d %H:%M"


@dataclass(frozen=True, slots=True)
class LoggedSide:
    """The photo that decides one side: its result as JSON, and its marked picture as a file."""

    inspection: str
    picture: Path


@dataclass(frozen=True, slots=True)
class LoggedPiece:
    """A piece as its records have it. sides: those that were measured, A before B."""

    piece: PieceShown
    part: PartShown
    sides: tuple[LoggedSide, ...]


def build_log_pdf(pieces: Sequence[LoggedPiece], printed_at: datetime, paper: Paper) -> bytes:
    """The log of these pieces, in their order. printed_at: told in UTC; the only thing that differs from print to print."""
    story = [*_overview(pieces, printed_at)]
    for logged in pieces:
        story += [PageBreak(), *_piece(logged)]
    return pdf_of(story, "Build log", paper, CAUTION)


def _overview(pieces: Sequence[LoggedPiece], printed_at: datetime) -> Iterator[Flowable]:
    ready = sum(logged.piece.state == "ready" for logged in pieces)
    yield Paragraph("Build log", style("heading"))
    yield Paragraph(
        f"Printed {printed_at.strftime(MOMENT)} UTC. {len(pieces)} {'piece' if len(pieces) == 1 else 'pieces'}, {ready} ready.",
        style("text"),
    )
    yield Spacer(0, LEADING)
    yield table(("Piece", "Name", "Drawing", "State", "Decided by"), map(_overview_row, pieces), (18, 26, 18, 16, 22), TEXT_WIDTH)


def _overview_row(logged: LoggedPiece) -> tuple[str, ...]:
    piece, part = logged.piece, logged.part
    deciding = [f"side {e.photo.side}: {e.photo.received_at.strftime(MOMENT)}" for e in piece.photos if e.counts]
    return _name(piece), piece.name, _drawing(part), piece.state, "\n".join(deciding)


def _name(piece: PieceShown) -> str:
    return f"{piece.number}, {piece.serial} of {piece.of}"


def _drawing(part: PartShown) -> str:
    return " ".join(filter(None, (part.drawing, part.revision and f"rev. {part.revision}")))


def _piece(logged: LoggedPiece) -> Iterator[Flowable]:
    piece, part = logged.piece, logged.part
    yield Paragraph(escape(f"{_name(piece)}: {piece.name}" if piece.name else _name(piece)), style("heading"))
    yield Paragraph(escape(piece.state), style("verdict"))
    told = {"Label": piece.code, "Material": part.material, "Thickness": part.thickness, "Drawing": _drawing(part),
            "Notes": part.notes}  # fmt: skip
    yield Paragraph(escape(". ".join(f"{what} {said}" for what, said in told.items() if said)), style("text"))
    for sentence in piece.why:
        yield Paragraph(escape(sentence), style("text"))
    yield from _photos(piece.photos)
    yield from _corrections(piece.corrections)
    for side in logged.sides:
        inspection = Inspection.model_validate_json(side.inspection)
        yield Spacer(0, LEADING)
        yield Paragraph(f"Side {inspection.side}, as measured", style("title"))
        yield from inspection_story(inspection, _printed(side.picture))
    yield Spacer(0, LEADING)
    yield Paragraph(SIGNED, style("text"))


def _photos(entries: Sequence[HistoryEntry]) -> Iterator[Flowable]:
    if entries:
        yield Paragraph("Photos", style("title"))
        yield table(("Received, UTC", "Side", "File", "Verdict", "Found", "Cleared"), map(_photo_row, entries),
                    (16, 6, 22, 16, 24, 16), TEXT_WIDTH)  # fmt: skip


def _photo_row(entry: HistoryEntry) -> tuple[str, ...]:
    photo = entry.photo
    verdict = photo.standing.verdict if photo.standing is not None else photo.error or photo.state
    if photo.set_aside:
        verdict += " (set aside)"
    return (photo.received_at.strftime(MOMENT), photo.side or "", photo.name, verdict, _listed(entry.found),
            _listed(entry.cleared))  # fmt: skip


def _listed(reasons: Sequence[StandingReason]) -> str:
    places: dict[str, dict[str, None]] = {}
    for note in reasons:
        places.setdefault(note.name, {})[note.place or note.subject] = None
    return "\n".join(f"{name}: {', '.join(there)}" for name, there in places.items())


def _corrections(corrections: Sequence[CorrectionShown]) -> Iterator[Flowable]:
    if corrections:
        yield Paragraph("Corrections", style("title"))
        yield table(("Made, UTC", "By", "What"), map(_correction_row, corrections), (16, 18, 66), TEXT_WIDTH)


def _correction_row(correction: CorrectionShown) -> tuple[str, ...]:
    taken_back = " (withdrawn)" if correction.withdrawn else ""
    return correction.made_at.strftime(MOMENT), correction.who, correction.sentence + taken_back


def _printed(file: Path) -> PillowImage.Image:
    """The picture, no finer than paper shows it."""
    with PillowImage.open(file) as picture:
        widest = round(TEXT_WIDTH / POINTS_PER_INCH * PRINTED_DPI)
        picture.thumbnail((widest, widest * picture.height))
        return picture.convert("RGB")
