"""The Gaussian profile filter of ISO 16610-21 and the roundness parameters of ISO 12181-1.

The long-wave profile is the profile weighed by s(x) = exp(-π (x / (α λc))²) / (α λc), which passes 50 % of a wave as long
as the cut-off λc. Closed profiles wrap round; open ones, and both where stretches were not seen, take the weights that are
left and scale them to 1 (in the spirit of ISO 16610-28).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeinspect.measured import Array

ALPHA = float(np.sqrt(np.log(2) / np.pi))
"""0.4697: constant of the filter that makes the transmission at the cut-off 50 %."""
REACH = 1.0
"""The weights are cut off this many cut-offs away, where they are down to 1e-6 of the middle (annex A of ISO 16610-21)."""


def weight(x: Array, cutoff: float) -> Array:
    """The weighting function s(x), 1/length, of x and the cut-off in one unit of length."""
    return np.asarray(np.exp(-np.pi * (x / (ALPHA * cutoff)) ** 2) / (ALPHA * cutoff))


def transmission(wavelength: Array, cutoff: float) -> Array:
    """Share of a wave's amplitude that is left in the long-wave profile."""
    return np.asarray(np.exp(-np.pi * (ALPHA * cutoff / wavelength) ** 2))


def kernel(step: float, cutoff: float) -> Array:
    """Weights (2 n + 1,) of the points of an even profile about the middle one, summing to 1."""
    count = max(int(np.floor(REACH * cutoff / step)), 0)
    weights = weight(step * np.arange(-count, count + 1), cutoff)
    return np.asarray(weights / weights.sum())


@dataclass(frozen=True, slots=True)
class Filtered:
    """A long-wave profile (N,), and how much noise of independent points is left in it: (N,) share of their u.

    NaN where less than half of the weight had been seen.
    """

    values: Array
    noise: Array


LEAST_WEIGHT = 0.5


def long_wave(values: Array, step: float, cutoff: float, closed: bool) -> Filtered:
    """The long-wave profile of an even profile (N,), NaN where it was not seen. step, cutoff: in one unit of length.

    closed: the last point is followed by the first; the cut-off is the perimeter over the undulations per revolution.
    """
    weights = kernel(step, cutoff)
    reach = len(weights) // 2
    seen = np.isfinite(values)
    filled = np.where(seen, values, 0.0)
    if closed:
        wrapped = np.arange(-reach, len(values) + reach) % len(values)
        filled, seen = filled[wrapped], seen[wrapped]
    else:
        filled, seen = np.pad(filled, reach), np.pad(seen, reach)
    total = np.convolve(seen.astype(float), weights, "valid")
    squares = np.convolve(seen.astype(float), weights**2, "valid")
    enough = total >= LEAST_WEIGHT
    total = np.where(enough, total, np.nan)
    return Filtered(np.convolve(filled, weights, "valid") / total, np.sqrt(squares) / total)


@dataclass(frozen=True, slots=True)
class Roundness:
    """Departures from the least-squares reference circle (ISO 12181-1), mm: peak to valley, peak, depth of the valley, RMS."""

    ront: float
    ronp: float
    ronv: float
    ronq: float


def roundness(deviation_mm: Array) -> Roundness:
    """Of deviations (N,) from the least-squares circle, evenly spread, positive outwards; NaN left out."""
    seen = deviation_mm[np.isfinite(deviation_mm)]
    peak, valley = float(seen.max()), float(-seen.min())
    return Roundness(peak + valley, peak, valley, float(np.sqrt(np.mean(seen**2))))
