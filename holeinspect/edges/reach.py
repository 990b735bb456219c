"""How far a burr reaches off a clean sharp rim, from the whole light across it.

Where the contour is drawn, at one level of light, says little of a burr that is darker or brighter than the face. Here the
light at each point is taken as three steps, blurred: backdrop, burr, face. How far the burr reaches, how bright it is and how
wide its shaded root is on the face are unknown; every reach is tried, and what fits the light counts by how well it does
(the mean of the posterior, Gaussian noise, brightness integrated out).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from holeinspect.edges.trace import Trace
from holeinspect.measured import Array

REACH_STEP_MM, LONGEST_MM = 0.01, 0.6
"""Reaches that are tried; what reaches further is a chip."""
ROOTS_MM = (0.0, 0.03, 0.06, 0.09, 0.12)
ROOT_U_MM = 0.08
"""Widths of the root's shade on the face that are tried, and how unlikely wide ones are (ours)."""
BURR_LIGHT, BURR_LIGHT_U = 0.7, 0.25
"""Light of burrs over the face's, and its spread (ours: less than the face, as what leans away from the lamps)."""
LIGHT_NOISE = 0.04
"""Noise of a sample over the contrast: texture, facets of the burr and what the steps cannot hold (seen on renders)."""
FACE_MM = 0.15
"""Light deeper in the metal than this says nothing of a burr."""


@dataclass(frozen=True, slots=True)
class Reach:
    """By the points asked for: (K,) mm off the clean rim, and its standard uncertainty given the model."""

    mm: Array
    u_mm: Array


def reach(traced: Trace, rim_mm: Array, at: Array) -> Reach:
    """How far a burr reaches at some points of a traced contour.

    rim_mm: (N,) deviation of the clean rim, as in Trace. at: (K,) indices of points.
    """
    blur_px = traced.blur_mm * traced.px_per_mm
    x = (traced.x_px + rim_mm[at, None] * traced.px_per_mm) / blur_px
    tried_mm = np.arange(0, LONGEST_MM + REACH_STEP_MM / 2, REACH_STEP_MM)
    tip = ndtr(x[:, None] + tried_mm[:, None] / traced.blur_mm)
    weight = (x < FACE_MM / traced.blur_mm) / LIGHT_NOISE**2
    cost = np.stack([_cost(traced.share[at], weight, tip, ndtr(x - root / traced.blur_mm)) + (root / ROOT_U_MM) ** 2
                     for root in ROOTS_MM], -1)  # fmt: skip
    likely = np.exp((cost.min((1, 2), keepdims=True) - cost) / 2).sum(2)
    likely /= likely.sum(1, keepdims=True)
    mean = likely @ tried_mm
    return Reach(mean, np.sqrt((likely * (tried_mm - mean[:, None]) ** 2).sum(1)))


def _cost(light: Array, weight: Array, tip: Array, face: Array) -> Array:
    """Minus twice the logarithm of the likelihood (K, H) of each reach, the burr's brightness integrated out.

    light, weight, face: (K, M). tip: (K, H, M) step at the burr's tip.
    """
    burr, rest = tip - face[:, None], light - face
    information = np.einsum("khm,km->kh", burr**2, weight) + 1 / BURR_LIGHT_U**2
    agreement = np.einsum("khm,km->kh", burr, rest * weight) + BURR_LIGHT / BURR_LIGHT_U**2
    left_over = (rest**2 * weight).sum(1)[:, None] - agreement**2 / information
    return np.asarray(left_over + np.log(information))
