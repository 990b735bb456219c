"""A part's contour traced point by point: where the face begins, a fraction of a pixel sure, stubs and nicks included.

The fits of outline.py hold a whole edge at once and leave out what stands off it; here every pixel of length has its own
say. Across each point of the rough contour the light rises from backdrop (over the wall, where it shows) to face; the
point is where it passes half way of the last of these steps, the upper rim. That rim is seen all round, whichever way the
walls look, so the whole contour lies in one plane and no corner hides. Only where the wall is as bright as the face the
limit of the backdrop is taken instead, which then is the lower rim.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d, minimum_filter1d

from holeinspect.edges.fronts import View
from holeinspect.measured import Array

DIRECTION_SMOOTH_MM = 0.5
"""Sigma by which the rough contour is smoothed to give each point its direction: less than any stub, more than its noise."""
OUTSIDE_PX, INSIDE_PX = 12, 18
"""Reach of the profiles beyond the rough contour and beyond the wall's far end: a nick that the finder has bridged fits in."""
LEVEL_AWAY_PX, LEVEL_WIDTH_PX = 5, 4
"""Where backdrop and face have their own level: this far from the contour and from the wall, over so many samples."""
LEVEL_REACH_MM = 8.0
"""Levels are medians over so much contour to either side: ink, glare and stubs are narrower."""
BLOCK_MM = 1.0
"""Length of the pieces whose medians these are made of."""
CLEAR_WALL_PX = 4.0
"""Least width of a wall whose own level can be told."""
WALL_LIKE_FACE, WALL_BEYOND_FACE = 0.75, 1.25
"""Brightness between backdrop (0) and face (1) between which the wall's upper end cannot be told."""
LEAST_CONTRAST = 0.03
"""Difference of face and backdrop in linear light below which nothing is traced."""
SOFT_SHARE = 0.4
"""A step less steep than this share of what the blur allows is shadow, glare or smear, no rim."""
UNLIKE_SHARE = 0.25
"""Departure of the backdrop from that of its surroundings, as a share of the contrast, from which it is print or dirt."""
OTHER_SHARE = 0.5
"""The same of a whole stretch from that of the contour as a whole: over print the rim is another step than over the window."""
CLEAR_MM = 0.8
"""So near to print, and to where the finder sees no edge, the contour may have run off the rim."""
SLOPE_REACH_PX = 1
FOLD = 4096
"""Points a row when sampling: OpenCV's remap takes at most 32767 rows or columns."""


@dataclass(frozen=True, slots=True, eq=False)
class Border:
    """A closed contour traced: points_mm, points_px (N, 2), about a pixel apart, metal on the left (mat frame).

    seen: (N,) bool, whether a rim as sharp as the blur allows was found there; other points are the rough contour's.
    upper: (N,) whether the point lies on the upper rim. facing: (N,) whether the wall faces away from the camera.
    step_mm: mean distance of neighbours. blur_mm: sigma of the blur.
    """

    points_mm: Array
    points_px: Array
    seen: Array
    upper: Array
    facing: Array
    step_mm: float
    blur_mm: float

    def __len__(self) -> int:
        return len(self.points_mm)


def trace_border(view: View, points_px: Array, visible: Array) -> Border:
    """Border a closed rough contour: points (N, 2) px, metal on the left; visible (N,) False where there is no edge."""
    scale = _px_per_mm(view, points_px)
    ring, shown = _even(points_px, visible)
    smooth = gaussian_filter1d(ring, DIRECTION_SMOOTH_MM * scale, axis=0, mode="wrap")
    into = _into(smooth)
    wall_px, facing = _walls(view, smooth, into)
    deep = int(np.ceil(wall_px.max(initial=0.0)))
    x_px = np.arange(-OUTSIDE_PX, deep + INSIDE_PX + 1)
    values = _sampled(view.light, smooth[:, None] + x_px[:, None] * into[:, None])
    block = max(3, round(BLOCK_MM * scale))
    relative, contrast, plain = _relative(values, x_px, wall_px, block)
    level, upper = _levels(relative, x_px, wall_px, facing, block)
    place, slope = _crossings(relative, x_px, level, block)
    steep = np.where(upper & ~facing & (wall_px > CLEAR_WALL_PX), 2 * (1 - level), 1.0) / (np.sqrt(2 * np.pi) * view.blur.core)
    clear = minimum_filter1d(shown & plain, 2 * round(CLEAR_MM * scale) + 1, mode="wrap")
    seen = clear & np.isfinite(place) & (np.abs(contrast) > LEAST_CONTRAST) & (slope > SOFT_SHARE * steep)
    px = smooth + np.where(seen, place, 0.0)[:, None] * into
    z_mm = np.where(upper, view.plate.top_mm, view.plate.bottom_mm)
    return Border(view.camera.to_plane(px, z_mm), px, seen, upper, facing, 1 / scale, view.blur.core / scale)


def _px_per_mm(view: View, points_px: Array) -> float:
    middle = view.camera.to_plane(points_px, view.plate.top_mm).mean(axis=0)
    jacobian = view.camera.px_per_mm(np.array([[*middle, view.plate.top_mm]]))[0]
    return float(np.sqrt(abs(np.linalg.det(jacobian))))


def _even(points_px: Array, visible: Array) -> tuple[Array, Array]:
    """The closed contour at even steps of about a pixel, and which of them are visible."""
    closed = np.vstack([points_px, points_px[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.linspace(0, along[-1], max(8, round(along[-1])), endpoint=False)
    ring = np.column_stack([np.interp(at, along, closed[:, axis]) for axis in (0, 1)])
    nearest = np.clip(np.searchsorted(along, at, side="right") - 1, 0, len(points_px) - 1)
    return ring, visible[nearest]


def _into(ring: Array) -> Array:
    """Unit directions (N, 2) px into the metal of a closed contour with the metal on its left as displayed."""
    ahead = np.roll(ring, -1, axis=0) - np.roll(ring, 1, axis=0)
    into = np.column_stack([ahead[:, 1], -ahead[:, 0]])
    return np.asarray(into / np.maximum(np.hypot(*into.T), 1e-9)[:, None])


def _walls(view: View, ring: Array, into: Array) -> tuple[Array, Array]:
    """Width of the wall that shows (N,) px, 0 where it faces away; whether it does (N,)."""
    foot = view.camera.to_plane(ring, view.plate.bottom_mm)
    lower = view.camera.project(np.column_stack([foot, np.full(len(foot), view.plate.bottom_mm)]))
    upper = view.camera.project(np.column_stack([foot, np.full(len(foot), view.plate.top_mm)]))
    wall = ((upper - lower) * into).sum(axis=1)
    return np.maximum(wall, 0.0), wall <= 0


def _sampled(light: Array, points_px: Array) -> Array:
    """Bilinear samples (N, M) of a picture at points (N, M, 2) px, as quick as can be; its border's value beyond it."""
    flat = points_px.reshape(-1, 2).astype(np.float32)
    folded = np.resize(flat, (-(-len(flat) // FOLD), FOLD, 2))
    values = cv2.remap(np.asarray(light, np.float32), folded, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values.reshape(-1)[: len(flat)].reshape(points_px.shape[:-1]))


def _relative(values: Array, x_px: Array, wall_px: Array, block: int) -> tuple[Array, Array, Array]:
    """The light across each point between backdrop (0) and face (1), (N, M); their difference; whether the backdrop is plain.

    Beside print, or another part, the backdrop is not that of its surroundings, and the step to the face is another.
    """
    outside = values[:, (x_px <= -LEVEL_AWAY_PX) & (x_px > -LEVEL_AWAY_PX - LEVEL_WIDTH_PX)].mean(axis=1)
    inner = np.rint(wall_px).astype(int) + LEVEL_AWAY_PX - int(x_px[0])
    columns = np.minimum(inner[:, None] + np.arange(LEVEL_WIDTH_PX), values.shape[1] - 1)
    inside = np.take_along_axis(values, columns, axis=1).mean(axis=1)
    backdrop, face = (running_median(level, block) for level in (outside, inside))
    contrast = face - backdrop
    safe = np.where(np.abs(contrast) > 1e-6, contrast, 1e-6)
    common = float(np.median(backdrop))
    plain = (np.abs(outside - backdrop) < UNLIKE_SHARE * np.abs(safe)) & (np.abs(backdrop - common) < OTHER_SHARE * np.abs(safe))
    return (values - backdrop[:, None]) / safe[:, None], contrast, plain


def running_median(values: Array, block: int) -> Array:
    """Medians (N,) along a closed contour over LEVEL_REACH_MM to either side, of pieces `block` points long."""
    count = max(1, len(values) // block)
    edges = np.linspace(0, len(values), count + 1).astype(int)
    padded = np.full((count, int(np.diff(edges).max())), np.nan)
    for i, (first, last) in enumerate(zip(edges[:-1], edges[1:], strict=True)):
        padded[i, : last - first] = values[first:last]
    reach = min(round(LEVEL_REACH_MM / BLOCK_MM), (count - 1) // 2)
    wrapped = np.pad(padded, ((reach, reach), (0, 0)), mode="wrap") if reach else padded
    windows = np.lib.stride_tricks.sliding_window_view(wrapped, 2 * reach + 1, axis=0)
    medians = np.nanmedian(windows.reshape(count, -1), axis=1)
    middles = (edges[:-1] + edges[1:] - 1) / 2
    return np.asarray(np.interp(np.arange(len(values)), middles, medians, period=len(values)))


def _levels(relative: Array, x_px: Array, wall_px: Array, facing: Array, block: int) -> tuple[Array, Array]:
    """The level (N,) at which the rim is crossed, and whether that rim is the upper one (N,)."""
    middle = np.clip(np.rint(wall_px / 2).astype(int) - int(x_px[0]), 1, relative.shape[1] - 2)
    own = np.median(np.take_along_axis(relative, middle[:, None] + np.arange(-1, 2), axis=1), axis=1)
    clear = ~facing & (wall_px > CLEAR_WALL_PX)
    wall = running_median(np.where(clear, own, np.nan), block) if clear.any() else np.zeros(len(relative))
    wall = np.where(clear & np.isfinite(wall), wall, 0.0)
    like_face = clear & (wall > WALL_LIKE_FACE) & (wall < WALL_BEYOND_FACE)
    level = np.where(clear & ~like_face, (1 + wall) / 2, 0.5)
    return level, ~like_face


def _crossings(relative: Array, x_px: Array, level: Array, block: int) -> tuple[Array, Array]:
    """Where (N,) px and how steeply (N,) per px each profile passes its level; NaN where it does not.

    Of several such places the one nearest to the neighbours' is taken: what lies off it is dust, print or a scratch.
    """
    above = relative >= level[:, None]
    upward = ~above[:, :-1] & above[:, 1:]
    rise = relative[:, 1:] - relative[:, :-1]
    share = (level[:, None] - relative[:, :-1]) / np.where(upward, rise, 1.0)
    at = np.where(upward, x_px[:-1] + share, np.inf)
    rows = np.arange(len(at))
    first = at[rows, np.argmin(np.abs(at), axis=1)]
    expected = running_median(np.where(np.isfinite(first), first, np.nan), block)
    expected = np.where(np.isfinite(expected), expected, 0.0)
    column = np.argmin(np.abs(at - expected[:, None]), axis=1)
    place = at[rows, column]
    low, high = np.maximum(column - SLOPE_REACH_PX, 0), np.minimum(column + 1 + SLOPE_REACH_PX, relative.shape[1] - 1)
    slope = (relative[rows, high] - relative[rows, low]) / (high - low)
    return np.where(np.isfinite(place), place, np.nan), slope
