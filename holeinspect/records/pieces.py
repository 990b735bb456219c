"""How far each piece is: derived from its newest photos and what stands of them, never stored.

A piece is ready when the newest photo of each side is measured and its standing verdict is good. A newer photo that waits or
could not be measured takes the place of an older good one: it was taken for a reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload
from sqlalchemy.orm.interfaces import ORMOption

from holeinspect.errors import NoSuchRecord
from holeinspect.records import photo_shapes
from holeinspect.records.database import Database
from holeinspect.records.models import KitPart, Photo, Piece
from holeinspect.records.paging import Cut, page_of
from holeinspect.records.shapes import (
    SIDES,
    HistoryEntry,
    PageOf,
    PieceBrief,
    PieceShown,
    PieceState,
    Side,
    StandingReason,
    StandingShown,
)
from holeinspect.records.since import Since, cleared, new


def whole_part() -> tuple[ORMOption, ...]:
    """Load options: a part with its pieces, their photos and what stands of them, in four queries."""
    return (selectinload(KitPart.pieces).selectinload(Piece.photos).selectinload(Photo.inspections),)


def whole_piece() -> tuple[ORMOption, ...]:
    """Load options: a piece with its part, its photos and what stands of them."""
    return (selectinload(Piece.part), selectinload(Piece.photos).selectinload(Photo.inspections))


def newest_by_side(photos: Iterable[Photo]) -> dict[str, Photo]:
    """The photo of each side that decides: the last received that was not set aside."""
    return {photo.side: photo for photo in photos if photo.side is not None and not photo.set_aside}


def find_piece(session: Session, piece_id: int) -> Piece:
    """The piece of that id. Raises NoSuchRecord."""
    piece = session.scalar(select(Piece).where(Piece.id == piece_id).options(*whole_piece()))
    if piece is None:
        raise NoSuchRecord(f"There is no piece {piece_id}. Look it up in the kit list.")
    return piece


def brief(piece: Piece) -> PieceBrief:
    """The piece and its state."""
    newest = newest_by_side(piece.photos)
    standings = {side: stands for side, photo in newest.items() if (stands := usable(photo))}
    state = _state(standings)
    return PieceBrief(
        id=piece.id,
        number=piece.part.number,
        name=piece.part.name,
        serial=piece.serial,
        of=piece.part.quantity,
        code=piece.code,
        state=state,
        why=list(dict.fromkeys(_why(newest, standings))),
        reasons=list(dict.fromkeys(note.name for stands in standings.values() for note in _against(stands))),
        sides_wanted=[side for side in SIDES if side not in standings],
        waiting=sum(photo.state in ("queued", "measuring") for photo in piece.photos if not photo.set_aside),
        failed=sum(photo.state == "failed" for photo in newest.values()),
    )


def usable(photo: Photo) -> StandingShown | None:
    """What stands of a measured photo; None while it waits, or where it could not be measured."""
    return photo_shapes.standing_of(photo) if photo.state == "measured" else None


def _against(stands: StandingShown) -> Iterator[StandingReason]:
    """The reasons that keep a side from being good."""
    return (note for note in stands.reasons if note.blocking and stands.verdict != "good")


def _state(standings: dict[str, StandingShown]) -> PieceState:
    verdicts = [stands.verdict for stands in standings.values()]
    if "rework" in verdicts:
        return "rework"
    if len(verdicts) < len(SIDES):
        return "wants a photo"
    return "wants a reading" if "measure by hand" in verdicts else "ready"


def _why(newest: dict[str, Photo], standings: dict[str, StandingShown]) -> Iterator[str]:
    for side in SIDES:
        photo = newest.get(side)
        if photo is None:
            yield f"Side {side} has not been photographed."
        elif photo.state == "failed":
            yield f"Side {side}: {photo.error}"
        elif side not in standings:
            yield f"Side {side}: a photo is being measured."
        else:
            yield from _why_side(side, standings[side])


def _why_side(side: Side, stands: StandingShown) -> Iterator[str]:
    if stands.verdict == "rework":
        yield from (f"Side {side}, {note.told}" for note in _against(stands))
    elif stands.verdict == "measure by hand":
        wanted = stands.readings_wanted or [note.sentence for note in _against(stands)]
        yield from (f"Side {side}: {reading}" for reading in wanted)


def history(photos: Sequence[Photo]) -> list[HistoryEntry]:
    """The photos in order, each with what it found, and what was new or gone since the photo of the same side before it."""
    deciding = {photo.id for photo in newest_by_side(photos).values()}
    entries, before = [], dict[str | None, Photo]()
    for photo in photos:
        found, measured = _found(photo), photo.state == "measured" and not photo.set_aside
        earlier = before.get(photo.side) if measured else None
        then, laid = ([], None) if earlier is None else (_found(earlier), _laid(photo, earlier))
        entries.append(
            HistoryEntry(
                photo=photo_shapes.photo_shown(photo, None),
                found=found,
                new=new(then, found, laid) if earlier is not None else [],
                cleared=cleared(then, found, laid),
                compared_with=earlier.id if earlier is not None else None,
                counts=photo.id in deciding,
            )
        )
        if measured and photo.side is not None:
            before[photo.side] = photo
    return entries


def _found(photo: Photo) -> list[StandingReason]:
    stands = usable(photo)
    return [] if stands is None else [note for note in stands.reasons if note.blocking]


def _laid(photo: Photo, earlier: Photo) -> Since | None:
    """How a photo lies over the one before it, as long as that is the one it was laid over."""
    told = photo.inspections[-1].since
    laid = Since.model_validate_json(told) if told else None
    return laid if laid is not None and laid.run == earlier.inspections[-1].id else None


@dataclass(frozen=True, slots=True)
class PieceFilter:
    """Which pieces are looked for; what is None or empty lets all through. text: in number, name or label, any case."""

    state: PieceState | None = None
    reason: str | None = None
    side_wanted: Side | None = None
    text: str = ""

    def fits(self, piece: PieceBrief) -> bool:
        """Whether the piece is one of them."""
        looked_in = f"{piece.number} {piece.name} {piece.number}/{piece.serial} {piece.code}".casefold()
        return (
            self.state in (None, piece.state)
            and (self.reason is None or self.reason in piece.reasons)
            and (self.side_wanted is None or self.side_wanted in piece.sides_wanted)
            and all(word in looked_in for word in self.text.casefold().split())
        )


class Pieces:
    """The pieces of the kit."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def all(self) -> list[PieceBrief]:
        """Every piece, by part number and serial."""
        with self._database.read() as session:
            return [brief(piece) for piece in all_pieces(session)]

    def get(self, piece_id: int) -> PieceShown:
        """One piece with its history. Raises NoSuchRecord."""
        with self._database.read() as session:
            piece = find_piece(session, piece_id)
            return PieceShown(
                **brief(piece).model_dump(),
                photos=history(piece.photos),
                corrections=[shown for photo in piece.photos for shown in photo_shapes.corrections_shown(photo)],
                drawing_note=photo_shapes.drawing_note(piece.part),
                notes=piece.part.notes,
            )

    def by_code(self, code: str) -> int:
        """Id of the piece whose label says this. Raises NoSuchRecord."""
        with self._database.read() as session:
            piece_id = session.scalar(select(Piece.id).where(Piece.code == code.strip().upper()))
            if piece_id is None:
                raise NoSuchRecord(f"No piece has the label {code!r}. It may belong to another kit.")
            return piece_id

    def page(self, wanted: PieceFilter, cut: Cut) -> PageOf[PieceBrief]:
        """The pieces that fit, a page of them."""
        return page_of([piece for piece in self.all() if wanted.fits(piece)], cut)


def all_pieces(session: Session) -> Sequence[Piece]:
    """Every piece, by part number and serial, with what its state depends on."""
    query = select(Piece).join(Piece.part).order_by(KitPart.number, Piece.serial).options(*whole_piece())
    return session.scalars(query).all()
