"""A part's outer contour and cut-outs as straight edges, arcs and free stretches, each with its uncertainty.

The rough contour of the finder (1 to 2 px) is cut into straight runs; what lies between two runs and bends evenly is an
arc; each is then fitted to the light (contours.py). Runs of one line with a short gap between them are one edge with
something on it (the stub of a tab, a nick): the gap is left out of the fit.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from holeinspect.edges.circle import Circle, fit_circle
from holeinspect.edges.contours import Arc, Straight, arc_fit, px_per_mm, straight_fit
from holeinspect.edges.lockstep import Fit, side_by_side
from holeinspect.edges.stretches import View
from holeinspect.measured import Array

CORNER_TOLERANCE_PX = 3.0
"""A run is straight when the rough contour keeps within this of it."""
LEAST_RUN_MM = 4.5
"""Shorter straight runs are parts of something else."""
TRIM_MM = 0.7
"""Left out at each end of a run, where the corner's blur and the rims' radial step reach."""
SAME_LINE_MM, SAME_LINE_RAD, LARGEST_GAP_MM = 0.25, np.radians(1.5), 9.0
"""Two runs are one edge when they lie this well in line and no farther apart: a tab's stub is up to 6 mm wide."""
ROUGH_U_MM = 0.15
"""Standard uncertainty of a rough contour point: 1 to 2 px at 10 px/mm."""
ARC_RMS_PX = 1.5
"""A bent stretch whose rough points lie this close to a circle is an arc."""
LEAST_ARC_PX = 18.0
LEAST_ARC_RAD = np.radians(25)


@dataclass(frozen=True, slots=True)
class Free:
    """A stretch of contour that is neither straight nor an arc, as rough points (N, 2) mm."""

    points_mm: Array


@dataclass(frozen=True, slots=True)
class Unseen:
    """A stretch of contour that is no edge in view: points (N, 2) mm where the part runs on, or is lost."""

    points_mm: Array


@dataclass(frozen=True, slots=True)
class Dressed:
    """A piece of the edge as it will be once dressed: the bottom of a nick, or the form under a stub; points (N, 2) mm.

    u_mm: standard uncertainty of their place.
    """

    points_mm: Array
    u_mm: float
    nick: bool


Edge = Straight | Arc | Free | Unseen | Dressed


def rough_contour_mm(view: View, points_px: Array) -> Array:
    """Contour points (N, 2) px to mat frame mm, each cut with the plane of the rim that is seen there.

    The contour runs with the metal on its left (mat frame).
    """
    middle = (view.plate.top_mm + view.plate.bottom_mm) / 2
    points = view.camera.to_plane(points_px, middle)
    ahead = np.roll(points, -SMOOTH, axis=0) - np.roll(points, SMOOTH, axis=0)
    out = np.column_stack([ahead[:, 1], -ahead[:, 0]])
    upper = (out * (points - view.camera.centre[:2])).sum(axis=1) > 0
    return view.camera.to_plane(points_px, np.where(upper, view.plate.top_mm, view.plate.bottom_mm))


SMOOTH = 4
"""Contour points to either side whose chord gives the direction."""


def edges_fit(view: View, points_mm: Array, visible: Array) -> Fit[list[Edge]]:
    """Edges of a closed rough contour: points (N, 2) mm, metal on the left; visible (N,) False where there is no edge."""
    scale = px_per_mm(view, points_mm.mean(axis=0))
    runs = _straight_runs(points_mm, visible, CORNER_TOLERANCE_PX / scale)
    fitted = yield from side_by_side([_run_fit(view, points_mm, run) for run in runs])
    found = [(run, line) for run, line in zip(runs, fitted, strict=True) if line is not None]
    longer = yield from side_by_side([_longer_fit(view, points_mm, visible, run, line) for run, line in found])
    lines = _joined(_without_covered(found, longer))
    taken = np.zeros(len(points_mm), bool)
    for run, _ in lines:
        taken[_indices(run, len(points_mm))] = True
    between = [points_mm[stretch] for stretch in _runs_of(~taken & visible)]
    bent = yield from side_by_side([_bent_fit(view, points, scale) for points in between])
    edges = _with_common_break([*(line for _, line in lines), *bent])
    edges.extend(Unseen(points_mm[stretch]) for stretch in _runs_of(~visible))
    return edges


Run = tuple[int, int]
"""First and last index of a run of contour points; last may lie past the end of the closed contour."""


def _indices(run: Run, count: int) -> Array:
    return np.arange(run[0], run[1] + 1) % count


def _straight_runs(points_mm: Array, visible: Array, tolerance_mm: float) -> list[Run]:
    """Straight runs of a closed contour by Douglas-Peucker, those that are long enough and in view."""
    start = int(np.argmax(((points_mm - points_mm.mean(axis=0)) ** 2).sum(axis=1)))
    ordered = np.roll(points_mm, -start, axis=0).astype(np.float32)
    corners = cv2.approxPolyDP(ordered.reshape(-1, 1, 2), tolerance_mm, True).reshape(-1, 2)
    index = {tuple(point): i for i, point in reversed(list(enumerate(map(tuple, ordered))))}
    at = sorted(index[tuple(corner)] for corner in corners)
    runs = []
    for i, first in enumerate(at):
        last = at[(i + 1) % len(at)] + (len(points_mm) if i + 1 == len(at) else 0)
        run = (first + start, last + start)
        inside = _indices(run, len(points_mm))
        chord = np.hypot(*(points_mm[inside[-1]] - points_mm[inside[0]]))
        if chord >= LEAST_RUN_MM and visible[inside].mean() > 0.9:
            runs.append(run)
    return runs


def _run_fit(view: View, points_mm: Array, run: Run) -> Fit[Straight | None]:
    """A straight edge through a run, its ends trimmed."""
    points = points_mm[_indices(run, len(points_mm))]
    chord = points[-1] - points[0]
    along = chord / np.hypot(*chord)
    at = (points - points[0]) @ along
    trim = min(TRIM_MM, 0.2 * at[-1])
    inner = points[(at > trim) & (at < at[-1] - trim)]
    if len(inner) < 6:
        return None
    middle, direction = inner.mean(axis=0), np.linalg.svd(inner - inner.mean(axis=0), full_matrices=False)[2][0]
    direction = direction if direction @ along > 0 else -direction
    reach = (inner - middle) @ direction
    out = np.array([direction[1], -direction[0]])
    line = yield from straight_fit(view, middle + reach.min() * direction, middle + reach.max() * direction, out)
    return line if line is not None and _sound(line) else None


def _sound(line: Straight) -> bool:
    """Whether the light looks like a straight edge there: a chord across a corner does not."""
    return line.fitted.front.misfit < WORST_MISFIT and float(line.fitted.front.used.mean()) > LEAST_USED


WORST_MISFIT, LEAST_USED = 80.0, 0.6
"""Misfit per stretch beyond which a run is no straight edge, and least share of its stretches that must agree."""


Line = tuple[Run, Straight]


def _longer_fit(view: View, points_mm: Array, visible: Array, run: Run, line: Straight) -> Fit[Line]:
    """A line followed along the rough contour as far as it stays near it, past ragged and bulging stretches."""
    longer_run = _followed(points_mm, visible, run, line)
    if longer_run == run:
        return run, line
    ends = points_mm[_indices(longer_run, len(points_mm))[[0, -1]]]
    trimmed = _stretched(line, *_trimmed(line, ends))
    refitted = yield from straight_fit(view, trimmed.start, trimmed.end, line.out)
    return (longer_run, refitted) if refitted is not None and _sound(refitted) else (run, line)


def _without_covered(found: list[Line], longer: list[Line]) -> list[Line]:
    """The longer lines, from the longest one found, without those that lie on another by then."""
    kept: list[Line] = []
    for (_, line), grown in sorted(zip(found, longer, strict=True), key=lambda pair: -_length(pair[0][1])):
        if not any(_covers(other, line) for _, other in kept):
            kept.append(grown)
    return sorted(kept, key=lambda item: item[0][0])


GROW_MM, ON_LINE_MM = 0.8, 0.3
"""Rough points within this of a line may still belong to its edge; those at its ends lie this near: beyond, it bends."""


def _covers(line: Straight, other: Straight) -> bool:
    """Whether the other line lies on this one."""
    along = (line.end - line.start) / _length(line)
    at = [(point - line.start) @ along for point in (other.start, other.end)]
    off = [abs((point - line.start) @ line.out) for point in (other.start, other.end)]
    return bool(min(at) > -TRIM_MM and max(at) < _length(line) + TRIM_MM and max(off) < SAME_LINE_MM)


def _trimmed(line: Straight, ends: Array) -> tuple[Array, Array]:
    """Ends of a run brought in by TRIM_MM along the line."""
    along = (line.end - line.start) / _length(line)
    first, last = sorted(float((end - line.start) @ along) for end in ends)
    trim = min(TRIM_MM, 0.2 * (last - first))
    return line.start + (first + trim) * along, line.start + (last - trim) * along


def _followed(points_mm: Array, visible: Array, run: Run, line: Straight) -> Run:
    """The run with its ends moved along the contour while it stays near the line, gaps as wide as a stub included."""
    count = len(points_mm)
    off = np.abs((points_mm - line.start) @ line.out)
    near, on_line = (off < GROW_MM) & visible, (off < ON_LINE_MM) & visible
    along = (line.end - line.start) / _length(line)
    if (points_mm[run[1] % count] - points_mm[run[0] % count]) @ along < 0:
        along = -along
    ends = []
    for start, step in ((run[0], -1), (run[1], 1)):
        last_near = last_on = index = start
        at = float(points_mm[start % count] @ along)
        while abs(index - start) < count // 2:
            index += step
            reach = step * (float(points_mm[index % count] @ along) - at)
            if near[index % count] and reach > 0:
                last_near, at = index, float(points_mm[index % count] @ along)
                last_on = index if on_line[index % count] else last_on
            elif np.hypot(*(points_mm[index % count] - points_mm[last_near % count])) > LARGEST_GAP_MM:
                break
        ends.append(last_on)
    return (ends[0], ends[1])


def _joined(lines: list[Line]) -> list[Line]:
    """Neighbouring runs of one line become one; it is then straight over the gap, which may carry a stub or a nick."""
    joined: list[Line] = []
    for run, line in lines:
        if joined and _in_line(joined[-1][1], line):
            before_run, before = joined[-1]
            longer = before if _length(before) >= _length(line) else line
            joined[-1] = ((before_run[0], run[1]), _stretched(longer, before.start, line.end))
        else:
            joined.append((run, line))
    return joined


def _length(line: Straight) -> float:
    return float(np.hypot(*(line.end - line.start)))


def _in_line(first: Straight, second: Straight) -> bool:
    gap = second.start - first.end
    if np.hypot(*gap) > LARGEST_GAP_MM:
        return False
    turn = abs(first.out[0] * second.out[1] - first.out[1] * second.out[0])
    off = max(abs(gap @ first.out), abs(gap @ second.out))
    return bool(turn < np.sin(SAME_LINE_RAD) and off < SAME_LINE_MM and first.out @ second.out > 0)


def _stretched(line: Straight, start: Array, end: Array) -> Straight:
    """The same line between other ends, which are projected onto it."""
    foot = [point - ((point - line.start) @ line.out) * line.out for point in (start, end)]
    return Straight(foot[0], foot[1], line.out, line.fitted)


def _runs_of(flags: Array) -> Iterator[Array]:
    """Index arrays of the runs of True in a closed sequence."""
    count = len(flags)
    if flags.all():
        yield np.arange(count)
        return
    if not flags.any():
        return
    first_gap = int(np.argmin(flags))
    order = (np.arange(count) + first_gap) % count
    rolled = flags[order]
    steps = np.flatnonzero(np.diff(np.concatenate([[False], rolled, [False]]).astype(int)))
    for begin, end in steps.reshape(-1, 2):
        yield order[begin:end]


def _bent_fit(view: View, points_mm: Array, scale: float) -> Fit[Edge]:
    """Arc, if the stretch is one, else free points."""
    arc = yield from _arc_fit(view, points_mm, scale)
    return arc if arc is not None else Free(points_mm)


def _rough_circle(points_mm: Array, scale: float) -> Circle | None:
    """Circle through most of the points, or None when they do not lie on one; bulges of the rough contour are left out."""
    kept, found = np.ones(len(points_mm), bool), None
    for _ in range(CIRCLE_ROUNDS):
        rough = fit_circle(points_mm[kept], np.ones(int(kept.sum())))
        if not rough:
            return None
        found = rough
        off_px = np.abs(rough.deviations(points_mm)) * scale
        kept = off_px < max(2 * ARC_RMS_PX, 2.5 * float(np.median(off_px)))
        if kept.sum() < max(8, ARC_LEAST_KEPT * len(kept)):
            return None
    return found if float(np.sqrt(np.mean(off_px[kept] ** 2))) < ARC_RMS_PX else None


CIRCLE_ROUNDS = 3
ARC_LEAST_KEPT = 0.7
"""Share of a bent stretch's points that must lie on its circle."""


def _arc_fit(view: View, points_mm: Array, scale: float) -> Fit[Arc | None]:
    if len(points_mm) < 8:
        return None
    rough = _rough_circle(points_mm, scale)
    if rough is None:
        return None
    angles = np.unwrap(np.arctan2(*(points_mm - rough.centre).T[::-1]))
    sweep = abs(angles[-1] - angles[0])
    if sweep < LEAST_ARC_RAD or sweep * rough.radius * scale < LEAST_ARC_PX:
        return None
    # With the metal on the left, the contour turns left (counter-clockwise) round metal that bulges.
    bulges = bool(angles[-1] > angles[0])
    first, last = sorted((float(angles[0]), float(angles[-1])))
    trim = min(TRIM_MM / rough.radius, 0.15 * sweep)
    return (yield from arc_fit(view, rough.centre, rough.radius, first + trim, last - trim, bulges))


def _with_common_break(edges: list[Edge]) -> list[Edge]:
    """Edges on which a dark break may hide, made less certain by as much as the others of the contour show.

    One contour is broken in one go: where some of its edges show their break for sure, the others have it too. They are
    not moved by it: a burr can look like a break, and an edge taken too far out would call a short edge good.
    """
    sure = [(edge.fitted.break_mm, _extent(edge)) for edge in edges if isinstance(edge, Straight | Arc) and _shows(edge)]
    if sum(extent for _, extent in sure) < LEAST_SURE_MM:
        return edges
    common = float(np.average([break_mm for break_mm, _ in sure], weights=[extent for _, extent in sure]))
    return [_less_sure(edge, common) if isinstance(edge, Straight) else edge for edge in edges]


LEAST_SURE_MM = 10.0
"""Length of edge that must show its break for the break to be taken for the whole contour."""
SURE_HIDDEN, SURE_BROKEN = 0.3, 0.9
DARK_SHARE = 0.5
"""Standard uncertainty, as a share of a break, of where an edge is when the break may look like backdrop."""


def _shows(edge: Straight | Arc) -> bool:
    return edge.fitted.hidden_share < SURE_HIDDEN and edge.fitted.broken_share > SURE_BROKEN


def _extent(edge: Straight | Arc) -> float:
    return _length(edge) if isinstance(edge, Straight) else (edge.last - edge.first) * edge.radius


def _less_sure(line: Straight, common_mm: float) -> Straight:
    fitted = line.fitted
    missing = max(0.0, common_mm - fitted.break_mm) * fitted.hidden_share
    covariance = fitted.covariance.copy()
    covariance[0, 0] += (DARK_SHARE * missing) ** 2
    return replace(line, fitted=replace(fitted, covariance=covariance))
