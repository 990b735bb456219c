"""From a photo: a nick shortens the edge distances near it, and what stands off an edge never lengthens one."""

from __future__ import annotations

from functools import cache

import pytest

from holeinspect import Setup, inspect
from holeinspect.inspection import Hole, Inspection
from tests.simulator.scene import Hole as Bore
from tests.simulator.scene import Mat, Nick, Part, Scene, Stub
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
