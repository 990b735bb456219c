"""The decision rule and the verdicts."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from holeinspect.errors import SetupError
from holeinspect.measured import Measured
from holeinspect.rules import (
    REASONS,
    Decision,
    HoleFigures,
    Verdict,
    decide_at_least,
    decide_at_most,
    decide_between,
    judge_hole,
    judge_part,
    reason,
)
from holeinspect.trade import HoleRange, drill, edge_rule, fastener, nearest_sizes

GOOD, REWORK, BY_HAND = Decision.GOOD, Decision.REWORK, Decision.MEASURE_BY_HAND
GRAVITY = {GOOD: 0, BY_HAND: 1, REWORK: 2}

values = st.floats(0, 30)
uncertainties = st.floats(0, 2)
limits = st.floats(0, 30)


def rivet_hole(**changes: object) -> HoleFigures:
    """A sound hole for a 1/8 in solid rivet, #30, at 2.05 D from the edge and 4 D from the next."""
    rivet = fastener("1/8 rivet")
    figures = HoleFigures(
        name="H1",
        diameter=Measured(3.275, 0.01),
        edge_distance=Measured(6.50, 0.02),
        pitch=Measured(12.7, 0.02),
        out_of_round=Measured(0.01, 0.005),
        fastener_diameter_mm=rivet.diameter_mm,
        hole_range=rivet.hole_range,
    )
    return replace(figures, **changes)  # type: ignore[arg-type]  # a test's short hand


def names(verdict: Verdict) -> set[str]:
    return {finding.reason.name for finding in verdict.findings}


def test_the_three_verdicts_are_named_as_in_the_trade_words() -> None:
    assert [str(decision) for decision in Decision] == ["good", "rework", "measure by hand"]


@pytest.mark.parametrize(
    ("value", "u", "decision"),
    [
        (6.45, 0.05, GOOD),  # exactly at the limit with all of U: met
        (6.449, 0.05, BY_HAND),
        (6.35, 0.05, BY_HAND),
        (6.25, 0.05, BY_HAND),
        (6.249, 0.05, REWORK),
        (6.35, 0.0, GOOD),
    ],
)
def test_iso_14253_1_leaves_the_zone_of_u_about_a_limit_undecided(value: float, u: float, decision: Decision) -> None:
    assert decide_at_least(Measured(value, u), 6.35) is decision


@pytest.mark.parametrize(
    ("w", "p"), [(0, 0.500), (1, 0.8413), (1.645, 0.9500), (1.96, 0.9750), (2, 0.9772), (3, 0.9987)]
)
def test_good_needs_a_conformance_probability_of_97_7_percent(w: float, p: float) -> None:
    """JCGM 106:2012, 7 with a normal distribution: p = Phi(w), w standard uncertainties inside one limit."""
    u, limit = 0.025, 6.35
    assert norm.cdf(w) == pytest.approx(p, rel=0, abs=0.00005 if p != 0.5 else 1e-12)
    assert (decide_at_least(Measured(limit + w * u, u), limit) is GOOD) is (p >= 0.9772)
    assert (decide_at_most(Measured(limit - w * u, u), limit) is GOOD) is (p >= 0.9772)


def test_a_part_exactly_at_its_limit_is_called_good_at_most_2_3_percent_of_the_time() -> None:
    """JCGM 106:2012, 8.3.2: guard band U = 2 u; the limit case accepts 1 - Phi(2) = 2.28 %."""
    u, limit = 0.025, 6.35
    readings = [limit + u * norm.ppf((i + 0.5) / 10_000) for i in range(10_000)]
    accepted = sum(decide_at_least(Measured(reading, u), limit) is GOOD for reading in readings)
    assert accepted / 10_000 == pytest.approx(0.0228, rel=0, abs=0.0002)  # grid of 1e-4


@given(values, values, uncertainties, limits)
def test_a_greater_value_is_never_judged_worse_against_a_minimum(a: float, b: float, u: float, limit: float) -> None:
    low, high = sorted((a, b))
    worse = GRAVITY[decide_at_least(Measured(low, u), limit)]
    assert GRAVITY[decide_at_least(Measured(high, u), limit)] <= worse


@given(values, uncertainties, uncertainties, limits, limits)
def test_more_uncertainty_never_decides_what_less_left_open(v: float, a: float, b: float, c: float, d: float) -> None:
    (low, high), (small_u, large_u) = sorted((c, d)), sorted((a, b))
    before, after = (decide_between(Measured(v, u), low, high) for u in (small_u, large_u))
    assert after in (before, BY_HAND)


@given(values, uncertainties, limits)
def test_at_least_and_at_most_mirror_each_other(v: float, u: float, limit: float) -> None:
    assert decide_at_least(Measured(v, u), limit) is decide_at_most(Measured(-v, u), -limit)


@pytest.mark.parametrize(
    ("value", "u"), [(math.nan, 0.1), (1.0, math.nan), (math.inf, 0.0), (9.0, math.inf), (9.0, -0.1)]
)
def test_a_figure_that_is_no_figure_decides_nothing(value: float, u: float) -> None:
    assert decide_between(Measured(value, u), 1.0, 100.0) is BY_HAND


def test_limits_in_the_wrong_order_are_refused() -> None:
    with pytest.raises(SetupError, match="No figure lies between 3 and 2"):
        decide_between(Measured(2.5, 0.1), 3, 2)


def test_every_reason_says_what_and_what_to_do() -> None:
    for name, entry in REASONS.items():
        assert entry.name == name
        assert entry.sentence.endswith(".")
        assert entry.remedy.endswith(".")
    with pytest.raises(SetupError, match="'gremlin' is no known reason"):
        reason("gremlin")


def test_a_sound_rivet_hole_is_good() -> None:
    verdict = judge_hole(rivet_hole())
    assert (verdict.decision, verdict.findings) == (GOOD, ())
    assert "3.18 mm, the fastener's nominal diameter" in verdict.basis
    assert "AC 43.13-1B" in verdict.basis
    assert "unless the drawing says otherwise" in verdict.basis


@pytest.mark.parametrize(
    ("shank", "two_d_mm", "three_d_mm"),
    [("3/32", 4.7625, 7.1438), ("1/8", 6.35, 9.525), ("5/32", 7.9375, 11.9063), ("3/16", 9.525, 14.2875)],
)
def test_two_and_three_diameters_decide_edge_and_pitch(shank: str, two_d_mm: float, three_d_mm: float) -> None:
    """AC 43.13-1B 4-57, figures as derived from the fractions of an inch (printed to 0.0001 mm)."""
    printed, u = 0.0001, 0.01
    rivet = fastener(f"{shank} rivet")
    base = HoleFigures(name="H1", diameter=Measured(rivet.drills[0].diameter_mm + 0.02, 0.001))
    base = replace(base, fastener_diameter_mm=rivet.diameter_mm, hole_range=rivet.hole_range)
    for sign, decision in ((1, GOOD), (0, BY_HAND), (-1, REWORK)):
        off = sign * (2 * u + printed)
        edge = replace(base, edge_distance=Measured(two_d_mm + off, u))
        pitch = replace(base, edge_distance=Measured(50, u), pitch=Measured(three_d_mm + off, u))
        assert (judge_hole(edge).decision, judge_hole(pitch).decision) == (decision, decision)


@pytest.mark.parametrize(
    ("changes", "decision", "reasons"),
    [
        ({"edge_distance": Measured(6.20, 0.02)}, REWORK, {"short edge"}),
        ({"edge_distance": Measured(6.37, 0.02)}, BY_HAND, {"short edge"}),
        ({"edge_distance": Measured(6.20, 0.02), "edge_rule": edge_rule(1.5)}, GOOD, set()),
        ({"pitch": Measured(9.0, 0.02)}, REWORK, {"tight pitch"}),
        ({"pitch": Measured(9.53, 0.02)}, BY_HAND, {"tight pitch"}),
        ({"pitch": None}, GOOD, set()),
        ({"edge_distance": None}, BY_HAND, {"edge not in view"}),
        ({"edge_distance": None, "edge_at_least_mm": 6.36}, GOOD, set()),
        ({"edge_distance": None, "edge_at_least_mm": 1.0}, BY_HAND, {"edge not in view"}),
        ({"edge_distance": None, "edge_at_least_mm": math.nan}, BY_HAND, {"edge not in view"}),
        ({"edge_distance": None, "edge_at_least_mm": math.inf}, BY_HAND, {"edge not in view"}),
        ({"edge_distance": Measured(math.nan, 0.01)}, BY_HAND, {"short edge"}),
        ({"edge_at_least_mm": 3.0}, BY_HAND, {"edge not in view"}),
        ({"doubts": ("edge not in view",)}, BY_HAND, {"edge not in view"}),
        ({"edge_at_least_mm": 7.0, "doubts": ("edge not in view",)}, GOOD, set()),
        ({"diameter": None}, BY_HAND, {"rim unseen"}),
        ({"diameter": Measured(math.nan, 0.01)}, BY_HAND, {"rim unseen"}),
        ({"doubts": ("soft photo",)}, BY_HAND, {"soft photo"}),
        ({"doubts": ("scale unchecked",)}, GOOD, {"scale unchecked"}),
        ({"shape": "slot"}, BY_HAND, {"slot"}),
        ({"shape": "oval"}, GOOD, set()),  # measured and within the limit
        ({"shape": "oval", "out_of_round": None}, BY_HAND, {"out of round"}),
        ({"shape": "twice drilled"}, BY_HAND, {"out of round"}),
        ({"shape": "twice drilled", "out_of_round": Measured(0.2, 0.01)}, REWORK, {"out of round"}),
        ({"out_of_round": Measured(0.075, 0.01)}, BY_HAND, {"out of round"}),
        # 1/8 rivet: no document seen states its limits, so only a hole the shank cannot enter is condemned
        ({"diameter": Measured(3.10, 0.01)}, REWORK, {"undersize"}),
        ({"diameter": Measured(3.19, 0.005)}, BY_HAND, {"hole limits unconfirmed"}),
        ({"diameter": Measured(3.60, 0.01)}, BY_HAND, {"hole limits unconfirmed"}),
        ({"diameter": Measured(3.60, 0.01), "hole_range": None}, BY_HAND, {"hole limits unconfirmed"}),
    ],
)
def test_a_hole_is_judged_by_its_gravest_finding(
    changes: dict[str, object], decision: Decision, reasons: set[str]
) -> None:
    verdict = judge_hole(rivet_hole(**changes))
    assert (verdict.decision, names(verdict)) == (decision, reasons)


@pytest.mark.parametrize(
    ("diameter_in", "decision", "reasons"),
    [
        (0.130, GOOD, set()),
        (0.1275, REWORK, {"undersize"}),
        (0.1325, REWORK, {"oversize"}),
        (0.1320, BY_HAND, {"oversize"}),
        (0.1280, BY_HAND, {"undersize"}),
    ],
)
def test_a_blind_rivet_hole_keeps_to_0_128_to_0_132_in(
    diameter_in: float, decision: Decision, reasons: set[str]
) -> None:
    """TM 10-5410-221-14/1 table 4-3."""
    blind = fastener("1/8 blind rivet")
    hole = rivet_hole(diameter=Measured(diameter_in * 25.4, 0.005), hole_range=blind.hole_range)
    verdict = judge_hole(hole)
    assert (verdict.decision, names(verdict)) == (decision, reasons)


def test_an_open_edge_distance_names_the_calliper_reading_that_passes() -> None:
    """Limit 6.35 mm and 0.04 mm for the calliper (DIN 862: 0.02 mm outside, 0.02 mm more inside)."""
    verdict = judge_hole(rivet_hole(edge_distance=Measured(6.37, 0.02)))
    assert verdict.readings == ("measure the edge distance of H1 with a calliper: 6.39 mm or more passes",)
    assert verdict.reasons[0][1] == "edge distance 6.370 ± 0.040 mm, needed 6.35 mm (2 D)"


def test_readings_come_in_inches_when_asked() -> None:
    verdict = judge_hole(rivet_hole(edge_distance=Measured(6.37, 0.02)), "in")
    # 0.250 in + 0.0016 in, rounded up to a thousandth
    assert verdict.readings == ("measure the edge distance of H1 with a calliper: 0.252 in or more passes",)


def test_an_open_diameter_names_the_pins_that_decide() -> None:
    hole = rivet_hole(diameter=Measured(3.36, 0.01), hole_range=HoleRange(3.25, 3.35, "drawing", confirmed=True))
    reading = "measure the diameter of H1 with pin gauges: 3.26 mm must enter and 3.34 mm must not"
    assert judge_hole(hole).readings == (reading,)


def unnamed_hole(diameter_mm: float, u_mm: float, edge_mm: float) -> HoleFigures:
    return HoleFigures(
        name="H1",
        diameter=Measured(diameter_mm, u_mm),
        edge_distance=Measured(edge_mm, 0.01),
        drill_sets=("number", "fraction"),
    )


@pytest.mark.parametrize(
    ("hole", "decision", "basis"),
    [
        (unnamed_hole(3.264, 0.01, 6.60), GOOD, "drill #30"),
        # 1/8 in or #30: 6.35 or 6.53 mm needed
        (unnamed_hole(3.22, 0.025, 6.60), GOOD, 'the largest of the sizes that fit (1/8" or #30)'),
        (unnamed_hole(3.22, 0.025, 6.44), BY_HAND, "No fastener named"),
        (unnamed_hole(3.22, 0.025, 6.20), REWORK, "No fastener named"),
        # no size within 3.34 to 3.38 mm: D is 3.38
        (unnamed_hole(3.36, 0.01, 6.75), BY_HAND, "D is 3.38 mm, measured diameter + U"),
        (unnamed_hole(3.36, 0.01, 6.79), GOOD, "D is 3.38 mm, measured diameter + U"),
    ],
)
def test_without_a_fastener_the_verdict_holds_for_every_size_that_fits(
    hole: HoleFigures, decision: Decision, basis: str
) -> None:
    verdict = judge_hole(hole)
    assert verdict.decision is decision
    assert basis in verdict.basis


@given(st.floats(1.5, 12), st.floats(0.001, 0.1), st.floats(1, 30), st.floats(0.001, 0.1))
def test_a_decided_verdict_holds_for_every_drill_that_fits(d: float, u_d: float, e: float, u_e: float) -> None:
    hole = HoleFigures(name="H1", diameter=Measured(d, u_d), edge_distance=Measured(e, u_e))
    verdict = judge_hole(hole)
    for size in nearest_sizes(Measured(d, u_d), hole.drill_sets).candidates:
        alone = decide_at_least(Measured(e, u_e), 2 * size.diameter_mm)
        assert verdict.decision in (alone, BY_HAND)


@given(st.floats(5, 8), uncertainties, uncertainties, st.one_of(st.none(), st.floats(0, 10)))
def test_a_less_certain_edge_never_turns_measure_by_hand_into_good(
    e: float, a: float, b: float, seen_to: float | None
) -> None:
    small_u, large_u = sorted((a, b))
    before, after = (
        judge_hole(rivet_hole(edge_distance=Measured(e, u), edge_at_least_mm=seen_to)) for u in (small_u, large_u)
    )
    assert before.decision is GOOD or after.decision is not GOOD


@given(st.sampled_from([name for name, entry in REASONS.items() if entry.blocking]))
def test_no_hole_with_a_blocking_doubt_is_good(name: str) -> None:
    assert judge_hole(rivet_hole(doubts=(name,))).decision is not GOOD


@pytest.mark.parametrize(
    ("changes", "decision"),
    [
        ([{}, {}], GOOD),
        ([{}, {"edge_distance": None}], BY_HAND),
        ([{"edge_distance": None}, {"edge_distance": Measured(5.0, 0.02)}, {}], REWORK),
        ([], BY_HAND),
    ],
)
def test_a_part_is_as_good_as_its_worst_hole(changes: list[dict[str, object]], decision: Decision) -> None:
    assert judge_part([judge_hole(rivet_hole(**change)) for change in changes]).decision is decision


def test_a_doubt_about_the_part_keeps_it_from_good_and_says_what_to_do() -> None:
    verdict = judge_part([judge_hole(rivet_hole())], doubts=["soft photo"])
    assert verdict.decision is BY_HAND
    assert verdict.readings == (REASONS["soft photo"].remedy,)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"fastener_diameter_mm": 0.0}, "H1 has a fastener of 0.0 mm"),
        ({"fastener_diameter_mm": math.nan}, "H1 has a fastener of nan mm"),
        ({"fastener_diameter_mm": None}, "H1 has a hole range but no fastener"),
        ({"pitch": Measured(3.0, 0.1, "1")}, "H1 has a length in '1'"),
    ],
)
def test_figures_that_cannot_be_are_refused(changes: dict[str, object], message: str) -> None:
    with pytest.raises(SetupError, match=message):
        rivet_hole(**changes)


def test_an_unknown_doubt_is_refused() -> None:
    with pytest.raises(SetupError, match="'gremlin' is no known reason"):
        judge_hole(rivet_hole(doubts=("gremlin",)))


def test_a_drill_known_from_memory_does_not_make_a_hole_good() -> None:
    """1/4 in solid rivet: 1/4 in is confirmed (P-40 manual par 16), F is listed from memory only."""
    rivet = fastener("1/4 rivet")
    hole = rivet_hole(
        diameter=Measured(drill("F").diameter_mm, 0.01),
        edge_distance=Measured(20, 0.02),
        pitch=None,
        fastener_diameter_mm=rivet.diameter_mm,
        hole_range=rivet.hole_range,
    )
    assert judge_hole(hole).decision is BY_HAND


def test_hole_is_good_only_with_room_for_a_burr_that_would_not_show() -> None:
    roomy, tight = (rivet_hole(edge_distance=Measured(mm, 0.02), edge_burr_mm=0.1) for mm in (6.50, 6.43))
    assert judge_hole(roomy).decision is GOOD
    verdict = judge_hole(tight)
    assert verdict.decision is BY_HAND
    assert [finding.detail for finding in verdict.findings] == [
        "edge distance 6.430 ± 0.040 mm, needed 6.35 mm (2 D); a burr of 0.10 mm on the edge would not show"
    ]
    assert judge_hole(replace(tight, edge_burr_mm=0.0)).decision is GOOD


def test_burr_that_would_not_show_makes_no_short_hole_undecided() -> None:
    short = rivet_hole(edge_distance=Measured(6.20, 0.02), edge_burr_mm=0.1)
    assert judge_hole(short).decision is REWORK
