"""The photos as files: kept by the hash of their content, whole on the disk before anyone is told so.

folder/originals/ab/abcd....jpg   kept photos, never changed
folder/incoming/                  uploads on their way; emptied at each start
folder/views/                     pictures made from them; may be deleted at any time
"""

from __future__ import annotations

import hashlib
import os
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from mmap import mmap
from pathlib import Path
from typing import BinaryIO

from holeinspect.errors import PhotoError, ServiceError
from holeinspect.records.location import blank_location

CHUNK_BYTES = 1 << 20
MEGA = 1_000_000
_BRANDS_AT = slice(4, 8)


@dataclass(frozen=True, slots=True)
class Kept:
    """A photo in the folder. uploaded_sha256: of the file as it came; sha256: as it is kept; ending: with its dot."""

    sha256: str
    ending: str
    uploaded_sha256: str
    size_bytes: int


class Originals:
    """The photos of one data folder."""

    def __init__(self, folder: Path, limit_bytes: int) -> None:
        self.folder, self.limit_bytes = folder, limit_bytes
        self._incoming = folder / "incoming"
        try:
            for place in (self._incoming, folder / "originals", folder / "views"):
                place.mkdir(parents=True, exist_ok=True)
            for left in self._incoming.iterdir():
                left.unlink()
        except OSError as error:
            raise ServiceError(
                f"The data folder {folder} cannot be used: {error.strerror}. Name another with --data, or make room in it."
            ) from error

    def path(self, sha256: str, ending: str) -> Path:
        """Where a kept photo lies."""
        return original_path(self.folder, sha256, ending)

    def view_path(self, name: str) -> Path:
        """Where a picture made from a photo lies, or would lie."""
        return self.folder / "views" / name

    def keep(self, upload: BinaryIO, name: str) -> Kept:
        """Keep an upload: stream it to the disk, take its location out, and give it its place.

        Whole on the disk when it returns. Raises PhotoError for what is empty, too large, or no photo by its first bytes.
        """
        with self._arriving() as path:
            uploaded_sha256, size = self._receive(upload, path, name)
            ending = _ending(path, name)
            sha256 = _blanked(path) or uploaded_sha256
            kept = self.path(sha256, ending)
            _settle(path, kept)
        return Kept(sha256, ending, uploaded_sha256, size)

    @contextmanager
    def _arriving(self) -> Iterator[Path]:
        path = self._incoming / uuid.uuid4().hex
        try:
            yield path
        finally:
            path.unlink(missing_ok=True)

    def _receive(self, upload: BinaryIO, path: Path, name: str) -> tuple[str, int]:
        digest, size = hashlib.sha256(), 0
        with path.open("xb") as file:
            while chunk := upload.read(CHUNK_BYTES):
                size += len(chunk)
                if size > self.limit_bytes:
                    raise PhotoError(
                        f"{name} has more than {self.limit_bytes / MEGA:.0f} MB. Use the phone's own photo, or save it as JPEG."
                    )
                digest.update(chunk)
                file.write(chunk)
        if size == 0:
            raise PhotoError(f"{name} is empty (0 bytes). Copy it from the phone again.")
        return digest.hexdigest(), size


def _ending(path: Path, name: str) -> str:
    """The ending by the first bytes; what it is named says nothing."""
    with path.open("rb") as file:
        head = file.read(32)
    if head[:3] == b"\xff\xd8\xff":
        return ".jpg"
    if head[:8] == b"\x89PNG\r\n\x1a\n":
        return ".png"
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return ".tif"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return ".webp"
    if head[_BRANDS_AT] == b"ftyp":
        return ".heic"
    raise PhotoError(f"{name} is no photo that can be read. Use JPEG, HEIC, PNG, TIFF or WebP, as the phone wrote it.")


def _blanked(path: Path) -> str | None:
    """Take the location out of the file; the hash of what it holds then, None where nothing was changed."""
    with path.open("r+b") as file, mmap(file.fileno(), 0) as data:
        return hashlib.sha256(data).hexdigest() if blank_location(data) else None


def _settle(path: Path, kept: Path) -> None:
    """Move a file to its place so that a power cut leaves it whole or not there at all."""
    kept.parent.mkdir(exist_ok=True)
    _sync(path)
    path.replace(kept)
    _sync(kept.parent)


def _sync(path: Path) -> None:
    if os.name == "nt" and path.is_dir():
        return  # Windows opens no folders; its file system keeps a rename in order by itself
    handle = os.open(path, os.O_RDWR if path.is_file() else os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def original_path(folder: Path, sha256: str, ending: str) -> Path:
    """Where a kept photo lies in a data folder."""
    return folder / "originals" / sha256[:2] / f"{sha256}{ending}"


def half_view(sha256: str) -> str:
    """Name of the picture at half size that the worker makes of every photo."""
    return f"{sha256}.half.jpg"
