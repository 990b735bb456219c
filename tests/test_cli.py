"""The command line: exit codes, what is printed, what is written, and one sentence for every error."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import pypdfium2
import pytest
from PIL import Image
from typer.testing import CliRunner, Result

import holeinspect
from holeinspect.cli import app
from holeinspect.errors import PartNotFound, ScaleNotFound
from holeinspect.inspection import Inspection
from holeinspect.scale.readings import DATA_VARIABLE, READINGS_FILE
from holeinspect.scale.references import (
    DiscReference,
    FlatbedReference,
    MarkersReference,
    PointsReference,
    RectangleReference,
    RuleReference,
    reference_of,
)
from holeinspect.scale.targets import CharucoReference, ChessboardReference, MarkerReference, MatReference
from holeinspect.setup import Setup
from tests.example_inspection import example, example_photo, good_example, inspection

POINT_MM = 25.4 / 72  # ISO 32000-1, 8.3.2.3


def run(*words: str) -> Result:
    return CliRunner().invoke(app, [*words])


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Every test runs in an empty folder, with its own stored readings."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path / "data"))
    return tmp_path


@pytest.fixture
def photo(own_folder: Path) -> str:
    Image.fromarray(example_photo()).save(own_folder / "hm300.jpg")
    return "hm300.jpg"


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> Callable[[Inspection | Exception], list[Setup]]:
    """Lets measuring answer as told; returns the list of the settings that it was called with."""

    def answer(with_what: Inspection | Exception) -> list[Setup]:
        asked: list[Setup] = []

        def measure(photo: Any, setup: Setup) -> Inspection:
            asked.append(setup)
            if isinstance(with_what, Exception):
                raise with_what
            return with_what

        monkeypatch.setattr(holeinspect, "inspect", measure)
        return asked

    return answer


def one_sentence(result: Result) -> str:
    """What an error says: one line on standard error, no traceback, nothing on standard output."""
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    lines = result.stderr.splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("holeinspect: ")
    return lines[0]


def test_a_good_part_ends_with_0(photo: str, measured: Any) -> None:
    measured(good_example())
    assert run("inspect", photo, "--thickness", "2mm").exit_code == 0


def test_rework_ends_with_1_and_says_so(photo: str, measured: Any) -> None:
    measured(example())
    result = run("inspect", photo, "--thickness", "2mm")
    assert result.exit_code == 1
    assert "P1: rework" in result.stdout


def test_a_photo_without_a_judged_part_is_never_good(photo: str, measured: Any) -> None:
    measured(inspection())
    assert run("inspect", photo, "--thickness", "2mm").exit_code == 1


def test_what_is_typed_becomes_the_setup(photo: str, measured: Any) -> None:
    asked = measured(good_example())
    run(
        "inspect", photo, "--thickness", '1/8"', "--part-thickness", "P2=1.6mm", "--face-height", "25.4mm",
        "--along", "239.2mm", "--across", "6.68in", "--bar-u", "0.05mm", "--fastener", "1/8 rivet",
        "--hole-fastener", "H3=AN3", "--hole-fastener", "P2.H1 = M5", "--rule", "1.5", "--hole-rule", "H3=1.75",
        "--pitch-rule", "4", "--drills", "number,Letter", "--units", "in", "--side", "b",
    )  # fmt: skip
    (setup,) = asked
    assert setup.thickness_mm == pytest.approx(3.175, rel=0, abs=1e-9)
    assert setup.part_thickness == {"P2": "1.6mm"}
    assert setup.face_height_mm == pytest.approx(25.4, rel=0, abs=1e-9)
    assert (setup.along, setup.across) == (239.2, pytest.approx(169.672, rel=0, abs=1e-9))
    assert setup.bar_reading_u == pytest.approx(0.05, rel=0, abs=1e-12)
    assert (setup.fastener, setup.hole_fasteners) == ("1/8 rivet", {"H3": "AN3", "P2.H1": "M5"})
    assert (setup.rule, setup.pitch_rule, setup.hole_rules) == (1.5, 4.0, {"H3": 1.75})
    assert setup.drill_sets == ("number", "letter")
    assert (setup.units, setup.side) == ("in", "B")


@pytest.mark.parametrize(
    ("words", "reference"),
    [
        ("", MatReference()),
        ("--reference mat", MatReference()),
        ("--reference chessboard --corners 9x6 --square 25mm", ChessboardReference((9, 6), 25.0)),
        ("--reference charuco --squares 5x7 --square 25mm --marker 15mm", CharucoReference((5, 7), 25.0, 15.0)),
        (
            "--reference charuco --squares 5X7 --square 1in --marker 15mm --dictionary 4x4_50",
            CharucoReference((5, 7), 25.4, 15.0, "DICT_4X4_50"),
        ),
        ("--reference marker --marker 30mm --id 7", MarkerReference(30.0, marker_id=7)),
        ("--reference markers --marker 20mm", MarkersReference(20.0)),
        ("--reference CARD", reference_of("ID-1 card")),
        ("--reference rectangle --size 60x40mm", RectangleReference("rectangle", 60.0, 40.0)),
        ("--reference rectangle --size 2inx1in", RectangleReference("rectangle", 50.8, 25.4)),
        ("--reference disc --diameter 25mm", DiscReference("disc", 25.0)),
        ("--reference rule --pitch 0.5mm", RuleReference(0.5)),
        ("--reference points --points 812,455,1490.5,470 --distance 50mm", PointsReference((812, 455), (1490.5, 470), 50.0)),
        ("--reference flatbed --dpi 600 --check quarter", FlatbedReference(600.0, reference_of("US quarter"))),
        (
            "--reference marker --marker 30mm --dictionary dict_apriltag_36h11",
            MarkerReference(30.0, "DICT_APRILTAG_36h11"),
        ),
    ],
)
def test_the_reference_is_understood(photo: str, measured: Any, words: str, reference: object) -> None:
    asked = measured(good_example())
    run("inspect", photo, "--thickness", "2mm", *words.split())
    assert asked[0].reference == reference


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("--thickness wide", "'wide' is no length"),
        ("--thickness -1mm", "is no length"),
        ("--thickness 900mm", "outside"),
        ("--thickness 2mm --along 239mm", "both check-bar readings"),
        ("--thickness 2mm --face-height 1mm", "at least the thickness"),
        ("--thickness 2mm --reference rope", "--reference rope is not known. Choose one of mat"),
        ("--thickness 2mm --reference a4 --pitch 1mm", "takes no --pitch"),
        ("--thickness 2mm --reference points --points 1,2,3 --distance 50mm", "--points '1,2,3' is not 4 numbers"),
        ("--thickness 2mm --reference rectangle --size 60", "--size 60 is no size"),
        ("--thickness 2mm --reference-height 2mm", "take no reference height"),
        ("--thickness 2mm --part-at middle", "--part-at 'middle' is not 2 numbers"),
        ("--thickness 2mm --corners 9x6", "takes no --corners"),
        ("--thickness 2mm --id 3", "takes no --id"),
        ("--thickness 2mm --reference chessboard --corners 9x6", "needs --square"),
        ("--thickness 2mm --reference chessboard --corners nine --square 25mm", "--corners nine is no grid"),
        ("--thickness 2mm --reference chessboard --corners 9x6 --square 0mm", "above zero"),
        ("--thickness 2mm --reference charuco --squares 5x7 --square 15mm --marker 25mm", "does not fit"),
        ("--thickness 2mm --reference marker --marker 30mm --dictionary MINE", "no marker dictionary 'MINE'"),
        ("--thickness 2mm --rule none", "--rule"),
        ("--thickness 2mm --rule 0", "positive number"),
        ("--thickness 2mm --hole-rule H3", "--hole-rule 'H3' is not understood"),
        ("--thickness 2mm --hole-rule H3=tight", "'tight' is no rule"),
        ("--thickness 2mm --hole-fastener H3=AN3 --hole-fastener H3=AN4", "names H3 twice"),
        ("--thickness 2mm --drills wood", "--drills wood is not known"),
        ("--thickness 2mm --drills ,", "names no set"),
        ("--thickness 2mm --units ell", "--units ell is not known"),
        ("--thickness 2mm --side C", "--side C is not known"),
        ("--thickness 2mm --picture marked.bmp", "ends in .jpg"),
        ("--thickness 2mm --picture nowhere/marked.jpg", "there is no folder nowhere"),
        ("--thickness 2mm --json .", "is a folder"),
        ("--thickness 2mm --json hm300.jpg", "overwrite the photo"),
        ("--thickness 2mm --colour red", "No such option"),
        ("", "Missing option '--thickness'"),
    ],
)
def test_what_cannot_be_done_is_told_in_a_sentence(photo: str, measured: Any, words: str, said: str) -> None:
    measured(good_example())
    assert said in one_sentence(run("inspect", photo, *words.split()))


@pytest.mark.parametrize(
    ("name", "said"), [("missing.jpg", "missing.jpg"), (".", "folder"), ("notes.txt", "notes.txt is not an image")]
)
def test_a_file_that_is_no_photo_is_named(own_folder: Path, name: str, said: str) -> None:
    (own_folder / "notes.txt").write_text("Drilled on Sunday.")
    assert said in one_sentence(run("inspect", name, "--thickness", "2mm"))


@pytest.mark.parametrize(
    ("raised", "said"),
    [
        (ScaleNotFound("The scale mat was not found in hm300.jpg."), "The scale mat was not found in hm300.jpg."),
        (PartNotFound("No part lies\non the mat."), "No part lies on the mat."),
        (OSError(28, "No space left on device", "hm300.json"), "hm300.json: No space left on device"),
        (ZeroDivisionError("division by zero"), "a fault of holeinspect, not of your photo: ZeroDivisionError in"),
        (MemoryError(), "MemoryError"),
    ],
)
def test_whatever_measuring_raises_is_told_in_a_sentence(
    photo: str, measured: Any, raised: Exception, said: str
) -> None:
    measured(raised)
    assert said in one_sentence(run("inspect", photo, "--thickness", "2mm"))


def test_json_to_standard_output_is_all_that_is_printed(photo: str, measured: Any) -> None:
    measured(example())
    result = run("inspect", photo, "--thickness", "2mm", "--json", "-", "--budget")
    assert Inspection.model_validate_json(result.stdout) == example()
    assert result.exit_code == 1


def test_json_and_picture_go_to_files(photo: str, measured: Any, own_folder: Path) -> None:
    measured(example())
    run("inspect", photo, "--thickness", "2mm", "--json", "a.json", "--picture", "a.png")
    assert Inspection.model_validate_json((own_folder / "a.json").read_text()) == example()
    assert cv2.imread(str(own_folder / "a.png")) is not None


def test_quiet_prints_nothing_and_keeps_the_exit_code(photo: str, measured: Any) -> None:
    measured(example())
    result = run("inspect", photo, "--thickness", "2mm", "--quiet")
    assert (result.output, result.exit_code) == ("", 1)


def test_the_budget_is_printed_where_asked_for(photo: str, measured: Any) -> None:
    measured(example())
    assert "edge noise" not in run("inspect", photo, "--thickness", "2mm").stdout
    assert "edge noise" in run("inspect", photo, "--thickness", "2mm", "--budget").stdout


def test_the_mat_is_written_as_a_pdf_in_true_size(own_folder: Path) -> None:
    result = run("mat", "--page", "letter", "--window", "white", "-o", "mat.pdf")
    assert result.exit_code == 0
    with pypdfium2.PdfDocument(own_folder / "mat.pdf") as document:
        page = document[0]
        size = page.get_size()
        page.close()
    assert [side * POINT_MM for side in size] == pytest.approx([215.9, 279.4], rel=0, abs=0.01)  # ANSI/ASME Y14.1 A


@pytest.mark.parametrize(
    ("words", "written"),
    [
        ("--page a4", ["mat_a4_black.pdf"]),
        ("--page a4 --png --dpi 72", ["mat_a4_black.png"]),
        ("--page a3 --window open -o x.png --dpi 72", ["x.png"]),
        ("--page a4 -o x.pdf --png --dpi 72", ["x.pdf", "x.png"]),
    ],
)
def test_the_mats_files_are_named_by_what_they_are(own_folder: Path, words: str, written: list[str]) -> None:
    result = run("mat", *words.split())
    assert sorted(path.name for path in own_folder.iterdir()) == written
    assert all(f"Wrote {name}." in result.stdout for name in written)


def test_describe_prints_the_layout_as_json(own_folder: Path) -> None:
    result = run("mat", "--page", "a4", "--describe")
    layout = json.loads(result.stdout)
    assert layout["bars_mm"] == {"along": 240.0, "across": 170.0}
    assert list(own_folder.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("", "Name the paper"),
        ("--page a5", "no mat for the page 'a5'"),
        ("--page a4 --window blue", "no mat with the window 'blue'"),
        ("--page a4 -o mat.doc", "ends in neither"),
        ("--page a4 -o nowhere/mat.pdf", "there is no folder nowhere"),
        ("--page a4 --png --dpi 5", "5 dpi"),
        ("--page a4 --png --dpi 1e9", "dpi"),
        ("--page a4 check --along 240mm --across 170mm", "after 'check'"),
        ("check --along 240mm", "Missing option '--across'"),
        ("check --along 100mm --across 170mm", "fit no page"),
        ("check --page a4 --along 170mm --across 240mm", "swapped"),
        ("check --page a4 --along 230mm --across 170mm", "print again at 100 %"),
        ("check --along 239.2mm --across wide", "'wide' is no length"),
        ("check --along 239.2mm --across 169.8mm --u 0mm", "positive"),
        ("sheet", "No such command 'sheet'"),
    ],
)
def test_what_no_mat_can_be_is_told_in_a_sentence(words: str, said: str) -> None:
    assert said in one_sentence(run("mat", *words.split()))


def test_check_readings_are_stored_and_it_is_said_where(own_folder: Path) -> None:
    result = run("mat", "check", "--along", "239.2mm", "--across", "169.8mm")
    stored = own_folder / "data" / READINGS_FILE
    assert result.exit_code == 0
    assert str(stored) in result.stdout
    assert "0.33 % short along and 0.12 % short across" in result.stdout  # 239.2/240 and 169.8/170
    assert json.loads(stored.read_text())["a4"]["along_mm"] == 239.2


def test_readings_that_cannot_be_stored_are_told(own_folder: Path) -> None:
    (own_folder / "data").write_text("in the way")
    result = run("mat", "check", "--along", "239.2mm", "--across", "169.8mm")
    assert "cannot be stored" in one_sentence(result)


def put_sample(folder: Path, name: str = "hm300") -> None:
    folder.mkdir(exist_ok=True)
    Image.fromarray(example_photo()).save(folder / f"{name}.jpg")
    (folder / f"{name}.setup.json").write_text(json.dumps({"about": "A tab.", "thickness": "2 mm", "units": "in"}))


def test_the_demo_writes_a_picture_and_a_result_for_each_sample(measured: Any, own_folder: Path) -> None:
    asked = measured(example())
    put_sample(own_folder / "sample_images")
    result = run("demo", "--out", "shown")
    assert result.exit_code == 0
    assert (asked[0].thickness_mm, asked[0].units) == (2.0, "in")
    assert "hm300  P1: rework" in result.stdout
    assert sorted(path.name for path in (own_folder / "shown").iterdir()) == ["hm300.jpg", "hm300.json"]


def test_the_demo_goes_on_after_a_sample_that_fails_and_says_so(measured: Any, own_folder: Path) -> None:
    measured(ScaleNotFound("The mat is not in the picture."))
    put_sample(own_folder / "photos")
    put_sample(own_folder / "photos", "hm301")
    result = run("demo", "--samples", "photos")
    assert result.exit_code == 2
    assert result.stdout.count("not inspected: The mat is not in the picture.") == 2


def test_a_demo_without_samples_says_where_they_would_be() -> None:
    assert "they come with the source" in one_sentence(run("demo", "--samples", "nowhere"))


def test_a_demo_folder_in_the_way_is_told(own_folder: Path) -> None:
    put_sample(own_folder / "sample_images")
    (own_folder / "shown").write_text("a file")
    assert "The folder shown cannot be made" in one_sentence(run("demo", "--out", "shown"))


def test_settings_of_a_sample_that_cannot_be_read_are_told(own_folder: Path) -> None:
    put_sample(own_folder / "photos")
    (own_folder / "photos" / "hm300.setup.json").write_text("{")
    assert "hm300.setup.json cannot be read" in one_sentence(run("demo", "--samples", "photos"))


def test_the_schema_is_printed_as_json() -> None:
    assert json.loads(run("schema").stdout)["properties"]["schema_version"]


def test_the_version_is_said() -> None:
    assert run("--version").stdout.startswith("holeinspect ")


def test_the_module_runs_as_a_program_and_its_exit_code_reaches_the_shell(own_folder: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "holeinspect", "inspect", "missing.jpg", "--thickness", "3.2mm"],
        cwd=own_folder, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("holeinspect: There is no file missing.jpg")
