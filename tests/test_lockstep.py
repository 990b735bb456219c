"""Fits that run side by side end as they do alone."""

from __future__ import annotations

import numpy as np
import pytest

from holeinspect.edges.contours import Arc, Round, Straight, arc_fit, round_fit, straight_fit
from holeinspect.edges.lockstep import Fit, both, settle, side_by_side
from holeinspect.edges.stretches import Blur, View
from holeinspect.measured import Array
from tests.sight import looked_at
from tests.simulator.scene import Broken, Hole, Part
from tests.simulator.view import Pose

OUTLINE = ((-12.0, -9.0, 3.0), (12.0, -9.0, 3.0), (12.0, 9.0, 3.0), (-12.0, 9.0, 3.0))
AT_MM = np.array([40.0, 20.0])
ROUNDED_MM = 1e-9
"""The order of additions differs, nothing else."""


def at(x_mm: float, y_mm: float) -> Array:
    """A point of the plate in the mat frame."""
    return AT_MM + np.array([x_mm, y_mm])


@pytest.fixture(scope="module")
def view() -> View:
    """A broken plate with a small and a large hole, seen aslant."""
    holes = (Hole((-5, 0), 2.5, Broken(0.1)), Hole((5, 0), 6.35, Broken(0.1)))
    part = Part(3.2, OUTLINE, holes, at_mm=(40.0, 20.0), rim=Broken(0.1))
    return looked_at(part, (26.0, 9.0, 54.0, 31.0), Pose((50, 0, 300), (0, 0, 0), 17.0))[0]


def glowing(view: View) -> View:
    """The same with another blur."""
    return View(view.light, view.camera, Blur(view.blur.sigma_px, 0.05), view.plate)


def small(view: View) -> Fit[Round | None]:
    return round_fit(glowing(view), at(-5.05, 0.05), 1.3)


def large(view: View) -> Fit[Round | None]:
    return round_fit(view, at(5.1, 0.0), 3.1)


def nothing(view: View) -> Fit[Round | None]:
    return round_fit(view, at(60.0, 0.0), 3.0)


def side(view: View) -> Fit[Straight | None]:
    return straight_fit(view, at(-8.0, 9.05), at(8.0, 9.05), np.array([0.0, 1.0]))


def corner(view: View) -> Fit[Arc | None]:
    return arc_fit(view, at(9.05, 6.0), 3.05, 0.3, 1.2, True)


def same_rounds(alone: Round | None, beside: Round | None) -> bool:
    assert alone is not None
    assert beside is not None
    assert beside.centre == pytest.approx(alone.centre, rel=0, abs=ROUNDED_MM)
    assert beside.radius == pytest.approx(alone.radius, rel=0, abs=ROUNDED_MM)
    assert beside.covariance == pytest.approx(alone.covariance, rel=1e-6, abs=1e-12)
    assert beside.deviations_mm == pytest.approx(alone.deviations_mm, rel=0, abs=ROUNDED_MM)
    return True


def test_holes_of_different_size_and_blur_come_out_as_alone(view: View) -> None:
    first, none, second = settle(side_by_side([small(view), nothing(view), large(view)]))
    assert none is None
    assert same_rounds(settle(small(view)), first)
    assert same_rounds(settle(large(view)), second)


def test_a_line_and_an_arc_come_out_as_alone(view: View) -> None:
    line, arc = settle(both(side(view), corner(view)))
    line_alone, arc_alone = settle(side(view)), settle(corner(view))
    assert isinstance(line, Straight)
    assert isinstance(line_alone, Straight)
    assert isinstance(arc, Arc)
    assert isinstance(arc_alone, Arc)
    assert np.array([line.start, line.end]) == pytest.approx(np.array([line_alone.start, line_alone.end]), rel=0, abs=ROUNDED_MM)
    assert arc.centre == pytest.approx(arc_alone.centre, rel=0, abs=ROUNDED_MM)
    assert arc.covariance == pytest.approx(arc_alone.covariance, rel=1e-6, abs=1e-12)


def test_groups_within_groups_keep_their_order(view: View) -> None:
    (first, second), line = settle(both(side_by_side([large(view), small(view)]), side(view)))
    assert same_rounds(settle(large(view)), first)
    assert same_rounds(settle(small(view)), second)
    assert line is not None


def test_no_fits_have_no_results() -> None:
    none: list[Fit[Round | None]] = []
    assert settle(side_by_side(none)) == []
