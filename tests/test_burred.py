"""Edges under their burrs, on simulated light with exact truth and the true camera."""

from __future__ import annotations

import numpy as np
import pytest

from holeinspect.edges.burred import under_burrs
from holeinspect.edges.contours import Arc, Round, Straight, arc_fit, round_fit, straight_fit
from holeinspect.edges.lockstep import settle
from holeinspect.edges.stretches import View
from holeinspect.measured import Array
from tests.sight import looked_at
from tests.simulator.scene import Broken, Burr, Levels, Part, Rim, Sharp
from tests.simulator.view import Pose

HALF_MM = 30.0
SQUARE = tuple((x, y, 0.0) for x, y in ((-30, -30), (30, -30), (30, 30), (-30, 30)))
ROUND_MM = 12.0
LUG = ((-30.0, -12.0, 0.0), (18.0, -12.0, 11.99), (18.0, 12.0, 11.99), (-30.0, 12.0, 0.0))
"""Its right end is an arc of 12 mm round (6, 0)."""
BRIGHT = Levels()
NEAR, FAR = Pose((-120, 0, 260), (0, 0, 0), 17.0), Pose((150, 0, 260), (0, 0, 0), 17.0)
"""The right edge seen without its wall, and behind it."""


def right_edge(rim: Rim, pose: Pose, optics_px: float = 0.7, levels: Levels = BRIGHT) -> tuple[Straight, Straight]:
    """A square's right edge, at x = 30 mm, as it is fitted and as it is under its burr."""
    part = Part(2.0, SQUARE, rim=rim, levels=levels)
    view, _ = looked_at(part, (20, -25, 36, 25), pose, optics_px)
    fitted = settle(straight_fit(view, np.array([30.05, -24.0]), np.array([29.95, 24.0]), np.array([1.0, 0.0])))
    assert fitted is not None
    (found,) = under_burrs(view, [fitted])
    assert isinstance(found, Straight)
    return fitted, found


def off_mm(edge: Straight) -> Array:
    """How far the edge's ends lie off the metal."""
    return np.array([edge.start[0], edge.end[0]]) - HALF_MM


@pytest.mark.parametrize("pose", [NEAR, FAR])
@pytest.mark.parametrize("burr", [Burr(0.25, 0.95), Burr(0.22, 0.6), Burr(0.16, 0.3)])
def test_edge_under_a_ragged_lip_is_where_the_metal_ends(burr: Burr, pose: Pose) -> None:
    """0.05 mm: a lip all along leaves little of the edge; lips reach 0.16 to 0.25 mm."""
    _, found = right_edge(burr, pose)
    assert np.abs(off_mm(found)).max() < 0.05
    assert np.abs(off_mm(found)).max() < 2 * found.lip.u_mm + 0.01
    assert found.out == pytest.approx(np.array([1.0, 0.0]), rel=0, abs=0.003)


def test_fit_alone_runs_along_the_tips_of_a_lip() -> None:
    """Why the trace is asked at all."""
    fitted, _ = right_edge(Burr(0.25, 0.95), NEAR)
    assert off_mm(fitted).min() > 0.1


@pytest.mark.parametrize("away_mm", [2, 6, 12, 25])
@pytest.mark.parametrize("wall", [0.02, 0.25, 0.5])
def test_narrow_wall_of_unknown_light_is_in_the_uncertainty_of_a_burred_edge(away_mm: float, wall: float) -> None:
    """Seen from just beyond the edge, the wall is 0.01 to 0.2 mm wide, dark as the ground to as bright as the face."""
    _, found = right_edge(Burr(0.22, 0.9), Pose((HALF_MM + away_mm, 0, 260), (HALF_MM, 0, 0), 17.0), levels=Levels(wall=wall))
    assert np.abs(off_mm(found)).max() < 2 * found.lip.u_mm + 0.02


@pytest.mark.parametrize("pose", [NEAR, FAR])
@pytest.mark.parametrize("rim", [Sharp(), Broken(0.1), Broken(0.2)])
@pytest.mark.parametrize("optics_px", [0.6, 1.5, 2.5])
def test_clean_edge_stays_where_the_fit_found_it(rim: Rim, pose: Pose, optics_px: float) -> None:
    fitted, found = right_edge(rim, pose, optics_px)
    assert (off_mm(found) == off_mm(fitted)).all()
    assert found.lip.u_mm == 0
    assert 0 < found.lip.hidden_mm < 0.15


def test_blurred_edge_says_that_greater_lips_would_not_show() -> None:
    sharp, soft = (right_edge(Sharp(), NEAR, optics_px)[1].lip.hidden_mm for optics_px in (0.6, 3.0))
    assert soft > 1.5 * sharp


def test_edge_that_hardly_differs_from_the_ground_is_not_traced() -> None:
    _, found = right_edge(Sharp(), NEAR, levels=Levels(face=0.055, wall=0.045))
    assert not found.lip.traced


def lug_end(rim: Rim) -> tuple[Arc, Arc]:
    """The round end of a lug as it is fitted and as it is under its burr."""
    view: View
    view, _ = looked_at(Part(2.0, LUG, rim=rim), (2, -16, 24, 16), NEAR)
    fitted = settle(arc_fit(view, np.array([6.05, 0.0]), ROUND_MM, np.radians(-75), np.radians(75), True))
    assert fitted is not None
    (found,) = under_burrs(view, [fitted])
    assert isinstance(found, Arc)
    return fitted, found


def tip_mm(arc: Arc) -> float:
    return float(arc.centre[0] + arc.radius - 18.0)


def test_arc_under_a_ragged_lip_is_where_the_metal_ends() -> None:
    fitted, found = lug_end(Burr(0.25, 0.95))
    assert tip_mm(fitted) > 0.08
    assert abs(tip_mm(found)) < 0.05


def test_clean_arc_stays_where_the_fit_found_it() -> None:
    fitted, found = lug_end(Broken(0.1))
    assert tip_mm(found) == tip_mm(fitted)


def disc_edge(rim: Rim) -> tuple[Round, Round]:
    """The edge of a round part of radius ROUND_MM as it is fitted and as it is under its burr."""
    angles = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    ring = tuple((ROUND_MM * float(np.cos(angle)), ROUND_MM * float(np.sin(angle)), 0.0) for angle in angles)
    view, _ = looked_at(Part(2.0, ring, rim=rim), (-16, -16, 16, 16), NEAR)
    fitted = settle(round_fit(view, np.array([0.05, 0.0]), ROUND_MM + 0.05, opening=False))
    assert fitted is not None
    (found,) = under_burrs(view, [fitted])
    assert isinstance(found, Round)
    return fitted, found


def test_round_part_under_a_ragged_lip_is_as_wide_as_the_metal() -> None:
    fitted, found = disc_edge(Burr(0.25, 0.95))
    assert fitted.radius - ROUND_MM > 0.08
    assert found.radius == pytest.approx(ROUND_MM, rel=0, abs=0.05)
    assert abs(found.radius - ROUND_MM) < 2 * found.burr_u_mm


def test_clean_round_part_stays_as_wide_as_the_fit_found_it() -> None:
    fitted, found = disc_edge(Broken(0.1))
    assert (found.radius, found.burr_u_mm) == (fitted.radius, 0.0)
