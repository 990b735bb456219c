"""A traced contour walked round: straight stretches, the rounded corners between them, and what is neither.

A corner's arc is fitted together with its two tangent lines: the lines come from their own whole length, so that the arc
has one unknown left, its radius. (An arc of 90 degrees alone gives its radius 20 times worse than a full circle.)
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from holeinspect.edges.border import Border
from holeinspect.edges.circle import Circle, fit_circle
from holeinspect.edges.contours import Straight
from holeinspect.measured import Array

ON_LINE_MM = 0.04
"""A traced point this far from a line, or four times the trace's noise there, is still on it."""
WIDEST_STUB_MM = 9.0
"""What interrupts a line for no longer than this sits on it: a stub, a nick, a smear."""
LINE_REACH_MM = 12.0
"""A line is followed this far beyond the ends of its fit, to where the corner begins."""
LARGEST_SAG_MM = 0.06
"""A short straight run that sags more than this is a piece of an arc."""
SHORT_RUN_MM = 25.0
"""Longer runs may bow: a sheared strip does."""
LEAST_LINE_MM = 1.2
"""Shortest straight stretch between two corners that is looked for."""
LEAST_TURN_RAD = np.radians(12)
"""Lines that meet at less than this do not make a corner."""
LARGEST_CORNER_MM = 10.0
"""Larger rounded corners are bent edges of their own."""
LEAST_STRETCH_MM = 1.5
"""Shorter stretches between lines are the corner's."""
CORNER_MISFIT_MM = 0.09
"""Median distance of the points between two lines from a rounded corner, up to which it is one."""
ROUND_MISFIT_MM = 0.06
"""The same of a bent stretch from a circle."""
FLATTEST_RADIUS_MM = 500.0


@dataclass(frozen=True, slots=True)
class Line:
    """A straight stretch of a trace: a point on it, its direction in walking order, the normal out of the metal (mm).

    first, last: index of its first and last point on the trace; last may lie past the end of the closed border.
    """

    at: Array
    along: Array
    first: int
    last: int

    @property
    def out(self) -> Array:
        """Unit normal out of the metal, which lies on the left."""
        return np.array([self.along[1], -self.along[0]])

    def off(self, points_mm: Array) -> Array:
        """Distance of points (N, 2) from the line, positive out of the metal."""
        return np.asarray((points_mm - self.at) @ self.out)

    def reach(self, points_mm: Array) -> Array:
        """Place of points (N, 2) along the line."""
        return np.asarray((points_mm - self.at) @ self.along)


@dataclass(frozen=True, slots=True)
class RoundedCorner:
    """Where two lines meet, rounded: apex (where the lines cross), radius and its standard uncertainty, mm.

    kind: inside where the metal's angle is more than 180 degrees. centre: of the arc. turn: rad, angle of the arc.
    """

    kind: Literal["inside", "outside"]
    apex: Array
    centre: Array
    radius: float
    radius_u: float
    turn: float

    @property
    def arc_mm(self) -> float:
        """Length of the arc."""
        return self.radius * self.turn

    @property
    def middle(self) -> Array:
        """The middle of the arc."""
        away = self.apex - self.centre
        return np.asarray(self.centre + self.radius * away / max(float(np.hypot(*away)), 1e-12))

    def off(self, points_mm: Array, blur_mm: float) -> Array:
        """Distance of points (N, 2) from the arc as it appears, positive out of the metal."""
        sign = 1.0 if self.kind == "outside" else -1.0
        return np.asarray(sign * (np.hypot(*(points_mm - self.centre).T) - _seen_radius(self.radius, blur_mm)))


@dataclass(frozen=True, slots=True)
class Bend:
    """A stretch of a trace that is no line and no rounded corner: first to last point.

    circle: centre and radius where it is one; bulges: the metal is inside it.
    """

    first: int
    last: int
    circle: tuple[Array, float] | None
    bulges: bool


Piece = Line | RoundedCorner | Bend


def walk(border: Border, straights: Iterable[Straight]) -> tuple[Piece, ...]:
    """The pieces of a closed trace in walking order, metal on the left; points not seen belong to no piece."""
    lines = _with_short_ones(border, _lines(border, straights))
    if not lines:
        return tuple(_bends(border, 0, len(border) - 1))
    pieces: list[Piece] = []
    following = [*lines[1:], _again(lines[0], len(border))]
    for line, after in zip(lines, following, strict=True):
        pieces.append(line)
        corner = rounded_corner(border, line, after)
        if corner is not None:
            pieces.append(corner)
        elif (after.first - line.last) * border.step_mm > LEAST_STRETCH_MM:
            pieces.extend(_bends(border, line.last + 1, after.first - 1))
    return tuple(pieces)


def _again(line: Line, count: int) -> Line:
    return Line(line.at, line.along, line.first + count, line.last + count)


def take(border: Border, first: int, last: int) -> Array:
    """Indices of the points from first to last, round the closed border."""
    return np.arange(first, last + 1) % len(border)


def _lines(border: Border, straights: Iterable[Straight]) -> list[Line]:
    """Lines on the trace near fitted straight edges, longest first taken, in walking order."""
    taken = np.zeros(len(border), bool)
    lines = []
    for straight in sorted(straights, key=lambda edge: -float(np.hypot(*(edge.end - edge.start)))):
        line = _line_near(border, straight, taken)
        if line is not None:
            taken[take(border, line.first, line.last)] = True
            lines.append(line)
    return sorted(lines, key=lambda line: line.first)


def _line_near(border: Border, straight: Straight, taken: Array) -> Line | None:
    """The line through the traced points of a straight edge, followed to where the trace leaves it."""
    length = float(np.hypot(*(straight.end - straight.start)))
    along = (straight.end - straight.start) / length
    near = _along(border, straight.start, along, 0.0, length) & border.seen & ~taken
    if near.sum() * border.step_mm < min(LEAST_LINE_MM, length / 2):
        return None
    return _followed(border, _fitted(border.points_mm[near], along), near, taken)


def _along(border: Border, start: Array, along: Array, low: float, high: float) -> Array:
    """Points (N,) of the trace that run the same way beside a stretch of a line."""
    reach = (border.points_mm - start) @ along
    off = (border.points_mm - start) @ np.array([along[1], -along[0]])
    ahead = (np.roll(border.points_mm, -3, axis=0) - np.roll(border.points_mm, 3, axis=0)) @ along
    return np.asarray((reach > low) & (reach < high) & (np.abs(off) < BESIDE_MM) & (ahead > 0))


BESIDE_MM = 0.6
"""How far off the fitted straight edge its traced points are looked for."""
FIT_ROUNDS = 4
OUTLYING = 3.0


def _fitted(points_mm: Array, along: Array) -> tuple[Array, Array, float]:
    """A point, the direction, and the noise of the line that most of the points (N, 2) lie on."""
    kept = np.ones(len(points_mm), bool)
    for _ in range(FIT_ROUNDS):
        middle = points_mm[kept].mean(axis=0)
        direction = np.linalg.svd(points_mm[kept] - middle, full_matrices=False)[2][0]
        direction = direction if direction @ along > 0 else -direction
        off = (points_mm - middle) @ np.array([direction[1], -direction[0]])
        middle = middle + np.median(off) * np.array([direction[1], -direction[0]])
        off = off - np.median(off)
        spread = max(1.4826 * float(np.median(np.abs(off))), ON_LINE_MM / 8)
        new = np.abs(off) < OUTLYING * spread
        if new.sum() < 4 or (new == kept).all():
            break
        kept = new
    return middle, direction, spread


def _followed(border: Border, fit: tuple[Array, Array, float], near: Array, taken: Array) -> Line | None:
    """A line with its first and last point on the border, or None when it is a piece of an arc."""
    at, along, spread = fit
    off = (border.points_mm - at) @ np.array([along[1], -along[0]])
    on = (np.abs(off) < max(ON_LINE_MM, 4 * spread)) & border.seen & ~taken
    inside = np.flatnonzero(near & on)
    if len(inside) < 4:
        return None
    middle = int(inside[len(inside) // 2]) if inside[-1] - inside[0] < len(border) // 2 else _middle_of(inside, len(border))
    last = _run(np.roll(on, -middle), np.roll(taken, -middle), border.step_mm)
    first = _run(np.roll(on[::-1], middle + 1), np.roll(taken[::-1], middle + 1), border.step_mm)
    line = Line(at, along, middle - first, middle + last)
    length_mm = (first + last) * border.step_mm
    if length_mm < LEAST_LINE_MM or (length_mm < SHORT_RUN_MM and _sag(border, line) > LARGEST_SAG_MM):
        return None
    return line if line.first >= 0 else _again(line, len(border))


def _middle_of(indices: Array, count: int) -> int:
    """The middle one of indices that wrap round."""
    gap = int(np.argmax(np.diff(indices, append=indices[0] + count)))
    ordered = np.roll(indices, -(gap + 1))
    return int(ordered[len(ordered) // 2])


def _run(on: Array, taken: Array, step_mm: float) -> int:
    """How many points from the first on are on the line, gaps as wide as a stub included."""
    reach = min(len(on) // 2, int(np.argmax(taken)) if taken.any() else len(on))
    at = np.flatnonzero(on[:reach])
    if not len(at):
        return 0
    gaps = np.flatnonzero(np.diff(at) * step_mm > WIDEST_STUB_MM)
    return int(at[gaps[0]] if len(gaps) else at[-1])


def _sag(border: Border, line: Line) -> float:
    """How far the middle of a line's points lies off its ends, by a parabola through them."""
    points = border.points_mm[take(border, line.first, line.last)]
    reach, off = line.reach(points), line.off(points)
    near = np.abs(off) < 4 * ON_LINE_MM
    if near.sum() < 4:
        return 0.0
    half = np.ptp(reach) / 2
    return float(abs(np.polyfit((reach[near] - reach[near].mean()) / max(half, 1e-9), off[near], 2)[0]))


def _with_short_ones(border: Border, lines: Sequence[Line]) -> list[Line]:
    """The lines, and the short straight stretches in the gaps between them that no one rounded corner explains."""
    if not lines:
        return []
    found = list(lines)
    for line, after in pairwise([*lines, _again(lines[0], len(border))]):
        found.extend(_short_lines(border, line, after))
    return sorted(found, key=lambda line: line.first)


STRAIGHT_WITHIN_RAD = np.radians(6)
"""A stretch of LEAST_LINE_MM that turns less than this may be straight: one on a radius of 12 mm or more is."""


LEAST_SHORT_TURN_RAD = np.radians(25)
"""A short stretch ends in a corner of at least this; a chord of a wide arc does not."""


def _short_lines(border: Border, line: Line, after: Line) -> Iterator[Line]:
    """Straight stretches between two lines that no one rounded corner joins, the straightest first."""
    if rounded_corner(border, line, after) is not None:
        return
    short = _straightest(border, line.last + 1, after.first - 1)
    if short is None:
        return
    corners = (rounded_corner(border, line, short), rounded_corner(border, short, after))
    if any(corner is not None and corner.turn > LEAST_SHORT_TURN_RAD for corner in corners):
        yield from _short_lines(border, line, short)
        yield short
        yield from _short_lines(border, short, after)


def _straightest(border: Border, first: int, last: int) -> Line | None:
    """The longest straight stretch of a gap in the border; None when all of it bends."""
    need = int(np.ceil(LEAST_LINE_MM / border.step_mm))
    indices = take(border, first, last)
    if len(indices) < need + 2 or border.seen[indices].mean() < MOSTLY:
        return None
    points = border.points_mm[indices]
    starts = np.arange(0, len(points) - need, max(1, need // 4))
    flat = (int(start) for start in starts if _turn(points[start : start + need]) < STRAIGHT_WITHIN_RAD)
    stretches = [_grown(points, start, need) for start in flat]
    low, high = max(stretches, key=lambda stretch: stretch[1] - stretch[0], default=(0, 0))
    if (high - low) * border.step_mm < LEAST_GROWN_MM:
        return None
    at, along, _ = _fitted(points[low : high + 1], points[high] - points[low])
    return Line(at, along, first + low, first + high)


LEAST_GROWN_MM = 2.0
"""Least length of such a stretch with its ends, which it shares with the arcs: on an arc of 6 mm one grows to 1.8 mm."""


def _grown(points: Array, start: int, need: int) -> tuple[int, int]:
    """First and last of the points about a window that lie on its line, which is fitted anew as it grows."""
    low, high = start, start + need - 1
    for _ in range(FIT_ROUNDS):
        at, along, spread = _fitted(points[low : high + 1], points[high] - points[low])
        on = np.abs((points - at) @ np.array([along[1], -along[0]])) < max(ON_LINE_MM / 2, 3 * spread)
        windows = np.lib.stride_tricks.sliding_window_view(np.pad(on, STRAY_POINTS), 2 * STRAY_POINTS + 1)
        near = np.asarray(windows.any(axis=1))
        before, after = near[: low + 1][::-1], near[high:]
        new_low = low - (int(np.argmin(before)) - 1 if not before.all() else low)
        new_high = high + (int(np.argmin(after)) - 1 if not after.all() else len(points) - 1 - high)
        new_low, new_high = min(new_low + STRAY_POINTS, low), max(new_high - STRAY_POINTS, high)
        if (new_low, new_high) == (low, high):
            break
        low, high = new_low, new_high
    return low, high


STRAY_POINTS = 2
"""So many points in a row may stray from a line."""


def _turn(points: Array) -> float:
    """How much a short stretch turns, rad, by its two halves."""
    half = len(points) // 2
    before, after = points[half] - points[0], points[-1] - points[half]
    return 2 * abs(float(np.arctan2(before[0] * after[1] - before[1] * after[0], before @ after)))


MOSTLY = 0.8


def rounded_corner(border: Border, line: Line, after: Line) -> RoundedCorner | None:
    """The corner between two lines, or None when what lies between them is none, or was not seen."""
    cross = float(line.along[0] * after.along[1] - line.along[1] * after.along[0])
    turn = float(np.arctan2(cross, line.along @ after.along))
    if abs(turn) < LEAST_TURN_RAD:
        return None
    offset = float(((after.at - line.at)[0] * after.along[1] - (after.at - line.at)[1] * after.along[0]) / cross)
    apex = line.at + offset * line.along
    between = take(border, line.last + 1, after.first - 1)
    seen = between[border.seen[between]]
    kind: Literal["inside", "outside"] = "outside" if turn > 0 else "inside"
    to_apex = max(line.reach(apex[None])[0] - line.reach(border.points_mm[[line.last % len(border)]])[0],
                  after.reach(border.points_mm[[after.first % len(border)]])[0] - after.reach(apex[None])[0])  # fmt: skip
    if to_apex > LARGEST_CORNER_MM / max(np.tan((np.pi - abs(turn)) / 2), 0.2) + 1.0:
        return None
    if len(seen) < MOSTLY * len(between):
        return None
    return _fitted_corner(border, (line, after), apex, seen, kind, abs(turn))


def _fitted_corner(border: Border, lines: tuple[Line, Line], apex: Array, between: Array, kind: Literal["inside", "outside"],
                   turn: float) -> RoundedCorner | None:  # fmt: skip
    """The radius that fits the points between two lines and the lines' own ends."""
    inwards = -(lines[0].out + lines[1].out) / (1 + lines[0].out @ lines[1].out)
    inwards = inwards if kind == "outside" else -inwards
    clear = _clear_of_switch(border, between)
    points = border.points_mm[between[clear]]

    def corner(radius: float, u: float = 0.0) -> RoundedCorner:
        return RoundedCorner(kind, apex, apex + radius * inwards, radius, u, turn)

    radius = _radius(points, apex, inwards, border.blur_mm) if len(points) >= LEAST_POINTS else 0.0
    if radius > LARGEST_CORNER_MM:
        return None
    found = corner(radius)
    left_over = _off(found, lines, points, border.blur_mm) if len(points) else np.zeros(1)
    if float(np.median(np.abs(left_over))) > CORNER_MISFIT_MM:
        return None
    u = _radius_u(found, left_over, border.blur_mm, len(points))
    return corner(radius, float(np.hypot(u, 0.0 if clear.sum() >= LEAST_CLEAR * len(clear) else SWITCH_U_MM)))


LEAST_CLEAR, SWITCH_U_MM = 0.5, 0.25
"""Share of a corner's points that must be clear of the step from one rim to the other, and what is allowed otherwise."""


def _clear_of_switch(border: Border, between: Array) -> Array:
    """Which of a corner's points lie clear of where the border steps from the upper rim to the lower, along a ray.

    That piece is as long as the two rims lie apart. Where the points are all of one rim there is none.
    """
    clear = np.ones(len(between), bool)
    for at in np.flatnonzero(np.diff(border.upper[between].astype(int))):
        reach = border.apart_mm[between[at]] + border.blur_mm
        clear &= np.abs(np.arange(len(between)) - at - 0.5) * border.step_mm > reach
    return clear if clear.sum() >= LEAST_POINTS else np.ones(len(between), bool)


LEAST_POINTS = 3
RADIUS_STEPS = 12
LEAST_RADIUS_SIGMAS = 1.5
"""Radius in blur widths below which a corner looks the same however sharp it is."""
CENTRAL = 0.8
"""Share of the arc's angle whose points tell the radius."""


def _seen_radius(radius: float, blur_mm: float) -> float:
    """Radius at which a blurred arc appears: blur moves it towards its centre by s²/2R."""
    return radius - blur_mm**2 / (2 * max(radius, LEAST_RADIUS_SIGMAS * blur_mm))


def _radius(points: Array, apex: Array, inwards: Array, blur_mm: float) -> float:
    """Radius of the arc tangent to both lines whose middle part the points (N, 2) lie on, mm; robust Gauss-Newton.

    The centre runs along `inwards` from the apex by radius times its length, so that the arc's distance from a point
    changes by inwards·v - 1 per mm of radius, v being the direction from the centre to the point.
    """
    tip = float(np.min(np.hypot(*(points - apex).T)))
    stretch = float(np.hypot(*inwards))
    radius = max(tip / max(stretch - 1, 1e-3), 1e-3)
    for _ in range(RADIUS_STEPS):
        way = points - (apex + radius * inwards)
        distance = np.hypot(*way.T)
        direction = way / np.maximum(distance, 1e-9)[:, None]
        slope = -(direction @ inwards) - 1
        weight = slope * (slope > (1 - CENTRAL) * (stretch - 1))
        left = distance - _seen_radius(radius, blur_mm)
        spread = max(1.4826 * float(np.median(np.abs(left[weight > 0]))) if (weight > 0).any() else 0.0, 0.01)
        weight = weight / np.maximum(1, np.abs(left) / (2 * spread))
        total = float(weight @ slope)
        if total <= 0:
            return max(radius, 0.0)
        change = -float(weight @ left) / total
        radius = max(radius + float(np.clip(change, -0.5 * radius, radius)), 1e-3)
        if abs(change) < 1e-4:
            break
    return radius


def _off(corner: RoundedCorner, lines: tuple[Line, Line], points: Array, blur_mm: float) -> Array:
    """Distance of points (N, 2) from a rounded corner, positive out of the metal: from the arc or the nearer line."""
    reach = corner.radius * np.tan(corner.turn / 2)
    before = lines[0].reach(points) < lines[0].reach(corner.apex[None]) - reach
    past = lines[1].reach(points) > lines[1].reach(corner.apex[None]) + reach
    return np.where(before, lines[0].off(points), np.where(past, lines[1].off(points), corner.off(points, blur_mm)))


NEIGHBOURS_PX = 3
"""Points of a trace over which its noise hangs together."""
SHARP_SHARE, COMMON_U_MM = 0.6, 0.012
"""Standard uncertainty of a radius from blur, as a share of the blur where the corner is sharp, and from what a chamfer and
light do to an arc otherwise than to its lines (seen on renders)."""


def _radius_u(corner: RoundedCorner, left_over: Array, blur_mm: float, count: int) -> float:
    """Standard uncertainty of the radius: what the fit leaves over, light, and blur where the corner is sharp."""
    gain = 1 / max(1 / np.cos(corner.turn / 2) - 1, 0.02)
    noise = 1.4826 * float(np.median(np.abs(left_over))) * np.sqrt(NEIGHBOURS_PX / max(count, 1))
    sharp = SHARP_SHARE * blur_mm * gain * float(np.exp(-corner.radius / (2 * blur_mm)))
    return float(np.sqrt((gain * noise) ** 2 + (gain * COMMON_U_MM) ** 2 + sharp**2))


def _bends(border: Border, first: int, last: int) -> Iterator[Bend]:
    """The seen runs of a gap as bends, arcs where a circle passes through them."""
    indices = take(border, first, last)
    flags = np.concatenate([[False], border.seen[indices], [False]]).astype(int)
    for low, high in np.flatnonzero(np.diff(flags)).reshape(-1, 2):
        if (high - low) * border.step_mm < LEAST_STRETCH_MM:
            continue
        points = border.points_mm[indices[low:high]]
        circle, bulges = _circle(points)
        yield Bend(first + int(low), first + int(high) - 1, circle, bulges)


def _circle(points: Array) -> tuple[tuple[Array, float] | None, bool]:
    """The circle through most of the points, if there is one, and whether the metal, on their left, is inside it."""
    kept, found = np.ones(len(points), bool), None
    for _ in range(FIT_ROUNDS):
        fit = fit_circle(points[kept], np.ones(int(kept.sum())))
        if not isinstance(fit, Circle) or fit.radius > FLATTEST_RADIUS_MM:
            return None, False
        found, off = fit, np.abs(fit.deviations(points))
        kept = off < max(OUTLYING * 1.4826 * float(np.median(off)), ON_LINE_MM)
        if kept.sum() < LEAST_ON_CIRCLE or float(np.median(off)) > ROUND_MISFIT_MM:
            return None, False
    assert found is not None, "there is a round"
    way = points - found.centre
    angles = np.unwrap(np.arctan2(way[:, 1], way[:, 0]))
    return (np.asarray(found.centre), found.radius), bool(angles[-1] > angles[0])


LEAST_ON_CIRCLE = 8
