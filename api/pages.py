"""The pages: thin over the bench, each one a typed context and its template."""

from __future__ import annotations

from typing import Annotated, get_args

import segno
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from api.access import Access
from api.contexts import (
    BoardPage,
    Filter,
    Frame,
    KitPage,
    LabelsPage,
    Page,
    PanelPart,
    PartPage,
    PhonePage,
    PhotoPage,
    PiecePage,
    RefusedPage,
    ResultPage,
    TroublePage,
    WaitingPage,
)
from api.deps import BenchDep, CutDep, PhotoId, PieceId
from api.overlay import overlay
from api.problems import Problem
from api.render import render
from api.result_view import Result
from api.routes.mat import mats
from holeinspect.errors import NoSuchRecord
from holeinspect.inspection import CAUTION, Inspection
from holeinspect.records.bench import Bench
from holeinspect.records.pieces import PieceFilter
from holeinspect.records.shapes import PhotoShown, PieceState, Side
from holeinspect.report import words
from holeinspect.trade import DRILL_SETS, fastener_names

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
OTHER_SIDE: dict[Side, Side] = {"A": "B", "B": "A"}
POLICY = (
    "default-src 'self'; img-src 'self' blob:; style-src 'self' 'unsafe-inline'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)
"""Content-Security-Policy of every page: nothing from other hosts, no script inside a page."""
TROUBLES = {
    401: "Sign in first",
    403: "Not from there",
    404: "Not in the records",
    409: "That would lose a record",
    421: "Not under this name",
    422: "That cannot be read",
    503: "The queue is full",
}
"""Headings of errors by their status."""
FAULT = "Something went wrong"
QR_BORDER = 4
"""Quiet zone in modules, as ISO/IEC 18004 asks (from memory)."""


def frame(bench: Bench, title: str, here: str = "") -> Frame:
    """What stands round a page. here: the address of the entry that leads to it; empty for none."""
    return Frame(title, here, bench.queue().sentence, CAUTION)


def answer(page: Page, status: int = 200) -> HTMLResponse:
    """The page, never kept by the browser: it shows the records as they are now."""
    headers = {"Cache-Control": "no-store", "Content-Security-Policy": POLICY, "Referrer-Policy": "same-origin"}
    return HTMLResponse(render(page), status, headers)


def trouble(_request: Request, problem: Problem) -> HTMLResponse:
    """A problem as a page; it asks nothing of the records, which may be the trouble."""
    title = TROUBLES.get(problem.status, FAULT)
    return answer(TroublePage(Frame(title, "", "", CAUTION), title, problem.detail), problem.status)


def refusal(_request: Request, problem: Problem) -> HTMLResponse:
    """The page for someone without access."""
    return answer(RefusedPage(TROUBLES.get(problem.status, FAULT), problem.detail), problem.status)


@router.get("/")
def show_board(
    bench: BenchDep,
    cut: CutDep,
    state: Annotated[str, Query(max_length=20)] = "",
    reason: Annotated[str, Query(max_length=60)] = "",
    q: Annotated[str, Query(max_length=100)] = "",
) -> HTMLResponse:
    """The board of the whole kit."""
    known: PieceState | None = next((each for each in get_args(PieceState) if each == state), None)
    pieces = bench.pieces.page(PieceFilter(state=known, reason=reason or None, text=q), cut)
    return answer(BoardPage(frame(bench, "Board", "/"), bench.board.look(), pieces, Filter(known or "", reason, q)))


@router.get("/kit")
def show_kit(bench: BenchDep) -> HTMLResponse:
    """The kit list."""
    return answer(KitPage(frame(bench, "Kit list", "/kit"), tuple(bench.kit.all())))


@router.get("/kit/new")
def show_new_part(bench: BenchDep) -> HTMLResponse:
    """An empty form for a part."""
    return answer(PartPage(frame(bench, "A new part", "/kit"), None, DRILL_SETS, fastener_names()))


@router.get("/kit/parts/{number}")
def show_part(bench: BenchDep, number: str) -> HTMLResponse:
    """The form of one part."""
    return answer(PartPage(frame(bench, number, "/kit"), bench.kit.get(number), DRILL_SETS, fastener_names()))


@router.get("/pieces/{piece}")
def show_piece(bench: BenchDep, piece: PieceId) -> HTMLResponse:
    """A piece with its photos in order."""
    shown = bench.pieces.get(piece)
    turns = {entry.photo.id: turn for turn, entry in enumerate(shown.photos, 1)}
    return answer(PiecePage(frame(bench, f"{shown.number}, piece {shown.serial}"), shown, turns))


@router.get("/photo")
def show_photo_form(bench: BenchDep, piece: int | None = None, side: Side | None = None) -> HTMLResponse:
    """Taking and sending photos."""
    pieces = tuple(bench.pieces.all())
    chosen = bench.pieces.get(piece) if piece is not None else None
    note = chosen.drawing_note if chosen else ""
    return answer(PhotoPage(frame(bench, "Take a photo", "/photo"), pieces, chosen, side, note))


@router.get("/photos/{photo}")
def show_photo(bench: BenchDep, photo: PhotoId, hole: str = "") -> HTMLResponse:
    """A measured photo's result, or how far an unmeasured one is."""
    shown = bench.photos.get(photo)
    if shown.state != "measured" or shown.standing is None:
        return answer(WaitingPage(frame(bench, shown.name), heading(bench, shown), shown, tuple(bench.pieces.all())))
    return answer(result_page(bench, shown, hole))


@router.get("/photos/{photo}/holes/{key}")
def show_panel(bench: BenchDep, photo: PhotoId, key: str) -> HTMLResponse:
    """The panel of one hole, for a result page that is open."""
    panel = result_of(bench, bench.photos.get(photo)).panel(key)
    if panel is None:
        raise NoSuchRecord(f"Photo {photo} shows no hole {key}. Load the page anew: it was measured again since.")
    return answer(PanelPart(panel))


@router.get("/labels")
def show_labels(bench: BenchDep) -> HTMLResponse:
    """The mat and the labels to print."""
    return answer(LabelsPage(frame(bench, "Labels and mat", "/labels"), tuple(bench.kit.all()), tuple(mats())))


@router.get("/phone")
def show_phone(bench: BenchDep, request: Request) -> HTMLResponse:
    """The QR code that opens the bench on the phone."""
    access: Access = request.app.state.access
    qr = access.lan_url and segno.make(access.lan_url, error="m", micro=False).svg_inline(border=QR_BORDER, omitsize=True)
    return answer(PhonePage(frame(bench, "Open on the phone", "/phone"), access.lan_url, qr))


def result_of(bench: Bench, shown: PhotoShown) -> Result:
    """What a measured photo told, and what stands of it. Raises NoSuchRecord for one that is not measured."""
    if shown.standing is None:
        raise NoSuchRecord(f"Photo {shown.id} is not measured yet.")
    inspection = Inspection.model_validate_json(bench.photos.result(shown.id).json)
    return Result(inspection, shown.standing, shown, tuple(bench.corrections.of(shown.id)))


def result_page(bench: Bench, shown: PhotoShown, hole: str) -> ResultPage:
    """The result page of a measured photo, with the panel of a hole if one is named."""
    result = result_of(bench, shown)
    return ResultPage(
        frame=frame(bench, heading(bench, shown)),
        heading=heading(bench, shown),
        photo=shown,
        result=result,
        overlay=overlay(result.inspection, result.standing),
        panel=result.panel(hole),
        pieces=tuple(bench.pieces.all()),
        other_side=_side_left(bench, shown),
        scale=words.scale(result.inspection.scale, result.units),
        warnings=words.warnings(result.inspection),
        fasteners=fastener_names(),
    )


def heading(bench: Bench, shown: PhotoShown) -> str:
    """`HM-101 Gusset, piece 1, side A`, as far as it is known."""
    if shown.piece is None:
        return f"{shown.name}: piece not known yet"
    piece = bench.pieces.get(shown.piece)
    known = [f"{piece.number} {piece.name}".rstrip(), f"piece {piece.serial} of {piece.of}" if piece.of > 1 else "",
             f"side {shown.side}" if shown.side else "side not stated"]  # fmt: skip
    return ", ".join(filter(None, known))


def _side_left(bench: Bench, shown: PhotoShown) -> Side | None:
    """The other side, while no photo of the piece shows it."""
    if shown.piece is None or shown.side is None:
        return None
    other = OTHER_SIDE[shown.side]
    return other if other in bench.pieces.get(shown.piece).sides_wanted else None
