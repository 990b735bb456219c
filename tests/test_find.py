"""Parts and openings found in simulated photos and in drawn pictures, against what was put there."""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import Polygon, contains_xy, points

from holeinspect.errors import PartNotFound
from holeinspect.find import Contour, FoundPart, Region, find_dark_openings, find_parts
from holeinspect.find.contours import around, directed, settled, shoelace, towards_metal
from holeinspect.find.fields import fit_field
from holeinspect.find.picture import work_picture
from holeinspect.find.spots import circle_through
from holeinspect.measured import Array
from holeinspect.scale.camera import Camera
from holeinspect.scale.mat import layout
from tests.simulator.scene import (
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
    rounded,
)
from tests.simulator.shot import Shot, simulate
from tests.simulator.view import Lens, Pose, View

LIMIT_PX = 2.0
"""How near a contour must come to the true one: what the subpixel step's search allows for (picture px)."""

PLATE = ((-40.0, -25.0, 4.0), (40.0, -25.0, 4.0), (40.0, 10.0, 4.0), (10.0, 25.0, 4.0), (-40.0, 25.0, 4.0))
LENS = Lens(f_px=1650.0, size_px=(1760, 1320))
FROM_ABOVE = Pose((0, 0, 330), (0, 0, 0), 90.0)
BLACK_MAT, EVEN = Mat(), Light()
HOLES = (
    Hole((-30, -15), 6.35, name="A"),
    Hole((0, -10), 3.2, name="B"),
    Hole((28, -15), 1.6, name="C"),
    Hole((-25, 12), 8.0, slot_mm=(14, 0), name="S"),
)


@dataclass(frozen=True)
class Found:
    """What was found, and where everything truly is."""

    parts: list[FoundPart]
    camera: Camera
    part: Part

    @property
    def first(self) -> FoundPart:
        return self.parts[0]

    def seen(self, shape: Polygon) -> Polygon:
        """What is seen through an opening of the part: what lies within both of its rims; picture frame."""
        bottom, top = (self.at_height(shape, z) for z in (0.0, self.part.thickness_mm))
        return bottom.intersection(top)

    def silhouette(self) -> Polygon:
        bottom, top = (self.at_height(self.part.outline(), z) for z in (0.0, self.part.thickness_mm))
        return bottom.union(top).convex_hull

    def at_height(self, shape: Polygon, z_mm: float) -> Polygon:
        """Where a shape of the part appears if it lies z_mm above the mat; picture frame."""
        points = np.array(self.part.placed(shape).exterior.coords)
        return Polygon(self.camera.project(np.column_stack([points, np.full(len(points), z_mm)])))


def a_camera(view: View) -> Camera:
    return Camera(view.K, view.distortion, view.R, view.t)


def a_region(page: str = "a4") -> Region:
    mat = layout(page)
    return Region(np.array(mat.board_mm) / 2 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]), mat)


def photographed(
    part: Part,
    backdrop: Mat | Plain = BLACK_MAT,
    light: Light = EVEN,
    position_mm: tuple[float, float, float] = (20, -30, 330),
) -> Found:
    """A part on the mat, in a quarter-size picture of 5 px/mm, and what is found in it."""
    shot = Shot(Scene(backdrop, (part,), light), Pose(position_mm, (0, 0, 0), 90.0), LENS)
    rgb = simulate(shot).rgb
    camera = a_camera(shot.view)
    region = a_region() if isinstance(backdrop, Mat) else Region(BESIDE_MM)
    return Found(find_parts(*as_photo(rgb), camera, region, part.thickness_mm), camera, part)


BESIDE_MM = np.array([[-120.0, 60.0], [-80.0, 60.0], [-80.0, 100.0], [-120.0, 100.0]])
"""Where a marker might lie beside the part."""


def as_photo(rgb: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Luma and half-size colour as `Photo` has them."""
    luma = (rgb @ np.array([0.299, 0.587, 0.114]) / 255).astype(np.float32)
    half = cv2.resize(rgb, (rgb.shape[1] // 2, rgb.shape[0] // 2), interpolation=cv2.INTER_AREA)
    return luma, half


def farthest_px(contour: Contour, shape: Polygon) -> float:
    """Largest distance of the contour's points from a shape's border."""
    return float(np.max(shape.exterior.distance(points(contour.points_px))))


def assert_all_found(found: Found, limit_px: float = LIMIT_PX) -> None:
    """Every opening found once, none invented, and every contour near the true one."""
    truths = [found.seen(opening.opening()) for opening in found.part.openings]
    assert len(found.first.openings) == len(truths)
    for truth in truths:
        middle = np.array(truth.centroid.coords[0])
        away = [np.hypot(*(rim.points_px.mean(axis=0) - middle)) for rim in found.first.openings]
        nearest = found.first.openings[int(np.argmin(away))]
        assert farthest_px(nearest, truth) < limit_px
    outer = found.first.outer
    assert farthest_px(Contour(outer.points_px[outer.edge], outer.edge[outer.edge]), found.silhouette()) < limit_px


def a_plate(thickness_mm: float = 1.0, **others: object) -> Part:
    return replace(Part(thickness_mm, PLATE, HOLES, at_mm=(5.0, 12.0), rotate_deg=25.0, streak=0.05), **others)


@pytest.mark.parametrize(
    ("window", "levels"),
    [
        ("black", Levels()),
        ("black", Levels(0.8, 0.1, 0.9)),  # bright, with a dark wall
        ("black", Levels(0.11, 0.09, 0.12)),  # grey paint on black
        ("white", Levels(0.05, 0.04, 0.06)),  # black paint
        ("white", Levels(0.3, 0.2, 0.35)),
        ("open", Levels(0.12, 0.1, 0.14)),
    ],
)
def test_every_opening_from_1_6_mm_is_found_and_none_invented(window: str, levels: Levels) -> None:
    assert_all_found(photographed(a_plate(levels=levels), Mat(window=window)))


def test_a_thick_plates_contour_ends_where_the_backdrop_does_though_its_walls_are_as_dark() -> None:
    plate = a_plate(5.0, holes=HOLES[:2], levels=Levels(0.6, 0.045, 0.6))
    assert_all_found(photographed(plate, position_mm=(90.0, -60.0, 300.0)))


@pytest.mark.parametrize("wall", [0.4, 0.47])
def test_a_thick_plates_contour_stops_before_a_wall_that_is_nearly_as_bright_as_its_face(wall: float) -> None:
    plate = a_plate(5.0, holes=HOLES[:2], levels=Levels(0.6, wall, 0.6))
    assert_all_found(photographed(plate, position_mm=(90.0, -60.0, 300.0)))


THICK = 5.0
ASIDE = (90.0, -60.0, 300.0)
RIM_LIMIT_PX = 3.0
"""A crescent tells its circle less well than a whole rim does: 0.6 mm at these 5 px/mm."""
DARK_PAINT = Levels(0.05, 0.02, 0.05)


HALO_PX = 4.0
"""Reach of the lens's blur that bright paper leaves round an opening."""


def repainted(part: Part, paint: Callable[[Found], list[tuple[Polygon, float]]], window: str = "white") -> Found:
    """A part on a window from aside, with shapes of the picture painted over in linear levels of light."""
    shot = Shot(Scene(Mat(window=window), (part,)), Pose(ASIDE, (0, 0, 0), 90.0), LENS)
    rgb = simulate(shot).rgb
    before = Found([], a_camera(shot.view), part)
    for shape, level in paint(before):
        code = round(255 * (1.055 * level ** (1 / 2.4) - 0.055))  # IEC 61966-2-1
        corners = np.rint(16 * np.array(shape.exterior.coords)).astype(np.int32)
        cv2.fillPoly(rgb, [corners], (code, code, code), cv2.LINE_AA, shift=4)
    rgb = cv2.GaussianBlur(rgb, (3, 3), 0)
    return Found(find_parts(*as_photo(rgb), before.camera, a_region(), part.thickness_mm), before.camera, part)


WIDE_HOLES, DEEP_HOLES = (*HOLES[:1], Hole((10, 8), 5.0)), (Hole((35, -20), 2.5),)


@pytest.mark.parametrize(
    ("holes", "shade"),  # of the paint's 0.05 and the walls' 0.02
    [(WIDE_HOLES, 0.008), (WIDE_HOLES, 0.05), (WIDE_HOLES, 0.15), (DEEP_HOLES, 0.018)],
    ids=["darker than the walls", "as dark as the paint", "brighter", "deep, and as dark as its wall"],
)
def test_holes_whose_paper_lies_in_shade_are_found_by_their_rims(holes: tuple[Hole, ...], shade: float) -> None:
    plate = a_plate(THICK, holes=holes, levels=DARK_PAINT, streak=0.0)
    shapes = [opening.opening() for opening in plate.openings]

    def paint(found: Found) -> list[tuple[Polygon, float]]:
        tops = [found.at_height(shape, THICK) for shape in shapes]
        layers = [(top.buffer(HALO_PX), plate.levels.face) for top in tops] + [(top, plate.levels.wall) for top in tops]
        return layers + [(found.seen(shape), shade) for shape in shapes]

    assert_all_found(repainted(plate, paint), limit_px=RIM_LIMIT_PX)


@pytest.mark.parametrize("thickness_mm", [1.0, THICK])
def test_a_round_ink_dot_is_no_hole_but_told_of(thickness_mm: float) -> None:
    plate = a_plate(thickness_mm, holes=(), levels=Levels(0.3, 0.2, 0.3), streak=0.0)
    dot = Hole((10, 5), 3.0).opening()
    found = repainted(plate, lambda found: [(found.at_height(dot, thickness_mm), 0.045)])
    assert found.first.openings == ()
    assert any("is a hole in deep shade, or ink" in reason for reason in found.first.reasons)


def test_a_hole_hidden_behind_its_wall_is_told_of() -> None:
    plate = a_plate(THICK, holes=(Hole((-35, 20), 1.6),), levels=Levels(0.3, 0.01, 0.3), streak=0.0)
    found = repainted(plate, lambda found: [])
    assert found.first.openings == ()
    assert any("is almost hidden behind its wall" in reason for reason in found.first.reasons)


@pytest.mark.parametrize("wall", [0.3, 0.5])
def test_a_thin_lens_of_ink_is_an_opening_whether_its_wall_is_seen_or_not(wall: float) -> None:
    # 2.7 mm and 2.2 mm of shift leave 0.24 and 0.36 of these holes to be seen.
    plate = a_plate(THICK, holes=(Hole((-20, 10), 4.0), Hole((10, -10), 3.6)), levels=Levels(0.6, wall, 0.6), streak=0.0)
    assert_all_found(photographed(plate, position_mm=(110.0, -80.0, 300.0)), limit_px=RIM_LIMIT_PX)


@pytest.mark.parametrize("width_mm", [1.0, 1.5, 2.2])
def test_ink_dots_on_a_thick_part_are_no_lenses_of_the_ink_below_it(width_mm: float) -> None:
    plate = a_plate(THICK, holes=(), levels=Levels(0.6, 0.5, 0.6))
    dots = [Hole(at, width_mm).opening() for at in ((10, 5), (-25, 15), (0, -15))]
    found = repainted(plate, lambda found: [(found.at_height(dot, THICK), 0.045) for dot in dots], "black")
    assert not found.first.openings or width_mm > 2
    strokes = [Polygon([(x, y), (x + 2, y + 1), (x + 2, y + 1.4), (x, y + 0.4)]) for x, y in ((10, 5), (-25, 15))]
    found = repainted(plate, lambda found: [(found.at_height(line, THICK), 0.045) for line in strokes], "black")
    assert found.first.openings == ()


def test_uneven_light_and_soft_shadows_are_no_part() -> None:
    light = Light((0.25, -0.2), Shadow((3.0, -2.0), 2.5, 0.35))
    found = photographed(a_plate(levels=Levels(0.06, 0.05, 0.07)), Mat(window="white"), light)
    assert_all_found(found, limit_px=3.0)  # the shadow's foot lies against the edge


def test_crossing_ink_lines_enclose_no_opening() -> None:
    lines = (*(Mark((x, -28), (x + 14, 28), 0.7) for x in (-44, -22, 6, 22)), Mark((-48, 0), (48, 2), 0.5))
    plate = Part(1.6, rounded_corners(50.0, 30.0), (Hole((-8, 18), 4.0),), marks=tuple(lines), streak=0.05)
    shot = Shot(Scene(Mat(), (plate,)), Pose((15, -35, 285), (0, 0, 0), 90.0), Lens(3100.0, (4000, 3000)))
    (found,) = find_parts(*as_photo(simulate(shot).rgb), a_camera(shot.view), a_region(), 1.6)
    assert len(found.openings) == 1


def test_grey_metal_with_small_openings_is_no_shaded_opening_itself() -> None:
    plate = Part(1.6, rounded_corners(50.0, 30.0), SMALL_HOLES, levels=Levels(0.2, 0.1, 0.3), streak=0.05)
    scene = Scene(Mat(window="white"), (plate,), Light(shadow=Shadow()))
    shot = Shot(scene, Pose((15, -35, 285), (0, 0, 0), 90.0), Lens(3100.0, (4000, 3000)))
    (found,) = find_parts(*as_photo(simulate(shot).rgb), a_camera(shot.view), a_region(), 1.6)
    assert len(found.openings) >= 3  # the 3.2 mm ones


def rounded_corners(half_width_mm: float, half_height_mm: float) -> tuple[tuple[float, float, float], ...]:
    """A rectangle's corners, with radii of 3 mm."""
    signs = ((-1, -1), (1, -1), (1, 1), (-1, 1))
    return tuple((x * half_width_mm, y * half_height_mm, 3.0) for x, y in signs)


SMALL_HOLES = (Hole((-40, -20), 3.2), Hole((0, 0), 3.2), Hole((30, 15), 3.2), Hole((-20, 10), 1.5), Hole((20, -15), 1.5))


def test_ink_lines_across_holes_and_edges_make_no_contour() -> None:
    marks = (Mark((-45, -15), (45, -15), 0.5, 0.045), Mark((0, -30), (0, 30), 0.5, 0.045))
    assert_all_found(photographed(a_plate(marks=marks)), limit_px=4.0)  # where a line meets a hole it lends it its ink


def test_cutouts_are_openings() -> None:
    cutout = Cutout(((-8.0, -8.0, 3.0), (8.0, -8.0, 3.0), (8.0, 8.0, 3.0), (-8.0, 8.0, 3.0)))
    assert_all_found(photographed(a_plate(holes=HOLES[:1], cutouts=(cutout,))))


def test_a_part_beside_a_marker_is_found_on_any_plain_surface() -> None:
    assert_all_found(photographed(a_plate(), Plain(0.12)))


def test_several_parts_come_largest_first() -> None:
    small = Part(1.0, ((-9.0, -9.0, 1.0), (9.0, -9.0, 1.0), (9.0, 9.0, 1.0), (-9.0, 9.0, 1.0)), at_mm=(0.0, -60.0))
    shot = Shot(Scene(Mat(), (small, a_plate())), FROM_ABOVE, LENS)
    parts = find_parts(*as_photo(simulate(shot).rgb), a_camera(shot.view), a_region(), 1.0)
    assert [len(part.openings) for part in parts] == [len(HOLES), 0]


@pytest.mark.parametrize("gap_mm", [0.1, 0.15])
def test_touching_parts_are_refused_with_the_place(gap_mm: float) -> None:
    tall = ((-15.0, -30.0, 1.0), (15.0, -30.0, 1.0), (15.0, 30.0, 1.0), (-15.0, 30.0, 1.0))
    low = ((-15.0, -18.0, 1.0), (15.0, -18.0, 1.0), (15.0, 18.0, 1.0), (-15.0, 18.0, 1.0))
    pair = (Part(1.0, tall, at_mm=(-15.0 - gap_mm, 0.0)), Part(1.0, low, at_mm=(15.0, 2.0)))
    shot = Shot(Scene(Mat(), pair), FROM_ABOVE, LENS)
    with pytest.raises(PartNotFound, match=r"Two parts touch each other near x -?0, y [123] mm .* apart"):
        find_parts(*as_photo(simulate(shot).rgb), a_camera(shot.view), a_region(), 1.0)


def test_a_t_shaped_part_is_one_part() -> None:
    tee = ((-30, -10), (30, -10), (30, 10), (10, 10), (10, 40), (-10, 40), (-10, 10), (-30, 10))
    found = photographed(Part(1.0, tuple((float(x), float(y), 0.5) for x, y in tee), streak=0.05))
    assert len(found.parts) == 1


def test_no_edge_is_claimed_where_a_part_leaves_the_page() -> None:
    corners = ((-170.0, -12.0, 0.0), (170.0, -12.0, 0.0), (170.0, 12.0, 0.0), (-170.0, 12.0, 0.0))
    rail = Part(1.0, corners, rotate_deg=84.0)
    found = photographed(rail)
    outer = found.first.outer
    true_px = Contour(outer.points_px[outer.edge], outer.edge[outer.edge])
    assert found.first.touches_frame
    assert not outer.edge.all()
    # Across the print the limit is only known to about a marker's cell (0.9 mm, 5 px).
    assert farthest_px(true_px, found.silhouette()) < 5.0


def test_holes_where_a_rail_runs_on_over_the_print_are_told_of_and_bare_print_is_not() -> None:
    corners = ((-170.0, -12.0, 0.0), (170.0, -12.0, 0.0), (170.0, 12.0, 0.0), (-170.0, 12.0, 0.0))
    holes = tuple(Hole((x, y), 4.8) for x, y in ((-97.0, 4.0), (0.0, 0.0), (86.0, -4.0), (97.0, 3.0)))
    rail = Part(1.0, corners, holes, rotate_deg=8.0, levels=Levels(0.5, 0.25, 0.5))
    found = photographed(rail)
    assert len(found.first.openings) == 2  # one lies over an even black square
    told = [reason for reason in found.first.reasons if "where the part runs on beyond the mat's window" in reason]
    places = [tuple(map(float, re.findall(r"[xy] (-?\d+)", reason))) for reason in told]
    true = [rail.placed(hole.opening()).centroid.coords[0] for hole in holes if hole.centre_mm[0] != 0.0]
    assert all(min(math.dist(place, centre) for centre in true) < 1.5 for place in places)
    assert len(places) == 2
    bare = photographed(replace(rail, holes=holes[1:2]))
    assert not any("runs on beyond" in reason for reason in bare.first.reasons)


def test_a_part_over_the_ring_is_followed_across_its_black_squares() -> None:
    found = photographed(a_plate(holes=(), at_mm=(48.0, 12.0), levels=Levels(0.45, 0.3, 0.5)))
    outline = Polygon(found.first.outer.points_px)
    silhouette = found.silhouette()
    assert outline.intersection(silhouette).area / outline.union(silhouette).area > 0.98


def test_an_empty_mat_is_told() -> None:
    shot = Shot(Scene(Mat()), FROM_ABOVE, LENS)
    with pytest.raises(PartNotFound, match="No part was found on the mat"):
        find_parts(*as_photo(simulate(shot).rgb), a_camera(shot.view), a_region(), 1.0)


def test_a_soft_dark_reflection_is_no_hole() -> None:
    shot = Shot(Scene(Mat(), (a_plate(holes=()),)), FROM_ABOVE, LENS)
    rgb = simulate(shot).rgb.astype(float)
    x, y = a_camera(shot.view).project(np.array([[0.0, 10.0, 0.0]]))[0]
    rows, columns = np.mgrid[: rgb.shape[0], : rgb.shape[1]]
    # A phone's reflection: down to ink within 5 mm, over a border several mm wide.
    distance_px = np.hypot(columns - x, rows - y)
    rgb *= np.clip((distance_px - 25) / 60, 0.25, 1.0)[..., None]
    parts = find_parts(*as_photo(rgb.astype(np.uint8)), a_camera(shot.view), a_region(), 1.0)
    assert parts[0].openings == ()


def test_metal_lies_on_the_left_in_the_mat_frame_and_as_displayed() -> None:
    found = photographed(a_plate())
    shape = rounded(PLATE)
    metal = found.part.placed(shape).difference(found.part.placed(shape.buffer(-2)))
    on_mat = found.camera.to_plane(found.first.outer.points_px, found.part.thickness_mm)
    ahead = np.roll(on_mat, -3, axis=0) - np.roll(on_mat, 3, axis=0)
    left = on_mat + 1.0 * np.column_stack([-ahead[:, 1], ahead[:, 0]]) / np.hypot(*ahead.T)[:, None]
    assert np.mean(contains_xy(metal, left[:, 0], left[:, 1])) > 0.98  # all but the corners, where 'left' turns
    assert shoelace(found.first.outer.points_px) < 0
    assert all(shoelace(opening.points_px) > 0 for opening in found.first.openings)


@pytest.mark.parametrize("opening", [False, True])
@pytest.mark.parametrize("reverse", [False, True])
def test_normals_point_into_the_metal_whichever_way_the_points_came(opening: bool, reverse: bool) -> None:
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    circle = 20 * np.column_stack([np.cos(angle), np.sin(angle)])
    points = directed(circle[::-1] if reverse else circle, opening)
    outward = np.sum(towards_metal(points) * points, axis=1) / 20
    assert outward == pytest.approx(np.full(60, 1.0 if opening else -1.0), rel=0, abs=1e-9)


def test_flags_follow_their_neighbours_round_the_end() -> None:
    flags = np.ones(50, bool)
    flags[[0, 20]] = False
    assert settled(flags).all()
    assert around(np.arange(5.0), 3, np.mean)[0] == pytest.approx((4 + 0 + 1) / 3, rel=0, abs=1e-12)


def test_a_field_ignores_a_third_of_foreign_samples() -> None:
    random = np.random.default_rng(3)
    points = random.uniform([0, 0], [999, 699], (3000, 2))
    slope = 0.4 * points[:, :1] / 999
    tones = np.hstack([slope, 0 * slope, 0 * slope]) + random.normal(0, 0.02, (3000, 3))
    tones[:900] += 2.5
    field = fit_field(points, tones, (1000, 700), 2)
    corner: Array = np.array([[999.0, 350.0]])
    assert field.at(corner, (1000, 700))[0, 0] == pytest.approx(0.4, rel=0, abs=0.01)
    assert field.on_picture((1000, 700))[350, 999] == pytest.approx(field.at(corner, (1000, 700))[0], rel=0, abs=0.01)


@given(st.floats(-500, 500), st.floats(2, 300), st.floats(0, 2 * np.pi), st.floats(2.5, 2 * np.pi))
def test_a_circle_is_found_among_foreign_points(middle: float, radius: float, start: float, arc: float) -> None:
    angle = start + np.linspace(0, arc, 60)
    on_circle = [middle, -middle] + radius * np.column_stack([np.cos(angle), np.sin(angle)])
    foreign = [middle, -middle] + 0.7 * radius * np.column_stack([np.cos(angle[:8]), np.sin(angle[:8])])
    centre, found = circle_through(np.vstack([on_circle, foreign]), 0.01 * radius)
    assert found == pytest.approx(radius, rel=0, abs=0.01 * radius)
    assert centre == pytest.approx([middle, -middle], rel=0, abs=0.02 * radius)


@pytest.mark.parametrize(("half_size", "factor"), [((600, 800), 1), ((1512, 2016), 2), ((2448, 3264), 2), ((4000, 6000), 4)])
def test_work_pixels_lie_where_they_say(half_size: tuple[int, int], factor: int) -> None:
    height, width = half_size
    colour = np.zeros((height, width, 3), np.uint8)
    colour[:, width // 2 :] = 200
    luma = np.zeros((2 * height, 2 * width), np.float32)
    luma[:, width:] = 200 / 255
    picture = work_picture(luma, colour)
    border = np.interp(100.0, picture.grey[5], np.arange(picture.size_px[0]))
    assert picture.factor == factor
    # The border lies between columns; a work pixel's own half and the resampling leave half of one.
    assert picture.to_full(np.array([border]))[0] == pytest.approx(width - 0.5, rel=0, abs=0.5 * factor)
    assert picture.from_full(picture.to_full(np.array([7.0])))[0] == pytest.approx(7.0, rel=0, abs=1e-12)


def a_board(seed: int) -> np.ndarray:
    """A picture of wood: brown-grey, with grain."""
    random = np.random.default_rng(seed)
    grain = cv2.GaussianBlur(random.normal(0, 1, (600, 450)).astype(np.float32), (0, 0), sigmaX=1, sigmaY=25)
    return np.clip(0.45 + 0.3 * grain, 0, 1).astype(np.float32)


def test_dark_holes_in_a_board_are_found_and_screw_heads_are_not() -> None:
    board = a_board(5)
    holes = [((120.0, 150.0), 30.0), ((330.0, 160.0), 22.0)]
    for (x, y), diameter in holes:
        cv2.circle(board, (int(x), int(y)), int(diameter / 2), 0.05, cv2.FILLED, cv2.LINE_AA)
    cv2.circle(board, (220, 420), 45, 0.30, cv2.FILLED, cv2.LINE_AA)  # a head with its square recess, partly lit
    cv2.rectangle(board, (205, 405), (235, 435), 0.16, cv2.FILLED)
    cv2.rectangle(board, (205, 420), (235, 435), 0.5, cv2.FILLED)
    found = find_dark_openings(cv2.GaussianBlur(board, (5, 5), 0))
    assert [opening.centre_px for opening in found] == [pytest.approx(centre, rel=0, abs=1.0) for centre, _ in holes]
    # Half the level between rim and core decides here; the threshold lies within the blur on either side.
    assert [opening.diameter_px for opening in found] == [pytest.approx(d, rel=0, abs=4.0) for _, d in holes]


def test_a_plain_board_has_no_dark_openings() -> None:
    assert find_dark_openings(a_board(6)) == []
