"""sRGB code values and linear light."""

from __future__ import annotations

import numpy as np

from holeinspect.measured import Array

LINEAR_TOE_CODE = 0.04045
"""Code value below which sRGB is a straight line (IEC 61966-2-1)."""


def linear_from_srgb(code: Array) -> Array:
    """Linear light from sRGB code values in 0..1, any shape. Source: IEC 61966-2-1."""
    code = np.asarray(code)
    curved = ((np.maximum(code, LINEAR_TOE_CODE) + 0.055) / 1.055) ** 2.4
    return np.where(code <= LINEAR_TOE_CODE, code / 12.92, curved)


def srgb_from_linear(light: Array) -> Array:
    """SRGB code values from linear light, any shape; the inverse of `linear_from_srgb`."""
    light = np.asarray(light)
    toe = LINEAR_TOE_CODE / 12.92
    return np.where(light <= toe, light * 12.92, 1.055 * np.maximum(light, toe) ** (1 / 2.4) - 0.055)
