"""What the phone did to the light: blur, tone curve and sharpening, told from the mat's own edges and undone again.

A phone's picture is modelled as

    out = w + u·(w - G_r * w),   w = T(srgb(E)),   T(v) = v + a·sin(2π(v - 1/2))/(2π) + b·v·(1 - v)

with E the light after the lens's Gaussian blur, T the tone curve (a: contrast, b: brightness of the middle), u and r the
amount and radius of the sharpening. The printed edges, thousands of profiles across known straight steps, determine
all of it; the sharpening is then taken off and the curve inverted, so that every later step works in linear light.
Method and limits: DEVELOPERS.md, "Light".
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import convolve1d, gaussian_filter1d
from scipy.optimize import least_squares

from holeinspect.edges.light import linear_from_srgb, srgb_from_linear
from holeinspect.edges.profiles import gaussian_step
from holeinspect.measured import Array
from holeinspect.scale.sides import SeenSides

LEVEL_GROUPS = 10
"""Groups of boundaries round the mat, each with its own blur and levels; different levels tell curve from sharpening."""
GRID_PX = 0.125
"""Step of the grid on which the model is worked out."""
BILINEAR = np.bartlett(2 * round(1 / GRID_PX) + 1) * GRID_PX
"""What bilinear sampling at all phases does to a profile on the grid: a triangle, one pixel to either side."""
GRID_MARGIN_PX = 8.0
"""The grid runs this far beyond the data, farther than any sharpening reaches."""
LEAST_BLOCKS = 12
"""Fewer boundaries than this say nothing reliable about the curve."""
CODE_NOISE = 0.003
"""Standard uncertainty of a mean profile (code values)."""
LEVEL_U = 0.005
"""Standard uncertainty of the outermost samples as a boundary's levels (code values): halos reach there."""
TAIL_WIDTH = 3.0
"""Width of the lens's glow round an edge, as a multiple of the blur: a second, wider Gaussian."""
PRIOR_CENTRE = np.array([0.1, 0.0, 0.3, 1.2, 0.0])
PRIOR_U = np.array([0.2, 0.05, 0.4, 0.2, 0.05])
"""Priors of contrast, brightness, amount, radius (px) and tail: the range of phones' defaults, from memory. Brightness and
radius are held tighter than phones may differ: left free, a denoised picture drives them where edges shift by 0.2 px."""
LOWER = np.array([-0.4, -0.4, 0.0, 0.6, 0.0])
UPPER = np.array([0.8, 0.4, 2.0, 2.5, 0.5])
SIGMA_PX = (0.25, 8.0)
"""Bounds of the blur."""
PLACE_U_PX = 0.1
"""Prior of the boundaries' common place about where the camera expects them: ink spread."""
DIFFERENCE = 1e-4
TABLE_SIZE = 4096
UNSHARPEN_TERMS = 4
"""Terms of the series that takes the sharpening off; at u = 1 the rest is below 1/32 of the halo."""


@dataclass(frozen=True, slots=True)
class Tone:
    """The phone's curve and sharpening.

    tail: share of the lens's glow in its blur. sigma2_px2: (3,) the blur's variance in linear light, as a plane over the
    mat: constant, and change per mm in x and y (a tilted mat is not in focus everywhere). misfit: RMS of what the model leaves
    over of the mat's edge profiles, code values.
    """

    contrast: float
    brightness: float
    amount: float
    radius_px: float
    tail: float
    sigma2_px2: Array
    misfit: float

    def sigma_at(self, point_mm: Array) -> float:
        """Blur (px) at a point (2,) of the mat."""
        return float(np.sqrt(np.clip(self.sigma2_px2 @ [1, *point_mm], SIGMA_PX[0] ** 2, SIGMA_PX[1] ** 2)))

    def curve(self, code: Array) -> Array:
        """T: file code values from plain sRGB code values."""
        swing = np.sin(2 * np.pi * (code - 0.5)) / (2 * np.pi)
        return np.asarray(code + self.contrast * swing + self.brightness * code * (1 - code))

    def light(self, code: Array) -> Array:
        """Linear light from unsharpened file code values, any shape: the inverse of the curve and of sRGB."""
        srgb = np.linspace(-0.2, 1.2, 3000)
        rising = np.maximum.accumulate(self.curve(srgb)) + 1e-9 * np.arange(len(srgb))
        return linear_from_srgb(np.interp(code, rising, srgb))

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


PLAIN = Tone(0.0, 0.0, 0.0, 1.2, 0.0, np.array([0.8, 0.0, 0.0]), 0.0)
"""A file that is plain sRGB without sharpening."""


def fit_tone(seen: SeenSides, expected_px: Array) -> Tone:
    """The phone's curve, sharpening and blur from the boundaries seen on the mat.

    expected_px: (B,) where the adjusted camera expects each boundary along its profile; that the curve moves bright and
    dark boundaries differently is what tells it from the blur.
    With fewer than LEAST_BLOCKS usable boundaries the prior's middle is returned, with a misfit that says so.
    """
    if seen.usable.sum() < LEAST_BLOCKS:
        return unknown_tone(seen.sigma_px)
    x_px, codes, places_mm = _grouped(seen, expected_px)
    sigma = np.full(len(codes), np.clip(seen.sigma_px, 2 * SIGMA_PX[0], 0.9 * SIGMA_PX[1]))
    start = np.concatenate([np.clip(PRIOR_CENTRE, LOWER + 1e-3, UPPER - 1e-3), [0.0], sigma])
    bounds = (np.concatenate([LOWER, [-1.0], np.full(len(codes), SIGMA_PX[0])]),
              np.concatenate([UPPER, [1.0], np.full(len(codes), SIGMA_PX[1])]))  # fmt: skip
    scale = np.concatenate([PRIOR_U, np.full(1 + len(codes), 0.1)])
    fit = least_squares(_residuals, start, _jacobian, bounds=bounds, x_scale=scale, args=(x_px, codes), max_nfev=60)
    left_over = _residuals(fit.x, x_px, codes)[: codes.size] * CODE_NOISE
    return _tone(fit.x, _plane(places_mm, fit.x[SIGMAS] ** 2), float(np.sqrt(np.mean(left_over**2))))


def unknown_tone(sigma_px: float) -> Tone:
    """What phones do as a rule, with the blur of the edges at hand; its misfit says that it was not seen."""
    return _tone(PRIOR_CENTRE, np.array([sigma_px**2, 0.0, 0.0]), UNKNOWN_MISFIT)


NO_BLUR = np.zeros(3)
PLACE, SIGMAS = 5, slice(6, None)
"""Where the common place of the boundaries and the groups' blurs stand in the parameter vector."""


UNKNOWN_MISFIT = 0.05
"""Misfit stated for a tone that the photo does not show (code values)."""


def _tone(x: Array, sigma2_px2: Array, misfit: float) -> Tone:
    """The tone of the first parameters: contrast, brightness, amount, radius, tail."""
    contrast, brightness, amount, radius_px, tail = map(float, x[:PLACE])
    return Tone(contrast, brightness, amount, radius_px, tail, sigma2_px2, misfit)


def _plane(places_mm: Array, values: Array) -> Array:
    """Least-squares plane (constant, per mm in x, per mm in y) through values at places (G, 2); flat for few places."""
    if len(values) < 6:
        return np.array([values.mean(), 0.0, 0.0])
    return np.asarray(np.linalg.lstsq(np.column_stack([np.ones(len(values)), places_mm]), values, rcond=None)[0])


def _residuals(x: Array, x_px: Array, codes: Array) -> Array:
    tone = _tone(x, NO_BLUR, 0.0)
    model = model_profiles(tone, x[SIGMAS], x_px - x[PLACE], tone.light(codes[:, -3:].mean(1)),
                           tone.light(codes[:, :3].mean(1)))  # fmt: skip
    left_over = _without_level_error(codes - model, model)
    prior = (x[:5] - PRIOR_CENTRE) / PRIOR_U
    return np.concatenate([(left_over / CODE_NOISE).ravel(), prior, [x[PLACE] / PLACE_U_PX]])


def _jacobian(x: Array, x_px: Array, codes: Array) -> Array:
    """Forward differences; each group's blur touches its own profile only, so one evaluation serves all of them."""
    at = _residuals(x, x_px, codes)
    jacobian = np.zeros((len(at), len(x)))
    for i in range(PLACE + 1):
        ahead = x.copy()
        ahead[i] += DIFFERENCE
        jacobian[:, i] = (_residuals(ahead, x_px, codes) - at) / DIFFERENCE
    ahead = x.copy()
    ahead[SIGMAS] += DIFFERENCE
    by_sigma = ((_residuals(ahead, x_px, codes) - at) / DIFFERENCE)[: codes.size].reshape(codes.shape)
    for group, row in enumerate(by_sigma):
        jacobian[group * codes.shape[1] : (group + 1) * codes.shape[1], PLACE + 1 + group] = row
    return jacobian


def _without_level_error(left_over: Array, model: Array) -> Array:
    """Residuals (G, M) less what slightly other levels explain, each level being known to LEVEL_U."""
    paper, black = model[:, :1], model[:, -1:]
    share = (model - black) / (paper - black)
    basis = np.stack([share, 1 - share], -1)
    turned = np.swapaxes(basis, 1, 2)
    normal = turned @ basis + (CODE_NOISE / LEVEL_U) ** 2 * np.eye(2)
    levels = np.linalg.solve(normal, turned @ left_over[..., None])
    return np.asarray(left_over - (basis @ levels)[..., 0])


def model_profiles(tone: Tone, sigma_px: Array, x_px: Array, black: Array, paper: Array) -> Array:
    """Code profiles (G, M) that the phone makes of straight steps from paper (left) to black.

    sigma_px: (G,) blur. x_px: (G, M) distance from the step. black, paper: (G,) levels in linear light.
    """
    reach = np.abs(x_px).max() + GRID_MARGIN_PX
    grid = np.arange(-reach, reach + GRID_PX, GRID_PX)
    sigma = sigma_px[:, None]
    step = (1 - tone.tail) * gaussian_step(grid, sigma) + tone.tail * gaussian_step(grid, TAIL_WIDTH * sigma)
    light = paper[:, None] + (black - paper)[:, None] * step
    out = np.clip(tone.sharpen(tone.curve(srgb_from_linear(light)), GRID_PX), 0, 1)
    out = convolve1d(out, BILINEAR, axis=-1, mode="nearest")
    at = (x_px - grid[0]) / GRID_PX
    left = at.astype(int)
    before, after = (np.take_along_axis(out, index, axis=1) for index in (left, left + 1))
    return np.asarray(before + (at - left) * (after - before))


def _grouped(seen: SeenSides, expected_px: Array) -> tuple[Array, Array, Array]:
    """Mean profiles of neighbouring boundaries: distance from the boundary (G, M) px, codes (G, M), middle (G, 2) mm."""
    rows = np.flatnonzero(seen.usable)
    places = seen.points_mm[rows]
    around = np.arctan2(*(places - places.mean(axis=0)).T[::-1])
    groups = np.array_split(rows[np.argsort(around)], min(LEVEL_GROUPS, len(rows) // 4))
    x_px = np.stack([seen.x_px - expected_px[group].mean() for group in groups])
    codes = np.stack([_levelled(seen.profiles[group]).mean(axis=0) for group in groups])
    return x_px, codes, np.stack([seen.points_mm[group].mean(axis=0) for group in groups])


def _levelled(profiles: Array) -> Array:
    """Profiles (N, M) brought to their common mean levels."""
    paper, black = profiles[:, :3].mean(1, keepdims=True), profiles[:, -3:].mean(1, keepdims=True)
    return np.asarray(black.mean() + (profiles - black) / (paper - black) * (paper.mean() - black.mean()))
