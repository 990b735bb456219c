"""The kit list: parts and their pieces."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any, BinaryIO

from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session, selectinload

from holeinspect.errors import HoleinspectError, NoSuchRecord, RecordConflict
from holeinspect.records import kit_csv, queue
from holeinspect.records import pieces as piece_states
from holeinspect.records.database import Database
from holeinspect.records.label_codes import new_code
from holeinspect.records.models import KitPart, Photo, Piece
from holeinspect.records.paging import Cut, page_of
from holeinspect.records.photo_shapes import drawing_note
from holeinspect.records.setups import setup_of
from holeinspect.records.shapes import BadRow, ImportShown, PageOf, PartChange, PartFields, PartNew, PartShown
from holeinspect.units import to_mm

MEASURING_FIELDS = (
    "thickness", "face_height", "fastener", "drill_sets", "edge_rule", "pitch_rule", "hole_fasteners", "hole_rules",
    "burr_limit", "nick_limit", "least_corner_radius",
)  # fmt: skip
"""What an inspection depends on: a change of these measures the part's photos again."""


def find_part(session: Session, number: str) -> KitPart:
    """The part of that number. Raises NoSuchRecord."""
    part = session.scalar(select(KitPart).where(KitPart.number == number).options(selectinload(KitPart.pieces)))
    if part is None:
        raise NoSuchRecord(f"There is no part {number!r} in the kit list. Look it up in the list, or add it.")
    return part


def add_part(session: Session, new: PartNew) -> KitPart:
    """Put a part into the list, with its pieces. Raises RecordConflict for a number that is taken."""
    part = KitPart(number=new.number, quantity=0)
    _fill(part, new)
    try:
        with session.begin_nested():
            session.add(part)
    except IntegrityError:
        raise RecordConflict(f"There is a part {new.number!r} already. Change that one, or give another number.") from None
    _set_quantity(session, part, new.quantity)
    return part


def change_part(session: Session, part: KitPart, changed: PartFields, number: str) -> bool:
    """Set all of a part's fields; whether its photos are to be measured again."""
    before = {name: getattr(part, name) for name in MEASURING_FIELDS}
    _fill(part, changed)
    _set_quantity(session, part, changed.quantity)
    part.number = number
    try:
        with session.begin_nested():
            session.flush()
    except IntegrityError:
        raise RecordConflict(f"There is a part {number!r} already. Give another number.") from None
    measured_otherwise = any(getattr(part, name) != value for name, value in before.items())
    if measured_otherwise:
        _measure_again(session, part)
    return measured_otherwise


def _fill(part: KitPart, fields: PartFields) -> None:
    for name, value in fields.model_dump(exclude={"number", "quantity"}).items():
        setattr(part, name, value)
    part.thickness_mm = to_mm(fields.thickness)
    part.changed_at = datetime.now(UTC)
    setup_of(part, None)


def _set_quantity(session: Session, part: KitPart, quantity: int) -> None:
    """Add pieces at the end, or take the last ones away, as long as no photo was taken of them."""
    for serial in range(len(part.pieces) + 1, quantity + 1):
        part.pieces.append(Piece(serial=serial, code=new_code()))
    for piece in part.pieces[quantity:]:
        if session.scalar(select(func.count()).where(Photo.piece_id == piece.id)):
            raise RecordConflict(
                f"Piece {piece.serial} of {part.number} has photos in the records, so {part.number} cannot have {quantity} "
                f"{'piece' if quantity == 1 else 'pieces'} only. Assign its photos to another piece first."
            )
    del part.pieces[quantity:]
    part.quantity = quantity


def _measure_again(session: Session, part: KitPart) -> None:
    """Queue the photos that decide: what was measured with other settings may not stand."""
    for piece in part.pieces:
        for photo in piece_states.newest_by_side(piece.photos).values():
            if photo.state in ("measured", "failed"):
                queue.put(photo)


class Kit:
    """The kit list. on_queued is called when photos may have joined the queue."""

    def __init__(self, database: Database, on_queued: Callable[[], None]) -> None:
        self._database, self._on_queued = database, on_queued

    def all(self) -> list[PartShown]:
        """Every part by its number, with its pieces."""
        with self._database.read() as session:
            query = select(KitPart).order_by(KitPart.number).options(*piece_states.whole_part())
            return [shown(part) for part in session.scalars(query)]

    def page(self, cut: Cut) -> PageOf[PartShown]:
        """The parts by their number, a page of them."""
        return page_of(self.all(), cut)

    def get(self, number: str) -> PartShown:
        """One part. Raises NoSuchRecord."""
        with self._database.read() as session:
            return shown(find_part(session, number))

    def add(self, new: PartNew) -> PartShown:
        """Add a part and its pieces. Raises RecordConflict for a number that is taken."""
        with self._database.write() as session:
            part = add_part(session, new)
            session.flush()
            return shown(part)

    def change(self, number: str, change: PartChange) -> PartShown:
        """Change what is given of a part; new settings measure its photos again.

        Raises NoSuchRecord, and RecordConflict where pieces with photos would go or the new number is taken.
        """
        with self._database.write() as session:
            part = find_part(session, number)
            given = change.model_dump(exclude_unset=True, exclude={"number"})
            given["thickness"] = change.thickness or part.thickness
            change_part(session, part, PartFields.model_validate(_fields(part) | given), change.number or number)
            session.flush()
            changed = shown(part)
        self._on_queued()
        return changed

    def export_csv(self) -> str:
        """The whole list as CSV."""
        return kit_csv.write_kit(self.all())

    def import_csv(self, file: BinaryIO, dry_run: bool) -> ImportShown:
        """Take the good rows of a list in, and name the bad ones; with dry_run, only say what would be done.

        Parts that the list does not name stay. Raises SetupError for what is no kit list.
        """
        table = kit_csv.read_kit(file)
        bad = [row.bad for row in table.rows if row.bad is not None]
        done: dict[str, list[str]] = {"added": [], "changed": [], "same": []}
        with self._database.write() as session:
            for row in table.rows:
                if row.part is not None:
                    try:
                        with session.begin_nested():
                            done[_import(session, row.part)].append(row.part.number)
                    except HoleinspectError as error:
                        bad.append(BadRow(row=row.line, number=row.part.number, problems=[str(error)]))
            if dry_run:
                session.rollback()
        if not dry_run:
            self._on_queued()
        bad.sort(key=lambda entry: entry.row)
        return ImportShown(dry_run=dry_run, bad=bad, ignored_columns=list(table.ignored_columns), **done)

    def remove(self, number: str) -> None:
        """Take a part off the list. Raises NoSuchRecord, and RecordConflict where it has photos: records are never lost."""
        with self._database.write() as session:
            part = find_part(session, number)
            photos = session.scalar(select(func.count()).select_from(Photo).join(Piece).where(Piece.part_id == part.id))
            if photos:
                raise RecordConflict(
                    f"{number} has {photos} {'photo' if photos == 1 else 'photos'} in the records, which would be lost with it. "
                    "Assign them to other pieces first, or leave the part in the list."
                )
            session.delete(part)


def _import(session: Session, new: PartNew) -> str:
    """Add or change one part; which of the two, or that it is the same already."""
    part = session.scalar(select(KitPart).where(KitPart.number == new.number).options(*piece_states.whole_part()))
    if part is None:
        add_part(session, new)
        return "added"
    if kit_csv.is_same(shown(part), new):
        return "same"
    change_part(session, part, new, new.number)
    return "changed"


def _fields(part: KitPart) -> dict[str, Any]:
    return {name: getattr(part, name) for name in PartFields.model_fields}


def shown(part: KitPart) -> PartShown:
    """The part as pages and REST show it."""
    return PartShown(
        **_fields(part),
        number=part.number,
        thickness_mm=part.thickness_mm,
        changed_at=part.changed_at,
        drawing_note=drawing_note(part),
        pieces=[piece_states.brief(piece) for piece in part.pieces],
    )
