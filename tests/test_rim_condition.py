"""From a traced rim to its record, its places, and what they do to the verdict."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holeinspect.edges.lockstep import settle
from holeinspect.edges.stretches import View
from holeinspect.measure.openings import Opening, opening_fit
from holeinspect.measure.part import both_looks, out_of_round
from holeinspect.measure.rim_condition import Rim, condition, edge_ring, judge_rim, look_at_rims
from holeinspect.measured import Measured
from holeinspect.rules import (
    OUT_OF_ROUND_LIMIT_MM,
    ROUND_IN_PHOTO_MM,
    Decision,
    HoleFigures,
    PlaceFigures,
    decide_at_most,
    judge_hole,
    judge_place,
)
from tests.sight import looked_at
from tests.simulator.scene import Broken, Burr, Hole, Part, Sharp
from tests.simulator.scene import Rim as RimKind
from tests.simulator.view import Pose

SQUARE = tuple((x, y, 0.0) for x, y in ((-40, -40), (40, -40), (40, 40), (-40, 40)))
POSE = Pose((0, 0, 250), (0, 0, 0), 0.0)
LIMIT_MM = 0.1


def opening(rim: RimKind, slot_mm: tuple[float, float] | None = None, optics_px: float = 0.7,
            second_mm: tuple[float, float] | None = None) -> tuple[View, Opening]:  # fmt: skip
    """A 5 mm hole or slot, measured from its true outline. second_mm: where it was drilled again."""
    hole = Hole((0, 0), 5.0, rim, slot_mm=slot_mm, second_mm=second_mm)
    view, _ = looked_at(Part(1.0, SQUARE, (hole,), rim=Sharp()), (-10, -10, 16, 10), POSE, optics_px)
    outline = np.array(hole.opening().exterior.coords)[:-1][::-1]  # the metal on its left
    found = settle(opening_fit(view, outline[::4], np.ones(len(outline[::4]), bool)))
    assert found is not None
    return view, found


def rim_of(rim: RimKind, slot_mm: tuple[float, float] | None = None, optics_px: float = 0.7,
           second_mm: tuple[float, float] | None = None) -> tuple[Opening, Rim]:  # fmt: skip
    view, found = opening(rim, slot_mm, optics_px, second_mm)
    (looked,) = look_at_rims([view], [found], 100.0)
    assert looked.rim is not None
    return looked.opening, looked.rim


def test_clock_runs_from_twelve_above_to_three_on_the_right() -> None:
    _, rim = rim_of(Sharp())
    right, down = (rim.departures.trace.px - rim.centre_px).T
    assert rim.hours[np.argmin(down)] % 12 == pytest.approx(0, abs=0.1) or rim.hours[np.argmin(down)] > 11.9
    assert rim.hours[np.argmax(right)] == pytest.approx(3, rel=0, abs=0.1)
    assert rim.hours.min() > 0
    assert rim.hours.max() <= 12


@pytest.mark.parametrize("kind", [Sharp(), Broken(0.1)])
def test_clean_rim_is_shown_and_has_no_places(kind: RimKind) -> None:
    _, rim = rim_of(kind)
    record = condition(rim, LIMIT_MM)
    assert judge_rim(rim, "P1", "H1", LIMIT_MM, "mm") == []
    assert record.shown
    assert record.protrusion.value < 0.03
    assert record.protrusion.value + record.protrusion.U >= record.smallest_shown_mm - 1e-9  # a smaller one may hide
    assert record.affected_share.value == 0
    assert len(record.profile) == len(record.contour_px) > 50
    assert record.cutoff_unit == "UPR"


def test_burr_becomes_a_place_with_hour_size_and_box() -> None:
    _, rim = rim_of(Burr(0.3, 0.4))
    record = condition(rim, LIMIT_MM)
    first = judge_rim(rim, "P1", "H1", LIMIT_MM, "mm")[0].place
    assert first.kind == "burr"
    assert first.decided
    assert first.size.value == record.protrusion.value > 0.2
    assert first.at == record.protrusion_at
    assert first.place == f"H1 at {round(first.at or 12) or 12} o'clock"
    x, y = first.point_px
    assert first.box_px[0] < x < first.box_px[2]
    assert first.box_px[1] < y < first.box_px[3]
    assert 0 < record.affected_share.value < 0.6


@pytest.mark.parametrize("cover", [0.4, 0.7, 1.0])
@pytest.mark.parametrize("lean_mm", [0.15, 0.25])
def test_hole_under_a_burr_is_measured_as_drilled_within_what_the_burr_hides(lean_mm: float, cover: float) -> None:
    view, found = opening(Burr(lean_mm, cover))
    (looked,) = look_at_rims([view], [found], 100.0)
    rim = looked.opening.rim
    assert rim is not None
    assert looked.rim is not None
    assert looked.rim.departures.standing
    assert abs(rim.radius - 2.5) <= 2 * rim.burr_u_mm
    assert np.hypot(*rim.centre) <= 2 * rim.burr_u_mm
    assert rim.burr_u_mm < lean_mm / 2


def test_clean_hole_owes_nothing_to_burrs() -> None:
    found, _ = rim_of(Broken(0.1))
    assert found.rim is not None
    assert found.rim.burr_u_mm == 0


@pytest.mark.parametrize(("second_mm", "truth_mm"), [((0.0, 0.0), 0.0), ((0.3, 0.0), 0.15), ((0.4, 0.3), 0.25)])
def test_contour_on_the_face_shows_a_second_drilling(second_mm: tuple[float, float], truth_mm: float) -> None:
    """Two equal circles a apart reach a / 2 further along their line than across it: RONt before the filter, nearly."""
    _, rim = rim_of(Sharp(), second_mm=second_mm)
    seen_mm = rim.out_of_round_mm(5)
    assert seen_mm == pytest.approx(truth_mm, rel=0, abs=0.05)  # mm: what blur and filter leave


@pytest.mark.parametrize("kind", [Sharp(), Broken(0.2)])
@pytest.mark.parametrize("second_mm", [(0.0, 0.2), (0.2, 0.15), (0.3, 0.0)])
def test_hole_drilled_twice_a_fifth_of_a_millimetre_apart_is_never_settled_as_round(
    kind: RimKind, second_mm: tuple[float, float]
) -> None:
    found, rim = rim_of(kind, second_mm=second_mm)
    assert found.rim is not None
    bore, cutoff_upr = out_of_round(found.rim, opening(kind, second_mm=second_mm)[0])
    both = both_looks(bore, rim.out_of_round_mm(cutoff_upr))
    limit_mm = OUT_OF_ROUND_LIMIT_MM + ROUND_IN_PHOTO_MM
    assert found.shape != "round" or decide_at_most(both, limit_mm) is not Decision.GOOD


@given(st.floats(0, 0.3), st.floats(0, 0.05), st.floats(0, 0.3))
def test_two_looks_at_roundness_never_settle_what_they_contradict(bore_mm: float, u_mm: float, face_mm: float) -> None:
    both = both_looks(Measured(bore_mm, u_mm), face_mm)
    assert both.value - both.U <= min(bore_mm, face_mm) + 1e-12
    assert both.value + both.U >= max(bore_mm, face_mm) - 1e-12


def test_rim_in_a_very_soft_photo_is_not_shown() -> None:
    _, sharp = rim_of(Sharp(), optics_px=0.7)
    _, soft = rim_of(Sharp(), optics_px=2.0)
    assert sharp.shows(LIMIT_MM)
    assert not sharp.shows(0.03)  # finer than any photo is trusted with
    assert not soft.shows(LIMIT_MM)


def test_slot_is_traced_all_round_without_places_where_it_is_clean() -> None:
    found, rim = rim_of(Sharp(), (6.0, 0.0))
    assert found.shape == "slot"
    assert rim.departures.standing == ()
    assert rim.departures.trace.course.length_mm == pytest.approx(np.pi * 5 + 12, rel=0, abs=0.1)


def test_broken_edge_is_told_and_a_sharp_one_is_not_called_broken() -> None:
    broken, rim = rim_of(Broken(0.2))
    assert broken.rim is not None
    ring = edge_ring(broken.rim, rim, 100.0)
    assert ring is not None
    assert ring.kind == "broken edge"
    assert ring.width.value == pytest.approx(0.2, rel=0, abs=0.03)
    sharp, sharp_rim = rim_of(Sharp())
    assert sharp.rim is not None
    assert edge_ring(sharp.rim, sharp_rim, 100.0) is None


@pytest.mark.parametrize(("depth_mm", "decision"), [(1.0, "good"), (1.27, "measure by hand"), (1.5, "rework")])
def test_countersink_may_take_four_fifths_of_the_sheet(depth_mm: float, decision: str) -> None:
    figures = PlaceFigures(name="deep countersink", subject="H2", where="H2", size=Measured(depth_mm, 0.02), limit_mm=0.8 * 1.6)
    assert judge_place(figures).decision.value == decision


def test_burr_on_its_rim_makes_a_hole_rework_whatever_else_is_good() -> None:
    burr = judge_place(
        PlaceFigures(name="burr", subject="H1", where="H1 at 4 o'clock", size=Measured(0.3, 0.02), limit_mm=LIMIT_MM)
    )
    verdict = judge_hole(HoleFigures(name="H1", diameter=Measured(5.0, 0.01)), places=[burr])
    assert verdict.decision.value == "rework"
    assert [reason.name for reason, _ in verdict.reasons if reason.kind == "fault"] == ["burr"]
