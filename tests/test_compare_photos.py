"""Before, after and the other side, from simulated photos with exact truth: 2640 x 1980, about 7.5 px/mm."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from holeinspect import Inspection, Setup, inspect
from holeinspect.measure.both_sides import both_sides
from holeinspect.measure.compare import Comparison, HoleChange, compare
from tests.simulator.scene import Burr, Hole, Mat, Part, Row, Scene, Sharp
from tests.simulator.shot import Shot, simulate
from tests.simulator.view import Lens, Pose

LENS = Lens(2200.0, (2640, 1980))
POSE = Pose((15, -35, 285), (0, 0, 0), 90.0)
FILED_MM, DRILLED_MM = 0.6, 0.4

ROWS: tuple[Row, ...] = ((-45, -30, 4), (45, -30, 4), (45, 10, 4), (15, 32, 4), (-45, 32, 4))
HOLES = (
    Hole((-35, -20), 4.9, Burr(0.4, 0.5), name="A"),
    Hole((0, -18), 3.3, name="B"),
    Hole((33, -18), 4.9, name="C"),
    Hole((-30, 20), 4.9, name="D"),
    Hole((5, 15), 6.4, name="E"),
)
BURRED = Part(2.0, ROWS, HOLES)


def reworked() -> Part:
    """Turned by 70 degrees: A deburred, B drilled up, the lower edge filed."""
    holes = (replace(HOLES[0], rim=Sharp()), replace(HOLES[1], diameter_mm=3.3 + DRILLED_MM), *HOLES[2:])
    rows: tuple[Row, ...] = tuple((x, max(y, -30 + FILED_MM), radius) for x, y, radius in ROWS)
    return replace(BURRED, holes=holes, rows=rows, rotate_deg=70.0)


def turned_over() -> Part:
    """The reworked part with its other side up."""
    part = reworked()
    holes = tuple(replace(hole, centre_mm=(-hole.centre_mm[0], hole.centre_mm[1])) for hole in part.holes)
    rows: tuple[Row, ...] = tuple((-x, y, radius) for x, y, radius in reversed(part.rows))
    return replace(part, holes=holes, rows=rows, rotate_deg=-20.0)


@cache
def inspected(name: str) -> Inspection:
    part = {"before": BURRED, "after": reworked(), "over": turned_over()}[name]
    photo = simulate(Shot(Scene(Mat("a4"), (part,)), POSE, LENS))
    return inspect(photo.jpeg, Setup(thickness=2.0, along=240.0, across=170.0, burr_limit=0.2))


@cache
def compared() -> Comparison:
    return compare(inspected("before"), inspected("after"))


def change(name: str) -> HoleChange:
    """The change of the hole that is nearest to where the truth has it before: the part frame is the mat frame there."""
    x, y = next(hole.centre_mm for hole in HOLES if hole.name == name)
    holes = inspected("before").parts[0].holes
    nearest = min(holes, key=lambda hole: (hole.centre_mm[0] - x) ** 2 + (hole.centre_mm[1] - y) ** 2)
    return next(one for one in compared().parts[0].holes if one.earlier == nearest.name)


def test_the_turned_part_is_laid_over_itself() -> None:
    (part,) = compared().parts
    assert part.turn_deg == pytest.approx(70.0, rel=0, abs=0.1)  # degrees: 0.1 mm over the part's 60 mm
    assert len(part.holes) == len(HOLES)
    assert not part.turned_over
    assert not part.other_ways


def test_the_burr_that_was_taken_off_is_gone() -> None:
    places = compared().parts[0].places
    assert places
    assert {place.status for place in places} == {"gone"}


def test_only_the_hole_that_was_drilled_up_is_said_to_be_opened() -> None:
    assert {name for name in "ABCDE" if change(name).opened} == {"B"}
    assert abs(change("B").diameter.value - DRILLED_MM) < change("B").diameter.U


def test_only_edge_distances_to_the_filed_edge_are_said_to_be_eaten_into() -> None:
    eaten = {name for name in "ABCDE" if change(name).edge_eaten}
    assert eaten <= {"A", "B", "C"}
    assert {"B", "C"} <= eaten  # A's burr moves its centre: what is left of the change may lie within U
    for name in ("B", "C"):
        edge = change(name).edge_distance
        assert edge is not None
        assert abs(edge.value + FILED_MM) < edge.U


def test_the_other_side_is_seen_as_such_and_its_holes_are_known() -> None:
    sides = both_sides(inspected("after"), inspected("over"))
    assert len(sides.parts) == 1
    by_a = {hole.name: hole for hole in inspected("after").parts[0].holes}
    by_b = {hole.name: hole for hole in inspected("over").parts[0].holes}
    pairs = sides.parts[0].holes
    assert len(pairs) == len(HOLES)
    for pair in pairs:
        assert pair.a is not None
        assert pair.b is not None
        assert by_a[pair.a].diameter.value == pytest.approx(by_b[pair.b].diameter.value, rel=0, abs=0.1)  # mm
        assert not pair.differs
