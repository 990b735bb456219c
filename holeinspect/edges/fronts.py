"""Where exactly the backdrop ends: a model of the light from backdrop to face, fitted to a whole rim or edge at once.

Stations along a contour are taken together in stretches of a few pixels. In each the light goes from the backdrop over
the wall (where it is seen) and the chamfer of the broken edge to the face, in steps that the lens blurs:

    L(x) = B + (F - B)·[w·Φ(x - p) + (c - w)·Φ(x - q) + (1 - c)·Φ(x - f)]

B and F are each stretch's own levels. w and c, the brightness of wall and chamfer relative to the face, vary slowly
round the contour (a constant and one harmonic). p, q and f, the limit and the ends of wall and chamfer, follow from the
geometry (rims.py) once the edges' break b and the shape are known. Shape, break, w and c are found together by
least squares on all samples (adjustment.py); that the rim is round, or the edge straight, is what tells a dark wall
from the backdrop.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holeinspect.edges.adjustment import (
    BREAK_AT,
    CHAMFER,
    MODEL_NOISE,
    WALL,
    Adjustment,
    Start,
    begun,
)
from holeinspect.edges.stretches import STEP_PX
from holeinspect.measured import Array


@dataclass(frozen=True, slots=True)
class Front:
    """A fitted contour.

    shape: (Q,) mm, change of the shape's parameters. break_mm: of the edges. covariance: (Q + 1, Q + 1) of both, mm².
    deviation_mm: (K,) of each stretch from the shape along the normal, positive into the metal. u_mm: (K,) its noise.
    contrast: (K,) face less backdrop. used: (K,) bool, False for outliers. noise2: (K,) mean squared
    misfit of the profiles, over samples (K,) samples each. scale: (K,) rough contrast. penalty: weighted squares of
    priors and pseudo-observations. wall, chamfer: median brightness, 0 like the backdrop, 1 like the face.
    """

    shape: Array
    break_mm: float
    covariance: Array
    deviation_mm: Array
    u_mm: Array
    contrast: Array
    used: Array
    noise2: Array
    samples: Array
    scale: Array
    penalty: float
    wall: float
    chamfer: float

    @property
    def misfit(self) -> float:
        """Weighted squares per stretch used, comparable between fits that start in different places."""
        noise2 = self.noise2 / (MODEL_NOISE * self.scale) ** 2
        return float((STEP_PX * self.samples * noise2)[self.used].sum() + self.penalty) / max(int(self.used.sum()), 1)


def fit_fronts(starts: Sequence[Start]) -> list[Front]:
    """Fit shape, break, and brightness of wall and chamfer of each contour to all its stretches."""
    if not starts:
        return []
    fits = Adjustment.of_starts(starts)
    theta, used, fits, light = fits.fitted(begun(starts, fits.c.expected))
    state = fits.levelled(light)
    samples = np.maximum(fits.s.use.sum(axis=1), 1)
    everywhere = fits.reweighed(state, np.ones(len(used), bool))
    deviation, u = everywhere.deviations(everywhere.levelled(light))
    noise2 = state.squares / samples
    covariance, penalty = np.linalg.inv(fits.normal(theta, state)[0]), fits.penalty(theta, state, used)
    wall, chamfer = (fits.medians(state.brightness(level), used) for level in (WALL, CHAMFER))
    fronts = []
    for i, (start, own) in enumerate(zip(starts, fits.slices(), strict=True)):
        q = start.design.shape[1]
        known = [*range(q), BREAK_AT]
        fronts.append(Front(
            theta[i, :q], float(theta[i, BREAK_AT]), covariance[i][np.ix_(known, known)], deviation[own], u[own],
            state.contrast[own], used[own], noise2[own], samples[own], fits.s.scale[own], float(penalty[i]),
            float(wall[i]), float(chamfer[i])))  # fmt: skip
    return fronts


def gain_over(first: Front, second: Front) -> float:
    """How much better the second reading explains the light than the first: fall of weighted squares per stretch.

    Both are weighed alike, by the smaller misfit of the two in each stretch.
    """
    both = first.used & second.used
    noise2 = np.minimum(first.noise2, second.noise2) + (MODEL_NOISE * first.scale) ** 2
    fall = (STEP_PX * first.samples * (first.noise2 - second.noise2) / noise2)[both].sum()
    return float(fall + first.penalty - second.penalty) / max(int(both.sum()), 1)
