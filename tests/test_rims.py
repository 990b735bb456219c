"""Which rim ends the backdrop, against exact intersections of projected circles."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import LinearRing, LineString, Point, Polygon

from holeinspect.edges.circle import Circle, fit_circle
from holeinspect.edges.contours import circle_stations
from holeinspect.edges.rims import Plate, Stations, clear_of_gaps, see
from holeinspect.measured import Array
from holeinspect.scale.camera import Camera
from tests.sight import FULL_LENS, camera_of
from tests.simulator.view import Pose, View

SIDES = 3600
"""Of the polygons that stand for circles: at a radius of 3 mm they depart by 2e-6 mm."""
COUNT = 720


def from_above(height_mm: float) -> Camera:
    return camera_of(View(Pose((0, 0, height_mm)), FULL_LENS))


def on_mat(camera: Camera, centre: Array, radius: float, z_mm: float) -> Polygon:
    """A circle at height z as the camera sees it, cast on the mat plane."""
    angle = 2 * np.pi * np.arange(SIDES) / SIDES
    ring = np.column_stack([centre + radius * np.column_stack([np.cos(angle), np.sin(angle)]), np.full(SIDES, z_mm)])
    return Polygon(camera.to_plane(camera.project(ring), 0.0))


def through(camera: Camera, centre: Array, radius: float, plate: Plate, break_mm: float = 0.0) -> Polygon:
    """What is seen of the backdrop through a hole: what lies within both of its rims."""
    low, high = (on_mat(camera, centre, radius, z) for z in (plate.bottom_mm + break_mm, plate.top_mm - break_mm))
    return low.intersection(high)


cameras = st.builds(
    lambda x, y, height, roll: camera_of(View(Pose((x, y, height), (0.3 * x, 0.3 * y, 0), roll), FULL_LENS)),
    st.floats(-100, 100), st.floats(-100, 100), st.floats(220, 500), st.floats(-180, 180),
)  # fmt: skip
holes = st.tuples(st.floats(-60, 60), st.floats(-60, 60), st.floats(1.2, 8.0))


@settings(max_examples=20, deadline=None)
@given(cameras, holes, st.floats(0.5, 6.0), st.floats(0, 0.2))
def test_every_station_clear_of_the_gaps_lies_on_the_border_of_what_is_seen_through_the_hole(
    camera: Camera, hole: tuple[float, float, float], thickness_mm: float, break_mm: float
) -> None:
    centre, radius, plate = np.array(hole[:2]), hole[2], Plate(0.0, thickness_mm)
    break_mm = min(break_mm, thickness_mm / 4)
    stations = circle_stations(centre, radius, COUNT)
    seen = see(camera, stations, plate, break_mm)
    clear = clear_of_gaps(camera, stations, plate, 1e-9)
    border = through(camera, centre, radius, plate, break_mm).exterior
    off = [border.distance(Point(p)) for p in camera.to_plane(seen.px[clear], 0.0)]
    assert max(off, default=0) < 0.012  # mm: rims less than a hundredth of the radius apart are taken as one


@given(cameras, holes, st.floats(0.5, 6.0))
def test_upper_rim_is_seen_where_the_wall_faces_away(
    camera: Camera, hole: tuple[float, float, float], thickness_mm: float
) -> None:
    stations = circle_stations(np.array(hole[:2]), hole[2], 36)
    seen = see(camera, stations, Plate(0.0, thickness_mm), 0.0)
    outwards = (stations.out * (stations.points_mm - camera.centre[:2])).sum(axis=1)
    assert (seen.upper == (outwards > 0)).all()
    assert seen.z_mm == pytest.approx(np.where(outwards > 0, thickness_mm, 0), rel=0, abs=1e-12)
    assert (seen.wall_px[seen.upper] == 0).all()
    assert (seen.face_px >= seen.wall_px).all()


def test_right_above_a_hole_its_lower_rim_is_seen_all_round() -> None:
    assert not see(from_above(350), circle_stations(np.zeros(2), 2.4, 36), Plate(0, 3.2), 0.0).upper.any()


def test_right_above_a_part_its_upper_rim_is_seen_all_round() -> None:
    outside = circle_stations(np.zeros(2), 2.4, 36, opening=False)
    assert see(from_above(350), outside, Plate(0, 3.2), 0.0).upper.all()


def test_gap_between_the_rims_spans_13_degrees_either_side() -> None:
    """D 4.8, t 3.2, camera 350 mm up, hole 120 mm off: half-angle asin(k|p|/2R), k|p| the shift of the upper rim
    against the lower (algorithms: which rim): 13.3°."""
    stations = circle_stations(np.array([120.0, 0.0]), 2.4, 3600)
    hidden = ~clear_of_gaps(from_above(350), stations, Plate(0, 3.2), 1e-9)
    half_angle_deg = 360 * hidden.mean() / 4
    assert half_angle_deg == pytest.approx(13.3, rel=0, abs=0.2)
    assert np.abs(stations.out[hidden, 1]).min() > np.cos(np.radians(15))  # about the points that the view touches


def test_blur_widens_the_gap_and_a_hole_right_below_has_none() -> None:
    off, below = circle_stations(np.array([60.0, 0]), 2.4, 360), circle_stations(np.zeros(2), 2.4, 360)
    sharp, soft = (clear_of_gaps(from_above(350), off, Plate(0, 3.2), sigma).mean() for sigma in (1e-9, 0.1))
    assert soft < sharp < 1
    assert clear_of_gaps(from_above(350), below, Plate(0, 0.5), 0.1).all()


def _on_border(border: LinearRing, angle: float) -> tuple[float, float]:
    """Where a ray from the middle of an opening meets its border."""
    middle = np.array(Polygon(border).centroid.coords[0])
    ray = LineString([middle, middle + 10 * np.array([np.cos(angle), np.sin(angle)])])
    met = ray.intersection(border)
    return met.x, met.y


@pytest.mark.parametrize(
    ("thickness_mm", "height_mm", "off_mm", "diameter_error", "centre_error"),
    [
        (0.5, 250, 30, -0.03, 0.03), (0.5, 500, 120, -0.08, 0.06), (1.6, 350, 60, -0.17, 0.13),
        (3.2, 250, 120, -1.09, 0.76), (3.2, 350, 60, -0.35, 0.26), (3.2, 500, 30, -0.11, 0.09),
        (6.0, 350, 60, -0.68, 0.50), (6.0, 500, 120, -1.01, 0.71),
    ],
)  # fmt: skip
def test_one_circle_for_what_is_seen_is_wrong_by_the_table_and_the_rule_is_exact(
    thickness_mm: float, height_mm: float, off_mm: float, diameter_error: float, centre_error: float
) -> None:
    """The project's table of errors for D = 4.8 mm (algorithms: which rim), worked out again from the intersection."""
    camera, centre, plate = from_above(height_mm), np.array([off_mm, 0.0]), Plate(0, thickness_mm)
    border = through(camera, centre, 2.4, plate).exterior
    points = np.array([_on_border(border, 2 * np.pi * share) for share in np.arange(720) / 720])
    ignored = fit_circle(points, np.ones(len(points)))
    assert isinstance(ignored, Circle)
    assert 2 * ignored.radius - 4.8 == pytest.approx(diameter_error, rel=0, abs=0.012)  # printed digits
    assert np.hypot(*(ignored.centre - centre)) == pytest.approx(centre_error, rel=0, abs=0.012)
    seen_px = camera.project(np.column_stack([points, np.zeros(len(points))]))
    upper = np.array([on_mat(camera, centre, 2.4, thickness_mm).exterior.distance(Point(p)) < 1e-4 for p in points])
    lower = np.array([on_mat(camera, centre, 2.4, 0.0).exterior.distance(Point(p)) < 1e-4 for p in points])
    kept = upper != lower
    true = camera.to_plane(seen_px[kept], np.where(upper[kept], thickness_mm, 0.0))
    fitted = fit_circle(true, np.ones(len(true)))
    assert isinstance(fitted, Circle)
    assert 2 * fitted.radius == pytest.approx(4.8, rel=0, abs=1e-4)
    assert fitted.centre == pytest.approx(centre, rel=0, abs=1e-4)


@settings(max_examples=40)
@given(cameras, holes, st.floats(0.5, 6.0), st.floats(0, 0.2), st.booleans())
def test_wall_and_face_begin_where_their_own_rims_are_projected(
    camera: Camera, hole: tuple[float, float, float], thickness_mm: float, break_mm: float, opening: bool
) -> None:
    """Along the line across the contour: the wall ends on the circle at t - b, the face on the circle b wider, at t."""
    centre, radius = np.array(hole[:2]), max(hole[2], 2.5)
    break_mm = min(break_mm, thickness_mm / 4)
    wall_mm = thickness_mm * np.hypot(*(centre - camera.centre[:2])) / (camera.centre[2] - thickness_mm)
    assume(wall_mm < radius / 2)
    stations = circle_stations(centre, radius, 48, opening)
    seen = see(camera, stations, Plate(0.0, thickness_mm), break_mm)
    sign = 1 if opening else -1
    steep = np.abs((stations.out * (stations.points_mm - camera.centre[:2])).sum(axis=1)) > 0.5 * np.linalg.norm(
        stations.points_mm - camera.centre[:2], axis=1
    )
    px_mm = seen.px_per_mm
    for reach, z, grown in (
        (seen.wall_px, thickness_mm - break_mm, 0.0),
        (seen.face_px, thickness_mm, sign * break_mm),
    ):
        ends = camera.to_plane(seen.px + reach[:, None] * seen.into, z)
        off_px = (np.hypot(*(ends - centre).T) - radius - grown) * px_mm
        looked = steep & (~seen.upper if grown == 0.0 else np.ones(len(stations), bool))
        looked &= reach > 0 if grown == 0.0 else reach > seen.wall_px
        assert np.abs(off_px[looked]).max(initial=0) < 0.03  # px: four steps along the arc


def test_wall_of_a_straight_edge_is_as_wide_as_its_two_rims_are_apart() -> None:
    """Edge along x at y = 40, metal beyond, camera 300 mm above the origin: the upper rim shows at 40·300/(300 - t)."""
    camera, thickness_mm = from_above(300), 3.0
    stations = Stations(np.array([[0.0, 40.0]]), np.array([[0.0, -1.0]]), np.zeros(1))
    seen = see(camera, stations, Plate(0.0, thickness_mm), 0.0)
    apart_mm = 40 * 300 / (300 - thickness_mm) - 40
    assert seen.wall_px[0] == pytest.approx(apart_mm * FULL_LENS.f_px / 300, rel=0, abs=1e-4)
    assert seen.into[0] == pytest.approx((0, -1), rel=0, abs=1e-9)  # up the page is up in the picture
