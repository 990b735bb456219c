"""The blur of a photo from the part's own edges, for photos whose reference has no printed edges that would tell it."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from holeinspect.edges.profiles import PROFILE_STEP_PX, fit_steps, sample_profiles
from holeinspect.edges.stretches import BILINEAR_VARIANCE_PX2
from holeinspect.find import Contour
from holeinspect.measured import Array

SIGMAS_PX = np.geomspace(0.4, 4.0, 14)
"""Blurs tried at each edge."""
REACH_PX = 7.0
NEIGHBOURS = 4
"""Points to either side that give a contour its direction."""
ENOUGH = 300
"""Profiles looked at."""
LARGEST_SHIFT_PX = 3.0
WORST_RMS_SHARE = 0.06
"""Misfit of a single step, over its height, beyond which there is a wall, a shadow or a scratch beside the edge."""
SHARPEST_SHARE = 0.3
"""Quantile that is the lens's blur: walls and broken edges only ever widen an edge."""
LEAST_EDGES = 30
SHARPEST_PX = 0.3
"""Sharper than this no lens is; pixels alone blur by 0.29 px."""


def blur_px(light: Array, contours: Iterable[Contour]) -> float | None:
    """Standard deviation (px) of the lens's blur along contours in linear light (H, W).

    None where too few clean edges are seen.
    """
    across = np.vstack([_across(contour) for contour in contours])
    across = across[:: max(1, len(across) // ENOUGH)]
    found = _blurs(light, across[:, :2], across[:, 2:])
    if len(found) < LEAST_EDGES:
        return None
    as_sampled = float(np.quantile(found, SHARPEST_SHARE))
    return float(np.sqrt(max(as_sampled**2 - BILINEAR_VARIANCE_PX2, SHARPEST_PX**2)))


def _across(contour: Contour) -> Array:
    """Points on the visible edges of a contour with unit normals, (N, 4) px."""
    way = np.roll(contour.points_px, -NEIGHBOURS, axis=0) - np.roll(contour.points_px, NEIGHBOURS, axis=0)
    length = np.hypot(*way.T)
    at = contour.edge & (length > 0)
    return np.column_stack([contour.points_px[at], way[at, 1] / length[at], -way[at, 0] / length[at]])


def _blurs(light: Array, points_px: Array, normals_px: Array) -> Array:
    """Blur (K,) of those edges at points (N, 2) that are one clean step."""
    x_px = np.arange(-REACH_PX, REACH_PX + PROFILE_STEP_PX / 2, PROFILE_STEP_PX)
    profiles = sample_profiles(light, points_px, normals_px, x_px)
    profiles = profiles[np.isfinite(profiles).all(axis=1)]
    fits = [fit_steps(x_px, profiles, sigma) for sigma in SIGMAS_PX]
    rms = np.array([fit.rms for fit in fits])
    best, row = np.argmin(rms, axis=0), np.arange(len(profiles))
    place, contrast = (np.array([getattr(fit, name) for fit in fits])[best, row] for name in ("place_px", "contrast"))
    clean = (np.abs(place) < LARGEST_SHIFT_PX) & (rms[best, row] < WORST_RMS_SHARE * np.abs(contrast))
    clean &= (best > 0) & (best < len(SIGMAS_PX) - 1)
    best, row = best[clean], row[clean]
    before, least, after = rms[best - 1, row], rms[best, row], rms[best + 1, row]
    # The vertex of the parabola through three misfits over the logarithm of the blur.
    shift = (before - after) / (2 * (before - 2 * least + after))
    return np.asarray(np.exp(np.log(SIGMAS_PX[best]) + np.clip(shift, -1, 1) * np.log(SIGMAS_PX[1] / SIGMAS_PX[0])))
