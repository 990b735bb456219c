"""From a photo to figures, uncertainties and verdicts, against the simulator's exact truth and shapely.

The photos are 2640 x 1980, about 7.5 px/mm, of a plain phone; the figures to reach are those of 12 megapixels.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import Point

from holeinspect import Inspection, Setup, inspect
from holeinspect.inspection import Hole, Part
from holeinspect.measure.budget import Line, combined
from tests.simulator import scene as table
from tests.simulator.draw import random_shot
from tests.simulator.scene import Cutout, Mat, Scene
from tests.simulator.shot import Shot, Simulated, simulate
from tests.simulator.view import Lens, Pose

LENS = Lens(2200.0, (2640, 1980))
POSE = Pose((15, -35, 285), (0, 0, 0), 90.0)
BARS = {"along": 240.0, "across": 170.0}
"""The A4 mat's check bars as printed true."""

# The budget


def test_contributions_add_as_in_gum_h1() -> None:
    """JCGM 100:2008, H.1: components in nm of 50 000 838 nm, combined 31.66, stated as 32."""
    parts = (("standard", 25.0), ("temperature difference", 16.599), ("systematic", 6.7), ("observations", 5.8),
             ("random", 3.9), ("expansion difference", 2.88679))  # fmt: skip
    assert combined(tuple(Line(name, u) for name, u in parts)) == pytest.approx(31.66, rel=0, abs=0.005)


@given(st.lists(st.floats(0, 10), min_size=1, max_size=8))
def test_no_contribution_is_larger_than_all_of_them(contributions: list[float]) -> None:
    u = combined(tuple(Line("x", value) for value in contributions))
    assert max(contributions) <= u + 1e-12
    assert u <= sum(contributions) + 1e-9


# A plate with everything on it

PLATE = ((-50.0, -35.0, 5.0), (50.0, -35.0, 5.0), (50.0, 20.0, 5.0), (20.0, 45.0, 5.0), (-50.0, 45.0, 5.0))
LIGHTENING = table.Hole((8, -8), 20.0, name="lightening")
HOLES = (
    table.Hole((-40, -27.5), 3.2, name="A"), table.Hole((-25, -28), 3.2, name="B"),
    table.Hole((-10, -25), 3.2, name="C"), table.Hole((-38, 30), 4.8, name="D"),
    table.Hole((-20, 30), 4.8, name="E"), table.Hole((38, -20), 6.35, name="F"),
    table.Hole((36, 5), 4.1, name="G"), table.Hole((0, 27), 3.2, name="K"),
    table.Hole((-4, -8), 2.4, name="L"), table.Hole((-16, 0), 2.4, name="M"),
)  # fmt: skip
WINDOW = Cutout(((-40, -10, 2.0), (-20, -10, 2.0), (-20, 10, 2.0), (-40, 10, 2.0)))
"""A square window: the hole M is nearest to it."""


@cache
def plate_photo() -> Simulated:
    plate = table.Part(1.6, PLATE, (*HOLES, LIGHTENING), (WINDOW,), at_mm=(0, 5), rotate_deg=4)
    return simulate(Shot(Scene(Mat("a4"), (plate,)), POSE, LENS))


@cache
def plate_result() -> Inspection:
    return inspect(plate_photo().jpeg, Setup(thickness=1.6, **BARS))


def hole_at(part: Part, centre_mm: tuple[float, float]) -> Hole:
    return min(part.holes, key=lambda hole: math.dist(hole.centre_mm, centre_mm))


def placed(hole: table.Hole) -> tuple[float, float]:
    point = plate_photo().shot.scene.parts[0].placed(Point(hole.centre_mm))
    return point.x, point.y


def true_edge_mm(hole: table.Hole) -> float:
    """By shapely: outline, window and lightening hole are all edges."""
    plate = plate_photo().shot.scene.parts[0]
    rings = (plate.outline().exterior, WINDOW.opening().exterior, LIGHTENING.opening().exterior)
    return min(ring.distance(Point(hole.centre_mm)) for ring in rings)


def test_every_hole_is_found_and_none_invented() -> None:
    (part,) = plate_result().parts
    assert len(part.holes) == len(HOLES)
    assert sorted(opening.kind for opening in part.openings) == ["cut-out", "lightening hole"]
    assert part.whole_in_view


@pytest.mark.parametrize("hole", HOLES, ids=lambda hole: hole.name)
def test_diameter_centre_and_edge_distance_agree_with_the_truth(hole: table.Hole) -> None:
    found = hole_at(plate_result().parts[0], placed(hole))
    assert math.dist(found.centre_mm, placed(hole)) < 0.02
    assert found.diameter.value == pytest.approx(hole.diameter_mm, rel=0, abs=0.03)
    assert found.edge_distance is not None
    assert found.edge_distance.value == pytest.approx(true_edge_mm(hole), rel=0, abs=0.05)
    assert found.edge_distance.U < 0.15


def test_nearest_edge_may_be_a_window_or_a_lightening_hole() -> None:
    part = plate_result().parts[0]
    for hole, distance_mm in ((HOLES[8], 2.0), (HOLES[9], 4.0)):
        found = hole_at(part, placed(hole))
        assert found.edge_point is not None
        assert found.edge_point.edge == "cutout"
        assert math.dist(found.edge_point.point_mm, placed(hole)) == pytest.approx(distance_mm, rel=0, abs=0.05)


def test_edge_point_lies_on_the_edge_at_the_stated_distance() -> None:
    for hole in plate_result().parts[0].holes:
        assert hole.edge_point is not None
        assert hole.edge_distance is not None
        assert math.dist(hole.edge_point.point_mm, hole.centre_mm) == pytest.approx(
            hole.edge_distance.value, rel=0, abs=1e-6
        )


def test_a_slots_edge_distance_is_that_of_its_end_nearest_to_an_edge() -> None:
    outline = ((-50.0, -25.0, 4.0), (50.0, -25.0, 4.0), (50.0, 25.0, 4.0), (-50.0, 25.0, 4.0))
    slot = table.Hole((-34, 0), 6.0, slot_mm=(30, 0))
    photo = simulate(Shot(Scene(Mat("a4"), (table.Part(1.6, outline, (slot,)),)), POSE, LENS))
    (found,) = inspect(photo.jpeg, Setup(thickness=1.6, **BARS)).parts[0].holes
    assert found.shape == "slot"
    assert found.edge_distance is not None
    assert found.edge_distance.value == pytest.approx(16.0, rel=0, abs=0.05)
    assert found.edge_from_px is not None
    # On the photo as well the way starts at that end, half a slot from its middle.
    assert math.dist(found.edge_from_px, found.centre_px) == pytest.approx(15 * 7.5, rel=0.1)


def test_pitch_is_the_distance_to_the_nearest_hole() -> None:
    part = plate_result().parts[0]
    for hole in HOLES:
        found = hole_at(part, placed(hole))
        nearest = min(math.dist(hole.centre_mm, other.centre_mm) for other in HOLES if other is not hole)
        assert found.pitch is not None
        assert found.pitch.value == pytest.approx(nearest, rel=0, abs=0.05)
        other = next(other for other in part.holes if other.name == found.pitch.to)
        assert math.dist(other.centre_mm, found.centre_mm) == pytest.approx(found.pitch.value, rel=0, abs=1e-6)


def test_lightening_hole_is_measured_but_is_no_hole_for_a_fastener() -> None:
    lightening = next(o for o in plate_result().parts[0].openings if o.kind == "lightening hole")
    assert lightening.diameter is not None
    assert lightening.diameter.value == pytest.approx(20.0, rel=0, abs=0.03)


def test_machine_made_holes_are_round_within_what_a_photo_can_tell() -> None:
    assert all(hole.shape == "round" for hole in plate_result().parts[0].holes)
    assert all(hole.out_of_round is not None and hole.out_of_round.value < 0.05 for hole in plate_result().parts[0].holes)


def test_every_figure_carries_the_budget_it_is_made_of() -> None:
    for hole in plate_result().parts[0].holes:
        for figure in (hole.diameter, hole.edge_distance):
            assert figure is not None
            assert {"camera", "edge noise", "light", "scale"} <= {line.name for line in figure.budget}
            assert np.sqrt(sum(line.u**2 for line in figure.budget)) == pytest.approx(figure.u, rel=0, abs=1e-9)


def test_a_real_inspection_survives_json() -> None:
    assert Inspection.model_validate_json(plate_result().model_dump_json()) == plate_result()


def test_holes_are_named_in_reading_order() -> None:
    names = [hole.name for hole in plate_result().parts[0].holes]
    assert names == [f"H{number}" for number in range(1, len(HOLES) + 1)]
    first, last = plate_result().parts[0].holes[0], plate_result().parts[0].holes[-1]
    assert first.centre_mm[1] > last.centre_mm[1]


# Fasteners, rules, heights


def test_fastener_and_rule_of_a_single_hole_decide_for_it_alone() -> None:
    name = hole_at(plate_result().parts[0], placed(HOLES[2])).name  # 10 mm from the edge, 3.2 mm
    plain = inspect(plate_photo().jpeg, Setup(thickness=1.6, **BARS, hole_fasteners={name: "AN470AD4"}))
    strict = inspect(plate_photo().jpeg, Setup(thickness=1.6, **BARS, hole_fasteners={name: "AN470AD4"},
                                               hole_rules={name: 4.0}))  # fmt: skip
    for result, short in ((plain, False), (strict, True)):
        hole = next(hole for hole in result.parts[0].holes if hole.name == name)
        assert hole.edge_ratio is not None
        assert hole.edge_ratio.value == pytest.approx(10 / 3.175, rel=0, abs=0.02)  # e/D by the fastener's own D
        assert ("short edge" in [reason.name for reason in hole.reasons]) == short
        assert hole.nominal is not None
        assert hole.nominal.fastener is not None
    others = [h.nominal.fastener for h in plain.parts[0].holes if h.name != name and h.nominal]
    assert not any(others)


def test_face_height_scales_lengths_by_similar_triangles() -> None:
    """A face at h of a camera at H: true lengths are (H - h)/H of those taken on the mat (worked examples, 12)."""
    low, high = (inspect(plate_photo().jpeg, Setup(thickness=1.0, face_height=h, **BARS)) for h in (1.0, 21.0))
    H = low.scale.camera_height.value
    pitches = [hole_at(r.parts[0], placed(HOLES[3])).pitch for r in (low, high)]
    assert pitches[0] is not None
    assert pitches[1] is not None
    assert pitches[1].value / pitches[0].value == pytest.approx((H - 21) / (H - 1), rel=0, abs=0.002)


# Several parts, one of them running off the window


@cache
def bench_result() -> Inspection:
    off = table.Part(2.0, ((-30, -20, 3.0), (30, -20, 3.0), (30, 20, 3.0), (-30, 20, 3.0)),
                     (table.Hole((-20, -10), 4.8), table.Hole((15, 0), 4.8), table.Hole((-20, 8), 4.8)),
                     at_mm=(50, -50))  # fmt: skip
    ring = tuple((float(12 * np.cos(a)), float(12 * np.sin(a)), 0.0) for a in np.radians(np.arange(0, 360, 2)))
    disc = table.Part(1.5, ring, (table.Hole((0, 0), 6.4),), at_mm=(-40, -60))
    small = table.Part(1.0, ((-20, -12, 2.0), (20, -12, 2.0), (20, 12, 2.0), (-20, 12, 2.0)),
                       (table.Hole((-10, 0), 3.2), table.Hole((10, 0), 3.2)), at_mm=(-20, 50))  # fmt: skip
    photo = simulate(Shot(Scene(Mat("a4"), (off, disc, small)), POSE, LENS))
    bare = inspect(photo.jpeg, Setup(thickness=2.0, **BARS))
    thick = {near(bare, at).name: mm for at, mm in (((-40.0, -60.0), 1.5), ((-20.0, 50.0), 1.0))}
    return inspect(photo.jpeg, Setup(thickness=2.0, part_thickness=thick, **BARS))


def near(result: Inspection, at: tuple[float, float]) -> Part:
    """The part whose outline's middle lies nearest."""
    return min(result.parts, key=lambda part: math.dist(np.ptp(part.outline_mm, axis=0) / 2 + np.min(part.outline_mm, 0), at))


def test_each_part_on_the_mat_is_measured_with_its_own_thickness() -> None:
    assert len(bench_result().parts) == 3
    small = near(bench_result(), (-20, 50))
    assert small.thickness_mm == 1.0
    assert [hole.diameter.value for hole in small.holes] == pytest.approx([3.2, 3.2], rel=0, abs=0.03)
    for hole in small.holes:
        assert hole.edge_distance is not None
        assert hole.edge_distance.value == pytest.approx(10.0, rel=0, abs=0.05)


def test_round_part_has_an_outside_diameter() -> None:
    disc = near(bench_result(), (-40, -60))
    area_mm2 = 180 / 2 * 12**2 * np.sin(np.radians(2))  # of the polygon that stands for it
    assert disc.outside_diameter is not None
    assert disc.outside_diameter.value == pytest.approx(2 * np.sqrt(area_mm2 / np.pi), rel=0, abs=0.03)
    assert near(bench_result(), (-20, 50)).outside_diameter is None
    (hole,) = disc.holes
    assert hole.edge_distance is not None
    assert hole.edge_distance.value == pytest.approx(12.0, rel=0, abs=0.06)


def test_edge_out_of_view_is_said_with_the_distance_that_is_certain() -> None:
    part = near(bench_result(), (45, -50))
    assert not part.whole_in_view
    right = max(part.holes, key=lambda hole: hole.centre_mm[0])
    assert right.edge_not_in_view
    assert right.edge_distance is None
    assert right.edge_at_least_mm is not None
    assert 5 < right.edge_at_least_mm <= 15.0  # the true edge, under the ring, is 15 mm off
    left = [hole for hole in part.holes if hole is not right]
    assert all(not hole.edge_not_in_view and hole.edge_distance is not None for hole in left)
    assert any("runs out of the picture" in warning for warning in bench_result().warnings)


# Verdicts end to end


RIVET, RIVET_D_MM, RIVET_HOLE_MM = "AN470AD6", 4.7625, 4.85
"""A 3/16 in rivet in a #11 hole."""
STEPS = (-0.6, -0.35, -0.15, -0.06, 0.0, 0.06, 0.15, 0.35, 0.6)
"""How much longer than 2 D the edge distances are, mm."""


@cache
def swept_result(thickness_mm: float) -> list[tuple[float, Hole]]:
    """Holes along an edge, each a little farther from it than the last: true edge distance less 2 D, and hole."""
    x = np.linspace(-70, 70, len(STEPS))
    holes = tuple(table.Hole((float(a), -30 + 2 * RIVET_D_MM + step), RIVET_HOLE_MM)
                  for a, step in zip(x, STEPS, strict=True))  # fmt: skip
    rows = ((-82.0, -30.0, 0.0), (82.0, -30.0, 0.0), (82.0, 10.0, 0.0), (-82.0, 10.0, 0.0))
    plate = table.Part(thickness_mm, rows, holes, at_mm=(5, 0), rotate_deg=90)
    photo = simulate(Shot(Scene(Mat("a4"), (plate,)), POSE, LENS))
    (part,) = inspect(photo.jpeg, Setup(thickness=thickness_mm, fastener=RIVET, **BARS)).parts
    return [(truth.edge_distance_mm - 2 * RIVET_D_MM, hole_at(part, truth.centre_mm)) for truth in photo.holes]


@pytest.mark.parametrize("thickness_mm", [0.8, 3.2])
def test_a_short_edge_is_never_called_good(thickness_mm: float) -> None:
    for spare_mm, hole in swept_result(thickness_mm):
        assert hole.edge_distance is not None
        assert hole.edge_distance.value == pytest.approx(2 * RIVET_D_MM + spare_mm, rel=0, abs=0.06)
        if spare_mm < 0:
            assert hole.verdict != "good"
        if spare_mm <= -0.35:
            assert hole.verdict == "rework"
            assert "short edge" in [reason.name for reason in hole.reasons]
        if spare_mm >= 0.35:
            assert "short edge" not in [reason.name for reason in hole.reasons]


@pytest.mark.parametrize("thickness_mm", [0.8, 3.2])
def test_what_the_photo_cannot_decide_names_the_reading_that_would(thickness_mm: float) -> None:
    undecided = [hole for _, hole in swept_result(thickness_mm) if hole.verdict == "measure by hand"]
    assert undecided
    assert all(hole.readings for hole in undecided)
    for hole in undecided:
        left_open = [note for note in hole.reasons if note.decision == "measure by hand"]
        assert tuple(note.reading for note in left_open) == hole.readings


def test_unchecked_print_is_told_and_widens_every_length() -> None:
    unchecked = inspect(plate_photo().jpeg, Setup(thickness=1.6))
    assert any("check bars were not measured" in warning for warning in unchecked.warnings)
    assert not unchecked.scale.print_checked
    for hole, checked in zip(unchecked.parts[0].holes, plate_result().parts[0].holes, strict=True):
        assert hole.edge_distance is not None
        assert checked.edge_distance is not None
        assert hole.edge_distance.u > checked.edge_distance.u


def test_print_off_by_a_third_of_a_percent_is_put_right_by_the_readings() -> None:
    scene = replace(plate_photo().shot.scene, backdrop=Mat("a4", print_scale=(1.003, 0.997)))
    photo = simulate(replace(plate_photo().shot, scene=scene))
    result = inspect(photo.jpeg, Setup(thickness=1.6, along=240 * 0.997, across=170 * 1.003))
    for hole in HOLES:
        found = hole_at(result.parts[0], placed(hole))
        assert found.pitch is not None
        nearest = min(math.dist(hole.centre_mm, other.centre_mm) for other in HOLES if other is not hole)
        assert found.pitch.value == pytest.approx(nearest, rel=0, abs=0.05)


def part_verdict(part: table.Part) -> tuple[str, set[str]]:
    """The part's verdict, and the reasons that are about the part itself."""
    photo = simulate(Shot(Scene(Mat("a4"), (part,)), POSE, LENS))
    (result,) = inspect(photo.jpeg, Setup(thickness=part.thickness_mm, **BARS)).parts
    return result.verdict, {reason.name for reason in result.reasons if reason.subject == result.name}


def strap(length_mm: float, *cutouts: Cutout) -> table.Part:
    """A strap with one good hole in the middle of the mat."""
    sides = ((-length_mm, -15.0, 3.0), (length_mm, -15.0, 3.0), (length_mm, 15.0, 3.0), (-length_mm, 15.0, 3.0))
    return table.Part(1.6, sides, (table.Hole((0, 0), 4.8),), cutouts)


def test_whole_part_with_a_good_hole_is_good() -> None:
    assert part_verdict(strap(40)) == ("good", set())


def test_part_that_runs_on_out_of_view_is_never_good() -> None:
    assert part_verdict(strap(250)) == ("measure by hand", {"part runs on"})


def test_part_with_an_opening_as_small_as_a_hole_that_is_none_is_never_good() -> None:
    odd = Cutout(((16, -3, 0.5), (24, -3, 0.5), (20, 5, 0.5)))
    assert part_verdict(strap(40, odd)) == ("measure by hand", {"hole not measured"})


@pytest.mark.parametrize(("wall", "face"), [(0.46, 0.41), (0.49, 0.57), (0.46, 0.61), (0.25, 0.50)])
def test_edge_whose_wall_faces_the_camera_is_not_set_out_to_its_foot(wall: float, face: float) -> None:
    """A wall nearly as bright as the face hides the rim; taken for the face, it would add its own width, 0.7 mm."""
    holes = tuple(table.Hole((x, -6.0), 4.9) for x in (-20.0, 20.0))
    sides = ((-35.0, -15.0, 4.0), (35.0, -15.0, 4.0), (35.0, 15.0, 4.0), (-35.0, 15.0, 4.0))
    plate = table.Part(5.0, sides, holes, at_mm=(10, 30), levels=table.Levels(face, wall))
    photo = simulate(Shot(Scene(Mat("a4"), (plate,)), POSE, LENS))
    result = inspect(photo.jpeg, Setup(thickness=5.0, **BARS))
    for truth in photo.holes:
        found = hole_at(result.parts[0], truth.centre_mm).edge_distance
        assert found is not None
        assert found.value == pytest.approx(truth.edge_distance_mm, rel=0, abs=0.1)  # mm: 0.75 px, a seventh of the wall


@pytest.mark.parametrize("seed", [3, 5, 8])
def test_random_plates_hold_the_truth_within_three_standard_uncertainties(seed: int) -> None:
    """Of 3 u the normal distribution leaves out 0.3 %; a handful of figures must all hold. The coverage of U itself over
    many photos is the benchmark's."""
    shot = random_shot(np.random.default_rng(seed), size_px=LENS.size_px)
    photo = simulate(shot)
    kx, ky = shot.scene.backdrop.print_scale if isinstance(shot.scene.backdrop, Mat) else (1.0, 1.0)
    thickness_mm = shot.scene.parts[0].thickness_mm
    result = inspect(photo.jpeg, Setup(thickness=thickness_mm, along=240 * ky, across=170 * kx))
    assert len(result.parts[0].holes) == len(photo.holes)
    for truth in photo.holes:
        found = hole_at(result.parts[0], truth.centre_mm)
        assert abs(found.diameter.value - truth.diameter_mm) < 3 * found.diameter.u
        assert found.edge_distance is not None
        assert abs(found.edge_distance.value - truth.edge_distance_mm) < 3 * found.edge_distance.u
