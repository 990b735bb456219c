"""The weighted geometric circle against published fits, invariances and Monte Carlo."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holeinspect.edges.circle import Circle, NoFit, fit_circle
from holeinspect.measured import Array
from tests.reference_data import circle_set


def fitted(points: Array, u_normal: Array | None = None) -> Circle:
    circle = fit_circle(points, np.ones(len(points)) if u_normal is None else u_normal)
    assert isinstance(circle, Circle)
    return circle


def on_arc(degrees: float, count: int = 12, radius: float = 2.0) -> Array:
    angle = np.radians(np.linspace(0, degrees, count))
    return radius * np.column_stack([np.cos(angle), np.sin(angle)])


@pytest.mark.parametrize(
    ("name", "centre", "radius", "printed"),
    [
        # Gander, Golub, Strebel, BIT 34 (1994) 558; the algebraic fit there has radius 3.0370, Kåsa's 4.1088.
        ("gander6", (4.7398, 2.9835), 4.7142, 5e-5),
        # Coope, J. Optim. Theory Appl. 76 (1993) 381, total least squares; his linear form: 3.06030 0.74361 4.10914.
        ("coope8", (3.04323, 0.74568), 4.10586, 1e-5),
        # hole12: ours, by a general solver to six decimals.
        ("hole12", (0.020683, -0.010106), 1.600917, 1e-6),
    ],
)
def test_circle_is_the_published_geometric_one(
    name: str, centre: tuple[float, float], radius: float, printed: float
) -> None:
    circle = fitted(circle_set(name))
    assert circle.centre == pytest.approx(centre, rel=0, abs=printed)
    assert circle.radius == pytest.approx(radius, rel=0, abs=printed)


def test_deviations_give_the_roundness_parameters_of_iso_12181() -> None:
    """hole12, worked out with a general solver: RONt, RONp, RONv, RONq in mm (ISO 12181-1, least-squares circle)."""
    points = circle_set("hole12")
    deviation = fitted(points).deviations(points)
    found = (np.ptp(deviation), deviation.max(), deviation.min(), np.sqrt(np.mean(deviation**2)))
    assert found == pytest.approx((0.009317, 0.004650, -0.004667, 0.003001), rel=0, abs=1e-6)


def test_least_squares_radius_lies_between_inscribed_and_circumscribed_circles() -> None:
    """coope8: radii of the largest inscribed and smallest circumscribed circle, enumerated."""
    assert 3.971917 < fitted(circle_set("coope8")).radius < 4.338100


@given(
    st.floats(-1e3, 1e3), st.floats(-1e3, 1e3), st.floats(-np.pi, np.pi), st.floats(-3, 3), st.booleans()
)
def test_circle_moves_turns_and_grows_with_its_points(
    x: float, y: float, turn: float, decades: float, mirrored: bool
) -> None:
    points, scale = circle_set("coope8"), 10.0**decades
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    if mirrored:
        turned = turned @ np.diag([1, -1])
    u = np.linspace(0.5, 2, len(points))
    plain, moved = fitted(points, u), fitted(scale * points @ turned.T + (x, y), scale * u)
    rounding = 1e-9 * (scale + 1)  # mm: far offsets cost digits
    assert moved.centre == pytest.approx(scale * turned @ plain.centre + (x, y), rel=0, abs=rounding)
    assert moved.radius == pytest.approx(scale * plain.radius, rel=0, abs=rounding)
    whole = np.eye(3)
    whole[:2, :2] = turned
    expected = scale**2 * whole @ plain.covariance @ whole.T
    assert moved.covariance == pytest.approx(expected, rel=0, abs=1e-5 * scale**2)


@pytest.mark.parametrize("offset", [1e5, 1e7])
def test_circle_of_a_millimetre_is_found_kilometres_off(offset: float) -> None:
    circle = fitted(on_arc(300, 40, 0.5) + offset)
    assert circle.radius == pytest.approx(0.5, rel=0, abs=1e-8 * offset / 1e5 * 10)
    assert circle.centre == pytest.approx((offset, offset), rel=0, abs=1e-7 * offset / 1e5 * 10)


@given(st.lists(st.floats(0, 2 * np.pi), min_size=8, max_size=40, unique=True), st.floats(0.01, 100))
def test_exact_points_give_the_exact_circle(angles: list[float], radius: float) -> None:
    at = np.array(angles)
    points = radius * np.column_stack([np.cos(at), np.sin(at)])
    circle = fit_circle(points, np.ones(len(points)))
    if circle:  # short arcs are refused, see below
        assert isinstance(circle, Circle)
        assert circle.radius == pytest.approx(radius, rel=0, abs=1e-6 * radius)
        assert circle.centre == pytest.approx((0, 0), rel=0, abs=1e-6 * radius)


def test_a_point_of_large_uncertainty_hardly_counts() -> None:
    points = on_arc(330, 12)
    spoilt = points.copy()
    spoilt[3] *= 1.5
    u = np.ones(12)
    u[3] = 1e4
    assert fitted(spoilt, u).radius == pytest.approx(2.0, rel=0, abs=1e-6)
    assert abs(fitted(spoilt).radius - 2.0) > 0.02


@pytest.mark.parametrize(
    ("points", "message"),
    [
        (np.zeros((0, 2)), r"0 points do not make a circle; it takes 3\."),
        (np.array([[0.0, 0], [1, 1]]), r"2 points do not make a circle; it takes 3\."),
        (np.array([[0.0, 0], [1, 1], [2, 2], [5, 5]]), r"straight line"),
        (np.array([[3.0, 4], [3, 4], [3, 4]]), r"straight line"),
        (np.array([[3.0, 4], [3, 4], [5, 4]]), r"straight line"),
        (on_arc(29), r"less than 30°"),
        (on_arc(1), r"less than 30°"),
    ],
)
def test_points_that_make_no_circle_are_refused_with_the_reason(points: Array, message: str) -> None:
    refused = fit_circle(points, np.ones(len(points)))
    assert isinstance(refused, NoFit)
    assert not refused
    assert re.search(message, refused.reason)


def test_an_arc_just_over_30_degrees_is_taken() -> None:
    assert fitted(on_arc(31)).radius == pytest.approx(2.0, rel=0, abs=1e-9)


@pytest.mark.parametrize("arc_deg", [360, 180, 90])
def test_covariance_is_that_of_repeated_measurements(arc_deg: float) -> None:
    """Monte Carlo after JCGM 101: 600 draws, so a standard deviation is known to 2.9 %; 4 of them are allowed, and 3 %
    for the covariance being scaled up, never down."""
    rng = np.random.default_rng(5)
    exact = on_arc(arc_deg, 80)
    normals = exact / 2.0
    u = rng.uniform(0.002, 0.006, len(exact))
    draws = [fitted(exact + (u * rng.standard_normal(len(u)))[:, None] * normals, u) for _ in range(600)]
    seen = np.std([[*circle.centre, circle.radius] for circle in draws], axis=0)
    stated = np.sqrt(np.mean([np.diag(circle.covariance) for circle in draws], axis=0))
    assert stated / seen == pytest.approx(np.ones(3), rel=0, abs=0.15)


def test_standard_deviations_of_a_full_circle_are_the_closed_form() -> None:
    """sd(radius) = u/sqrt(N), sd of each coordinate = u·sqrt(2/N) for N even points."""
    points = on_arc(360 * 99 / 100, 100)
    stated = np.sqrt(np.diag(fitted(points, np.full(100, 0.01)).covariance))
    assert stated == pytest.approx(0.01 * np.sqrt(np.array([2, 2, 1]) / 100), rel=0, abs=1e-8)


def test_misfit_larger_than_stated_widens_the_covariance() -> None:
    points = circle_set("coope8")
    squares = 0.295948  # published sum of squares; 8 points, 3 parameters
    honest, bold = fitted(points, np.ones(8)), fitted(points, np.full(8, 1e-3))
    assert bold.covariance == pytest.approx(honest.covariance * squares / 5, rel=0, abs=1e-5)
