"""The contour of a rim or an edge as it is seen, point by point: finer than the fits, and nothing left out.

The contour is followed in the plane of the upper face, where a burr stands. Across it the light goes from the backdrop, or
from the wall where that is seen, to the face. The light of an undisturbed wall is taken off; the contour is drawn where what
is left, followed from the face outwards, has fallen to FAINT of it: at half of it, a burr in the shade of its own rim would
be passed over. Before a light backdrop it is more, for there the part's own shade lies before the rim.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import maximum_filter, median_filter, percentile_filter
from scipy.special import ndtri

from holeinspect.edges.gauss import long_wave
from holeinspect.edges.profiles import gaussian_step, sample_profiles
from holeinspect.edges.rims import Plate, Stations, see, wall_before
from holeinspect.edges.stretches import View
from holeinspect.measured import Array

TRACE_PX = 0.75
"""Distance of the points along a contour, px: blur leaves nothing finer."""
ACROSS_PX = 0.5
FAINT, FAINT_ON_WALL = 0.12, 0.3
"""Share of the way from backdrop, or from a wall, to face at which the contour is drawn: walls are less even than backdrops."""
BOLD, BOLD_ON_WALL = 0.2, 0.35
"""The same where the form of the whole rim is looked at: shade beside the rim moves a bolder contour less."""
BEFORE_MM, BEYOND_MM = 0.6, 0.45
"""How far off the form contours are looked for: out of the metal (greater burrs are chips) and into it (edge breaks)."""
BEFORE_SIGMAS, BEYOND_SIGMAS = 3.0, 5.0
STADIUM_POINTS = 91
"""Points of a slot's round end: two degrees apart."""
CLEAR_SHARE = 0.7
"""Share of an opening's radius that is looked into from either side."""
FACE_FROM_MM, FACE_FROM_SIGMAS = 0.25, 1.5
"""Where the face is taken to begin: past the break of a dressed edge and its blur."""
FACE_ALONG_MM = 1.5
"""Length along the contour over which the face has one level: its median passes over scratches and ink."""
DARKEST_FACE, MARK_SIGMAS = 0.5, 2.0
"""Light beside the contour over the face's below which that is a mark, and how far its blur reaches, in blur widths."""
DEEPEST_MM = 0.3
"""A contour that lies deeper in the metal than the rest of it is no contour of a rim, but of a mark on the face."""
WALL_BEFORE_SIGMAS = 1.7
"""Distance before the contour at which the wall's light is read."""
WALL_ALONG_MM, WALL_ALONG_SHARE = 1.5, 1 / 9
"""Length along the contour, or share of a closed one, over which the wall has one level: bores shine evenly."""
WALL_PERCENTILE = 25
"""Of the light along that length: burrs stand before the wall, and in other light."""
CLEAR_OF_BURRS_MM, UNLIKE_WALL = 0.4, 0.15
"""Depth at which a wall shows behind most burrs, and the light over the face's by which what is before it must differ to be none
of it."""
WALL_FULL_SIGMAS = 2.5
"""Width of a wall in blur widths from which its own light is seen; narrower stretches of it shine like the nearest."""
WALL_SMOOTH_MM, WALL_SMOOTH_SHARE = 2.0, 1 / 3
BRIGHTEST_WALL = 0.6
"""Light of the wall over the face's from which nothing before it can be told apart: that stretch is not seen."""
FAINT_ON_LIGHT = 0.6
"""The same before a backdrop lighter than the face, where the part's own shade reaches."""
DEEPEST_SHADE = 0.3
"""Share of the way from such a backdrop to the face that its shade may take before the rim: in deeper shade nothing is seen."""
LEAST_WALL_PX = 0.3
"""A narrower wall does not count as one."""
LEAST_CONTRAST = 0.02
"""Face less backdrop, linear light, below which there is no contour."""
FAINT_SLOPE = 0.20
"""Slope of a blurred step of 1 where it has come FAINT of its way, times its blur width: the normal density there."""
STATION_STRIDE = 2.0
"""Root of what the difference of two points' noise has of theirs, squared."""


@dataclass(frozen=True, slots=True)
class Course:
    """Points along a fitted form in the plane of the upper face, evenly spaced.

    points_mm, out: (N, 2) mat frame, unit normals out of the metal. bend: (N,) 1/mm as in Stations. at: (N,) place along
    it, mm or rad. step_mm: between points. closed: the last is followed by the first. clear_mm: how far off the form the
    next edge is at least (the radius of an opening).
    """

    points_mm: Array
    out: Array
    bend: Array
    at: Array
    step_mm: float
    closed: bool
    clear_mm: float = np.inf

    def __len__(self) -> int:
        return len(self.points_mm)

    @property
    def length_mm(self) -> float:
        """Its whole length."""
        return len(self) * self.step_mm


def round_course(centre: Array, radius: float, px_per_mm: float, opening: bool = True) -> Course:
    """Round a circle (mm), counterclockwise in the mat frame from its right; at: rad."""
    count = max(int(np.ceil(2 * np.pi * radius * px_per_mm / TRACE_PX)), 16)
    angle = 2 * np.pi * np.arange(count) / count
    outward = np.column_stack([np.cos(angle), np.sin(angle)])
    sign = 1.0 if opening else -1.0
    return Course(centre + radius * outward, -sign * outward, np.full(count, sign / radius), angle,
                  2 * np.pi * radius / count, True, radius if opening else np.inf)  # fmt: skip


def stadium_course(first: Array, second: Array, radius: float, px_per_mm: float) -> Course:
    """Round a slot, or two overlapping holes, given by the centres of its ends; at: mm."""
    way = second - first
    along = float(np.arctan2(way[1], way[0]))
    turn = np.linspace(-np.pi / 2, np.pi / 2, STADIUM_POINTS)
    ends = [centre + radius * np.column_stack([np.cos(start + turn), np.sin(start + turn)])
            for centre, start in ((second, along), (first, along + np.pi))]  # fmt: skip
    points = np.vstack([*ends, ends[0][:1]])[::-1]
    course = open_course(points, px_per_mm)
    return replace(course, closed=True, clear_mm=radius)


def open_course(points_mm: Array, px_per_mm: float, clear_mm: float = np.inf) -> Course:
    """Along a line, arc or free curve given by points (N, 2) mm with the metal on the left; at: mm from the first point.

    The points are joined by chords: an arc wants one every degree or so, a line its two ends.
    """
    sides = np.hypot(*np.diff(points_mm, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(sides)])
    count = max(int(np.ceil(along[-1] * px_per_mm / TRACE_PX)), 8)
    step = along[-1] / count
    at = step * (np.arange(count) + 0.5)
    points = np.column_stack([np.interp(at, along, column) for column in points_mm.T])
    ahead = np.gradient(points, step, axis=0)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    turn = np.gradient(np.unwrap(np.arctan2(ahead[:, 1], ahead[:, 0])), step)
    return Course(points, np.column_stack([ahead[:, 1], -ahead[:, 0]]), -turn, at, step, False, clear_mm)


@dataclass(frozen=True, slots=True)
class Trace:
    """The contour seen along a course.

    deviation_mm: (N,) of the contour from the form, positive out of the metal, 0 on a sharp rim; NaN where it was not seen.
    noise_mm: of one point, from the light's own noise. px: (N, 2) the contour in the picture. px_per_mm: median. blur_mm: blur
    width. wall_px: (N,) width of the wall in view; wall: (N,) its light over the face's. contrast: median of face less
    backdrop. share: (N, M) light across it at x_px (M,) into the metal from the course: 0 backdrop, 1 face, the wall's taken
    off. bold_mm: (N,) as deviation_mm, of the contour drawn bolder.
    """

    course: Course
    deviation_mm: Array
    noise_mm: float
    px: Array
    px_per_mm: float
    blur_mm: float
    wall_px: Array
    wall: Array
    contrast: float
    x_px: Array
    share: Array
    bold_mm: Array

    @property
    def walled(self) -> Array:
        """Where (N,) the contour is seen in front of a wall."""
        return np.asarray(self.wall_px > WALL_FULL_SIGMAS * self.blur_mm * self.px_per_mm)

    @property
    def seen_share(self) -> float:
        """Share of the course along which the contour was seen."""
        return float(np.isfinite(self.deviation_mm).mean())


def trace(views: Sequence[View], courses: Sequence[Course]) -> list[Trace]:
    """The seen contours of several courses on one plate, each with the view (blur) at its place; sampled in one go."""
    if not courses:
        return []
    view = views[0]
    parts = [np.concatenate([getattr(course, name) for course in courses]) for name in ("points_mm", "out", "bend")]
    stations = Stations(*parts)
    face = see(view.camera, stations, Plate(view.plate.top_mm, view.plate.top_mm), 0.0)
    wall_px = wall_before(view.camera, stations, view.plate, face)
    blur, scale = max(v.blur.core for v in views), float(face.px_per_mm.max())
    before = BEFORE_MM * scale + BEFORE_SIGMAS * blur
    x_px = np.arange(-before, BEYOND_MM * scale + BEYOND_SIGMAS * blur, ACROSS_PX)
    profiles = np.nan_to_num(sample_profiles(view.light, face.px, face.into, x_px))
    ends = np.cumsum([len(course) for course in courses])[:-1]
    split = zip(views, courses, *(np.split(part, ends) for part in (profiles, face.px, face.into, face.px_per_mm, wall_px)),
                strict=True)  # fmt: skip
    return [_traced(here, course, _Light(x_px, *rows)) for here, course, *rows in split]


@dataclass(frozen=True, slots=True)
class _Light:
    """Profiles (N, M) of light across one course, at x_px (M,) into the metal."""

    x_px: Array
    profiles: Array
    px: Array
    into: Array
    px_per_mm: Array
    wall_px: Array


def _traced(view: View, course: Course, light: _Light) -> Trace:
    scale, blur = float(np.median(light.px_per_mm)), view.blur.core
    x_px = light.x_px
    outside = x_px >= -CLEAR_SHARE * course.clear_mm * scale
    backdrop = _backdrop(course, light, scale, outside)
    beside, face = _face(course, light, scale, blur)
    level = face - backdrop
    seen = (np.abs(level) > LEAST_CONTRAST) & _unmarked(course, (beside - backdrop) / level, blur / scale)
    share = (light.profiles - backdrop[:, None]) / np.where(seen, level, 1.0)[:, None]
    share[:, ~outside] = 0
    wall = _wall(course, light, share, blur)
    share -= wall[:, None] * _before_face(x_px, light.wall_px, blur)
    walled = np.clip(light.wall_px / (WALL_FULL_SIGMAS * blur), 0, 1)
    lit = float(np.median(level)) < 0
    if lit:
        before = int(np.argmin(np.abs(x_px + WALL_BEFORE_SIGMAS * blur)))
        seen &= _median_along(share[:, before], course, FACE_ALONG_MM) < DEEPEST_SHADE
    face_from = _face_from(scale, blur)
    mix = np.full(len(course), np.nan) if lit else walled
    faint, bold = _at_levels(mix, wall, FAINT, FAINT_ON_WALL), _at_levels(mix, wall, BOLD, BOLD_ON_WALL)
    place, found = _crossing(share, faint, x_px, face_from)
    bold_place, bold_found = _crossing(share, bold, x_px, face_from)
    seen &= found & bold_found
    seen &= _clear_of(course, (wall > BRIGHTEST_WALL) & (light.wall_px > LEAST_WALL_PX), blur / scale)
    # Relative to where a clean sharp rim would have been drawn at the same level.
    deviation = np.where(seen, (blur * ndtri(faint) - place) / scale, np.nan)
    if course.closed and seen.any():
        deviation[deviation < np.nanmedian(deviation) - DEEPEST_MM] = np.nan
    bold_mm = np.where(np.isfinite(deviation), (blur * ndtri(bold) - bold_place) / scale, np.nan)
    noise = _noise(share, x_px, face_from) * blur / FAINT_SLOPE / scale
    return Trace(course, deviation, noise, light.px + place[:, None] * light.into, scale, blur / scale, light.wall_px, wall,
                 float(np.median(np.abs(level))), x_px, share, bold_mm)  # fmt: skip


def _at_levels(walled: Array, wall: Array, bare: float, on_wall: float) -> Array:
    """Light (N,) at which a contour is drawn, before backdrop and wall; walled: (N,) how full the wall, NaN before light."""
    return np.where(np.isnan(walled), FAINT_ON_LIGHT, (bare + (on_wall - bare) * walled) * (1 - wall * walled))


def _backdrop(course: Course, light: _Light, scale: float, outside: Array) -> Array:
    """Level of the backdrop before every point (N,): bores throw light and shade on it, unevenly round the rim."""
    common = float(np.median(light.profiles[:, np.flatnonzero(outside)[:4]]))
    zone = outside & (light.x_px < -CLEAR_OF_BURRS_MM * scale)
    bare = light.wall_px < CLEAR_OF_BURRS_MM * scale
    if not zone.any() or not bare.any():
        return np.full(len(course), common)
    own = np.where(bare, np.median(light.profiles[:, zone], axis=1), common)
    cutoff = min(FACE_ALONG_MM, WALL_SMOOTH_SHARE * course.length_mm)
    return long_wave(_median_along(own, course, FACE_ALONG_MM), course.step_mm, cutoff, course.closed).values


def _face_from(scale: float, blur: float) -> float:
    return FACE_FROM_MM * scale + FACE_FROM_SIGMAS * blur


def _face(course: Course, light: _Light, scale: float, blur: float) -> tuple[Array, Array]:
    """Light of the face beside every point (N,), and the face's level there, ink and scratches passed over."""
    zone = (light.x_px > _face_from(scale, blur)) & (light.x_px < FACE_FROM_MM * scale + BEYOND_SIGMAS * blur)
    beside = np.median(light.profiles[:, zone], axis=1)
    return beside, _median_along(beside, course, FACE_ALONG_MM)


def _unmarked(course: Course, share: Array, blur_mm: float) -> Array:
    """Where (N,) no ink lies beside the contour: it would be drawn along the ink."""
    return _clear_of(course, share <= DARKEST_FACE, blur_mm)


def _clear_of(course: Course, spoilt: Array, blur_mm: float) -> Array:
    """Where (N,) the contour is out of the blur's reach of what spoils it."""
    size = 2 * int(np.ceil(MARK_SIGMAS * blur_mm / course.step_mm)) + 1
    return np.asarray(~maximum_filter(spoilt, size=size, mode="wrap" if course.closed else "nearest"))


def _median_along(values: Array, course: Course, length_mm: float) -> Array:
    size = int(np.clip(length_mm / course.step_mm, 3, len(values))) | 1
    return np.asarray(median_filter(values, size=size, mode="wrap" if course.closed else "nearest"))


def _wall(course: Course, light: _Light, share: Array, blur: float) -> Array:
    """The wall's light over the face's (N,), which changes slowly along the contour; 0 where none is wide enough anywhere."""
    wide = np.flatnonzero(light.wall_px > WALL_FULL_SIGMAS * blur)
    if not len(wide):
        return np.zeros(len(course))
    scale = float(np.median(light.px_per_mm))
    near, deep = (int(np.argmin(np.abs(light.x_px + px))) for px in (WALL_BEFORE_SIGMAS * blur, CLEAR_OF_BURRS_MM * scale))
    own = share[wide, near]
    bare = (light.wall_px[wide] > CLEAR_OF_BURRS_MM * scale + FACE_FROM_SIGMAS * blur) & (own > share[wide, deep] + UNLIKE_WALL)
    own = np.where(bare, share[wide, deep], own)
    own = np.interp(np.arange(len(course)), wide, own, period=len(course) if course.closed else None)
    long_mm = max(WALL_ALONG_MM, WALL_ALONG_SHARE * course.length_mm if course.closed else 0.0)
    size = int(np.clip(long_mm / course.step_mm, 3, len(own))) | 1
    own = np.clip(percentile_filter(own, WALL_PERCENTILE, size=size, mode="wrap" if course.closed else "nearest"), 0, 1)
    cutoff = min(WALL_SMOOTH_MM, WALL_SMOOTH_SHARE * course.length_mm)
    return long_wave(own, course.step_mm, cutoff, course.closed).values


def _before_face(x_px: Array, wall_px: Array, blur: float) -> Array:
    """How much of a wall's light shows across a contour: (N, M), 1 amidst a wide wall, 0 on the face and the backdrop."""
    return gaussian_step(x_px + wall_px[:, None], blur) - gaussian_step(x_px, blur)


def _crossing(share: Array, faint: Array, x_px: Array, face_px: float) -> tuple[Array, Array]:
    """Where each profile, coming from the face, first falls below its level `faint` (N,) px, and whether it does."""
    rows = np.arange(len(share))
    above = share >= faint[:, None]
    start = int(np.argmax(x_px > face_px))
    below = ~above[:, : start + 1][:, ::-1]
    after = np.clip(start - np.argmax(below, axis=1) + 1, 1, len(x_px) - 1)
    low, high = share[rows, after - 1], share[rows, after]
    part = np.clip((faint - low) / np.maximum(high - low, 1e-6), 0, 1)
    return x_px[after - 1] + ACROSS_PX * part, below.any(axis=1) & above[:, start]


def _noise(share: Array, x_px: Array, face_px: float) -> float:
    """Noise of one sample over the contrast: of the backdrop and of the face, by differences of neighbours, mean of both."""
    spreads = []
    for zone in (np.arange(3, 7), np.flatnonzero(x_px > face_px)):
        apart = np.diff(share[:, zone], axis=0) / np.sqrt(STATION_STRIDE)
        spreads.append(1.4826 * float(np.median(np.abs(apart))))
    return float(np.mean(spreads))
