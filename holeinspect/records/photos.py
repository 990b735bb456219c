"""Photos: taken in, assigned, looked up."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session, selectinload
from sqlalchemy.orm.interfaces import ORMOption

from holeinspect.errors import NoSuchRecord, RecordConflict
from holeinspect.records import queue
from holeinspect.records.database import Database
from holeinspect.records.models import InspectionRecord, Photo, Piece
from holeinspect.records.originals import Kept, Originals
from holeinspect.records.paging import Cut, page_with
from holeinspect.records.photo_shapes import photo_shown
from holeinspect.records.shapes import PageOf, PhotoChange, PhotoShown, Side, StepShown

LONGEST_NAME = 255


@dataclass(frozen=True, slots=True)
class Target:
    """Which piece and side an upload is said to show; None: not said."""

    piece: int | None = None
    side: Side | None = None

    def key(self, uploaded_sha256: str) -> str:
        """The same for the same file sent again with the same words."""
        return f"{self.piece or ''}:{self.side or ''}:{uploaded_sha256}"


@dataclass(frozen=True, slots=True)
class Stored:
    """An upload's photo; new: it was not in the records before."""

    photo: PhotoShown
    new: bool


@dataclass(frozen=True, slots=True)
class Result:
    """The newest inspection of a photo as kept JSON, with its hash."""

    json: str
    sha256: str


class Photos:
    """All photos. on_queued is called when one may have joined the queue."""

    def __init__(self, database: Database, originals: Originals, capacity: int, on_queued: Callable[[], None]) -> None:
        self._database, self._originals = database, originals
        self._capacity, self._on_queued = capacity, on_queued

    def take_in(self, upload: BinaryIO, name: str, target: Target) -> Stored:
        """Keep an uploaded photo and queue it: on the disk, file and row, when this returns.

        The same file for the same piece and side is the same photo. Raises PhotoError for what is no photo, NoSuchRecord for an
        unknown piece, and QueueFull.
        """
        with self._database.read() as session:
            _check_piece(session, target.piece)
            queue.check_room(session, self._capacity)  # before a large file is taken in for nothing
        kept = self._originals.keep(upload, _shortened(name))
        stored = self._file(kept, _shortened(name), target)
        if stored.new:
            self._on_queued()
        return stored

    def _file(self, kept: Kept, name: str, target: Target) -> Stored:
        try:
            with self._database.write() as session:
                known = _known(session, kept.uploaded_sha256, target)
                if known is not None:
                    return Stored(_shown(session, known), new=False)
                _check_piece(session, target.piece)
                queue.check_room(session, self._capacity)
                photo = _new_photo(kept, name, target)
                session.add(photo)
                session.flush()
                return Stored(_shown(session, photo), new=True)
        except IntegrityError:  # the same upload came in beside this one
            with self._database.read() as session:
                known = _known(session, kept.uploaded_sha256, target)
                if known is None:
                    raise
                return Stored(_shown(session, known), new=False)

    def get(self, photo_id: int) -> PhotoShown:
        """One photo. Raises NoSuchRecord."""
        with self._database.read() as session:
            return _shown(session, find_photo(session, photo_id))

    def step_now(self, photo_id: int) -> StepShown:
        """How far the photo is by the records. Raises NoSuchRecord."""
        photo = self.get(photo_id)
        return StepShown(
            photo=photo.id,
            step={"measured": "done"}.get(photo.state, photo.state),
            state=photo.state,
            place_in_queue=photo.place_in_queue,
            error=photo.error,
            verdict=photo.standing.verdict if photo.standing and photo.state == "measured" else None,
        )

    def unassigned(self) -> list[PhotoShown]:
        """Photos that belong to no piece yet, oldest first."""
        with self._database.read() as session:
            query = select(Photo).where(Photo.piece_id.is_(None), Photo.set_aside.is_(False)).order_by(Photo.id)
            return [_shown(session, photo) for photo in session.scalars(query.options(*_whole()))]

    def page(self, cut: Cut) -> PageOf[PhotoShown]:
        """All photos, newest first, a page of them."""
        with self._database.read() as session:
            query = select(Photo).order_by(Photo.id.desc()).options(*_whole())
            rows = session.scalars(query.offset(cut.start).limit(cut.per_page))
            return page_with([_shown(session, photo) for photo in rows], queue.count(session, select(Photo.id)), cut)

    def change(self, photo_id: int, change: PhotoChange) -> PhotoShown:
        """Assign a photo to a piece or side, or set it aside. What was not measured, or for another piece, is queued.

        Raises NoSuchRecord for an unknown photo or piece, RecordConflict while it is being measured.
        """
        with self._database.write() as session:
            photo = find_photo(session, photo_id)
            if photo.state == "measuring" and change.model_fields_set & {"piece", "side"}:
                raise RecordConflict(f"Photo {photo_id} is being measured. Wait until it is done, then assign it.")
            moved = (change.piece or photo.piece_id, change.side or photo.side) != (photo.piece_id, photo.side)
            if change.piece is not None:
                _check_piece(session, change.piece)
                photo.piece_id, photo.piece_by, photo.note = change.piece, "person", None
            photo.side = change.side or photo.side
            photo.set_aside = photo.set_aside if change.set_aside is None else change.set_aside
            if moved or (
                photo.state == "failed" and change.piece is not None
            ):  # an inspection holds its piece's settings and side
                queue.put(photo)
            session.flush()
            session.refresh(photo, ["piece"])
            shown = _shown(session, photo)
        self._on_queued()
        return shown

    def measure_again(self, photo_id: int) -> PhotoShown:
        """Queue a photo once more; what it found before stays in the records. Raises NoSuchRecord, RecordConflict, QueueFull."""
        with self._database.write() as session:
            photo = find_photo(session, photo_id)
            if photo.state in ("queued", "measuring"):
                raise RecordConflict(f"Photo {photo_id} is {photo.state} already. Wait until it is done.")
            queue.check_room(session, self._capacity)
            queue.put(photo)
            session.flush()
            shown = _shown(session, photo)
        self._on_queued()
        return shown

    def result(self, photo_id: int) -> Result:
        """The newest inspection of a photo. Raises NoSuchRecord for an unknown photo, or one not measured yet."""
        with self._database.read() as session:
            find_photo(session, photo_id)
            runs = select(InspectionRecord).where(InspectionRecord.photo_id == photo_id)
            newest = session.scalar(runs.order_by(InspectionRecord.id.desc()).limit(1))
            if newest is None:
                raise NoSuchRecord(f"Photo {photo_id} has no inspection yet. Wait until it is measured.")
            return Result(newest.inspection, newest.inspection_sha256)

    def file(self, photo_id: int) -> Path:
        """The kept file of a photo. Raises NoSuchRecord."""
        with self._database.read() as session:
            photo = find_photo(session, photo_id)
            return self._originals.path(photo.sha256, photo.ending)


def find_photo(session: Session, photo_id: int) -> Photo:
    """The photo of that id with what belongs to it. Raises NoSuchRecord."""
    photo = session.scalar(select(Photo).where(Photo.id == photo_id).options(*_whole()))
    if photo is None:
        raise NoSuchRecord(f"There is no photo {photo_id} in the records.")
    return photo


def _whole() -> tuple[ORMOption, ...]:
    return (selectinload(Photo.piece).selectinload(Piece.part), selectinload(Photo.inspections), selectinload(Photo.corrections))


def _shown(session: Session, photo: Photo) -> PhotoShown:
    return photo_shown(photo, queue.place(session, photo))


def _known(session: Session, uploaded_sha256: str, target: Target) -> Photo | None:
    """The photo that this upload is already: sent so before, or assigned so since."""
    same = select(Photo).where(Photo.uploaded_sha256 == uploaded_sha256).order_by(Photo.id).options(*_whole())
    for photo in session.scalars(same):
        assigned = target.piece is not None and (photo.piece_id, photo.side) == (target.piece, target.side)
        if photo.upload_key == target.key(uploaded_sha256) or assigned:
            return photo
    return None


def _new_photo(kept: Kept, name: str, target: Target) -> Photo:
    now = datetime.now(UTC)
    return Photo(
        piece_id=target.piece,
        side=target.side,
        name=name,
        sha256=kept.sha256,
        ending=kept.ending,
        uploaded_sha256=kept.uploaded_sha256,
        upload_key=target.key(kept.uploaded_sha256),
        size_bytes=kept.size_bytes,
        state="queued",
        received_at=now,
        queued_at=now,
    )


def _check_piece(session: Session, piece_id: int | None) -> None:
    if piece_id is not None and session.get(Piece, piece_id) is None:
        raise NoSuchRecord(f"There is no piece {piece_id}. Look it up in the kit list.")


def _shortened(name: str) -> str:
    """The file's own name without folders, as much of it as the records hold."""
    return "".join(letter for letter in name.replace("\\", "/").split("/")[-1] if letter.isprintable())[-LONGEST_NAME:] or "photo"
