"""A part's contour traced point by point: where the face begins, a fraction of a pixel sure, stubs and nicks included.

The fits of outline.py hold a whole edge at once and leave out what stands off it; here every pixel of length has its own
say. Across each point of the rough contour the light rises from backdrop (over the wall, where it shows) to face; the
point is where it passes half way of the last of these steps, the upper rim. That rim is seen all round, whichever way the
walls look, so the whole contour lies in one plane and no corner hides. Only where the wall is as bright as the face the
limit of the backdrop is taken instead, which then is the lower rim.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d, minimum_filter1d

from holeinspect.edges.adjustment import WALL_EXPECTED
from holeinspect.edges.contours import Straight
from holeinspect.edges.profiles import gaussian_step
from holeinspect.edges.stretches import View
from holeinspect.measured import Array

DIRECTION_SMOOTH_MM = 0.5
"""Sigma by which the rough contour is smoothed to give each point its direction: less than any stub, more than its noise."""
OUTSIDE_PX, INSIDE_PX = 12, 18
"""Reach of the profiles beyond the rough contour and beyond the wall's far end: a nick that the finder has bridged fits in."""
LEVEL_AWAY_PX, LEVEL_WIDTH_PX = 5, 4
"""Where backdrop and face have their own level: this far from the contour and from the wall, over so many samples."""
FACE_WIDTH_PX = 14
"""The face's level is the median over so much: a line of ink along the edge is narrower."""
LEVEL_REACH_MM = 8.0
"""Levels are medians over so much contour to either side: ink, glare and stubs are narrower."""
BLOCK_MM = 1.0
"""Length of the pieces whose medians these are made of."""
LEAST_WALL_PX, CLEAR_WALL_PX = 1.5, 4.0
"""Widths of a wall from which it counts as one, and from which its own light can be told."""
WALL_LIKE_FACE = 0.75
"""Brightness between backdrop (0) and face (1) beyond which the wall's upper end cannot be told."""
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
    upper: (N,) whether the point lies on the upper rim. apart_mm: (N,) distance of the two rims' pictures along the ray, in
    the plane of the mat. step_mm: mean distance of neighbours. blur_mm: sigma of the blur.
    """

    points_mm: Array
    points_px: Array
    seen: Array
    upper: Array
    apart_mm: Array
    step_mm: float
    blur_mm: float

    def __len__(self) -> int:
        return len(self.points_mm)


def trace_border(view: View, points_px: Array, visible: Array, straights: Sequence[Straight] = ()) -> Border:
    """Trace a closed rough contour: points (N, 2) px, metal on the left; visible (N,) False where there is no edge.

    straights: fitted edges of the contour; they tell a wall as bright as the face from one as dark as the backdrop.
    """
    scale = _px_per_mm(view, points_px)
    ring, shown = _even(points_px, visible)
    smooth = gaussian_filter1d(ring, DIRECTION_SMOOTH_MM * scale, axis=0, mode="wrap")
    into = _into(smooth)
    wall_px = _walls(view, smooth, into)
    deep = int(np.ceil(wall_px.max(initial=0.0)))
    x_px = np.arange(-OUTSIDE_PX, deep + INSIDE_PX + 1)
    values = _sampled(view.light, smooth[:, None] + x_px[:, None] * into[:, None])
    block = max(3, round(BLOCK_MM * scale))
    relative, contrast, plain = _relative(values, x_px, wall_px, block)
    half, _ = _crossings(relative, x_px, np.full(len(relative), 0.5), block)
    beside = _beside(view, smooth + np.nan_to_num(half)[:, None] * into, wall_px / scale, straights)
    limit = _at_limit(beside, wall_px / scale)
    limit &= (contrast < 0) | ((wall_px > CLEAR_WALL_PX) & ~_wall_before(relative, x_px, half, wall_px, block))
    usual = _usual_wall(relative, x_px, half, wall_px, view.blur.core)
    level, upper = _levels(relative, x_px, (half, wall_px, limit), block, _Wall(usual, view.blur.core))
    upper = ~_by_edge(beside, ~upper) | (wall_px <= 0)
    level = np.where(upper, level, 0.5)
    place, slope = _crossings(relative, x_px, level, block)
    steep = np.where(upper, 2 * (1 - level), 1.0) / (np.sqrt(2 * np.pi) * view.blur.core)
    clear = minimum_filter1d(shown & plain, 2 * round(CLEAR_MM * scale) + 1, mode="wrap")
    seen = clear & np.isfinite(place) & (np.abs(contrast) > LEAST_CONTRAST) & (slope > SOFT_SHARE * steep)
    px = smooth + np.where(seen, place, 0.0)[:, None] * into
    z_mm = np.where(upper, view.plate.top_mm, view.plate.bottom_mm)
    points = view.camera.to_plane(px, z_mm)
    x, y, height = view.camera.centre
    apart = view.plate.thickness_mm / (height - view.plate.top_mm) * np.hypot(*(points - (x, y)).T)
    return Border(points, px, seen, upper, apart, 1 / scale, view.blur.core / scale)


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


def _walls(view: View, ring: Array, into: Array) -> Array:
    """Width of the wall that shows (N,) px, 0 where it faces away."""
    foot = view.camera.to_plane(ring, view.plate.bottom_mm)
    lower = view.camera.project(np.column_stack([foot, np.full(len(foot), view.plate.bottom_mm)]))
    upper = view.camera.project(np.column_stack([foot, np.full(len(foot), view.plate.top_mm)]))
    return np.asarray(np.maximum(((upper - lower) * into).sum(axis=1), 0.0))


def _sampled(light: Array, points_px: Array) -> Array:
    """Bilinear samples (N, M) of a picture at points (N, M, 2) px, as quick as can be; its border's value beyond it."""
    flat = points_px.reshape(-1, 2).astype(np.float32)
    folded = np.resize(flat, (-(-len(flat) // FOLD), FOLD, 2))
    x, y = np.ascontiguousarray(folded[..., 0]), np.ascontiguousarray(folded[..., 1])
    values = cv2.remap(np.asarray(light, np.float32), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(np.asarray(values).reshape(-1)[: len(flat)].reshape(points_px.shape[:-1]))


def _relative(values: Array, x_px: Array, wall_px: Array, block: int) -> tuple[Array, Array, Array]:
    """The light across each point between backdrop (0) and face (1), (N, M); their difference; whether the backdrop is plain.

    Beside print, or another part, the backdrop is not that of its surroundings, and the step to the face is another.
    """
    outside = values[:, (x_px <= -LEVEL_AWAY_PX) & (x_px > -LEVEL_AWAY_PX - LEVEL_WIDTH_PX)].mean(axis=1)
    inner = np.rint(wall_px).astype(int) + LEVEL_AWAY_PX - int(x_px[0])
    columns = np.minimum(inner[:, None] + np.arange(0, FACE_WIDTH_PX, 2), values.shape[1] - 1)
    inside = np.median(np.take_along_axis(values, columns, axis=1), axis=1)
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
    for i, (first, last) in enumerate(pairwise(edges)):
        padded[i, : last - first] = values[first:last]
    reach = min(round(LEVEL_REACH_MM / BLOCK_MM), (count - 1) // 2)
    wrapped = np.pad(padded, ((reach, reach), (0, 0)), mode="wrap") if reach else padded
    windows = np.lib.stride_tricks.sliding_window_view(wrapped, 2 * reach + 1, axis=0)
    flat = windows.reshape(count, -1)
    some = np.isfinite(flat).any(axis=1)
    medians = np.full(count, np.nan)
    medians[some] = np.nanmedian(flat[some], axis=1)
    middles = (edges[:-1] + edges[1:] - 1) / 2
    return np.asarray(np.interp(np.arange(len(values)), middles, medians, period=len(values)))


@dataclass(frozen=True, slots=True)
class _Beside:
    """Which fitted edge each point lies beside (N,), -1 for none, and its distance off it (N,) mm."""

    edge: Array
    off_mm: Array


def _beside(view: View, px: Array, wall_mm: Array, straights: Sequence[Straight]) -> _Beside:
    """The fitted edge beside points (N, 2) px, taken in the plane of the upper rim."""
    points = view.camera.to_plane(px, view.plate.top_mm)
    index, distance = np.full(len(points), -1), np.zeros(len(points))
    for number, edge in enumerate(straights):
        length = float(np.hypot(*(edge.end - edge.start)))
        reach = (points - edge.start) @ (edge.end - edge.start) / length
        off = (points - edge.start) @ edge.out
        near = (reach > 0) & (reach < length) & (np.abs(off) < wall_mm + NEAR_EDGE_MM)
        index[near], distance[near] = number, off[near]
    return _Beside(index, distance)


def _at_limit(beside: _Beside, wall_mm: Array) -> Array:
    """Whether points (N,) lie where the backdrop ends, a wall's width before the upper rim, by the fitted edges.

    Taken in the plane of the upper rim, points of that rim lie on the fitted edge, those of the lower one off it.
    """
    return _by_edge(beside, beside.off_mm > wall_mm / 2)


def _by_edge(beside: _Beside, flags: Array) -> Array:
    """Flags (N,) by the majority along each fitted edge, which is of one rim; elsewhere as at the nearest edge's points."""
    decided = beside.edge >= 0
    if not decided.any():
        return flags
    count = int(beside.edge.max()) + 1
    votes = np.bincount(beside.edge[decided], flags[decided], minlength=count)
    majority = votes > np.bincount(beside.edge[decided], minlength=count) / 2
    at = np.arange(len(flags))
    return np.asarray(np.interp(at, at[decided], majority[beside.edge[decided]], period=len(flags)) > 0.5)


NEAR_EDGE_MM = 0.3


def _wall_before(relative: Array, x_px: Array, half: Array, wall_px: Array, block: int) -> Array:
    """Whether a dim wall shows before the place where the light has come half way (N,): then that is the upper rim.

    Only over a dark backdrop: on a bright one the part's own shadow looks the same.
    """
    own = _near(relative, x_px, half - wall_px / 2)
    return np.asarray(np.nan_to_num(running_median(np.where(wall_px > CLEAR_WALL_PX, own, np.nan), block)) > DIM_WALL)


DIM_WALL = 0.02


def _near(relative: Array, x_px: Array, at_px: Array) -> Array:
    """The light (N,) at places at_px (N,) of the profiles, the median of three samples."""
    column = np.clip(np.rint(np.nan_to_num(at_px)).astype(int) - int(x_px[0]), 1, relative.shape[1] - 2)
    return np.asarray(np.median(np.take_along_axis(relative, column[:, None] + np.arange(-1, 2), axis=1), axis=1))


@dataclass(frozen=True, slots=True)
class _Wall:
    """Usual light of a contour's walls between backdrop (0) and face (1), for those too narrow to tell; blur_px: sigma."""

    usual: float
    blur_px: float


def _usual_wall(relative: Array, x_px: Array, half: Array, wall_px: Array, blur_px: float) -> float:
    """Light of a contour's narrow walls, by the shape of the light across them: a lit wall draws the step out, a dark one not.

    Of several lights, the one whose blurred steps leave least over. WALL_EXPECTED where hardly any such wall shows.
    """
    rows = np.flatnonzero((wall_px > LEAST_WALL_PX) & (wall_px < WIDEST_NARROW_PX) & np.isfinite(half))
    if len(rows) < LEAST_WALL_POINTS:
        return WALL_EXPECTED
    rows = rows[:: max(1, len(rows) // MOST_WALL_POINTS)]
    width = wall_px[rows]
    x = half[rows, None] + SHAPE_PX
    column = np.clip(np.floor(x - x_px[0]).astype(int), 0, relative.shape[1] - 2)
    low, high = (np.take_along_axis(relative[rows], column + step, axis=1) for step in (0, 1))
    seen = low + (high - low) * (x - x_px[0] - column)
    misfits = [float(np.median(np.abs(seen - _two_steps(SHAPE_PX, width, light, blur_px)).mean(axis=1))) for light in LIGHTS]
    return float(LIGHTS[int(np.argmin(misfits))])


SHAPE_PX = np.arange(-5.0, 4.5)
"""Places about the half-way point at which the shape of the light is compared."""
LIGHTS = np.linspace(0.0, WALL_LIKE_FACE, 11)
WIDEST_NARROW_PX, LEAST_WALL_POINTS, MOST_WALL_POINTS = 6.0, 20, 400
HALVINGS = 12


def _two_steps(x_px: Array, width_px: Array, light: float, blur_px: float) -> Array:
    """The light (N, M) about its half-way point for walls (N,) of a light before the face: two blurred steps."""

    def at(x: Array) -> Array:
        return light * gaussian_step(x + width_px[:, None], blur_px) + (1 - light) * gaussian_step(x, blur_px)

    low, high = -width_px[:, None] - 3 * blur_px, np.full((len(width_px), 1), 3 * blur_px)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = np.where(at(middle) < 0.5, middle, low), np.where(at(middle) < 0.5, high, middle)
    return at(x_px + (low + high) / 2)


def _levels(relative: Array, x_px: Array, first: tuple[Array, Array, Array], block: int, wall: _Wall) -> tuple[Array, Array]:
    """The level (N,) at which the upper rim is crossed, and whether there is one (N,); else it is the lower rim's.

    first: (N,) px each, where the light has come half way, the wall's width, and whether that is at the wall's lower end.
    A wall of light w and width d before the rim makes the blurred light there w·Φ(d/s) + (1 - w)/2.
    """
    half, wall_px, limit = first
    own = _near(relative, x_px, half + np.where(limit, 0.5, -0.5) * wall_px)
    clear = wall_px > CLEAR_WALL_PX
    light = running_median(np.where(clear, own, np.nan), block)
    light = np.where(clear & np.isfinite(light), np.maximum(light, 0.0), wall.usual)
    lost = limit & (wall_px > LEAST_WALL_PX) & ((light > WALL_LIKE_FACE) | ~clear)
    light = np.minimum(light, WALL_LIKE_FACE)
    return np.where(lost, 0.5, light * gaussian_step(wall_px, wall.blur_px) + (1 - light) / 2), ~lost


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
