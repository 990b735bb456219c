"""The uncertainty budget of every figure, line by line (JCGM 100:2008, 7.1.4: what a report of it should list)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rich import box
from rich.console import Console
from rich.table import Table

from holeinspect.inspection import BudgetLine, Figure, Hole, Inspection, Part, Pitch
from holeinspect.report import words
from holeinspect.units import MM_PER_INCH, LengthUnit

SMALL_UNITS: dict[LengthUnit, tuple[str, float]] = {"mm": ("µm", 1e-3), "in": ("0.0001 in", 1e-4 * MM_PER_INCH)}
"""Name of the unit that a line of the budget is printed in, and how many millimetres it is."""


@dataclass(frozen=True, slots=True)
class Amount:
    """One line of a budget as text: where it comes from, its standard uncertainty with its unit, and a note."""

    name: str
    u: str
    note: str = ""


def amounts(hole: Hole, units: LengthUnit) -> Iterator[tuple[str, tuple[Amount, ...]]]:
    """Each figure of a hole with the lines of its budget, largest first, and their sum."""
    small, _ = SMALL_UNITS[units]
    for name, figure in _hole_figures(hole):
        unit = f" {small}" if figure.unit == "mm" else ""
        lines = [Amount(line.name, _amount(line.u, figure, units) + unit, line.note) for line in _largest_first(figure)]
        if lines:
            what, together, stated = _sum(figure, units)
            yield name, (*lines, Amount(what, together + unit, stated))


def print_budgets(inspection: Inspection, console: Console) -> None:
    """Write one table a part: each figure of each hole with its lines, largest first."""
    for part in inspection.parts:
        console.print(budget_table(part, inspection.units))


def budget_table(part: Part, units: LengthUnit) -> Table:
    """Lines of all the part's figures. Lengths are printed in µm or ten-thousandths of an inch, ratios as they are."""
    small, _ = SMALL_UNITS[units]
    table = Table(title=f"{part.name}: uncertainty budget", box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for heading in ("Figure", "Comes from"):
        table.add_column(heading)
    table.add_column(f"u, {small}", justify="right")
    table.add_column("Note")
    for name, figure in _figures(part):
        for at, line in enumerate(_largest_first(figure)):
            table.add_row(name if at == 0 else "", line.name, _amount(line.u, figure, units), line.note)
        table.add_row("" if figure.budget else name, *_sum(figure, units), end_section=True)
    return table


def _sum(figure: Figure | Pitch, units: LengthUnit) -> tuple[str, str, str]:
    stated = words.length(figure, units) if figure.unit == "mm" else words.bare_length(figure, "mm")
    return "together", _amount(figure.u, figure, units), f"{stated} (k = 2)"


def _amount(u: float, figure: Figure | Pitch, units: LengthUnit) -> str:
    if figure.unit != "mm":
        return f"{u:.4f} ({'ratio' if figure.unit == '1' else figure.unit})"
    return f"{u / SMALL_UNITS[units][1]:.1f}"


def _largest_first(figure: Figure | Pitch) -> list[BudgetLine]:
    return sorted(figure.budget, key=lambda line: -line.u)


def _figures(part: Part) -> Iterator[tuple[str, Figure | Pitch]]:
    if part.outside_diameter is not None:
        yield f"{part.name} outside diameter", part.outside_diameter
    for hole in part.holes:
        yield from ((f"{hole.name} {name}", figure) for name, figure in _hole_figures(hole))


def _hole_figures(hole: Hole) -> Iterator[tuple[str, Figure | Pitch]]:
    named = (
        ("diameter", hole.diameter), ("edge distance", hole.edge_distance), ("e/D", hole.edge_ratio),
        ("pitch", hole.pitch), ("pitch/D", hole.pitch.ratio if hole.pitch is not None else None),
    )  # fmt: skip
    yield from ((name, figure) for name, figure in named if figure is not None)
