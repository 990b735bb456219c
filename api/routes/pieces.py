"""Pieces and the board."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from api.deps import BenchDep, CutDep, PieceId
from api.problems import documented
from holeinspect.records.pieces import PieceFilter
from holeinspect.records.shapes import BoardShown, PageOf, PieceBrief, PieceShown, PieceState, QueueShown, Side

router = APIRouter(tags=["pieces"])


@router.get("/pieces", responses=documented(422))
def list_pieces(
    bench: BenchDep,
    cut: CutDep,
    state: Annotated[PieceState | None, Query()] = None,
    reason: Annotated[str | None, Query(max_length=60, examples=["short edge"])] = None,
    side: Annotated[Side | None, Query(description="Pieces of which this side wants a photo.")] = None,
    q: Annotated[str, Query(max_length=100, description="In number, name or label.")] = "",
) -> PageOf[PieceBrief]:
    """The pieces that fit, with their states."""
    return bench.pieces.page(PieceFilter(state, reason, side, q), cut)


@router.get("/pieces/{piece}", responses=documented(404, 422))
def show_piece(bench: BenchDep, piece: PieceId) -> PieceShown:
    """One piece: its state, its photos in order with what each found and cleared, and its corrections."""
    return bench.pieces.get(piece)


@router.get("/board")
def show_board(bench: BenchDep) -> BoardShown:
    """The whole kit: counts by state and reason, and what to do next in order of urgency."""
    return bench.board.look()


@router.get("/queue")
def show_queue(bench: BenchDep) -> QueueShown:
    """How many photos wait and are being measured."""
    return bench.queue()
