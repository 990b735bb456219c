"""References that tell less than the mat: objects of known size, a rule, two points, loose markers, a scan."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holeinspect.errors import PartNotFound, ScaleNotFound, SetupError, TradeError
from holeinspect.find.touching import round_parts
from holeinspect.measure.inspect import inspect
from holeinspect.measured import Array
from holeinspect.scale.find import Scale, find_scale, locate
from holeinspect.scale.observed import TILT_U_RAD, Place, adjust_to
from holeinspect.scale.points import SeenPoints
from holeinspect.scale.references import (
    DiscReference,
    FlatbedReference,
    MarkersReference,
    PointsReference,
    RectangleReference,
    RuleReference,
    reference_of,
)
from holeinspect.scale.rule import SeenRule
from holeinspect.scale.solve import FocalPrior
from holeinspect.scale.targets import Reference
from holeinspect.setup import Setup
from holeinspect.trade.reference_objects import known_object, known_objects
from tests.drawn import Ink, drawn
from tests.sight import photo_of
from tests.simulator import objects
from tests.simulator.phone import PHONES
from tests.simulator.scene import Hole, Levels, Part, Plain, Scene, Sharp, Sheet
from tests.simulator.shot import Shot, simulate
from tests.simulator.view import Lens, Pose, View

LENS = Lens(f_px=1000.0, size_px=(1000, 760))
LEVEL = Pose((0.0, 0.0, 300.0))
LEANING = Pose((60.0, -40.0, 290.0), (0.0, 0.0, 0.0), 5.0)
HELD = Pose((20.0, -25.0, 298.0), (0.0, 0.0, 0.0), 5.0)
"""As by hand, six degrees from straight above."""
ON_TABLE = Place()


def scale_of(view: View, ink: Ink, reference: Reference, place: Place = ON_TABLE) -> Scale:
    """The scale of a drawn photo that states its focal length."""
    photo = photo_of(drawn(view, ink), focal35_mm=view.lens.focal35)
    return find_scale(photo, reference, locate(photo, reference, place))


def length_mm(scale: Scale, view: View, ends_mm: Array) -> tuple[float, float]:
    """A length on the table as measured between two true points, and its U from camera, lens, tilt and size."""
    px = view.project(np.column_stack([ends_mm, np.zeros(2)]))
    found = scale.camera.to_plane(px, 0.0)
    way = (found[1] - found[0]) / np.hypot(*(found[1] - found[0]))
    moves = [scale.shifts(found, np.zeros(2)), scale.tilts(found, np.zeros(2))]
    variance = sum(float((((move[:, 1] - move[:, 0]) @ way) ** 2).sum()) for move in moves)
    length = float(np.hypot(*(found[1] - found[0])))
    size_u = length * max(scale.print_scale.u_kx, scale.print_scale.u_ky)
    return length, 2 * float(np.sqrt(variance + size_u**2))


def box(size_mm: tuple[float, float], at_mm: tuple[float, float] = (0.0, 0.0)) -> Ink:
    """A black rectangle."""
    return lambda x, y: (np.abs(x - at_mm[0]) < size_mm[0] / 2) & (np.abs(y - at_mm[1]) < size_mm[1] / 2)


def dots(diameter_mm: float, *places_mm: tuple[float, float]) -> Ink:
    """Black discs."""
    return lambda x, y: np.any([np.hypot(x - a, y - b) < diameter_mm / 2 for a, b in places_mm], axis=0)


# Published sizes


@pytest.mark.parametrize(
    ("name", "width_mm", "height_mm"),
    [
        ("card", 85.60, 53.98),  # ISO/IEC 7810:2003, 5.1, ID-1
        ("A3", 297, 420),  # ISO 216:2007, table 1
        ("A4", 210, 297),
        ("A5", 148, 210),
        ("Letter", 8.5 * 25.4, 11 * 25.4),  # ANSI/ASME Y14.1, size A
        ("11x17", 11 * 25.4, 17 * 25.4),
    ],
)
def test_cards_and_sheets_have_their_standards_sizes(name: str, width_mm: float, height_mm: float) -> None:
    thing = known_object(name)
    assert (thing.width_mm, thing.height_mm) == (pytest.approx(width_mm, abs=1e-9), pytest.approx(height_mm, abs=1e-9))


@pytest.mark.parametrize(
    ("name", "diameter_mm"),
    [
        *zip(("1 cent euro", "2 cent euro", "5 cent euro", "10 cent euro", "20 cent euro", "50 cent euro", "1 euro", "2 euro"),
             (16.25, 18.75, 21.25, 19.75, 22.25, 24.25, 23.25, 25.75), strict=True),  # Regulation (EU) 729/2014, annex I
        *zip(("cent", "nickel", "dime", "quarter", "half dollar"), (19.05, 21.21, 17.91, 24.26, 30.61), strict=True),  # US Mint
    ],
)  # fmt: skip
def test_coins_have_the_diameters_of_their_regulations(name: str, diameter_mm: float) -> None:
    assert known_object(name).width_mm == pytest.approx(diameter_mm, abs=1e-9)


@pytest.mark.parametrize("name", ["A3", "A4", "A5", "A6"])
def test_sheets_of_iso_216_are_as_long_as_their_width_times_root_two_to_the_millimetre(name: str) -> None:
    sheet = known_object(name)
    rounding_mm = 1.0  # ISO 216 rounds each size down to whole millimetres
    assert sheet.height_mm == pytest.approx(sheet.width_mm * np.sqrt(2), rel=0, abs=rounding_mm)
    assert (sheet.width_tolerance_mm, sheet.height_tolerance_mm) == tuple(
        1.5 if mm <= 150 else 2.0 for mm in (sheet.width_mm, sheet.height_mm)  # ISO 216:2007, tolerances
    )


@given(st.sampled_from(known_objects()), st.booleans(), st.sampled_from(["", " ", "  "]))
def test_an_object_is_found_however_its_name_is_typed(thing: object, upper: bool, space: str) -> None:
    name = thing.name  # type: ignore[attr-defined]
    assert known_object(space + (name.upper() if upper else name.lower()) + space) is thing


def test_unknown_objects_and_coins_that_are_not_round_are_refused() -> None:
    with pytest.raises(TradeError, match="no object of known size"):
        known_object("groat")
    with pytest.raises(SetupError, match="GBP 50p is not round"):
        reference_of("GBP 50p")
    with pytest.raises(SetupError, match="outside 3 to 2000 mm"):
        DiscReference("disc", 0.5)


# Rectangles


@pytest.mark.parametrize("pose", [LEVEL, LEANING])
def test_a_rectangle_of_stated_size_gives_lengths_within_its_uncertainty(pose: Pose) -> None:
    view = View(pose, LENS)
    scale = scale_of(view, box((85.6, 54.0)), RectangleReference("plate", 85.6, 54.0, 0.01, 0.01))
    for ends in ([(-90.0, 0.0), (-50.0, 10.0)], [(50.0, 40.0), (60.0, -40.0)]):
        measured, U = length_mm(scale, view, np.array(ends))
        true = float(np.hypot(*np.subtract(*ends)))
        assert abs(measured - true) < U < 0.03 * true


def test_a_rectangle_shows_the_tilt() -> None:
    view = View(LEANING, LENS)
    scale = scale_of(view, box((85.6, 54.0)), RectangleReference("plate", 85.6, 54.0, 0.01, 0.01))
    true_deg = float(np.degrees(np.arccos(-view.R[2, 2])))
    assert scale.tilt_deg == pytest.approx(true_deg, abs=0.7)  # 4 % of the focal length at 14 degrees
    assert not scale.possible


def test_a_rectangle_of_another_shape_is_told_from_the_one_named() -> None:
    with pytest.raises(ScaleNotFound, match=r"no A4 sheet: its sides are as 1 to 1\.\d\d"):
        scale_of(View(LEVEL, LENS), box((100.0, 97.0)), reference_of("a4"))


def test_of_two_rectangles_alike_the_one_pointed_at_is_taken() -> None:
    both = (box((60.0, 40.0), (-50.0, 0.0)), box((60.0, 40.0), (50.0, 10.0)))
    view, plate = View(LEVEL, LENS), RectangleReference("plate", 60.0, 40.0)
    with pytest.raises(ScaleNotFound, match=r"2 rectangles that may be the plate.*--reference-at"):
        scale_of(view, lambda x, y: both[0](x, y) | both[1](x, y), plate)
    at = view.project(np.array([[50.0, 10.0, 0.0]]))[0]
    scale = scale_of(view, lambda x, y: both[0](x, y) | both[1](x, y), plate, Place(at_px=(float(at[0]), float(at[1]))))
    assert scale.camera.project(np.zeros((1, 3)))[0] == pytest.approx(at, abs=0.3)


def test_of_two_rectangles_alike_the_part_that_was_tapped_is_no_reference() -> None:
    both = (box((60.0, 40.0), (-50.0, 0.0)), box((60.0, 40.0), (50.0, 10.0)))
    view = View(LEVEL, LENS)
    at, part = view.project(np.array([[50.0, 10.0, 0.0], [-50.0, 0.0, 0.0]]))
    place = Place(part_px=(float(part[0]), float(part[1])))
    scale = scale_of(view, lambda x, y: both[0](x, y) | both[1](x, y), RectangleReference("plate", 60.0, 40.0), place)
    assert scale.camera.project(np.zeros((1, 3)))[0] == pytest.approx(at, abs=0.3)


def test_a_sheet_that_nearly_fills_the_picture_and_curls_is_found() -> None:
    """One side bows by a millimetre, and all lie nearer to the picture's border than a side is looked for."""

    def ink(x: Array, y: Array) -> Array:
        return (np.abs(x) < 144.0) & (y < 108.0) & (y > -108.0 + np.sin(np.pi * x / 144.0))

    view = View(LEVEL, LENS)
    scale = scale_of(view, ink, RectangleReference("sheet", 288.0, 216.0, 0.5, 0.5, under=True))
    measured, U = length_mm(scale, view, np.array([(-30.0, 0.0), (30.0, 20.0)]))
    assert abs(measured - float(np.hypot(60.0, 20.0))) < U


@pytest.mark.parametrize("ink", [dots(40.0, (0.0, 0.0)), box((60.0, 40.0), (140.0, 0.0))])
def test_without_a_whole_rectangle_the_way_out_is_told(ink: Ink) -> None:
    with pytest.raises(ScaleNotFound, match=r"No four-sided object .* all four corners in the picture"):
        scale_of(View(LEVEL, LENS), ink, RectangleReference("plate", 60.0, 40.0))


# Discs


@pytest.mark.parametrize("pose", [LEVEL, HELD])
def test_a_disc_gives_lengths_within_an_uncertainty_that_grows_away_from_it(pose: Pose) -> None:
    view = View(pose, LENS)
    scale = scale_of(view, dots(25.0, (40.0, 0.0)), DiscReference("disc", 25.0, 0.01))
    near, far = (length_mm(scale, view, np.array([(x - 10.0, 0.0), (x + 10.0, 0.0)])) for x in (40.0, -80.0))
    assert abs(near[0] - 20.0) < near[1]
    assert abs(far[0] - 20.0) < far[1]
    assert far[1] > 2 * near[1]
    assert sum(p.weight for p in scale.possible) == pytest.approx(1.0, abs=1e-9)


def test_a_hole_in_a_plate_is_not_taken_for_the_disc() -> None:
    def ink(x: Array, y: Array) -> Array:
        plate = box((80.0, 60.0), (-60.0, 0.0))(x, y) & ~dots(20.0, (-60.0, 0.0))(x, y)
        return plate | dots(25.0, (50.0, 0.0))(x, y)

    view = View(LEVEL, LENS)
    scale = scale_of(view, ink, DiscReference("disc", 25.0))
    at = view.project(np.array([[50.0, 0.0, 0.0]]))[0]
    assert scale.camera.project(np.zeros((1, 3)))[0] == pytest.approx(at, abs=0.3)


@pytest.mark.parametrize(
    ("ink", "place", "message"),
    [
        (box((60.0, 40.0)), Place(), "No round object was found"),
        (dots(25.0, (-40.0, 0.0), (40.0, 0.0)), Place(), "2 round objects.*--reference-at"),
        (dots(25.0, (-40.0, 0.0)), Place(at_px=(900.0, 100.0)), "no round object at 900,100 px"),
        (dots(25.0, (-150.0, 0.0)), Place(), "No round object was found"),  # cut off by the picture
        (dots(9.0, (0.0, 0.0)), Place(), "only 30 px wide; 40 px are needed"),
    ],
)
def test_a_disc_that_cannot_be_used_is_told_with_the_way_out(ink: Ink, place: Place, message: str) -> None:
    with pytest.raises(ScaleNotFound, match=message):
        scale_of(View(LEVEL, LENS), ink, DiscReference("disc", 25.0), place)


def test_a_reference_on_the_parts_face_lies_nearer_to_the_camera() -> None:
    view = View(LEVEL, LENS)
    low, high = (scale_of(view, dots(25.0, (0.0, 0.0)), DiscReference("disc", 25.0), Place(mm)) for mm in (0.0, 30.0))
    assert high.camera.centre[2] - low.camera.centre[2] == pytest.approx(30.0, abs=0.2)  # fits of the rim from two starts


# Two points


@settings(deadline=None, max_examples=25)
@given(
    first=st.tuples(st.floats(100, 400), st.floats(100, 650)),
    second=st.tuples(st.floats(500, 900), st.floats(100, 650)),
    distance_mm=st.floats(20, 300),
    base_mm=st.floats(0, 20),
)
def test_the_distance_between_the_points_reads_as_stated(
    first: tuple[float, float], second: tuple[float, float], distance_mm: float, base_mm: float
) -> None:
    points = np.array([first, second])
    seen = SeenPoints(PointsReference(first, second, distance_mm), base_mm, points, 1.0, 1.0)
    found = adjust_to(seen, (1000, 760), None).adjusted.camera.to_plane(points, base_mm)
    assert float(np.hypot(*(found[1] - found[0]))) == pytest.approx(distance_mm, rel=2e-3)  # the hand's tilt enters in part


def test_points_outside_the_picture_or_too_near_to_each_other_are_refused() -> None:
    view = View(LEVEL, LENS)
    with pytest.raises(ScaleNotFound, match="1200,50 px lies outside"):
        scale_of(view, box((10, 10)), PointsReference((1200.0, 50.0), (10.0, 10.0), 50.0))
    with pytest.raises(ScaleNotFound, match="only 20 px apart"):
        scale_of(view, box((10, 10)), PointsReference((30.0, 50.0), (50.0, 50.0), 50.0))


# Rules


def ticks(graduation: str, length_mm: float, alike: bool = False, drawn_out: float = 1.0) -> Ink:
    """A row of black ticks on white, upwards from y = 0; alike: all of one length; drawn_out: how much longer than usual."""
    pitch_mm, lengths = objects.GRADUATIONS[graduation]
    width_mm = min(0.2, 0.3 * pitch_mm)

    def ink(x: Array, y: Array) -> Array:
        number = np.rint(x / pitch_mm + 64)
        long = np.zeros_like(x)
        for every, mm in lengths[:1] if alike else lengths:
            long = np.where(number % every == 0, mm * drawn_out, long)
        on = (np.abs(x - (number - 64) * pitch_mm) < width_mm / 2) & (np.abs(x) < length_mm / 2)
        return np.asarray(on & (y > 0) & (y < long))

    return ink


@pytest.mark.parametrize("graduation", ["1 mm", "0.5 mm", "0.1 in", "1/20 in", "1/16 in", "1/32 in"])
def test_the_pitch_of_a_rule_is_told_by_its_longer_ticks(graduation: str) -> None:
    view = View(Pose((0.0, 0.0, 140.0), roll_deg=3.0), LENS)
    scale = scale_of(view, ticks(graduation, 100.0), RuleReference(thickness_mm=0.0))
    assert scale.target.name == f"rule, ticks {graduation} apart"
    measured, U = length_mm(scale, view, np.array([(-30.0, 0.0), (30.0, 0.0)]))
    assert abs(measured - 60.0) < U


def test_ticks_all_alike_are_asked_about_and_measure_once_their_pitch_is_given() -> None:
    view = View(Pose((0.0, 0.0, 160.0)), LENS)
    with pytest.raises(ScaleNotFound, match=r"does not tell their pitch.*--pitch"):
        scale_of(view, ticks("1 mm", 90.0, alike=True), RuleReference(thickness_mm=0.0))
    scale = scale_of(view, ticks("1 mm", 90.0, alike=True), RuleReference(1.0, thickness_mm=0.0))
    measured, U = length_mm(scale, view, np.array([(-30.0, 0.0), (30.0, 0.0)]))
    assert abs(measured - 60.0) < U


@pytest.mark.parametrize(
    ("graduation", "drawn_out", "either"),
    [("1 mm", 0.58, r"1 mm or 0\.1 in"), ("0.1 in", 1.5, r"1 mm or 0\.1 in"), ("1/20 in", 1.75, r"0\.5 mm or 1/20 in")],
)
def test_a_pitch_that_two_graduations_would_explain_is_asked_for(graduation: str, drawn_out: float, either: str) -> None:
    """Millimetres and tenths of an inch are marked alike: how long the ticks are tells them apart, and these are between."""
    view = View(Pose((0.0, 0.0, 140.0)), LENS)
    with pytest.raises(ScaleNotFound, match=rf"may be {either} apart\. Say which \(--pitch"):
        scale_of(view, ticks(graduation, 110.0, drawn_out=drawn_out), RuleReference(thickness_mm=0.0))


def test_a_rule_leaves_the_lean_across_it_to_the_hand() -> None:
    """Ticks tell how the phone leans along the rule; a coarse look over all tilts must not take a sharp ridge for an answer."""
    across_sd = []
    for leaning in [(11.0, 8.0), (-20.0, 15.0), (30.0, -12.0), (5.0, -30.0)]:
        view = View(Pose((*leaning, 319.0), (4.0, -2.0, 0.0), 3.0), LENS)
        numbers = np.arange(-50, 51)
        px = view.project(np.column_stack([numbers + 10.0, np.full(101, -46.0), np.zeros(101)]))
        along = (px[-1] - px[0]) / np.hypot(*(px[-1] - px[0]))
        seen = SeenRule(RuleReference(thickness_mm=0.0), 0.0, px, numbers, along, 1.0, "1 mm", 0.3, 1.0)
        possible = adjust_to(seen, LENS.size_px, FocalPrior(LENS.f_px, 0.04)).possible
        axes = np.array([p.camera.rotation[2, :2] for p in possible])
        weights = np.array([p.weight for p in possible])
        off = axes - weights @ axes
        across_sd.append(np.degrees(np.sqrt(np.linalg.eigvalsh(off.T @ (off * weights[:, None]))[1])))
    assert min(across_sd) > np.degrees(TILT_U_RAD) / 2  # the lens's reach bends the ridge; less than half of it may get lost


def test_no_ticks_no_rule() -> None:
    with pytest.raises(ScaleNotFound, match="No row of at least 12 even ticks"):
        scale_of(View(LEVEL, LENS), box((80.0, 20.0)), RuleReference())


# Loose markers


def loose_markers(size_mm: float) -> Shot:
    """Three markers lying anyhow."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    places = (((-50.0, 20.0), 10.0), ((50.0, 25.0), -25.0), ((10.0, -40.0), 70.0))
    parts = tuple(objects.marker(np.asarray(cv2.aruco.generateImageMarker(dictionary, number, 6)), size_mm, at, turn)
                  for number, (at, turn) in enumerate(places))  # fmt: skip
    return Shot(Scene(Plain(0.3), parts), LEANING, replace(LENS, f_px=1400.0, size_px=(1400, 1060)), PHONES["plain"])


def test_several_markers_wherever_they_lie_show_tilt_and_size() -> None:
    shot = loose_markers(25.0)
    photo = photo_of(simulate(shot).rgb[..., 1] / 255.0, focal35_mm=shot.lens.focal35)
    reference = MarkersReference(25.0)
    scale = find_scale(photo, reference, locate(photo, reference))
    assert scale.target.name == "3 markers"
    assert scale.tilt_deg == pytest.approx(float(np.degrees(np.arccos(-shot.view.R[2, 2]))), abs=1.0)
    measured, U = length_mm(scale, shot.view, np.array([(-50.0, 20.0), (50.0, 25.0)]))
    assert abs(measured - float(np.hypot(100.0, 5.0))) < U < 2.0


def test_loose_markers_are_no_parts() -> None:
    shot = loose_markers(25.0)
    rows = ((-20.0, -12.0, 0.0), (20.0, -12.0, 0.0), (20.0, 12.0, 0.0), (-20.0, 12.0, 0.0))
    plate = Part(1.6, rows, (Hole((0.0, 0.0), 6.0, Sharp()),), levels=Levels(0.05, 0.03, 0.06))
    laid = replace(shot, scene=Scene(Plain(0.3), (plate, *shot.scene.parts)))
    result = inspect(simulate(laid).jpeg, Setup(1.6, reference=MarkersReference(25.0)))
    assert [len(part.holes) for part in result.parts] == [1]


def test_one_marker_is_not_several() -> None:
    with pytest.raises(ScaleNotFound, match=r"shows 0 markers.*2 or more"):
        scale_of(View(LEVEL, LENS), box((30.0, 30.0)), MarkersReference(30.0))


# Scans


def scan(dpi: float) -> View:
    """A pinhole so far away that it sees as a scanner does."""
    return View(Pose((0.0, 0.0, 20_000.0)), Lens(dpi / 25.4 * 20_000.0, (1000, 760)))


@pytest.mark.parametrize("true_dpi", [150.0, 151.2])
def test_a_scan_is_corrected_by_the_object_that_checks_it(true_dpi: float) -> None:
    view = scan(true_dpi)
    scale = scale_of(view, box((85.60, 53.98)), FlatbedReference(150.0, reference_of("card")))
    measured, U = length_mm(scale, view, np.array([(-60.0, 40.0), (60.0, -40.0)]))
    assert abs(measured - float(np.hypot(120.0, 80.0))) < U < 0.5


def test_a_scan_of_another_resolution_than_stated_is_refused() -> None:
    with pytest.raises(ScaleNotFound, match=r"At 160 dpi the ID-1 card .* about 150 dpi"):
        scale_of(scan(150.0), box((85.60, 53.98)), FlatbedReference(160.0, reference_of("card")))


def test_an_unchecked_scan_carries_the_scanners_own_error() -> None:
    assert scale_of(scan(150.0), box((60.0, 40.0)), FlatbedReference(150.0)).print_scale.u_kx == 0.004


# Round parts on a sheet, and such as touch


def test_coins_on_a_sheet_are_round_parts_with_their_diameters() -> None:
    coins = (objects.disc(25.75, 2.2, (20.0, 30.0)), objects.disc(18.75, 1.67, (-40.0, -50.0)))
    lens = Lens(1500.0, (1512, 1134))
    shot = Shot(Scene(Sheet(), coins), Pose((20.0, 10.0, 430.0), (0.0, 0.0, 0.0), 90.0), lens, PHONES["s20"])
    result = inspect(simulate(shot).jpeg, Setup(2.0, reference=reference_of("a4")))
    found = sorted((part.outside_diameter for part in result.parts if part.outside_diameter), key=lambda d: d.value)
    assert len(found) == 2
    for diameter, true in zip(found, (18.75, 25.75), strict=True):
        assert abs(diameter.value - true) < diameter.U


def test_the_reference_alone_is_no_part_and_the_way_out_is_told() -> None:
    def ink(x: Array, y: Array) -> Array:
        return box((60.0, 40.0), (50.0, 0.0))(x, y)

    view = View(LEVEL, LENS)
    photo = photo_of(drawn(view, ink), focal35_mm=view.lens.focal35)
    with pytest.raises(PartNotFound, match=r"No part was found beside the reference.*--part-at"):
        inspect(photo, Setup(1.0, reference=RectangleReference("plate", 60.0, 40.0)))


def outline_of(mask: Array) -> Array:
    """The outer contour (N, 2) of a mask."""
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(max(outlines, key=cv2.contourArea)).reshape(-1, 2)


@settings(deadline=None, max_examples=20)
@given(first=st.integers(30, 60), second=st.integers(30, 60), angle=st.floats(0, 6.28))
def test_two_discs_that_touch_are_told_apart_by_their_arcs(first: int, second: int, angle: float) -> None:
    y, x = np.mgrid[:320, :320]
    apart = first + second - 1.0
    centres = np.array([[160.0, 160.0]] * 2) + np.array([[-0.5], [0.5]]) * apart * np.array([np.cos(angle), np.sin(angle)])
    mask = np.any([np.hypot(x - a, y - b) < r for (a, b), r in zip(centres, (first, second), strict=True)], axis=0)
    found = sorted(round_parts(outline_of(mask), 5.0), key=lambda circle: float(np.hypot(*(circle[0] - centres[0]))))
    assert len(found) == 2
    for (centre, radius), true_centre, true_radius in zip(found, centres, (first, second), strict=True):
        assert centre == pytest.approx(true_centre, abs=1.0)  # pixels of the mask, and the neck between both
        assert radius == pytest.approx(true_radius, abs=1.2)


def test_a_link_with_round_ends_is_one_part() -> None:
    y, x = np.mgrid[:320, :320]
    ends = np.any([np.hypot(x - a, y - 160) < 45 for a in (90, 230)], axis=0)
    waist = (np.abs(y - 160) < 24) & (np.abs(x - 160) < 70)
    assert round_parts(outline_of(ends | waist), 5.0) == []
