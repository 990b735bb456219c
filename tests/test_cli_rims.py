"""The command that draws rims: what it writes, what it prints, what it refuses."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pypdfium2
import pytest
from PIL import Image
from typer.testing import CliRunner, Result

import holeinspect
from holeinspect.cli import app
from holeinspect.inspection import Inspection
from holeinspect.photo import open_photo
from tests.example_condition import with_condition
from tests.example_inspection import example_photo, good_example


def run(*words: str) -> Result:
    return CliRunner().invoke(app, ["rims", *words])


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Every test runs in an empty folder that holds the example's photo and its saved result."""
    monkeypatch.chdir(tmp_path)
    Image.fromarray(example_photo()).save(tmp_path / "hm300.png")
    save(with_condition(), tmp_path / "hm300.json")
    return tmp_path


def save(result: Inspection, path: Path, sha256: str | None = None) -> None:
    of_photo = sha256 or open_photo(path.with_name("hm300.png")).sha256
    named = result.model_copy(update={"photo": result.photo.model_copy(update={"sha256": of_photo})})
    path.write_text(named.model_dump_json())


@pytest.mark.parametrize("name", ["sheet.png", "sheet.jpg", "sheet.pdf"])
def test_the_sheet_is_written_in_the_format_of_its_ending(own_folder: Path, name: str) -> None:
    result = run("hm300.png", "--result", "hm300.json", "-o", name)
    assert result.exit_code == 1
    assert f"Wrote {name}." in result.stdout
    if name.endswith(".pdf"):
        with pypdfium2.PdfDocument(own_folder / name) as document:
            assert len(document) == 1
    else:
        with Image.open(own_folder / name) as picture:
            assert picture.width > 800


def test_without_a_name_the_sheet_is_named_by_the_photo(own_folder: Path) -> None:
    run("hm300.png", "--result", "hm300.json")
    assert (own_folder / "hm300_rims.png").exists()


def test_charts_alone_are_written_as_svg_and_png_of_every_rim(own_folder: Path) -> None:
    result = run("hm300.png", "--result", "hm300.json", "--charts", "drawn/charts")
    written = sorted(path.name for path in (own_folder / "drawn" / "charts").iterdir())
    assert written == ["H1.png", "H1.svg", "H2.png", "H2.svg", "H3.png", "H3.svg"]
    assert "3 charts in drawn/charts" in result.stdout
    assert not (own_folder / "hm300_rims.png").exists()


def test_the_rims_are_told_worst_first_with_what_no_photo_shows() -> None:
    told = run("hm300.png", "--result", "hm300.json").stdout
    assert told.index("H1: rework") < told.index("H3: measure by hand") < told.index("fingernail")


def test_a_good_part_ends_with_0(own_folder: Path) -> None:
    save(good_example(), own_folder / "good.json")
    assert run("hm300.png", "--result", "good.json").exit_code == 0


def test_a_saved_result_is_drawn_in_the_units_asked_for() -> None:
    assert "Ø 0.12850 ± 0.00083 in" in run("hm300.png", "--result", "hm300.json", "--units", "in").stdout  # 3.264 mm


def test_without_a_result_the_photo_is_inspected_with_what_is_typed(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []

    def measure(photo: Any, setup: Any) -> Inspection:
        asked.append(setup)
        return with_condition()

    monkeypatch.setattr(holeinspect, "inspect", measure)
    result = run("hm300.png", "--thickness", "2mm", "--along", "239.2mm", "--across", "169.8mm", "--burr-limit", "0.15mm")
    assert result.exit_code == 1
    assert (asked[0].thickness_mm, asked[0].along, asked[0].burr_limit) == (2.0, 239.2, 0.15)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("hm300.png", "hm300.png is a photo: give its part's --thickness"),
        ("missing.png --thickness 2mm", "There is no file missing.png"),
        ("hm300.png --thickness 2mm -o sheet.gif", "ends in .png, .jpg, .jpeg, .pdf"),
        ("hm300.png --thickness 2mm -o hm300.png", "overwrite the photo"),
        ("hm300.png --thickness 2mm --charts hm300.json", "The folder hm300.json cannot be made"),
        ("hm300.png --result missing.json", "There is no file missing.json"),
        ("hm300.png --result hm300.png", "hm300.png is no result of holeinspect inspect --json"),
        ("hm300.png --result other.json", "other.json is the result of another photo (hm300.jpg)"),
        ("hm300.png --result hm300.json --units ell", "--units ell is not known"),
    ],
)
def test_what_cannot_be_drawn_is_told_in_a_sentence(own_folder: Path, words: str, said: str) -> None:
    save(with_condition(), own_folder / "other.json", sha256="1" * 64)
    result = run(*words.split())
    assert (result.exit_code, result.stdout) == (2, "")
    assert said in result.stderr
    assert len(result.stderr.splitlines()) == 1
