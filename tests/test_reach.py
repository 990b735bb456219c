"""How far a burr reaches, read from the light across it: against light made of the same three steps, whatever its brightness."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr

from holeinspect.edges.reach import REACH_STEP_MM, reach
from holeinspect.edges.trace import Trace, round_course

PX_PER_MM, BLUR_MM = 12.0, 0.08
EVERY = np.arange(8)


def lit(burr_mm: float, brightness: float, root_mm: float = 0.0) -> Trace:
    """A rim with a burr of one reach all round, as Trace holds its light."""
    course = round_course(np.zeros(2), 2.5, PX_PER_MM)
    x_px = np.arange(-10.0, 8.0, 0.5)
    tip, face = (ndtr((x_px / PX_PER_MM + at) / BLUR_MM) for at in (burr_mm, -root_mm))
    share = np.tile(face + brightness * (tip - face), (len(course), 1))
    nothing = np.zeros(len(course))
    return Trace(course, nothing, 0.002, course.points_mm, PX_PER_MM, BLUR_MM, nothing, nothing, 0.4, x_px, share, nothing)


@given(st.floats(0.05, 0.45), st.floats(0.35, 1.3), st.sampled_from([0.0, 0.06]))
def test_reach_holds_the_truth_within_its_uncertainty_whatever_the_brightness(
    burr_mm: float, brightness: float, root_mm: float
) -> None:
    traced = lit(burr_mm, brightness, root_mm)
    found = reach(traced, np.zeros(len(traced.course)), EVERY)
    assert np.all(np.abs(found.mm - burr_mm) <= 2 * found.u_mm + REACH_STEP_MM)


@given(st.floats(0.2, 0.45), st.floats(0.35, 1.3))
def test_burr_longer_than_the_blur_is_told_apart_from_its_brightness(burr_mm: float, brightness: float) -> None:
    traced = lit(burr_mm, brightness)
    found = reach(traced, np.zeros(len(traced.course)), EVERY)
    assert np.abs(found.mm - burr_mm).max() < 0.02  # mm: a quarter of the blur


def test_light_alone_cannot_tell_that_a_rim_is_clean() -> None:
    traced = lit(0.0, 1.0)
    found = reach(traced, np.zeros(len(traced.course)), EVERY)
    assert np.all(found.mm - 2 * found.u_mm < 0)


def test_reach_counts_from_the_rim_that_it_is_given() -> None:
    traced = lit(0.2, 0.8)
    off = np.full(len(traced.course), 0.05)
    assert np.allclose(reach(traced, off, EVERY).mm, 0.15, rtol=0, atol=0.03)  # mm: the face's step no longer fits
