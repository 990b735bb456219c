"""The outside of a round part by its silhouette alone: for faces that are no plain surface, such as a coin's.

The front model (fronts.py) explains the light of a plain face, its wall and its broken edge. Relief, worn borders and hard
shadows are beyond it; there the outermost strong step round the part is taken, and its spread counts as form.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from holeinspect.edges.contours import Fitted, Round, circle_stations, px_per_mm
from holeinspect.edges.fronts import Front
from holeinspect.edges.light import srgb_from_linear
from holeinspect.edges.rims import Plate, see
from holeinspect.edges.stretches import Look, View, take_stretches
from holeinspect.measured import Array
from holeinspect.scale.steps import (
    ROUNDED_MEAN,
    ROUNDED_SHARE,
    ROUNDED_U,
    SHADOW_MEAN,
    SHADOW_U,
    STATIONS,
    edge_places,
    shadow_px,
)

STRETCHES = 60
SEARCH_SHARE, SEARCH_LEAST_PX = 0.08, 6.0
"""How far about the rough circle the edge is looked for, over its radius, and at least; half of it once it is found."""
BAND_SHARE = 0.16
"""Widest shadow looked for beside the edge, over the radius."""
PASSES = 3
TUKEY = 4.685
LEAST_SEEN = 0.55
WORST_SHARE = 0.05
"""RMS departure from a circle, over the radius, beyond which this is no round part."""
INDEPENDENT = 8.0
"""Independent pieces that an outline's errors are worth: relief and light come in long stretches (ours)."""
NEAR_SIDE_SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Heights tried for the near side's outline, from the lower face to the upper."""
LARGEST_GROWTH = 1.3
COMMON_U_PX = 0.35
"""Standard uncertainty of the whole outline's place: relief, border and soft shadow blend into one edge (ours; photographs of
coins at 3 px/mm read up to a pixel large on either side)."""
HIDDEN_SHARE = 0.5
"""How likely a dark broken edge is taken for backdrop, nothing being known of it."""


@dataclass(frozen=True, slots=True)
class Silhouette:
    """The circle, and the standard uncertainty of its radius (mm) from its own form and from a shadow beside it."""

    round: Round
    form_u_mm: float


def fit_silhouette(view: View, centre: Array, rough_radius: float) -> Silhouette | None:
    """Fit a circle to the outermost strong steps near a first guess (mm). None when too little of it is seen, or not round.

    On the side towards the nadir the part ends at its lower rim, and where its wall is as bright as the backdrop it seems to
    end at its upper one: each height counts as much as the outline is round at it. The border's rounding is not seen.
    """
    code = srgb_from_linear(np.clip(view.light, 0, 1))
    t_mm = view.plate.thickness_mm
    plates = [Plate(view.plate.bottom_mm + share * t_mm, view.plate.top_mm) for share in NEAR_SIDE_SHARES]
    tried = [fit for plate in plates if (fit := _fit(replace(view, plate=plate), code, centre, rough_radius)) is not None]
    if not tried:
        return None
    best = min(tried, key=lambda fit: fit.rms_mm)
    if best.rms_mm > WORST_SHARE * best.radius:
        return None
    radii = np.array([fit.radius for fit in tried])
    # The likelihood of each height, for normal errors of a common size that is not known.
    likely = np.array([fit.rms_mm / best.rms_mm for fit in tried]) ** -INDEPENDENT
    likely /= likely.sum()
    rounded_mm = ROUNDED_SHARE * t_mm
    radius = float(likely @ radii) + ROUNDED_MEAN * rounded_mm
    height_u = float(np.sqrt(likely @ (radii - likely @ radii) ** 2))
    common_u = COMMON_U_PX / px_per_mm(view, best.centre)
    own_u = best.rms_mm / np.sqrt(INDEPENDENT)
    form_u = float(np.linalg.norm([own_u, best.shadow_u_mm, height_u, ROUNDED_U * rounded_mm, common_u]))
    return Silhouette(_as_round(best.view, best.centre, radius, best.used, best.off_mm), form_u)


@dataclass(frozen=True, slots=True)
class _Circle:
    """A circle with what it was seen by; off_mm: (K,) of the stretches used (K,) from it."""

    view: View
    centre: Array
    radius: float
    used: Array
    off_mm: Array
    shadow_u_mm: float

    @property
    def rms_mm(self) -> float:
        return float(np.sqrt(np.mean(self.off_mm[self.used] ** 2)))


def _fit(view: View, code: Array, centre: Array, radius: float) -> _Circle | None:
    for number in range(PASSES):
        stations = circle_stations(centre, radius, STRETCHES * STATIONS, opening=False)
        seen = see(view.camera, stations, view.plate, 0.0)
        reach = max(SEARCH_SHARE * radius * px_per_mm(view, centre) / (1 if number == 0 else 2), SEARCH_LEAST_PX)
        points, into = (part.reshape(STRETCHES, STATIONS, 2) for part in (seen.px, seen.into))
        edges = edge_places(code, points, -into, reach, BAND_SHARE * radius * px_per_mm(view, centre))
        per_mm, wall = (part.reshape(STRETCHES, STATIONS).mean(axis=1) for part in (seen.px_per_mm, seen.wall_px))
        # The part's own wall, seen on the near side, is no shadow.
        shadow = shadow_px(edges.band_px - wall)
        into_mm = -(edges.place_px - SHADOW_MEAN * shadow) / per_mm
        out = stations.out.reshape(STRETCHES, STATIONS, 2).mean(axis=1)
        change, used, off = _robust(np.column_stack([-out, np.full(STRETCHES, -1.0)]), into_mm, edges.seen)
        if used.mean() < LEAST_SEEN or not 0 < radius + change[2] < LARGEST_GROWTH * radius:
            return None
        centre, radius = centre + change[:2], float(radius + change[2])
    return _Circle(view, centre, radius, used, off, SHADOW_U * float(np.mean(shadow / per_mm)))


def _robust(design: Array, into_mm: Array, seen: Array) -> tuple[Array, Array, Array]:
    """Least squares with Tukey's weights: change (3,) of x, y and radius, which stretches it uses, what it leaves over."""
    weights = seen.astype(float)
    change, off = np.zeros(design.shape[1]), into_mm
    for _ in range(12):
        if (weights > 0).sum() < design.shape[1] + 3:
            return change, np.zeros(len(seen), bool), off
        root = np.sqrt(weights)
        change = np.linalg.lstsq(design * root[:, None], into_mm * root, rcond=None)[0]
        off = into_mm - design @ change
        spread = max(1.4826 * float(np.median(np.abs(off[seen]))), 1e-3)
        weights = np.where(seen, np.maximum(0, 1 - (off / (TUKEY * spread)) ** 2) ** 2, 0.0)
    return change, weights > 0.1, off


def _as_round(view: View, centre: Array, radius: float, used: Array, off_mm: Array) -> Round:
    """The circle with its budget's linear maps, as if it had been fitted to the light."""
    stations = circle_stations(centre, radius, STRETCHES * STATIONS, opening=False)
    stretch = np.arange(len(stations)) // STATIONS
    (stretches,) = take_stretches([Look(view, stations, stretch, STRETCHES, breaks=False)])
    whole = len(stretches) == STRETCHES
    used = used if whole else np.ones(len(stretches), bool)
    off_mm = off_mm if whole else np.zeros(len(stretches))
    design = np.column_stack([-stretches.out, np.full(len(stretches), -1.0)])
    noise = max(float(np.sqrt(np.mean(off_mm[used] ** 2))), 1e-4)
    u_mm = np.full(len(stretches), noise * np.sqrt(len(stretches) / INDEPENDENT))
    rows = design[used] / u_mm[used, None]
    covariance = np.zeros((4, 4))
    covariance[:3, :3] = np.linalg.inv(rows.T @ rows)
    ones = np.ones(len(stretches))
    front = Front(np.zeros(3), 0.0, covariance, off_mm, u_mm, ones, used, 0 * ones, ones, ones, 0.0, 0.0, 1.0)
    return Round(centre, radius, False, Fitted(np.zeros(3), 0.0, 0.0, HIDDEN_SHARE, covariance, front, stretches, design))
