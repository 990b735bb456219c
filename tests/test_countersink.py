"""Countersinks drawn with exact areas: found, sized, and told from broken edges, scratches and ink."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from holeinspect.edges.contours import Round, round_fit
from holeinspect.edges.countersink import find_countersinks
from holeinspect.edges.lockstep import settle
from holeinspect.edges.rims import Plate
from holeinspect.edges.stretches import Blur, View
from holeinspect.measured import Array
from holeinspect.scale.camera import Camera

F_PX, HEIGHT_MM, SIZE = 3000.0, 250.0, 361
TOP_MM, BORE_MM, ANGLE_DEG = 3.0, 2.5, 100.0
AT = np.array([50.0, 0.0])
"""The hole lies this far from the nadir, so that the foot of its cone is seen beside its outer circle."""


def camera() -> Camera:
    """Straight above, the hole in the middle of the picture."""
    middle = (SIZE - 1) / 2
    K = np.array([[F_PX, 0, middle - F_PX * AT[0] / (HEIGHT_MM - TOP_MM)], [0, F_PX, middle], [0, 0, 1.0]])
    return Camera(K, np.zeros(5), np.diag([1.0, -1.0, -1.0]), np.array([0, 0, HEIGHT_MM]))


def disc(radius_mm: float, z_mm: float) -> Array:
    """Share of each pixel that lies within a circle about AT at a height, eight by eight points a pixel."""
    at = camera().project(np.array([[*AT, z_mm]]))[0]
    radius = radius_mm * F_PX / (HEIGHT_MM - z_mm)
    fine = (np.arange(8 * SIZE) + 0.5) / 8 - 0.5
    inside = (fine[None, :] - at[0]) ** 2 + (fine[:, None] - at[1]) ** 2 < radius**2
    return np.asarray(inside.reshape(SIZE, 8, SIZE, 8).mean(axis=(1, 3)))


def picture(width_mm: float, cone: float, ink: bool = False) -> tuple[View, Round]:
    """A hole countersunk by width_mm (its cone's light; the face has 0.5), and its rim as first fitted, all in one face."""
    depth = width_mm / np.tan(np.radians(ANGLE_DEG / 2))
    outer, foot, lower = disc(BORE_MM + width_mm, TOP_MM), disc(BORE_MM, TOP_MM - depth), disc(BORE_MM, 0.0)
    light = 0.5 * (1 - outer) + cone * outer
    if ink:
        light[150:156] = 0.05
    light = light * (1 - foot) + foot * (0.1 * (1 - lower) + 0.03 * lower)
    blurred = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 0.8)
    view = View(blurred, camera(), Blur(0.85), Plate(0.0, TOP_MM))
    rim = settle(round_fit(view, AT, BORE_MM))
    assert rim is not None
    return view, rim


@pytest.mark.parametrize("width_mm", [0.8, 1.2, 1.8])
@pytest.mark.parametrize("cone", [0.3, 0.8])
def test_countersink_is_found_with_its_width_and_depth(width_mm: float, cone: float) -> None:
    """0.02 mm: a quarter of a pixel, what the steps' half-pixel grid leaves."""
    view, rim = picture(width_mm, cone)
    (found,) = find_countersinks([view], [rim], ANGLE_DEG)
    assert found is not None
    assert found.radius_mm == pytest.approx(BORE_MM + width_mm, rel=0, abs=0.03)
    assert found.centre == pytest.approx(AT, rel=0, abs=0.02)
    assert found.depth_mm == pytest.approx(width_mm / np.tan(np.radians(50)), rel=0, abs=0.04)


def test_bore_of_a_countersunk_hole_is_measured_at_the_foot_of_its_cone() -> None:
    view, rim = picture(1.8, 0.3)
    (found,) = find_countersinks([view], [rim], ANGLE_DEG)
    assert found is not None
    assert np.hypot(*(rim.centre - AT)) > 0.1
    assert np.hypot(*(found.bore.centre - AT)) < 0.03
    assert found.bore.radius == pytest.approx(BORE_MM, rel=0, abs=0.02)


@pytest.mark.parametrize(("width_mm", "cone", "ink"), [(0.0, 0.5, False), (0.2, 0.7, False), (0.0, 0.5, True)])
def test_plain_rims_broken_edges_and_ink_are_no_countersinks(width_mm: float, cone: float, ink: bool) -> None:
    view, rim = picture(width_mm, cone, ink)
    assert find_countersinks([view], [rim], ANGLE_DEG) == [None]
