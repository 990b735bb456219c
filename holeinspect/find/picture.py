"""The photo at the size in which parts are looked for, and its colours as the logarithm of linear light.

Work frame: px of the work picture, x right, y down, pixel centres at integers. It begins `start_px` into the photo, and
a work pixel covers `factor` x `factor` picture px: x_full = start + factor x_work + (factor - 1) / 2.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from holeinspect.edges.light import linear_from_srgb
from holeinspect.measured import Array

Mask = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]

SMALL_LONG_PX = 1400
"""A half-size picture with a shorter long side is too coarse for 1.5 mm holes: the full size is used."""
LARGE_LONG_PX = 3200
"""A half-size picture with a longer long side is shrunk further; a 12 MP photo's has 2016 px."""
LEAST_BOX_PX = 64
"""Half-size px; a smaller box is none: the scale is wrong or the page is out of the picture."""
FLOOR_LIGHT = 0.004
"""Added to linear light before the logarithm: about the glare of a phone's lens, so that noise in black stays small."""
OPPONENT = np.array([[1 / 3, 1 / 3, 1 / 3], [1.0, 0.0, -1.0], [-0.5, 1.0, -0.5]], dtype=np.float32)
"""Log red, green, blue to lightness, red-blue and green-magenta; a shadow of the same light moves the first alone."""


@dataclass(frozen=True, slots=True, eq=False)
class WorkPicture:
    """tones: float32 (h, w, 3), OPPONENT of the natural logarithm of linear light. factor: picture px per work px.

    grey: float32 (h, w), code values 0..255. start_px: (2,) picture px left and above the work picture.
    """

    tones: npt.NDArray[np.float32]
    grey: npt.NDArray[np.float32]
    factor: int
    start_px: npt.NDArray[np.intp]

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height, work px."""
        return self.tones.shape[1], self.tones.shape[0]

    def to_full(self, points_px: Array) -> Array:
        """Work frame to picture frame, (..., 2)."""
        return points_px * self.factor + self.start_px + (self.factor - 1) / 2

    def from_full(self, points_px: Array) -> Array:
        """Picture frame to work frame, (..., 2)."""
        return np.asarray((points_px - self.start_px - (self.factor - 1) / 2) / self.factor)


def work_picture(luma: npt.NDArray[np.float32], colour_half: Bytes, place_px: Array | None = None) -> WorkPicture:
    """The photo at work size. luma: (H, W) code values 0..1; colour_half: (H // 2, W // 2, 3) RGB, see `Photo`.

    place_px: (N, 2) picture px that have to be in it; what lies farther out is left away. None keeps everything.
    """
    long_half_px = max(colour_half.shape)
    shrink = max(1, round(long_half_px / LARGE_LONG_PX))
    (left, top), (right, bottom) = _box(place_px, colour_half.shape[1::-1], shrink)
    used = colour_half[top:bottom, left:right]
    start_px = 2 * np.array([left, top])
    if long_half_px < SMALL_LONG_PX:
        return _prepared(_colour_full(luma[2 * top : 2 * bottom, 2 * left : 2 * right], used), 1, start_px)
    size = used.shape[1] // shrink, used.shape[0] // shrink
    return _prepared(np.asarray(cv2.resize(used, size, interpolation=cv2.INTER_AREA), np.uint8), 2 * shrink, start_px)


def _box(place_px: Array | None, size_half: tuple[int, ...], shrink: int) -> npt.NDArray[np.intp]:
    """First and last column and row (2, 2) half-size px of a box round the place, in whole work pixels."""
    most = np.array(size_half) // shrink * shrink
    if place_px is None:
        return np.array([[0, 0], most])
    first = np.clip(np.floor(place_px.min(axis=0) / (2 * shrink)).astype(int) * shrink, 0, most)
    last = np.clip(np.ceil(place_px.max(axis=0) / (2 * shrink)).astype(int) * shrink, 0, most)
    return np.array([first, last]) if np.all(last - first > LEAST_BOX_PX) else np.array([[0, 0], most])


def _colour_full(luma: npt.NDArray[np.float32], colour_half: Bytes) -> Bytes:
    """Full-size colour: the half-size colour carried by the full-size luma."""
    height, width = luma.shape
    grey_half = cv2.resize(luma, colour_half.shape[1::-1], interpolation=cv2.INTER_AREA)
    chroma = cv2.resize(colour_half - 255 * grey_half[..., None], (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(cv2.convertScaleAbs(np.maximum(chroma + 255 * luma[..., None], 0)), np.uint8)


def _prepared(colour: Bytes, factor: int, start_px: npt.NDArray[np.intp]) -> WorkPicture:
    smooth = cv2.GaussianBlur(colour, (3, 3), 0)
    tones = np.asarray(cv2.transform(cv2.LUT(smooth, _log_light()), OPPONENT), np.float32)
    return WorkPicture(tones, cv2.cvtColor(colour, cv2.COLOR_RGB2GRAY).astype(np.float32), factor, start_px)


@lru_cache(maxsize=1)
def _log_light() -> npt.NDArray[np.float32]:
    """Natural logarithm of linear light for every 8-bit sRGB code value."""
    return np.asarray(np.log(linear_from_srgb(np.arange(256) / 255) + FLOOR_LIGHT), np.float32)
