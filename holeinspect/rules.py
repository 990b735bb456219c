"""The decision rule, the reasons, and the verdicts on holes and parts.

ISO 14253-1: a limit is met only if it is met by all of value ± U, and missed only if all of value ± U misses it; in
between the photo decides nothing, and the verdict names the reading that would.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from enum import StrEnum
from itertools import chain
from typing import Literal

from holeinspect.errors import SetupError
from holeinspect.measured import Measured
from holeinspect.trade import (
    DRILL_SETS,
    DrillSet,
    EdgeRule,
    HoleRange,
    SizeMatch,
    clearance_guard,
    edge_rule,
    nearest_sizes,
    pitch_rule,
)
from holeinspect.units import MM_PER_INCH, LengthUnit, show

LIMIT_SLACK = 1e-9  # mm or 1: float rounding only, so that exactly at the limit counts as met
# mm: 0.02 outside plus 0.02 inside to 100 mm (DIN 862); from a rim to an edge or to another rim takes both kinds of jaw
CALLIPER_U_MM = 0.04
PIN_U_MM = 0.005  # mm: class ZZ pin gauge, 0.0002 in (ASME B89.1.5)
# mm, on radii. No public limit was found. TM 10-5410-221-14/1 table 4-3 leaves 0.004 in between the least and the
# greatest hole, and after MIL-R-47196A an oval hole passes if both its diameters do: half of that on the radii.
OUT_OF_ROUND_LIMIT_MM = 0.05
ROUND_IN_PHOTO_MM = 0.025  # mm, on radii: peak to valley that a photo shows of a round rim (median over renders)

FLOAT_DIGITS = 6  # decimals of a scale step: float rounding shall not cost a whole step
_READING_STEP_MM: dict[LengthUnit, float] = {"mm": 0.01, "in": 0.001 * MM_PER_INCH}  # what a calliper shows


class Decision(StrEnum):
    """The three verdicts."""

    GOOD = "good"
    REWORK = "rework"
    MEASURE_BY_HAND = "measure by hand"


_GRAVITY = {Decision.GOOD: 0, Decision.MEASURE_BY_HAND: 1, Decision.REWORK: 2}


def decide_at_least(measured: Measured, limit: float) -> Decision:
    """Good if value - U reaches the limit, rework if value + U stays below it; limit in measured.unit."""
    return decide_between(measured, limit, math.inf)


def decide_at_most(measured: Measured, limit: float) -> Decision:
    """Good if value + U stays within the limit, rework if value - U is above it; limit in measured.unit."""
    return decide_between(measured, -math.inf, limit)


def decide_between(measured: Measured, low: float, high: float) -> Decision:
    """Good if all of value ± U is inside [low, high], rework if all of it is outside (ISO 14253-1).

    A value or U that is not finite, or a U below zero, decides nothing. Raises SetupError if low is above high.
    """
    if low > high:
        raise SetupError(f"No figure lies between {low:g} and {high:g}. Give the smaller limit first.")
    if not math.isfinite(measured.value) or not math.isfinite(measured.U) or measured.U < 0:
        return Decision.MEASURE_BY_HAND
    least, greatest = measured.value - measured.U, measured.value + measured.U
    if least >= low - LIMIT_SLACK and greatest <= high + LIMIT_SLACK:
        return Decision.GOOD
    if greatest < low - LIMIT_SLACK or least > high + LIMIT_SLACK:
        return Decision.REWORK
    return Decision.MEASURE_BY_HAND


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a verdict is not plainly good: what is wrong with the part (fault) or with the photo's evidence (doubt)."""

    name: str
    kind: Literal["fault", "doubt"]
    sentence: str
    remedy: str
    blocking: bool = True
    """Whether it keeps a hole or part from being called good. A doubt that U already covers does not."""
    unsettling: bool = False
    """Whether no figure of the hole can be trusted, so that no fault is certain either."""


REASONS: dict[str, Reason] = {
    reason.name: reason
    for reason in (
        Reason(
            "short edge",
            "fault",
            "The hole is closer to an edge of the part than the edge rule allows.",
            "Ask the plans or the kit maker whether this edge distance is accepted; if not, make the part anew.",
        ),
        Reason(
            "tight pitch",
            "fault",
            "Two holes are closer to each other than the pitch rule allows.",
            "Ask the plans or the kit maker whether this pitch is accepted; if not, make the part anew.",
        ),
        Reason(
            "oversize",
            "fault",
            "The hole is wider than its fastener accepts.",
            "Go to the next fastener size if edge distance and pitch still hold for it (AC 43.13-1B 4-57b).",
        ),
        Reason(
            "undersize",
            "fault",
            "The hole is narrower than its fastener needs.",
            "Drill or ream to the final size.",
        ),
        Reason(
            "out of round",
            "fault",
            "The hole is not round: oval, or drilled twice beside itself (AC 43.13-1B 4-58 asks for round holes).",
            "Drill or ream round to the next size if edge distance and pitch still hold for it.",
        ),
        Reason(
            "burr",
            "fault",
            "Metal stands off a rim or an edge, ragged, by more than the limit.",
            "Deburr there again, both faces, with light turns or strokes along the edge; then draw a fingernail across it.",
        ),
        Reason(
            "tab stub",
            "fault",
            "What is left of a sheet's tab stands off the edge.",
            "File it flush with strokes along the edge, then break the edge again.",
        ),
        Reason(
            "nick",
            "fault",
            "The edge has a nick deeper than the limit; cracks start at such places.",
            "Ask the plans or the kit maker how far it may be blended out; the edge distances there must still hold after that.",
        ),
        Reason(
            "sharp corner",
            "fault",
            "The radius of an inside corner is below the least one stated; cracks start at sharp corners.",
            "Open the corner to the stated radius with a round file or a small drum, and polish it along the edge.",
        ),
        Reason(
            "coarse edge",
            "fault",
            "The whole edge is as rough as a saw or a coarse grit leaves it.",
            "File or sand it along the edge, from coarse to fine, until no mark runs across it; then break the edge.",
        ),
        Reason(
            "deep countersink",
            "fault",
            "The countersink takes more of the sheet than the handbook allows; what is left is a knife edge.",
            "Ask the plans or the kit maker: a dimple, a thicker sheet or another fastener; metal cannot be put back.",
        ),
        Reason(
            "condition not shown",
            "doubt",
            "The photo is not good enough here to show a burr as small as the limit, or some of the edge is not seen.",
            "Take a sharper or nearer photo with nothing but the window behind the edge, or feel along it with a fingernail.",
        ),
        Reason(
            "edge not in view",
            "doubt",
            "The nearest edge may lie where the photo shows none.",
            "Photograph the whole part on the mat, or measure the edge distance by hand.",
        ),
        Reason(
            "rim unseen",
            "doubt",
            "Too little of the rim is seen to measure the hole.",
            "Clear the hole of chips, tape and glare and take another photo, or measure it by hand.",
            unsettling=True,
        ),
        Reason(
            "almost hidden",
            "doubt",
            "The wall hides almost all that is seen through the hole: it may also be a blind hole.",
            "Photograph it from straight above, or measure it by hand.",
        ),
        Reason(
            "size ambiguous",
            "doubt",
            "More than one drill size lies inside the measured diameter ± U; the largest is taken for the edge rule.",
            "Name the fastener, or try pin gauges or drill shanks.",
            blocking=False,  # the verdict already holds for every size
        ),
        Reason(
            "hole limits unconfirmed",
            "doubt",
            "No document seen states which holes this fastener accepts, and this one is unlike its usual final drill.",
            "Compare the diameter with the plans or the kit maker's manual.",
        ),
        Reason(
            "slot",
            "doubt",
            "A slot has no single diameter, and the rules for round holes do not settle it.",
            "Compare its width, length and edge distance with the drawing.",
        ),
        Reason(
            "part runs on",
            "doubt",
            "The part runs on out of view: the holes on the rest of it are not judged.",
            "Photograph the rest of the part as well.",
        ),
        Reason(
            "hole not measured",
            "doubt",
            "There is a hole, or what may be one, that could not be measured.",
            "Take another photo from straight above it and in brighter light, or measure it by hand.",
        ),
        Reason(
            "soft photo",
            "doubt",
            "The photo is too soft for its edges to be trusted.",
            "Hold the phone still, let it focus on the part and take another photo.",
            unsettling=True,
        ),
        Reason(
            "burnt out",
            "doubt",
            "The rim or the nearest edge is burnt out to white, in front of it or behind: the border is not where it seems.",
            "Move the lamp as the photo's notes say, or expose less, and take another photo.",
            unsettling=True,
        ),
        Reason(
            "odd opening",
            "doubt",
            "The nearest edge is that of a small opening that may be a hole, badly seen: it is not certain that it is an edge.",
            "Take another photo from straight above it and in brighter light, or measure the edge distance by hand.",
            unsettling=True,
        ),
        Reason(
            "part unsure",
            "doubt",
            "The part was not found surely against what it lies on: its contour may not be its own.",
            "Tap the part in the photo (--part-at x,y when typing), or lay it on a plain surface that differs from it more.",
            unsettling=True,
        ),
        Reason(
            "patterned ground",
            "doubt",
            "The surface below has lines at the rim or nearest edge, or a grain nearly as strong as its step to the metal.",
            "Lay a plain sheet of paper under the part, or turn the cutting mat over, and take another photo.",
            unsettling=True,
        ),
        Reason(
            "steep view",
            "doubt",
            "The phone looked at the part too much from the side.",
            "Hold the phone over the middle of the part, nearly level, and take another photo.",
            unsettling=True,
        ),
        Reason(
            "coarse photo",
            "doubt",
            "The photo has too few pixels on the part.",
            "Come nearer, without digital zoom, and take another photo.",
            unsettling=True,
        ),
        Reason(
            "mat not flat",
            "doubt",
            "The mat does not lie flat, so its scale does not hold under the part.",
            "Tape the mat to a board or a sheet of glass and take another photo.",
            unsettling=True,
        ),
        Reason(
            "poor light",
            "doubt",
            "The photo is too dark, too noisy or washed out by reflections.",
            "Bring more light, even and from the side, and take another photo.",
            unsettling=True,
        ),
        Reason(
            "scale unchecked",
            "doubt",
            "The printed mat was not measured, so U holds an allowance for the printer.",
            "Measure both check bars of the mat with a calliper and give their lengths.",
            blocking=False,  # the allowance is in U
        ),
        Reason(
            "thickness doubtful",
            "doubt",
            "The thickness given does not fit the two rims that the photo shows.",
            "Measure the thickness with a calliper and give it again.",
        ),
        Reason(
            "hole named by place",
            "doubt",
            "Holes are named by their place in each photo, so a rule or fastener stated by name may have met another hole.",
            "Check in the picture that each named hole is the one that the kit list means, then override the verdict.",
        ),
        Reason(
            "no holes to judge",
            "doubt",
            "No hole of the part was measured, so no rule was tried.",
            "Take a photo that shows the part's holes open against the backdrop.",
        ),
    )
}


def reason(name: str) -> Reason:
    """The reason of that name. Raises SetupError for a name that is not in the registry."""
    if name not in REASONS:
        raise SetupError(f"{name!r} is no known reason. Use one of: {', '.join(REASONS)}.")
    return REASONS[name]


@dataclass(frozen=True, slots=True)
class Finding:
    """One reason that holds for a hole or part, with its figures."""

    subject: str
    reason: Reason
    decision: Decision
    detail: str
    reading: str = ""
    """What to measure by hand and which reading passes; empty where nothing is left to measure."""
    check: str = ""
    """The same, said of a fault too: what would settle it if the photo could not be trusted."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The decision on a hole or part, all findings, and which D the rules were tried with."""

    subject: str
    decision: Decision
    findings: tuple[Finding, ...]
    basis: str = ""

    @property
    def reasons(self) -> tuple[tuple[Reason, str], ...]:
        """Each reason with the sentence that holds its figures."""
        return tuple((finding.reason, finding.detail) for finding in self.findings)

    @property
    def readings(self) -> tuple[str, ...]:
        """The hand measurements that would decide what the photo leaves open."""
        return tuple(finding.reading for finding in self.findings if finding.reading)


HoleShape = Literal["round", "oval", "twice drilled", "slot"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HoleFigures:
    """All that a hole is judged by; lengths in mm. None says that a figure could not be had, or does not exist."""

    name: str
    diameter: Measured | None
    edge_distance: Measured | None = None
    edge_at_least_mm: float | None = None
    """Where part of the surroundings is out of view: no unseen edge is closer than this."""
    edge_at_nick: bool = False
    """Whether the nearest place of the edge is the bottom of a nick."""
    edge_burr_mm: float = 0.0
    """How much nearer the edge may be for a burr on it that the photo would not show."""
    pitch: Measured | None = None
    """To the nearest other hole; None for a single hole."""
    out_of_round: Measured | None = None
    """Peak to valley on the radius, least-squares circle (RONt, ISO 12181-1)."""
    out_of_round_limit_mm: float = OUT_OF_ROUND_LIMIT_MM
    shape: HoleShape = "round"
    fastener_diameter_mm: float | None = None
    """Nominal shank diameter of the named fastener."""
    hole_range: HoleRange | None = None
    """Accepted hole of the named fastener; None with a fastener named takes the guard of trade.clearance_guard."""
    drill_sets: tuple[DrillSet, ...] = DRILL_SETS
    edge_rule: EdgeRule = field(default_factory=edge_rule)
    pitch_rule: EdgeRule = field(default_factory=pitch_rule)
    doubts: tuple[str, ...] = ()
    """Names of reasons in the registry."""

    def __post_init__(self) -> None:
        D = self.fastener_diameter_mm
        if D is not None and not (math.isfinite(D) and D > 0):
            raise SetupError(f"{self.name} has a fastener of {D!r} mm. Give its shank diameter, such as 3.2 mm.")
        if self.hole_range is not None and D is None:
            raise SetupError(f"{self.name} has a hole range but no fastener. Name the fastener that it belongs to.")
        for figure in (self.diameter, self.edge_distance, self.pitch, self.out_of_round):
            if figure is not None and figure.unit != "mm":
                raise SetupError(f"{self.name} has a length in {figure.unit!r}. Give {figure.value:g} in millimetres.")


@dataclass(frozen=True, slots=True)
class _RuleDiameter:
    """The D of k·D: good must hold for greatest_mm, rework for least_mm."""

    least_mm: float
    greatest_mm: float
    sentence: str


@dataclass(frozen=True, slots=True)
class _DistanceRule:
    """A least distance of k·D, ready to be tried on a measured one."""

    fault: Literal["short edge", "tight pitch"]
    k: float
    D: _RuleDiameter
    units: LengthUnit

    @property
    def needed_mm(self) -> float:
        return self.k * self.D.greatest_mm

    @property
    def what(self) -> str:
        return "edge distance" if self.fault == "short edge" else "pitch"

    def decide(self, distance: Measured, less_mm: float = 0.0) -> Decision:
        """Good for the greatest D, rework for the least D as well, else undecided. less_mm: what it may truly be shorter by."""
        if decide_at_least(replace(distance, value=distance.value - less_mm), self.needed_mm) is Decision.GOOD:
            return Decision.GOOD
        short_for_all = decide_at_least(distance, self.k * self.D.least_mm) is Decision.REWORK
        return Decision.REWORK if short_for_all else Decision.MEASURE_BY_HAND

    def finding(self, subject: str, distance: Measured, burr_mm: float = 0.0) -> Finding:
        """The fault with its figures; its decision may be good. burr_mm: of a burr on the edge that would not show."""
        decision = self.decide(distance, burr_mm)
        figure, needed = show(distance.value, distance.U, self.units), show(self.needed_mm, None, self.units)
        check = self.reading(subject)
        reading = check if decision is Decision.MEASURE_BY_HAND else ""
        detail = f"{self.what} {figure}, needed {needed} ({self.k:g} D)"
        if decision is not self.decide(distance):
            detail += f"; a burr of {show(burr_mm, None, self.units)} on the edge would not show"
        return Finding(subject, reason(self.fault), decision, detail, reading, check)

    def reading(self, subject: str) -> str:
        """What to measure, and the least reading that passes with the calliper's own U on top."""
        passing = _on_scale(self.needed_mm + CALLIPER_U_MM, self.units, math.ceil)
        return f"measure the {self.what} of {subject} with a calliper: {passing} or more passes"


def judge_hole(hole: HoleFigures, units: LengthUnit = "mm", places: Iterable[Finding] = ()) -> Verdict:
    """Verdict on one hole: size, form, edge distance, pitch, places of its rim and doubts; the gravest finding decides.

    D of the rules is the named fastener's nominal diameter. Without one it is the largest drill size inside value ± U,
    or value + U where none fits; the hole is then called short only if it is so for the smallest as well.
    """
    D = _rule_diameter(hole, units)
    findings = [*_size_findings(hole, units), *_form_findings(hole, units)]
    if D is not None:
        findings += [*_edge_findings(hole, D, units), *_pitch_findings(hole, D, units)]
    findings += [place for place in places if place.decision is not Decision.GOOD]
    named = {finding.reason.name for finding in findings}
    findings += [_doubt(hole.name, name) for name in _open_doubts(hole) if name not in named]
    if any(finding.reason.unsettling for finding in findings):
        findings = [_unsettled(finding) for finding in findings]
    return Verdict(hole.name, _gravest(findings), tuple(findings), _basis(hole, D))


def _unsettled(finding: Finding) -> Finding:
    """A fault that the photo cannot be trusted in: left open, with the reading that would settle it."""
    if finding.decision is not Decision.REWORK:
        return finding
    return replace(finding, decision=Decision.MEASURE_BY_HAND, reading=finding.check)


def judge_part(
    holes: Iterable[Verdict], doubts: Iterable[str] = (), subject: str = "part", places: Iterable[Finding] = ()
) -> Verdict:
    """Verdict on a part: rework if any hole or place of its edges is, else measure by hand if anything asks for it, else good.

    doubts: names of reasons in the registry. places: what judge_place says of edges and corners. A part of which no hole was
    judged is never good.
    """
    judged = tuple(holes)
    names = [*dict.fromkeys(doubts), *(() if judged else ("no holes to judge",))]
    own = [*(place for place in places if place.decision is not Decision.GOOD), *(_doubt(subject, name) for name in names)]
    if any(finding.reason.unsettling for finding in own):
        own = [_unsettled(finding) for finding in own]
    findings = [*chain.from_iterable(hole.findings for hole in judged), *own]
    decisions = [_gravest(findings), *(hole.decision for hole in judged)]
    return Verdict(subject, max(decisions, key=_GRAVITY.__getitem__), tuple(findings))


PlaceName = Literal["burr", "tab stub", "nick", "sharp corner", "coarse edge", "deep countersink"]
_PLACE_WORDS: dict[PlaceName, str] = {
    "burr": "burr {size} off the edge",
    "tab stub": "tab stub {size} high",
    "nick": "nick {size} deep",
    "sharp corner": "inside corner of radius {size}",
    "coarse edge": "coarse, RMS {size}",
    "deep countersink": "countersink {size} deep",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceFigures:
    """A place of an edge, or a corner, to be judged. where: in words, "E2, 23 mm from K1". limit_mm: what size may be at
    most; a corner's radius at least."""

    name: PlaceName
    subject: str
    where: str
    size: Measured
    limit_mm: float


def judge_place(place: PlaceFigures, units: LengthUnit = "mm") -> Finding:
    """The fault with its figures; its decision may be good."""
    corner = place.name == "sharp corner"
    decision = (decide_at_least if corner else decide_at_most)(place.size, place.limit_mm)
    words = _PLACE_WORDS[place.name].format(size=show(place.size.value, place.size.U, units))
    bound = f"{'least' if corner else 'limit'} {show(place.limit_mm, None, units)}"
    check = _place_reading(place, units)
    reading = check if decision is Decision.MEASURE_BY_HAND else ""
    return Finding(place.subject, reason(place.name), decision, f"{place.where}: {words}, {bound}", reading, check)


def _place_reading(place: PlaceFigures, units: LengthUnit) -> str:
    limit = show(place.limit_mm, None, units)
    if place.name == "sharp corner":
        return f"try a radius gauge of {limit} in {place.subject}: no light may show at the middle of its arc"
    if place.name == "coarse edge":
        return f"look along {place.where} through a 10x glass: no mark may run across the edge"
    if place.name == "deep countersink":
        return f"measure the depth of the countersink of {place.subject}, or try its fastener: {limit} or less passes"
    if place.name == "burr":
        return f"draw a fingernail outward across {place.where}: it must not catch"
    return f"look at {place.where} through a 10x glass against a rule: {limit} or less passes"


def _gravest(findings: Iterable[Finding]) -> Decision:
    decisions = (finding.decision for finding in findings)
    return max(decisions, key=_GRAVITY.__getitem__, default=Decision.GOOD)


def _doubt(subject: str, name: str) -> Finding:
    doubt = reason(name)
    if doubt.blocking:
        return Finding(subject, doubt, Decision.MEASURE_BY_HAND, doubt.sentence, doubt.remedy)
    return Finding(subject, doubt, Decision.GOOD, doubt.sentence)


def _open_doubts(hole: HoleFigures) -> Iterator[str]:
    """The doubts given; an unseen edge with a certain distance is judged by that distance instead."""
    for name in dict.fromkeys(hole.doubts):
        if name != "edge not in view" or hole.edge_at_least_mm is None:
            yield name
    match = _size_match(hole)
    if match is not None and match.ambiguous:
        yield "size ambiguous"


def _size_match(hole: HoleFigures) -> SizeMatch | None:
    if hole.diameter is None or hole.fastener_diameter_mm is not None or not _is_finite(hole.diameter):
        return None
    return nearest_sizes(hole.diameter, hole.drill_sets)


def _is_finite(figure: Measured) -> bool:
    return math.isfinite(figure.value) and math.isfinite(figure.U) and figure.U >= 0


def _rule_diameter(hole: HoleFigures, units: LengthUnit) -> _RuleDiameter | None:
    D = hole.fastener_diameter_mm
    if D is not None:
        return _RuleDiameter(D, D, f"D is {show(D, None, units)}, the fastener's nominal diameter")
    match = _size_match(hole)
    if match is None or hole.diameter is None:
        return None
    if match.candidates:
        least, greatest = match.candidates[0].diameter_mm, match.candidates[-1].diameter_mm
        which = f"the largest of the sizes that fit ({match.label})" if match.ambiguous else f"drill {match.label}"
        return _RuleDiameter(least, greatest, f"No fastener named: D is {show(greatest, None, units)}, {which}")
    least, greatest = hole.diameter.value - hole.diameter.U, hole.diameter.value + hole.diameter.U
    sentence = f"No fastener named and no drill size fits: D is {show(greatest, None, units)}, measured diameter + U"
    return _RuleDiameter(least, greatest, sentence)


def _basis(hole: HoleFigures, D: _RuleDiameter | None) -> str:
    if D is None:
        return "No diameter to judge by."
    edge, pitch = hole.edge_rule, hole.pitch_rule
    return (
        f"{D.sentence}; edge distance at least {edge.k:g} D ({edge.source}), "
        f"pitch at least {pitch.k:g} D ({pitch.source}), {edge.note}."
    )


def _size_findings(hole: HoleFigures, units: LengthUnit) -> Iterator[Finding]:
    if hole.diameter is None or not _is_finite(hole.diameter):
        reading = f"measure the diameter of {hole.name} with pin gauges"
        yield Finding(hole.name, reason("rim unseen"), Decision.MEASURE_BY_HAND, "diameter not measured", reading)
    elif hole.fastener_diameter_mm is not None and hole.shape != "slot":
        accepted = hole.hole_range or clearance_guard(hole.fastener_diameter_mm)
        decision, name = _decide_size(hole.diameter, hole.fastener_diameter_mm, accepted)
        low, high = show(accepted.low_mm, None, units), show(accepted.high_mm, None, units)
        figure, verb = (
            show(hole.diameter.value, hole.diameter.U, units),
            "accepted" if accepted.confirmed else "expected",
        )
        check = _pin_reading(hole.name, accepted, units)
        reading = check if decision is Decision.MEASURE_BY_HAND else ""
        if decision is not Decision.GOOD:
            yield Finding(
                hole.name,
                reason(name),
                decision,
                f"diameter {figure}, {verb} {low} to {high} ({accepted.source})",
                reading,
                check,
            )


def _decide_size(diameter: Measured, shank_mm: float, accepted: HoleRange) -> tuple[Decision, str]:
    """Decision and the reason's name. An unconfirmed range condemns no hole that the shank can enter."""
    decision = decide_between(diameter, accepted.low_mm, accepted.high_mm)
    shank_stays_out = decide_at_least(diameter, min(shank_mm, accepted.low_mm)) is Decision.REWORK
    if decision is Decision.REWORK and not accepted.confirmed and not shank_stays_out:
        return Decision.MEASURE_BY_HAND, "hole limits unconfirmed"
    return decision, "oversize" if diameter.value + diameter.U > accepted.high_mm else "undersize"


def _form_findings(hole: HoleFigures, units: LengthUnit) -> Iterator[Finding]:
    if hole.shape == "slot":
        yield _doubt(hole.name, "slot")
        return
    decision = Decision.GOOD if hole.shape == "round" else Decision.MEASURE_BY_HAND
    detail = f"the hole looks {hole.shape}"
    if hole.out_of_round is not None:
        by_limit = decide_at_most(hole.out_of_round, hole.out_of_round_limit_mm + ROUND_IN_PHOTO_MM)
        # Two bores side by side are no round hole, however small the step: never good from a photo.
        decision = max(by_limit, decision, key=_GRAVITY.__getitem__) if hole.shape == "twice drilled" else by_limit
        figure = show(hole.out_of_round.value, hole.out_of_round.U, units)
        form = "" if hole.shape == "round" else f"{hole.shape}, "
        detail = f"{form}out of round by {figure}, limit {show(hole.out_of_round_limit_mm, None, units)}"
    if decision is not Decision.GOOD:
        check = _round_reading(hole, units)
        reading = check if decision is Decision.MEASURE_BY_HAND else ""
        yield Finding(hole.name, reason("out of round"), decision, detail, reading, check)


def _edge_findings(hole: HoleFigures, D: _RuleDiameter, units: LengthUnit) -> Iterator[Finding]:
    rule = _DistanceRule("short edge", hole.edge_rule.k, D, units)
    if hole.edge_distance is not None:
        finding = rule.finding(hole.name, hole.edge_distance, hole.edge_burr_mm)
        if finding.decision is not Decision.GOOD:
            yield replace(finding, detail=f"{finding.detail}, to a nick in the edge") if hole.edge_at_nick else finding
    unseen = _unseen_edge(hole, rule)
    if unseen:
        reading = rule.reading(hole.name)
        yield Finding(hole.name, reason("edge not in view"), Decision.MEASURE_BY_HAND, unseen, reading)


def _unseen_edge(hole: HoleFigures, rule: _DistanceRule) -> str:
    """What is open because an edge may lie out of view; empty where nothing is."""
    certain_mm = hole.edge_at_least_mm
    if certain_mm is None:
        return "" if hole.edge_distance is not None else "no edge of the part in view"
    if math.isfinite(certain_mm) and certain_mm >= rule.needed_mm - LIMIT_SLACK:
        return ""
    certain, needed = show(certain_mm, None, rule.units), show(rule.needed_mm, None, rule.units)
    return f"edge not in view: at least {certain} away, needed {needed} ({rule.k:g} D)"


def _pitch_findings(hole: HoleFigures, D: _RuleDiameter, units: LengthUnit) -> Iterator[Finding]:
    if hole.pitch is not None:
        finding = _DistanceRule("tight pitch", hole.pitch_rule.k, D, units).finding(hole.name, hole.pitch)
        if finding.decision is not Decision.GOOD:
            yield finding


def _pin_reading(name: str, accepted: HoleRange, units: LengthUnit) -> str:
    """Pins, because knife-edge jaws read a small bore too narrow."""
    enters = _on_scale(accepted.low_mm + PIN_U_MM, units, math.ceil)
    stays_out = _on_scale(accepted.high_mm - PIN_U_MM, units, math.floor)
    return f"measure the diameter of {name} with pin gauges: {enters} must enter and {stays_out} must not"


def _round_reading(hole: HoleFigures, units: LengthUnit) -> str:
    allowed = _on_scale(max(0.0, 2 * hole.out_of_round_limit_mm - CALLIPER_U_MM), units, math.floor)
    return f"measure the greatest and the least diameter of {hole.name}: a difference of {allowed} or less passes"


def _on_scale(mm: float, units: LengthUnit, to_whole: Callable[[float], int]) -> str:
    """The length in whole steps of the tool's scale; to_whole rounds to the safe side."""
    step_mm = _READING_STEP_MM[units]
    return show(to_whole(round(mm / step_mm, FLOAT_DIGITS)) * step_mm, None, units)
