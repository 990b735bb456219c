"""The standing verdict: what a photo found, and what persons said about it since, judged by the same rules.

The measured figures never change. A reading by hand decides what the photo left open. It cannot make good what the photo
calls rework: the two contradict each other, and that is said. It may condemn what the photo calls good.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Literal, Protocol

from holeinspect.inspection import Finding as Place
from holeinspect.inspection import Hole, Inspection, Part, Pitch, ReasonNote, VerdictWord
from holeinspect.measured import Measured
from holeinspect.records.shapes import CorrectionNew, StandingHole, StandingReason, StandingShown
from holeinspect.rules import (
    CALLIPER_U_MM,
    OUT_OF_ROUND_LIMIT_MM,
    REASONS,
    Decision,
    Finding,
    HoleFigures,
    Verdict,
    decide_at_most,
    judge_hole,
)
from holeinspect.setup import Setup
from holeinspect.trade import EdgeRule, edge_rule, fastener, pitch_rule
from holeinspect.units import show, to_mm

JUDGED_ANEW = frozenset(
    {"short edge", "tight pitch", "oversize", "undersize", "out of round", "edge not in view", "rim unseen",
     "size ambiguous", "hole limits unconfirmed", "slot"}
)  # fmt: skip
"""Reasons that follow from a hole's figures; all others stay as the photo gave them."""
GRAVITY: Mapping[str, int] = {"good": 0, "measure by hand": 1, "rework": 2}
WORDS: Mapping[Decision, VerdictWord] = {
    Decision.GOOD: "good",
    Decision.MEASURE_BY_HAND: "measure by hand",
    Decision.REWORK: "rework",
}
FELT = frozenset({"burr", "tab stub", "condition not shown"})
"""Reasons that a fingernail decides where the photo does not."""
FINGERNAIL = "fingernail"
CONTRADICTION = "the reading by hand and the photo contradict each other"
CONTRADICTION_REMEDY = "Measure again by hand and photograph the part again."


@dataclass(frozen=True, slots=True)
class _Said:
    """What persons said about one hole, the latest of each kind."""

    fastener: str | None = None
    struck: bool = False
    readings: Mapping[str, Measured] = field(default_factory=dict)
    felt: CorrectionNew | None = None
    override: CorrectionNew | None = None
    sentences: tuple[str, ...] = ()


_NOTHING = _Said()


@dataclass(frozen=True, slots=True)
class _Judged:
    """A reason with the verdict that it asks for by itself."""

    reason: StandingReason
    verdict: VerdictWord

    @property
    def shown(self) -> StandingReason:
        """The reason with its verdict."""
        return self.reason.model_copy(update={"verdict": self.verdict})


class _Valued(Protocol):
    """Anything with a value and a standard uncertainty."""

    @property
    def value(self) -> float:
        """The value."""

    @property
    def u(self) -> float:
        """Its standard uncertainty."""


def standing(inspection: Inspection, setup: Setup, corrections: Sequence[tuple[CorrectionNew, str]]) -> StandingShown:
    """What holds after the corrections, oldest first, each with its sentence; withdrawn ones are not among them."""
    said = _by_hole(corrections)
    holes: list[StandingHole] = []
    of_parts: list[_Judged] = []
    for part in inspection.parts:
        named = _holes(part, inspection, said)
        of_holes = [_hole(name, hole, inspection, setup, _said_of(name, said)) for name, hole in named]
        holes += of_holes
        of_parts += _of_part(part, inspection, all(hole.struck for hole in of_holes))
    whole = said.get("", _NOTHING)
    of_parts = [*_felt_of_parts(of_parts, said, {hole.name for hole in holes}), *_named_by_place(setup)]
    standing_holes = [hole for hole in holes if not hole.struck]
    readings = [reading for hole in standing_holes for reading in hole.readings_wanted]
    verdicts = [*(hole.verdict for hole in standing_holes), *(judged.verdict for judged in of_parts)]
    shown = StandingShown(
        verdict=_gravest(verdicts if corrections else [measured_verdict(inspection), *verdicts], inspection),
        measured_verdict=measured_verdict(inspection),
        holes=holes,
        reasons=[*(reason for hole in standing_holes for reason in hole.reasons), *(judged.shown for judged in of_parts)],
        readings_wanted=list(dict.fromkeys([*readings, *_part_readings(inspection, said)])),
        corrected=list(whole.sentences),
    )
    if whole.override is None:
        return shown
    override = _override(whole.override, "")
    return shown.model_copy(update={"verdict": override.verdict, "reasons": [override.shown]})


def measured_verdict(inspection: Inspection) -> VerdictWord:
    """The gravest verdict of the parts in the photo; a photo without any decides nothing."""
    return _gravest([part.verdict for part in inspection.parts], inspection)


def edge_names(inspection: Inspection) -> Iterator[str]:
    """Every part and edge by the name that corrections use."""
    for part in inspection.parts:
        prefix = f"{part.name}." if len(inspection.parts) > 1 else ""
        yield part.name
        yield from (prefix + edge.name for edge in (*part.edges, *(edge for each in part.openings for edge in each.edges)))


def hole_names(inspection: Inspection) -> dict[str, Hole]:
    """Every hole by the name that corrections use: with the part's in front where there are several parts."""
    return {name: hole for part in inspection.parts for name, hole in _named(part, inspection)}


def _gravest(verdicts: Sequence[VerdictWord], inspection: Inspection) -> VerdictWord:
    if not inspection.parts:
        return "measure by hand"
    return max(verdicts, key=GRAVITY.__getitem__, default="good")


def _by_hole(corrections: Sequence[tuple[CorrectionNew, str]]) -> dict[str, _Said]:
    said: dict[str, _Said] = {}
    for correction, sentence in corrections:
        before = said.get(correction.subject, _NOTHING)
        after = replace(before, sentences=(*before.sentences, sentence))
        match correction.kind:
            case "fastener":
                after = replace(after, fastener=correction.fastener)
            case "struck":
                after = replace(after, struck=True)
            case "reading":
                after = replace(after, readings={**before.readings, str(correction.figure): _reading(correction)})
            case "felt":
                after = replace(after, felt=correction)
            case "override":
                after = replace(after, override=correction)
        said[correction.subject] = after
    return said


def _reading(correction: CorrectionNew) -> Measured:
    """The reading with its uncertainty; out of round is read as a difference of diameters and judged on radii."""
    U_mm = CALLIPER_U_MM if correction.U is None else to_mm(correction.U)
    share = 0.5 if correction.figure == "out of round" else 1.0
    return Measured(share * to_mm(correction.value or "0"), share * U_mm / 2)


def _named(part: Part, inspection: Inspection) -> Iterator[tuple[str, Hole]]:
    prefix = f"{part.name}." if len(inspection.parts) > 1 else ""
    yield from ((prefix + hole.name, hole) for hole in part.holes)


def _holes(part: Part, inspection: Inspection, said: Mapping[str, _Said]) -> Iterator[tuple[str, Hole]]:
    """The part's holes; a pitch to a struck one becomes the pitch to the nearest that is a hole."""
    named = list(_named(part, inspection))
    struck = {hole.name for name, hole in named if said.get(name, _NOTHING).struck}
    for name, hole in named:
        to_struck = hole.pitch is not None and hole.pitch.to in struck
        yield name, (_repitched(hole, [other for _, other in named if other.name not in struck]) if to_struck else hole)


def _repitched(hole: Hole, holes: Sequence[Hole]) -> Hole:
    """With the pitch to the nearest of the holes; its u is not below that of the pitch as measured."""
    others = [other for other in holes if other.name != hole.name]
    if not others or hole.pitch is None:
        return hole.model_copy(update={"pitch": None})
    nearest = min(others, key=lambda other: math.dist(other.centre_mm, hole.centre_mm))
    u = max(hole.pitch.u, math.hypot(*hole.centre_u_mm, *nearest.centre_u_mm))
    pitch = Pitch(value=math.dist(nearest.centre_mm, hole.centre_mm), u=u, to=nearest.name)
    return hole.model_copy(update={"pitch": pitch})


def _hole(name: str, hole: Hole, inspection: Inspection, setup: Setup, said: _Said) -> StandingHole:
    """The hole as it stands: judged anew where something was said or its pitch went, else as measured."""
    as_measured = [_judged(note, name, inspection) for note in hole.reasons]
    told, readings, verdict = as_measured, hole.readings, hole.verdict
    pitch_went = any(note.name == "tight pitch" for note in hole.reasons) and hole.pitch is None
    if said.fastener or said.readings or said.felt or pitch_went or (hole.pitch is not None and hole.pitch.ratio is None):
        kept = [judged for judged in as_measured if judged.reason.name not in JUDGED_ANEW]
        anew, readings = _judged_anew(_figures(name, hole, setup, said.fastener), said.readings, inspection)
        told = [*anew, *_felt(kept, said.felt, name)]
        readings = (*readings, *([] if said.felt else _kept_readings(name, hole, inspection, setup)))
        verdict = _gravest([judged.verdict for judged in told], inspection)
    if said.override is not None:
        told = [_override(said.override, name)]
        verdict, readings = told[0].verdict, ()
    return StandingHole(
        name=name,
        verdict=verdict,
        measured_verdict=hole.verdict,
        struck=said.struck,
        fastener=said.fastener or (hole.nominal.fastener if hole.nominal else None),
        reasons=[judged.shown for judged in told],
        readings_wanted=list(readings),
        corrected=list(said.sentences),
    )


def _kept_readings(name: str, hole: Hole, inspection: Inspection, setup: Setup) -> Iterator[str]:
    """Readings that the measured hole asks for besides those that follow from its figures: of its rim's condition."""
    from_figures = judge_hole(_figures(name, hole, setup, None), inspection.units).readings
    return (reading for reading in hole.readings if reading not in from_figures)


def _figures(name: str, hole: Hole, setup: Setup, corrected_fastener: str | None) -> HoleFigures:
    """What the hole was judged by, from its record."""
    typed = corrected_fastener or (hole.nominal.fastener if hole.nominal else None)
    named = fastener(typed) if typed else None
    seen = not hole.edge_not_in_view
    doubts = [note.name for note in hole.reasons if _is_of_the_photo(note)] + ([] if seen else ["edge not in view"])
    return HoleFigures(
        name=name,
        diameter=_measured(hole.diameter),
        edge_distance=_measured(hole.edge_distance) if seen else None,
        edge_at_least_mm=None if seen else hole.edge_at_least_mm,
        edge_at_nick=any(AT_NICK in note.sentence for note in hole.reasons),
        pitch=_measured(hole.pitch),
        out_of_round=_measured(hole.out_of_round),
        shape=hole.shape,
        fastener_diameter_mm=named.diameter_mm if named else None,
        hole_range=named.hole_range if named else None,
        drill_sets=setup.drill_sets,
        edge_rule=_rule(edge_rule, hole.edge_rule.k if hole.edge_rule else setup.rule),
        pitch_rule=_rule(pitch_rule, hole.pitch_rule.k if hole.pitch_rule else setup.pitch_rule),
        doubts=tuple(doubts),
    )


def _is_of_the_photo(note: ReasonNote) -> bool:
    """Whether the reason doubts what the photo shows: no correction of the hole's name or fastener removes it."""
    return note.name == "rim unseen" or (note.name in REASONS and REASONS[note.name].unsettling)


def _measured(figure: _Valued | None) -> Measured | None:
    return None if figure is None else Measured(figure.value, figure.u)


def _rule(rule: Callable[[float | None], EdgeRule], k: float | None) -> EdgeRule:
    """The rule of the table where k is its own, so that its source is told."""
    return rule(None) if k is None or k == rule(None).k else rule(k)


def _judged_anew(
    figures: HoleFigures, readings: Mapping[str, Measured], inspection: Inspection
) -> tuple[list[_Judged], tuple[str, ...]]:
    """Reasons and wanted readings of a hole with the readings by hand in the place of what the photo showed."""
    by_photo = judge_hole(figures, inspection.units)
    if not readings:
        return [_of_verdict(finding) for finding in by_photo.findings], by_photo.readings
    by_hand = judge_hole(_with_readings(figures, readings), inspection.units)
    told = [_of_verdict(finding, readings) for finding in by_hand.findings]
    told += _round_by_hand(figures, readings, inspection)
    return [*told, *_contradictions(by_photo, told)], by_hand.readings


def _with_readings(figures: HoleFigures, readings: Mapping[str, Measured]) -> HoleFigures:
    """The figures with the readings in their places; a form that was read is judged by _round_by_hand."""
    changed: dict[str, Any] = {}
    answered = set()
    if "diameter" in readings:
        changed["diameter"] = readings["diameter"]
    if "edge distance" in readings:
        changed |= {"edge_distance": readings["edge distance"], "edge_at_least_mm": None}
        answered.add("edge not in view")
    if "pitch" in readings:
        changed["pitch"] = readings["pitch"]
    if "out of round" in readings and figures.shape != "slot":
        changed |= {"shape": "round", "out_of_round": None}
    if {"diameter", "edge distance"} <= set(readings) and (figures.pitch is None or "pitch" in readings):
        answered.add("rim unseen")  # all that the rim was needed for
    return replace(figures, **changed, doubts=tuple(name for name in figures.doubts if name not in answered))


def _round_by_hand(figures: HoleFigures, readings: Mapping[str, Measured], inspection: Inspection) -> list[_Judged]:
    """Out of round as read: without the allowance that photos need."""
    read = readings.get("out of round")
    if read is None or figures.shape == "slot":
        return []
    decision = decide_at_most(read, OUT_OF_ROUND_LIMIT_MM)
    if decision is Decision.GOOD:
        return []
    limit = show(OUT_OF_ROUND_LIMIT_MM, None, inspection.units)
    sentence = f"out of round by {show(read.value, read.U, inspection.units)} on the radius by hand, limit {limit}"
    return [_Judged(_reason("out of round", figures.name, sentence, source="reading"), WORDS[decision])]


def _contradictions(by_photo: Verdict, told: Sequence[_Judged]) -> list[_Judged]:
    """Faults that the photo shows beyond doubt and the readings deny."""
    confirmed = {judged.reason.name for judged in told if judged.verdict == "rework"}
    return [
        _Judged(
            StandingReason(
                name=finding.reason.name,
                subject=finding.subject,
                sentence=f"{finding.detail}; {CONTRADICTION}",
                remedy=CONTRADICTION_REMEDY,
                blocking=True,
            ),
            "measure by hand",
        )
        for finding in by_photo.findings
        if finding.decision is Decision.REWORK and finding.reason.name not in confirmed
    ]


AT_NICK = "to a nick in the edge"
"""How rules.py tells that an edge distance ends at a nick; it is told again when the hole is judged anew."""
READ_BY: Mapping[str, str] = {
    "oversize": "diameter",
    "undersize": "diameter",
    "hole limits unconfirmed": "diameter",
    "short edge": "edge distance",
    "tight pitch": "pitch",
}
"""Which figure a reason is about."""


def _of_verdict(finding: Finding, readings: Mapping[str, Measured] = MappingProxyType({})) -> _Judged:
    source: Literal["photo", "reading"] = "reading" if READ_BY.get(finding.reason.name) in readings else "photo"
    return _Judged(_reason(finding.reason.name, finding.subject, finding.detail, source), WORDS[finding.decision])


def _reason(name: str, subject: str, sentence: str, source: Literal["photo", "reading"] = "photo") -> StandingReason:
    known = REASONS[name]
    return StandingReason(
        name=name, subject=subject, sentence=sentence, remedy=known.remedy, blocking=known.blocking, source=source
    )


def _override(correction: CorrectionNew, subject: str) -> _Judged:
    verdict = correction.verdict or "measure by hand"
    sentence = f"{correction.who} calls it {verdict}: {correction.reason}"
    reason = StandingReason(name="override", subject=subject, sentence=sentence, blocking=verdict != "good", source="override")
    return _Judged(reason, verdict)


def _judged(note: ReasonNote, owner: str, inspection: Inspection) -> _Judged:
    """A reason as the photo gave it, with the verdict that it asks for."""
    subject = owner if owner.endswith(note.subject) else note.subject
    known = REASONS.get(note.name)
    blocking = known is None or known.blocking
    places = _places(note, subject, inspection)
    reason = StandingReason(
        name=note.name,
        subject=subject,
        place=places[0].place if places else "",
        sentence=note.sentence,
        remedy=note.remedy,
        blocking=blocking,
    )
    return _Judged(reason, _verdict_of(note, subject, inspection) if blocking else "good")


def _places(note: ReasonNote, subject: str, inspection: Inspection) -> list[Place]:
    """The places to work on that a reason is about: the one with its very words, else all of its kind at its hole or edge."""
    kin = [found for found in inspection.findings if found.kind == note.name]
    there = [found for found in kin if subject in (found.subject, f"{found.part}.{found.subject}")]
    return [found for found in kin if found.sentence == note.sentence] or there


def _verdict_of(note: ReasonNote, subject: str, inspection: Inspection) -> VerdictWord:
    """Doubts ask for a hand; a fault that a place to work on has is as decided as that; others go with their hole or part."""
    known = REASONS.get(note.name)
    if known is not None and known.kind == "doubt":
        return "measure by hand"
    if places := _places(note, subject, inspection):
        return "rework" if any(found.decided for found in places) else "measure by hand"
    return "measure by hand" if _is_open(note, subject, inspection) else "rework"


def _is_open(note: ReasonNote, subject: str, inspection: Inspection) -> bool:
    """Whether the photo left this fault of a hole undecided: a hole that is no rework has none that is decided."""
    hole = hole_names(inspection).get(subject)
    if hole is not None and hole.verdict != "rework":
        return True
    return any(_figure_of(note.name) in reading for reading in (hole.readings if hole else ()))


def _figure_of(reason_name: str) -> str:
    return READ_BY.get(reason_name, "greatest and the least diameter" if reason_name == "out of round" else reason_name)


def _of_part(part: Part, inspection: Inspection, all_struck: bool) -> Iterator[_Judged]:
    """The reasons that are the part's own, not its holes'."""
    of_holes = {hole.name for hole in part.holes} | {f"{part.name}.{hole.name}" for hole in part.holes}
    for note in part.reasons:
        if note.subject not in of_holes:
            yield _judged(note, note.subject or part.name, inspection)
    if all_struck and part.holes:
        yield _Judged(_reason("no holes to judge", part.name, REASONS["no holes to judge"].sentence), "measure by hand")


def _said_of(name: str, said: Mapping[str, _Said]) -> _Said:
    """What was said about a hole; what was felt on all of the part or photo was felt on it too, and a catch outweighs."""
    of_hole = said.get(name, _NOTHING)
    part = name.rpartition(".")[0] or "P1"
    felt = [each.felt for each in (of_hole, said.get(part, _NOTHING), said.get("", _NOTHING)) if each.felt is not None]
    felt.sort(key=lambda correction: correction.verdict != "rework")
    return replace(of_hole, felt=felt[0]) if felt and (of_hole.felt or felt[0].verdict == "good") else of_hole


def _felt(told: Sequence[_Judged], felt: CorrectionNew | None, subject: str) -> list[_Judged]:
    """The reasons after a fingernail was drawn across: it decides what the photo left open, and takes no rework away."""
    if felt is None:
        return list(told)
    if felt.verdict == "rework":
        sentence = f"{felt.who}'s fingernail catches"
        return [*told, _Judged(_reason("burr", subject, sentence, source="reading"), "rework")]
    return [judged for judged in told if judged.reason.name not in FELT or judged.verdict == "rework"]


def _felt_of_parts(told: Sequence[_Judged], said: Mapping[str, _Said], holes: set[str]) -> Iterator[_Judged]:
    """The same for the reasons of parts and edges; a catch on the whole photo is told once."""
    smooth = {subject for subject, each in said.items() if each.felt is not None and each.felt.verdict == "good"}
    for judged in told:
        subject = judged.reason.subject
        answered = bool(smooth & {"", subject, subject.rpartition(".")[0] or "P1"})
        if judged.reason.name not in FELT or judged.verdict == "rework" or not answered:
            yield judged
    for subject, each in said.items():
        if subject not in holes and each.felt is not None and each.felt.verdict == "rework":
            yield from _felt([], each.felt, subject)


def _named_by_place(setup: Setup) -> Iterator[_Judged]:
    """A kit list's settings for single holes go by names that change when the part is laid down otherwise: never good unasked."""
    names = sorted({*setup.hole_fasteners, *setup.hole_rules})
    if names:
        sentence = f"the kit list states something for {', '.join(names)}, and names go by the place in this photo"
        yield _Judged(_reason("hole named by place", "", sentence), "measure by hand")


def _part_readings(inspection: Inspection, said: Mapping[str, _Said]) -> Iterator[str]:
    """Readings that a part asks for besides those of its holes, less what was felt already."""
    felt = {subject for subject, each in said.items() if each.felt is not None}
    for part in inspection.parts:
        of_holes = {reading for hole in part.holes for reading in hole.readings}
        all_felt = bool(felt & {"", part.name})
        for reading in part.readings:
            words = set(re.split(r"[^\w.]+", reading))
            if reading not in of_holes and not (FINGERNAIL in reading and (all_felt or words & felt)):
                yield reading
