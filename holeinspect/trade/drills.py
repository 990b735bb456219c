"""Drill sizes: number, letter and fraction sizes (ASME B94.11M) and metric stock sizes (BS 328)."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from itertools import chain
from typing import Literal, cast, get_args

from holeinspect.errors import LengthError, TradeError
from holeinspect.measured import Measured
from holeinspect.trade.tables import rows
from holeinspect.units import MM_PER_INCH, to_mm

DrillSet = Literal["number", "letter", "fraction", "metric"]
DRILL_SETS: tuple[DrillSet, ...] = get_args(DrillSet)

SAME_SIZE_MM = 1e-6  # mm: float rounding only; the closest unequal sizes differ by 0.003 mm (#28 and 9/64 in)


@dataclass(frozen=True, slots=True)
class Drill:
    """A drill size with its nominal diameter; the hole it cuts is as a rule slightly wider."""

    label: str
    set: DrillSet
    diameter_mm: float
    source: str


@dataclass(frozen=True, slots=True)
class SizeMatch:
    """Which sizes of the chosen sets a measured diameter may be."""

    nearest: Drill
    deviation_mm: float
    """Measured diameter minus the nearest size."""
    candidates: tuple[Drill, ...]
    """All sizes inside value ± U, by diameter; empty where none fits."""

    @property
    def ambiguous(self) -> bool:
        """More than one diameter is possible; E and 1/4 in are one diameter with two names."""
        sizes = [drill.diameter_mm for drill in self.candidates]
        return bool(sizes) and max(sizes) - min(sizes) > SAME_SIZE_MM

    @property
    def label(self) -> str:
        """The candidates' names joined by "or", or the nearest size marked as only near."""
        if not self.candidates:
            return f"near {self.nearest.label}"
        return " or ".join(drill.label for drill in self.candidates)


def drill(size: str) -> Drill:
    """The drill called `#30`, `No. 30`, `F`, `1/8"`, `1/8` or `3.2 mm`; a plain number is a metric size.

    Raises TradeError for a size that no table has.
    """
    found = _by_name().get(_drill_name(size))
    if found is None:
        raise TradeError(
            f'{size!r} is no drill size in the tables. Write a number (#30), a letter (F), a fraction (1/8") '
            "or a metric stock size (3.2 mm)."
        )
    return found


def drills(sets: Iterable[DrillSet]) -> tuple[Drill, ...]:
    """All sizes of the sets, by diameter. Raises TradeError for an unknown set, or none."""
    wanted = frozenset(sets)
    if not wanted or wanted - set(DRILL_SETS):
        raise TradeError(f"{sorted(wanted)} are no drill sets. Choose from {', '.join(DRILL_SETS)}.")
    return tuple(drill for drill in _all_drills() if drill.set in wanted)


def nearest_sizes(diameter: Measured, sets: Iterable[DrillSet]) -> SizeMatch:
    """The nearest size, and every size inside value ± U; diameter in mm."""
    stock = drills(sets)
    nearest = min(stock, key=lambda drill: abs(diameter.value - drill.diameter_mm))
    inside = tuple(d for d in stock if abs(diameter.value - d.diameter_mm) <= diameter.U + SAME_SIZE_MM)
    return SizeMatch(nearest, diameter.value - nearest.diameter_mm, inside)


@cache
def _all_drills() -> tuple[Drill, ...]:
    return tuple(sorted(chain(_inch_drills(), _metric_drills()), key=lambda drill: drill.diameter_mm))


def _inch_drills() -> Iterable[Drill]:
    for row in rows("drills"):
        yield Drill(row["label"], cast(DrillSet, row["set"]), float(row["inch"]) * MM_PER_INCH, row["source"])


def _metric_drills() -> Iterable[Drill]:
    for row in rows("metric_series"):
        size, last, step = Decimal(row["from_mm"]), Decimal(row["to_mm"]), Decimal(row["step_mm"])
        while size <= last:
            yield Drill(f"{float(size):g} mm", "metric", float(size), row["source"])
            size += step


@cache
def _by_name() -> dict[str, Drill]:
    return {drill.label.rstrip('"').upper(): drill for drill in _all_drills()}


def _drill_name(size: str) -> str:
    """The key of _by_name: `#30`, `F`, `1/8`, `3.2 MM`; text that is none of these comes back in capitals."""
    text = size.strip().upper()
    number = re.fullmatch(r"(?:#|NO\.?|NUMBER)\s*([0-9]{1,2})", text)
    if number:
        return f"#{int(number[1])}"
    if re.fullmatch(r"[A-Z]|[0-9]+/[0-9]+", text):
        return text
    try:
        return _length_name(size)
    except LengthError:
        return text


def _length_name(size: str) -> str:
    """Name of the metric or fraction size of that very length; an inch length names a fraction only."""
    mm = to_mm(size)
    drill_set = "fraction" if re.search(r"in|[\"”″]|''", size.lower()) else "metric"
    same = (d for d in drills([cast(DrillSet, drill_set)]) if abs(d.diameter_mm - mm) < SAME_SIZE_MM)
    return next((d.label.rstrip('"').upper() for d in same), size)
