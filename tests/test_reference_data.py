"""The copied reference tables are whole: they give the figures published for them, without holeinspect."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from tests.reference_data import ZHANG_DISTORTION, ZHANG_K, ZHANG_VIEWS, ZhangView, circle_set

TIGHT = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15}


def zhang_rms_px(view: ZhangView) -> float:
    """RMS distance between seen points and those that the published camera gives (Zhang 2000, section 3.3)."""
    model = np.column_stack([view.points_inch, np.zeros(len(view.points_inch))])
    X, Y, Z = view.R @ model.T + view.t_inch[:, None]
    x, y = X / Z, Y / Z
    k1, k2 = ZHANG_DISTORTION[:2]
    bend = 1 + k1 * (x**2 + y**2) + k2 * (x**2 + y**2) ** 2
    u, v, _ = ZHANG_K @ np.array([bend * x, bend * y, np.ones_like(x)])
    return float(np.sqrt(np.mean(((np.column_stack([u, v]) - view.points_px) ** 2).sum(axis=1))))


@pytest.mark.parametrize("view", ZHANG_VIEWS, ids=lambda view: f"view {view.number}")
def test_published_camera_leaves_the_residuals_known_for_each_view_of_zhang(view: ZhangView) -> None:
    assert len(view.points_px) == 64 * 4
    assert zhang_rms_px(view) == pytest.approx(view.rms_px, rel=0, abs=5e-5)  # px, printed digits


@pytest.mark.parametrize(
    ("name", "count", "centre", "radius", "squares"),
    [
        ("gander6", 6, (4.739782, 2.983533), 4.714226, 1.227599),  # Gander, Golub, Strebel 1994: 4.7398 2.9835 4.7142
        ("gander8", 8, (4.840141, 4.797126), 3.390682, 2.314114),
        ("coope8", 8, (3.043238, 0.745678), 4.105856, 0.295948),  # Coope 1993: 3.04323 0.74568 4.10586
    ],
)
def test_published_circles_are_those_of_a_general_solver(
    name: str, count: int, centre: tuple[float, float], radius: float, squares: float
) -> None:
    points = circle_set(name)
    assert len(points) == count
    fit = least_squares(lambda p: np.hypot(*(points - p[:2]).T) - p[2], [*points.mean(axis=0), 3], **TIGHT)
    assert fit.x == pytest.approx([*centre, radius], rel=0, abs=2e-6)  # printed digits
    assert 2 * fit.cost == pytest.approx(squares, rel=0, abs=2e-6)


def test_hole12_has_the_deviations_it_was_made_with() -> None:
    """Nominal radius 1.6 mm, centre (0.02, -0.01), 30° steps; deviations in micrometres."""
    made_um = [0, 4, -2, 1, 5, -3, 0, 3, -4, 2, 6, -1]
    deviation_um = 1000 * (np.hypot(*(circle_set("hole12") - (0.02, -0.01)).T) - 1.6)
    assert deviation_um == pytest.approx(made_um, rel=0, abs=1e-3)  # six decimals of a mm
