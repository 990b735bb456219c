"""The commands on two results: before and after, side A and side B."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from typer.testing import CliRunner, Result

import holeinspect
from holeinspect.cli import app
from holeinspect.inspection import Inspection
from holeinspect.measure.both_sides import BothSides
from holeinspect.measure.compare import Comparison
from holeinspect.measure.moves import Move
from tests.example_condition import laid, reworked, with_condition
from tests.example_inspection import example_photo, good_hole, inspection, part


def run(*words: str) -> Result:
    return CliRunner().invoke(app, [*words])


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Every test runs in an empty folder that holds results before and after rework, and of the other side."""
    monkeypatch.chdir(tmp_path)
    turned, over = Move(math.radians(60), (2.0, 1.0)), Move(0.3, (1.0, 1.0), mirrored=True)
    save(tmp_path / "before.json", with_condition())
    save(tmp_path / "after.json", laid(reworked(), turned))
    other = reworked().photo.model_copy(update={"name": "b.jpg", "sha256": "2" * 64})
    save(tmp_path / "b.json", laid(reworked(side="B", photo=other), over))
    save(tmp_path / "other.json", other_part())
    return tmp_path


def other_part() -> Inspection:
    return inspection(part("P1", (good_hole(),), "good", outline_mm=((-90.0, -5.0), (90.0, -5.0), (90.0, 5.0), (-90.0, 5.0))))


def save(path: Path, result: Inspection) -> None:
    path.write_text(result.model_dump_json())


def test_rework_that_left_nothing_ends_with_0() -> None:
    result = run("compare", "before.json", "after.json")
    assert result.exit_code == 0
    assert "Nothing is left to do here." in result.stdout


def test_what_is_left_ends_with_1() -> None:
    result = run("compare", "before.json", "before.json")
    assert result.exit_code == 1
    assert "same" in result.stdout


def test_a_comparison_is_printed_in_the_units_asked_for() -> None:
    told = " ".join(run("compare", "before.json", "after.json", "--units", "in").stdout.split())
    assert "Before, in" in told
    assert "0.0157 ± 0.0024" in told  # 0.4 and 0.06 mm over 25.4


def test_a_comparison_goes_to_json_alone_or_to_a_file(own_folder: Path) -> None:
    alone = Comparison.model_validate_json(run("compare", "before.json", "after.json", "--json", "-").stdout)
    run("compare", "before.json", "after.json", "--json", "c.json")
    assert Comparison.model_validate_json((own_folder / "c.json").read_text()) == alone


def test_photos_are_inspected_with_what_is_typed(own_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []

    def measure(photo: Any, setup: Any) -> Inspection:
        asked.append(setup)
        return reworked()

    monkeypatch.setattr(holeinspect, "inspect", measure)
    Image.fromarray(example_photo()).save(own_folder / "after.png")
    assert run("compare", "before.json", "after.png", "--thickness", "2mm", "--units", "in").exit_code == 0
    assert (asked[0].thickness_mm, asked[0].units) == (2.0, "in")


def test_a_part_ready_on_both_sides_ends_with_0_in_whichever_order_the_sides_are_given(own_folder: Path) -> None:
    save(own_folder / "a.json", reworked(side="A"))
    for given in (("a.json", "b.json"), ("b.json", "a.json")):
        result = run("sides", *given)
        assert result.exit_code == 0
        assert "Side A: hm300_after.jpg; side B: b.jpg" in result.stdout
        assert "P1 on A, P1 on B: ready" in result.stdout


@pytest.mark.parametrize(("given", "said"), [("after.json", "side B was not seen"), ("b.json", "side A was not seen")])
def test_one_side_alone_is_never_ready(given: str, said: str) -> None:
    result = run("sides", given)
    assert result.exit_code == 1
    assert said in result.stdout


def test_both_sides_go_to_json() -> None:
    judged = BothSides.model_validate_json(run("sides", "after.json", "b.json", "--json", "-").stdout)
    assert judged.ready


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("compare before.json missing.json", "There is no file missing.json"),
        ("compare before.json photo.jpg", "photo.jpg is a photo: give its part's --thickness"),
        ("compare before.json other.json", "No part in hm300.jpg has the holes"),
        ("compare before.json after.json --json before.json", "would overwrite what is read"),
        ("compare before.json after.json --json nowhere/c.json", "there is no folder nowhere"),
        ("compare before.json after.json --units ell", "--units ell is not known"),
        ("sides after.json after.json", "was given for both sides"),
        ("sides after.json other.json", "no part in common"),
        ("compare before.json", "Missing argument 'AFTER'"),
    ],
)
def test_what_cannot_be_compared_is_told_in_a_sentence(words: str, said: str) -> None:
    result = run(*words.split())
    assert (result.exit_code, result.stdout) == (2, "")
    assert said in result.stderr
    assert len(result.stderr.splitlines()) == 1
