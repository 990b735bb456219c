"""Edges of a contour, straight, bent or round, as they are under their burrs.

A fit takes a whole edge at once. Where a ragged lip stands along much of it, the fit runs along the lip's tips, or takes the
lip for the chamfer of a broken edge, and the edge seems to lie a burr's reach off the metal. The traced contour (trace.py)
tells: it is ragged there, and the form laid under its lower side is the edge. A smooth contour leaves the fit as it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias, TypeGuard

import numpy as np
from scipy.ndimage import percentile_filter

from holeinspect.edges.circle import fit_circle
from holeinspect.edges.contours import Arc, Lip, Round, Straight, px_per_mm
from holeinspect.edges.departures import FINE_BLURS, SIGNIFICANT, bent_form, blunted, form_under, straight_form
from holeinspect.edges.gauss import long_wave
from holeinspect.edges.outline import Edge
from holeinspect.edges.stretches import View
from holeinspect.edges.trace import Course, Trace, open_course, round_course, trace
from holeinspect.measured import Array

TRIM_MM, TRIM_SHARE = 2.5, 0.15
"""Left out at either end of an edge, where it may bend into a rounded corner; at most this share of its length."""
ARC_STEP_RAD = np.radians(1)
LEAST_COURSE_MM, LEAST_BENT_MM = 2.0, 5.0
"""Shortest course on which a lip is looked for, and on which the form laid under it may turn or bend."""
LEAST_SEEN_SHARE = 0.5
"""Share of an edge that must be in view for its trace to count."""
LOCAL_MM, LOCAL_PERCENT = 1.5, 20.0
"""Raggedness is what stands above the lower side of so much of a contour: short against bows, streaks and rounded corners."""
LIP_MM, LIP_SHARE = 0.04, 0.12
"""A contour that is ragged by more than LIP_MM along this share of it carries a lip (on simulated and rendered photos, edges
whose fit a burr had moved by more than 0.05 mm reach 0.19 and more, edges without burrs 0.09 at most)."""
REACH_U_SHARE, MOVED_U_SHARE = 0.35, 0.15
"""Standard uncertainty of the edge under a lip over the lip's mean reach, and over how far it lies from the fit (ours; on
simulated photos it is within 0.03 mm of the truth at mean reaches of 0.05 to 0.12 mm, on path-traced ones mostly within
0.08 mm, and too far in by more than that at inside corners)."""
RECTANGULAR = 0.29
"""Standard deviation of a rectangular distribution over its width (JCGM 100:2008, 4.3.7)."""


def under_burrs(view: View, edges: Sequence[Edge | Round]) -> list[Edge | Round]:
    """The outer edges of a part or those of a cut-out, laid under the lips found on them, each with what was found.

    Openings' round rims stay: those are looked at by their own trace (measure/rim_condition.py).
    """
    bare = {i: edge for i, edge in enumerate(edges) if isinstance(edge, Straight | Arc) or _outer(edge)}
    seen = _traced(view, {i: _Behind(edge, _chamfer_mm(edge)) for i, edge in bare.items()})
    # A chamfer brighter than the wall below it hides what stands before it: there the trace starts from the fit.
    lost = [i for i, (behind, traced) in seen.items() if behind.by_mm and traced.seen_share < LEAST_SEEN_SHARE]
    seen |= _traced(view, {i: _Behind(bare[i], 0.0) for i in lost})
    found = list(edges)
    for i, (behind, traced) in seen.items():
        found[i] = _laid_under(behind, traced)
    return found


Bare: TypeAlias = Straight | Arc | Round
"""Edges under which a form can be laid."""


@dataclass(frozen=True, slots=True)
class _Behind:
    """An edge as it was fitted, and how far into the metal of it the trace starts."""

    edge: Bare
    by_mm: float

    @property
    def moved(self) -> Bare:
        """The edge at which the trace starts."""
        return _moved_in(self.edge, self.by_mm)


def _traced(view: View, edges: Mapping[int, _Behind]) -> dict[int, tuple[_Behind, Trace]]:
    """The traces of edges that are long enough, sampled in one go."""
    courses = {i: _course(view, behind.moved) for i, behind in edges.items()}
    courses = {i: course for i, course in courses.items() if course.length_mm >= LEAST_COURSE_MM}
    traces = trace([view] * len(courses), list(courses.values()))
    return {i: (edges[i], traced) for i, traced in zip(courses, traces, strict=True)}


def _chamfer_mm(edge: Bare) -> float:
    """Width of the chamfer that the fit saw, or of the lip that it took for one: the trace starts behind it."""
    return edge.fitted.broken_share * edge.fitted.break_mm


def _moved_in(edge: Bare, by_mm: float) -> Bare:
    """The edge moved into the metal."""
    if isinstance(edge, Straight):
        return replace(edge, start=edge.start - by_mm * edge.out, end=edge.end - by_mm * edge.out)
    bulges = isinstance(edge, Round) or edge.bulges
    return replace(edge, radius=edge.radius + by_mm * (-1 if bulges else 1))


def _outer(edge: Edge | Round) -> TypeGuard[Round]:
    return isinstance(edge, Round) and not edge.opening


def _course(view: View, edge: Bare) -> Course:
    """Along an edge with the metal on the left, its ends left out; round a round part counterclockwise."""
    if isinstance(edge, Round):
        return round_course(edge.centre, edge.radius, px_per_mm(view, edge.centre), opening=False)
    if isinstance(edge, Straight):
        along, (start, end) = _walked(edge)
        trim = min(TRIM_MM, TRIM_SHARE * float(np.hypot(*(end - start))))
        return open_course(np.array([start + trim * along, end - trim * along]), px_per_mm(view, (start + end) / 2))
    sweep = edge.last - edge.first
    trim = min(TRIM_MM / edge.radius, TRIM_SHARE * sweep)
    count = max(3, int(np.ceil(sweep / ARC_STEP_RAD)))
    angles = np.linspace(edge.first + trim, edge.last - trim, count)[:: 1 if edge.bulges else -1]
    points = edge.centre + edge.radius * np.column_stack([np.cos(angles), np.sin(angles)])
    return open_course(points, px_per_mm(view, points[count // 2]))


def _walked(edge: Straight) -> tuple[Array, tuple[Array, Array]]:
    """Direction of a straight edge with the metal on its left, and its ends in that order."""
    along = np.array([-edge.out[1], edge.out[0]])
    ahead = (edge.end - edge.start) @ along > 0
    return along, (edge.start, edge.end) if ahead else (edge.end, edge.start)


@dataclass(frozen=True, slots=True)
class _Look:
    """What a trace shows: share of it that is ragged, the least reach of a lip that would show, the form (N,) under it, the
    mean reach of what stands off that, and the width of a wall that the trace may hold for face; mm, deviations as in Trace."""

    ragged_share: float
    smallest_mm: float
    form_mm: Array
    mean_mm: float
    narrow_mm: float


def _look(traced: Trace, form: Array) -> _Look:
    """form: (N, Q) what the edge may do to meet its contour."""
    course, deviation = traced.course, traced.deviation_mm
    seen = np.isfinite(deviation)
    fine = long_wave(deviation, course.step_mm, FINE_BLURS * traced.blur_mm, course.closed)
    filled = np.interp(course.at, course.at[seen], deviation[seen])
    size = max(3, int(LOCAL_MM / course.step_mm)) | 1
    lower = percentile_filter(filled, LOCAL_PERCENT, size=size, mode="wrap" if course.closed else "nearest")
    ragged = fine.values - long_wave(lower, course.step_mm, LOCAL_MM, course.closed).values
    least = max(LIP_MM, SIGNIFICANT * traced.noise_mm * float(np.nanmedian(fine.noise)))
    share = float((np.nan_to_num(ragged) > least).sum() / max(int(np.isfinite(ragged).sum()), 1))
    form_mm = form_under(deviation, form)
    mean_mm = float(np.mean(np.maximum(deviation[seen] - form_mm[seen], 0)))
    return _Look(share, least * blunted(traced.blur_mm), form_mm, mean_mm, _narrow_mm(traced))


def _narrow_mm(traced: Trace) -> float:
    """Width of a wall too narrow for its light to be told: a lit one carries the contour out by up to as much."""
    return 0.0 if traced.walled.any() else float(np.median(traced.wall_px)) / traced.px_per_mm


def _form(edge: Bare, course: Course) -> Array:
    """(N, Q) what an edge may do to meet its contour; a short one only moves."""
    if isinstance(edge, Round):
        return np.column_stack([np.ones(len(course)), course.out])
    if course.length_mm < LEAST_BENT_MM:
        return np.ones((len(course), 1))
    return straight_form(course.at) if isinstance(edge, Straight) else bent_form(course.at)


def _laid_under(behind: _Behind, traced: Trace) -> Bare:
    """The edge under the lip that its trace shows, if it shows one."""
    edge = behind.edge
    if traced.seen_share < LEAST_SEEN_SHARE:
        return edge
    look = _look(traced, _form(edge, traced.course))
    if look.ragged_share < LIP_SHARE:
        return _with_lip(edge, Lip(0.0, look.smallest_mm))
    form_mm = look.form_mm - look.narrow_mm / 2
    moved_mm = max(0.0, behind.by_mm - float(form_mm.mean()))
    parts = (REACH_U_SHARE * look.mean_mm, MOVED_U_SHARE * moved_mm, RECTANGULAR * look.narrow_mm)
    lip = Lip(float(np.linalg.norm(parts)), 0.0)
    # A lip carries a fit off the metal, never into it: where the form lies no deeper, the fit has let go of the lip.
    return _with_lip(_through(behind.moved, traced.course, form_mm) if moved_mm else edge, lip)


def _with_lip(edge: Bare, lip: Lip) -> Bare:
    return replace(edge, burr_u_mm=lip.u_mm) if isinstance(edge, Round) else replace(edge, lip=lip)


def _through(edge: Bare, course: Course, form_mm: Array) -> Bare:
    """The edge through a form (N,) mm off its course."""
    if isinstance(edge, Straight):
        along, ends = _walked(edge)
        at = [float((end - course.points_mm[0]) @ along) + float(course.at[0]) for end in ends]
        slope, level = np.polyfit(course.at, form_mm, 1)
        start, end = (point + (level + slope * place) * edge.out for point, place in zip(ends, at, strict=True))
        ahead = (end - start) / np.hypot(*(end - start))
        return replace(edge, start=start, end=end, out=np.array([ahead[1], -ahead[0]]))
    circle = fit_circle(course.points_mm + form_mm[:, None] * course.out, np.ones(len(course)))
    if not circle or course.length_mm < LEAST_BENT_MM:
        return _moved_in(edge, -float(form_mm.mean()))
    return replace(edge, centre=np.asarray(circle.centre), radius=circle.radius)
