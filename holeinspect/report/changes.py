"""Two results of the same parts on a terminal: before and after rework, or the two sides."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from holeinspect.inspection import Figure
from holeinspect.measure.both_sides import BothSides, HolePair, PartSides
from holeinspect.measure.compare import Comparison, HoleChange, PartComparison, PlaceChange
from holeinspect.report import words
from holeinspect.units import LengthUnit, show

STATUS_STYLES = {
    "gone": "bold green", "smaller": "bold yellow", "same": "bold red", "larger": "bold red", "new": "bold red",
    "not shown": "bold yellow",
}  # fmt: skip
"""Only an addition: the word is always there."""


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Write what changed between two photos."""
    console.print(comparison_lines(comparison))


def print_sides(sides: BothSides, names: tuple[str, str], units: LengthUnit, console: Console) -> None:
    """Write what two sides say together; names: of their photos."""
    console.print(sides_lines(sides, names, units))


def comparison_lines(comparison: Comparison) -> RenderableType:
    """Everything that is printed of a comparison, in its order."""
    heading = Text(f"{comparison.earlier.name} → {comparison.later.name}", style="bold")  # an arrow is meant
    parts = [_part(part, comparison.units) for part in comparison.parts]
    lonely = [f"{name} is not in the later photo" for name in comparison.parts_missing]
    lonely += [f"{name} is only in the later photo" for name in comparison.parts_new]
    end = "Nothing is left to do here." if comparison.nothing_left else "Something is left to do, or was not shown."
    return Group(heading, *parts, *map(Text, lonely), Text(end, style="bold"), Text(comparison.unseen, style="italic"))


def _part(part: PartComparison, units: LengthUnit) -> RenderableType:
    name = part.earlier if part.earlier == part.later else f"{part.earlier}, now {part.later}"
    over = ", turned over" if part.turned_over else ""
    fit = f"turned {part.turn_deg:.0f}°{over}; holes fit to {show(part.rms_mm, None, units)}"
    places = [Text("No place to work on before or after.")] if not part.places else [_place_table(part, units)]
    return Group(
        Text(),
        Text(f"{name}: {part.verdict} ({fit})", style="bold"),
        *places,
        *([_hole_table(part, units)] if part.holes else []),
        *(Padding(Text(line), (0, 0, 0, 2)) for line in _told(part, units)),
    )


def _place_table(part: PartComparison, units: LengthUnit) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for heading in ("Place", f"Before, {units}", f"After, {units}", f"Change, {units}", "Now"):
        table.add_column(heading)
    now = {hole.earlier: hole.later for hole in part.holes if hole.earlier != hole.later}
    for place in part.places:
        table.add_row(*_place_cells(place, now, units))
    return table


def _place_cells(place: PlaceChange, renamed: Mapping[str, str], units: LengthUnit) -> tuple[str | Text, ...]:
    """renamed: the later name of each hole whose name changed."""
    found = place.later or place.earlier
    name = "" if found is None else words.finding_name(found, False)
    if found is not None and place.later is None and found.subject in renamed:
        name += f" (now {renamed[found.subject]})"
    sizes = ("" if one is None else words.bare_length(one.size, units) for one in (place.earlier, place.later))
    change = "" if place.change is None else _signed(place.change, units)
    now = Text.assemble((place.status, STATUS_STYLES[place.status]), f", {place.note}" if place.note else "")
    return (name, *sizes, change, now)


def _hole_table(part: PartComparison, units: LengthUnit) -> Table:
    """Changes of every hole; what is beyond U is said in words."""
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for heading in ("Hole", "Now named", f"Change of diameter, {units}", f"Of edge distance, {units}", ""):
        table.add_column(heading)
    for hole in part.holes:
        edge = "" if hole.edge_distance is None else _signed(hole.edge_distance, units)
        table.add_row(hole.earlier, hole.later, _signed(hole.diameter, units), edge, ", ".join(_changes(hole)))
    return table


def _changes(hole: HoleChange) -> Iterator[str]:
    if hole.burred:
        yield "a burr hid its rim"
    if hole.opened:
        yield "opened"
    if hole.diameter.value < -hole.diameter.U:
        yield "narrower"
    if hole.edge_eaten:
        yield "edge eaten into"
    if hole.edge_distance is not None and hole.edge_distance.value > hole.edge_distance.U:
        yield "edge farther"


def _told(part: PartComparison, units: LengthUnit) -> Iterator[str]:
    for hole in part.holes:
        if hole.opened:
            yield f"{hole.later} was opened by {words.length(hole.diameter, units)}."
        if hole.edge_eaten and hole.edge_distance is not None:
            nearer = hole.edge_distance.model_copy(update={"value": -hole.edge_distance.value})
            yield f"The edge at {hole.later} is {words.length(nearer, units)} nearer than it was."
    yield from (f"{name} is not in the later photo." for name in part.holes_missing)
    yield from (f"{name} is only in the later photo." for name in part.holes_new)
    yield from (f"The later photo does not show {what} well enough for burrs." for what in part.not_shown)
    yield from part.notes


def _signed(change: Figure, units: LengthUnit) -> str:
    """`+0.12 ± 0.05`."""
    text = words.bare_length(change, units)
    return text if text.startswith("-") else f"+{text}"


def sides_lines(sides: BothSides, names: tuple[str, str], units: LengthUnit) -> RenderableType:
    """Everything that is printed of two sides, in its order."""
    heading = Text(f"Side A: {names[0]}; side B: {names[1]}", style="bold")
    parts = [_sides(part, units) for part in sides.parts] or [Text("No part.")]
    return Group(heading, *parts, Text(sides.unseen, style="italic"))


def _sides(part: PartSides, units: LengthUnit) -> RenderableType:
    names = " on A, ".join(filter(None, (part.a, f"{part.b} on B" if part.b else None)))
    told = ("bold green", "ready") if part.ready else ("bold red", "not ready")
    missing = [f"Missing: {sentence}." for sentence in part.missing]
    return Group(
        Text(),
        Text.assemble(f"{names}: ", (told[1], told[0])),
        *(Padding(Text(line), (0, 0, 0, 2)) for line in (*missing, *part.notes)),
        *([_pair_table(part.holes, units)] if part.holes else []),
    )


def _pair_table(pairs: tuple[HolePair, ...], units: LengthUnit) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for heading in ("On A", "On B", f"Diameter on B less that on A, {units}", ""):
        table.add_column(heading)
    for pair in pairs:
        change = "" if pair.difference is None else _signed(pair.difference, units)
        table.add_row(pair.a or "not seen", pair.b or "not seen", change, "differs" if pair.differs else "")
    return table
