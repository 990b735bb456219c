"""The camera against OpenCV, closed forms and its own inverse."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from holeinspect.measured import Array
from holeinspect.scale.camera import Camera
from holeinspect.scale.solve import moved, picture_moves
from tests.sight import camera_of
from tests.simulator.view import Lens, Pose, View

HEIGHT_MM = 350.0
FROM_ABOVE = camera_of(View(Pose((0, 0, HEIGHT_MM)), Lens(2950.0)))


def a_camera(x: float, y: float, height: float, roll: float, distortion: tuple[float, ...]) -> Camera:
    """A phone above the mat, looking somewhere near its middle."""
    view = View(Pose((x, y, height), (y / 3, x / 3, 0), roll), Lens(2950.0, principal_px=(2030.0, 1490.0)))
    return Camera(view.K, np.array([*distortion]), view.R, view.t)


lenses = st.tuples(
    st.floats(-0.1, 0.1), st.floats(-0.1, 0.1), st.floats(-1e-3, 1e-3), st.floats(-1e-3, 1e-3), st.floats(-0.05, 0.05)
)
cameras = st.builds(
    a_camera, st.floats(-120, 120), st.floats(-120, 120), st.floats(200, 600), st.floats(-180, 180), lenses
)
points_mm = st.lists(st.tuples(st.floats(-80, 80), st.floats(-80, 80), st.floats(0, 6)), min_size=1, max_size=5)


@given(cameras, points_mm)
def test_projection_agrees_with_opencv(camera: Camera, points: list[tuple[float, float, float]]) -> None:
    turn = Rotation.from_matrix(camera.rotation).as_rotvec()
    theirs, _ = cv2.projectPoints(np.array(points), turn, camera.translation, camera.K, camera.distortion)
    assert camera.project(np.array(points)) == pytest.approx(theirs.reshape(-1, 2), rel=0, abs=1e-6)  # px, rounding


@given(cameras, points_mm)
def test_a_pixel_leads_back_to_its_point_at_any_height(
    camera: Camera, points: list[tuple[float, float, float]]
) -> None:
    known = np.array(points)
    back = camera.to_plane(camera.project(known), known[:, 2])
    assert back == pytest.approx(known[:, :2], rel=0, abs=1e-5)  # mm; OpenCV's undistortion is iterative


@given(cameras)
def test_viewing_rays_start_at_the_centre_and_go_down(camera: Camera) -> None:
    point = np.array([[30.0, -20.0, 2.0]])
    ray, way = camera.rays(camera.project(point))[0], point[0] - camera.centre
    assert ray[2] < 0
    assert np.cross(ray / np.linalg.norm(ray), way / np.linalg.norm(way)) == pytest.approx(np.zeros(3), rel=0, abs=1e-8)


def test_page_is_upright_seen_from_above() -> None:
    right, up = FROM_ABOVE.project(np.array([[10.0, 0, 0], [0, 10.0, 0]])) - FROM_ABOVE.K[:2, 2]
    assert right[0] > 0
    assert up[1] < 0
    assert FROM_ABOVE.centre == pytest.approx((0, 0, HEIGHT_MM), rel=0, abs=1e-9)


@pytest.mark.parametrize(("thickness_mm", "error_mm"), [(3.2, 0.923), (0.8, 0.229)])
def test_height_ignored_lengthens_a_pitch_as_similar_triangles_say(thickness_mm: float, error_mm: float) -> None:
    """100 mm on a face at t, seen from 350 mm: 100·(350/(350 - t) - 1) mm too long if taken to lie on the mat."""
    holes = np.array([[-50.0, 10, thickness_mm], [50.0, 10, thickness_mm]])
    on_mat = FROM_ABOVE.to_plane(FROM_ABOVE.project(holes), 0.0)
    assert np.hypot(*(on_mat[1] - on_mat[0])) - 100 == pytest.approx(error_mm, rel=0, abs=5e-4)  # printed digits
    on_face = FROM_ABOVE.to_plane(FROM_ABOVE.project(holes), thickness_mm)
    assert np.hypot(*(on_face[1] - on_face[0])) == pytest.approx(100, rel=0, abs=1e-9)


@pytest.mark.parametrize("z_mm", [0.0, 3.2])
def test_resolution_straight_above_is_focal_length_over_distance(z_mm: float) -> None:
    jacobian = FROM_ABOVE.px_per_mm(np.array([[20.0, -35.0, z_mm]]))[0]
    scale = 2950 / (HEIGHT_MM - z_mm)
    assert jacobian == pytest.approx(scale * np.array([[1.0, 0], [0, -1]]), rel=0, abs=1e-5)  # px/mm


@given(cameras, points_mm)
def test_resolution_is_the_change_of_the_projection(camera: Camera, points: list[tuple[float, float, float]]) -> None:
    at, step = np.array(points), 0.05
    jacobian = camera.px_per_mm(at)
    for axis in range(2):
        move = step * np.eye(3)[axis]
        change = (camera.project(at + move) - camera.project(at - move)) / (2 * step)
        assert jacobian[:, :, axis] == pytest.approx(change, rel=0, abs=1e-4)  # px/mm; third order in the step


SMALL = np.array([1e-4, 1, 1, 1e-4, 1e-4, 1e-5, 1e-5, 1e-4, 1e-4, 1e-4, 0.05, 0.05, 0.05])
"""Changes of focal length (logarithm), principal point (px), lens, turn (rad) and place (mm), each by about a pixel or less."""


@given(cameras, points_mm, st.lists(st.floats(-30, 30), min_size=13, max_size=13))
def test_moves_of_the_picture_are_the_change_of_the_projection(
    camera: Camera, points: list[tuple[float, float, float]], away: list[float]
) -> None:
    at, change = np.array(points), np.array(away) * SMALL
    moves = picture_moves(camera, change, at)
    for column, small in enumerate(np.diag(SMALL)):
        ahead, back = (moved(camera, change + way * small).project(at) for way in (1, -1))
        expected = (ahead - back) / 2
        assert moves[:, :, column] * SMALL[column] == pytest.approx(expected, rel=0, abs=1e-5)  # px; third order


def test_rays_are_cut_with_a_height_for_each_point() -> None:
    points: Array = np.array([[10.0, 20, 0], [10, 20, 3.2], [10, 20, 6]])
    assert FROM_ABOVE.to_plane(FROM_ABOVE.project(points), points[:, 2]) == pytest.approx(
        np.tile((10.0, 20.0), (3, 1)), rel=0, abs=1e-9
    )
