"""Before and after rework, and the two sides of a part, from inspections put together by hand."""

from __future__ import annotations

import io
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from holeinspect.errors import NoMatch
from holeinspect.inspection import Finding, Inspection
from holeinspect.measure.both_sides import BothSides, both_sides
from holeinspect.measure.compare import Comparison, compare, difference
from holeinspect.measure.matched import FaceMap, match_parts
from holeinspect.measure.moves import Move
from holeinspect.report.changes import print_comparison, print_sides
from tests.example_condition import (
    burr_finding,
    corners,
    finding,
    laid,
    lower_edge,
    reworked,
    rim_condition,
    stub_finding,
    with_condition,
)
from tests.example_inspection import GOOD_XY, PX_PER_MM, figure, good_hole, inspection, part

TURNED = Move(math.radians(100), (3.0, -2.0))


def printed(comparison: Comparison) -> str:
    console = Console(file=io.StringIO(), width=200, highlight=False)
    print_comparison(comparison, console)
    return " ".join(console.file.getvalue().split())  # type: ignore[attr-defined]


def statuses(comparison: Comparison) -> list[str]:
    (one,) = comparison.parts
    return [place.status for place in one.places]


def changed(result: Inspection, **more: object) -> Inspection:
    """The result with its only part changed."""
    return result.model_copy(update={"parts": (result.parts[0].model_copy(update=more),)})


def with_hole(result: Inspection, name: str, /, **more: object) -> Inspection:
    holes = result.parts[0].holes
    return changed(result, holes=tuple(one.model_copy(update=more) if one.name == name else one for one in holes))


def smaller_burr(height_mm: float, u: float = 0.02) -> Finding:
    return burr_finding(size=figure(height_mm, u))


@pytest.mark.parametrize("move", [Move(0.0, (0.0, 0.0)), TURNED, Move(-2.5, (10.0, 4.0))])
def test_places_that_rework_took_away_are_gone_however_the_part_lies(move: Move) -> None:
    comparison = compare(with_condition(), laid(reworked(), move))
    assert statuses(comparison) == ["gone", "gone"]
    assert comparison.nothing_left
    assert comparison.parts[0].turn_deg == pytest.approx(math.degrees(move.turn_rad), rel=0, abs=1e-6)


@pytest.mark.parametrize(
    ("height_mm", "u", "status"),
    [(0.15, 0.02, "smaller"), (0.22, 0.02, "same"), (0.40, 0.02, "larger"), (0.15, 0.06, "same")],
)  # before 0.25 mm, u 0.02: U of the change is 2 sqrt(u² + 0.02²)
def test_a_place_seen_again_is_smaller_or_larger_only_by_more_than_u(height_mm: float, u: float, status: str) -> None:
    after = laid(with_condition(findings=(smaller_burr(height_mm, u),)), TURNED)
    comparison = compare(with_condition(findings=(burr_finding(),)), after)
    assert statuses(comparison) == [status]
    assert not comparison.nothing_left


def test_a_stub_that_was_filed_in_part_is_the_same_place_though_called_a_burr() -> None:
    after = with_condition(findings=(stub_finding(kind="burr", size=figure(0.2, 0.03)),))
    assert statuses(compare(with_condition(findings=(stub_finding(),)), after)) == ["smaller"]


def test_a_nick_where_a_burr_was_is_new() -> None:
    after = laid(with_condition(findings=(burr_finding(kind="nick"),)), TURNED)
    told = statuses(compare(with_condition(findings=(burr_finding(),)), after))
    assert told[1:] == ["new"]
    assert told[0] != "same"


def test_a_burr_on_another_hole_is_new_and_the_old_one_gone() -> None:
    after = reworked(findings=(finding((0.0, 11.0), subject="H2", place="H2 at 4 o'clock"),))
    assert statuses(compare(with_condition(findings=(burr_finding(),)), after)) == ["gone", "new"]


def test_a_corner_is_better_the_larger_its_radius() -> None:
    sharp = finding((-30.0, -15.0), kind="sharp corner", subject="K1", size=figure(0.5, 0.05), length_mm=None)
    dressed = sharp.model_copy(update={"size": figure(2.0, 0.05)})
    assert statuses(compare(with_condition(findings=(sharp,)), with_condition(findings=(dressed,)))) == ["smaller"]


def corner_of(result: Inspection, radius_mm: float | None) -> Inspection:
    radius = None if radius_mm is None else figure(radius_mm, 0.05)
    return changed(result, corners=tuple(one.model_copy(update={"radius": radius}) for one in corners()))


@pytest.mark.parametrize(("radius_mm", "status"), [(3.0, "gone"), (None, "not shown")])
def test_a_sharp_corner_is_gone_only_where_its_radius_was_measured_again(radius_mm: float | None, status: str) -> None:
    sharp = finding((-30.0, -15.0), kind="sharp corner", subject="K1", size=figure(0.5, 0.05), length_mm=None)
    assert statuses(compare(with_condition(findings=(sharp,)), corner_of(reworked(), radius_mm))) == [status]


def test_places_are_not_shown_where_the_later_result_examined_nothing() -> None:
    after = changed(with_hole(reworked(), "H1", condition=None), edges=())
    comparison = compare(with_condition(), after)
    assert statuses(comparison) == ["not shown", "not shown"]
    assert not comparison.nothing_left


def test_a_place_is_not_shown_where_the_later_photo_is_too_soft() -> None:
    soft = with_hole(reworked(), "H1", condition=rim_condition(GOOD_XY, 3.264, smallest_shown_mm=0.2, shown=False))
    comparison = compare(with_condition(), soft)
    assert statuses(comparison) == ["gone", "not shown"]
    assert comparison.parts[0].places[1].note == "the later photo is too soft here"


def test_a_place_is_not_shown_on_a_stretch_that_was_not_followed() -> None:
    """The later contour has no entries from 3 to 5 o'clock, where the burr was at 4."""
    whole = rim_condition(GOOD_XY, 3.264)
    seen = [at for at, entry in enumerate(whole.profile) if not 3 <= entry[0] <= 5]
    cut = {
        "profile": tuple(whole.profile[at] for at in seen), "contour_px": tuple(whole.contour_px[at] for at in seen),
    }  # fmt: skip
    after = with_hole(reworked(), "H1", condition=whole.model_copy(update=cut))
    assert statuses(compare(with_condition(findings=(burr_finding(),)), after)) == ["not shown"]


def test_a_stub_is_gone_though_the_edge_was_filed_back_beyond_it() -> None:
    """The lower edge lies 0.6 mm further in than before."""
    edge = lower_edge()
    assert edge.condition is not None
    higher = tuple((x, y - 0.6 * PX_PER_MM) for x, y in edge.condition.contour_px)
    filed = edge.model_copy(update={"condition": edge.condition.model_copy(update={"contour_px": higher})})
    after = laid(changed(reworked(), edges=(filed,)), TURNED)
    assert statuses(compare(with_condition(findings=(stub_finding(),)), after)) == ["gone"]


def test_a_burr_is_not_gone_because_the_limit_was_raised() -> None:
    loose = with_hole(reworked(), "H1", condition=rim_condition(GOOD_XY, 3.264, burr_mm=0.25, limit_mm=0.5))
    assert statuses(compare(with_condition(findings=(burr_finding(),)), loose)) == ["not shown"]


def test_nothing_is_left_only_if_the_later_photo_showed_all_of_the_part() -> None:
    clean = with_condition(findings=())
    assert compare(clean, reworked()).nothing_left
    assert not compare(clean, with_hole(reworked(), "H2", condition=None)).nothing_left
    assert not compare(clean, changed(reworked(), edges=())).nothing_left
    assert not compare(clean, changed(reworked(), verdict="measure by hand")).nothing_left
    assert not compare(clean, changed(reworked(), holes=reworked().parts[0].holes[:2])).nothing_left


def test_the_other_side_shows_nothing_of_the_earlier_places() -> None:
    over = laid(reworked(), Move(0.4, (1.0, 2.0), mirrored=True))
    comparison = compare(with_condition(), over)
    assert statuses(comparison) == ["not shown", "not shown"]
    assert comparison.parts[0].turned_over
    assert "different sides" in printed(comparison)


def test_sides_as_stated_count_even_for_a_part_that_looks_the_same_turned_over() -> None:
    comparison = compare(with_condition(side="A"), reworked(side="B"))
    assert set(statuses(comparison)) == {"not shown"}


def symmetric(findings: tuple[Finding, ...], verdict: str) -> Inspection:
    """The tab with two equal holes only: half a turn changes nothing."""
    holes = tuple(
        good_hole().model_copy(
            update={"name": name, "centre_mm": (x, 0.0), "centre_px": (600 + PX_PER_MM * x, 450.0),
                    "condition": rim_condition((x, 0.0), 3.264)}
        )
        for name, x in (("H1", -20.0), ("H2", 20.0))
    )  # fmt: skip
    return inspection(part("P1", holes, verdict, edges=(lower_edge(),)), findings=findings)


def test_on_a_symmetric_part_a_burr_is_gone_only_if_it_is_so_both_ways_round() -> None:
    """The burr may lie on H2 now if the part was turned by half a turn between the photos."""
    before = symmetric((burr_finding(),), "rework")
    x, y = burr_finding().point_px
    turned = burr_finding(subject="H2", point_px=(1200 - x, 900 - y), place="H2 at 10 o'clock")
    comparison = compare(before, symmetric((turned,), "rework"))
    assert comparison.parts[0].other_ways == pytest.approx([180.0], rel=0, abs=1e-6)
    assert statuses(comparison)[0] == "same"
    assert "mark one corner" in printed(comparison)
    assert statuses(compare(before, symmetric((), "good"))) == ["gone"]


def test_a_part_that_looks_the_same_turned_over_is_said_to_when_no_side_was_stated() -> None:
    alike, stated = symmetric((), "good"), symmetric((), "good").model_copy(update={"side": "A"})
    assert "looks the same turned over" in printed(compare(alike, alike))
    assert "looks the same turned over" not in printed(compare(stated, stated))


def test_an_opened_hole_and_an_eaten_edge_are_told_with_their_change() -> None:
    after = with_hole(reworked(), "H1", diameter=figure(3.40, 0.0105), edge_distance=figure(9.8, 0.02))
    before = with_condition(findings=())
    (one,) = compare(before, laid(after, TURNED)).parts
    (hole,) = (hole for hole in one.holes if hole.earlier == "H1")
    assert hole.opened
    assert hole.edge_eaten
    told = printed(compare(before, after))
    assert "H1 was opened by 0.136 ± 0.030 mm" in told  # U: 2 sqrt(2) 0.0105 mm
    assert "The edge at H1 is 0.200 ± 0.057 mm nearer than it was." in told  # U: 2 sqrt(2) 0.02 mm


def test_a_hole_whose_burr_went_is_not_said_to_be_opened_by_no_more_than_the_burr_hid() -> None:
    """A burr of 0.25 mm all round makes a hole read 0.5 mm small, at most."""
    after = with_hole(reworked(), "H1", diameter=figure(3.264 + 0.45, 0.0105))
    (one,) = compare(with_condition(), after).parts
    (hole,) = (hole for hole in one.holes if hole.earlier == "H1")
    assert hole.burred
    assert not hole.opened
    assert "a burr hid its rim" in printed(compare(with_condition(), after))
    wider = with_hole(reworked(), "H1", diameter=figure(3.264 + 0.6, 0.0105))
    assert next(hole for hole in compare(with_condition(), wider).parts[0].holes if hole.earlier == "H1").opened


def test_a_change_within_u_is_not_told() -> None:
    after = with_hole(reworked(), "H1", diameter=figure(3.28, 0.0105))
    told = printed(compare(with_condition(), after))
    assert "opened" not in told
    assert "nearer" not in told


@given(st.floats(0, 10), st.floats(0, 1), st.floats(0, 10), st.floats(0, 1))
def test_u_of_a_difference_is_never_less_than_either(a: float, u_a: float, b: float, u_b: float) -> None:
    """Independent errors: what both share is not taken off (JCGM 100:2008, 5.1.2)."""
    change = difference(figure(a, u_a), figure(b, u_b))
    assert change.value == pytest.approx(a - b, rel=0, abs=1e-12)
    assert change.u >= max(u_a, u_b)
    assert change.u <= u_a + u_b


def test_another_part_is_refused_with_what_to_do() -> None:
    wide = part("P1", (good_hole(),), "good", outline_mm=((-90.0, -5.0), (90.0, -5.0), (90.0, 5.0), (-90.0, 5.0)))
    with pytest.raises(NoMatch, match=r"No part in hm300\.jpg has the holes .* Compare photos of the same part"):
        compare(with_condition(), inspection(wide))


def test_parts_are_found_again_on_a_mat_with_several() -> None:
    first = with_condition().parts[0]
    small = ((-100.0, -60.0), (-80.0, -60.0), (-80.0, -45.0), (-100.0, -40.0))
    hole = good_hole().model_copy(update={"centre_mm": (-88.0, -52.0)})
    other = part("P2", (hole,), "good", outline_mm=small, outline_px=tuple((x, -y) for x, y in small))
    both, one = [first, other], [other.model_copy(update={"name": "P1"})]
    assert [(found.first.name, found.second.name) for found in match_parts(both, one)] == [("P2", "P1")]
    comparison = compare(inspection(*both), inspection(*one))
    assert comparison.parts_missing == ("P1",)
    assert not comparison.nothing_left


def test_equal_parts_keep_their_order_and_are_said_to_be_alike() -> None:
    one = with_condition().parts[0]
    moved = laid(with_condition(), Move(0.0, (0.0, 70.0))).parts[0].model_copy(update={"name": "P2"})
    comparison = compare(inspection(one, moved), inspection(one, moved))
    assert [(part.earlier, part.later) for part in comparison.parts] == [("P1", "P1"), ("P2", "P2")]
    assert comparison.parts[0].notes[0] == "P2 of the later photo looks the same: which is which was told by their order."


def test_another_scale_is_told_with_what_to_check() -> None:
    before = with_condition()
    larger = tuple(
        hole.model_copy(update={"centre_mm": (1.01 * hole.centre_mm[0], 1.01 * hole.centre_mm[1])})
        for hole in before.parts[0].holes
    )
    told = printed(compare(before, changed(reworked(), holes=larger)))
    assert "1.00% larger" in told
    assert "check bars" in told


def test_a_comparison_reads_back_from_its_json() -> None:
    comparison = compare(with_condition(), laid(reworked(), TURNED))
    assert Comparison.model_validate_json(comparison.model_dump_json()) == comparison


def test_a_place_on_a_hole_that_has_another_name_now_is_told_by_both_names() -> None:
    after = laid(with_hole(reworked(), "H1", name="H9"), TURNED)
    assert "burr, H1 at 4 o'clock (now H9)" in printed(compare(with_condition(), after))


def test_the_table_of_a_comparison_names_places_holes_and_the_fingernail() -> None:
    told = printed(compare(with_condition(), laid(reworked(), TURNED)))
    for text in ("tab stub, E1, 23 mm from K1", "0.400 ± 0.060", "gone", "Nothing is left to do here.", "fingernail"):
        assert text in told


@settings(max_examples=20, deadline=None)
@given(st.floats(-math.pi, math.pi), st.tuples(st.floats(-20, 20), st.floats(-20, 20)))
def test_a_face_map_takes_points_of_the_photo_to_the_mat(turn: float, shift: tuple[float, float]) -> None:
    there = laid(with_condition(), Move(turn, shift)).parts[0]
    face = FaceMap.of(there)
    assert face is not None
    found = face([corner.point_px for corner in there.corners])
    assert found == pytest.approx(np.array([corner.point_mm for corner in there.corners]), rel=0, abs=1e-6)


def test_a_part_without_points_in_both_frames_has_no_face_map() -> None:
    assert FaceMap.of(part("P1", (), "good", outline_px=())) is None


# Both sides ---------------------------------------------------------------------------------------------------------------


def side_b(**more: object) -> Inspection:
    """The reworked example turned over, its holes named anew from left to right."""
    over = laid(reworked(), Move(0.2, (1.0, -1.0), mirrored=True))
    names = {"H1": "H3", "H2": "H2", "H3": "H1"}
    named = tuple(hole.model_copy(update={"name": names[hole.name]}) for hole in over.parts[0].holes)
    photo = over.photo.model_copy(update={"name": "hm300_b.jpg", "sha256": "2" * 64})
    return changed(over, holes=named).model_copy(update={"photo": photo} | more)


def missing(sides: BothSides) -> str:
    return "; ".join(sentence for one in sides.parts for sentence in one.missing)


def test_a_part_good_on_both_sides_is_ready_and_its_holes_are_known_on_both() -> None:
    sides = both_sides(reworked(), side_b())
    assert sides.ready
    assert {(pair.a, pair.b) for pair in sides.parts[0].holes} == {("H1", "H3"), ("H2", "H2"), ("H3", "H1")}


@pytest.mark.parametrize(
    ("a", "b", "said"),
    [
        (reworked(), None, "side B was not seen"),
        (None, side_b(), "side A was not seen"),
        (with_condition(), side_b(), "side A is not good: rework"),
        (reworked(), changed(side_b(), verdict="measure by hand"), "side B is not good: measure by hand"),
        (with_hole(reworked(), "H2", condition=None), side_b(), "side A does not show the rims of H2 well enough"),
        (reworked(), changed(side_b(), edges=()), "side B does not show its edges well enough"),
        (reworked(), changed(side_b(), whole_in_view=False), "side B does not show the whole part"),
        (reworked(), side_b(side="A"), "hm300_b.jpg is said to be side A, not B"),
    ],
)
def test_a_part_is_not_ready_and_it_is_said_why(a: Inspection | None, b: Inspection | None, said: str) -> None:
    sides = both_sides(a, b)
    assert not sides.ready
    assert said in missing(sides)


def test_no_results_are_not_ready() -> None:
    assert not both_sides(None, None).ready


def test_a_hole_that_one_side_does_not_show_is_named() -> None:
    sides = both_sides(reworked(), changed(side_b(), holes=side_b().parts[0].holes[:2]))
    assert "hole H3 of side A was not seen on side B" in missing(sides)


def test_the_same_side_twice_is_refused() -> None:
    again = reworked(photo=reworked().photo.model_copy(update={"sha256": "3" * 64}))
    with pytest.raises(NoMatch, match=r"show the same side of the part\. Turn it over"):
        both_sides(reworked(), laid(again, TURNED))


def test_the_same_photo_twice_is_refused() -> None:
    with pytest.raises(NoMatch, match=r"hm300_after\.jpg was given for both sides"):
        both_sides(reworked(), reworked())


def test_sides_of_two_different_parts_are_refused() -> None:
    outline = ((-90.0, -5.0), (90.0, -5.0), (90.0, 5.0), (-90.0, 5.0))
    with pytest.raises(NoMatch, match="show no part in common"):
        both_sides(reworked(), inspection(part("P1", (good_hole(),), "good", outline_mm=outline)))


def test_a_part_that_looks_the_same_from_both_sides_needs_its_sides_stated() -> None:
    one = symmetric((), "good")
    other = one.model_copy(update={"photo": one.photo.model_copy(update={"sha256": "4" * 64})})
    assert "say which side each photo shows" in missing(both_sides(one, other))
    stated = both_sides(one.model_copy(update={"side": "A"}), other.model_copy(update={"side": "B"}))
    assert stated.ready
    assert "looks the same from both sides" in stated.parts[0].notes[0]


def test_a_diameter_that_differs_between_the_sides_is_told() -> None:
    wide = with_hole(side_b(), "H3", diameter=figure(3.6, 0.0105))
    sides = both_sides(reworked(), wide)
    console = Console(file=io.StringIO(), width=160, highlight=False)
    print_sides(sides, ("a.jpg", "b.jpg"), "mm", console)
    told = " ".join(console.file.getvalue().split())  # type: ignore[attr-defined]
    assert "H1 H3 +0.336 ± 0.030 differs" in told
    assert told.count("differs") == 1
