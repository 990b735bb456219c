"""Check readings and the print scale they give."""

from __future__ import annotations

import json
import math
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holeinspect.errors import SetupError
from holeinspect.scale.mat import PAGES
from holeinspect.scale.readings import (
    PAPER_U,
    READINGS_FILE,
    UNCHECKED,
    Readings,
    load_readings,
    page_of_readings,
    paper_u,
    save_readings,
)

DAY = date(2024, 3, 1)


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("HOLEINSPECT_DATA", str(tmp_path / "data"))
    return tmp_path / "data"


def test_readings_come_back_as_stored_and_other_pages_stay() -> None:
    stored = save_readings("a4", 239.2, 169.8, when=DAY)
    save_readings("letter", 220.3, 170.1, u_mm=0.1, when=DAY)
    assert load_readings("a4") == stored == Readings("a4", 239.2, 169.8, DAY)
    assert load_readings("Letter") == Readings("letter", 220.3, 170.1, DAY, u_mm=0.1)
    assert load_readings("a3") is None


def test_later_readings_replace_earlier_ones() -> None:
    save_readings("a4", 239.2, 169.8, when=DAY)
    later = save_readings("a4", 239.9, 170.0, when=DAY + timedelta(days=9))
    assert load_readings("a4") == later


def test_readings_are_dated_today_unless_told_otherwise() -> None:
    before = date.today()
    assert before <= save_readings("a4", 240.0, 170.0).measured_on <= date.today()


def test_readings_of_another_version_of_the_mat_are_not_used(folder: Path) -> None:
    save_readings("a4", 239.2, 169.8, when=DAY)
    file = folder / READINGS_FILE
    rows = json.loads(file.read_text())
    rows["a4"]["mat_version"] = "0"
    file.write_text(json.dumps(rows))
    assert load_readings("a4") is None


def test_print_scale_takes_x_from_the_bar_across_and_y_from_the_bar_along() -> None:
    scale = Readings("a4", 239.04, 170.51, DAY).print_scale(DAY)
    assert scale.ky == pytest.approx(0.996, rel=0, abs=1e-12)
    assert scale.kx == pytest.approx(1.003, rel=0, abs=1e-12)
    assert scale.checked


def test_uncertainty_of_a_fresh_reading_is_that_of_the_calliper_over_the_length() -> None:
    # 0.02 mm over 180 mm = 1.1e-4 (algorithms, printed scale); here over the bars of the page.
    scale = Readings("a4", 240.0, 170.0, DAY, u_mm=0.02).print_scale(DAY)
    assert scale.u_ky == pytest.approx(0.02 / 240, rel=0, abs=1e-12)
    assert scale.u_kx == pytest.approx(0.02 / 170, rel=0, abs=1e-12)
    assert scale.correlation == 0.0


def test_unchecked_print_is_allowed_half_a_percent_either_way() -> None:
    # Rectangular ±0.5 %: JCGM 100:2008, 4.3.7, u = a/sqrt(3) = 0.29 %.
    assert pytest.approx(0.0029, rel=0, abs=0.00005) == UNCHECKED.u_kx == UNCHECKED.u_ky
    assert (UNCHECKED.kx, UNCHECKED.ky, UNCHECKED.checked, UNCHECKED.correlation) == (1.0, 1.0, False, 1.0)


@given(st.integers(-400, 4000), st.integers(0, 400))
def test_uncertainty_never_shrinks_with_age_and_stays_below_an_unchecked_print(age: int, more: int) -> None:
    assert 0.0 <= paper_u(age) <= paper_u(age + more) <= PAPER_U
    reading = Readings("a4", 240.0, 170.0, DAY)
    assert reading.print_scale(DAY + timedelta(days=age)).u_kx < UNCHECKED.u_kx


def test_old_readings_carry_the_papers_movement_with_humidity() -> None:
    # 0.1 % for ±20 % relative humidity (algorithms, printed scale), rectangular.
    year = Readings("a4", 240.0, 170.0, DAY).print_scale(DAY + timedelta(days=365))
    assert year.u_ky == pytest.approx(math.hypot(0.03 / 240, 0.001 / math.sqrt(3)), rel=0, abs=1e-9)
    assert paper_u(30) == 0.0


@pytest.mark.parametrize(
    ("along", "across", "message"),
    [
        (232.7, 170.0, r"along of 232.7 mm is more than 3% off the nominal 240 mm of page a4"),
        (240.0, 175.2, r"across of 175.2 mm is more than 3% off the nominal 170 mm"),
        (24.0, 17.0, "along of 24 mm"),
        (math.nan, 170.0, "along of nan mm"),
        (240.0, math.inf, "across of inf mm"),
        (-240.0, 170.0, "along of -240 mm"),
        (170.1, 239.8, "swapped"),
    ],
)
def test_implausible_readings_are_refused_and_not_stored(along: float, across: float, message: str) -> None:
    with pytest.raises(SetupError, match=message):
        save_readings("a4", along, across)
    assert load_readings("a4") is None


@pytest.mark.parametrize("u_mm", [0.0, -0.1, math.nan, 50.0])
def test_impossible_uncertainty_of_a_reading_is_refused(u_mm: float) -> None:
    with pytest.raises(SetupError, match="standard uncertainty of"):
        Readings("a4", 240.0, 170.0, DAY, u_mm)


@given(st.sampled_from(sorted(PAGES)), st.floats(-0.008, 0.008), st.floats(-0.008, 0.008))
def test_page_is_known_from_the_readings_of_an_ordinary_print(page: str, along: float, across: float) -> None:
    nominal_along, nominal_across = PAGES[page].bars_mm
    assert page_of_readings(nominal_along * (1 + along), nominal_across * (1 + across)) == page


@pytest.mark.parametrize(
    ("along", "across", "message"), [(199.2, 149.8, "fit no page.*a4 240 x 170 mm"), (360.0, 234.0, "fit a3 or 11x17")]
)
def test_readings_that_fit_no_page_or_two_are_refused(along: float, across: float, message: str) -> None:
    with pytest.raises(SetupError, match=message):
        page_of_readings(along, across)


@pytest.mark.parametrize(
    "content",
    ["{", "[]", '{"a4": 3}', '{"a4": {"mat_version": "1"}}', '{"a4": {"mat_version": "1", "measured_on": "soon"}}'],
)
def test_damaged_file_of_readings_is_told_with_the_way_out(folder: Path, content: str) -> None:
    folder.mkdir()
    (folder / READINGS_FILE).write_text(content)
    with pytest.raises(SetupError, match=r"mat_readings.json cannot be read .*Remove the file"):
        load_readings("a4")


def test_folder_that_cannot_be_written_is_told(folder: Path) -> None:
    folder.write_text("a file where the folder should be")
    with pytest.raises(SetupError, match=r"cannot be stored in .* Set HOLEINSPECT_DATA"):
        save_readings("a4", 240.0, 170.0)
