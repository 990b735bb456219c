"""The plain blurred disc: the picture for which the limits of measuring are known in closed form."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from holeinspect.measured import Array
from tests.simulator.coverage import Coverage
from tests.simulator.scene import circle

OVERSAMPLE = 4
"""Fine pixels along a pixel: exact areas, so only the blur's form depends on it."""

SIDES = 3600
"""Sides of the polygon that stands for the disc."""

MARGIN_SIGMAS = 5
"""Ground rendered beyond the picture, in sigmas of the blur."""


@dataclass(frozen=True, slots=True)
class Disc:
    """A disc on an even ground, in linear light; centre (x, y) and radius in px, pixel centres at integers."""

    centre_px: tuple[float, float]
    radius_px: float
    disc: float = 0.05
    ground: float = 0.75


def disc_picture(disc: Disc, size_px: tuple[int, int], optics_px: float, noise: float = 0.0, seed: int = 0) -> Array:
    """(height, width) float64, the disc integrated over each pixel's area and blurred; unclipped Gaussian noise.

    optics_px: sigma of the Gaussian blur besides the pixel's aperture; the edge spread has s² = optics² + 1/12 px².
    """
    width, height = size_px
    margin = int(np.ceil(MARGIN_SIGMAS * optics_px)) * OVERSAMPLE
    fine = (width * OVERSAMPLE + 2 * margin, height * OVERSAMPLE + 2 * margin)
    ring = np.array(circle(disc.centre_px, disc.radius_px, SIDES).exterior.coords)
    ring = (ring + 0.5) * OVERSAMPLE + margin
    # `circle` runs clockwise on the screen, because there y points down
    area = Coverage.of(np.column_stack([ring[:-1], ring[1:]]), np.ones(len(ring) - 1), *fine).rows(0, fine[1])
    light = disc.ground + (disc.disc - disc.ground) * area.astype(float)
    if optics_px:
        light = np.asarray(cv2.GaussianBlur(light, (0, 0), optics_px * OVERSAMPLE), dtype=float)
    inside = np.ascontiguousarray(light[margin : fine[1] - margin, margin : fine[0] - margin])
    picture = cv2.resize(inside, size_px, interpolation=cv2.INTER_AREA)
    return picture + noise * np.random.default_rng(seed).standard_normal(picture.shape)
