"""The bench: everything that pages and the REST service call, on one data folder."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import select

from holeinspect.errors import ServiceError
from holeinspect.records import queue
from holeinspect.records.board import Board
from holeinspect.records.corrections import Corrections
from holeinspect.records.database import Database
from holeinspect.records.filing import Filing
from holeinspect.records.kit import Kit
from holeinspect.records.label_codes import label_text
from holeinspect.records.models import InspectionRecord
from holeinspect.records.originals import MEGA, Originals
from holeinspect.records.photos import Photos
from holeinspect.records.pieces import Pieces
from holeinspect.records.progress import Progress
from holeinspect.records.shapes import QueueShown
from holeinspect.records.views import Views
from holeinspect.records.workers import MEASURING, Pool
from holeinspect.report.build_log import LoggedPiece, LoggedSide
from holeinspect.report.part_labels import PartLabel, label_sheet
from holeinspect.report.part_sheet import Paper

RECORDS_FILE = "records.sqlite"
LOCK_FILE = "serving.lock"
LOCK_WAIT_S = 2.0
"""For a service that was killed to let go of the folder, or one that is stopping."""
MOST_WORKERS = 2
"""By default: one photo uses several cores already, and each worker needs up to 1 GB."""


@dataclass(frozen=True, slots=True)
class BenchSettings:
    """Of one data folder. database_url: any of SQLAlchemy's; SQLite in the folder if None. capacity: photos that may wait.

    measuring: import path of what a worker does with a photo (see workers.MEASURING).
    """

    folder: Path
    database_url: str | None = None
    workers: int = min(MOST_WORKERS, os.cpu_count() or 1)
    capacity: int = 100
    limit_bytes: int = 80 * MEGA
    measuring: str = MEASURING

    @property
    def url(self) -> str:
        """The database's URL."""
        return self.database_url or f"sqlite:///{self.folder / RECORDS_FILE}"


class Bench:
    """The services of one data folder; see open_bench."""

    def __init__(self, settings: BenchSettings) -> None:
        self.settings = settings
        self.originals = Originals(settings.folder, settings.limit_bytes)
        self.database = Database(settings.url)
        self.progress = Progress()
        self.pool = Pool(Filing(self.database, self.originals, self.progress), settings.workers, settings.measuring)
        self.kit = Kit(self.database, self.pool.wake)
        self.pieces = Pieces(self.database)
        self.photos = Photos(self.database, self.originals, settings.capacity, self.pool.wake)
        self.corrections = Corrections(self.database)
        self.board = Board(self.database)
        self.views = Views(self.originals, self.photos)

    def queue(self) -> QueueShown:
        """The queue in one look."""
        with self.database.read() as session:
            queued, measuring = queue.queued_ids(session), queue.measuring_ids(session)
        return QueueShown(
            queued=len(queued),
            measuring=len(measuring),
            workers=self.settings.workers,
            capacity=self.settings.capacity,
            photos=[*measuring, *queued],
            sentence=_queue_sentence(len(queued), len(measuring)),
        )

    def labels(self, piece_ids: Sequence[int] | None, page: str) -> bytes:
        """A sheet of labels as PDF, of these pieces or of all. Raises NoSuchRecord for an unknown piece."""
        pieces = self.pieces.all() if piece_ids is None else [self.pieces.get(piece_id) for piece_id in piece_ids]
        return label_sheet([PartLabel(p.number, p.name, p.serial, p.of, label_text(p.code)) for p in pieces], page)

    def build_log(self, piece_ids: Sequence[int] | None, page: Paper) -> bytes:
        """The log of these pieces, or of all, as PDF. Raises NoSuchRecord for an unknown piece."""
        ids = [piece.id for piece in self.pieces.all()] if piece_ids is None else piece_ids
        return self.views.build_log([self._logged(piece_id) for piece_id in ids], datetime.now(UTC), page)

    def _logged(self, piece_id: int) -> LoggedPiece:
        piece = self.pieces.get(piece_id)
        deciding = sorted((e.photo for e in piece.photos if e.counts and e.photo.state == "measured"), key=lambda p: str(p.side))
        sides = tuple(LoggedSide(self.photos.result(photo.id).json, self.views.marked(photo.id)) for photo in deciding)
        return LoggedPiece(piece, self.kit.get(piece.number), sides)

    def measured(self) -> int:
        """How many inspections the records hold."""
        with self.database.read() as session:
            return queue.count(session, select(InspectionRecord.id))


def _queue_sentence(queued: int, measuring: int) -> str:
    if not queued and not measuring:
        return "No photo waits."
    waiting = f"{queued} {'photo waits' if queued == 1 else 'photos wait'}" if queued else "none waits"
    return f"{measuring} being measured, {waiting}."


@contextmanager
def open_bench(settings: BenchSettings) -> Iterator[Bench]:
    """The bench of a data folder with its workers running; the folder and its tables are made or brought up to date.

    Raises ServiceError where the folder or the database cannot be used, or another service uses them.
    """
    try:
        settings.folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ServiceError(
            f"The data folder {settings.folder} cannot be made: {error.strerror}. Name another with --data."
        ) from error
    with _alone(settings.folder):
        bench = Bench(settings)
        try:
            bench.database.migrate()
            bench.pool.start()
            yield bench
        finally:
            bench.progress.close()
            bench.pool.stop()
            bench.views.close()
            bench.database.close()


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Hold the folder for this process; a killed process lets go by itself, on every system (SQLite's own file locks)."""
    lock = sqlite3.connect(folder / LOCK_FILE, timeout=LOCK_WAIT_S, isolation_level=None, check_same_thread=False)
    try:
        lock.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError as error:
        lock.close()
        raise ServiceError(
            f"Another holeinspect serves the data folder {folder}. Use its page, stop it, or name another folder with --data."
        ) from error
    try:
        yield
    finally:
        lock.close()
