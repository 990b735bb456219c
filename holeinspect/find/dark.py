"""Dark round openings in a plain picture of a board, without mat or scale: all in pixels."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

LONG_SIDE_PX = 1000
"""Long side of the picture in which openings are looked for."""
SURROUND_SHARE = 0.25
"""Side of the surround, over the picture's long side, whose median an opening is darker than."""
DARK_SHARE = 0.4
"""An opening's code values over the surround's median: a drilled hole swallows most of the light."""
LEAST_DIAMETER_PX = 8.0
LEAST_ROUND = 0.7
"""Least roundness 4 pi A / P²: 1 for a circle, 0.79 for a square; a screw's recess is angular and lit within."""
LEAST_FILL = 0.8
"""Least share of its convex hull that an opening fills; torn fibres stand into it."""
CORE_SHARE = 0.25
"""Level over the surround's that a quarter of an opening does not reach: gloom in a screw's recess is not that deep."""
LEAST_ASPECT = 0.6
"""Least width over length, of the smallest rectangle around."""


@dataclass(frozen=True, slots=True)
class DarkOpening:
    """A dark round spot. centre_px: x, y picture px; diameter_px: of the circle of equal area; confidence: 0..1."""

    centre_px: tuple[float, float]
    diameter_px: float
    confidence: float


def find_dark_openings(luma: npt.NDArray[np.float32]) -> list[DarkOpening]:
    """Openings in a board that fills the picture, (H, W) code values 0..1, largest first; [] when there are none.

    A hole is told by what it is in any board: darker than all round it by far, round, and dark right across.
    """
    shrink = max(1.0, max(luma.shape) / LONG_SIDE_PX)
    size = round(luma.shape[1] / shrink), round(luma.shape[0] / shrink)
    code = np.clip(luma * 255, 0, 255).astype(np.uint8)
    small = np.asarray(cv2.resize(code, size, interpolation=cv2.INTER_AREA), np.uint8)
    smooth = cv2.GaussianBlur(small, (5, 5), 0)
    share = np.asarray(smooth / np.maximum(_surround(small), 1.0), np.float32)
    dark = cv2.morphologyEx((share < DARK_SHARE).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    outlines, _ = cv2.findContours(dark, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    found = (_opening(np.asarray(outline, np.int32), share, shrink) for outline in outlines)
    return sorted((opening for opening in found if opening), key=lambda opening: -opening.diameter_px)


def _surround(small: npt.NDArray[np.uint8]) -> npt.NDArray[np.float32]:
    """Median of each pixel's wide neighbourhood, taken on a coarser picture."""
    coarse = cv2.resize(small, None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
    side = round(max(coarse.shape) * SURROUND_SHARE) | 1
    return np.asarray(cv2.resize(cv2.medianBlur(coarse, side), small.shape[::-1]), dtype=np.float32)


def _opening(outline: npt.NDArray[np.int32], share: npt.NDArray[np.float32], shrink: float) -> DarkOpening | None:
    """The outline as an opening, None when it is too small, angular, ragged, long or shallow.

    share: levels over the surround's.
    """
    hull = cv2.convexHull(outline)
    hull_area, area = cv2.contourArea(hull), cv2.contourArea(outline)
    diameter = 2 * np.sqrt(area / np.pi)
    if diameter * shrink < LEAST_DIAMETER_PX or area < LEAST_FILL * hull_area:
        return None
    # The hull's length: the stair steps of pixels would make every outline look rough.
    roundness = 4 * np.pi * hull_area / cv2.arcLength(hull, True) ** 2
    width, length = sorted(cv2.minAreaRect(outline)[1])
    if roundness < LEAST_ROUND or width < LEAST_ASPECT * length:
        return None
    moments = cv2.moments(outline)
    centre = np.array([moments["m10"], moments["m01"]]) / moments["m00"]
    inside = np.zeros(share.shape, np.uint8)
    cv2.drawContours(inside, [outline], -1, 1, cv2.FILLED)
    levels = share[inside > 0]
    if np.quantile(levels, 0.25) > CORE_SHARE:
        return None
    darkness = 1 - float(levels.mean()) / DARK_SHARE
    x, y = (centre + 0.5) * shrink - 0.5
    confidence = np.clip(roundness * (0.5 + darkness), 0, 1)
    return DarkOpening((float(x), float(y)), float(diameter * shrink), float(confidence))
