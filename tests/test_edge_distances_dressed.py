"""From a photo: a nick shortens the edge distances near it, and what stands off an edge, stub or burr, never lengthens one."""

from __future__ import annotations

from functools import cache

import pytest

from holeinspect import Setup, inspect
from holeinspect.inspection import Hole, Inspection
from tests.simulator.scene import Burr, Mat, Nick, Part, Scene, Stub
from tests.simulator.scene import Hole as Bore
from tests.simulator.shot import Shot, simulate
from tests.simulator.view import Lens, Pose

LENS, POSE = Lens(2200.0, (2640, 1980)), Pose((15, -35, 285), (0, 0, 0), 90.0)
STRAP = ((-45.0, -15.0, 3.0), (45.0, -15.0, 3.0), (45.0, 15.0, 3.0), (-45.0, 15.0, 3.0))
NICKED_MM, SHORT_MM, DEPTH_MM = 10.4, 8.4, 1.3
"""Edge distances of two holes of 4.8 mm, which need 9.6 mm; the first is short only because of the nick."""


@cache
def result() -> Inspection:
    part = Part(
        1.6, STRAP, (Bore((-20, 15 - NICKED_MM), 4.8), Bore((20, 15 - SHORT_MM), 4.8)),
        nicks=(Nick((-20, 15), 1.6, DEPTH_MM, 90),), stubs=(Stub((20, 15), 6.0, 1.2, 90),),
    )  # fmt: skip
    photo = simulate(Shot(Scene(Mat("a4"), (part,)), POSE, LENS))
    return inspect(photo.jpeg, Setup(thickness=1.6, along=240.0, across=170.0))


def hole(x_mm: float) -> Hole:
    return min(result().parts[0].holes, key=lambda hole: abs(hole.centre_mm[0] - x_mm))


def test_edge_distance_ends_at_the_bottom_of_a_nick() -> None:
    found = hole(-20)
    assert found.edge_distance is not None
    assert found.edge_distance.value == pytest.approx(NICKED_MM - DEPTH_MM, rel=0, abs=0.12)
    (reason,) = [reason for reason in found.reasons if reason.name == "short edge"]
    assert "to a nick in the edge" in reason.sentence
    assert found.verdict == "rework"


def test_stub_never_makes_a_short_hole_good() -> None:
    found = hole(20)
    assert found.edge_distance is not None
    assert found.edge_distance.value == pytest.approx(SHORT_MM, rel=0, abs=0.1)
    assert found.verdict == "rework"


def test_part_with_a_nick_and_a_stub_is_rework_and_says_where() -> None:
    part = result().parts[0]
    assert part.verdict == "rework"
    kinds = {finding.kind for finding in result().findings if finding.subject.startswith("E")}
    assert kinds == {"nick", "tab stub"}
    assert {reason.name for reason in part.reasons if reason.subject.startswith("E")} == kinds


BURRED_LENS = Lens(3100.0, (4000, 3000))
BOLT_MM, LEAST_MM, FINE_MM = 4.8, 9.6, 10.3
"""A fastener, the edge distance that it needs, and one that is fine with all its U."""


@cache
def burred_result(cover: float) -> Inspection:
    """A strap with a ragged lip of up to 0.22 mm along its edges: at the upper one, holes that are short by 0.1 to 0.2 mm and
    one that is fine; at the lower one, likewise."""
    short = [Bore((x, side * (15 - LEAST_MM + mm)), BOLT_MM + 0.1) for side, mm, x in
             ((1, 0.2, -30), (1, 0.1, -10), (-1, 0.15, 10))]  # fmt: skip
    fine = [Bore((30, 15 - FINE_MM), BOLT_MM + 0.1), Bore((-10, FINE_MM - 15), BOLT_MM + 0.1)]
    part = Part(2.0, STRAP, (*short, *fine), rim=Burr(0.22, cover))
    photo = simulate(Shot(Scene(Mat("a4"), (part,)), POSE, BURRED_LENS))
    return inspect(photo.jpeg, Setup(thickness=2.0, along=240.0, across=170.0, fastener="4.8mm"))


def burred_hole(cover: float, x_mm: float, y_mm: float) -> Hole:
    return min(burred_result(cover).parts[0].holes,
               key=lambda hole: abs(hole.centre_mm[0] - x_mm) + abs(hole.centre_mm[1] - y_mm))  # fmt: skip


@pytest.mark.parametrize("cover", [0.5, 0.95])
@pytest.mark.parametrize(("x_mm", "side", "short_mm"), [(-30, 1, 0.2), (-10, 1, 0.1), (10, -1, 0.15)])
def test_burr_on_the_edge_never_makes_a_short_hole_good(x_mm: float, side: int, short_mm: float, cover: float) -> None:
    found = burred_hole(cover, x_mm, side * (15 - LEAST_MM + short_mm))
    assert found.edge_distance is not None
    assert abs(found.edge_distance.value - (LEAST_MM - short_mm)) < 2 * found.edge_distance.u
    assert found.edge_distance.value == pytest.approx(LEAST_MM - short_mm, rel=0, abs=0.08)
    assert "short edge" in {reason.name for reason in found.reasons}
    assert found.verdict != "good"


@pytest.mark.parametrize("cover", [0.5, 0.95])
@pytest.mark.parametrize(("x_mm", "y_mm"), [(30, 15 - FINE_MM), (-10, FINE_MM - 15)])
def test_hole_far_enough_from_a_burred_edge_is_not_called_short(x_mm: float, y_mm: float, cover: float) -> None:
    found = burred_hole(cover, x_mm, y_mm)
    assert found.edge_distance is not None
    assert found.edge_distance.value == pytest.approx(FINE_MM, rel=0, abs=0.08)
    assert "short edge" not in {reason.name for reason in found.reasons}


def test_budget_of_a_burred_edge_names_the_burr() -> None:
    found = burred_hole(0.95, 30, 15 - FINE_MM)
    assert found.edge_distance is not None
    assert {line.name: line.u for line in found.edge_distance.budget}["burr"] > 0.02
