"""The blur of a photo from the edges of a part."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from holeinspect.edges.blur import blur_px
from holeinspect.find import Contour
from holeinspect.measured import Array

MIDDLE_PX, RADIUS_PX = (100.3, 99.6), 60.0


def disc(sigma_px: float) -> Array:
    """Linear light of a bright disc on dark ground, blurred; no noise."""
    fine = 4
    at = (np.arange(200 * fine) + 0.5) / fine - 0.5
    inside = np.hypot(at - MIDDLE_PX[0], at[:, None] - MIDDLE_PX[1]) < RADIUS_PX
    light = 0.05 + 0.5 * inside.reshape(200, fine, 200, fine).mean(axis=(1, 3))
    return np.asarray(cv2.GaussianBlur(light.astype(np.float32), (0, 0), sigma_px))


def outline(seen: bool = True) -> Contour:
    """Its rough contour, a pixel off."""
    angle = np.linspace(0, 2 * np.pi, 380, endpoint=False)
    points = np.array(MIDDLE_PX) + (RADIUS_PX + 1.0) * np.column_stack([np.cos(angle), -np.sin(angle)])
    return Contour(points, np.full(len(points), seen))


@pytest.mark.parametrize("sigma_px", [0.7, 1.0, 1.6, 2.5])
def test_blur_is_that_of_the_lens(sigma_px: float) -> None:
    pixel = 1 / np.sqrt(12)  # px, what a pixel's own width blurs
    assert blur_px(disc(sigma_px), [outline()]) == pytest.approx(np.hypot(sigma_px, pixel), rel=0, abs=0.06)


def test_without_visible_edges_no_blur_is_told() -> None:
    assert blur_px(disc(1.0), [outline(seen=False)]) is None
