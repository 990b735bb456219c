"""The tables of the trade against their publications."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holeinspect.errors import TradeError
from holeinspect.measured import Measured
from holeinspect.trade import (
    DRILL_SETS,
    DrillSet,
    EdgeRule,
    clearance_guard,
    drill,
    drills,
    edge_rule,
    fastener,
    nearest_sizes,
    pitch_rule,
    rule_from_table,
)
from holeinspect.trade.tables import is_confirmed, rows

INCH = 25.4
PRINTED_IN = 0.00005  # in: half the last digit of the tables' four decimals
FLOAT_MM = 1e-9  # mm


@pytest.mark.parametrize(
    ("size", "inch"),
    [
        ("#80", 0.0135),
        ("#60", 0.0400),  # one public web table has 1/16 in here, wrongly
        ("#40", 0.0980),
        ("#30", 0.1285),
        ("No. 21", 0.1590),
        ("#1", 0.2280),
        ("A", 0.2340),
        ("f", 0.2570),
        ("Z", 0.4130),
        ("3/32", 0.0938),
        ('5/32"', 0.1562),
        ("0.125 in", 0.1250),
        ('1"', 1.0),
    ],
)
def test_drill_diameter_agrees_with_asme_b94_11m(size: str, inch: float) -> None:
    assert drill(size).diameter_mm == pytest.approx(inch * INCH, rel=0, abs=PRINTED_IN * INCH + FLOAT_MM)


def test_drill_fractions_are_exact_64ths() -> None:
    sizes = [d.diameter_mm for d in drills(["fraction"])]
    assert sizes == pytest.approx([n * INCH / 64 for n in range(1, 65)], rel=0, abs=FLOAT_MM)


def test_the_inch_sets_are_complete_as_in_asme_b94_11m() -> None:
    assert [len(drills([name])) for name in ("number", "letter", "fraction")] == [80, 26, 64]


def test_metric_stock_sizes_follow_bs_328() -> None:
    """1.0 to 2.95 by 0.05, 3.0 to 13.9 by 0.1, 14 to 25 mm by 0.25: 40, 110 and 45 sizes."""
    sizes = [d.diameter_mm for d in drills(["metric"])]
    assert [sum(low <= mm < high for mm in sizes) for low, high in ((0, 3), (3, 14), (14, 26))] == [40, 110, 45]
    assert {1.05, 2.95, 3.1, 13.9, 14.25} <= set(sizes)


@pytest.mark.parametrize("size", ["#81", "#0", "30", "3.25 mm", "13.95 mm", "1/7", "AA", "", "26 mm", "3.2in"])
def test_an_unknown_drill_size_is_refused_with_examples(size: str) -> None:
    with pytest.raises(TradeError, match=r"is no drill size in the tables\. Write a number \(#30\)"):
        drill(size)


@pytest.mark.parametrize("d", drills(DRILL_SETS), ids=lambda d: d.label)
def test_every_drill_is_found_by_its_own_label(d: object) -> None:
    assert drill(d.label) == d  # type: ignore[attr-defined]  # parametrized Drill


def test_drills_come_by_diameter_and_an_unknown_set_is_refused() -> None:
    sizes = [d.diameter_mm for d in drills(DRILL_SETS)]
    assert sizes == sorted(sizes)
    with pytest.raises(TradeError, match="Choose from number, letter, fraction, metric"):
        drills(["gauge"])  # type: ignore[list-item]  # the wrong word is the test


@pytest.mark.parametrize(
    ("mm", "u_mm", "sets", "labels"),
    [
        (3.264, 0.01, ("number", "fraction"), ["#30"]),
        (3.22, 0.025, ("number", "fraction"), ['1/8"', "#30"]),  # they differ by 0.09 mm
        (3.57, 0.005, ("number", "fraction"), ["#28", '9/64"']),  # 0.003 mm apart: no photo tells them apart
        (3.36, 0.01, ("number", "fraction"), []),
    ],
)
def test_every_size_inside_value_and_u_is_offered(
    mm: float, u_mm: float, sets: tuple[DrillSet, ...], labels: list[str]
) -> None:
    match = nearest_sizes(Measured(mm, u_mm), sets)
    assert [d.label for d in match.candidates] == labels
    assert match.ambiguous is (len(labels) > 1)


def test_e_and_a_quarter_inch_are_one_size_with_two_names() -> None:
    match = nearest_sizes(Measured(6.35, 0.01), ["letter", "fraction"])
    assert (len(match.candidates), match.ambiguous) == (2, False)


@given(st.floats(0.3, 25), st.floats(0, 0.5))
def test_the_nearest_size_is_nearest_and_every_candidate_is_within_u(mm: float, u_mm: float) -> None:
    match = nearest_sizes(Measured(mm, u_mm), DRILL_SETS)
    assert abs(match.deviation_mm) == min(abs(mm - d.diameter_mm) for d in drills(DRILL_SETS))
    assert all(abs(mm - d.diameter_mm) <= 2 * u_mm + 1e-6 for d in match.candidates)
    assert not match.candidates or match.nearest.diameter_mm in {d.diameter_mm for d in match.candidates}


@pytest.mark.parametrize(
    ("name", "shank_in"),
    [
        ("3/32 rivet", 3 / 32),
        ("1/8 rivet", 1 / 8),
        ('1/8" solid rivet', 1 / 8),
        ("AN470AD4", 4 / 32),
        ("an426ad3-4", 3 / 32),
        ("MS20470AD5-6", 5 / 32),
        ("AN3", 3 / 16),
        ("AN4-7A", 4 / 16),
        ("3/16 bolt", 3 / 16),
        ("AN8 bolt", 8 / 16),
        ("#10 screw", 0.190),
        ("5/32 blind rivet", 5 / 32),
        ("M5", 5 / INCH),
        ("M6x20 bolt", 6 / INCH),
        ("4.8mm", 4.8 / INCH),
        ("3/16", 3 / 16),
        ("3.2 mm pull rivet", 3.2 / INCH),
        ("7/32 rivet", 7 / 32),
    ],
)
def test_a_fastener_name_gives_its_nominal_shank(name: str, shank_in: float) -> None:
    assert fastener(name).diameter_mm == pytest.approx(shank_in * INCH, rel=0, abs=FLOAT_MM)


@pytest.mark.parametrize("name", ["rivet", "wing nut", "#30", "AN9", "0 mm rivet", "", "M0"])
def test_a_name_without_a_known_shank_is_refused(name: str) -> None:
    with pytest.raises(TradeError, match=r"fastener|diameter"):
        fastener(name)


@pytest.mark.parametrize(
    ("name", "low_in", "high_in"),
    [
        ("3/32 rivet", 0.093, 0.103),  # MIL-R-47196A table I
        ("3/32 blind rivet", 0.096, 0.100),  # TM 10-5410-221-14/1 table 4-3, also the three below
        ("1/8 blind rivet", 0.128, 0.132),
        ("5/32 blind rivet", 0.160, 0.164),
        ("1/4 blind rivet", 0.257, 0.261),
        ("1/8 pull rivet", 3.3 / INCH, 3.5 / INCH),  # light-aircraft maintenance manual table 10.3.1.1, mm
        ("AN3", 0.1875, 0.197),  # TM 1-1520-240-BD 2-6; its low side, a clearance hole, gives way to the shank
        ("AN5", 0.3125, 0.3195),
        ("M5", 5 / INCH, 5.5 / INCH),  # ISO 273, medium series
        ("M12", 12 / INCH, 13.5 / INCH),
    ],
)
def test_hole_limits_seen_in_a_document_are_confirmed(name: str, low_in: float, high_in: float) -> None:
    hole = fastener(name).hole_range
    assert hole.confirmed
    assert (hole.low_mm, hole.high_mm) == pytest.approx((low_in * INCH, high_in * INCH), rel=0, abs=FLOAT_MM)


@pytest.mark.parametrize(
    ("name", "label"), [("1/8 rivet", "#30"), ("5/32 rivet", "#22"), ("3/16 rivet", "#12"), ("AN4", "F"), ("AN6", "V")]
)
def test_the_final_drill_is_the_one_seen_in_a_document(name: str, label: str) -> None:
    """P-40 structural repair manual par 16 for rivets, AC 43.13-1B par 7-39 for bolts."""
    assert fastener(name).final_hole_mm == drill(label).diameter_mm


@pytest.mark.parametrize("name", ["5/16 rivet", "3/8 rivet", "AN7", "3/16 blind rivet", "1/8 structural blind rivet"])
def test_figures_from_memory_are_shown_but_confirm_nothing(name: str) -> None:
    known = fastener(name)
    assert known.drills
    assert known.final_hole_mm is None
    assert not known.hole_range.confirmed


@pytest.mark.parametrize("shank", ["1/8", "5/32", "3/16"])
def test_a_hole_still_at_its_pilot_size_is_outside_the_guard(shank: str) -> None:
    """FAA-H-8083-31 (from memory): the pilot drill is the shank's own fraction."""
    guard = fastener(f"{shank} rivet").hole_range
    assert drill(shank).diameter_mm < guard.low_mm < fastener(f"{shank} rivet").drills[0].diameter_mm < guard.high_mm


@pytest.mark.parametrize(
    ("shank_mm", "medium_mm"), [(3, 3.4), (4, 4.5), (5, 5.5), (6, 6.6), (8, 9.0), (10, 11.0), (12, 13.5)]
)
def test_the_guard_of_a_bare_shank_stays_inside_iso_273_medium(shank_mm: float, medium_mm: float) -> None:
    assert clearance_guard(shank_mm).high_mm <= medium_mm + FLOAT_MM


@pytest.mark.parametrize(("rule", "k"), [(edge_rule(), 2.0), (pitch_rule(), 3.0)])
def test_default_rules_are_those_of_ac_43_13_1b_4_57(rule: EdgeRule, k: float) -> None:
    assert rule.k == k
    assert rule.source.startswith("AC 43.13-1B")
    assert rule.note == "unless the drawing says otherwise"


@pytest.mark.parametrize("k", [0.0, -1.0, math.nan, math.inf])
def test_a_rule_of_no_diameters_is_refused(k: float) -> None:
    with pytest.raises(TradeError, match="Give a factor above zero"):
        edge_rule(k)


@pytest.mark.parametrize(
    ("rule_id", "message"),
    [
        ("ED04", "not confirmed"),  # flush 2.5 D, from memory
        ("ED12", "no least distance"),  # rejected: a web page's wrong 1.5 D
        ("ED05", "no least distance"),  # a maximum
        ("ED09", "no least distance"),  # inches, not diameters
    ],
)
def test_only_a_confirmed_minimum_in_diameters_is_a_rule(rule_id: str, message: str) -> None:
    with pytest.raises(TradeError, match=message):
        rule_from_table(rule_id)


@pytest.mark.parametrize("table", ["drills", "metric_series", "fasteners", "edge_rules", "reference_objects"])
def test_every_row_says_its_source_and_only_seen_figures_are_confirmed(table: str) -> None:
    for row in rows(table):
        assert row["source"] or row["how"] == "gap"
        assert is_confirmed(row) is (row["how"] in {"read", "definition"})
        assert row.get("topic") != "rejected"
