"""Smooth fields of colour: how ink, paper, card or table look under uneven light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from holeinspect.edges.light import srgb_from_linear
from holeinspect.measured import Array

NORMAL_MAD = 1.4826
"""Standard deviation over median absolute deviation of normal noise."""
TUKEY_REACH = 4.685
"""Deviation, in standard deviations, with no weight left: 95 % efficiency for normal noise (Huber, Robust
Statistics, 1981)."""
LEAST_NOISE_CODES = np.array([1.5, 1.2, 0.8])
"""Least standard deviations of the three tones, in steps of 8-bit code values: rounding, JPEG and its coarse colour."""
SRGB_POWER, SRGB_OFFSET = 2.4, 0.055  # IEC 61966-2-1
COARSE_PX = 16
"""Spacing at which a field is evaluated before it is interpolated."""
TRACE = 1e-6
"""Keeps the normal equations solvable when samples lie on one line; far below one sample's weight."""
PASSES = 8


@dataclass(frozen=True, slots=True, eq=False)
class Field:
    """Tones as polynomials in the picture, with noise.

    coefficients: (3, n, n) of x^i y^j at [channel, j, i], x and y from -1 to 1 across the picture.
    noise: (3,) standard deviation of each tone about the field. count: samples that carry the fit.
    """

    coefficients: Array
    noise: Array
    count: int

    def on_picture(self, size_px: tuple[int, int]) -> npt.NDArray[np.float32]:
        """The tones at every pixel, (h, w, 3) float32, interpolated from every COARSE_PX-th (cubics are smooth)."""
        x, y = (
            (np.arange(-(-count // COARSE_PX)) + 0.5) * COARSE_PX * 2 / (count - 1) - (count / (count - 1)) for count in size_px
        )
        powers = np.arange(self.coefficients.shape[1])
        coarse = np.einsum("yj,cji,xi->yxc", y[:, None] ** powers, self.coefficients, x[:, None] ** powers)
        width, height = len(x) * COARSE_PX, len(y) * COARSE_PX
        fine = cv2.resize(coarse.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
        return np.ascontiguousarray(fine[: size_px[1], : size_px[0]])

    def at(self, points_px: Array, size_px: tuple[int, int]) -> Array:
        """The tones (N, 3) at points (N, 2) px."""
        basis = _basis(points_px, size_px, self.coefficients.shape[1] - 1)
        return basis @ self.coefficients[:, *_exponents(self.coefficients.shape[1] - 1)].T


def _exponents(degree: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Exponents of y and of x of all terms up to the degree."""
    j, i = np.divmod(np.arange((degree + 1) ** 2), degree + 1)
    kept = i + j <= degree
    return j[kept], i[kept]


def _basis(points_px: Array, size_px: tuple[int, int], degree: int) -> Array:
    x, y = (2 * points_px[:, axis] / (size_px[axis] - 1) - 1 for axis in (0, 1))
    j, i = _exponents(degree)
    powers_x, powers_y = (np.vander(axis, degree + 1, increasing=True) for axis in (x, y))
    return np.asarray(powers_x[:, i] * powers_y[:, j])


def fit_field(points_px: Array, tones: Array, size_px: tuple[int, int], degree: int, start: Field | None = None) -> Field:
    """Robust field through samples: points (N, 2) px, tones (N, 3); the part may cover many of them.

    Without a start the medians are one. Iteratively reweighted least squares with Tukey's weights; a sample's weight
    comes from the worst of its three tones.
    """
    basis = _basis(points_px, size_px, degree)
    expected = np.median(tones, axis=0) if start is None else start.at(points_px, size_px)
    least = LEAST_NOISE_CODES * _code_step(float(np.median(expected[..., 0])))
    for _ in range(PASSES):
        deviation = tones - expected
        noise = np.maximum(NORMAL_MAD * np.median(np.abs(deviation), axis=0), least)
        if start is not None:
            noise = np.minimum(noise, 2 * start.noise)
        worst = np.max(np.abs(deviation) / noise, axis=1) / TUKEY_REACH
        weight = np.where(worst < 1, 1 - worst**2, 0)  # square root of Tukey's weight
        weighted = basis * weight[:, None] ** 2
        # Terms from -1 to 1 and a low degree: the normal equations are well conditioned once a trace is added.
        normal = weighted.T @ basis + TRACE * np.eye(basis.shape[1])
        solution = np.linalg.solve(normal, weighted.T @ tones)
        expected = basis @ solution
    coefficients = np.zeros((3, degree + 1, degree + 1))
    coefficients[:, *_exponents(degree)] = solution.T
    kept = worst < 1
    spread = NORMAL_MAD * np.median(np.abs((tones - expected)[kept]), axis=0) if kept.any() else noise
    return Field(coefficients, np.maximum(spread, least), int(kept.sum()))


def _code_step(log_light: float) -> float:
    """What one step of an 8-bit sRGB code value changes in the logarithm of light."""
    code = float(srgb_from_linear(np.exp(log_light)))
    return SRGB_POWER / (code + SRGB_OFFSET) / 255
