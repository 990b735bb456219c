"""How far the border stands off its form, along each edge from corner to corner.

The form is the line with half of the rounded corner at either end, the circle of an arc, or, for a free shape, the smooth
curve through the border: a local parabola, weighed by the Gaussian of ISO 16610-21 (in the spirit of ISO 16610-31, which
leaves out what stands off).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from holeinspect.edges.border import Border
from holeinspect.edges.gauss import weight
from holeinspect.edges.walk import Bend, Line, Piece, RoundedCorner, take
from holeinspect.measured import Array

FREE_CUTOFF_MM = 10.0
"""Cut-off of the smooth curve through a free shape: most stubs are not followed, bends of 10 mm radius are."""
FREE_STEP_MM = 0.25
FREE_ROUNDS = 4
LEAST_SPREAD_MM = 0.005
BIWEIGHT = 4.0
"""Robust standard deviations off the curve at which a point no longer counts."""
KINK_NEAR_MM, KINK_NEAR_RAD, KINK_WIDE_MM, KINK_WIDE_RAD = 1.0, np.radians(6), 4.0, np.radians(20)
"""A free shape that turns by more than these between chords so long to either side bends too much for a smooth form there (a
radius below 10 mm or so); at a stub or nick it turns back within the wide ones."""
KINK_CLEAR_MM = 1.5
"""So much to either side of such a corner has no smooth form."""
LARGEST_HOLE_POINTS = 3
"""So few neighbouring points that were not seen are bridged."""


@dataclass(frozen=True, slots=True, eq=False)
class Along:
    """One edge, from start to end in walking order (metal on the left in the mat frame).

    at_mm: (N,) evenly spaced from the start. off_mm: (N,) of the border from the form, positive off the metal; NaN where
    no rim was seen. points_px: (N, 2) the border in the picture. form_mm, out: (N, 2) the form and its normal out of the
    metal. on_corner: (N,) bool, the halves of its rounded corners. start, end: which corner of the walk it starts and ends at.
    """

    kind: Literal["straight", "arc", "free"]
    at_mm: Array
    off_mm: Array
    points_px: Array
    form_mm: Array
    out: Array
    on_corner: Array
    step_mm: float
    blur_mm: float
    closed: bool
    start: int | None
    end: int | None

    @property
    def length_mm(self) -> float:
        """Its whole length."""
        return len(self.at_mm) * self.step_mm


def edges_along(border: Border, pieces: Sequence[Piece]) -> list[Along]:
    """The edges of a walk, in its order; corners are counted in the same order."""
    numbers = {id(piece): i for i, piece in enumerate(piece for piece in pieces if isinstance(piece, RoundedCorner))}
    edges = []
    for i, piece in enumerate(pieces):
        if isinstance(piece, RoundedCorner):
            continue
        if isinstance(piece, Bend):
            edges.append(_bent(border, piece, closed=len(pieces) == 1 and piece.last - piece.first >= len(border) - 1))
            continue
        before, after = pieces[i - 1], pieces[(i + 1) % len(pieces)]
        start = before if isinstance(before, RoundedCorner) else None
        end = after if isinstance(after, RoundedCorner) else None
        first = _before(pieces, i).last + 1 if start else piece.first
        last = _after(pieces, i).first - 1 if end else piece.last
        last += len(border) if last < piece.last else 0
        first -= len(border) if first > piece.first else 0
        edges.append(_straight(border, piece, (start, end), take(border, first, last),
                               (numbers[id(start)] if start else None, numbers[id(end)] if end else None)))  # fmt: skip
    return [edge for edge in edges if len(edge.at_mm) >= LEAST_POINTS]


LEAST_POINTS = 8


def _before(pieces: Sequence[Piece], i: int) -> Line:
    line = pieces[i - 2]
    assert isinstance(line, Line), "a corner lies between two lines"
    return line


def _after(pieces: Sequence[Piece], i: int) -> Line:
    line = pieces[(i + 2) % len(pieces)]
    assert isinstance(line, Line), "a corner lies between two lines"
    return line


def _straight(border: Border, line: Line, corners: tuple[RoundedCorner | None, RoundedCorner | None], indices: Array,
              numbers: tuple[int | None, int | None]) -> Along:  # fmt: skip
    """A line with half of the corners at its ends."""
    points = border.points_mm[indices]
    at, off, kept = line.reach(points), line.off(points), np.ones(len(points), bool)
    rounded = np.zeros(len(points), bool)
    for corner, sign in zip(corners, (-1.0, 1.0), strict=True):
        if corner is None:
            continue
        centre_at = line.reach(corner.centre[None])[0]
        side = 1.0 if corner.kind == "outside" else -1.0
        way = points - corner.centre
        angle = np.arctan2(way @ line.along, side * (way @ line.out)) * side
        # On an inside corner the centre lies off the metal, and the walk turns the other way round it.
        turned = sign * side * angle
        on_arc = sign * (line.reach(points) - centre_at) > 0
        on_half = on_arc & (np.abs(turned) <= corner.turn / 2)
        past = corner.radius * np.abs(turned)
        at = np.where(on_arc, centre_at + sign * past, at)
        off = np.where(on_arc, _levelled(past, corner.off(points, border.blur_mm), on_half & border.seen[indices]), off)
        kept &= ~on_arc | on_half
        rounded |= on_half | (~on_arc & (sign * (line.reach(points) - centre_at) > -CORNER_NEAR_MM))
    # Where no corner was fitted, the line runs into a bend: its last points already leave it.
    for corner, ends in zip(corners, (at < at.min() + END_CLEAR_MM, at > at.max() - END_CLEAR_MM), strict=True):
        kept &= ~ends if corner is None else True
    kept &= border.seen[indices] & ~_jumping(off, rounded, border.step_mm)
    return _even(border, "straight", (at, off, rounded), indices, kept, line, numbers)


def _jumping(off: Array, rounded: Array, step_mm: float) -> Array:
    """Points (N,) on a rounded corner near which the border jumps: from one rim to the other, where a bright wall narrows."""
    jumps = np.concatenate([[False], np.abs(np.diff(off)) > JUMP_MM]) & rounded
    reach = max(1, round(JUMP_REACH_MM / step_mm))
    near = np.lib.stride_tricks.sliding_window_view(np.pad(jumps, reach), 2 * reach + 1).any(axis=1)
    return np.asarray(near) & rounded


JUMP_MM, JUMP_REACH_MM = 0.1, 0.8


def _levelled(past: Array, off: Array, on_arc: Array) -> Array:
    """Deviations (N,) from an arc less their slow course from the tangent point on: light on a chamfer changes as it turns."""
    reach = float(past[on_arc].max(initial=0.0))
    if reach < LEVELLED_MM:
        return off
    x = past[on_arc] / reach
    basis = np.column_stack([x, x**2])
    weights = np.ones(len(x))
    for _ in range(LEVEL_ROUNDS):
        course, *_ = np.linalg.lstsq(basis * weights[:, None], off[on_arc] * weights, rcond=None)
        left = np.abs(off[on_arc] - basis @ course)
        weights = 1 / np.sqrt(np.maximum(1, left / max(1.4826 * float(np.median(left)), LEAST_SPREAD_MM)))
    share = past / reach
    return np.asarray(off - course[0] * share - course[1] * share**2)


END_CLEAR_MM = 1.0
CORNER_NEAR_MM = 2.0
"""So near to a rounded corner a line belongs to it: where the arc begins is known to a millimetre or two."""
LEVELLED_MM, LEVEL_ROUNDS = 0.5, 4


def _even(border: Border, kind: Literal["straight", "arc", "free"], profile: tuple[Array, Array, Array], indices: Array,
          kept: Array, line: Line | None, numbers: tuple[int | None, int | None], closed: bool = False) -> Along:  # fmt: skip
    """A profile of places, deviations and whether on a corner, at the points of the border, averaged on even steps."""
    at, off, rounded = profile
    if not kept.any():
        empty = np.zeros((0, 2))
        nothing = empty[:, 0]
        return Along(kind, nothing, nothing, empty, empty, empty, nothing > 0, border.step_mm, border.blur_mm, False, *numbers)
    low, high = float(at[kept].min()), float(at[kept].max())
    count = max(1, round((high - low) / border.step_mm))
    cell = np.clip(((at - low) / border.step_mm).astype(int), 0, count - 1)
    inside = kept & (at >= low) & (at <= high)
    number = np.bincount(cell[inside], minlength=count)
    with_any = np.where(number > 0, number, np.nan)

    def mean(values: Array) -> Array:
        return _bridged(np.bincount(cell[inside], values[inside], minlength=count) / with_any)

    points, px = border.points_mm[indices], border.points_px[indices]
    even_px = np.column_stack([_filled(mean(px[:, axis])) for axis in (0, 1)])
    points_mm = np.column_stack([_filled(mean(points[:, axis])) for axis in (0, 1)])
    off_mm = mean(off)
    out = np.tile(line.out, (count, 1)) if line is not None else _outwards(points_mm)
    form = points_mm - np.nan_to_num(off_mm)[:, None] * out
    places = (np.arange(count) + 0.5) * border.step_mm
    on_corner = _filled(mean(rounded.astype(float))) > 0
    return Along(kind, places, off_mm, even_px, form, out, on_corner, border.step_mm, border.blur_mm, closed, *numbers)


def _bridged(values: Array) -> Array:
    """Values with short runs of NaN filled from their neighbours."""
    holes = np.isnan(values)
    if not holes.any() or holes.all():
        return values
    filled = _filled(values)
    steps = np.flatnonzero(np.diff(np.concatenate([[False], holes, [False]]).astype(int))).reshape(-1, 2)
    for low, high in steps:
        if high - low > LARGEST_HOLE_POINTS:
            filled[low:high] = np.nan
    return filled


def _filled(values: Array) -> Array:
    """Values with NaN filled from their neighbours, at the ends by the last one."""
    seen = np.isfinite(values)
    at = np.arange(len(values))
    return np.asarray(np.interp(at, at[seen], values[seen])) if seen.any() else np.zeros(len(values))


def _outwards(points: Array) -> Array:
    """Unit normals (N, 2) out of the metal along points in walking order."""
    if len(points) < 2:
        return np.zeros_like(points)
    ahead = np.gradient(points, axis=0)
    out = np.column_stack([ahead[:, 1], -ahead[:, 0]])
    return np.asarray(out / np.maximum(np.hypot(*out.T), 1e-12)[:, None])


def _bent(border: Border, bend: Bend, closed: bool) -> Along:
    indices = take(border, bend.first, bend.last)
    points = border.points_mm[indices]
    if bend.circle is not None:
        centre, radius = bend.circle
        way = points - centre
        sign = 1.0 if bend.bulges else -1.0
        at = sign * radius * np.unwrap(np.arctan2(way[:, 1], way[:, 0]))
        off = sign * (np.hypot(*way.T) - radius)
        return _even(border, "arc", (at, off, np.zeros(len(at), bool)), indices, border.seen[indices], None, (None, None), closed)
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    off, smooth = _from_curve(points, at, closed)
    kept = border.seen[indices] & smooth
    return _even(border, "free", (at, off, np.zeros(len(at), bool)), indices, kept, None, (None, None), closed)


def _from_curve(points: Array, at: Array, closed: bool) -> tuple[Array, Array]:
    """Distance (N,) of points in walking order from the smooth curve through them, and where there is one (N,)."""
    count = max(4, round(float(at[-1]) / FREE_STEP_MM))
    even = np.linspace(0, at[-1], count)
    rough = np.column_stack([np.interp(even, at, points[:, axis]) for axis in (0, 1)])
    step = float(even[1] - even[0])
    smooth = ~_kinked(rough, step, closed)
    trust = smooth.astype(float)
    for _ in range(FREE_ROUNDS):
        curve = _local_parabola(rough, trust, step, closed)
        out = _outwards(curve)
        off = ((rough - curve) * out).sum(axis=1)
        spread = max(1.4826 * float(np.median(np.abs(off))), LEAST_SPREAD_MM)
        trust = smooth * np.clip(1 - (off / (BIWEIGHT * spread)) ** 2, 0.0, 1.0) ** 2
    here = np.column_stack([np.interp(at, even, column) for column in curve.T])
    normal = np.column_stack([np.interp(at, even, column) for column in out.T])
    return ((points - here) * normal).sum(axis=1), np.interp(at, even, smooth.astype(float)) > 0.5


def _local_parabola(points: Array, trust: Array, step: float, closed: bool) -> Array:
    """The middle of the parabola fitted round each point, all of them even steps apart and weighed by a Gaussian."""
    reach = min(int(np.ceil(FREE_CUTOFF_MM / step)), max(1, len(points) // 2 - 1))
    x = step * np.arange(-reach, reach + 1)
    bell = weight(x, FREE_CUTOFF_MM)
    mode: Literal["wrap", "constant"] = "wrap" if closed else "constant"
    padded = np.pad(trust, reach, mode=mode)
    values = np.pad(points, ((reach, reach), (0, 0)), mode=mode)

    def moment(of: Array, power: int) -> Array:
        return np.convolve(of, (bell * x**power)[::-1], "valid")

    sums = [moment(padded, power) for power in range(5)]
    normal = np.stack([np.stack([sums[i + j] for j in range(3)], -1) for i in range(3)], -2)
    normal += RIDGE * (1 + np.trace(normal, axis1=1, axis2=2))[:, None, None] * np.eye(3)
    right = np.stack([np.stack([moment(padded * values[:, axis], power) for power in range(3)], -1) for axis in (0, 1)], -1)
    return np.asarray(np.linalg.solve(normal, right)[:, 0])


RIDGE = 1e-12
"""Keeps the normal equations solvable where nothing is trusted: beside a corner."""


def _kinked(points: Array, step: float, closed: bool) -> Array:
    """Points (N,) of a free shape that lie near a corner in it."""
    near, wide = (_turns(points, max(1, round(reach / step)), closed) for reach in (KINK_NEAR_MM, KINK_WIDE_MM))
    kink = (np.abs(near) > KINK_NEAR_RAD) & (np.abs(wide) > KINK_WIDE_RAD) & (near * wide > 0)
    clear = 2 * round(KINK_CLEAR_MM / step) + 1
    padded = np.pad(kink, clear // 2, mode="wrap" if closed else "constant")
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, clear).any(axis=1))


def _turns(points: Array, reach: int, closed: bool) -> Array:
    """Angle (N,) between the chords before and after each point; at the ends of an open shape the chords are shorter."""
    index = np.arange(len(points))
    low, high = index - reach, index + reach
    low, high = (low % len(points), high % len(points)) if closed else (np.maximum(low, 0), np.minimum(high, len(points) - 1))
    before, after = points - points[low], points[high] - points
    return np.asarray(np.arctan2(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(axis=1)))
