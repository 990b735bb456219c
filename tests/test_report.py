"""The table, the budget, the marked picture and the published schema of an inspection put together by hand."""

from __future__ import annotations

import colorsys
import io
import itertools
import json
from pathlib import Path
from typing import Any

import cv2
import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from rich.console import Console

from holeinspect.inspection import Inspection, OtherOpening, ReasonNote
from holeinspect.report import words
from holeinspect.report.budget import print_budgets
from holeinspect.report.labels import Disc, Field, Wish, meets, place
from holeinspect.report.marks import places
from holeinspect.report.picture import LABELS, key_lines, mark, save_marked
from holeinspect.report.schema import schema_text
from holeinspect.report.strokes import COLOURS, dashes, grown
from holeinspect.report.table import print_inspection
from holeinspect.report.view import View
from tests.example_condition import burr_finding, finding, lower_edge, rim_condition, with_condition
from tests.example_inspection import (
    BACKDROP,
    METAL,
    PX_PER_MM,
    SIZE_PX,
    example,
    example_photo,
    good_example,
    good_hole,
    hole,
    inspection,
    part,
    short_hole,
)


def printed(result: Inspection, width: int = 300) -> str:
    console = Console(file=io.StringIO(), width=width, highlight=False)
    print_inspection(result, console)
    text = console.file.getvalue()  # type: ignore[attr-defined]
    return " ".join(text.split())


def test_the_table_says_the_parts_verdict_first() -> None:
    text = printed(example())
    assert text.index("P1: rework (3 holes; short edge: H2; edge not in view: H3)") < text.index("H1")


@pytest.mark.parametrize(
    "told",
    [
        "3.264 ± 0.021",  # diameter with its U
        "#30",
        "4.000 ± 0.040",  # edge distance
        "1.225 ± 0.012 D",
        "22.825 ± 0.030 to H2",
        "ambiguous: #9 or 5 mm",
        "edge not in view, at least 7.50",
        "H2 short edge: edge distance 4.000 ± 0.040 mm, needed 6.53 mm (2 D)",
        "short edge: Ask the plans.",
        "measure the edge distance of H3 with a calliper: 10.04 mm or more passes",
        "edge distance at least 2 D, pitch at least 3 D.",
        "mat a4, its print measured (across 1.0010, along 0.9997)",
        "This tool informs; it does not approve.",
    ],
)
def test_the_table_tells(told: str) -> None:
    assert told in printed(example())


def test_lengths_are_printed_in_inches_where_the_builder_asked_for_them() -> None:
    text = printed(example(units="in"))
    assert "0.12850 ± 0.00083" in text  # 3.264 mm and 0.021 mm over 25.4
    assert "Diameter, in" in text


def test_a_warning_is_printed_once() -> None:
    warning = "The mat is bent."
    assert printed(example(warnings=(warning, warning))).count(warning) == 1


def test_holes_of_several_parts_are_told_apart() -> None:
    two = inspection(part("P1", (good_hole(),), "good"), part("P2", (short_hole(),), "rework"))
    assert [name for name, _ in words.named_holes(two)] == ["P1.H1", "P2.H2"]


def test_a_named_fastener_stands_beside_the_size() -> None:
    nominal = good_hole().nominal
    assert nominal is not None
    assert words.size(nominal.model_copy(update={"fastener": "1/8 rivet"})) == "#30 for 1/8 rivet"


def test_a_slot_is_told_with_its_length_and_width() -> None:
    slot = hole("H1", (0.0, 0.0), 5.0, verdict="measure by hand", shape="slot", axes_mm=(12.0, 5.0))
    assert words.form(slot, "mm") == "slot, 12.00 x 5.00 mm"


@pytest.mark.parametrize(("units", "total"), [("mm", "10.5"), ("in", "4.1")])  # 10.5 µm; 0.0105 / 0.00254 = 4.13
def test_the_budget_lists_the_lines_and_their_sum_in_small_units(units: str, total: str) -> None:
    console = Console(file=io.StringIO(), width=120)
    print_budgets(good_example(units=units), console)
    rows = [line.split() for line in console.file.getvalue().splitlines()]  # type: ignore[attr-defined]
    assert ["H1", "diameter", "print", "scale"] in [row[:4] for row in rows]
    assert total in next(row for row in rows if row[:1] == ["together"])


def test_the_marked_picture_is_readable_at_phone_size() -> None:
    picture = mark(example_photo(), example())
    assert 1600 <= max(picture.size) <= 2600  # the photo area's long side is 2000 px, the strips come on top


def test_the_marked_picture_draws_every_rim() -> None:
    """The pixels that change at the rims carry each verdict's colour (Okabe and Ito)."""
    pixels = np.asarray(mark(example_photo(), example())).astype(int)
    for colour in COLOURS.values():
        assert (np.abs(pixels - np.array(colour)).max(axis=2) < 8).sum() > 100


def test_the_ring_goes_round_the_hole_that_the_photo_shows() -> None:
    picture = np.asarray(mark(example_photo(), good_example())).astype(int)
    ring_coloured = (np.abs(picture - np.array(COLOURS["good"])).max(axis=2) < 40).astype(np.uint8)
    _, _, boxes, _ = cv2.connectedComponentsWithStats(ring_coloured)
    pieces = [box for box in boxes[1:] if box[4] > 100]
    left, top, width, height, _ = min(pieces, key=lambda box: abs(box[2] - box[3]))  # the label's border is oblong
    rows, columns = np.indices(picture.shape[:2])
    away = np.hypot(columns - (left + width / 2), rows - (top + height / 2)) / (width / 2)
    assert np.median(picture[away < 0.8]) < BACKDROP + 20  # the hole, with the cross on it
    assert np.median(picture[(away > 1.3) & (away < 1.8)]) > METAL - 20


def test_verdicts_are_drawn_with_lines_that_differ_without_colour() -> None:
    """In grey, the three rings differ: inked share of the way round, and of the radius."""
    photo = np.full((*SIZE_PX[::-1], 3), METAL, np.uint8)
    shares = []
    for verdict in ("good", "rework", "measure by hand"):
        lone = inspection(part("P1", (hole("H1", (0.0, 0.0), 8.0, verdict=verdict),), verdict))
        grey = np.asarray(mark(photo, lone).convert("L")).astype(int)
        shares.append((np.abs(grey - METAL) > 40).mean())
    assert len({round(share, 4) for share in shares}) == 3


def test_the_picture_is_written_in_the_format_of_its_ending(tmp_path: Path) -> None:
    for name, kind in (("a.jpg", "JPEG"), ("a.jpeg", "JPEG"), ("a.png", "PNG")):
        save_marked(example_photo(), example(), tmp_path / name)
        with Image.open(tmp_path / name) as picture:
            assert picture.format == kind


def test_a_photo_without_parts_is_marked_as_such() -> None:
    assert mark(example_photo(), inspection()).width > 0


def test_the_smallest_label_of_a_good_hole_still_says_that_an_edge_is_out_of_view() -> None:
    smallest, _ = LABELS[-1]
    unseen = hole("H1", (0.0, 0.0), 5.0, verdict="good", edge_not_in_view=True, edge_at_least_mm=30.0)
    assert smallest("H1", unseen, "mm").lines == ("H1 good", "Ø 5.000", "edge not in view")


@pytest.mark.parametrize(("make", "shares"), LABELS)
def test_every_label_of_a_bad_hole_says_its_verdict_and_the_reason(make: Any, shares: tuple[float, ...]) -> None:
    assert shares
    text = " ".join(make("H2", short_hole(), "mm").lines)
    assert "H2  rework" in text
    assert "short edge" in text
    assert "edge 4.000 ± 0.040 mm" in text


def test_many_holes_still_get_labels() -> None:
    holes = tuple(
        hole(f"H{n}", (x, y), 2.5, verdict="good")
        for n, (x, y) in enumerate(itertools.product(range(-27, 28, 6), (-10, -3, 4, 11)), 1)
    )
    assert mark(example_photo(), inspection(part("P1", holes, "good"))).width > 0


@st.composite
def crowds(draw: st.DrawFn) -> list[Wish]:
    spots = draw(st.lists(st.tuples(st.integers(1, 9), st.integers(1, 9)), min_size=1, max_size=8, unique=True))
    return [Wish(Disc((100.0 * x, 100.0 * y), 20.0), (120.0, 40.0), float(x)) for x, y in spots]


@settings(max_examples=25, deadline=None)
@given(crowds())
def test_labels_lie_inside_over_no_hole_and_over_no_other_label(wishes: list[Wish]) -> None:
    room = Field((1000, 1000), [wish.disc for wish in wishes], np.zeros((0, 4)), np.zeros((0, 2)), 20.0)
    placement = place(wishes, room)
    assert placement is not None
    for box in placement.boxes:
        assert (box >= 0).all()
        assert (box <= 1000).all()
        for disc in room.discs:
            assert np.hypot(*(np.clip(disc.centre, box[:2], box[2:]) - disc.centre)) >= disc.radius
    for one, other in itertools.combinations(placement.boxes, 2):
        assert (one[2:] <= other[:2]).any() or (other[2:] <= one[:2]).any()


def test_a_label_without_room_is_placed_only_by_force() -> None:
    disc = Disc((50.0, 50.0), 45.0)
    room = Field((100, 100), [disc], np.zeros((0, 4)), np.zeros((0, 2)), 20.0)
    wish = Wish(disc, (60.0, 60.0), 0.0)
    assert place([wish], room) is None
    forced = place([wish], room, force=True)
    assert forced is not None
    assert len(forced.boxes) == 1


@pytest.mark.parametrize(
    ("segment", "met"),
    [
        ((0, 5, 20, 5), True),
        ((0, 0, 4, 4), False),
        ((0, 30, 30, 30), False),
        ((7, 7, 8, 8), True),
        ((0, 16, 16, 0), True),
    ],
)
def test_a_segment_meets_a_box_where_they_share_points(segment: tuple[float, ...], met: bool) -> None:
    box = np.array([[5.0, 4.0, 12.0, 12.0]])
    assert meets(np.array([segment], float), box)[0, 0] == met


def test_dashes_go_evenly_round_and_leave_gaps() -> None:
    angle = np.linspace(0, 2 * np.pi, 361)[:-1]
    pieces = dashes(100 * np.column_stack([np.cos(angle), np.sin(angle)]), 30.0, 20.0)
    drawn = sum(np.hypot(*np.diff(piece, axis=0).T).sum() for piece in pieces)
    assert drawn == pytest.approx(0.6 * 2 * np.pi * 100, rel=0, abs=2.0)  # px; chords are shorter than the arc


def test_the_second_line_lies_outside_by_what_was_asked() -> None:
    angle = np.linspace(0, 2 * np.pi, 61)[:-1]
    circle = 50 + 20 * np.column_stack([np.cos(angle), np.sin(angle)])
    assert np.hypot(*(grown(circle, 7.0) - 50).T) == pytest.approx(27.0, rel=0, abs=1e-9)


def test_the_verdicts_colours_differ_in_lightness_too() -> None:
    """Okabe and Ito chose them so; here the three used are compared by HLS lightness."""
    lightness = sorted(colorsys.rgb_to_hls(*(channel / 255 for channel in colour))[1] for colour in COLOURS.values())
    assert min(np.diff(lightness)) > 0.1


def test_an_inspection_obeys_the_published_schema() -> None:
    schema = json.loads(schema_text())
    validator = jsonschema.Draft202012Validator(schema)
    jsonschema.Draft202012Validator.check_schema(schema)
    validator.validate(json.loads(example().model_dump_json()))


def test_the_published_schema_refuses_what_is_no_inspection() -> None:
    validator = jsonschema.Draft202012Validator(json.loads(schema_text()))
    wrong = json.loads(example().model_dump_json())
    wrong["parts"][0]["holes"][0]["verdict"] = "fine"
    with pytest.raises(jsonschema.ValidationError, match="'fine' is not one of"):
        validator.validate(wrong)


def test_the_json_reads_back_as_the_same_inspection() -> None:
    assert Inspection.model_validate_json(example().model_dump_json()) == example()


def test_lengths_of_the_drawn_photo_are_as_stated() -> None:
    row = example_photo()[SIZE_PX[1] // 2, :, 0]
    plate_px = np.flatnonzero(row == METAL)
    assert plate_px[-1] - plate_px[0] == pytest.approx(60 * PX_PER_MM, rel=0, abs=1)


@pytest.mark.parametrize(
    "told",
    [
        "0.258 ± 0.040",  # greatest protrusion of H1
        "4 o'clock",
        "not shown under 0.18 mm",  # H3, whose rim is too soft
        "broken edge 0.150 ± 0.040",  # the ring of H2
        "E1 straight 60.00 0.395 ± 0.040 23.00 mm from K1 0.10 burrs from 0.06 mm",
        "1: tab stub, E1, 23 mm from K1: 0.400 ± 0.060 mm, limit 0.10 mm. File it flush",
        "2: burr, H1 at 4 o'clock: 0.250 ± 0.040 mm, limit 0.10 mm. Deburr the rim",
    ],
)
def test_the_table_tells_of_rims_and_edges(told: str) -> None:
    assert told in printed(with_condition())


def test_the_rim_of_a_lightening_hole_is_told_with_what_could_hide_there() -> None:
    wide = OtherOpening(
        name="C1", kind="lightening hole", outline_mm=(), outline_px=(),
        condition=rim_condition((0.0, 0.0), 16.0, shown=False, smallest_shown_mm=0.2),
    )  # fmt: skip
    told = printed(inspection(part("P1", (), "measure by hand", openings=(wide,))))
    assert "greatest protrusion 0.008 ± 0.040 mm at 4 o'clock, limit 0.10 mm, not shown under 0.20 mm" in told


def test_places_to_work_on_stand_under_the_holes_and_before_the_reasons() -> None:
    text = printed(with_condition())
    assert text.index("H3") < text.index("Places to work on, worst first") < text.index("Why")


def test_burrs_are_printed_in_inches_where_the_builder_asked_for_them() -> None:
    assert "0.0098 ± 0.0016 in, limit 0.004 in" in printed(with_condition(units="in"))  # 0.25, 0.04 and 0.1 mm over 25.4


def test_what_a_photo_cannot_see_is_said_once_with_the_fingernail_check() -> None:
    for result in (with_condition(), good_example()):
        assert printed(result).count("fingernail") == 1


def test_results_without_edge_condition_have_no_column_for_it() -> None:
    assert "Burr" not in printed(example())


def test_a_reason_that_a_listed_place_tells_is_not_told_again() -> None:
    note = ReasonNote(name="burr", sentence="A burr stands into the opening.", remedy="Deburr.", subject="H1")
    result = with_condition()
    (whole,) = result.parts
    holes = (whole.holes[0].model_copy(update={"reasons": (note,)}), *whole.holes[1:])
    told = result.model_copy(update={"parts": (whole.model_copy(update={"holes": holes}),)})
    assert "A burr stands into the opening." not in printed(told)
    assert "A burr stands into the opening." in printed(told.model_copy(update={"findings": ()}))


def test_only_the_unit_after_a_number_is_left_out_of_a_column() -> None:
    assert words.without_unit("edge not in view, at least 0.295 in", "in") == "edge not in view, at least 0.295"


def test_a_finding_within_u_of_its_limit_is_called_undecided() -> None:
    assert words.finding_size(burr_finding(decided=False), "mm").endswith("limit 0.10 mm, undecided")


def boxes_drawn(picture: Image.Image, verdict: str) -> int:
    """Pixels of a verdict's colour."""
    pixels = np.asarray(picture).astype(int)
    return int((np.abs(pixels - np.array(COLOURS[verdict])).max(axis=2) < 8).sum())  # type: ignore[index]


def test_findings_are_boxed_and_numbered_in_the_marked_picture() -> None:
    """The same picture with and without the findings differs where they lie, and says below how they are drawn."""
    with_them, without = with_condition(), with_condition(findings=())
    marked, plain = (np.asarray(mark(example_photo(), one, strips=False)).astype(int) for one in (with_them, without))
    view_scale = marked.shape[1] / 800  # px a photo px: 600 px of outline with 100 px on both sides
    for found in with_them.findings:
        x, y = ((at - corner) * view_scale for at, corner in zip(found.point_px, (200, 200), strict=True))
        around = np.s_[int(y) - 60 : int(y) + 60, int(x) - 60 : int(x) + 60]
        assert (np.abs(marked[around] - plain[around]).max(axis=2) > 60).sum() > 300


def test_the_marked_picture_states_the_exaggeration_and_lists_the_places() -> None:
    (_, found) = places(with_condition(), whole_view(), 4.0)
    assert len(found) == 2
    lines = list(key_lines(with_condition(), 5))
    assert "its contour drawn 5 times as far off as it is" in lines[-1]
    assert "broken edge" in lines[1]
    assert next(words.finding_lines(with_condition())).startswith("1: tab stub")


def whole_view() -> View:
    return View(example_photo(), np.zeros(2), 1.0)


def test_a_box_holds_its_contour_as_it_is_drawn() -> None:
    times, found = places(with_condition(), whole_view(), 4.0)
    assert times > 1
    for place_drawn in found:
        low, high = place_drawn.box.min(axis=0), place_drawn.box.max(axis=0)
        assert place_drawn.runs
        for run, is_decided in place_drawn.runs:
            assert is_decided
            assert (run >= low).all()
            assert (run <= high).all()


def test_edges_that_may_hide_burrs_are_drawn_with_a_broken_line_and_the_picture_says_so() -> None:
    soft = lower_edge(shown=False, smallest_shown_mm=0.3)
    whole = with_condition(findings=()).parts[0]
    hidden = with_condition(findings=()).model_copy(update={"parts": (whole.model_copy(update={"edges": (soft,)}),)})
    assert "this photo would not show a burr there" in " ".join(key_lines(hidden, 1))
    assert "this photo would not show a burr there" not in " ".join(key_lines(with_condition(findings=()), 1))
    drawn, plain = (boxes_drawn(mark(example_photo(), one), "measure by hand") for one in (hidden, with_condition(findings=())))
    assert drawn > plain + 1000  # px: half of 1500 px of edge, some px wide


def test_findings_of_one_rim_that_overlap_share_a_box_and_those_of_another_do_not() -> None:
    again = burr_finding(place="H1 at 5 o'clock", decided=False)
    nearby = burr_finding(subject="H2", place="H2 at 4 o'clock")
    _, found = places(with_condition(findings=(burr_finding(), nearby, again)), whole_view(), 4.0)
    assert [one.label for one in found] == ["2", "1, 3"]
    assert found[1].verdict == "rework"
    assert {is_decided for _, is_decided in found[1].runs} == {True, False}


def test_an_undecided_finding_is_boxed_with_a_broken_line() -> None:
    undecided = with_condition(findings=(burr_finding(decided=False),))
    decided = with_condition(findings=(burr_finding(),))
    assert boxes_drawn(mark(example_photo(), undecided), "measure by hand") > boxes_drawn(
        mark(example_photo(), decided), "measure by hand"
    )


def test_many_findings_still_get_their_numbers() -> None:
    many = tuple(finding((x, y)) for x, y in itertools.product(range(-27, 28, 3), (-10, 0, 10)))
    assert mark(example_photo(), with_condition(findings=many)).width > 0
