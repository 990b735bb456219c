"""Closed contours of a mask, moved to the steepest step nearby, with the stretches that are real edges of the part.

Direction: metal lies on the left hand as the mat frame (x right, y up) shows it, and, since the camera looks at the
mat's front, also as the picture is displayed. For a step (dx, dy) in the picture frame (y down) the metal lies towards
(dy, -dx). So an outer contour has a negative shoelace area in the picture frame, an opening a positive one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from shapely import Polygon, get_coordinates, line_interpolate_point

from holeinspect.find.picture import Mask
from holeinspect.measured import Array

TANGENT_REACH = 3
"""Points to either side that give a contour point its direction."""
SEARCH_PX = np.arange(-2.0, 3.51, 0.5)
"""Offsets towards the metal, work px, at which the step is looked for; the mask's limit lies on the backdrop's side."""
LEAST_STEP = 6.0
"""Code values a work px (of 255): a flatter profile does not move the contour."""
SMOOTHING_POINTS = 7
"""Neighbours whose median move is taken: one lone step of texture does not bend the contour."""
FOLD = 4096
"""Points a row when sampling: OpenCV's remap takes at most 32767 rows or columns."""
LEAST_WALL_PX = 1.5
"""Narrower strips of wall, in work px, are within the contour's own accuracy."""
CLEAR_OF_BLUR_PX = 2.5
"""From a limit to where its blur has gone, work px."""
STRIP = np.linspace(0, 1, 4)
FACE_PX = np.array([2.0, 4.0, 6.0])
"""Where the face is looked at, beyond the expected wall."""
BRIGHT_FACE = 1.0
"""Least step of log light from backdrop to face: only a dark wall below a bright face is taken for backdrop."""
EVEN_SHARE = 0.15
"""Strip and face are one if their levels differ by less than this share of the step to the backdrop: texture may."""
WALL_TOLD = 0.13
"""Step of log light from wall to face, over a stretch, from which they are two: texture's is below 0.1, lit walls' above
0.2 (renders)."""
WHOLE_OPENING = 8.0
"""An opening up to this many times as wide as its wall's strip is judged as a whole."""
STILL_OPEN = 0.2
"""Least area seen within both rims, over that within the top rim; less means that the thickness is another."""
WALL_POINTS = 7, 20
"""Least and most points to either side whose majority decides whether the contour has stopped at the face; an eighth of
a contour within these."""
FLAG_POINTS = 3, 15
"""Least and most points to either side whose majority decides whether a point is on a real edge."""


@dataclass(frozen=True, slots=True, eq=False)
class Contour:
    """A closed contour, ordered with the metal on its left as the mat frame (x right, y up) shows it.

    points_px: (N, 2) picture frame, about one point per 1-2 px; the last is followed by the first. As displayed, the
    metal is on the left too: for a step (dx, dy), y down, it lies towards (dy, -dx).
    edge: (N,) bool, False where this is no visible edge of the part: along the picture's border, where the part runs
    off the page, and where metal and backdrop cannot be told apart.
    """

    points_px: Array
    edge: Mask

    def __len__(self) -> int:
        return len(self.points_px)


def shoelace(points: Array) -> float:
    """Signed area of a closed polygon (N, 2): positive when counter-clockwise in a frame with y up."""
    x, y = points.T
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) / 2)


def directed(points_px: Array, opening: bool) -> Array:
    """The contour's points in the order that has the metal on the left; picture or work frame (y down)."""
    return points_px if (shoelace(points_px) > 0) == opening else points_px[::-1]


def towards_metal(points_px: Array) -> Array:
    """Unit normals (N, 2) into the metal of a directed contour."""
    ahead = np.roll(points_px, -TANGENT_REACH, axis=0) - np.roll(points_px, TANGENT_REACH, axis=0)
    normal = np.column_stack([ahead[:, 1], -ahead[:, 0]])
    return np.asarray(normal / np.maximum(np.hypot(*normal.T), 1e-9)[:, None])


def sample(plane: npt.NDArray[np.float32], points_px: Array) -> Array:
    """Values of a plane (h, w) or of planes (h, w, 3) at points (..., 2) work px, linear between pixels.

    Returns (...) or (..., 3). Beyond the border its value holds.
    """
    flat = points_px.reshape(-1, 1, 2).astype(np.float32)
    rows = -(-len(flat) // FOLD)
    folded = np.resize(flat, (rows, FOLD, 2)) if rows > 1 else flat
    x, y = np.ascontiguousarray(folded[..., 0]), np.ascontiguousarray(folded[..., 1])
    values = cv2.remap(plane, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    channels = plane.shape[2:]
    flat_values = np.asarray(values, np.float32).reshape(-1, *channels)[: len(flat)]
    return flat_values.reshape(*points_px.shape[:-1], *channels)


def nearest(plane: npt.NDArray[Any], points_px: Array) -> npt.NDArray[Any]:
    """Values of a plane (h, w) at the pixels nearest to points (N, 2) work px; beyond the border its value holds."""
    x, y = np.clip(np.rint(points_px), 0, [plane.shape[1] - 1, plane.shape[0] - 1]).astype(int).T
    return np.asarray(plane[y, x])


def snapped(grey: npt.NDArray[np.float32], points_px: Array) -> Array:
    """The directed contour moved along its normals to the steepest step of code values nearby, work frame."""
    normals = towards_metal(points_px)
    profile = sample(grey, points_px[:, None, :] + SEARCH_PX[:, None] * normals[:, None, :])
    steps = np.abs(profile[:, 2:] - profile[:, :-2])  # over one work px
    best = np.argmax(steps, axis=1)
    move = np.where(steps.max(axis=1) > LEAST_STEP, SEARCH_PX[1:-1][best], 0.0)
    return np.asarray(points_px + around(move, SMOOTHING_POINTS, np.median)[:, None] * normals)


def around(values: Array, count: int, reduce: Callable[..., Array]) -> Array:
    """A moving median or mean along a closed contour, over `count` (odd) points."""
    half = min(count, len(values) - 1 | 1) // 2
    wrapped = np.pad(values, half, mode="wrap")
    windows = np.lib.stride_tricks.sliding_window_view(wrapped, 2 * half + 1)
    return np.asarray(reduce(windows, axis=1))


def settled(flags: Mask) -> Mask:
    """Flags by the majority of their neighbours along the closed contour."""
    count = 2 * int(np.clip(len(flags) // 40, *FLAG_POINTS)) + 1
    return around(flags.astype(float), count, np.mean) > 0.5


def at_backdrop(tones: npt.NDArray[np.float32], points_px: Array, bottom_px: Array, opening: bool) -> Array:
    """The directed contour moved to where the backdrop ends, wherever it has stopped at the face above a dark wall.

    tones: log light (h, w). points_px: (N, 2) work px. bottom_px: (N, 2), where the bottom rim under each point appears
    if the point is on the top rim; a wall shows where that lies off the metal. A small opening is judged as a whole:
    the backdrop is seen within both of its rims. Longer contours are judged stretch by stretch: some walls are lit.
    """
    wall_px = -np.sum((bottom_px - points_px) * towards_metal(points_px), axis=1)
    seen = wall_px > LEAST_WALL_PX
    count = int(np.clip(len(points_px) // 8, *WALL_POINTS)) * 2 + 1
    begins, step = _face_begins(tones, points_px, wall_px)
    at_face = seen & begins & (np.abs(around(step, count, np.median)) < WALL_TOLD)
    if opening and np.ptp(points_px, axis=0).max() < WHOLE_OPENING * max(float(wall_px.max()), LEAST_WALL_PX):
        return within_both(points_px, bottom_px) if at_face.sum() > 0.5 * seen.sum() else points_px
    stopped = around(at_face.astype(float), count, np.mean) > 0.5 * around(seen.astype(float), count, np.mean)
    share = around((seen & stopped).astype(float), SMOOTHING_POINTS, np.mean)[:, None]
    return np.asarray(points_px + share * (bottom_px - points_px))


def _face_begins(tones: npt.NDArray[np.float32], points_px: Array, wall_px: Array) -> tuple[Mask, Array]:
    """(N,) whether a bright face begins right at the contour, as far as texture lets tell at one point; (N,) the step of
    log light from what would be wall to what is face."""
    normals = towards_metal(points_px)
    depth = np.clip(wall_px, LEAST_WALL_PX, None)[:, None]
    strip = CLEAR_OF_BLUR_PX + (depth - CLEAR_OF_BLUR_PX).clip(0) * STRIP
    across = np.concatenate([strip, depth + FACE_PX], axis=1)
    levels = sample(tones, points_px[:, None] + across[..., None] * normals[:, None])
    backdrop = sample(tones, points_px - (depth + CLEAR_OF_BLUR_PX) * normals)
    face = np.median(levels[:, len(STRIP) :], axis=1)
    # The last of the strip lies at the top rim, whose break may shine or be dark.
    step = face - levels[:, : len(STRIP) - 1].mean(axis=1)
    contrast = face - backdrop
    return np.asarray((np.ptp(levels, axis=1) < EVEN_SHARE * contrast) & (contrast > BRIGHT_FACE)), np.asarray(step)


def within_both(top_px: Array, bottom_px: Array) -> Array:
    """The limit of what is seen within both rims, dense and in the same direction; the top rim if that is nothing."""
    top, bottom = (Polygon(points).buffer(0) for points in (top_px, bottom_px))
    common = top.intersection(bottom)
    if not isinstance(common, Polygon) or common.area < STILL_OPEN * top.area:
        return top_px
    rim = common.exterior
    dense = get_coordinates(line_interpolate_point(rim, np.arange(0.0, rim.length, 1.0)))
    return directed(dense, shoelace(top_px) > 0)
