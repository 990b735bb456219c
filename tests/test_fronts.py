"""The light across a contour: blurred steps, their place, and what the model makes of profiles with known truth."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.ndimage import gaussian_filter
from scipy.stats import norm

from holeinspect.edges.contours import circle_stations, round_fit
from holeinspect.edges.light import linear_from_srgb, srgb_from_linear
from holeinspect.edges.lockstep import settle
from holeinspect.edges.profiles import fit_steps, gaussian, gaussian_step, sample
from holeinspect.edges.stretches import Blur, Look, View, mean_by, take_stretches
from tests.sight import looked_at
from tests.simulator.scene import Hole, Part
from tests.simulator.view import Pose

SQUARE = tuple((x, y, 0.0) for x, y in ((-40, -40), (40, -40), (40, 40), (-40, 40)))
X_PX = np.arange(-7, 7.01, 0.5)


@given(st.floats(-10, 10), st.floats(0.2, 4))
def test_blurred_step_is_the_normal_distribution(x: float, sigma: float) -> None:
    """To the 1.6e-6 of its series, which moves an edge by 4e-6 blur widths."""
    assert gaussian_step(np.array(x), sigma) == pytest.approx(norm.cdf(x, scale=sigma), rel=0, abs=1.6e-6)
    assert gaussian(np.array(x), sigma) == pytest.approx(norm.pdf(x, scale=sigma), rel=0, abs=1e-12)


@given(st.floats(-1.5, 1.5), st.floats(0.02, 0.6), st.floats(0.1, 0.9), st.floats(0.6, 2.0))
def test_place_of_a_clean_step_is_exact(place: float, before: float, contrast: float, sigma: float) -> None:
    profile = before + contrast * norm.cdf(X_PX, place, sigma)
    fitted = fit_steps(X_PX, profile[None], sigma)
    assert fitted.place_px[0] == pytest.approx(place, rel=0, abs=1e-4)
    assert fitted.contrast[0] == pytest.approx(contrast, rel=0, abs=1e-4)


def test_scatter_of_a_noisy_step_is_the_known_bound() -> None:
    """Edge position along the normal, samples 0.5 px apart: e = sqrt(2 sqrt(pi) s)·q/c·sqrt(0.5), and 1.2 times that as
    both levels are unknown within ±7 px (algorithms: limit of one edge). 4000 draws tell it to 1.1 %; 5 % is allowed."""
    sigma, q, contrast = 1.0, 0.01, 0.5
    draws = 0.1 + contrast * norm.cdf(X_PX, 0.2, sigma) + q * np.random.default_rng(1).standard_normal((4000, len(X_PX)))
    bound = np.sqrt(2 * np.sqrt(np.pi) * sigma) * q / contrast * np.sqrt(0.5)
    unknown_levels = 1 / np.sqrt(1 - np.sqrt(np.pi) * sigma / 7)
    place = fit_steps(X_PX, draws, sigma).place_px
    assert place.std() / (bound * unknown_levels) == pytest.approx(1, rel=0, abs=0.05)
    assert place.mean() == pytest.approx(0.2, rel=0, abs=4 * bound / np.sqrt(4000))


def test_profile_outside_the_picture_has_no_place() -> None:
    values = sample(np.ones((20, 20)), np.array([[5.0, 5.0], [25.0, 5.0]]))
    assert values[0] == 1
    assert np.isnan(values[1])
    profiles = np.vstack([norm.cdf(X_PX), np.full(len(X_PX), np.nan)])
    place = fit_steps(X_PX, profiles, 1.0).place_px
    assert np.isfinite(place[0])
    assert np.isnan(place[1])


@given(st.floats(0, 1))
def test_code_values_and_light_are_inverse(light: float) -> None:
    assert linear_from_srgb(srgb_from_linear(np.array(light))) == pytest.approx(light, rel=0, abs=2e-5)


@pytest.mark.parametrize(("code", "light"), [(0.0, 0.0), (0.5, 0.21404114), (1.0, 1.0), (10 / 255, 0.00303527)])
def test_srgb_light_agrees_with_iec_61966_2_1(code: float, light: float) -> None:
    assert linear_from_srgb(np.array(code)) == pytest.approx(light, rel=0, abs=1e-7)


@pytest.mark.parametrize("tail", [0.0, 0.15])
def test_blur_is_a_unit_step_with_its_variance(tail: float) -> None:
    """The variance of a blurred step's slope, by numerical integration; bilinear sampling adds 1/6 px².

    The step's own slope differs by that of its series' error, 6.7e-6 at most.
    """
    blur = Blur(1.1, tail)
    steps = blur.step(np.array([-60.0, 0.0, 60.0]))
    assert steps == pytest.approx((0, 0.5, 1), rel=0, abs=1e-9)
    variance = quad(lambda x: x * x * float(blur.slope(np.array(x))), -40, 40, limit=200)[0]
    assert variance == pytest.approx((1 - tail) * (1.1**2 + 1 / 6) + tail * 9 * 1.1**2, rel=0, abs=1e-6)
    slope = (blur.step(np.array(0.3 + 1e-5)) - blur.step(np.array(0.3 - 1e-5))) / 2e-5
    assert blur.slope(np.array(0.3)) == pytest.approx(slope, rel=0, abs=6.7e-6)


def test_bilinear_samples_of_a_blurred_edge_are_wider_by_a_sixth() -> None:
    """At all phases a bilinear sample averages with a triangle one pixel to either side, of variance 1/6 px²."""
    x = np.arange(40.0)
    rows = np.tile(norm.cdf(x, 20.0, 1.0), (5, 1))
    at = np.arange(14, 26, 0.05)
    profile = sample(rows, np.column_stack([at, np.full(len(at), 2.0)]))
    sigmas = np.arange(0.9, 1.3, 0.005)
    best = sigmas[np.argmin([fit_steps(at - 20, profile[None], s).rms[0] for s in sigmas])]
    assert best**2 - 1 == pytest.approx(1 / 6, rel=0, abs=0.08)  # here phases are swept along one edge only


def test_means_are_taken_by_group_and_empty_groups_have_none() -> None:
    means = mean_by(np.array([0, 0, 2, -1]), 3, np.array([1.0, 3.0, 7.0, 100.0]))
    assert means[[0, 2]] == pytest.approx((2, 7), rel=0, abs=1e-12)
    assert np.isnan(means[1])
    assert np.isnan(mean_by(np.array([-1, -1]), 2, np.ones(2))).all()


def sight() -> View:
    part = Part(2.0, SQUARE, (Hole((0, 0), 4.8),), at_mm=(40, 20))
    return looked_at(part, (33.5, 13.5, 46.5, 26.5), Pose((0, 0, 300), (0, 0, 0), 17.0))[0]


def test_stretches_outside_the_picture_are_dropped() -> None:
    view = sight()
    stations = circle_stations(np.array([47.5, 20.0]), 2.4, 120)
    (stretches,) = take_stretches([Look(view, stations, np.arange(120) // 10, 12)])
    assert 0 < len(stretches) < 12


@pytest.mark.parametrize("scale", [0.25, 0.5])
def test_fit_does_not_depend_on_how_bright_the_photo_is(scale: float) -> None:
    view = sight()
    dim = View(view.light * np.float32(scale), view.camera, view.blur, view.plate)
    bright, dark = (settle(round_fit(v, np.array([40.05, 20.05]), 2.45)) for v in (view, dim))
    assert bright is not None
    assert dark is not None
    assert dark.radius == pytest.approx(bright.radius, rel=0, abs=2e-4)
    assert dark.centre == pytest.approx(bright.centre, rel=0, abs=2e-4)


def test_noise_of_the_photo_shows_in_the_deviations_not_in_the_size() -> None:
    view = sight()
    rng = np.random.default_rng(2)
    grain = gaussian_filter(rng.standard_normal(view.light.shape), 0.5).astype(np.float32)
    noisy = View(view.light + 0.02 * grain / grain.std(), view.camera, view.blur, view.plate)
    clean, rough = (settle(round_fit(v, np.array([40.05, 20.05]), 2.45)) for v in (view, noisy))
    assert clean is not None
    assert rough is not None
    assert np.std(rough.deviations_mm) > 2 * np.std(clean.deviations_mm)
    assert 2 * rough.radius == pytest.approx(4.8, rel=0, abs=0.01)
