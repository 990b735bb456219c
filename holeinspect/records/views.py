"""Pictures made from the photos, when someone looks: in a process of their own, each once."""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from datetime import datetime
from hashlib import sha256
from importlib import import_module
from pathlib import Path
from threading import Lock
from typing import TypeVar

from holeinspect.errors import ServiceError
from holeinspect.records.originals import Originals, half_view
from holeinspect.records.photos import Photos
from holeinspect.report.build_log import LoggedPiece, build_log_pdf
from holeinspect.report.part_sheet import Paper

WIDTHS_PX = (320, 640, 1280)
"""Widths that narrow views are made in; wider than these is the whole photo."""
DRAWING = "holeinspect.records.drawing"
MOST_TRIES = 2

Drawn = TypeVar("Drawn")


class Views:
    """Files of pictures, drawn where they are not there yet. Each call raises NoSuchRecord for an unknown photo."""

    def __init__(self, originals: Originals, photos: Photos) -> None:
        self._originals, self._photos = originals, photos
        self._lock = Lock()
        self._process: ProcessPoolExecutor | None = None

    def image(self, photo_id: int, width_px: int | None) -> Path:
        """The photo upright as JPEG, without data about it: at least so wide, or as wide as it is; None: at half its size.

        Raises PhotoError for a photo that cannot be opened.
        """
        file = self._photos.file(photo_id)
        half = self._made(half_view(file.stem), "half", file)
        if width_px is None:
            return half
        step = next((step for step in WIDTHS_PX if step >= width_px), None)
        if step is not None:
            return self._made(f"{file.stem}.{step}.jpg", "narrowed", half, step)
        return self._made(f"{file.stem}.full.jpg", "full", file)

    def marked(self, photo_id: int) -> Path:
        """The photo cut to its parts, with figures and verdicts. Raises NoSuchRecord where it is not measured."""
        result, file = self._photos.result(photo_id), self._photos.file(photo_id)
        return self._made(f"{file.stem}.{result.sha256[:16]}.marked.jpg", "marked", file, result.json)

    def build_log(self, pieces: Sequence[LoggedPiece], printed_at: datetime, paper: Paper) -> bytes:
        """The log of these pieces as PDF."""
        return self._drawn("The build log", build_log_pdf, pieces, printed_at, paper)

    def rim(self, photo_id: int, part: str, hole: str) -> Path:
        """One hole's rim enlarged, as PNG. Raises NoSuchRecord where the photo is not measured or has no such hole."""
        return self._of_hole("rim", ".png", photo_id, (part, hole))

    def chart(self, photo_id: int, part: str, hole: str) -> Path:
        """The deviation of one hole's rim round the clock, as SVG. Raises as rim does."""
        return self._of_hole("chart", ".svg", photo_id, (part, hole))

    def _of_hole(self, how: str, ending: str, photo_id: int, which: tuple[str, str]) -> Path:
        result, file = self._photos.result(photo_id), self._photos.file(photo_id)
        named = sha256("\n".join(which).encode()).hexdigest()  # whatever the asker calls it is a file name then
        return self._made(f"{file.stem}.{result.sha256[:16]}.{how}-{named[:16]}{ending}", how, file, result.json, *which)

    def close(self) -> None:
        """End the drawing process."""
        with self._lock:
            if self._process is not None:
                self._process.shutdown(wait=False, cancel_futures=True)
                self._process = None

    def _made(self, name: str, how: str, *given: object) -> Path:
        """The file of that name, drawn if it is not there. A drawing process that dies is replaced once."""
        target = self._originals.view_path(name)
        if target.exists():
            return target
        self._drawn(f"The picture {name}", _draw, how, target, *given)
        return target

    def _drawn(self, what: str, draw: Callable[..., Drawn], *given: object) -> Drawn:
        """What the drawing process gives back."""
        for _ in range(MOST_TRIES):
            try:
                return self._drawer().submit(draw, *given).result()
            except BrokenProcessPool:
                self.close()
        raise ServiceError(f"{what} cannot be drawn: drawing failed twice, perhaps for want of memory.")

    def _drawer(self) -> ProcessPoolExecutor:
        with self._lock:
            if self._process is None:
                self._process = ProcessPoolExecutor(max_workers=1, mp_context=multiprocessing.get_context("spawn"))
            return self._process


def _draw(how: str, target: Path, *given: object) -> None:
    """Runs in the drawing process, which alone imports the image libraries."""
    draw: Callable[..., None] = getattr(import_module(DRAWING), how)
    if not target.exists():
        draw(target, *given)
