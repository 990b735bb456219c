"""What the phone did to the light: blur, tone curve and sharpening, told from the mat's own edges and undone again.

A phone's picture is modelled as

    out = w + u·(w - G_r * w),   w = T(srgb(E)),   T(v) = v + a·sin(2π(v - 1/2))/(2π) + b·v·(1 - v)

with E the light after the lens's Gaussian blur, T the tone curve (a: contrast, b: brightness of the middle), u and r the
amount and radius of the sharpening. The printed edges, thousands of profiles across known straight steps, determine
all of it; the sharpening is then taken off and the curve inverted, so that every later step works in linear light.
Method and limits: DEVELOPERS.md, "Light".
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares

from holeinspect.edges.light import linear_from_srgb, srgb_from_linear
from holeinspect.edges.profiles import gaussian_step
from holeinspect.measured import Array
from holeinspect.scale.sides import SeenSides

LEVEL_GROUPS = 10
"""Groups of boundaries by brightness: each has its own levels, and different levels tell the curve from the sharpening."""
BIN_PX = 0.25
GRID_PX = 0.125
"""Step of the grid on which the model is worked out."""
GRID_MARGIN_PX = 8.0
"""The grid runs this far beyond the data, farther than any sharpening reaches."""
LEAST_BLOCKS = 12
"""Fewer boundaries than this say nothing reliable about the curve."""
CODE_NOISE = 0.001
"""Standard uncertainty of a binned profile (code values)."""
LEVEL_U = 0.005
"""Standard uncertainty of the outermost samples as a boundary's levels (code values): halos reach there."""
TAIL_WIDTH = 3.0
"""Width of the lens's glow round an edge, as a multiple of the blur: a second, wider Gaussian."""
PRIOR_CENTRE = np.array([0.1, 0.0, 0.3, 1.2, 0.0])
PRIOR_U = np.array([0.2, 0.15, 0.4, 0.4, 0.1])
"""Priors of contrast, brightness, amount, radius (px) and tail: the range of phones' defaults, from memory."""
LOWER = np.array([-0.4, -0.4, 0.0, 0.6, 0.0])
UPPER = np.array([0.8, 0.4, 2.0, 2.5, 0.5])
TABLE_SIZE = 4096
UNSHARPEN_TERMS = 4
"""Terms of the series that takes the sharpening off; at u = 1 the rest is below 1/32 of the halo."""


@dataclass(frozen=True, slots=True)
class Tone:
    """The phone's curve and sharpening.

    tail: share of the lens's glow in its blur. sigma_px: the blur in linear light. misfit: RMS of what the model leaves
    over of the mat's edge profiles, code values.
    """

    contrast: float
    brightness: float
    amount: float
    radius_px: float
    tail: float
    sigma_px: float
    misfit: float

    def curve(self, code: Array) -> Array:
        """T: file code values from plain sRGB code values."""
        swing = np.sin(2 * np.pi * (code - 0.5)) / (2 * np.pi)
        return np.asarray(code + self.contrast * swing + self.brightness * code * (1 - code))

    def light(self, code: Array) -> Array:
        """Linear light from unsharpened file code values, any shape: the inverse of the curve and of sRGB."""
        srgb = np.linspace(-0.2, 1.2, 3000)
        rising = np.maximum.accumulate(self.curve(srgb)) + 1e-9 * np.arange(len(srgb))
        return linear_from_srgb(np.interp(code, rising, srgb))

    def step(self, x_px: Array) -> Array:
        """A unit step as the lens blurs it, in linear light."""
        glow = self.tail * gaussian_step(x_px, TAIL_WIDTH * self.sigma_px)
        return np.asarray((1 - self.tail) * gaussian_step(x_px, self.sigma_px) + glow)

    def sharpen(self, w: Array, step_px: float) -> Array:
        """Sharpening of profiles (..., M) sampled every step_px."""
        blurred = gaussian_filter1d(w, self.radius_px / step_px, axis=-1, mode="nearest")
        return np.asarray(w + self.amount * (w - blurred))

    def unsharpen(self, luma: Array) -> Array:
        """The picture (H, W) before sharpening: (1/(1+u))·Σ (u/(1+u))^k G^k * luma, last term completing the sum."""
        if self.amount < 1e-3:
            return luma
        share = self.amount / (1 + self.amount)
        total, blurred = luma.astype(np.float32, copy=True), luma
        for k in range(1, UNSHARPEN_TERMS + 1):
            blurred = cv2.GaussianBlur(blurred, (0, 0), self.radius_px, borderType=cv2.BORDER_REPLICATE)
            last = k == UNSHARPEN_TERMS
            total += (share**k / (1 - share) if last else share**k) * blurred
        return np.asarray(total * (1 - share))

    def restore(self, luma: Array) -> Array:
        """Linear light, float32, from code values (H, W)."""
        table = self.light(np.linspace(-0.1, 1.1, TABLE_SIZE)).astype(np.float32)
        return np.asarray(table[_table_index(self.unsharpen(luma))])


def _table_index(code: Array) -> Array:
    scaled = (code + 0.1) * ((TABLE_SIZE - 1) / 1.2) + 0.5
    return np.clip(scaled, 0, TABLE_SIZE - 1).astype(np.uint16)


PLAIN = Tone(0.0, 0.0, 0.0, 1.2, 0.0, 0.9, 0.0)
"""A file that is plain sRGB without sharpening."""


def fit_tone(seen: SeenSides, expected_px: Array) -> Tone:
    """The phone's curve, sharpening and blur from the boundaries seen on the mat.

    expected_px: (B,) where the adjusted camera expects each boundary along its profile; that the curve moves bright and
    dark boundaries differently is what tells it from the blur.

    With fewer than LEAST_BLOCKS usable boundaries the prior's middle is returned, with a misfit that says so.
    """
    if seen.usable.sum() < LEAST_BLOCKS:
        return Tone(*PRIOR_CENTRE, seen.sigma_px, misfit=0.05)
    x_px, codes, weights = _binned(seen, expected_px)
    start = np.concatenate([PRIOR_CENTRE, [np.clip(seen.sigma_px, 0.3, 6), 0.0]])
    start[:5] = np.clip(start[:5], LOWER + 1e-3, UPPER - 1e-3)
    fit = least_squares(
        _residuals, start, args=(x_px, codes, weights), x_scale=np.concatenate([PRIOR_U, [0.1, 0.1]]), max_nfev=60,
        bounds=(np.concatenate([LOWER, [0.25, -1.0]]), np.concatenate([UPPER, [8.0, 1.0]])))  # fmt: skip
    left_over = _residuals(fit.x, x_px, codes, weights)[: codes.size] * CODE_NOISE
    return replace(_tone(fit.x), misfit=float(np.sqrt(np.sum(left_over**2) / np.sum(weights))))


def _tone(x: Array) -> Tone:
    return Tone(*(float(v) for v in x[:6]), misfit=0.0)


def _residuals(x: Array, x_px: Array, codes: Array, weights: Array) -> Array:
    tone = _tone(x)
    model = model_profiles(tone, x_px, x[6], tone.light(codes[:, -3:].mean(1)), tone.light(codes[:, :3].mean(1)))
    left_over = _without_level_error(codes - model, model, weights)
    prior = (x[:5] - PRIOR_CENTRE) / PRIOR_U
    return np.concatenate([(np.sqrt(weights) * left_over / CODE_NOISE).ravel(), prior, [x[6] / 0.3]])


def _without_level_error(left_over: Array, model: Array, weights: Array) -> Array:
    """Residuals (G, M) less what slightly other levels explain, each level being known to LEVEL_U."""
    paper, black = model[:, :1], model[:, -1:]
    share = (model - black) / (paper - black)
    basis = np.stack([share, 1 - share], -1)
    normal = np.einsum("gmp,gmq->gpq", basis * weights[..., None], basis) + (CODE_NOISE / LEVEL_U) ** 2 * np.eye(2)
    levels = np.linalg.solve(normal, np.einsum("gmp,gm->gp", basis, weights * left_over)[..., None])[..., 0]
    return np.asarray(left_over - np.einsum("gmp,gp->gm", basis, levels))


def model_profiles(tone: Tone, x_px: Array, place_px: float, black: Array, paper: Array) -> Array:
    """Code profiles (G, M) that the phone makes of straight steps from paper (left) to black, levels (G,) in light."""
    reach = np.abs(x_px).max() + GRID_MARGIN_PX
    grid = np.arange(-reach, reach + GRID_PX, GRID_PX)
    light = paper[:, None] + (black - paper)[:, None] * tone.step(grid - place_px)
    out = np.clip(tone.sharpen(tone.curve(srgb_from_linear(light)), GRID_PX), 0, 1)
    at = (x_px - grid[0]) / GRID_PX
    left = at.astype(int)
    return np.asarray(out[:, left] + (at - left) * (out[:, left + 1] - out[:, left]))


def _binned(seen: SeenSides, expected_px: Array) -> tuple[Array, Array, Array]:
    """Oversampled mean profiles: bin centres (M,) px, code values (G, M), weights (G, M) (0 where a bin is empty)."""
    rows = np.flatnonzero(seen.usable)
    rows = rows[np.argsort(seen.profiles[rows, 0])]
    edges = np.arange(seen.x_px[0] + 0.5, seen.x_px[-1] - 0.5 + BIN_PX, BIN_PX)
    groups = [_bin_group(seen, expected_px, group, edges) for group in np.array_split(rows, LEVEL_GROUPS)]
    codes, counts = (np.stack(part) for part in zip(*groups, strict=True))
    weights = np.minimum(counts / np.maximum(np.median(counts), 1), 1)
    return (edges[:-1] + edges[1:]) / 2, codes, weights


def _bin_group(seen: SeenSides, expected_px: Array, rows: Array, edges: Array) -> tuple[Array, Array]:
    """Mean profile of some boundaries, each brought to the group's common levels, and the count of samples a bin."""
    profiles = seen.profiles[rows]
    paper, black = profiles[:, :3].mean(1), profiles[:, -3:].mean(1)
    levelled = (profiles - black[:, None]) / (paper - black)[:, None]
    levelled = black.mean() + levelled * (paper.mean() - black.mean())
    x = (seen.x_px - expected_px[rows][:, None]).ravel()
    count, _ = np.histogram(x, edges)
    total, _ = np.histogram(x, edges, weights=levelled.ravel())
    centred, _ = np.histogram(x, edges, weights=x)
    mean = total / np.maximum(count, 1)
    # A bin's samples are not spread evenly: move each mean from where they lie to the bin's middle.
    drift = (edges[:-1] + edges[1:]) / 2 - centred / np.maximum(count, 1)
    return mean + np.gradient(mean, edges[1] - edges[0]) * np.where(count > 0, drift, 0), count
