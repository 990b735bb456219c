"""How far a traced contour departs from its form: protrusions out of the metal, recesses into it, and what could not be seen.

Light on a broken edge, a bright wall, and what is left of the fit's error move the contour smoothly; a burr is ragged. So the
contour is first taken from a smooth course that follows its lower side (a robust Gaussian regression, in the spirit of
ISO 16610-31, that lets go of what stands out). What then stands out by more than the noise and FLOOR_MM, at any of several
widths, is a burr. How far it reaches off the form is read from the contour and from the whole light across it (`reach.py`);
the profile itself goes through a Gaussian filter (ISO 16610-21) as fine as the blur.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeinspect.edges.gauss import ALPHA, kernel, long_wave
from holeinspect.edges.reach import reach
from holeinspect.edges.trace import Trace
from holeinspect.measured import Array

FINE_BLURS = 3.0
"""Cut-off of the profile in blur widths: a shorter wave is blurred to a tenth."""
WIDTHS = (1.0, 2.0, 4.0)
"""Widths at which a burr is looked for, in the fine cut-off."""
SMOOTH_MM, SMOOTH_UPR = 2.5, 6.0
"""Cut-off of the smooth course, mm, and undulations round a rim where that is shorter: highlights on an edge break are as
wide as the lamps, 30° and more."""
SMOOTH_EDGE_MM = 15.0
"""The same along an edge, wide enough to pass over the stub of a tab."""
FLOOR_MM = 0.05
"""Least protrusion that is called one: what light on bores and breaks may do to a clean rim (seen on renders)."""
FLOOR_ON_WALL_MM = 0.07
"""The same in front of a wall in view, which shines unevenly."""
SIGNIFICANT = 4.5
"""Protrusions below this many standard uncertainties are noise."""
USUAL_WIDTH_MM, NARROW_WIDTH_MM = 0.15, 0.085
"""Half width (sigma) of a burr's peaks, and of narrow ones, which blur hides first: their smallest height is stated."""
LEAST_SEEN_SHARE = 0.75
"""Share of a contour that must be in view for it to be called clean."""
LETTING_GO = 2.0
"""Robust standard deviations above the course from which a point loses its weight."""
RIDGE, SETTLED_MM = 1e-9, 1e-4
"""Keeps a form solvable of which little is seen; change at which it has settled."""
LOWER_PERCENT = 25.0
"""Lowest share of a rim's contour that its form is first laid through: a lip all round has gaps, if small ones."""
ROUNDS = 8
LEAST_WEIGHT = 1e-4
"""Weight of a point that was let go: keeps the fit determined."""
LEAST_SPREAD_MM, MOST_SPREAD_MM = 0.004, 0.006
"""Robust standard deviation of a clean contour, at least; and at most where the rim's form is laid under it."""
FORM_U_SHARE = 0.29
"""Of the difference between the sizes above the smooth course and above the form: a rectangular distribution."""
PLACE_U_MM, HEIGHT_U_SHARE = 0.01, 0.10
"""Standard uncertainty of a contour's place, and of a burr's height as a share of it, from shade and shape (seen on renders)."""
LIGHT_SHARE = 0.65
"""Where the light tells of a greater reach than the contour: how much of the difference counts. Half of it is a standard
uncertainty. A burr darker than the face holds back the contour; its ramp of shade leads the light's model on (seen on
renders)."""
BASE_U_SHARE = 0.5
"""Standard uncertainty of the form under a burr over the burr's mean reach: a lip all round leaves little clean rim."""
STANDING, STANDING_U = 0.5, 1.1
"""How far a burr stands off the face, over its reach, and the standard uncertainty: what stands up is seen aslant (ours; burrs
lie flat or stand up to three times as high as they reach)."""
LEAST_MOVED = 0.5
"""Least share of a reach that is seen where it is put back."""
JOINED_MM = 1.0
"""Peaks closer than this are one burr."""


@dataclass(frozen=True, slots=True)
class Standing:
    """One protrusion: first and last point (last may lie past the end of a closed course), its peak's point, its height (mm)."""

    first: int
    last: int
    peak: int
    height_mm: float
    u_mm: float


@dataclass(frozen=True, slots=True)
class Departures:
    """A contour's departures from its form.

    profile_mm: (N,) filtered, positive out of the metal, NaN where not seen; u_mm: (N,) its standard uncertainty.
    cutoff_mm: of its filter. standing: the protrusions found, greatest first. smallest_mm: the smallest that would have been
    found. seen_share: of the contour. form_mm: (N,) deviation of the form itself from the course, as in Trace.
    """

    trace: Trace
    profile_mm: Array
    u_mm: Array
    cutoff_mm: float
    standing: tuple[Standing, ...]
    smallest_mm: float
    seen_share: float
    form_mm: Array

    @property
    def mean_mm(self) -> float:
        """Mean reach of what stands out, over the whole contour."""
        return float(np.nanmean(np.maximum(self.profile_mm, 0)))

    @property
    def standing_share(self) -> float:
        """Share of the contour along which something stands out."""
        count = len(self.profile_mm)
        return sum(min(run.last - run.first + 1, count) for run in self.standing) / count

    @property
    def clearly_seen(self) -> bool:
        """Whether enough of the contour was in view."""
        return self.seen_share >= LEAST_SEEN_SHARE


def departures(traced: Trace, form: Array, height_mm: float, nadir_mm: Array) -> Departures:
    """Departures of a traced contour.

    form: (N, Q) the moves that the form may make to meet the contour (its own parameters). height_mm: of the camera above the
    face; nadir_mm: (2,) below it.
    """
    course, step = traced.course, traced.course.step_mm
    fine = FINE_BLURS * traced.blur_mm
    on_form = _on_form(traced.deviation_mm, form, course.closed)
    above = traced.deviation_mm - smooth_course(traced, on_form)
    profile = long_wave(above, step, fine, course.closed).values
    found, u_fine = _found(traced, above, profile)
    u_profile = np.hypot(u_fine, PLACE_U_MM)
    standing: tuple[Standing, ...] = ()
    if found.any():
        fine_above, profile = profile, long_wave(traced.deviation_mm - on_form, step, fine, course.closed).values
        height, u_height = _heights(traced, on_form, np.flatnonzero(found), _aslant(traced, height_mm, nadir_mm))
        u_height = np.sqrt(u_height**2 + u_fine**2 + (FORM_U_SHARE * np.nan_to_num(profile - fine_above)) ** 2)
        runs = _standing(found, height, u_height, course.closed, max(1, int(JOINED_MM / step)))
        standing = tuple(run for run in runs if run.height_mm > FLOOR_MM)
        u_profile = np.where(np.isfinite(u_height), u_height, u_profile)
    smallest = _smallest(traced, float(np.nanmedian(u_fine)))
    return Departures(traced, profile, u_profile, fine, standing, smallest, traced.seen_share, on_form)


def _floor(traced: Trace) -> Array:
    return np.where(traced.walled, FLOOR_ON_WALL_MM, FLOOR_MM)


def _found(traced: Trace, above: Array, fine_above: Array) -> tuple[Array, Array]:
    """Where (N,) a contour stands out of its smooth course, and the noise (N,) mm of its profile.

    above: (N,) of the contour above the course; fine_above: the same through the fine filter.
    """
    course, fine = traced.course, FINE_BLURS * traced.blur_mm
    found = np.zeros(len(course), bool)
    u_fine = np.zeros(len(course))
    for width in WIDTHS:
        wave = long_wave(above, course.step_mm, width * fine, course.closed)
        u = np.maximum(traced.noise_mm * wave.noise, _own_noise(wave.values))
        found |= np.nan_to_num(wave.values / u) > SIGNIFICANT
        u_fine = u if width == WIDTHS[0] else u_fine
    return found & (np.nan_to_num(fine_above) > _floor(traced)), u_fine


def _smallest(traced: Trace, u_mm: float) -> float:
    """The smallest burr that would have been found, mm: the floors and the noise over what blur and filter leave of a peak."""
    usual, narrow = (blunted(traced.blur_mm, width) for width in (USUAL_WIDTH_MM, NARROW_WIDTH_MM))
    return float(max(FLOOR_MM * narrow, _floor(traced).max() * usual, SIGNIFICANT * u_mm * usual))


def blunted(blur_mm: float, width_mm: float = USUAL_WIDTH_MM) -> float:
    """How many times as high as it shows a burr's peak of a half width (sigma) is, after blur and the fine filter."""
    through_filter = (ALPHA * FINE_BLURS * blur_mm) ** 2 / (2 * np.pi)
    return float(np.sqrt(1 + (blur_mm**2 + through_filter) / width_mm**2))


def smooth_course(traced: Trace, on_form: Array) -> Array:
    """The smooth course (N,) mm that follows a contour, round a rim its lower side, but for what stands off it.

    on_form: (N,) the form that follows it best; along an edge, what stands off that is left out from the start.
    """
    course, deviation = traced.course, traced.deviation_mm
    cutoff = min(SMOOTH_MM, course.length_mm / SMOOTH_UPR) if course.closed else SMOOTH_EDGE_MM
    weights = kernel(course.step_mm, cutoff)
    reach = len(weights) // 2
    padded = np.arange(-reach, len(deviation) + reach)
    padded = padded % len(deviation) if course.closed else np.clip(padded, 0, len(deviation) - 1)
    seen = np.isfinite(deviation)
    filled = np.where(seen, deviation, 0.0)
    kept = np.where(seen, 1.0 if course.closed else _kept(filled - on_form, seen, False), 0.0)
    smooth = filled
    for _ in range(ROUNDS):
        total = np.convolve(kept[padded], weights, "valid")
        smooth = np.convolve((kept * filled)[padded], weights, "valid") / np.maximum(total, 1e-9)
        kept = np.where(seen, _kept(filled - smooth, seen, course.closed), 0.0)
    return np.asarray(np.where(seen, smooth, np.nan))


def _kept(above: Array, seen: Array, one_sided: bool) -> Array:
    """Weights of points by how far they stand off a course.

    Round a rim a burr may be most of the contour: what is below keeps its weight. Along an edge nicks are let go as well.
    """
    below = -above[seen & (above < 0)]
    spread = max(1.4826 * float(np.median(below)) if len(below) else 0.0, LEAST_SPREAD_MM)
    off = np.maximum(above, 0) if one_sided else above
    return np.asarray(1 / (1 + (off / (LETTING_GO * spread)) ** 2) ** 2)


def _on_form(deviation: Array, form: Array, one_sided: bool) -> Array:
    """The form (N,) that a contour follows but for what stands off it."""
    seen = np.isfinite(deviation)
    y, design = np.where(seen, deviation, 0.0), form * seen[:, None]
    middle = float(np.median(y[seen]))
    near = y <= np.percentile(y[seen], LOWER_PERCENT) if one_sided else np.abs(y - middle) <= np.median(np.abs(y[seen] - middle))
    kept = (seen & near).astype(float)
    on_form = np.zeros(len(y))
    for _ in range(2 * ROUNDS):
        weighted = design * (kept[:, None] + LEAST_WEIGHT)
        before, on_form = on_form, form @ np.linalg.solve(weighted.T @ design + RIDGE * np.eye(form.shape[1]), weighted.T @ y)
        if np.abs(on_form - before).max() < SETTLED_MM:
            break
        kept = np.where(seen, _under(y - on_form, seen) if one_sided else _kept(y - on_form, seen, False), 0.0)
    return on_form


def form_under(deviation: Array, form: Array) -> Array:
    """The form (N,) under a contour's lower side, whatever stands off it, and be it all along; form: (N, Q) its moves."""
    return _on_form(deviation, form, one_sided=True)


def _under(above: Array, seen: Array) -> Array:
    """Weights of points by how far they stand off a rim's form: strict, as a lip all round lifts what is laid under it."""
    below = -above[seen & (above < 0)]
    spread = float(np.clip(1.4826 * np.median(below) if len(below) else 0.0, LEAST_SPREAD_MM, MOST_SPREAD_MM))
    return np.asarray(1 / (1 + (np.maximum(above, 0) / spread) ** 2) ** 2)


def _own_noise(values: Array) -> float:
    """Robust standard deviation of a profile's lower side, which no burr reaches."""
    below = -values[np.isfinite(values) & (values < 0)]
    return 1.4826 * float(np.median(below)) if len(below) else LEAST_SPREAD_MM


def _heights(traced: Trace, on_form: Array, at: Array, aslant: Array) -> tuple[Array, Array]:
    """How far (N,) a burr reaches off its form at some points `at` (K,), mm in plan, and the standard uncertainty; else NaN.

    Read twice, from the contour and from the light across it, and put back from where it is seen to where it stands.
    """
    by_light, by_contour = reach(traced, on_form, at), (traced.deviation_mm - on_form)[at]
    apart = by_light.mm - by_contour
    seen = by_contour + LIGHT_SHARE * np.maximum(apart, 0)
    base = BASE_U_SHARE * float(np.nansum(seen)) / len(on_form)
    u_seen = np.sqrt(by_light.u_mm**2 + (apart / 2) ** 2 + PLACE_U_MM**2 + (HEIGHT_U_SHARE * seen) ** 2 + base**2)
    moved = np.maximum(1 + STANDING * aslant[at], LEAST_MOVED)
    height, u = np.full(len(on_form), np.nan), np.full(len(on_form), np.nan)
    height[at] = seen / moved
    u[at] = np.hypot(u_seen, STANDING_U * aslant[at] * height[at]) / moved
    return height, u


def _aslant(traced: Trace, height_mm: float, nadir_mm: Array) -> Array:
    """How far (N,) what stands 1 mm off the face is seen moved out of the metal."""
    away = (traced.course.points_mm - nadir_mm) / height_mm
    return np.asarray((away * traced.course.out).sum(axis=1))


def _standing(found: Array, profile: Array, u: Array, closed: bool, joined: int) -> list[Standing]:
    """Runs of points that stand out, those close together joined, greatest first."""
    at = np.flatnonzero(found)
    if not len(at):
        return []
    count = len(found)
    breaks = np.flatnonzero(np.diff(at) > joined)
    runs = [(int(run[0]), int(run[-1])) for run in np.split(at, breaks + 1)]
    if closed and len(runs) > 1 and runs[0][0] + count - runs[-1][1] <= joined:
        first = runs.pop(0)
        runs[-1] = (runs[-1][0], first[1] + count)
    standing = []
    for first_at, last_at in runs:
        inside = np.arange(first_at, last_at + 1) % count
        peak = int(inside[np.nanargmax(np.nan_to_num(profile[inside], nan=-1.0))])
        standing.append(Standing(first_at, last_at, peak, float(profile[peak]), float(u[peak])))
    return sorted(standing, key=lambda run: -run.height_mm)


def round_form(course_rad: Array) -> Array:
    """(N, 5) what a rim's form may do to meet its contour: move, widen, and be a little oval."""
    return np.column_stack([np.ones(len(course_rad)), *(f(k * course_rad) for k in (1, 2) for f in (np.cos, np.sin))])


def straight_form(at_mm: Array) -> Array:
    """(N, 2) what a straight edge may do to meet its contour: move and turn."""
    return np.column_stack([np.ones(len(at_mm)), (at_mm - at_mm.mean()) / max(float(np.ptp(at_mm)), 1.0)])


def bent_form(at_mm: Array) -> Array:
    """(N, 3) the same for an arc or a free curve: bend besides."""
    straight = straight_form(at_mm)
    return np.column_stack([straight, straight[:, 1] ** 2])
