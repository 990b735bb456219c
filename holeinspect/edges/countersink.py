"""The outer circle of a countersink: where, going out from a rim, its cone gives way to the face.

The cone shines unlike the face, darker on one side, brighter on the other, alike on two: the circle is where steps of the light,
whatever their sign, lie on one circle about the rim. It lies in the upper face; the bore's rim, at the cone's foot, lies below
it, and is measured there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from holeinspect.edges.circle import Circle, fit_circle
from holeinspect.edges.contours import Round, circle_stations, px_per_mm, round_fit
from holeinspect.edges.lockstep import settle
from holeinspect.edges.profiles import sample
from holeinspect.edges.rims import Plate, Stations, see
from holeinspect.edges.stretches import View
from holeinspect.measured import Array

DIRECTIONS = 120
FROM_MM, TO_MM, STEP_MM = 0.6, 3.2, 0.05
"""Where the outer circle is looked for, from the rim outwards: narrower rings are broken edges, wider ones no countersinks."""
BREAK_MM, BREAK_SIGMAS = 0.25, 3.0
"""Widest usual break of an edge, and reach of its blur in blur widths: steps so near to the rim are not counted."""
HALF_STEP_MM = 0.2
"""Light is averaged over this length before and after a step."""
SMOOTH_DIRECTIONS = 2.0
"""Sigma of the smoothing along the circle, in directions: passes over streaks."""
DARKEST_FACE = 1e-3
"""Linear light that a face is taken to have at least."""
LEAST_STEP = 0.05
"""Least step of the light over the face's that counts, and over what the backdrop is brighter than the face: a lens scatters
some of that over a dark face, which then pales outwards as a cone does (seen on simulated light tables)."""
TRIALS = 200
ON_CIRCLE_MM = 0.1
"""Steps this near to a circle are its own."""
LEAST_SHARE = 0.45
"""Share of the directions in which a countersink's circle must show: its cone is as bright as the face in some."""
LEAST_SIDES = 5
"""Of six sixths of the circle, how many must show it: a scratch or an ink line beside the hole does not go round."""
LARGEST_SHIFT_MM = 0.7
"""Of the outer circle against the bore as first measured, in the upper face."""
PLACE_U_MM = 0.02
"""Standard uncertainty of the outer radius beyond the scatter of its points, where it is seen all round (seen on renders)."""
LEAST_WALL_MM = 0.05
"""Of a bore below a countersink that goes through."""


@dataclass(frozen=True, slots=True)
class Countersink:
    """centre: (2,) mm of the outer circle, in the upper face. radius_mm: its radius, u_mm. seen_share: of the directions.

    depth_mm: of the cone, from the stated angle. bore: the rim at its foot.
    """

    centre: Array
    radius_mm: float
    u_mm: float
    seen_share: float
    depth_mm: float
    bore: Round

    def below(self, view: View) -> View:
        """The view of the plate as far as the foot of the cone."""
        return _below(view, self.depth_mm)


def find_countersinks(views: Sequence[View], rims: Sequence[Round], angle_deg: float) -> list[Countersink | None]:
    """The countersinks of some rims of one plate, None where there is none. angle_deg: included angle of the cutter."""
    outers = [_outer(rim, steps, BREAK_MM + HALF_STEP_MM + BREAK_SIGMAS * view.blur.core / px_per_mm(view, rim.centre))
              for view, rim, steps in zip(views, rims, _steps(views, rims), strict=True)]  # fmt: skip
    slope = float(np.tan(np.radians(angle_deg) / 2))
    return [None if outer is None else _measured(view, rim, outer, slope)
            for view, rim, outer in zip(views, rims, outers, strict=True)]  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Outer:
    circle: Circle
    seen_share: float


def _steps(views: Sequence[View], rims: Sequence[Round]) -> list[Array]:
    """For each rim (DIRECTIONS, M): step of the light over the face's, at each distance out from the rim in the upper face."""
    if not rims:
        return []
    view = views[0]
    around = [circle_stations(rim.centre, rim.radius, DIRECTIONS) for rim in rims]
    stations = Stations(*(np.concatenate([getattr(one, name) for one in around]) for name in ("points_mm", "out", "bend")))
    seen = see(view.camera, stations, Plate(view.plate.top_mm, view.plate.top_mm), 0.0)
    at_mm = np.arange(FROM_MM - HALF_STEP_MM, TO_MM + HALF_STEP_MM + STEP_MM / 2, STEP_MM)
    places = seen.px[:, None] + (at_mm * seen.px_per_mm[:, None])[..., None] * seen.into[:, None]
    light = np.nan_to_num(sample(view.light, places)).reshape(len(rims), DIRECTIONS, len(at_mm))
    smooth = gaussian_filter1d(light, SMOOTH_DIRECTIONS, axis=1, mode="wrap")
    sums = np.cumsum(np.pad(smooth, ((0, 0), (0, 0), (1, 0))), axis=2)
    reach = round(HALF_STEP_MM / STEP_MM)
    rise = (sums[..., 2 * reach :] - 2 * sums[..., reach:-reach] + sums[..., : -2 * reach]) / reach
    face = np.maximum(np.median(light[..., len(at_mm) // 2 :], axis=(1, 2)), DARKEST_FACE)
    behind = np.array([max(0.0, -float(np.median(rim.fitted.front.contrast))) for rim in rims])
    return list(rise / (face + behind)[:, None, None])


def _outer(rim: Round, steps: Array, from_mm: float) -> _Outer | None:
    """The circle on which the greatest steps lie, if enough of them do; none nearer than from_mm to the rim."""
    distance = FROM_MM + STEP_MM * np.arange(steps.shape[1])
    strength = np.where(distance >= from_mm, np.abs(steps), 0)
    at = distance[np.argmax(strength, axis=1)]
    strong = strength.max(axis=1) > LEAST_STEP
    if strong.mean() < LEAST_SHARE:
        return None
    angle = 2 * np.pi * (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS
    design = np.column_stack([np.ones(DIRECTIONS), np.cos(angle), np.sin(angle)])
    on = _agreeing(design, at, strong)
    if on is None or on.mean() < LEAST_SHARE or len(np.unique(angle[on] // (np.pi / 3))) < LEAST_SIDES:
        return None
    points = rim.centre + (rim.radius + at[on])[:, None] * design[on, 1:]
    circle = fit_circle(points, np.full(int(on.sum()), ON_CIRCLE_MM / 2))
    if not circle or np.hypot(*(circle.centre - rim.centre)) > LARGEST_SHIFT_MM:
        return None
    return _Outer(circle, float(on.mean()))


def _agreeing(design: Array, at: Array, strong: Array) -> Array | None:
    """Which steps lie on one circle: the best of TRIALS through three of them."""
    candidates = np.flatnonzero(strong)
    rng = np.random.default_rng(len(candidates))
    chosen = candidates[rng.integers(0, len(candidates), (TRIALS, 3))]
    matrices = design[chosen]
    usable = np.abs(np.linalg.det(matrices)) > 0.1
    if not usable.any():
        return None
    models = np.linalg.solve(matrices[usable], at[chosen[usable]][..., None])[..., 0]
    models = models[np.hypot(models[:, 1], models[:, 2]) < LARGEST_SHIFT_MM]
    if not len(models):
        return None
    near = (np.abs(models @ design.T - at) < ON_CIRCLE_MM) & strong
    return np.asarray(near[np.argmax(near.sum(axis=1))])


def _measured(view: View, rim: Round, outer: _Outer, slope: float) -> Countersink:
    """The bore measured anew at the cone's foot, whose depth follows from the two radii."""
    bore, depth_mm = rim, 0.0
    for _ in range(2):
        depth_mm = min((outer.circle.radius - bore.radius) / slope, view.plate.thickness_mm - LEAST_WALL_MM)
        bore = settle(round_fit(_below(view, depth_mm), outer.circle.centre, bore.radius)) or bore
    u_mm = float(np.hypot(PLACE_U_MM / outer.seen_share, np.sqrt(outer.circle.covariance[2, 2])))
    return Countersink(outer.circle.centre, outer.circle.radius, u_mm, outer.seen_share, depth_mm, bore)


def _below(view: View, depth_mm: float) -> View:
    return replace(view, plate=Plate(view.plate.bottom_mm, view.plate.top_mm - max(depth_mm, 0.0)))
