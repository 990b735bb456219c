"""What an opening is: a round hole, an oval one, one drilled twice, a slot, or a cut-out; and its figures."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.optimize import least_squares

from holeinspect.edges.circle import Circle, fit_circle
from holeinspect.edges.contours import (
    Arc,
    Round,
    Straight,
    arc_fit,
    px_per_mm,
    round_fit,
    straight_fit,
    wall_may_follow,
)
from holeinspect.edges.lockstep import Fit, both, side_by_side
from holeinspect.edges.outline import Edge, edges_fit
from holeinspect.edges.profiles import sample
from holeinspect.edges.stretches import View
from holeinspect.measured import Array

Shape = Literal["round", "oval", "twice drilled", "slot"]

LEAST_POINTS = 8
"""Fewer visible contour points are no opening."""
ROUND_MISFIT = 0.10
"""RMS of the rough contour from a circle, over the radius, beyond which an opening is not round."""
ROUND_MISFIT_PX = 1.6
OPEN_SHARE = 0.3
"""Shift of the two rims over the radius up to which an opening shows its whole shape."""
LEAST_CORNERS, MOST_CORNERS = 3, 6
CORNERED_PX, CORNERED_SHARE = 2.0, 0.025
"""Swing of a rough contour, px and over its radius, from which it has corners (a square 0.10 of its radius, a hexagon
0.035)."""
SLOT_MISFIT_PX = 1.8
"""RMS of the rough contour from a stadium, px, up to which a long opening is a slot."""
SLOT_LEAST_ASPECT = 1.15
LEAST_UPPER_SHARE = 0.3
SAME_START_PX = 1.5
LENS_ASPECT = 0.95
"""Width over breadth of what is seen through a hole up to which it is no circle (0.99 to 1.03 on renders of whole ones)."""
LENS_DIRECTIONS, LENS_STEP_PX, LENS_PAST_PX = 36, 0.5, 8
"""Directions in which its border is looked for, distance of samples, and how many of the last tell the face."""
LEAST_APART_PX = 1.0
"""Rims less apart than this make no lens."""
OVAL_LEAST_MM = 0.10
"""Smaller differences of longest and shortest diameter are within what a photo can tell."""
OVAL_LEAST_SIGMA = 4.0
LARGEST_FASTENER_MM = 13.0
"""Round openings beyond a half-inch bolt's hole are lightening holes: edges, not holes for a fastener."""


@dataclass(frozen=True, slots=True)
class Opening:
    """A measured opening.

    rim: the circle through it (for a slot: its wider end; None for cut-outs). shape: None for a cut-out.
    axes_mm: longest and shortest diameter, or length and width. ends_mm: the two centres of a slot or of a hole drilled
    twice. edges: of a cut-out.
    """

    shape: Shape | None
    rim: Round | None
    axes_mm: tuple[float, float] | None = None
    ends_mm: tuple[Array, Array] | None = None
    edges: tuple[Edge, ...] = ()

    @property
    def is_hole(self) -> bool:
        """Whether a fastener may go through it."""
        return self.shape is not None and self.rim is not None and 2 * self.rim.radius <= LARGEST_FASTENER_MM


def opening_fit(view: View, points_mm: Array, visible: Array) -> Fit[Opening | None]:
    """An opening by its rough contour (N, 2) mm, metal on the left. None when it is no opening after all."""
    if visible.sum() < LEAST_POINTS:
        return None
    scale = px_per_mm(view, points_mm[visible].mean(axis=0))
    # No circle passes for a long slot: the best one is nearly a straight line.
    rough = fit_circle(points_mm[visible], np.ones(int(visible.sum())))
    if isinstance(rough, Circle) and _looks_round(view, rough, points_mm[visible], scale):
        rim = yield from _best_rim_fit(view, _starts(view, rough, points_mm[visible], scale))
        if rim is not None:
            return _round_or_not(rim)
    slot = _slot(points_mm[visible])
    if slot is not None and slot.misfit * scale < SLOT_MISFIT_PX:
        measured = yield from _slot_fit(view, slot)
        if measured is not None:
            return measured
    edges = yield from edges_fit(view, points_mm, visible)
    return Opening(None, None, edges=tuple(edges))


def _looks_round(view: View, rough: Circle, points_mm: Array, scale: float) -> bool:
    misfit = float(np.sqrt(np.mean(rough.deviations(points_mm) ** 2)))
    if misfit > max(ROUND_MISFIT * rough.radius, ROUND_MISFIT_PX / scale):
        return False
    # What is left of a hole half hidden behind its wall is a lens with two corners of its own.
    hidden = float(np.hypot(*_rims_apart(view, rough.centre)))
    return bool(hidden > OPEN_SHARE * rough.radius or not _cornered(rough, points_mm, scale))


def _rims_apart(view: View, centre: Array) -> Array:
    """Shift (2,) mm of an opening's two rims against each other, as the camera sees them."""
    x, y, height = view.camera.centre
    return np.asarray(view.plate.thickness_mm / (height - view.plate.top_mm) * (centre - (x, y)))


def _cornered(rough: Circle, points_mm: Array, scale: float) -> bool:
    """Whether a contour swings three to six times round about its circle: a window with corners, not a hole.

    A wall taken for backdrop, or an oval, swings twice; noise and burrs swing more often and less.
    """
    angles = np.arctan2(*(points_mm - rough.centre).T[::-1])
    waves = np.array([f(k * angles) for k in range(1, MOST_CORNERS + 1) for f in (np.cos, np.sin)])
    swing, *_ = np.linalg.lstsq(np.column_stack([np.ones(len(angles)), *waves]), rough.deviations(points_mm), rcond=None)
    largest = np.hypot(swing[1::2], swing[2::2])[LEAST_CORNERS - 1 :].max()
    return bool(largest > max(CORNERED_PX / scale, CORNERED_SHARE * rough.radius))


def _starts(view: View, rough: Circle, points_mm: Array, scale: float) -> list[Circle]:
    """Circles to start from: through the whole rough contour, and through its upper rim alone where they differ.

    Behind a dark wall the finder cannot always tell the lower rim from the upper; the near side is safe.
    """
    toward = points_mm - rough.centre
    upper = -(toward * (points_mm - view.camera.centre[:2])).sum(axis=1) > 0
    if upper.sum() < max(8, LEAST_UPPER_SHARE * len(upper)):
        return [rough]
    near = fit_circle(points_mm[upper], np.ones(int(upper.sum())))
    if not near or abs(near.radius - rough.radius) > 0.5 * rough.radius:
        return [rough]
    apart_px = scale * (np.hypot(*(near.centre - rough.centre)) + abs(near.radius - rough.radius))
    return [rough, near] if apart_px > SAME_START_PX else [rough]


def _best_rim_fit(view: View, starts: list[Circle]) -> Fit[Round | None]:
    """The rim that explains the light best of those that stay near their starts.

    What is seen through a hole may pass for the whole hole, its border for a dark wall's, where its true wall is lit: the far
    side is then tried behind one more wall.
    """
    rims = yield from _rims_fit(view, starts)
    if not rims or _is_lens(view, starts[0]) or wall_may_follow(view, starts[0].centre, starts[0].radius):
        rims += yield from _rims_fit(view, [_behind_wall(view, start) for start in starts])
    return min(rims, key=lambda rim: rim.fitted.front.misfit, default=None)


def _is_lens(view: View, circle: Circle) -> bool:
    """Whether the backdrop that is seen in a hole is narrower towards the camera's foot than across: cut by two rims."""
    apart = _rims_apart(view, circle.centre)
    shift_mm, scale = float(np.hypot(*apart)), px_per_mm(view, circle.centre)
    if shift_mm * scale < LEAST_APART_PX:
        return False
    step_mm = LENS_STEP_PX / scale
    at_mm = np.arange(0, circle.radius + shift_mm + LENS_PAST_PX * step_mm, step_mm)
    angles = 2 * np.pi * np.arange(LENS_DIRECTIONS) / LENS_DIRECTIONS
    along = apart / shift_mm
    towards = np.column_stack([np.cos(angles), np.sin(angles)])
    directions = towards @ np.array([along, [-along[1], along[0]]])
    points = circle.centre + at_mm[:, None] * directions[:, None]
    px = view.camera.project(np.insert(points.reshape(-1, 2), 2, view.plate.top_mm, axis=1))
    light = sample(view.light, px).reshape(points.shape[:2])
    within, face = np.nanmedian(light[:, at_mm < circle.radius / 2]), np.nanmedian(light[:, -LENS_PAST_PX:])
    past = np.abs(light - within) > 0.5 * abs(face - within)
    if not past.any(axis=1).all():
        return False
    width, breadth = (at_mm[np.argmax(past, axis=1), None] * towards).std(axis=0)
    return bool(width < LENS_ASPECT * breadth)


def _rims_fit(view: View, starts: list[Circle]) -> Fit[list[Round]]:
    """The rims found from starts that stay near them."""
    fitted = yield from side_by_side([round_fit(view, start.centre, start.radius) for start in starts])
    return [rim for rim, start in zip(fitted, starts, strict=True)
            if rim is not None and _plausible(rim, start, px_per_mm(view, start.centre))]  # fmt: skip


def _behind_wall(view: View, seen_through: Circle) -> Circle:
    """The circle with its far side moved by the shift of the two rims against each other; the near side stays."""
    shift = _rims_apart(view, seen_through.centre)
    return replace(seen_through, centre=seen_through.centre + shift / 2,
                   radius=seen_through.radius + float(np.hypot(*shift)) / 2)  # fmt: skip


def _plausible(rim: Round, start: Circle, scale: float) -> bool:
    """Whether the fit stayed at the opening it was given."""
    reach = max(0.35 * start.radius, 6 / scale)
    return bool(abs(rim.radius - start.radius) < reach and np.hypot(*(rim.centre - start.centre)) < reach)


def _round_or_not(rim: Round) -> Opening:
    """Tell a round rim from an oval one and from two overlapping drillings, by the deviations from the circle."""
    front = rim.fitted.front
    noise = max(float(np.median(front.u_mm)), 0.2 * float(np.sqrt(np.mean(front.deviation_mm**2))), 1e-4)
    angles, deviation = rim.angles, rim.deviations_mm
    basis = np.column_stack([np.ones(len(angles)), np.cos(angles), np.sin(angles), np.cos(2 * angles), np.sin(2 * angles)])
    weights = 1 / np.hypot(front.u_mm, noise)
    solution, *_ = np.linalg.lstsq(basis * weights[:, None], deviation * weights, rcond=None)
    covariance = np.linalg.pinv((basis * weights[:, None] ** 2).T @ basis)
    swing = float(np.hypot(*solution[3:]))
    swing_u = float(np.sqrt(np.trace(covariance[3:, 3:]) / 2))
    if 4 * swing < OVAL_LEAST_MM or swing < OVAL_LEAST_SIGMA * swing_u:
        return Opening("round", rim)
    points = rim.centre + (rim.radius + deviation)[:, None] * np.column_stack([np.cos(angles), np.sin(angles)])
    return _oval(rim, points, weights, np.arctan2(solution[4], solution[3]) / 2, swing)


def _oval(rim: Round, points: Array, weights: Array, axis: float, swing: float) -> Opening:
    """Compare an ellipse with two circles of one radius; name the one that fits better."""
    along = np.array([np.cos(axis), np.sin(axis)])

    def twice(x: Array) -> Array:
        ends = (x[:2], x[2:4])
        return np.asarray(np.min([np.hypot(*(points - end).T) for end in ends], axis=0) - x[4]) * weights

    def ellipse(x: Array) -> Array:
        turned = (points - x[:2]) @ np.array([[np.cos(x[4]), -np.sin(x[4])], [np.sin(x[4]), np.cos(x[4])]])
        angle = np.arctan2(turned[:, 1] / x[3], turned[:, 0] / x[2])
        on = np.column_stack([x[2] * np.cos(angle), x[3] * np.sin(angle)])
        normal = np.column_stack([np.cos(angle) / x[2], np.sin(angle) / x[3]])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        return np.asarray(((turned - on) * normal).sum(axis=1)) * weights

    two = least_squares(twice, np.concatenate([rim.centre - 2 * swing * along, rim.centre + 2 * swing * along,
                                               [rim.radius - swing]]), loss="soft_l1")  # fmt: skip
    one = least_squares(ellipse, [*rim.centre, rim.radius + swing, rim.radius - swing, axis], loss="soft_l1")
    if two.cost < one.cost:
        first, second, radius = two.x[:2], two.x[2:4], float(two.x[4])
        apart = float(np.hypot(*(second - first)))
        drilled = Round((first + second) / 2, radius, True, rim.fitted)
        return Opening("twice drilled", drilled, (2 * radius + apart, 2 * radius), (first, second))
    axes = sorted((2 * abs(float(one.x[2])), 2 * abs(float(one.x[3]))), reverse=True)
    return Opening("oval", rim, (axes[0], axes[1]))


@dataclass(frozen=True, slots=True)
class _Stadium:
    first: Array
    second: Array
    radius: float
    misfit: float


def _slot(points: Array) -> _Stadium | None:
    """Least-squares stadium through contour points (N, 2) mm; None when the opening is not long."""
    middle = points.mean(axis=0)
    _, spread, axes = np.linalg.svd(points - middle, full_matrices=False)
    at, across = ((points - middle) @ axes.T).T
    width, length = np.ptp(across), np.ptp(at)
    if length < SLOT_LEAST_ASPECT * width or spread[1] == 0:
        return None
    half = (length - width) / 2

    def distance(x: Array) -> Array:
        way = x[2:4] - x[:2]
        share = np.clip((points - x[:2]) @ way / max(way @ way, 1e-12), 0, 1)
        return np.asarray(np.hypot(*(points - x[:2] - share[:, None] * way).T) - x[4])

    start = np.concatenate([middle - half * axes[0], middle + half * axes[0], [width / 2]])
    fit = least_squares(distance, start, loss="soft_l1", f_scale=0.05)
    misfit = float(np.sqrt(np.mean(distance(fit.x) ** 2)))
    return _Stadium(fit.x[:2], fit.x[2:4], float(fit.x[4]), misfit)


def _slot_fit(view: View, slot: _Stadium) -> Fit[Opening | None]:
    """A slot by its round ends and its straight sides; its width is that of the sides. None when no end is seen."""
    way = slot.second - slot.first
    along = way / max(float(np.hypot(*way)), 1e-9)
    ends, sides = yield from both(
        side_by_side([_end_fit(view, slot.first, slot.radius, -along), _end_fit(view, slot.second, slot.radius, along)]),
        _sides_fit(view, slot),
    )
    seen = [end for end in ends if end is not None]
    if not seen:
        return None
    first, second = (at if end is None else end.centre for at, end in zip((slot.first, slot.second), ends, strict=True))
    radius = float(np.mean([end.radius for end in seen]))
    middles = [(side.start + side.end) / 2 for side in sides]
    apart = abs(float((middles[0] - middles[1]) @ sides[0].out)) if len(sides) == 2 else np.inf
    # A straight side may take its dark wall for backdrop; the round ends do not, and are as wide.
    if abs(apart - 2 * radius) < SAME_WIDTH_MM:
        radius = apart / 2
        shift = ((middles[0] + middles[1]) / 2 - (first + second) / 2) @ sides[0].out * sides[0].out
        first, second = first + shift, second + shift
    rim = Round((first + second) / 2, radius, True, seen[0].fitted)
    return Opening("slot", rim, (float(np.hypot(*(second - first))) + 2 * radius, 2 * radius), (first, second))


SLOT_END_RAD = np.radians(75)
"""Half the angle of a slot's end that is fitted: short of where the straight sides begin."""
LEAST_SIDE_MM = 1.0
SAME_WIDTH_MM = 0.1
"""Sides farther than this from the width of the round ends are not the slot's."""


def _end_fit(view: View, centre: Array, radius: float, outwards: Array) -> Fit[Arc | None]:
    angle = float(np.arctan2(outwards[1], outwards[0]))
    end = yield from arc_fit(view, centre, radius, angle - SLOT_END_RAD, angle + SLOT_END_RAD, bulges=False)
    if end is None or np.hypot(*(end.centre - centre)) > 0.5 * radius:
        return None
    return end


def _sides_fit(view: View, slot: _Stadium) -> Fit[list[Straight]]:
    way = slot.second - slot.first
    length = float(np.hypot(*way))
    if length <= LEAST_SIDE_MM:
        return []
    across = slot.radius * np.array([-way[1], way[0]]) / length
    start, end = slot.first + 0.1 * way, slot.second - 0.1 * way
    sides = yield from side_by_side(
        [straight_fit(view, start + out, end + out, -out / slot.radius) for out in (across, -across)]
    )
    return [side for side in sides if side is not None]
