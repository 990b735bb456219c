"""Where a rough outline's edge lies in the full picture, to a fraction of a pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from holeinspect.edges.light import linear_from_srgb
from holeinspect.edges.profiles import PROFILE_STEP_PX, fit_steps, sample
from holeinspect.measured import Array

STATIONS = 5
"""Profiles averaged into one place along the outline."""
STRONG_SHARE = 0.5
"""Least slope over the steepest of a profile for a step to count; of those, the outermost bounds the object."""
WINDOW_PX = 4.0
"""Reach of the fit to either side of a step."""
SIGMAS_PX = np.array([0.6, 0.8, 1.1, 1.5, 2.0, 3.0])
CLEAR_SAMPLES = 6
"""Samples from a step to where its blur has gone."""
LEAST_BAND = 0.15
"""Least code values by which a band is darker than what lies outside it."""
BAND_SHARE = 0.2
"""Least rise at a band's inner border over its depth."""
RUN = 5
COMMON_BAND = 0.2
"""Quantile of the bands along a rim that is the disc's own border: a lamp casts shadow to one side only."""
SHADOW_MEAN, SHADOW_U = 1 / 3, 1 / np.sqrt(18)
"""Whether a rim is the outer or the inner border of a dark band the picture does not say; the outer one is likelier, since
objects have dark borders of their own: mean and standard deviation of a triangle over the band's width."""
ROUNDED_SHARE = 0.15
"""Widest rounding of a struck or worn border, over the thickness (ours; on photographs coins on paper read 0.1 to 0.5 mm
small): it mirrors what the object lies on, and a picture shows none of it or all of it."""
ROUNDED_MEAN, ROUNDED_U = 1 / 2, 1 / math.sqrt(12)
"""How far out the border is beyond what is seen of it: mean and standard deviation over the widest rounding."""
LEAST_SLOPE = 0.01
"""Least step (code values a half pixel) that is an edge at all."""


@dataclass(frozen=True, slots=True)
class EdgePlaces:
    """place_px: (K,) where the edge lies along the normals; darker: (K,) +1 where it is darker outside, else -1.

    seen: (K,) bool. band_px: (K,) how much further in the next step lies where a dark band follows the edge, else NaN.
    sigma_px: blur of the edges seen, their median.
    """

    place_px: Array
    darker: Array
    seen: Array
    band_px: Array
    sigma_px: float


def edge_places(luma: Array, points_px: Array, normals_px: Array, reach_px: float, band_px: float = 0.0) -> EdgePlaces:
    """The outermost strong step across each stretch of an outline.

    luma: (H, W) code values. points_px: (K, STATIONS, 2); normals_px: the same shape, unit, outwards. reach_px: how far to
    either side it is looked for. band_px: widest dark band looked for within it.
    """
    count = int(np.ceil((reach_px + max(WINDOW_PX, band_px)) / PROFILE_STEP_PX))
    x_px = PROFILE_STEP_PX * np.arange(-count, count + 1)
    profiles = sample(luma, points_px[:, :, None] + x_px[:, None] * normals_px[:, :, None]).mean(axis=1)
    slope = np.zeros_like(profiles)
    # Over two pixels, so that noise and sharpening's halo do not lead.
    slope[:, 2:-2] = profiles[:, 4:] - profiles[:, :-4]
    slope = np.where(np.abs(x_px) <= reach_px, np.abs(np.nan_to_num(slope)), 0.0)
    strong = slope >= STRONG_SHARE * slope.max(axis=1, keepdims=True)
    peak = strong & (slope >= np.roll(slope, 1, axis=1)) & (slope >= np.roll(slope, -1, axis=1))
    outermost = peak.shape[1] - 1 - np.argmax(peak[:, ::-1], axis=1)
    at = x_px[outermost]
    fit_px = PROFILE_STEP_PX * np.arange(-int(WINDOW_PX / PROFILE_STEP_PX), int(WINDOW_PX / PROFILE_STEP_PX) + 1)
    near = np.clip(outermost[:, None] + np.arange(len(fit_px)) - len(fit_px) // 2, 0, len(x_px) - 1)
    windows = np.take_along_axis(profiles, near, axis=1)
    # Beside the picture's border the search reaches out of it; the step itself must not.
    inside = np.isfinite(windows).all(axis=1)
    windows = linear_from_srgb(np.nan_to_num(windows))
    fits = [fit_steps(fit_px, windows, sigma) for sigma in SIGMAS_PX]
    best = np.argmin([fit.rms for fit in fits], axis=0)
    place = np.take_along_axis(np.stack([fit.place_px for fit in fits]), best[None], axis=0)[0]
    contrast = np.take_along_axis(np.stack([fit.contrast for fit in fits]), best[None], axis=0)[0]
    seen = inside & (np.abs(place) < WINDOW_PX) & (slope.max(axis=1) > LEAST_SLOPE)
    sigma_px = float(np.median(SIGMAS_PX[best[seen]])) if seen.any() else float(SIGMAS_PX[1])
    darker = np.where(contrast < 0, 1.0, -1.0)
    return EdgePlaces(at + place, darker, np.asarray(seen), _bands(profiles, outermost, band_px), sigma_px)


def _bands(profiles: Array, outermost: Array, widest_px: float) -> Array:
    """(K,) width px of the dark band that begins at each outermost step (K,) of profiles (K, M), NaN where there is none.

    A band is darker than what lies on either side of it: a hard shadow beside a lit object, or the object's dark border.
    """
    widths = np.full(len(profiles), np.nan)
    far = int(widest_px / PROFILE_STEP_PX)
    for k, edge in enumerate(outermost):
        inwards = profiles[k, max(0, edge - far) : edge + 1][::-1]
        outside = profiles[k, min(edge + CLEAR_SAMPLES, profiles.shape[1] - 1)]
        rise = np.zeros_like(inwards)
        rise[2:-2] = inwards[4:] - inwards[:-4]
        if len(inwards) < CLEAR_SAMPLES or not np.isfinite(inwards).all():
            continue
        step = int(np.argmax(rise))
        band = float(inwards[: step + 1].min())
        if outside - band > LEAST_BAND and rise[step] > BAND_SHARE * (outside - band) and step > 2:
            widths[k] = step * PROFILE_STEP_PX
    return widths


def shadow_px(band_px: Array) -> Array:
    """(K,) width px of a hard shadow, or of a dark wall, beside a closed rim: of its dark bands (K,), what is not all round."""
    bands = np.maximum(np.nan_to_num(band_px), 0)
    wrapped = np.pad(bands, RUN // 2, mode="wrap")
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(wrapped, RUN), axis=1)
    return np.asarray(np.maximum(0, smooth - np.quantile(smooth, COMMON_BAND)))
