"""Fits of whole contours: round openings, round parts, straight edges and arcs, each as sharp and as broken edge."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from scipy.special import expit

from holeinspect.edges.adjustment import Start
from holeinspect.edges.fronts import Front, gain_over
from holeinspect.edges.lockstep import Fit, read, taken
from holeinspect.edges.profiles import sample
from holeinspect.edges.rims import Seen, Stations, clear_of_gaps, see
from holeinspect.edges.stretches import Look, Stretches, View
from holeinspect.measured import Array

STATION_PX = 1.0
"""Distance of stations along a contour."""
STRETCH_PX = 6.0
"""Length of a stretch: short against any curve, long against the noise."""
STRETCHES_ROUND = (12, 44)
STRETCHES_STRAIGHT = (3, 30)
LEAST_STRETCHES = 3
STATIONS_PER_STRETCH = 12
"""Most stations in a stretch of a long edge: more add nothing."""
LOCATE_PASSES = 3
LOCATED_PX = 0.5
"""A contour that moves less than this has been found."""
LEAST_RADIUS_SIGMAS = 2.0
"""Smallest radius in blur widths that is still a hole."""
LARGEST_BREAK_MM, LARGEST_BREAK_SHARE = 0.5, 0.45
"""Largest break of an edge, and as a share of the thickness."""
CONVERGED, LOCATED = 5e-4, 2e-2
"""Relative gain of the misfit at which a fit stops: the last one, and one that only has to find the place."""
BROKEN_GAIN, BROKEN_GAIN_WIDTH = 4.5, 0.8
"""Gain of misfit per stretch at which an edge is as likely broken as sharp, and how fast that turns (seen on renders)."""
BROKEN_STARTS_MM = ((0.2, 0.0), (0.2, -0.2), (0.3, -0.15))
"""Breaks, and shifts of the contour found into the metal, from which broken readings start."""
LEAST_CLEAR_WALL_PX, CLEAR_OF_CHAMFER_PX = 6.0, 4.5
"""Width of a wall that can be told from the chamfer above it, and distance from its upper end clear of that chamfer."""
BEFORE_CONTOUR_PX = 4.0
"""Distance before a contour clear of its blur."""
LEAST_SECOND_WALL_PX, SECOND_CHANGE = 2.5, 0.12
"""Width of a second wall that shows beside its blur, and change of the light behind it, over the contrast, that tells it."""
LEAST_LOWER_STATIONS = 8
SECOND_RISE = 1.25
"""Contrast behind the wall over that of what seemed to be the face, from which the latter was the wall."""
LIKELY_BROKEN = 0.5
LEAST_BACK_PX, LEAST_BACK_SHARE = 1.5, 0.5
"""A narrower wall, or a break or second reading of less than this share of it, does not make two readings."""
OPEN = 0.25
"""Variance of a choice between two readings that nothing decides, as a share of their squared distance."""
DARK_WALL, WALL_LIKE_FACE = 0.15, 0.07
"""Brightness up to which a wall is no different from the backdrop, and departure from the face's up to which it is no
different from the face (on renders, halos reach 0.04)."""
AS_WIDE = 0.1
"""A break that differs less from the wall's width, as a share of it, is more likely that wall."""
PLAIN_MISFIT = 6.0
"""Misfit per stretch below which no further start is tried: about what streaks and noise leave."""
DARKEST_CHAMFER = 0.12
"""Brightness of a chamfer below which it is no different from the backdrop: where it ends, nothing shows."""
ONE_SIDED = 0.45
"""Departure from half of the share of upper rim beyond which the two rims' shift does not show the break as well."""
HALO, LEAST_UNLIKE = 0.1, 0.15
"""Departure of a chamfer's brightness from the face's that a halo can make, and what a gain counts within it."""
SURE_GAIN, SURE_GAIN_WIDTH = 14.0, 3.0
"""Gain from which the break is seen for sure (on renders, dark breaks of 0.08 mm mistaken for backdrop stay below 12)."""

DesignOf: TypeAlias = Callable[[Stretches], Array]
"""From K stretches to (K, Q): how far each moves into the metal per unit of each shape parameter."""


@dataclass(frozen=True, slots=True)
class Around:
    """Stations along a contour, the stretch (N,) of each (0 to count - 1; -1 is left out), and how its shape moves them."""

    stations: Stations
    stretch: Array
    count: int
    design_of: DesignOf


@dataclass(frozen=True, slots=True)
class Fitted:
    """Shape parameters (Q,) of a contour, mm, as changes from the start, and its break.

    covariance: (Q + 1, Q + 1) of both, mm². broken_share: how likely the edge is broken. hidden_share:
    how likely a dark break was not told from the backdrop. stretches and design as fitted.
    """

    shape: Array
    break_mm: float
    broken_share: float
    hidden_share: float
    covariance: Array
    front: Front
    stretches: Stretches
    design: Array

    @property
    def solver(self) -> Array:
        """(Q, K) linear map from small moves of the stretches into the metal (mm) to changes of the shape (mm)."""
        rows = self.design[self.front.used] / self.front.u_mm[self.front.used, None] ** 2
        solved = np.linalg.solve(rows.T @ self.design[self.front.used], rows.T)
        full = np.zeros((self.design.shape[1], len(self.design)))
        full[:, self.front.used] = solved
        return full


def _contour_fit(view: View, around: Around) -> Fit[Fitted | None]:
    """A contour's shape by the light across it. None when too little of it is seen."""
    first = yield from _first_fit(view, around)
    return None if first is None else (yield from _best_fit(view, first))


@dataclass(frozen=True, slots=True)
class _Readings:
    """The sharp and the broken reading of a contour."""

    stretches: Stretches
    design: Array
    sharp: Front
    broken: Front

    def mixed(self) -> Fitted:
        """Their mean, weighed by how much better the broken one explains the light."""
        return _mixed(self.sharp, self.broken, self.stretches, self.design)


def _first_fit(view: View, around: Around) -> Fit[_Readings | None]:
    """Both readings, the broken one from its first start alone. None when too little of the contour is seen."""
    stretches = yield from taken(Look(view, around.stations, around.stretch, around.count))
    design = around.design_of(stretches)
    if len(stretches) < max(LEAST_STRETCHES, design.shape[1]):
        return None
    sharp = Start(stretches, design, view.blur, 0.0, 0.0, 0.0, CONVERGED)
    return _Readings(stretches, design, *(yield from read([sharp, *_broken_starts(view, stretches, design)[:1]])))


def _best_fit(view: View, first: _Readings) -> Fit[Fitted]:
    """The best of several starts of the broken reading, mixed with the sharp one.

    A dark chamfer looks like backdrop: the contour found may be its inner border, its outer one, or in between. Further
    starts are left out where the first explains the light as well as a model can.
    """
    if first.broken.misfit < PLAIN_MISFIT:
        return first.mixed()
    others = yield from read(_broken_starts(view, first.stretches, first.design)[1:])
    return replace(first, broken=min([first.broken, *others], key=lambda front: front.misfit)).mixed()


def _broken_starts(view: View, stretches: Stretches, design: Array) -> list[Start]:
    largest_mm = min(LARGEST_BREAK_MM, LARGEST_BREAK_SHARE * view.plate.thickness_mm)
    return [Start(stretches, design, view.blur, largest_mm, min(break_mm, largest_mm), max(shift_mm, -largest_mm), CONVERGED)
            for break_mm, shift_mm in BROKEN_STARTS_MM]  # fmt: skip


def wall_ahead_mm(view: View, stations: Stations) -> float:
    """How far into the metal the limit really lies, where the contour found stands one wall's width before it; else 0.

    Behind a lit wall the finder may take the wall for the face and look for a dark wall before it. Then the light rises
    once more where, seen from the true limit, the face begins.
    """
    seen = see(view.camera, stations, view.plate, 0.0)
    wide = ~seen.upper & (seen.wall_px > LEAST_CLEAR_WALL_PX)
    if wide.sum() < LEAST_LOWER_STATIONS:
        return 0.0
    backdrop, near, deep = _light_ahead(view, seen, wide, seen.wall_px + CLEAR_OF_CHAMFER_PX)
    rises_again = abs(deep - backdrop) > SECOND_RISE * abs(near - backdrop) and (deep - backdrop) * (near - backdrop) > 0
    return float(np.median(seen.wall_px[wide] / seen.px_per_mm[wide])) if rises_again else 0.0


def wall_may_follow(view: View, centre: Array, radius: float) -> bool:
    """Whether the light behind an opening's far side changes once more where one more wall would end.

    Then the circle found may be what is seen through the opening: a lit wall passed for the face, and dark backdrop for a wall.
    """
    seen = see(view.camera, circle_stations(centre, radius, STRETCHES_ROUND[1]), view.plate, 0.0)
    wide = ~seen.upper & (seen.wall_px > LEAST_SECOND_WALL_PX)
    if wide.sum() < LEAST_LOWER_STATIONS:
        return False
    backdrop, middle, deep = _light_ahead(view, seen, wide, 1.5 * seen.wall_px)
    return bool(abs(deep - middle) > SECOND_CHANGE * abs(deep - backdrop))


def _light_ahead(view: View, seen: Seen, chosen: Array, near_px: Array) -> Array:
    """Median light (3,) over the stations chosen: before the contour, near_px (N,) behind it, and clear of a second wall."""
    wall, near_px, px, into = (part[chosen] for part in (seen.wall_px, near_px, seen.px, seen.into))
    at = np.stack([np.full(len(wall), -BEFORE_CONTOUR_PX), near_px, 2 * wall + CLEAR_OF_CHAMFER_PX], -1)
    return np.asarray(np.nanmedian(sample(view.light, px[:, None] + at[..., None] * into[:, None]), axis=0))


def _unlike_face(chamfer: float) -> float:
    """How far a gain may be due to a chamfer: one as bright as the face is more often the halo of sharpening."""
    return float(np.clip((abs(chamfer - 1) - HALO) / HALO, LEAST_UNLIKE, 1))


def _place_fit(view: View, around: Around) -> Fit[Array | None]:
    """Change (Q,) of a contour's shape that brings it to within a fraction of a pixel, its edges taken as sharp."""
    stretches = yield from taken(Look(view, around.stations, around.stretch, around.count, breaks=False))
    design = around.design_of(stretches)
    if len(stretches) < max(LEAST_STRETCHES, design.shape[1]):
        return None
    (front,) = yield from read([Start(stretches, design, view.blur, 0.0, 0.0, 0.0, LOCATED)])
    return front.shape


def _mixed(sharp: Front, broken: Front, stretches: Stretches, design: Array) -> Fitted:
    """The mean of the sharp and the broken reading, weighed by how much better the latter explains the light.

    Where the photo cannot tell, their difference becomes part of the uncertainty.
    """
    one_sided = abs(float(np.mean(stretches.upper)) - 0.5) > ONE_SIDED
    gain = gain_over(sharp, broken) * (_unlike_face(broken.chamfer) if one_sided else 1.0)
    visible = float(np.clip((broken.chamfer - DARKEST_CHAMFER) / DARKEST_CHAMFER, 0, 1))
    share = visible * float(expit((gain - BROKEN_GAIN) / BROKEN_GAIN_WIDTH))
    first, second = (np.append(front.shape, front.break_mm) for front in (sharp, broken))
    mean = (1 - share) * first + share * second
    apart = np.outer(second - first, second - first)
    covariance = (1 - share) * sharp.covariance + share * broken.covariance + share * (1 - share) * apart
    front = broken if share > 0.5 else sharp
    hidden = 1 - visible * (1 - float(expit((SURE_GAIN - gain) / SURE_GAIN_WIDTH)))
    return Fitted(mean[:-1], float(mean[-1]), share, hidden, covariance, front, stretches, design)


@dataclass(frozen=True, slots=True)
class Round:
    """A round contour: an opening, or the outside of a round part. centre (2,), radius, mm, mat frame.

    covariance: (4, 4) of x, y, radius and break, mm². burr_u_mm: standard uncertainty of the radius, and of the centre in any
    direction, from a burr that stands on it.
    """

    centre: Array
    radius: float
    opening: bool
    fitted: Fitted
    burr_u_mm: float = 0.0

    @property
    def covariance(self) -> Array:
        """(4, 4): x, y, radius, break, mm²."""
        return self.fitted.covariance

    @property
    def deviations_mm(self) -> Array:
        """(K,) of the stretches from the circle, positive away from its centre."""
        return self.fitted.front.deviation_mm * (1 if self.opening else -1)

    @property
    def angles(self) -> Array:
        """(K,) direction of each stretch from the centre, rad, mat frame."""
        out = self.fitted.stretches.out * (-1 if self.opening else 1)
        return np.asarray(np.arctan2(out[:, 1], out[:, 0]))


def round_fit(view: View, centre: Array, radius: float, opening: bool = True) -> Fit[Round | None]:
    """A circle through a round contour near a first guess (mm). None when too little of it is seen."""
    centre, radius = _past_wall(view, centre, radius, opening)
    for _ in range(LOCATE_PASSES):
        change = yield from _place_fit(view, _circle(view, centre, radius, opening))
        if change is None:
            return None
        centre, radius = centre + change[:2], float(radius + change[2])
        if radius * px_per_mm(view, centre) < LEAST_RADIUS_SIGMAS * view.blur.core:
            return None
        if np.abs(change).max() * px_per_mm(view, centre) < LOCATED_PX:
            break
    first = yield from _first_fit(view, _circle(view, centre, radius, opening))
    if first is None:
        return None
    change = first.mixed().shape
    if np.abs(change).max() * px_per_mm(view, centre) > LOCATED_PX:
        centre, radius = centre + change[:2], float(radius + change[2])
        first = yield from _first_fit(view, _circle(view, centre, radius, opening))
        if first is None:
            return None
    fitted = yield from _best_fit(view, first)
    return Round(centre + fitted.shape[:2], float(radius + fitted.shape[2]), opening, fitted)


def _past_wall(view: View, centre: Array, radius: float, opening: bool) -> tuple[Array, float]:
    """The circle with its far side moved behind a wall that stands before it; the near side stays."""
    stations = circle_stations(centre, radius, STRETCHES_ROUND[1], opening)
    ahead = wall_ahead_mm(view, stations)
    if not ahead:
        return centre, radius
    away = centre - view.camera.centre[:2]
    sign = 1.0 if opening else -1.0
    return centre + ahead / 2 * away / max(float(np.hypot(*away)), 1e-9), radius + sign * ahead / 2


def circle_stations(centre: Array, radius: float, count: int, opening: bool = True) -> Stations:
    """Stations round a circle (mm)."""
    angles = 2 * np.pi * (np.arange(count) + 0.5) / count
    outward = np.column_stack([np.cos(angles), np.sin(angles)])
    sign = 1.0 if opening else -1.0
    return Stations(centre + radius * outward, -sign * outward, np.full(count, sign / radius))


def _circle(view: View, centre: Array, radius: float, opening: bool) -> Around:
    """Round a circle; it moves with x, y and radius."""
    scale = px_per_mm(view, centre)
    around_px = 2 * np.pi * radius * scale
    count = int(np.clip(around_px / STRETCH_PX, *STRETCHES_ROUND))
    per = max(3, round(around_px / STATION_PX / count))
    stations = circle_stations(centre, radius, count * per, opening)
    clear = clear_of_gaps(view.camera, stations, view.plate, view.blur.core / scale)
    return Around(stations, np.where(clear, np.arange(len(stations)) // per, -1), count, _circle_design(opening))


def _circle_design(opening: bool) -> DesignOf:
    sign = 1.0 if opening else -1.0
    return lambda s: np.column_stack([-s.out, np.full(len(s), sign)])


@dataclass(frozen=True, slots=True)
class Lip:
    """What a trace shows of a burr along an edge, mm (burred.py).

    u_mm: standard uncertainty of the edge's place from it, 0 where none was found. hidden_mm: reach up to which one may be
    there unseen, infinite where the edge was not traced.
    """

    u_mm: float = 0.0
    hidden_mm: float = np.inf

    @property
    def traced(self) -> bool:
        """Whether the edge was traced."""
        return bool(np.isfinite(self.hidden_mm))


@dataclass(frozen=True, slots=True)
class Straight:
    """A straight edge: from start to end (2,), mm, mat frame, with the unit normal out of the metal.

    covariance: (3, 3) of the offset into the metal at the middle (mm), the turn (mm per mm) and the break (mm).
    """

    start: Array
    end: Array
    out: Array
    fitted: Fitted
    lip: Lip = Lip()

    @property
    def covariance(self) -> Array:
        """(3, 3): offset at the middle, turn, break."""
        return self.fitted.covariance


def straight_fit(view: View, start: Array, end: Array, out: Array) -> Fit[Straight | None]:
    """A straight edge near a first guess: its ends (mm) and rough normal out of the metal. None when too little is seen."""
    ahead = wall_ahead_mm(view, _line(view, start, end, out).stations)
    found = yield from _near_fit(view, start - ahead * out, end - ahead * out, out)
    return found if found is None else (yield from _or_behind_wall(view, found))


def _near_fit(view: View, start: Array, end: Array, out: Array) -> Fit[Straight | None]:
    """The straight edge nearest to the guess."""
    change = yield from _place_fit(view, _line(view, start, end, out))
    if change is None:
        return None
    start, end, out = _shifted(start, end, out, change)
    fitted = yield from _contour_fit(view, _line(view, start, end, out))
    if fitted is None:
        return None
    return Straight(*_shifted(start, end, out, fitted.shape), fitted)


def _or_behind_wall(view: View, found: Straight) -> Fit[Straight]:
    """The edge found, or the one a wall's width behind it, where a lit wall may pass for a chamfer or for the face.

    A dark wall with a chamfer as wide before the face, and a lit wall before a sharp edge, look alike; so do a wall as
    dark as the backdrop and one as bright as the face. The reading that makes the part smaller is taken unless the other
    explains the light clearly better; where no wall shows in either, their distance widens the edge found.
    """
    seen = see(view.camera, _line(view, found.start, found.end, found.out).stations, view.plate, 0.0)
    wall_px = np.where(seen.upper, 0.0, seen.wall_px)
    if float(np.median(wall_px)) < LEAST_BACK_PX:
        return found
    wall_mm = float(np.median(wall_px / seen.px_per_mm))
    fitted = found.fitted
    by_chamfer = fitted.broken_share > LIKELY_BROKEN and fitted.break_mm > LEAST_BACK_SHARE * wall_mm
    if not by_chamfer and fitted.front.wall > DARK_WALL:
        return found
    back = wall_mm * found.out
    behind = yield from _near_fit(view, found.start - back, found.end - back, found.out)
    if behind is None:
        return found
    apart_mm = float((found.start + found.end - behind.start - behind.end) @ found.out) / 2
    if apart_mm < LEAST_BACK_SHARE * wall_mm:
        return found
    lead = behind.fitted.front.misfit - fitted.front.misfit
    if by_chamfer or abs(behind.fitted.front.wall - 1) > WALL_LIKE_FACE:
        alike = by_chamfer and abs(fitted.break_mm / wall_mm - 1) < AS_WIDE
        likely = float(expit(((SURE_GAIN if alike else BROKEN_GAIN) - lead) / BROKEN_GAIN_WIDTH))
        taken, doubt = (behind, OPEN) if likely > LIKELY_BROKEN else (found, likely * (1 - likely))
    else:
        taken, doubt = found, OPEN * float(expit((SURE_GAIN - lead) / SURE_GAIN_WIDTH))
    covariance = taken.fitted.covariance.copy()
    covariance[0, 0] += doubt * apart_mm**2
    return replace(taken, fitted=replace(taken.fitted, covariance=covariance))


def _shifted(start: Array, end: Array, out: Array, change: Array) -> tuple[Array, Array, Array]:
    """A line moved into the metal by an offset at its middle and a turn."""
    half = float(np.hypot(*(end - start))) / 2
    offset, turn = change
    start, end = start - (offset - turn * half) * out, end - (offset + turn * half) * out
    along = (end - start) / np.hypot(*(end - start))
    normal = np.array([along[1], -along[0]])
    return start, end, normal if normal @ out > 0 else -normal


def _line(view: View, start: Array, end: Array, out: Array) -> Around:
    """Along a line; it moves with offset and turn."""
    middle, length = (start + end) / 2, float(np.hypot(*(end - start)))
    along = (end - start) / length
    long_px = length * px_per_mm(view, middle)
    count = int(np.clip(long_px / STRETCH_PX, *STRETCHES_STRAIGHT))
    per = int(np.clip(round(long_px / STATION_PX / count), 3, STATIONS_PER_STRETCH))
    at = (np.arange(count * per) + 0.5) / (count * per)
    stations = Stations(start + at[:, None] * (end - start), np.tile(out, (len(at), 1)), np.zeros(len(at)))
    return Around(stations, np.arange(len(at)) // per, count,
                  lambda s: np.column_stack([np.ones(len(s)), (s.points_mm - middle) @ along]))  # fmt: skip


def px_per_mm(view: View, point: Array) -> float:
    """Resolution on the upper face at a point (2,) mm."""
    jacobian = view.camera.px_per_mm(np.array([[*point, view.plate.top_mm]]))[0]
    return float(np.sqrt(abs(np.linalg.det(jacobian))))


@dataclass(frozen=True, slots=True)
class Arc:
    """A bent edge: part of a circle, from angle first counter-clockwise to angle last (rad). bulges: metal inside it."""

    centre: Array
    radius: float
    first: float
    last: float
    bulges: bool
    fitted: Fitted
    lip: Lip = Lip()

    @property
    def covariance(self) -> Array:
        """(4, 4): x, y, radius, break, mm²."""
        return self.fitted.covariance


def arc_fit(view: View, centre: Array, radius: float, first: float, last: float, bulges: bool) -> Fit[Arc | None]:
    """An arc near a first guess. None when too little of it is seen or it settles elsewhere."""
    began = radius
    change = yield from _place_fit(view, _arc(view, centre, radius, first, last, bulges))
    if change is None:
        return None
    centre, radius = centre + change[:2], float(radius + change[2])
    fitted = yield from _contour_fit(view, _arc(view, centre, radius, first, last, bulges))
    if fitted is None:
        return None
    centre, radius = centre + fitted.shape[:2], float(radius + fitted.shape[2])
    if not 0.5 * began < radius < 2 * began:
        return None
    return Arc(centre, radius, first, last, bulges, fitted)


def _arc(view: View, centre: Array, radius: float, first: float, last: float, bulges: bool) -> Around:
    """Along an arc; it moves with x, y and radius."""
    scale = px_per_mm(view, centre)
    long_px = (last - first) * radius * scale
    count = int(np.clip(long_px / STRETCH_PX, 4, STRETCHES_ROUND[1]))
    per = int(np.clip(round(long_px / STATION_PX / count), 3, STATIONS_PER_STRETCH))
    angles = first + (last - first) * (np.arange(count * per) + 0.5) / (count * per)
    outward = np.column_stack([np.cos(angles), np.sin(angles)])
    sign = -1.0 if bulges else 1.0
    stations = Stations(centre + radius * outward, -sign * outward, np.full(len(angles), sign / radius))
    clear = clear_of_gaps(view.camera, stations, view.plate, view.blur.core / scale)
    return Around(stations, np.where(clear, np.arange(len(stations)) // per, -1), count, _circle_design(not bulges))
