"""The profile filter and the roundness parameters against their standards' formulas and against other programs."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import least_squares
from skimage.measure import CircleModel

from holeinspect.edges.circle import Circle, fit_circle
from holeinspect.edges.gauss import kernel, long_wave, roundness, transmission, weight
from holeinspect.measured import Array

SETS = Path(__file__).parent / "data" / "circle_sets.csv"


def hole12() -> Array:
    """A hole of 12 points, 1.6 mm in radius, with deviations in micrometres."""
    with SETS.open(encoding="utf-8") as rows:
        return np.array([(float(row["x"]), float(row["y"])) for row in csv.DictReader(rows) if row["set"] == "hole12"])


@pytest.mark.parametrize(
    ("share", "times_cutoff"),
    [(0, 2.128934), (0.1, 1.846391), (0.2, 1.204504), (0.3, 0.591039), (0.4, 0.218146), (0.5, 0.060562), (0.6, 0.012647),
     (0.8, 0.000234694), (1.0, 1.394e-6)],
)  # fmt: skip
def test_weights_are_those_of_the_iso_16610_21_formula(share: float, times_cutoff: float) -> None:
    """Worked from the formula of clause 4.1, printed to six decimals."""
    cutoff = 0.8
    assert float(weight(np.array(share * cutoff), cutoff)) * cutoff == pytest.approx(times_cutoff, rel=0, abs=5e-7)


@pytest.mark.parametrize(("waves", "gain"), [(2, 0.987753), (15, 0.5), (30, 0.0625)])
def test_closed_profile_passes_half_of_a_wave_at_the_cutoff(waves: int, gain: float) -> None:
    """0.5 to the power (n / nc)², nc = 15 UPR; cutting the weights off at one cut-off costs under 1e-5."""
    count, perimeter = 720, 10.0
    wave = np.cos(2 * np.pi * waves * np.arange(count) / count)
    left = long_wave(wave, perimeter / count, perimeter / 15, closed=True).values
    assert left[0] == pytest.approx(gain, rel=0, abs=1e-5)


@pytest.mark.parametrize("ratio", [0.5, 0.8, 1.0, 1.25, 2.0, 4.0])
def test_open_profile_passes_the_middle_of_a_wave_as_the_formula_says(ratio: float) -> None:
    step, cutoff = 0.02, 0.8
    x = step * np.arange(-400, 401)
    left = long_wave(np.cos(2 * np.pi * x / (ratio * cutoff)), step, cutoff, closed=False).values
    assert left[400] == pytest.approx(0.5 ** (1 / ratio**2), rel=0, abs=1e-5)
    assert float(transmission(np.array(ratio * cutoff), cutoff)) == pytest.approx(0.5 ** (1 / ratio**2), rel=0, abs=1e-12)


def test_kernel_sums_to_one_and_is_even() -> None:
    weights = kernel(0.07, 0.8)
    assert weights.sum() == pytest.approx(1, rel=0, abs=1e-12)
    np.testing.assert_allclose(weights, weights[::-1], rtol=0, atol=1e-15)


@given(level=st.floats(-5, 5), first=st.integers(0, 150), length=st.integers(0, 20), closed=st.booleans())
def test_a_level_profile_stays_level_whatever_was_not_seen_of_it(level: float, first: int, length: int, closed: bool) -> None:
    profile = np.full(200, level)
    profile[first : first + length] = np.nan
    left = long_wave(profile, 0.1, 1.0, closed).values
    np.testing.assert_allclose(left[np.isfinite(left)], level, rtol=0, atol=1e-9)
    assert np.isfinite(left).sum() >= 200 - length - 10  # a few points between a gap and an open end have too little beside them


@given(turn=st.integers(0, 199))
def test_filtering_a_closed_profile_does_not_mind_where_it_starts(turn: int) -> None:
    profile = np.random.default_rng(3).standard_normal(200)
    turned = np.roll(long_wave(profile, 0.1, 1.5, closed=True).values, turn)
    np.testing.assert_allclose(long_wave(np.roll(profile, turn), 0.1, 1.5, closed=True).values, turned, rtol=0, atol=1e-12)


def test_noise_left_in_the_profile_is_what_is_stated() -> None:
    noise = np.random.default_rng(4).standard_normal(20_000)
    left = long_wave(noise, 0.1, 0.8, closed=True)
    assert left.values.std() == pytest.approx(left.noise[0], rel=0, abs=0.02)


def test_roundness_of_the_worked_hole_is_as_worked_by_hand() -> None:
    """Reference circle and RONt, RONp, RONv, RONq worked out with SciPy, printed to 1 nm."""
    points = hole12()
    circle = fit_circle(points, np.ones(len(points)))
    assert isinstance(circle, Circle)
    found = roundness(circle.deviations(points))
    for value, worked in zip(
        (*circle.centre, circle.radius, found.ront, found.ronp, found.ronv, found.ronq),
        (0.020683, -0.010106, 1.600917, 0.009317, 0.004650, 0.004667, 0.003001),
        strict=True,
    ):
        assert value == pytest.approx(worked, rel=0, abs=2e-6)


def test_roundness_agrees_with_circles_fitted_by_scikit_image_and_scipy() -> None:
    """Both minimise the same distances; scikit-image's solver stops within 1e-6 mm."""
    angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    radius = 2.4 + 0.01 * np.cos(2 * angle) + np.random.default_rng(5).normal(0, 0.003, 90)
    points = np.column_stack([radius * np.cos(angle) + 0.3, radius * np.sin(angle) - 0.2])
    circle = fit_circle(points, np.ones(90))
    assert isinstance(circle, Circle)
    ours = roundness(circle.deviations(points))
    model = CircleModel.from_estimate(points)
    assert ours.ront == pytest.approx(float(np.ptp(np.hypot(*(points - model.center).T))), rel=0, abs=1e-5)
    fitted = least_squares(lambda p: np.hypot(*(points - p[:2]).T) - p[2], [0, 0, 2], xtol=1e-12, ftol=1e-12)
    assert ours.ronq == pytest.approx(float(np.sqrt(np.mean(fitted.fun**2))), rel=0, abs=1e-8)
    assert ours.ronp == pytest.approx(float(fitted.fun.max()), rel=0, abs=1e-6)
