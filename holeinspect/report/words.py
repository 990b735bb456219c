"""Figures and verdicts of an inspection as a builder reads them; the table and the picture both speak through this."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Protocol

from holeinspect.inspection import (
    Condition,
    EdgeRing,
    Finding,
    Hole,
    Inspection,
    JudgeNote,
    OtherOpening,
    Part,
    PartEdge,
    ReasonNote,
    ScaleNote,
    SizeNote,
)
from holeinspect.rules import REASONS
from holeinspect.units import LengthUnit, show

UNSEEN_EDGE = "edge not in view"


class Valued(Protocol):
    """Anything with a value and a standard uncertainty."""

    @property
    def value(self) -> float:
        """The value."""

    @property
    def u(self) -> float:
        """Standard uncertainty, in the value's unit."""


def length(figure: Valued, units: LengthUnit) -> str:
    """`3.264 ± 0.021 mm`; the figure is in millimetres."""
    return show(figure.value, 2 * figure.u, units)


def bare_length(figure: Valued, units: LengthUnit) -> str:
    """The same without the unit, for a column that names it."""
    return without_unit(length(figure, units), units)


def without_unit(text: str, units: LengthUnit) -> str:
    """The text without the unit after each of its numbers, for a column that names it."""
    return re.sub(rf"(?<=\d) {units}\b", "", text)


def value(figure: Valued, units: LengthUnit) -> str:
    """`3.264`: only the value, rounded as its U asks."""
    return bare_length(figure, units).split(" ")[0]


def ratio(figure: Valued) -> str:
    """`2.05 ± 0.03 D`; the figure is a ratio, which no unit converts."""
    return bare_length(figure, "mm") + " D"


def size(nominal: SizeNote | None) -> str:
    """The nearest size: `#30`, `ambiguous: #40 or #41`, `near 3.2 mm`; `#30 for 1/8 rivet` where one was named."""
    if nominal is None:
        return ""
    if nominal.fastener:
        return f"{nominal.label} for {nominal.fastener}"
    return f"ambiguous: {' or '.join(nominal.candidates)}" if nominal.ambiguous else nominal.label


def form(hole: Hole, units: LengthUnit) -> str:
    """Empty for a round hole; `oval, 6.42 x 6.31 mm` for one that is not."""
    if hole.shape == "round":
        return ""
    if hole.axes_mm is None:
        return hole.shape
    longest, shortest = (show(axis, None, units) for axis in hole.axes_mm)
    return f"{hole.shape}, {longest.removesuffix(f' {units}')} x {shortest}"


def edge(hole: Hole, units: LengthUnit) -> str:
    """The edge distance, or that no edge is in view and what is certain all the same; empty where there is neither."""
    seen = [length(hole.edge_distance, units)] if hole.edge_distance is not None else []
    if hole.edge_not_in_view:
        certain = hole.edge_at_least_mm
        least = "" if certain is None else f", at least {show(certain, None, units)}"
        seen.append(f"{UNSEEN_EDGE}{least}")
    return "; ".join(seen)


def pitch(hole: Hole, units: LengthUnit) -> str:
    """`20.02 ± 0.03 mm to H4`; empty for a single hole."""
    return "" if hole.pitch is None else f"{length(hole.pitch, units)} to {hole.pitch.to}"


def reasons(part: Part) -> Iterator[ReasonNote]:
    """Each reason of the part and its holes once."""
    told = set()
    for owner, notes in [*((hole.name, hole.reasons) for hole in part.holes), (part.name, part.reasons)]:
        for note in notes:
            named = note if note.subject else note.model_copy(update={"subject": owner})
            if (key := (named.subject, named.name, named.sentence)) not in told:
                told.add(key)
                yield named


def unlisted(part: Part, findings: Iterable[Finding]) -> Iterator[ReasonNote]:
    """The part's reasons but those that one of the findings tells, with its place and figures."""
    told = {(found.subject, found.kind) for found in findings if found.part == part.name}
    yield from (note for note in reasons(part) if (note.subject, note.name) not in told)


def why(part: Part, findings: Iterable[Finding] = ()) -> Iterator[str]:
    """Each sentence once, with all that it is said of; without what the findings tell that are listed beside it."""
    said: dict[tuple[str, str], list[str]] = {}
    for note in unlisted(part, findings):
        said.setdefault((note.name, note.sentence), []).append(note.subject)
    for (name, sentence), subjects in said.items():
        yield f"{', '.join(subjects)} {name}: {sentence}"


def blamed(hole: Hole) -> str:
    """Names of the reasons that keep the hole from being good; empty for a good one."""
    names = (note.name for note in hole.reasons if _is_decisive(note))
    return "" if hole.verdict == "good" else ", ".join(dict.fromkeys(names))


def named_holes(inspection: Inspection) -> Iterator[tuple[str, Hole]]:
    """Every hole by a name that is its own: with the part's in front where there are several parts."""
    for part in inspection.parts:
        prefix = f"{part.name}." if len(inspection.parts) > 1 else ""
        yield from ((prefix + hole.name, hole) for hole in part.holes)


def readings(part: Part) -> tuple[str, ...]:
    """Each reading by hand that would decide something, once."""
    holes = (reading for hole in part.holes for reading in hole.readings)
    return tuple(dict.fromkeys([*holes, *part.readings]))


def part_verdict(part: Part) -> str:
    """`P1: rework (8 holes; short edge: H3; tight pitch: H5, H6)`."""
    told = [f"{len(part.holes)} hole{'' if len(part.holes) == 1 else 's'}"]
    if part.verdict != "good":
        blamed: dict[str, dict[str, None]] = {}
        for note in filter(_is_decisive, reasons(part)):
            blamed.setdefault(note.name, {})[note.subject] = None
        told += [f"{name}: {', '.join(subjects)}" for name, subjects in blamed.items()]
    return f"{part.name}: {part.verdict} ({'; '.join(told)})"


def _is_decisive(note: ReasonNote) -> bool:
    """Whether the reason alone keeps a part from being good."""
    return note.name not in REASONS or REASONS[note.name].blocking


FARTHEST_CAMERA_MM = 10_000.0
"""A camera farther away is none: a scan has no height to tell."""


def scale(note: ScaleNote, units: LengthUnit) -> str:
    """One line on what the photo was measured by."""
    if note.tells:
        camera = "" if note.camera_height.value > FARTHEST_CAMERA_MM else f"camera {length(note.camera_height, units)} up; "
        return f"{note.reference}, which tells {', '.join(note.tells)}; {camera}{note.px_per_mm:.1f} px/mm"
    print_state = "its print measured" if note.print_checked else "its print not measured"
    return (
        f"{note.reference}, {print_state} (across {note.print_scale[0]:.4f}, along {note.print_scale[1]:.4f}); "
        f"camera {length(note.camera_height, units)} up, tilted {note.tilt_deg:.1f}°; {note.px_per_mm:.1f} px/mm; "
        f"{note.boundaries_used} of {note.boundaries_seen} printed boundaries used, "
        f"residual {note.residual_px:.2f} px, blur {note.blur_px:.2f} px"
    )


def warnings(inspection: Inspection) -> tuple[str, ...]:
    """What the user should know about the whole photo, each sentence once."""
    return tuple(dict.fromkeys([*inspection.warnings, *inspection.photo.notes]))


def clock(hours: float) -> str:
    """`4 o'clock`: the nearest whole hour."""
    return f"{round(hours) % 12 or 12} o'clock"


def rim_condition(condition: Condition, units: LengthUnit) -> str:
    """Two lines of a column that names the unit: `0.25 ± 0.04`, `4 o'clock`; or what could hide there."""
    at = "" if condition.protrusion_at is None else clock(condition.protrusion_at)
    return f"{bare_length(condition.protrusion, units)}\n{at if condition.shown else unshown(condition, units)}"


def protrusion(condition: Condition, units: LengthUnit) -> str:
    """`greatest protrusion 0.25 ± 0.04 mm at 4 o'clock, limit 0.10 mm`, and what could hide there."""
    at = "" if condition.protrusion_at is None else f" at {clock(condition.protrusion_at)}"
    doubt = "" if condition.shown else f", {unshown(condition, units)}"
    limit = show(condition.limit_mm, None, units)
    return f"greatest protrusion {length(condition.protrusion, units)}{at}, limit {limit}{doubt}"


def ring(seen: EdgeRing, units: LengthUnit) -> str:
    """`broken edge 0.15 ± 0.04`, or the countersink with its outer diameter, in a column that names the unit."""
    if seen.kind == "countersink" and seen.outer_diameter is not None:
        return f"countersink Ø {bare_length(seen.outer_diameter, units)}"
    return f"{seen.kind} {bare_length(seen.width, units)}"


def edge_cells(edge: PartEdge, units: LengthUnit) -> tuple[str, ...]:
    """Name and kind, length, greatest protrusion, where from which corner, limit, and what the photo shows of burrs there."""
    name, long = f"{edge.name} {edge.kind}", without_unit(show(edge.length_mm, None, units), units)
    condition = edge.condition
    if condition is None:
        return name, long, "", "", "", "not examined"
    at = condition.protrusion_at
    start = f" from {edge.start_corner}" if edge.start_corner else ""
    place = "" if at is None else f"{show(at, None, units)}{start}"
    limit = without_unit(show(condition.limit_mm, None, units), units)
    smallest = show(condition.smallest_shown_mm, None, units)
    shows = f"burrs from {smallest}" if condition.shown else unshown(condition, units)
    return name, long, bare_length(condition.protrusion, units), place, limit, shows


def unshown(condition: Condition, units: LengthUnit) -> str:
    """`not shown under 0.18 mm`: what the photo leaves open about this rim or edge."""
    return f"not shown under {show(condition.smallest_shown_mm, None, units)}"


def finding_size(finding: Finding, units: LengthUnit) -> str:
    """`0.25 ± 0.04 mm, limit 0.10 mm`, and that it is open where the limit lies within U."""
    left_open = "" if finding.decided else ", undecided"
    return f"{length(finding.size, units)}, limit {show(finding.limit_mm, None, units)}{left_open}"


def finding_name(finding: Finding, several_parts: bool) -> str:
    """`burr, H3 at 4 o'clock`; with the part's name in front where there are several."""
    return f"{finding.kind}, {f'{finding.part}, ' if several_parts else ''}{finding.place}"


def rim_name(part: Part, rim: Hole | OtherOpening, several_parts: bool) -> str:
    """`H3`, or `P2.H3` where there are several parts."""
    return f"{part.name}.{rim.name}" if several_parts else rim.name


def finding_lines(inspection: Inspection, part: str | None = None) -> Iterator[str]:
    """`1: burr, H3 at 4 o'clock: 0.25 ± 0.04 mm, limit 0.10 mm`, numbered through all parts; only one part's where named."""
    several = len(inspection.parts) > 1
    for number, found in enumerate(inspection.findings, 1):
        if part in (None, found.part):
            yield f"{number}: {finding_name(found, several)}: {finding_size(found, inspection.units)}"


def places(inspection: Inspection, part: Part) -> Iterator[str]:
    """Each finding of the part with its number in the picture, and what to do about it."""
    remedies = (found.remedy for found in inspection.findings if found.part == part.name)
    for line, remedy in zip(finding_lines(inspection, part.name), remedies, strict=True):
        yield f"{line}. {remedy}".rstrip()


def judged(inspection: Inspection) -> Iterator[str]:
    """What the photo judge doubts, the gravest first, each with its advice; then one line with the figures that are fine."""
    fine = []
    for note in inspection.photo.judged:
        if note.level == "fine" and note.name != CAMERA_PROFILE:
            fine.append(_short(note))
            continue
        grave = " Measure by hand what concerns it." if note.level == "measure by hand" else ""
        yield f"{note.name}: {note.sentence}{grave}{f' {note.advice}' if note.advice else ''}"
    if fine:
        yield f"fine: {', '.join(fine)}"


CAMERA_PROFILE = "camera profile"
"""The judge's note on the camera's profile, told in full even where it is fine: it may say that the profile was refined."""


def _short(note: JudgeNote) -> str:
    """`sharpness 0.93 px`."""
    unit = "" if note.unit in ("", "1") else note.unit if note.unit == "%" else f" {note.unit}"
    return note.name if note.figure is None else f"{note.name} {note.figure:.3g}{unit}"
