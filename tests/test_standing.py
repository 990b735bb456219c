"""What stands after corrections: the same rules as for the measured figures, and never kinder than they."""

from __future__ import annotations

from functools import cache
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holeinspect.inspection import Finding, Inspection, Pitch, ReasonNote, VerdictWord
from holeinspect.records.photo_shapes import sentence
from holeinspect.records.shapes import CorrectionNew, StandingShown
from holeinspect.records.standing import GRAVITY, hole_names, standing
from holeinspect.setup import Setup
from tests.example_inspection import (
    GOOD_XY,
    example,
    figure,
    good_example,
    good_hole,
    inspection,
    part,
    short_hole,
    undecided_hole,
)

SETUP = Setup(thickness="2mm")
UNDECIDED = inspection(part("P1", (good_hole(), undecided_hole()), "measure by hand"))


def said(kind: str, **more: Any) -> CorrectionNew:
    return CorrectionNew.model_validate({"kind": kind, "who": "Kim", **more})


def read(subject: str, figure: str, value: str, U: str | None = None) -> CorrectionNew:
    return said("reading", subject=subject, figure=figure, value=value, U=U)


def stands(inspection: Inspection, *corrections: CorrectionNew) -> StandingShown:
    return standing(inspection, SETUP, [(correction, sentence(correction)) for correction in corrections])


def names(shown: StandingShown) -> list[tuple[str, str]]:
    return [(reason.name, reason.subject) for reason in shown.reasons if reason.blocking]


@pytest.mark.parametrize("found", [example(), good_example(), UNDECIDED], ids=["rework", "good", "by hand"])
def test_without_corrections_the_measured_verdict_stands(found: Inspection) -> None:
    shown = stands(found)
    assert shown.verdict == shown.measured_verdict == found.parts[0].verdict
    assert [hole.verdict for hole in shown.holes] == [hole.verdict for hole in found.parts[0].holes]


def test_settings_by_a_holes_name_are_never_good_unasked() -> None:
    """The part may lie turned, and H1 be another hole than the kit list means."""
    by_name = Setup(thickness="2mm", hole_rules={"H1": 1.5})
    shown = standing(good_example(), by_name, [])
    assert (shown.verdict, shown.measured_verdict) == ("measure by hand", "good")
    assert names(shown) == [("hole named by place", "")]
    checked = said("override", verdict="good", reason="H1 is the hole that the drawing means")
    assert standing(good_example(), by_name, [(checked, sentence(checked))]).verdict == "good"


def test_a_photo_without_a_part_decides_nothing() -> None:
    assert stands(inspection()).verdict == "measure by hand"


@pytest.mark.parametrize(
    ("value", "verdict"),
    [("10.04mm", "good"), ("10.03mm", "measure by hand"), ("9.97mm", "measure by hand"), ("6.4mm", "rework")],
)
def test_a_calliper_reading_decides_what_the_photo_left_open(value: str, verdict: VerdictWord) -> None:
    # H3 needs 2 D = 10.0 mm of the 5 mm drill; the calliper's U is 0.04 mm
    shown = stands(UNDECIDED, read("H3", "edge distance", value))
    assert shown.verdict == verdict
    assert shown.measured_verdict == "measure by hand"


def test_a_reading_states_its_own_uncertainty() -> None:
    assert stands(UNDECIDED, read("H3", "edge distance", "10.05mm", U="0.1mm")).verdict == "measure by hand"
    assert stands(UNDECIDED, read("H3", "edge distance", "10.2mm", U="0.1mm")).verdict == "good"


def test_a_reading_never_makes_good_what_the_photo_calls_rework() -> None:
    shown = stands(inspection(part("P1", (short_hole(),), "rework")), read("H2", "edge distance", "8mm"))
    assert shown.verdict == "measure by hand"
    assert "contradict each other" in shown.reasons[0].sentence
    assert names(shown) == [("short edge", "H2")]


def test_a_reading_may_condemn_what_the_photo_calls_good() -> None:
    shown = stands(good_example(), read("H1", "edge distance", "4mm"))
    assert (shown.verdict, names(shown)) == ("rework", [("short edge", "H1")])
    assert shown.reasons[0].source == "reading"


def test_the_later_reading_of_a_figure_counts() -> None:
    first, second = read("H3", "edge distance", "6mm"), read("H3", "edge distance", "12mm")
    assert stands(UNDECIDED, first, second).verdict == "good"
    assert stands(UNDECIDED, second, first).verdict == "rework"


@pytest.mark.parametrize(("fastener", "verdict"), [("1/8 rivet", "good"), ("3/16 bolt", "rework"), ("5mm", "rework")])
def test_a_named_fastener_is_judged_like_one_named_before(fastener: str, verdict: VerdictWord) -> None:
    shown = stands(good_example(), said("fastener", subject="H1", fastener=fastener))
    assert shown.verdict == verdict
    assert shown.holes[0].fastener == fastener


def test_a_struck_hole_is_judged_no_more() -> None:
    shown = stands(example(), said("struck", subject="H2", reason="ink"), said("struck", subject="H3", reason="ink"))
    assert shown.verdict == "good"
    assert [hole.name for hole in shown.holes if hole.struck] == ["H2", "H3"]


def test_a_part_without_a_hole_left_is_never_good() -> None:
    shown = stands(good_example(), said("struck", subject="H1", reason="ink"))
    assert (shown.verdict, names(shown)) == ("measure by hand", [("no holes to judge", "P1")])


def test_the_pitch_to_a_struck_hole_becomes_the_pitch_to_the_next() -> None:
    near = good_hole().model_copy(update={"name": "H9", "centre_mm": (GOOD_XY[0] + 4, 0.0)})
    crowded = good_hole().model_copy(update={"pitch": Pitch(value=4.0, u=0.02, to="H9", ratio=figure(1.2, 0.01, "1"))})
    far = good_hole().model_copy(update={"name": "H2", "centre_mm": (GOOD_XY[0] + 8, 0.0)})
    found = inspection(part("P1", (crowded.model_copy(update={"verdict": "rework"}), far, near), "rework"))
    shown = stands(found, said("struck", subject="H9", reason="ink"))
    assert [(note.name, note.sentence) for note in shown.holes[0].reasons if note.blocking] == [
        ("tight pitch", "pitch 8.000 ± 0.040 mm, needed 9.79 mm (3 D)")
    ]


def test_an_override_decides_and_says_who_and_why() -> None:
    by_hole = stands(example(), said("override", subject="H2", verdict="good", reason="the plans allow it"))
    assert by_hole.holes[1].verdict == "good"
    assert by_hole.verdict == "measure by hand"
    whole = stands(example(), said("override", verdict="good", reason="the plans allow it"))
    assert (whole.verdict, names(whole)) == ("good", [])
    assert whole.reasons[0].sentence == "Kim calls it good: the plans allow it"
    assert stands(good_example(), said("override", verdict="rework", reason="a scratch")).verdict == "rework"


FIGURES = ("diameter", "edge distance", "pitch", "out of round")
readings = st.builds(
    read,
    st.sampled_from(["H1", "H2", "H3"]),
    st.sampled_from(FIGURES),
    st.floats(0.001, 40).map(lambda mm: f"{mm:.3f}mm"),
)


@settings(max_examples=50, deadline=None)
@given(st.lists(readings, max_size=6))
def test_no_reading_takes_a_rework_away(corrections: list[CorrectionNew]) -> None:
    assert stands(example(), *corrections).verdict != "good"


@settings(max_examples=50, deadline=None)
@given(st.lists(readings, max_size=6))
def test_every_verdict_that_is_not_good_has_its_reason(corrections: list[CorrectionNew]) -> None:
    shown = stands(example(), *corrections)
    for hole in shown.holes:
        blocking = [note for note in hole.reasons if note.blocking]
        assert (hole.verdict == "good") == (not blocking), (hole, blocking)


@cache
def measured_photo() -> Inspection:
    """A real result, from a bundled sample: doubts, budgets, several reasons."""
    from holeinspect import inspect
    from holeinspect.samples import find_samples

    sample = next(sample for sample in find_samples() if sample.name.startswith("hm104"))
    return inspect(sample.photo, sample.setup)


def test_judging_a_measured_photo_anew_gives_its_verdicts_again() -> None:
    """A fastener named as it is changes nothing: figures, rules and doubts are all in the record."""
    from holeinspect.samples import find_samples

    sample = next(sample for sample in find_samples() if sample.name.startswith("hm104"))
    found = measured_photo()
    for name, hole in hole_names(found).items():
        if hole.pitch is None:
            continue
        untold = hole.pitch.model_copy(update={"ratio": None})  # makes standing judge it anew
        parts = tuple(
            each.model_copy(
                update={"holes": tuple(h.model_copy(update={"pitch": untold}) if h is hole else h for h in each.holes)}
            )
            for each in found.parts
        )
        shown = standing(found.model_copy(update={"parts": parts}), sample.setup, [])
        again = next(entry for entry in shown.holes if entry.name == name)
        assert again.verdict == hole.verdict, name
        assert {note.name for note in again.reasons} == {note.name for note in hole.reasons}, name


def test_a_burr_stays_whatever_the_figures_of_its_hole_become() -> None:
    felt = "draw a fingernail outward across H1 at 4 o'clock: it must not catch"
    burr = ReasonNote(name="burr", sentence="burr 0.09 ± 0.03 mm off the edge, allowed 0.10 mm", subject="H1")
    place = Finding(
        kind="burr", part="P1", subject="H1", place="H1 at 4 o'clock", size=figure(0.09, 0.015), limit_mm=0.1, decided=False,
        box_px=(0, 0, 1, 1), point_px=(0, 0), sentence=burr.sentence,
    )  # fmt: skip
    hole = good_hole().model_copy(update={"reasons": (burr,), "readings": (felt,), "verdict": "measure by hand"})
    found = inspection(part("P1", (hole,), "measure by hand"), findings=(place,))
    shown = stands(found, said("fastener", subject="H1", fastener="1/8 rivet"), read("H1", "edge distance", "12mm"))
    assert (shown.verdict, names(shown), shown.readings_wanted) == ("measure by hand", [("burr", "H1")], [felt])
    assert shown.reasons[0].place == "H1 at 4 o'clock"
    decided = found.model_copy(update={"findings": (place.model_copy(update={"decided": True}),)})
    assert stands(decided, read("H1", "edge distance", "12mm")).verdict == "rework"


def undecided_burr() -> Inspection:
    """A hole with an undecided burr, on a part whose edges do not show."""
    felt = "draw a fingernail outward across H1 at 4 o'clock: it must not catch"
    burr = ReasonNote(name="burr", sentence="burr 0.09 ± 0.03 mm off the edge", subject="H1")
    hidden = ReasonNote(name="condition not shown", sentence="not shown", remedy="feel along it with a fingernail", subject="P1")
    place = Finding(
        kind="burr", part="P1", subject="H1", place="H1 at 4 o'clock", size=figure(0.09, 0.015), limit_mm=0.1, decided=False,
        box_px=(0, 0, 1, 1), point_px=(0, 0), sentence=burr.sentence,
    )  # fmt: skip
    hole = good_hole().model_copy(update={"reasons": (burr,), "readings": (felt,), "verdict": "measure by hand"})
    whole = part("P1", (hole,), "measure by hand", reasons=(burr, hidden), readings=(felt, "feel along it with a fingernail"))
    return inspection(whole, findings=(place,))


def test_a_fingernail_decides_what_the_photo_does_not_show() -> None:
    found = undecided_burr()
    assert names(stands(found)) == [("burr", "H1"), ("condition not shown", "P1")]
    by_hole = stands(found, said("felt", subject="H1", verdict="good"))
    assert (by_hole.verdict, names(by_hole)) == ("measure by hand", [("condition not shown", "P1")])
    assert by_hole.readings_wanted == ["feel along it with a fingernail"]
    everywhere = stands(found, said("felt", verdict="good"))
    assert (everywhere.verdict, names(everywhere), everywhere.readings_wanted) == ("good", [], [])


@pytest.mark.parametrize("subject", ["H1", "P1", ""])
def test_a_fingernail_that_catches_means_rework(subject: str) -> None:
    shown = stands(good_example(), said("felt", subject=subject, verdict="rework"))
    assert (shown.verdict, names(shown)) == ("rework", [("burr", subject)])
    both = stands(
        good_example(),
        said("felt", subject=subject, verdict="rework"),
        said("override", subject="H1", verdict="good", reason="x"),
    )
    assert both.verdict == ("good" if subject == "H1" else "rework")


def test_a_fingernail_takes_no_decided_burr_away() -> None:
    found = undecided_burr()
    decided = found.model_copy(update={"findings": (found.findings[0].model_copy(update={"decided": True}),)})
    assert stands(decided, said("felt", verdict="good")).verdict == "rework"


def test_the_gravest_verdict_is_known_for_every_word() -> None:
    assert set(GRAVITY) == set(get_args(VerdictWord))
