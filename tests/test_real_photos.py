"""Real photographs with known sizes, taken by others; skipped where they are not at hand.

They lie in $HOLEINSPECT_PHOTOS, or in shared/photos beside the checkout; their truth.json names sources and licences.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from benchmarks.real_photos import VARIABLE, dark_openings, folder, held_out, is_label, robustness, truths
from holeinspect.cli import ERROR, app
from holeinspect.scale.readings import DATA_VARIABLE

FOLDER = folder()
pytestmark = pytest.mark.skipif(FOLDER is None, reason=f"no photographs: set {VARIABLE} to their folder")
PLACE = FOLDER or Path()
KNOWN = truths(PLACE) if FOLDER else {}
FILES = robustness(PLACE) if FOLDER else []
UNDECODABLE = "cannot be decoded"
"""How truth.json begins what it expects of damaged files."""
HELD_OUT_MM = 0.26
"""Greatest error of one spacing: the corners themselves depart from a plane grid by 0.247 px RMS (truth.json), 0.175 px
an axis; two of them at 2.8 px/mm, three standard deviations."""


@pytest.mark.parametrize("file", FILES, ids=lambda file: Path(file["file"]).name)
def test_every_odd_file_ends_in_one_sentence_and_exit_code_2(
    file: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path))
    result = CliRunner().invoke(app, ["inspect", str(PLACE / file["file"]), "--thickness", "2mm"])
    assert result.exit_code == ERROR
    assert len(result.stderr.strip().splitlines()) == 1
    damaged = file["expected"].startswith(UNDECODABLE)
    told = ("damaged", "cut off", "empty") if damaged else ("The scale mat was not found",)
    assert any(words in result.stderr for words in told)


@pytest.mark.parametrize("name", ["d02", "d05"])
def test_drilled_wood_shows_every_labelled_hole_and_no_screw_head(name: str) -> None:
    found, labels = dark_openings(PLACE, KNOWN[name]), KNOWN[name]["holes"]
    assert len(found) == len(labels)
    assert all(any(is_label(opening, label) for opening in found) for label in labels)


def test_corners_that_the_fit_never_saw_are_a_square_apart() -> None:
    found = held_out(PLACE, KNOWN["e07"])
    square_mm = KNOWN["e07"]["reference"]["square_mm"]
    np.testing.assert_allclose(found.spacing_mm, square_mm, rtol=0, atol=HELD_OUT_MM)


def test_lengths_of_six_squares_agree_within_their_stated_tolerance() -> None:
    lengths = [length for length in KNOWN["e07"]["truths"] if length["kind"] == "length"]
    for measured, length in zip(held_out(PLACE, KNOWN["e07"]).lengths_mm, lengths, strict=True):
        assert measured == pytest.approx(length["expected_mm"], rel=0, abs=length["tolerance_mm"])
