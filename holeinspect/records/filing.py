"""What becomes of a photo in the records, step by step, from its claim to its result."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.metadata import version

from sqlalchemy import select
from sqlalchemy.orm import Session

from holeinspect.errors import HoleinspectError
from holeinspect.inspection import Inspection
from holeinspect.records import queue
from holeinspect.records.corrections import judge_anew
from holeinspect.records.database import Database
from holeinspect.records.jobs import Job, Refusal, Told
from holeinspect.records.models import InspectionRecord, Photo, Piece
from holeinspect.records.originals import Originals, half_view
from holeinspect.records.photos import find_photo
from holeinspect.records.progress import Progress
from holeinspect.records.setups import setup_of, setup_to_json
from holeinspect.records.shapes import StepShown
from holeinspect.setup import Setup


class Filing:
    """Each call is a transaction of its own, and tells those who watch when it is on the disk."""

    def __init__(self, database: Database, originals: Originals, progress: Progress) -> None:
        self._database, self._originals, self._progress = database, originals, progress
        self._setups: dict[int, Setup] = {}

    def take_back(self) -> None:
        """Queue again what was half measured when a service stopped."""
        with self._database.write() as session:
            queue.take_back(session)

    def claim(self) -> Job | None:
        """The next photo to measure; None where none waits."""
        with self._database.read() as session:
            if not queue.queued_ids(session):
                return None
        with self._database.write() as session:
            photo_id = queue.claim(session)
            if photo_id is None:
                return None
            photo = session.get_one(Photo, photo_id)
            job = Job(
                photo.id,
                self._originals.path(photo.sha256, photo.ending),
                photo.name,
                self._originals.view_path(half_view(photo.sha256)),
            )
            still_queued = queue.queued_ids(session)
        self._progress.tell_places(still_queued)
        return job

    def step(self, photo_id: int, name: str) -> None:
        """A worker begins a step; known to those who watch, not to the records."""
        self._progress.tell(StepShown(photo=photo_id, step=name, state="measuring"))

    def setup_for(self, photo_id: int, codes: Sequence[str]) -> Told | Refusal:
        """What the inspection is told, now that the labels are read; a photo of no piece gets the piece of its label."""
        with self._database.write() as session:
            photo = find_photo(session, photo_id)
            labelled = session.scalars(select(Piece).where(Piece.code.in_(codes))).all() if codes else []
            refusal = _assign(photo, labelled)
            if refusal is not None:
                return refusal
            session.flush()
            session.refresh(photo, ["piece"])
            assert photo.piece is not None, "assigned above"
            try:
                setup = setup_of(photo.piece.part, photo.side)
            except HoleinspectError as error:
                return Refusal(str(error))
            earlier = _earlier(session, photo)
        self._setups[photo_id] = setup
        return Told(setup, earlier)

    def file(self, photo_id: int, result: str, laid: str | None) -> None:
        """Keep an inspection, how it lies over the one before it (JSON of Since), and what stands of it."""
        inspection = Inspection.model_validate_json(result)
        setup = self._setups[photo_id]
        with self._database.write() as session:
            photo = find_photo(session, photo_id)
            photo.state, photo.error, photo.taken_at = "measured", None, inspection.photo.captured
            photo.inspections.append(_record(result, laid, inspection, setup))
            session.flush()
            verdict = judge_anew(photo)
        del self._setups[photo_id]
        self._progress.tell(StepShown(photo=photo_id, step="done", state="measured", verdict=verdict))

    def fail(self, photo_id: int, sentence: str) -> None:
        """The photo cannot be measured."""
        self._setups.pop(photo_id, None)
        with self._database.write() as session:
            photo = session.get_one(Photo, photo_id)
            photo.state, photo.error = "failed", sentence
        self._progress.tell(StepShown(photo=photo_id, step="failed", state="failed", error=sentence))

    def put_back(self, photo_id: int) -> None:
        """Queue a photo again whose result could not be kept."""
        self._setups.pop(photo_id, None)
        with self._database.write() as session:
            queue.put(session.get_one(Photo, photo_id))

    def worker_died(self, photo_id: int) -> None:
        """A worker died of the photo: once more, and if that kills another, no more."""
        self._setups.pop(photo_id, None)
        with self._database.write() as session:
            photo = session.get_one(Photo, photo_id)
            photo.attempts += 1
            given_up = photo.attempts >= queue.MOST_DEATHS
            if not given_up:
                photo.state = "queued"
        if given_up:
            self.fail(photo_id, _GIVEN_UP)
        else:
            self._progress.tell(StepShown(photo=photo_id, step="queued", state="queued", place_in_queue=1))


_GIVEN_UP = (
    "Measuring this photo failed twice without a word, perhaps for want of memory. The photo is kept. Close other programs and "
    "measure it again, or take a smaller one."
)


def _assign(photo: Photo, labelled: Sequence[Piece]) -> Refusal | None:
    """Give the photo its piece by the labels in it, or say why that cannot be."""
    if photo.piece_id is None:
        if len(labelled) != 1:
            seen = f"{len(labelled)} labels of this kit lie in" if labelled else "No label of this kit was read in"
            return Refusal(f"{seen} {photo.name}. Say which piece it shows.")
        photo.piece_id, photo.piece_by = labelled[0].id, "label"
        return None
    if not labelled or photo.piece_id in {piece.id for piece in labelled}:
        photo.note = None
        return None
    others = ", ".join(f"{piece.part.number} piece {piece.serial}" for piece in labelled)
    sentence = f"The label in {photo.name} is of {others}, but the photo was filed under another piece."
    if photo.piece_by != "person":
        return Refusal(f"{sentence} Say which piece it shows.")
    photo.note = sentence
    return None


def _earlier(session: Session, photo: Photo) -> tuple[int, str] | None:
    """The newest inspection of the photo of the same side before this one: its id and JSON."""
    if photo.side is None:
        return None
    before = select(InspectionRecord).join(Photo).where(Photo.piece_id == photo.piece_id, Photo.side == photo.side)
    before = before.where(Photo.id < photo.id, Photo.state == "measured", Photo.set_aside.is_(False))
    run = session.scalar(before.order_by(Photo.id.desc(), InspectionRecord.id.desc()).limit(1))
    return None if run is None else (run.id, run.inspection)


def _record(result: str, laid: str | None, inspection: Inspection, setup: Setup) -> InspectionRecord:
    return InspectionRecord(
        setup=setup_to_json(setup),
        inspection=result,
        since=laid,
        inspection_sha256=hashlib.sha256(result.encode()).hexdigest(),
        standing={},
        measured_at=datetime.now(UTC),
        program_version=version("holeinspect"),
        seconds=inspection.seconds,
    )
