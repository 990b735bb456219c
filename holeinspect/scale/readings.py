"""The two check readings of a printed mat, kept for later inspections, and the print scale they give.

A printer's error differs along and across the page, and no camera can find that difference for us: it trades
against tilt (algorithms: printed scale). So the user measures both check bars once, between the centres of
their crosses, and every later inspection on that page uses the two readings.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import platformdirs

from holeinspect.errors import SetupError
from holeinspect.scale.mat import MAT_VERSION, PAGES, layout

DATA_VARIABLE = "HOLEINSPECT_DATA"
READINGS_FILE = "mat_readings.json"

READING_U_MM = 0.03
"""Standard uncertainty of one calliper reading between two crosses: calliper 0.02 mm and aim; no source."""
IMPLAUSIBLE_SHARE = 0.03
"""Larger errors are misreadings or 'fit to page': old laser engines reach 2-3 % (from memory, algorithms.md 6)."""
UNCHECKED_U = 0.005 / math.sqrt(3)
"""Of an unmeasured print, per axis: rectangular within ±0.5 %, an anisotropy reported on an ordinary printer."""
PAPER_U = 0.001 / math.sqrt(3)
"""Paper moves with humidity by up to 0.1 % for ±20 % relative humidity; taken as rectangular."""
FRESH_DAYS, SEASON_DAYS = 30, 182
"""Up to a month the air is taken as unchanged; half a year later it is the other season's. Ours, no source."""


@dataclass(frozen=True, slots=True)
class PrintScale:
    """True over nominal lengths of the print: kx across the page (x), ky along it (y), with standard uncertainties.

    Each error is one and the same for the whole photo: between lengths along one axis it is fully correlated.
    checked: from readings; without them both axes may also err together (see `correlation`). linked: one error.
    """

    kx: float
    ky: float
    u_kx: float
    u_ky: float
    checked: bool
    linked: bool = False

    @property
    def correlation(self) -> float:
        """Between the errors of kx and ky: 0 for two readings; 1 for one error, and unchecked, which hurts lengths most."""
        return 0.0 if self.checked and not self.linked else 1.0


UNCHECKED = PrintScale(1.0, 1.0, UNCHECKED_U, UNCHECKED_U, checked=False)
"""The honest allowance for a print that nobody has measured."""


@dataclass(frozen=True, slots=True)
class Readings:
    """What the user read on the check bars of one page, between the centres of the crosses.

    along_mm: the bar along the page's long side. u_mm: standard uncertainty of each reading.
    Raises SetupError when a reading cannot belong to this page.
    """

    page: str
    along_mm: float
    across_mm: float
    measured_on: date
    u_mm: float = READING_U_MM

    def __post_init__(self) -> None:
        nominal_along, nominal_across = self.bars_mm
        if not 0 < self.u_mm < IMPLAUSIBLE_SHARE * nominal_across:
            raise SetupError(
                f"A reading cannot have a standard uncertainty of {self.u_mm:g} mm. "
                f"Give a positive one, such as {READING_U_MM:g} mm."
            )
        _refuse_swapped(self)
        _refuse_implausible("along", self.along_mm, nominal_along, self.page)
        _refuse_implausible("across", self.across_mm, nominal_across, self.page)

    @property
    def bars_mm(self) -> tuple[float, float]:
        """Nominal lengths, along and across."""
        return layout(self.page).bars_mm

    def print_scale(self, on: date) -> PrintScale:
        """The print's scale on a day, its uncertainty grown by what the paper may have moved since the reading."""
        along, across = self.bars_mm
        moved = paper_u((on - self.measured_on).days)
        return PrintScale(
            kx=self.across_mm / across,
            ky=self.along_mm / along,
            u_kx=math.hypot(self.u_mm / across, moved),
            u_ky=math.hypot(self.u_mm / along, moved),
            checked=True,
        )


def paper_u(age_days: int) -> float:
    """Standard uncertainty (share) for the paper's movement: none for a month, then rising to PAPER_U."""
    grown = (age_days - FRESH_DAYS) / SEASON_DAYS
    return PAPER_U * min(max(grown, 0.0), 1.0)


def _is_plausible(read_mm: float, nominal_mm: float) -> bool:
    return abs(read_mm / nominal_mm - 1) <= IMPLAUSIBLE_SHARE


def _refuse_swapped(readings: Readings) -> None:
    along, across = readings.bars_mm
    if _is_plausible(readings.across_mm, along) and _is_plausible(readings.along_mm, across):
        raise SetupError(
            f"The readings along ({readings.along_mm:g} mm) and across ({readings.across_mm:g} mm) are swapped: on "
            f"page {readings.page} the bar along the long side is {along:g} mm, the one across {across:g} mm."
        )


def _refuse_implausible(bar: str, read_mm: float, nominal_mm: float, page: str) -> None:
    if not _is_plausible(read_mm, nominal_mm):
        raise SetupError(
            f"The reading {bar} of {read_mm:g} mm is more than {IMPLAUSIBLE_SHARE:.0%} off the nominal "
            f"{nominal_mm:g} mm of page {page}. Measure again between the centres of the crosses, check the page, "
            "or print again at 100 %."
        )


def page_of_readings(along_mm: float, across_mm: float) -> str:
    """The only page whose check bars may give these two readings; SetupError if there is none or more than one."""
    fitting = [
        page
        for page, sheet in PAGES.items()
        if _is_plausible(along_mm, sheet.bars_mm[0]) and _is_plausible(across_mm, sheet.bars_mm[1])
    ]
    if len(fitting) == 1:
        return fitting[0]
    known = "; ".join(f"{page} {sheet.bars_mm[0]:g} x {sheet.bars_mm[1]:g} mm" for page, sheet in PAGES.items())
    which = " or ".join(fitting) if fitting else "no page"
    raise SetupError(
        f"Readings of {along_mm:g} mm along and {across_mm:g} mm across fit {which}. "
        f"Name the page, or measure again; the nominal bars are: {known}."
    )


def data_folder() -> Path:
    """Where readings are kept: $HOLEINSPECT_DATA, or the user's data folder."""
    chosen = os.environ.get(DATA_VARIABLE)
    return Path(chosen) if chosen else platformdirs.user_data_path("holeinspect")


def save_readings(
    page: str, along_mm: float, across_mm: float, u_mm: float = READING_U_MM, when: date | None = None
) -> Readings:
    """Keep a page's readings, replacing earlier ones; `when` is the day of measuring, today if not given."""
    readings = Readings(layout(page).page, along_mm, across_mm, when or date.today(), u_mm)
    stored = _stored() | {readings.page: _as_json(readings)}
    file = data_folder() / READINGS_FILE
    fresh = file.with_suffix(".new")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        fresh.write_text(json.dumps(stored, indent=2) + "\n", encoding="utf-8")
        # A crash in the middle of writing must not lose the readings of the other pages.
        fresh.replace(file)
    except OSError as error:
        raise SetupError(
            f"The check readings cannot be stored in {file}: {error.strerror}. "
            f"Set {DATA_VARIABLE} to a folder that can be written."
        ) from error
    return readings


def load_readings(page: str) -> Readings | None:
    """A page's stored readings; None if there are none, or if they were taken on another version of the mat."""
    row = _stored().get(layout(page).page)
    if row is None:
        return None
    try:
        return _from_json(layout(page).page, row)
    except (KeyError, TypeError, ValueError) as error:
        raise _unreadable(f"page {page}: {error}") from error


def _as_json(readings: Readings) -> dict[str, Any]:
    return {
        "mat_version": MAT_VERSION,
        "along_mm": readings.along_mm,
        "across_mm": readings.across_mm,
        "u_mm": readings.u_mm,
        "measured_on": readings.measured_on.isoformat(),
    }


def _from_json(page: str, row: Mapping[str, Any]) -> Readings | None:
    if row["mat_version"] != MAT_VERSION:
        return None
    day = date.fromisoformat(row["measured_on"])
    return Readings(page, float(row["along_mm"]), float(row["across_mm"]), day, float(row["u_mm"]))


def _stored() -> dict[str, Any]:
    """All pages' rows; empty if nothing was ever stored."""
    try:
        rows = json.loads((data_folder() / READINGS_FILE).read_text(encoding="utf-8"))
    except (FileNotFoundError, NotADirectoryError):
        return {}
    except (OSError, ValueError) as error:
        raise _unreadable(str(error)) from error
    if not isinstance(rows, dict):
        raise _unreadable("not a table of pages")
    return rows


def _unreadable(why: str) -> SetupError:
    file = data_folder() / READINGS_FILE
    return SetupError(f"The stored check readings in {file} cannot be read ({why}). Remove the file and measure again.")
