"""The simulator is itself checked against closed forms, OpenCV, shapely and plain ray casting."""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ExifTags, Image
from scipy.ndimage import map_coordinates
from scipy.spatial.transform import Rotation
from scipy.stats import norm

from holeinspect.measured import Array
from holeinspect.scale.mat import layout
from tests.simulator.coverage import Coverage
from tests.simulator.disc import Disc, disc_picture
from tests.simulator.draw import Limits, random_shot
from tests.simulator.phone import PHONES
from tests.simulator.render import OVERSAMPLE, render
from tests.simulator.scene import (
    Broken,
    Burr,
    Cutout,
    Hole,
    Levels,
    Light,
    Mark,
    Mat,
    Part,
    Plain,
    Scene,
    Shadow,
    circle,
    hole_truths,
    rounded,
)
from tests.simulator.shot import Shot, simulate, taken_again
from tests.simulator.view import Lens, Pose, View

FLOAT32_LIGHT = 1e-5
"""Levels are kept as float32 and summed over at most a few layers."""

L_PLATE = (
    (-30.0, -20.0, 3.0), (30.0, -20.0, 0.0), (30.0, 5.0, 5.0),
    (5.0, 5.0, 2.0), (5.0, 20.0, 0.0), (-30.0, 20.0, 4.0),
)
SQUARE = ((-20.0, -20.0, 0.0), (20.0, -20.0, 0.0), (20.0, 20.0, 0.0), (-20.0, 20.0, 0.0))

views = st.builds(
    lambda x, y, height, roll, k1, k2: View(Pose((x, y, height), (y / 3, x / 3, 0), roll), Lens(k1=k1, k2=k2)),
    st.floats(-120, 120), st.floats(-120, 120), st.floats(150, 600), st.floats(-180, 180),
    st.floats(-0.05, 0.05), st.floats(-0.03, 0.03),
)
points_mm = st.lists(st.tuples(st.floats(-80, 80), st.floats(-80, 80), st.floats(0, 6)), min_size=1, max_size=5)


@given(views, points_mm)
def test_projection_agrees_with_opencv(view: View, points: list[tuple[float, float, float]]) -> None:
    turn = Rotation.from_matrix(view.R).as_rotvec()  # cv2.Rodrigues rounds within 1e-5 of half a turn, as here
    theirs, _ = cv2.projectPoints(np.array(points), turn, view.t, view.K, view.distortion)
    assert view.project(np.array(points)) == pytest.approx(theirs.reshape(-1, 2), rel=0, abs=1e-6)  # px, rounding


@given(views, points_mm)
def test_a_pixel_leads_back_to_its_point(view: View, points: list[tuple[float, float, float]]) -> None:
    for point in np.array(points):
        back = view.to_plane(view.project(point[None]), point[2])
        assert back[0] == pytest.approx(point[:2], rel=0, abs=1e-6)  # mm, rounding


def test_page_is_upright_from_above() -> None:
    right, up = View(Pose(), Lens()).project(np.array([[10.0, 0, 0], [0, 10.0, 0]])) - Lens().centre_px
    assert right[0] > 0
    assert up[1] < 0


@settings(max_examples=40)
@given(st.integers(0, 2**32 - 1))
def test_coverage_of_each_pixel_agrees_with_shapely(seed: int) -> None:
    rng = np.random.default_rng(seed)
    angle = 2 * np.pi * (np.arange(9) + rng.uniform(0, 1, 9))[::-1] / 9  # no gap of half a turn: the star never crosses itself
    reach = rng.uniform(1, 6, 9)
    star = np.column_stack([4 + reach * np.cos(angle), 3 + reach * np.sin(angle)])[::-1]  # clockwise where y is down
    sides = np.column_stack([star, np.roll(star, -1, 0)])
    ours = Coverage.of(sides, np.ones(len(sides)), 8, 6).rows(0, 6)
    col, row = np.meshgrid(np.arange(8), np.arange(6))
    pixels = shapely.box(col, row, col + 1, row + 1)
    theirs = shapely.area(shapely.intersection(shapely.Polygon(star), pixels))
    assert ours == pytest.approx(theirs, rel=0, abs=1e-6)  # px², float32


@pytest.mark.parametrize(("sigma", "radius", "inwards"), [(1.2, 45, 0.0160), (3, 45, 0.1002), (5, 20, 0.6423)])
def test_blurred_disc_shrinks_as_the_exact_convolution_says(sigma: float, radius: float, inwards: float) -> None:
    """metrology.md, section 11 (computed by exact convolution of a disc with a Gaussian)."""
    disc = Disc((80.3, 79.6), radius)
    picture = disc_picture(disc, (160, 160), optics_px=np.sqrt(sigma**2 - 1 / 12))
    half = (disc.disc + disc.ground) / 2
    angles = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    radii = radius - inwards + np.linspace(-0.5, 0.5, 21)
    x = disc.centre_px[0] + radii[:, None] * np.cos(angles)
    y = disc.centre_px[1] + radii[:, None] * np.sin(angles)
    profiles = map_coordinates(picture, [y, x], order=5)
    at_half = [np.interp(half, profile, radii) for profile in profiles.T]
    # px: last printed digit, and the square pixel is no part of a Gaussian (fourth-order terms)
    assert radius - np.mean(at_half) == pytest.approx(inwards, rel=0, abs=0.0005)


@given(st.floats(40, 41), st.floats(40, 41), st.floats(3, 25), st.floats(0, 2))
@settings(max_examples=25, deadline=None)
def test_missing_light_gives_the_disc_area(x: float, y: float, radius: float, optics: float) -> None:
    disc = Disc((x, y), radius)
    picture = disc_picture(disc, (81, 81), optics)
    area = (disc.ground - picture).sum() / (disc.ground - disc.disc)
    assert area == pytest.approx(np.pi * radius**2, rel=0, abs=0.01)  # px²: float32 coverage over 6561 pixels


@pytest.mark.parametrize("phase", [0.0, 0.13, 0.5, 0.77])
@pytest.mark.parametrize("optics", [0.6, 0.7, 1.2])
def test_edge_is_a_gaussian_integrated_over_the_pixel(phase: float, optics: float) -> None:
    view = View(Pose((0, 0, 1000)), Lens(1000, (40, 8), (20 + phase, 4)))  # 1 px a mm, an edge along x = 0
    half_plane = Part(0.0, ((-400, -400, 0), (0, -400, 0), (0, 400, 0), (-400, 400, 0)), levels=Levels(face=1.0))
    light = render(Scene(Plain(0.0), (half_plane,)), view, optics, np.random.default_rng(0))[4]
    ends = np.arange(41) - 0.5 - (20 + phase)
    total = -ends * norm.cdf(-ends / optics) + optics * norm.pdf(ends / optics)  # integral of the blurred edge
    exact = total[:-1] - total[1:]
    swing = 1 / (6 * OVERSAMPLE**2)  # px², see render.OVERSAMPLE; 0.242: the greatest second derivative of an erf edge
    assert light == pytest.approx(exact, rel=0, abs=swing / 2 / (optics**2 + 1 / 12) * 0.242)
    assert light.sum() == pytest.approx(exact.sum(), rel=0, abs=FLOAT32_LIGHT)  # px: the edge's place


def lens_area(r: float, s: float, d: float) -> float:
    """Area common to two circles of radii r and s, d apart (both cut each other)."""
    a = r**2 * np.arccos((d**2 + r**2 - s**2) / (2 * d * r)) + s**2 * np.arccos((d**2 + s**2 - r**2) / (2 * d * s))
    return float(a - 0.5 * np.sqrt((-d + r + s) * (d + r - s) * (d - r + s) * (d + r + s)))


@pytest.mark.parametrize("t", [0.5, 1.6, 3.2])
@pytest.mark.parametrize("off", [30.0, 60.0, 120.0])
def test_oblique_hole_shows_the_area_common_to_both_rims(t: float, off: float) -> None:
    """algorithms.md, section 5: the backdrop is seen inside |q - p0| = R and |q - m p0| = m R, m = H/(H - t)."""
    height, diameter = 350.0, 4.8
    plate = Part(t, SQUARE, (Hole((0, 0), diameter),), at_mm=(off, 0), levels=Levels(0, 0, 0, 0))
    view = View(Pose((0, 0, height), (0, 0, 0)), Lens(3500, (90, 90), (45 - 10 * off, 45)))  # 10 px a mm at z = 0
    light = render(Scene(Plain(1.0), (plate,)), view, 0.0, np.random.default_rng(0))
    m = height / (height - t)
    expected = lens_area(diameter / 2, m * diameter / 2, (m - 1) * off)
    assert light.sum() / 10**2 == pytest.approx(expected, rel=0, abs=2e-4)  # mm², the 720-sided circle


def metal(part: Part, x: Array, y: Array, z: Array) -> Array:
    """Whether points are inside the plate, by its definition, section by section; mat frame."""
    turn = np.radians(part.rotate_deg)
    dx, dy = x - part.at_mm[0], y - part.at_mm[1]
    u, v = np.cos(turn) * dx + np.sin(turn) * dy, np.cos(turn) * dy - np.sin(turn) * dx
    b = part.rim.chamfer_mm if isinstance(part.rim, Broken) else 0.0
    break_here = np.maximum(np.maximum(b - z, z - (part.thickness_mm - b)), 0)
    outline = rounded(part.rows)
    shapely.prepare(outline)
    shapely.prepare(outline.exterior)
    depth = shapely.distance(outline.exterior, shapely.points(u, v))
    inside = shapely.contains_xy(outline, u, v) & (depth >= break_here)
    for hole in part.holes:
        grow = hole.rim.chamfer_mm if isinstance(hole.rim, Broken) else 0.0
        radius = hole.diameter_mm / 2 + np.maximum(np.maximum(grow - z, z - (part.thickness_mm - grow)), 0)
        for sx, sy in [(0.0, 0.0)] + ([hole.second_mm] if hole.second_mm else []):
            inside &= np.hypot(u - hole.centre_mm[0] - sx, v - hole.centre_mm[1] - sy) >= radius
    return inside


@pytest.mark.parametrize("roll", [0.0, 90.0])
def test_surfaces_seen_agree_with_casting_rays(roll: float) -> None:
    holes = (Hole((-20, -10), 4.8), Hole((-20, 8), 6, Broken(0.5)), Hole((-4, -5), 5, Broken(0.5), second_mm=(1.5, 1)))
    levels = Levels(face=0.8, wall=0.2, chamfer=0.5)
    part = Part(4.0, L_PLATE, holes, rim=Broken(0.5), at_mm=(25, 10), rotate_deg=25, levels=levels)
    view = View(Pose((-50, 30, 220), (25, 10, 0), roll), Lens(2000, (680, 680), k1=0.2))
    picture = render(Scene(Plain(0.05), (part,)), view, 0.0, np.random.default_rng(0))
    px = np.random.default_rng(1).integers(0, 680, (6000, 2))
    light = picture[px[:, 1], px[:, 0]]
    expected = np.full(len(px), 0.05)
    # from the mat upwards, so that the highest hit is written last; 0.05 mm steps
    for z in np.linspace(0, part.thickness_mm, 81):
        where = view.to_plane(px, z)
        hit = metal(part, where[:, 0], where[:, 1], np.full(len(px), z))
        level = 0.8 if z == part.thickness_mm else 0.5 if z > part.thickness_mm - 0.5 + 1e-9 else 0.2
        expected[hit] = level
    pure = np.isclose(light[:, None], [0.05, 0.2, 0.5, 0.8], atol=1e-4).any(axis=1)
    assert pure.mean() > 0.95
    for level in (0.05, 0.2, 0.5, 0.8):
        assert (expected[pure] == level).sum() > 20
    assert (np.abs(expected - light)[pure] > 1e-3).sum() <= 5  # pixels that a surface's border just touches


def test_burr_reaches_into_the_opening_by_its_lean_at_most() -> None:
    burr = Burr(lean_mm=0.3, cover=0.5)
    plate = Part(1.0, SQUARE, (Hole((0, 0), 8.0, burr),), levels=Levels(0, 0, 0, 0))
    view = View(Pose((0, 0, 400)), Lens(8000, (240, 240)))  # straight above: lip and bottom rim bound the hole
    light = render(Scene(Plain(1.0), (plate,)), view, 0.0, np.random.default_rng(3))
    x, y = view.to_plane(np.column_stack([g.ravel() for g in np.meshgrid(np.arange(240.0), np.arange(240.0))]), 1.0).T
    radius = np.hypot(x, y).reshape(light.shape)
    # 0.04 mm: half a pixel's diagonal
    assert light[radius < 4.0 - 0.3 - 0.04] == pytest.approx(1, abs=FLOAT32_LIGHT)
    assert light[radius > 4.0 + 0.04].max() == pytest.approx(0, abs=FLOAT32_LIGHT)
    ring = (radius > 3.8) & (radius < 3.95)
    assert 0.5 < light[ring].mean() < 0.95  # half of the rim is clean, the other half ragged


def test_charuco_corners_lie_where_the_printed_mat_says() -> None:
    mat = Mat("a4", "white", print_scale=(1.004, 0.997))
    shot = Shot(Scene(mat), Pose((40, -30, 300), (0, 0, 0), 90), Lens(2000, (2400, 1900), k1=0.03), PHONES["plain"])
    sheet = layout("a4", "white")
    grey = cv2.cvtColor(simulate(shot).rgb, cv2.COLOR_RGB2GRAY)
    corners, ids, _, _ = cv2.aruco.CharucoDetector(sheet.board()).detectBoard(grey)
    printed = sheet.mat_from_board(sheet.board().getChessboardCorners()) * mat.print_scale
    expected = shot.view.project(np.column_stack([printed, np.zeros(len(printed))]))[ids.ravel()]
    off = corners.reshape(-1, 2) - expected
    assert len(off) > 60
    assert np.abs(off.mean(axis=0)).max() < 0.02  # px; algorithms.md, section 4: 0.000 bias, sd 0.015 to 0.065
    assert off.std(axis=0).max() < 0.1


def test_crop_is_the_same_picture() -> None:
    part = Part(2.0, L_PLATE, (Hole((0, -8), 5.0),), streak=0.1, marks=(Mark((-20, 0), (20, -10)),))
    scene = Scene(Mat(), (part,), Light((0.1, 0.05)))
    lens = Lens(800, (640, 480), k1=0.05)
    pose = Pose((30, 20, 250))
    whole = render(scene, View(pose, lens), 0.8, np.random.default_rng(5))
    piece = render(scene, View(pose, lens.crop(200, 160, 200, 150)), 0.8, np.random.default_rng(5))
    assert piece.shape == (150, 200)
    # the fields are interpolated from other grid points, and brushing shows it most
    assert np.abs(piece - whole[160:310, 200:400]).max() < 0.002


def test_noise_is_as_stated() -> None:
    phone = replace(PHONES["plain"], mosaic=False, electrons=5000.0, read_noise=6.0)
    photo = simulate(Shot(Scene(Plain(0.4)), lens=Lens(100, (400, 300)), phone=phone))
    stated = np.sqrt(0.4 * 5000 + 6.0**2) / 5000
    assert photo.linear[..., 0].std() == pytest.approx(stated, rel=4 / np.sqrt(2 * 400 * 300))  # 4 sd of an sd
    assert photo.linear[..., 0].mean() == pytest.approx(0.4, rel=0, abs=4 * stated / np.sqrt(400 * 300))


def test_the_same_seed_gives_the_same_file() -> None:
    plate = Part(1.0, SQUARE, (Hole((0, 0), 6.0, Burr()),), streak=0.1)
    shot = Shot(Scene(Plain(), (plate,)), lens=Lens(1000, (200, 150)), seed=4)
    first = simulate(shot)
    assert simulate(shot).jpeg == first.jpeg
    assert (simulate(replace(shot, seed=5)).light != first.light).any()
    again = taken_again(first, 9)
    assert (again.light == first.light).all()
    assert (again.linear != first.linear).any()


def test_truth_of_a_plate_worked_out_by_hand() -> None:
    window = Cutout(((2, -4, 0), (8, -4, 0), (8, 4, 0), (2, 4, 0)))
    plate = Part(1.6, SQUARE, (Hole((-14, 0), 3.0), Hole((-2, 0), 4.0), Hole((-14, 9), 3.0)), (window,),
                 at_mm=(100, 50), rotate_deg=90)
    first, second, third = hole_truths(Scene(Plain(), (plate,)))
    assert first.centre_mm == pytest.approx((100, 36), rel=0, abs=1e-9)
    assert (first.edge_distance_mm, first.pitch_mm) == pytest.approx((6, 9), rel=0, abs=1e-9)
    assert (second.edge_distance_mm, second.pitch_mm) == pytest.approx((4, 12), rel=0, abs=1e-9)
    assert third.name == "H3"


def test_rounded_corner_takes_away_its_square_less_a_quarter_circle() -> None:
    rows = tuple((x, y, 5.0) for x, y, _ in SQUARE)
    lost = 4 * 5.0**2 * (1 - np.pi / 4)
    assert rounded(rows).area == pytest.approx(40**2 - lost, rel=0, abs=0.01)  # mm², sides of 1 degree
    assert circle((1, 2), 5.0).area == pytest.approx(np.pi * 25, rel=0, abs=1e-9)


def test_outline_that_crosses_itself_is_refused() -> None:
    with pytest.raises(ValueError, match="crosses itself"):
        rounded(((0, 0, 0), (10, 10, 0), (10, 0, 0), (0, 10, 0)))


def test_shadow_darkens_the_backdrop_beside_the_plate_only() -> None:
    plate = Part(1.0, SQUARE, levels=Levels(face=0.5))
    view = View(Pose((0, 0, 300)), Lens(600, (200, 200)))
    bare, shaded = (
        render(Scene(Plain(0.2), (plate,), Light(shadow=s)), view, 0.0, np.random.default_rng(0))
        for s in (None, Shadow((4, 0), 1.0, 0.5))
    )
    right_of_plate, left_of_plate, on_plate = (100, 143), (100, 40), (100, 100)
    assert shaded[right_of_plate] < 0.8 * bare[right_of_plate]
    assert shaded[left_of_plate] == pytest.approx(bare[left_of_plate], rel=0, abs=FLOAT32_LIGHT)
    assert shaded[on_plate] == pytest.approx(bare[on_plate], rel=0, abs=FLOAT32_LIGHT)


@pytest.mark.parametrize("name", PHONES)
def test_phone_keeps_even_light_even_and_greys_in_order(name: str) -> None:
    greys = [PHONES[name].develop(np.full((24, 24, 3), level, np.float32)) for level in (0.02, 0.1, 0.3, 0.6, 0.9)]
    assert all(grey.min() == grey.max() for grey in greys)
    assert all(np.diff([int(grey[0, 0, 0]) for grey in greys]) > 0)


def test_at_least_four_phones_are_outside_the_forward_model() -> None:
    assert sum(not phone.inside for phone in PHONES.values()) >= 4


def test_file_states_the_focal_length_unless_told_not_to() -> None:
    shot = Shot(Scene(Plain()), lens=Lens(3028 / 20, (4032 // 20, 3024 // 20)))
    for exif, expected in ((True, 26), (False, None)):
        image = Image.open(io.BytesIO(simulate(replace(shot, exif=exif)).jpeg))
        assert image.getexif().get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.FocalLengthIn35mmFilm) == expected


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_random_photos_keep_to_their_limits(seed: int) -> None:
    limits = Limits()
    shot = random_shot(np.random.default_rng(seed), limits=limits)
    truths = hole_truths(shot.scene)
    assert limits.holes[0] <= len(truths) <= limits.holes[1]
    for truth in truths:
        assert limits.diameter_mm[0] <= truth.diameter_mm <= limits.diameter_mm[1]
        assert truth.edge_distance_mm >= truth.diameter_mm / 2 + 1.0
        assert np.hypot(*np.subtract(truth.centre_mm, shot.pose.position_mm[:2])) <= limits.off_axis_mm
    half = np.array(layout("a4").board_mm) / 2
    ring = shot.view.project(np.array([[half[0] * x, half[1] * y, 0] for x in (-1, 1) for y in (-1, 1)]))
    assert (ring > 0).all()
    assert (ring < shot.lens.size_px).all()
