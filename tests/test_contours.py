"""Whole contours fitted to linear light: one thing at a time, with the true camera, against exact truth.

Tolerances are in px of a picture of 10 px/mm without noise, and were measured first: what is left is the model's own.
"""

from __future__ import annotations

import numpy as np
import pytest
from shapely import Point, Polygon

from holeinspect.edges.contours import Arc, Round, Straight, arc_fit, px_per_mm, round_fit, straight_fit
from holeinspect.edges.lockstep import settle
from holeinspect.edges.stretches import View
from holeinspect.measure.openings import Opening, opening_fit
from holeinspect.measured import Array
from tests.sight import looked_at
from tests.simulator.scene import Broken, Hole, Levels, Part, Rim, Sharp
from tests.simulator.view import Pose

SQUARE = tuple((x, y, 0.0) for x, y in ((-40, -40), (40, -40), (40, 40), (-40, 40)))
WHITE = 0.8
DULL = Levels(face=0.4, wall=0.2, chamfer=0.5)
"""A part that is dark against a white window."""


SHARP, BRIGHT = Sharp(), Levels()


def above(height_mm: float = 300.0, tilt_deg: float = 0.0) -> Pose:
    return Pose((height_mm * np.sin(np.radians(tilt_deg)), 0, height_mm), (0, 0, 0), 17.0)


FROM_ABOVE = above()


def drilled(
    diameter_mm: float = 4.8,
    thickness_mm: float = 1.6,
    at: tuple[float, float] = (40.0, 20.0),
    rim: Rim = SHARP,
    levels: Levels = BRIGHT,
    pose: Pose = FROM_ABOVE,
    optics_px: float = 0.7,
    backdrop: float = 0.04,
) -> tuple[Round, Array]:
    """A hole as fitted from a first guess 1 px off, and the errors of diameter, x and y in px."""
    part = Part(thickness_mm, SQUARE, (Hole((0, 0), diameter_mm, rim),), at_mm=at, rim=rim, levels=levels)
    half = diameter_mm / 2 + 4
    window = (at[0] - half, at[1] - half, at[0] + half, at[1] + half)
    view, _ = looked_at(part, window, pose, optics_px, backdrop)
    found = settle(round_fit(view, np.array(at) + 0.08, diameter_mm / 2 + 0.06))
    assert found is not None
    scale = px_per_mm(view, np.array(at))
    return found, scale * np.array([2 * found.radius - diameter_mm, *(found.centre - at)])


def check(found: Round, error_px: Array, diameter_px: float, centre_px: float) -> None:
    """Within the stated limits, and within 3 of the fit's own standard uncertainties (0.02 px of the model besides)."""
    assert abs(error_px[0]) < diameter_px
    assert np.abs(error_px[1:]).max() < centre_px
    u_px = 10 * np.sqrt(np.diag(found.covariance)[:3]) * [1, 1, 2]
    assert (np.abs(error_px[[1, 2, 0]]) < 3 * u_px + 0.02).all()


@pytest.mark.parametrize("thickness_mm", [0.5, 1.6, 3.2, 6.0])
@pytest.mark.parametrize("at", [(15.0, 0.0), (60.0, -30.0), (0.0, 110.0)])
def test_thickness_and_distance_from_the_nadir_do_not_move_a_sharp_hole(
    thickness_mm: float, at: tuple[float, float]
) -> None:
    check(*drilled(thickness_mm=thickness_mm, at=at), diameter_px=0.06, centre_px=0.04)


@pytest.mark.parametrize("thickness_mm", [0.5, 2.0, 6.0])
def test_right_above_the_hole_a_thin_dark_wall_is_within_the_uncertainty(thickness_mm: float) -> None:
    """The wall is under a pixel wide and nothing tells its brightness: the fit says so (u about as large)."""
    found, error_px = drilled(thickness_mm=thickness_mm, at=(0.0, 0.0))
    check(found, error_px, diameter_px=0.15, centre_px=0.02)


@pytest.mark.parametrize("height_mm", [220.0, 350.0, 500.0])
def test_height_of_the_camera_does_not_move_a_hole(height_mm: float) -> None:
    check(*drilled(pose=above(height_mm), thickness_mm=2.0), diameter_px=0.06, centre_px=0.04)


@pytest.mark.parametrize("tilt_deg", [5.0, 10.0, 20.0])
def test_tilt_of_the_camera_does_not_move_a_hole(tilt_deg: float) -> None:
    check(*drilled(pose=above(300, tilt_deg), thickness_mm=2.0, at=(0.0, 10.0)), diameter_px=0.06, centre_px=0.04)


@pytest.mark.parametrize("diameter_mm", [1.5, 2.4, 3.2, 6.4, 12.0])
def test_size_of_the_hole_does_not_bias_it(diameter_mm: float) -> None:
    check(*drilled(diameter_mm, at=(30.0, 0.0)), diameter_px=0.07, centre_px=0.05)


@pytest.mark.parametrize("optics_px", [0.6, 0.9, 1.2, 1.6])
def test_blur_does_not_move_a_hole(optics_px: float) -> None:
    check(*drilled(optics_px=optics_px), diameter_px=0.06, centre_px=0.04)


@pytest.mark.parametrize("optics_px", [0.7, 1.2])
def test_bend_of_a_blurred_rim_is_corrected_at_a_radius_of_10_px(optics_px: float) -> None:
    """Uncorrected the diameter is small by s²/R (algorithms: curvature): 0.06 and 0.15 px."""
    _, error_px = drilled(2.0, 0.5, (0.0, 0.0), optics_px=optics_px)
    assert abs(error_px[0]) < 0.025


@pytest.mark.parametrize("at", [(0.0, 0.0), (60.0, 0.0)])
@pytest.mark.parametrize("chamfer_mm", [0.1, 0.2, 0.3])
def test_broken_rim_is_seen_and_the_bore_measured(chamfer_mm: float, at: tuple[float, float]) -> None:
    found, error_px = drilled(rim=Broken(chamfer_mm), thickness_mm=2.0, at=at)
    check(found, error_px, diameter_px=0.15, centre_px=0.08)  # a dark wall pulls broken rims a little towards it
    assert found.fitted.broken_share > 0.95
    assert found.fitted.break_mm == pytest.approx(chamfer_mm, rel=0, abs=0.03)


def test_sharp_rim_is_not_called_broken() -> None:
    assert drilled()[0].fitted.broken_share < 0.05


@pytest.mark.parametrize("wall", [0.04, 0.5], ids=["as dark as the backdrop", "as bright as the face"])
def test_wall_that_looks_like_backdrop_or_face_does_not_move_the_hole(wall: float) -> None:
    levels = Levels(face=0.5, wall=wall, chamfer=0.65)
    check(*drilled(thickness_mm=3.2, at=(60.0, 0.0), levels=levels), diameter_px=0.06, centre_px=0.04)


@pytest.mark.parametrize("at", [(0.0, 0.0), (20.0, 0.0), (60.0, 30.0)])
def test_hole_on_a_white_backdrop_is_measured_alike(at: tuple[float, float]) -> None:
    check(*drilled(at=at, levels=DULL, backdrop=WHITE), diameter_px=0.06, centre_px=0.04)


@pytest.mark.parametrize("thickness_mm", [0.5, 1.6, 6.0])
@pytest.mark.parametrize("at", [(0.0, 0.0), (60.0, -30.0)])
@pytest.mark.parametrize("rim", [Sharp(), Broken(0.15)], ids=["sharp", "broken"])
def test_outside_of_a_disc_is_measured(rim: Rim, at: tuple[float, float], thickness_mm: float) -> None:
    angles = np.radians(np.arange(360))
    even = 10 * np.sqrt(np.radians(1) / np.sin(np.radians(1)))  # a polygon of the circle's area
    rows = tuple((float(even * np.cos(a)), float(even * np.sin(a)), 0.0) for a in angles)
    view, _ = looked_at(Part(thickness_mm, rows, at_mm=at, rim=rim),
                        (at[0] - 13, at[1] - 13, at[0] + 13, at[1] + 13), above())  # fmt: skip
    found = settle(round_fit(view, np.array(at) + 0.05, 10.05, opening=False))
    assert found is not None
    error_px = px_per_mm(view, np.array(at)) * np.array([2 * found.radius - 20, *(found.centre - at)])
    check(found, error_px, diameter_px=0.06, centre_px=0.04)


# Straight edges and arcs


def lower_edge(
    thickness_mm: float, y_mm: float, backdrop: float = 0.04, levels: Levels = BRIGHT, rim: Rim = SHARP
) -> tuple[Straight, float, float]:
    """The lower edge of a plate at y, its offset (positive into the metal) and end-to-end turn, px."""
    rows = tuple((x, y, 0.0) for x, y in ((-40, y_mm), (40, y_mm), (40, y_mm + 60), (-40, y_mm + 60)))
    view, _ = looked_at(Part(thickness_mm, rows, levels=levels, rim=rim), (-12, y_mm - 6, 12, y_mm + 8), above(), 0.7,
                        backdrop)  # fmt: skip
    found = settle(straight_fit(view, np.array([-10, y_mm + 0.1]), np.array([10, y_mm + 0.05]), np.array([0.0, -1])))
    assert found is not None
    (_, first), (_, last) = px_per_mm(view, np.array([0, y_mm])) * (np.array([found.start, found.end]) - (0, y_mm))
    return found, float(first + last) / 2, float(last - first)


@pytest.mark.parametrize("thickness_mm", [0.5, 1.6, 3.2, 6.0])
@pytest.mark.parametrize("y_mm", [-60.0, 10.0, 60.0], ids=["wall hidden", "thin wall", "wide wall"])
def test_straight_edge_lies_where_it_is(y_mm: float, thickness_mm: float) -> None:
    found, offset_px, turn_px = lower_edge(thickness_mm, y_mm)
    assert abs(offset_px) < 0.07
    assert abs(offset_px) < 3 * 10 * np.sqrt(found.covariance[0, 0]) + 0.02
    assert abs(turn_px) < 0.02


@pytest.mark.parametrize("y_mm", [-60.0, -10.0])
def test_straight_edge_on_white_lies_where_it_is_when_its_wall_is_hidden(y_mm: float) -> None:
    assert abs(lower_edge(1.6, y_mm, WHITE, DULL)[1]) < 0.07


def test_straight_edge_on_white_lies_where_it_is_when_its_wall_is_thin() -> None:
    offsets_px = [lower_edge(1.6, y_mm, WHITE, DULL)[1] for y_mm in (5.0, 10.0)]
    assert np.abs(offsets_px).max() < 0.15


@pytest.mark.parametrize("chamfer_mm", [0.15, 0.2, 0.3])
def test_broken_straight_edge_lies_within_its_uncertainty(chamfer_mm: float) -> None:
    """Nothing but its light tells one straight edge's break: where it reads as sharp, that doubt is in the covariance."""
    found, offset_px, _ = lower_edge(2.0, 40.0, rim=Broken(chamfer_mm))
    u_px = 10 * np.sqrt(found.covariance[0, 0])
    assert abs(offset_px) < 3 * u_px + 0.02
    assert abs(offset_px) < 0.15 or u_px > 0.2


@pytest.mark.parametrize("at", [(50.0, 30.0), (-50.0, -30.0), (-30.0, 50.0)])
@pytest.mark.parametrize("bulges", [True, False], ids=["corner", "notch"])
def test_arc_of_a_corner_is_measured(bulges: bool, at: tuple[float, float]) -> None:
    """A quarter circle of 6 mm: an outer corner, or the inner corner of an L."""
    outer = ((-20, -20, 0.0), (0, -20, 0.0), (0, 0, 6.0), (-20, 0, 0.0))
    inner = ((-20, -20, 0.0), (20, -20, 0.0), (20, 0, 0.0), (0, 0, 6.0), (0, 20, 0.0), (-20, 20, 0.0))
    part = Part(1.6, outer if bulges else inner, at_mm=at)
    view, _ = looked_at(part, (at[0] - 12, at[1] - 12, at[0] + 12, at[1] + 12), above())
    true = np.array(at) + (-6 if bulges else 6)
    middle = np.pi / 4 if bulges else -3 * np.pi / 4
    found = settle(arc_fit(view, true + 0.06, 6.05, middle - 0.65, middle + 0.65, bulges))
    assert isinstance(found, Arc)
    # An arc of 75° leaves radius and centre loose against each other; the arc's own middle is firm.
    out = np.array([np.cos(middle), np.sin(middle)])
    off_mm = (found.centre + found.radius * out) - (true + 6 * out)
    assert abs(off_mm @ out) < 0.01
    assert found.radius == pytest.approx(6, rel=0, abs=0.06)


def test_contour_out_of_the_picture_is_no_fit() -> None:
    part = Part(1.6, SQUARE, (Hole((0, 0), 4.8),))
    view, _ = looked_at(part, (-6, -6, 6, 6), above())
    assert settle(round_fit(view, np.array([60.0, 0]), 2.4)) is None
    assert settle(straight_fit(view, np.array([60.0, 0]), np.array([80.0, 0]), np.array([0.0, -1]))) is None
    assert settle(arc_fit(view, np.array([60.0, 0]), 5.0, 0.0, 1.0, True)) is None


# What an opening is


def rough_contour(shape: Polygon, seed: int = 0) -> Array:
    """As the finder gives it: a pixel apart, half a pixel off, the metal on the left (clockwise round an opening)."""
    ring = shape.exterior
    count = int(ring.length / 0.1)
    points = np.array([ring.interpolate(i / count, normalized=True).coords[0] for i in range(count)])
    points = points[::-1] if ring.is_ccw else points
    return points + 0.04 * np.random.default_rng(seed).standard_normal(points.shape)


def opened(hole: Hole, thickness_mm: float = 1.6, at: tuple[float, float] = (30.0, -10.0)) -> tuple[View, Array]:
    part = Part(thickness_mm, SQUARE, (hole,), at_mm=at)
    shape = part.placed(hole.opening())
    left, bottom, right, top = shape.bounds
    view, _ = looked_at(part, (left - 4, bottom - 4, right + 4, top + 4), above())
    return view, rough_contour(shape)


def measured(hole: Hole, thickness_mm: float = 1.6, at: tuple[float, float] = (30.0, -10.0)) -> Opening:
    view, contour = opened(hole, thickness_mm, at)
    found = settle(opening_fit(view, contour, np.ones(len(contour), bool)))
    assert found is not None
    return found


@pytest.mark.parametrize("wall", [0.35, 0.5, 0.7])
@pytest.mark.parametrize("diameter_mm", [1.8, 2.4, 3.2])
def test_hole_is_measured_whole_where_only_the_view_through_it_was_found(diameter_mm: float, wall: float) -> None:
    """Before a lit wall the finder may take backdrop for a dark wall, and put the far side one wall too near.

    The face's light is 0.5: a wall as bright as that shows by the shape of what is seen through the hole alone.
    """
    at, thickness_mm = np.array([60.0, 12.0]), 2.0
    part = Part(thickness_mm, SQUARE, (Hole((0, 0), diameter_mm),), at_mm=(60.0, 12.0), levels=Levels(wall=wall))
    view, _ = looked_at(part, (55.0, 7.0, 65.0, 17.0), above())
    shift = thickness_mm / (300.0 - thickness_mm) * at
    contour = rough_contour(Point(at - shift / 2).buffer((diameter_mm - np.hypot(*shift)) / 2, quad_segs=64))
    found = settle(opening_fit(view, contour, np.ones(len(contour), bool)))
    assert found is not None
    assert found.rim is not None
    assert 2 * found.rim.radius == pytest.approx(diameter_mm, rel=0, abs=0.02)
    assert found.rim.centre == pytest.approx(at, rel=0, abs=0.01)


@pytest.mark.parametrize("at", [(30.0, -10.0), (60.0, 30.0)])
@pytest.mark.parametrize("thickness_mm", [0.8, 3.2])
def test_round_hole_is_called_round(thickness_mm: float, at: tuple[float, float]) -> None:
    found = measured(Hole((0, 0), 4.8), thickness_mm, at)
    assert found.shape == "round"
    assert found.is_hole
    assert found.rim is not None
    assert 2 * found.rim.radius == pytest.approx(4.8, rel=0, abs=0.006)


@pytest.mark.parametrize("at", [(30.0, -10.0), (60.0, 30.0)])
@pytest.mark.parametrize(("width_mm", "way_mm"), [(5.0, (6.0, 2.0)), (4.0, (12.0, 0.0)), (3.0, (0.0, 8.0))])
def test_slot_is_measured_by_its_ends_and_sides(
    width_mm: float, way_mm: tuple[float, float], at: tuple[float, float]
) -> None:
    found = measured(Hole((0, 0), width_mm, slot_mm=way_mm), 1.6, at)
    assert found.shape == "slot"
    length = np.hypot(*way_mm)
    assert found.axes_mm == pytest.approx((length + width_mm, width_mm), rel=0, abs=0.015)
    assert found.ends_mm is not None
    ends = np.sort(np.array(found.ends_mm) - at, axis=0)
    assert ends == pytest.approx(np.array([(0.0, 0.0), way_mm]), rel=0, abs=0.015)
    assert found.rim is not None
    assert 2 * np.sqrt(found.rim.covariance[2, 2]) < 0.05


def test_hole_drilled_twice_in_thin_sheet_is_told_from_a_round_one() -> None:
    found = measured(Hole((0, 0), 4.8, second_mm=(0.3, 0.0)), 0.8, (30.0, -10.0))
    assert found.shape in ("twice drilled", "oval")
    assert found.axes_mm is not None
    assert found.axes_mm[0] - found.axes_mm[1] > 0.1


@pytest.mark.parametrize(
    "second_mm",
    [
        pytest.param((0.3, 0.0), marks=pytest.mark.xfail(strict=True, reason="half of the rim is left out as ragged")),
        (0.5, 0.3),
    ],
)
def test_hole_drilled_twice_in_thicker_sheet_is_told_from_a_round_one(second_mm: tuple[float, float]) -> None:
    assert measured(Hole((0, 0), 4.8, second_mm=second_mm), 2.0, (60.0, 30.0)).shape != "round"


def test_a_few_points_are_no_opening() -> None:
    view, contour = opened(Hole((0, 0), 4.8))
    few = np.zeros(len(contour), bool)
    few[:7] = True
    assert settle(opening_fit(view, contour, few)) is None
