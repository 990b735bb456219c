"""Parts on what a bench has to offer: a cutting mat with its grid, a board, a light table, an ID-1 card beside them."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from holeinspect.inspection import Hole, Inspection
from holeinspect.measure.inspect import inspect
from holeinspect.scale.references import reference_of
from holeinspect.setup import Setup
from tests.simulator import objects
from tests.simulator.phone import PHONES
from tests.simulator.scene import Hole as TrueHole
from tests.simulator.scene import HoleTruth, Levels, Lines, Part, Plain, Scene, Surface, hole_truths
from tests.simulator.shot import Shot, simulate
from tests.simulator.view import Lens, Pose

ROWS = ((-24.0, -17.0, 3.0), (24.0, -17.0, 3.0), (24.0, 17.0, 3.0), (-24.0, 17.0, 3.0))
HOLES = tuple(TrueHole((x, y), d) for x, y, d in ((-15, -6, 3.3), (0, -6, 4.1), (15, -6, 4.8), (-12, 6, 6.4), (10, 6, 8.0)))
BRIGHT, DARK = Levels(0.55, 0.3, 0.65), Levels(0.05, 0.05, 0.06)
GREEN = Surface((0.03, 0.13, 0.08), Lines(10.0, 0.3, (0.45, 0.50, 0.22)), speckle=0.03)
BOARD = Surface((0.12, 0.07, 0.04), grain=0.05, speckle=0.01)
STONE = Surface((0.25, 0.25, 0.26), speckle=0.13)
PLATE = Part(1.5, ROWS, HOLES, at_mm=(-16.0, 3.0), rotate_deg=6.0, levels=BRIGHT)
LENS = Lens(1750.0, (1760, 1320))
POSE = Pose((14.0, -10.0, 230.0), (8.0, 0.0, 0.0), 3.0)


def shot(ground: Plain | Surface, face: Levels = BRIGHT, card: float = 0.75) -> Shot:
    """The plate left of an ID-1 card."""
    beside = objects.card((85.60, 53.98), 0.76, 3.18, (42.0, 0.0), 90.0, Levels(card, card, card))
    return Shot(Scene(ground, (replace(PLATE, levels=face), beside)), POSE, LENS, PHONES["s20-sharp50"])


@cache
def measured(taken: Shot, pointed_at: bool = False) -> Inspection:
    """pointed_at: the user tapped the part too; the card always, for a grid's rectangles look like cards."""
    part_at, card_at = ((float(x), float(y)) for x, y in taken.view.project(np.array([[-16.0, 16.0, 1.5], [42.0, 0.0, 0.76]])))
    setup = Setup(1.5, reference=reference_of("card"), reference_at=card_at, part_at=part_at if pointed_at else None,
                  camera_profile="ignore")  # fmt: skip
    return inspect(simulate(taken).jpeg, setup)


def pairs(taken: Shot, pointed_at: bool = False) -> list[tuple[HoleTruth, Hole]]:
    """Each true hole with the one found there."""
    found = [hole for part in measured(taken, pointed_at).parts for hole in part.holes]
    true = [truth for truth in hole_truths(taken.scene) if truth.part == 0]
    assert len(found) == len(true)
    px = taken.view.project(np.array([[*truth.centre_mm, truth.thickness_mm] for truth in true]))
    near = [min(found, key=lambda hole: float(np.hypot(*(np.array(hole.centre_px) - at)))) for at in px]
    assert len({hole.name for hole in near}) == len(true)
    return list(zip(true, near, strict=True))


def reasons(hole: Hole) -> set[str]:
    return {note.name for note in hole.reasons}


LIGHT_TABLE = shot(Plain(0.85), DARK, 0.04)


@pytest.mark.parametrize("taken", [shot(BOARD, card=0.04), LIGHT_TABLE], ids=["board", "light table"])
def test_parts_on_a_board_and_on_a_light_table_are_measured_within_u(taken: Shot) -> None:
    for truth, hole in pairs(taken):
        assert abs(hole.diameter.value - truth.diameter_mm) < hole.diameter.U
        assert hole.edge_distance is not None
        assert abs(hole.edge_distance.value - truth.edge_distance_mm) < hole.edge_distance.U
        assert not reasons(hole) & {"burnt out", "patterned ground", "part unsure"}


def test_a_light_table_seen_through_holes_is_no_glare_on_the_face() -> None:
    assert not [note for note in measured(LIGHT_TABLE).photo.judged if note.name == "glare"]


def test_a_burnt_out_light_table_leaves_its_rims_to_the_hand() -> None:
    taken = shot(Plain(1.6), DARK, 0.04)
    for _, hole in pairs(taken):
        assert hole.verdict == "measure by hand"
        assert "burnt out" in reasons(hole)


def test_a_scattering_lens_makes_no_countersinks_on_a_light_table() -> None:
    taken = replace(LIGHT_TABLE, phone=PHONES["hazy-lens"])
    assert {hole.ring.kind for _, hole in pairs(taken) if hole.ring} <= {"broken edge"}


def test_holes_over_a_cutting_mats_lines_are_found_and_left_to_the_hand() -> None:
    taken = shot(GREEN)
    result = measured(taken)
    for truth, hole in pairs(taken):
        if over_a_line(truth):
            assert hole.verdict == "measure by hand"
            assert "patterned ground" in reasons(hole)
    assert all(part.verdict == "measure by hand" for part in result.parts)
    (note,) = (note for note in result.photo.judged if note.name == "lines")
    assert "plain sheet" in note.advice


def over_a_line(truth: HoleTruth) -> bool:
    """Whether a line of the grid is seen well within a hole."""
    pitch_mm, inside_mm = 10.0, 0.5 * truth.diameter_mm - 0.7
    return any(abs((at + pitch_mm / 2) % pitch_mm - pitch_mm / 2) < inside_mm for at in truth.centre_mm)


def test_a_part_that_hardly_stands_off_its_ground_is_left_to_the_hand_until_it_is_pointed_at() -> None:
    taken = shot(STONE, card=0.9)
    unsure = measured(taken)
    assert unsure.parts[0].confidence < 0.75
    for hole in unsure.parts[0].holes:
        assert hole.verdict == "measure by hand"
        assert "part unsure" in reasons(hole)
    (note,) = (note for note in unsure.photo.judged if note.name == "part")
    assert note.level == "measure by hand"
    assert "Tap the part" in note.advice
    shown = measured(taken, pointed_at=True)
    assert "part unsure" not in {name for hole in shown.parts[0].holes for name in reasons(hole)}


def test_a_part_on_plain_ground_is_found_surely() -> None:
    part = measured(LIGHT_TABLE).parts[0]
    assert part.confidence > 0.95
    (note,) = (note for note in measured(LIGHT_TABLE).photo.judged if note.name == "part")
    assert note.level == "fine"
    assert note.figure == pytest.approx(100 * part.confidence, rel=0, abs=0.1)


def test_a_grain_nearly_as_strong_as_the_step_to_the_metal_leaves_all_to_the_hand() -> None:
    result = measured(shot(Surface((0.45, 0.36, 0.25), grain=0.18), card=0.04), pointed_at=True)
    (note,) = (note for note in result.photo.judged if note.name == "grain")
    assert note.level == "measure by hand"
    assert "plain sheet" in note.advice
    holes = [hole for part in result.parts for hole in part.holes]
    assert holes
    assert all(hole.verdict == "measure by hand" and "patterned ground" in reasons(hole) for hole in holes)
