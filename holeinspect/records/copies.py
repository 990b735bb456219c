"""A copy of a data folder that is whole, also while a service writes to it."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from holeinspect.errors import ServiceError
from holeinspect.records.bench import RECORDS_FILE
from holeinspect.records.database import copy_sqlite
from holeinspect.records.originals import original_path
from holeinspect.scale.readings import READINGS_FILE


@dataclass(frozen=True, slots=True)
class Copied:
    """What a copy holds; files: photos that were copied now, the others lay there already."""

    photos: int
    files: int


def copy_records(source: Path, target: Path) -> Copied:
    """Copy a data folder: first the database, as of one moment, then each photo that it names, which never change.

    Views are left out: they are made anew. Raises ServiceError where there is nothing to copy or something would be replaced.
    """
    if not (source / RECORDS_FILE).is_file():
        raise ServiceError(f"There are no records in {source}. Name the data folder with --data.")
    if (target / RECORDS_FILE).exists():
        raise ServiceError(f"{target} holds records already, which a copy would replace. Name a new folder.")
    try:
        return _copy(source, target)
    except OSError as error:
        raise ServiceError(f"The copy to {target} failed: {error.strerror}. Make room, or name another folder.") from error


def _copy(source: Path, target: Path) -> Copied:
    target.mkdir(parents=True, exist_ok=True)
    unfinished = target / f"{RECORDS_FILE}.unfinished"
    unfinished.unlink(missing_ok=True)
    copy_sqlite(source / RECORDS_FILE, unfinished)
    with closing(sqlite3.connect(unfinished)) as records:
        photos = records.execute("SELECT sha256, ending FROM photo").fetchall()
    files = sum(_copy_file(original_path(source, *photo), original_path(target, *photo)) for photo in photos)
    if (source / READINGS_FILE).is_file():
        shutil.copy2(source / READINGS_FILE, target / READINGS_FILE)
    unfinished.replace(target / RECORDS_FILE)  # last: a copy with records is a whole one
    return Copied(len(photos), files)


def _copy_file(source: Path, target: Path) -> bool:
    """Copy a photo that is not there yet; one that is is the same, as its name is its hash."""
    if target.exists():
        return False
    target.parent.mkdir(parents=True, exist_ok=True)
    fresh = target.with_suffix(".new")
    shutil.copy2(source, fresh)
    fresh.replace(target)
    return True
