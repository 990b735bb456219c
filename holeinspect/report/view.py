"""A piece of the photo, resized, and where its points lie: what every picture of a report is drawn on.

Photo frame: px of the upright photo, pixel centres at integers. View frame: px of the piece.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeAlias, cast

import cv2
import numpy as np

from holeinspect.measured import Array
from holeinspect.photo import Photo, open_photo
from holeinspect.report.strokes import Picture

PhotoLike: TypeAlias = Photo | str | Path | Picture
"""A photo opened, its path, or its upright pixels (H, W, 3) RGB of full size."""
Frame: TypeAlias = tuple[int, int, int, int]
"""Left, top, right, bottom in px of the upright photo, all even."""


@dataclass(frozen=True, slots=True)
class View:
    """Photo area: pixels (H, W, 3) RGB, and where they come from: view = (photo - corner) * scale + offset."""

    pixels: Picture
    corner: Array
    scale: float

    def at(self, points_px: Sequence[tuple[float, float]] | Array) -> Array:
        """(N, 2) photo px to view px; pixel centres at integers in both."""
        return np.asarray((np.asarray(points_px, float).reshape(-1, 2) - self.corner + 0.5) * self.scale - 0.5)

    @property
    def size(self) -> tuple[int, int]:
        """Width, height."""
        return self.pixels.shape[1], self.pixels.shape[0]


def opened(photo: PhotoLike) -> Photo | Picture:
    """The photo itself where a path was given."""
    return photo if isinstance(photo, (Photo, np.ndarray)) else open_photo(photo)


def photo_size(photo: Photo | Picture) -> tuple[int, int]:
    """Width, height in px."""
    height, width = photo.shape[:2] if isinstance(photo, np.ndarray) else photo.luma.shape
    return width, height


def view(photo: Photo | Picture, frame: Frame, scale: float) -> View:
    """The frame's piece of the photo, `scale` times as large."""
    size = (max(1, round((frame[2] - frame[0]) * scale)), max(1, round((frame[3] - frame[1]) * scale)))
    return View(_cut(photo, frame, size), np.array(frame[:2], float), scale)


def _cut(photo: Photo | Picture, frame: Frame, size: tuple[int, int]) -> Picture:
    """RGB of a cut: an opened photo has its colour at half size, and the detail in its luma."""
    left, top, right, bottom = frame
    if isinstance(photo, np.ndarray):
        return _resized(photo[top:bottom, left:right], size)
    luma = _resized(photo.luma[top:bottom, left:right], size)
    half = photo.colour_half[top // 2 : bottom // 2, left // 2 : right // 2]
    coded = _resized(cv2.cvtColor(half, cv2.COLOR_RGB2YCrCb), size)
    coded[:, :, 0] = np.clip(luma * 255 + 0.5, 0, 255)
    return np.asarray(cv2.cvtColor(coded, cv2.COLOR_YCrCb2RGB), np.uint8)


def _resized(pixels: Any, size: tuple[int, int]) -> Picture:
    """Pixels (H, W) or (H, W, 3) of any kind as (height, width, ...) of the size (width, height), of the same kind."""
    how = cv2.INTER_AREA if size[0] < pixels.shape[1] else cv2.INTER_CUBIC
    resized: Any = cv2.resize(np.ascontiguousarray(pixels), size, interpolation=how)
    return cast(Picture, resized)
