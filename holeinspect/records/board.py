"""The whole kit in one look, and what to do at the bench next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import get_args

from sqlalchemy import select

from holeinspect.records.database import Database
from holeinspect.records.models import Photo
from holeinspect.records.pieces import all_pieces, brief
from holeinspect.records.shapes import SIDES, BoardShown, NextStep, NextStepKind, PieceBrief, PieceState

MOST_NEXT_STEPS = 20
"""More than a person does before looking again."""


class Board:
    """Counts and next steps, derived from the records each time."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def look(self) -> BoardShown:
        """The board as it is now."""
        with self._database.read() as session:
            pieces = [brief(piece) for piece in all_pieces(session)]
            open_ones = (
                select(Photo).where(Photo.set_aside.is_(False), Photo.state.in_(("measured", "failed"))).order_by(Photo.id)
            )
            unassigned = session.scalars(open_ones.where(Photo.piece_id.is_(None))).all()
            sideless = session.scalars(open_ones.where(Photo.piece_id.is_not(None), Photo.side.is_(None))).all()
            steps = [*map(_ask_piece, unassigned), *map(_ask_side, sideless), *next_steps(pieces)]
        states = Counter(piece.state for piece in pieces)
        rework = [piece for piece in pieces if piece.state == "rework"]
        return BoardShown(
            pieces=len(pieces),
            states={state: states[state] for state in get_args(PieceState)},
            rework_reasons=dict(Counter(reason for piece in rework for reason in piece.reasons).most_common()),
            sides_wanted={side: sum(side in piece.sides_wanted for piece in pieces) for side in SIDES},
            unassigned=len(unassigned),
            next_steps=steps[:MOST_NEXT_STEPS],
        )


def _ask_piece(photo: Photo) -> NextStep:
    sentence = f"{photo.name}: say which piece it shows."
    return NextStep(piece=None, photo=photo.id, number=None, serial=None, do=sentence, kind="say which piece")


def _ask_side(photo: Photo) -> NextStep:
    sentence = f"{photo.name}: say which side is up; until then it decides nothing."
    return NextStep(piece=photo.piece_id, photo=photo.id, number=None, serial=None, do=sentence, kind="say which side")


def next_steps(pieces: Sequence[PieceBrief]) -> Iterator[NextStep]:
    """What to do, the most urgent first: what failed, rework, readings at pieces that are done else, sides to photograph.

    A piece with one side seen comes before one that has not been on the mat: finishing it frees the bench.
    """
    yield from (_step(piece, "photograph again", _first(piece)) for piece in pieces if piece.failed)
    yield from (_step(piece, "rework", _first(piece)) for piece in pieces if piece.state == "rework")
    yield from (_step(piece, "take a reading", _first(piece)) for piece in pieces if piece.state == "wants a reading")
    wanting = [piece for piece in pieces if piece.state == "wants a photo" and not piece.waiting and not piece.failed]
    for piece in sorted(wanting, key=lambda piece: len(piece.sides_wanted)):
        sides = " and ".join(piece.sides_wanted)
        yield _step(piece, "take a photo", f"photograph side{'s' if len(piece.sides_wanted) > 1 else ''} {sides}.")


def _first(piece: PieceBrief) -> str:
    return piece.why[0] if piece.why else ""


def _step(piece: PieceBrief, kind: NextStepKind, what: str) -> NextStep:
    return NextStep(
        piece=piece.id,
        photo=None,
        number=piece.number,
        serial=piece.serial,
        do=f"{piece.number}, piece {piece.serial} of {piece.of}: {what}",
        kind=kind,
    )
