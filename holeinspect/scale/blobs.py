"""Outlines of things in a photo before anything is known of its scale: many thresholds, none of them trusted alone."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
import numpy.typing as npt

from holeinspect.measured import Array

LONG_SIDE_PX = 1000
"""Long side of the picture in which outlines are looked for; the fine work follows in the full one."""
LEVELS, FULL_LEVELS = 12, 6
"""Thresholds a channel, spread over most of its values and over all of them: an object stands out whole at some of them, be it
large and faint or small and clear."""
OUTERMOST = 0.02
"""Share of the values at either end that most thresholds leave out."""
LEAST_AREA_PX2 = 150.0
"""Smallest outline looked at, square px of the shrunk picture: 14 px across."""
SMOOTHING_PX = 5

Bytes = npt.NDArray[np.uint8]


def outlines(colour_half: Bytes) -> Iterator[Array]:
    """Closed outlines (N, 2) px of the full picture, the same thing many times over from one threshold to the next.

    colour_half: (H // 2, W // 2, 3) RGB as in `Photo`. Channels: lightness and both colours of CIE Lab.
    """
    shrink = max(1.0, max(colour_half.shape) / LONG_SIDE_PX)
    size = round(colour_half.shape[1] / shrink), round(colour_half.shape[0] / shrink)
    small = cv2.resize(colour_half, size, interpolation=cv2.INTER_AREA)
    factor = np.array([2 * colour_half.shape[1] / size[0], 2 * colour_half.shape[0] / size[1]])
    lab = cv2.medianBlur(np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), np.uint8), SMOOTHING_PX)
    for channel in cv2.split(lab):
        for mask in _masks(np.asarray(channel, np.uint8)):
            found, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
            for outline in found:
                if cv2.contourArea(outline) >= LEAST_AREA_PX2:
                    # A pixel of the shrunk picture covers `factor` full ones, and its middle lies in their middle.
                    yield (outline.reshape(-1, 2) + 0.5) * factor - 0.5


def _masks(channel: Bytes) -> Iterator[Bytes]:
    """The channel above each of its thresholds, without its outermost pixels, so that outlines close at the border."""
    low, high = np.quantile(channel, [OUTERMOST, 1 - OUTERMOST])
    even = np.linspace(low, high, LEVELS + 2)[1:-1]
    full = np.linspace(float(channel.min()), float(channel.max()), FULL_LEVELS + 2)[1:-1]
    best, _ = cv2.threshold(channel, 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    for level in np.unique(np.rint([*even, *full, best])):
        for kind in (cv2.THRESH_BINARY, cv2.THRESH_BINARY_INV):
            mask = np.asarray(cv2.threshold(channel, float(level), 255, kind)[1], np.uint8)
            mask[[0, -1], :] = 0
            mask[:, [0, -1]] = 0
            yield mask


def touches_border(outline_px: Array, size_px: tuple[int, int], margin_px: float) -> bool:
    """Whether an outline reaches the picture's border. size_px: width, height."""
    return bool((outline_px < margin_px).any() or (outline_px > np.array(size_px) - 1 - margin_px).any())
