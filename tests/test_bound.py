"""The scatter of a diameter over repeated noise against the least that noise allows, on a plain blurred disc."""

import pytest

from benchmarks.bound import LIMIT, Case, scatter

NOISES = 60
"""Repetitions: their standard deviation is good to 9 %."""
LEAST_BIAS_PX = 0.02
"""A sixth of the 0.01 mm that a diameter may be off at 12 px/mm: what the disc's blur may take of it."""


@pytest.mark.parametrize(
    "case",
    [
        Case(16.0, 0.6, 0.01),
        Case(24.0, 0.6, 0.02),
        Case(24.0, 1.0, 0.01),
        Case(40.0, 1.4, 0.02),
    ],
    ids=lambda case: f"R {case.radius_px:g} s {case.spread_px:g} q/c {case.noise:g}",
)
def test_diameter_scatters_little_more_than_the_cramer_rao_bound(case: Case) -> None:
    found = scatter(case, NOISES)
    assert found.fitted == found.tried
    assert found.sd_px <= LIMIT * case.bound_px


@pytest.mark.parametrize("case", [Case(16.0, 1.0, 0.005), Case(40.0, 1.4, 0.005)], ids=["small", "soft"])
def test_diameter_of_a_plain_disc_has_little_bias(case: Case) -> None:
    assert abs(scatter(case, 8).bias_px) < LEAST_BIAS_PX
