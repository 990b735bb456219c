"""The inspection on a terminal: verdicts first, then every hole, then why, and what to do."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from holeinspect.inspection import Figure, Finding, Hole, Inspection, OtherOpening, Part, VerdictWord
from holeinspect.report import words
from holeinspect.units import LengthUnit

STYLES: dict[VerdictWord, str] = {"good": "bold green", "rework": "bold red", "measure by hand": "bold yellow"}
"""Only an addition: the word is always there."""
PIPED_WIDTH = 132
"""Characters of a line where no terminal says how wide it is: no cell of a usual row wraps."""


def print_inspection(inspection: Inspection, console: Console) -> None:
    """Write the whole inspection to the console."""
    console.print(inspection_lines(inspection))


def console_for_output() -> Console:
    """A console on standard output, wide enough for the table where the output is no terminal."""
    console = Console(highlight=False)
    return console if console.is_terminal else Console(highlight=False, width=PIPED_WIDTH)


def inspection_lines(inspection: Inspection) -> RenderableType:
    """Everything that is printed, in its order."""
    units = inspection.units
    side = f", side {inspection.side}" if inspection.side else ""
    parts = [_part(inspection, part) for part in inspection.parts]
    bases = _titled("Rules", _bases(inspection))
    warned = _titled("Please note", words.warnings(inspection))
    judged = _titled("The photo", words.judged(inspection))
    scale = Text(f"Scale: {words.scale(inspection.scale, units)}.")
    heading = Text(f"{inspection.photo.name}{side}", style="bold")
    unseen = _titled("What the photo cannot show", [inspection.unseen])
    return Group(heading, *parts, *bases, *judged, *warned, *unseen, scale, Text(inspection.caution, style="italic"))


def _part(inspection: Inspection, part: Part) -> RenderableType:
    units = inspection.units
    verdict = Text.assemble((words.part_verdict(part), STYLES[part.verdict]))
    return Group(
        Text(),
        verdict,
        *_outside(part.outside_diameter, units),
        *([_hole_table(part.holes, units)] if part.holes else []),
        *(_opening(opening, units) for opening in part.openings),
        *_edges(part, units),
        *_titled("Places to work on, worst first", words.places(inspection, part)),
        *_titled("Why", words.why(part, inspection.findings)),
        *_titled("What to do", _remedies(part, inspection.findings)),
        *_titled("Readings that would decide", words.readings(part)),
    )


def _outside(diameter: Figure | None, units: LengthUnit) -> Iterator[Text]:
    if diameter is not None:
        yield Text(f"Outside diameter {words.length(diameter, units)}")


def _opening(opening: OtherOpening, units: LengthUnit) -> Text:
    across = f", diameter {words.length(opening.diameter, units)}" if opening.diameter is not None else ""
    rim = "" if opening.condition is None else f"; {words.protrusion(opening.condition, units)}"
    return Text(f"{opening.name}: {opening.kind}{across}; its rim is an edge to the holes near it{rim}")


def _hole_table(holes: Sequence[Hole], units: LengthUnit) -> Table:
    """Two lines a hole: figures, then what they are called or come to in diameters. Burrs only where rims were examined."""
    examined = any(hole.condition is not None for hole in holes)
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for heading in (
        "Hole",
        f"Diameter, {units}",
        f"Edge distance, {units}",
        f"Pitch, {units}",
        f"Out of round, {units}",
        *([f"Burr, {units}"] if examined else []),
    ):
        table.add_column(heading, justify="left")
    table.add_column("Verdict")
    for hole in holes:
        table.add_row(*_hole_cells(hole, units), *([_burr(hole, units)] if examined else []), _verdict(hole))
    return table


def _burr(hole: Hole, units: LengthUnit) -> str:
    """Greatest protrusion, where it is or what the photo leaves open, and the ring."""
    told = words.rim_condition(hole.condition, units) if hole.condition is not None else "not examined"
    return told if hole.ring is None else f"{told}\n{words.ring(hole.ring, units)}"


def _edges(part: Part, units: LengthUnit) -> Iterator[Table]:
    """The edges of the part and its cut-outs, where they were examined."""
    found = [*part.edges, *(edge for opening in part.openings for edge in opening.edges)]
    if not any(edge.condition is not None for edge in found):
        return
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0))
    for heading in ("Edge", f"Length, {units}", f"Greatest protrusion, {units}", "At", f"Limit, {units}", "What shows"):
        table.add_column(heading)
    for edge in found:
        table.add_row(*words.edge_cells(edge, units))
    yield table


def _hole_cells(hole: Hole, units: LengthUnit) -> tuple[str, ...]:
    sizes = "\n".join(filter(None, (words.size(hole.nominal), words.form(hole, units))))
    e_D = words.ratio(hole.edge_ratio) if hole.edge_ratio is not None else ""
    p_D = words.ratio(hole.pitch.ratio) if hole.pitch is not None and hole.pitch.ratio is not None else ""
    edge, pitch = (words.without_unit(text, units) for text in (words.edge(hole, units), words.pitch(hole, units)))
    out_of_round = words.bare_length(hole.out_of_round, units) if hole.out_of_round is not None else ""
    diameter = words.bare_length(hole.diameter, units)
    return hole.name, f"{diameter}\n{sizes}", f"{edge}\n{e_D}", f"{pitch}\n{p_D}", out_of_round


def _verdict(hole: Hole) -> Text:
    names = ", ".join(dict.fromkeys(note.name for note in hole.reasons))
    return Text.assemble((hole.verdict, STYLES[hole.verdict]), f"\n{names}")


def _remedies(part: Part, findings: Sequence[Finding]) -> Iterator[str]:
    remedies = {note.name: note.remedy for note in words.unlisted(part, findings) if note.remedy}
    for name, remedy in remedies.items():
        yield f"{name}: {remedy}"


def _bases(inspection: Inspection) -> Iterator[str]:
    """What each hole was tried with: the limits behind e/D and pitch, then its D. Each sentence once."""
    limits: dict[str, list[str]] = {}
    diameters: dict[str, list[str]] = {}
    for name, hole in words.named_holes(inspection):
        diameter, _, limit = hole.rule_basis.partition("; ")
        diameters.setdefault(diameter, []).append(name)
        limits.setdefault(limit, []).append(name)
    for limit, names in filter(lambda said: said[0], limits.items()):
        yield f"{', '.join(names)}: {limit}" if len(limits) > 1 else limit
    for diameter, names in filter(lambda said: said[0], diameters.items()):
        yield f"{', '.join(names)}: {diameter}"


def _titled(title: str, sentences: Iterable[str]) -> Iterator[RenderableType]:
    listed = list(sentences)
    if listed:
        yield Text(title, style="bold")
        yield from (Padding(Text(sentence), (0, 0, 0, 2)) for sentence in listed)
