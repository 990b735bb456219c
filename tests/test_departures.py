"""Traced contours and what stands off them, on simulated light with exact truth and the true camera."""

from __future__ import annotations

import numpy as np
import pytest

from holeinspect.edges.contours import px_per_mm, round_fit, straight_fit
from holeinspect.edges.departures import Departures, departures, round_form, straight_form
from holeinspect.edges.gauss import long_wave
from holeinspect.edges.lockstep import settle
from holeinspect.edges.stretches import View
from holeinspect.edges.trace import Course, open_course, round_course, trace
from holeinspect.measured import Array
from tests.sight import looked_at
from tests.simulator.scene import Broken, Burr, Hole, Part, Rim, Sharp
from tests.simulator.shot import Simulated
from tests.simulator.view import Pose

SQUARE = tuple((x, y, 0.0) for x, y in ((-40, -40), (40, -40), (40, 40), (-40, 40)))
POSE = Pose((0, 0, 250), (0, 0, 0), 17.0)
DIAMETER_MM = 4.8


def rim(rim: Rim, at: tuple[float, float] = (0.0, 0.0), thickness_mm: float = 1.0,
        optics_px: float = 0.7) -> tuple[Departures, Simulated]:  # fmt: skip
    """The departures of one rim, fitted from a first guess 1 px off."""
    part = Part(thickness_mm, SQUARE, (Hole((0, 0), DIAMETER_MM, rim),), at_mm=at)
    window = (at[0] - 6, at[1] - 6, at[0] + 6, at[1] + 6)
    view, photo = looked_at(part, window, POSE, optics_px)
    found = settle(round_fit(view, np.array(at) + 0.08, DIAMETER_MM / 2 + 0.06))
    assert found is not None
    course = round_course(found.centre, found.radius, px_per_mm(view, found.centre))
    return of(view, course, round_form(course.at)), photo


def of(view: View, course: Course, form: Array) -> Departures:
    camera = view.camera.centre
    return departures(trace([view], [course])[0], form, float(camera[2] - view.plate.top_mm), camera[:2])


def lip_mm(photo: Simulated, found: Departures) -> Array:
    """How far the lip truly reaches into the opening, at the course's points, through the profile's filter."""
    ring = np.array(photo.burred_openings()[0].exterior.coords)
    angle = np.arctan2(ring[:, 1], ring[:, 0])
    reach = np.maximum(DIAMETER_MM / 2 - np.hypot(*ring.T), 0)
    order = np.argsort(angle)
    at = np.interp(found.trace.course.at, angle[order], reach[order], period=2 * np.pi)
    return long_wave(at, found.trace.course.step_mm, found.cutoff_mm, closed=True).values


@pytest.mark.parametrize("clean", [Sharp(), Broken(0.1), Broken(0.2)])
@pytest.mark.parametrize("at", [(0.0, 0.0), (60.0, 30.0)])
@pytest.mark.parametrize("optics_px", [0.6, 1.5, 2.5])
def test_nothing_stands_off_a_clean_rim_in_sharp_and_soft_light(clean: Rim, at: tuple[float, float], optics_px: float) -> None:
    found, _ = rim(clean, at, optics_px=optics_px)
    assert found.standing == ()
    assert np.nanmax(found.profile_mm) < 0.03


@pytest.mark.parametrize("lean_mm", [0.12, 0.2, 0.3])
@pytest.mark.parametrize("cover", [0.2, 0.6])
def test_burr_is_found_where_it_is_and_as_great_as_it_is(lean_mm: float, cover: float) -> None:
    """The lip's light (0.6 against the face's 0.5) and its fine points leave 0.03 mm."""
    found, photo = rim(Burr(lean_mm, cover))
    truth = lip_mm(photo, found)
    greatest = found.standing[0]
    assert greatest.height_mm == pytest.approx(truth.max(), rel=0, abs=0.03)
    off = (greatest.peak - int(np.argmax(truth))) * found.trace.course.step_mm
    assert abs(off) < 0.2 or truth[greatest.peak] > truth.max() - 0.02


def test_burr_is_seen_in_front_of_a_wall_too() -> None:
    found, photo = rim(Burr(0.25, 0.5), (60.0, 30.0), 3.2)
    truth = lip_mm(photo, found)
    walled = found.trace.wall_px > 3
    assert truth[walled].max() > 0.1
    assert np.nanmax(found.profile_mm[walled]) == pytest.approx(truth[walled].max(), rel=0, abs=0.06)


def test_softer_photo_states_a_larger_smallest_burr_and_no_less_uncertainty() -> None:
    sharp, soft = (rim(Burr(0.2, 0.5), optics_px=px)[0] for px in (0.6, 3.0))
    assert soft.smallest_mm > 1.5 * sharp.smallest_mm
    assert soft.cutoff_mm > sharp.cutoff_mm


STUBBED = ((-40, -40, 0.0), (40, -40, 0.0), (40, 40, 0.0), (6, 40, 0.0), (6, 40.3, 0.0), (4, 40.3, 0.0), (4, 40, 0.0),
           (-3.5, 40, 0.0), (-4, 39.6, 0.0), (-4.5, 40, 0.0), (-40, 40, 0.0))  # fmt: skip
"""A stub 2 mm wide and 0.3 mm high, and a nick 1 mm wide and 0.4 mm deep, on the upper side."""


def test_stub_and_nick_show_in_the_open_profile_of_a_straight_edge() -> None:
    part = Part(1.0, STUBBED, rim=Sharp())
    view, _ = looked_at(part, (-14, 34, 14, 44), POSE)
    line = settle(straight_fit(view, np.array([12.0, 40.05]), np.array([-12.0, 40.05]), np.array([0.0, 1.0])))
    assert line is not None
    course = open_course(np.array([line.start, line.end]), px_per_mm(view, line.start))
    assert course.out[3] == pytest.approx([0, 1], rel=0, abs=0.01)
    found = of(view, course, straight_form(course.at))
    (stub,) = found.standing
    assert stub.height_mm == pytest.approx(0.3, rel=0, abs=0.03)  # allowed for blunting as a burr, which it is not
    x = course.points_mm[:, 0]
    assert x[stub.first] == pytest.approx(6, rel=0, abs=0.15)
    assert x[stub.last] == pytest.approx(4, rel=0, abs=0.15)
    assert x[np.nanargmin(found.profile_mm)] == pytest.approx(-4, rel=0, abs=0.1)
    assert -0.4 < np.nanmin(found.profile_mm) < -0.25  # the filter blunts the point of the nick


@pytest.mark.parametrize("closed", [True, False])
def test_course_is_even_and_its_normals_leave_the_metal(closed: bool) -> None:
    angle = np.radians(np.arange(0, 181))
    arc = 5 * np.column_stack([np.cos(angle), np.sin(angle)])  # metal inside: a round outer corner
    course = round_course(np.zeros(2), 5.0, 10.0, opening=False) if closed else open_course(arc, 10.0)
    steps = np.hypot(*np.diff(course.points_mm, axis=0).T)
    np.testing.assert_allclose(steps, course.step_mm, rtol=0, atol=2e-4)
    np.testing.assert_allclose((course.out * course.points_mm).sum(axis=1), 5, rtol=0, atol=2e-3)
    np.testing.assert_allclose(course.bend[5:-5], -0.2, rtol=0, atol=0.02)
