"""What the result page says of one photo: a row and a panel a hole, what to do next, places to work on. Text only."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal
from urllib.parse import quote

from api.overlay import kind_of
from holeinspect.inspection import Condition, EdgeRing, Figure, Finding, Hole, Inspection, Part, SizeNote
from holeinspect.records.shapes import CorrectionShown, PhotoShown, StandingHole, StandingReason, StandingShown
from holeinspect.report import words
from holeinspect.report.budget import Amount, amounts
from holeinspect.rules import REASONS
from holeinspect.units import LengthUnit, show

StepKind = Literal["rework", "hand", "photo"]
AGAIN: tuple[str, ...] = tuple(name for name, reason in REASONS.items() if "photo" in reason.remedy.lower())
"""Reasons whose way out is another photo."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table of holes. The numbers sort, the texts are read."""

    key: str
    kind: str
    verdict: str
    rank: int
    blamed: str
    size: str
    diameter: str
    diameter_mm: float
    edge: str
    edge_mm: float | None
    ratio: str
    e_over_d: float | None
    pitch: str
    pitch_mm: float | None
    burr: str
    burr_mm: float | None


@dataclass(frozen=True, slots=True)
class Fact:
    """A figure of a hole by its name."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Budget:
    """Where the uncertainty of one figure comes from, largest first."""

    name: str
    lines: tuple[Amount, ...]


@dataclass(frozen=True, slots=True)
class Panel:
    """All that is known of one hole. rim_url, chart_url: its rim enlarged, and its deviation round the clock."""

    key: str
    kind: str
    verdict: str
    measured_verdict: str
    struck: bool
    facts: tuple[Fact, ...]
    reasons: tuple[StandingReason, ...]
    readings: tuple[str, ...]
    corrected: tuple[str, ...]
    corrections: tuple[CorrectionShown, ...]
    basis: str
    budgets: tuple[Budget, ...]
    rim_url: str
    chart_url: str


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do: why in a few words, and how. holes: whom it concerns, where they are holes of this photo."""

    kind: StepKind
    why: str
    subjects: tuple[str, ...]
    do: str


@dataclass(frozen=True, slots=True)
class Place:
    """One place to work on, as the list of places says it; number as over the photo."""

    number: int
    name: str
    size: str
    remedy: str
    decided: bool


@dataclass(frozen=True, slots=True)
class Result:
    """A measured photo and what holds of it after the corrections."""

    inspection: Inspection
    standing: StandingShown
    photo: PhotoShown
    corrections: tuple[CorrectionShown, ...]

    @property
    def units(self) -> LengthUnit:
        """Units of all texts."""
        return self.inspection.units

    @property
    def holes_now(self) -> dict[str, StandingHole]:
        """The standing verdicts by the holes' names on the photo."""
        return {hole.name: hole for hole in self.standing.holes}

    def rows(self) -> tuple[Row, ...]:
        """Every hole, as on the photo."""
        now = self.holes_now
        return tuple(_row(key, hole, now[key], self.units) for key, hole in words.named_holes(self.inspection) if key in now)

    def panel(self, key: str) -> Panel | None:
        """The panel of a hole; None where the photo has none of that name."""
        for part in self.inspection.parts:
            for hole in part.holes:
                if self._key(part, hole) == key and key in self.holes_now:
                    return self._panel(key, part, hole)
        return None

    def _key(self, part: Part, hole: Hole) -> str:
        return f"{part.name}.{hole.name}" if len(self.inspection.parts) > 1 else hole.name

    def _panel(self, key: str, part: Part, hole: Hole) -> Panel:
        now = self.holes_now[key]
        base = f"/api/v1/photos/{self.photo.id}/parts/{quote(part.name)}/holes/{quote(hole.name)}"
        return Panel(
            key=key,
            kind=kind_of(now.verdict, now.struck),
            verdict=now.verdict,
            measured_verdict=now.measured_verdict,
            struck=now.struck,
            facts=tuple(facts(hole, now, self.units)),
            reasons=tuple(now.reasons),
            readings=tuple(now.readings_wanted),
            corrected=tuple(now.corrected),
            corrections=tuple(said for said in self.corrections if said.subject == key),
            basis=hole.rule_basis,
            budgets=tuple(Budget(name, lines) for name, lines in amounts(hole, self.units)),
            rim_url=f"{base}/rim.png",
            chart_url=f"{base}/chart.svg",
        )

    def places(self) -> tuple[Place, ...]:
        """The places to work on, worst first, numbered as over the photo."""
        several = len(self.inspection.parts) > 1
        return tuple(_place(number, found, several, self.units) for number, found in enumerate(self.inspection.findings, 1))

    def steps(self) -> tuple[Step, ...]:
        """What to do with this piece next: rework, then readings by hand, then photos again."""
        rework = [reason for reason in self.standing.reasons if reason.verdict == "rework"]
        doubts = [
            reason for reason in self.standing.reasons if reason.verdict == "measure by hand" and reason.name in AGAIN
        ]
        remedies = {reason.remedy for reason in doubts}
        return (
            *_steps("rework", rework),
            *(Step("hand", "", subjects, _sentence(text)) for text, subjects in self._readings().items() if text not in remedies),
            *_steps("photo", doubts),
        )

    def _readings(self) -> dict[str, tuple[str, ...]]:
        """Each reading by hand that would decide something, with the holes it concerns."""
        found: dict[str, tuple[str, ...]] = {}
        for hole in self.standing.holes:
            for text in hole.readings_wanted:
                found[text] = (*found.get(text, ()), hole.name)
        return found | {text: () for text in self.standing.readings_wanted if text not in found}

    def verdict_in_words(self) -> str:
        """One sentence: the reasons with whom they concern, or that all is well."""
        if self.standing.verdict == "good":
            count = sum(not hole.struck for hole in self.standing.holes)
            which = "The one hole meets" if count == 1 else f"All {count} holes meet"
            return f"{which} every rule that was tried, by more than the uncertainty of the photo."
        rework = [reason for reason in self.standing.reasons if reason.verdict == "rework"]
        left_open = [reason for reason in self.standing.reasons if reason.verdict != "rework"]
        told = (_named("To rework", rework), _named("Open", left_open))
        return " ".join(filter(None, told)) or "See what to do next."


def _named(what: str, reasons: Iterable[StandingReason]) -> str:
    """`To rework: short edge H1, H2; burr H1.`; empty where nothing is."""
    named = "; ".join(f"{name} {', '.join(subjects)}" for name, subjects in by_reason(reasons).items())
    return f"{what}: {named}." if named else ""


def by_reason(reasons: Iterable[StandingReason]) -> dict[str, tuple[str, ...]]:
    """Subjects of each blocking reason, in the registry's order: what condemns before what is only open."""
    order = list(REASONS)
    found: dict[str, dict[str, None]] = {}
    for reason in reasons:
        if reason.blocking:
            found.setdefault(reason.name, {})[reason.subject] = None
    known = sorted(found, key=lambda name: order.index(name) if name in order else len(order))
    return {name: tuple(found[name]) for name in known}


def facts(hole: Hole, now: StandingHole, units: LengthUnit) -> Iterator[Fact]:
    """The figures of a hole that are known."""
    fastener = now.fastener or (hole.nominal.fastener if hole.nominal else None)
    texts = {
        "Diameter": words.length(hole.diameter, units),
        "Form": words.form(hole, units),
        "Drill size": words.size(hole.nominal),
        "Fastener": fastener or "",
        "Edge distance": words.edge(hole, units),
        "e/D": words.ratio(hole.edge_ratio) if hole.edge_ratio is not None else "",
        "Edge rule": _rule(hole.edge_rule.k, hole.edge_rule.limit_mm, units) if hole.edge_rule else "",
        "Pitch": words.pitch(hole, units),
        "Pitch rule": _rule(hole.pitch_rule.k, hole.pitch_rule.limit_mm, units) if hole.pitch_rule else "",
        "Out of round": words.length(hole.out_of_round, units) if hole.out_of_round else "",
        "Burr": burr(hole.condition, units),
        "Broken edge": _ring(hole.ring, units) if hole.ring and hole.ring.kind == "broken edge" else "",
        "Countersink": _ring(hole.ring, units) if hole.ring and hole.ring.kind == "countersink" else "",
    }
    yield from (Fact(name, text) for name, text in texts.items() if text)


def short_size(nominal: SizeNote | None) -> str:
    """The nearest size; `D to 6.5 mm` where several fit."""
    if nominal is None or not nominal.ambiguous or len(nominal.candidates) < 2:
        return words.size(nominal)
    return f"{nominal.candidates[0]} to {nominal.candidates[-1]}"


def burr(condition: Condition | None, units: LengthUnit) -> str:
    """How far the rim stands into the opening, or that a burr of the limit would not have shown."""
    if condition is None:
        return ""
    limit = f"limit {show(condition.limit_mm, None, units)}"
    if not condition.shown:
        return f"{words.unshown(condition, units)}, {limit}"
    at = "" if condition.protrusion_at is None else f" at {words.clock(condition.protrusion_at)}"
    return f"{words.length(condition.protrusion, units)}{at}, {limit}"


def _ring(ring: EdgeRing, units: LengthUnit) -> str:
    across = f", {words.length(ring.outer_diameter, units)} across" if ring.outer_diameter is not None else ""
    return f"{words.length(ring.width, units)} wide{across}, seen on {ring.seen_share:.0%} of the rim"


def _rule(k: float, limit_mm: float, units: LengthUnit) -> str:
    return f"at least {k:g} D, {show(limit_mm, None, units)}"


def _row(key: str, hole: Hole, now: StandingHole, units: LengthUnit) -> Row:
    kind = kind_of(now.verdict, now.struck)
    condition = hole.condition
    return Row(
        key=key,
        kind=kind,
        verdict="struck" if now.struck else now.verdict,
        rank=RANKS[kind],
        blamed=", ".join(by_reason(now.reasons)),
        size=now.fastener or short_size(hole.nominal),
        diameter=words.bare_length(hole.diameter, units),
        diameter_mm=hole.diameter.value,
        edge=words.edge(hole, units).replace(f" {units}", ""),
        edge_mm=_value(hole.edge_distance),
        ratio=words.ratio(hole.edge_ratio) if hole.edge_ratio is not None else "",
        e_over_d=_value(hole.edge_ratio),
        pitch=words.pitch(hole, units).replace(f" {units}", ""),
        pitch_mm=None if hole.pitch is None else hole.pitch.value,
        burr=_short_burr(condition, units),
        burr_mm=None if condition is None or not condition.shown else condition.protrusion.value,
    )


RANKS = {"rework": 0, "hand": 1, "good": 2, "struck": 3}
"""What needs work comes first, in the table and among names that compete for room over the photo."""


def _short_burr(condition: Condition | None, units: LengthUnit) -> str:
    if condition is None:
        return ""
    return words.bare_length(condition.protrusion, units) if condition.shown else "not shown"


def _value(figure: Figure | None) -> float | None:
    return None if figure is None else figure.value


def _place(number: int, found: Finding, several: bool, units: LengthUnit) -> Place:
    name, size = words.finding_name(found, several), words.finding_size(found, units)
    return Place(number, name, size, found.remedy, found.decided)


def _steps(kind: StepKind, reasons: Iterable[StandingReason]) -> Iterator[Step]:
    remedies = {reason.name: reason.remedy for reason in reasons}
    for name, subjects in by_reason(reasons).items():
        yield Step(kind, name, subjects, remedies[name])


def _sentence(text: str) -> str:
    told = text[:1].upper() + text[1:]
    return told if told.endswith((".", "!", "?")) else f"{told}."
