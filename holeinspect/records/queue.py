"""The queue: photos that wait, as rows of the database. What a worker does with them is in workers.py."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Select, func, select, update
from sqlalchemy.orm import Session

from holeinspect.errors import QueueFull
from holeinspect.records.models import Photo

MOST_DEATHS = 2
"""Workers that may die of one photo before it is given up: it is tried once more."""
RETRY_S = 10
"""When to send again what a full queue refused: a few photos are measured in that time."""


def count(session: Session, query: Select[Any]) -> int:
    """Rows of a query."""
    return session.scalar(select(func.count()).select_from(query.subquery())) or 0


def waiting(session: Session) -> int:
    """Photos in the queue or being measured."""
    return count(session, select(Photo.id).where(Photo.state.in_(("queued", "measuring"))))


def check_room(session: Session, capacity: int) -> None:
    """Raises QueueFull where as many photos wait as the queue holds."""
    if (full := waiting(session)) >= capacity:
        raise QueueFull(f"{full} photos wait to be measured, and the queue holds {capacity}. Send this one later.", RETRY_S)


def put(photo: Photo) -> None:
    """Queue a photo anew, behind all others."""
    photo.state, photo.attempts, photo.error, photo.queued_at = "queued", 0, None, datetime.now(UTC)


def place(session: Session, photo: Photo) -> int | None:
    """The photo's turn, 1 being next; None unless it waits."""
    if photo.state != "queued":
        return None
    before = (Photo.queued_at < photo.queued_at) | ((Photo.queued_at == photo.queued_at) & (Photo.id < photo.id))
    return count(session, select(Photo.id).where(Photo.state == "queued", before)) + 1


def queued_ids(session: Session) -> list[int]:
    """Photos that wait, next first."""
    return list(session.scalars(select(Photo.id).where(Photo.state == "queued").order_by(Photo.queued_at, Photo.id)))


def measuring_ids(session: Session) -> list[int]:
    """Photos being measured."""
    return list(session.scalars(select(Photo.id).where(Photo.state == "measuring").order_by(Photo.queued_at, Photo.id)))


def claim(session: Session) -> int | None:
    """Take the next photo for measuring; None where none waits. Two claims at once never take the same one."""
    for photo_id in queued_ids(session):
        taken = session.execute(update(Photo).where(Photo.id == photo_id, Photo.state == "queued").values(state="measuring"))
        if taken.rowcount == 1:  # type: ignore[attr-defined]  # an UPDATE's result has it
            return photo_id
    return None


def take_back(session: Session) -> int:
    """Queue what a stopped service left half measured, behind what waits: should a photo have stopped it, others come first.

    How many there were.
    """
    left = session.execute(update(Photo).where(Photo.state == "measuring").values(state="queued", queued_at=datetime.now(UTC)))
    return int(left.rowcount)  # type: ignore[attr-defined]  # an UPDATE's result has it
