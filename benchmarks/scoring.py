"""Measured against true: which holes were found, how far each figure is off, and whether its U holds the truth."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from benchmarks.alternatives import ALTERNATIVES, InMm, in_mm, window_view
from benchmarks.photos import BenchPhoto, TrueHole
from holeinspect.inspection import Hole, Inspection
from holeinspect.measure.inspect import inspect
from holeinspect.photo import open_photo
from holeinspect.scale.find import find_scale
from holeinspect.scale.readings import PrintScale
from holeinspect.scale.targets import MatReference, find_target
from holeinspect.setup import Setup
from holeinspect.trade import edge_rule, pitch_rule

OURS = "holeinspect"
FIGURES = ("diameter", "edge distance", "pitch")
SAME_HOLE_MM = 1.0
"""A measured centre this far from a true one, or within half a diameter of it, may be that hole."""
LEAST_D_MM = 1.5
"""Smallest hole that must be found."""


@dataclass(frozen=True, slots=True)
class Deviation:
    """One figure of one hole against the truth, mm. U: stated expanded uncertainty, NaN where none is.

    rim: of the hole, or of the part's outline for an edge distance. off_axis_mm: distance from the nadir.
    """

    method: str
    family: str
    phone: str
    figure: str
    hole: str
    rim: str
    thickness_mm: float
    diameter_mm: float
    off_axis_mm: float
    px_per_mm: float
    error: float
    U: float


@dataclass(frozen=True, slots=True)
class Count:
    """Holes of one photo: how many there are, missed and invented ones by name; bad ones called good; seconds."""

    method: str
    family: str
    photo: str
    holes: int
    missed: tuple[str, ...] = ()
    invented: tuple[str, ...] = ()
    bad: int = 0
    called_good: tuple[str, ...] = ()
    verdicts: Mapping[str, int] = field(default_factory=dict)
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class Scored:
    """Everything that one photo adds."""

    deviations: list[Deviation]
    counts: list[Count]


def score(photo: BenchPhoto, with_alternatives: bool = True) -> Scored:
    """Measure a photo by all methods, once for each thickness on it; a hole is read from its own part's inspection."""
    setups = {thickness: photo.setup(thickness) for thickness in photo.thicknesses_mm}
    seen = {thickness: inspect(photo.jpeg, setup) for thickness, setup in setups.items()}
    first = seen[photo.thicknesses_mm[0]]
    scored = _score_ours(photo, seen)
    if with_alternatives:
        for method, found in _alternatives(photo, setups).items():
            _add(scored, _score_other(photo, method, found, first))
    return scored


def _add(scored: Scored, more: Scored) -> None:
    scored.deviations.extend(more.deviations)
    scored.counts.extend(more.counts)


def match(true: Sequence[TrueHole], centres: Sequence[Sequence[float]]) -> dict[int, int]:
    """Index of each true hole to that of its measurement, nearest pairs first, one to one."""
    pairs = [(float(np.hypot(hole.centre_mm[0] - x, hole.centre_mm[1] - y)), i, j)
             for i, hole in enumerate(true) for j, (x, y) in enumerate(centres)]  # fmt: skip
    matched: dict[int, int] = {}
    for distance, i, j in sorted(pairs):
        near = distance < max(SAME_HOLE_MM, true[i].diameter_mm / 2)
        if near and i not in matched and j not in matched.values():
            matched[i] = j
    return matched


def _of(holes: Sequence[TrueHole], thickness_mm: float) -> list[TrueHole]:
    return [hole for hole in holes if hole.thickness_mm == thickness_mm]


def _score_ours(photo: BenchPhoto, seen: Mapping[float, Inspection]) -> Scored:
    deviations: list[Deviation] = []
    missed: list[str] = []
    called_good: list[str] = []
    verdicts: dict[str, int] = {}
    for thickness, inspection in seen.items():
        found = [hole for part in inspection.parts for hole in part.holes]
        true = _of(photo.holes, thickness)
        matched = match(true, [hole.centre_mm for hole in found])
        missed += [hole.name for i, hole in enumerate(true) if i not in matched and hole.diameter_mm >= LEAST_D_MM]
        for i, j in matched.items():
            deviations += _ours_off(photo, true[i], found[j], inspection)
            verdicts[found[j].verdict] = verdicts.get(found[j].verdict, 0) + 1
            if found[j].verdict == "good" and _fails(true[i]):
                called_good.append(true[i].name)
    first = next(iter(seen.values()))
    centres = [hole.centre_mm for part in first.parts for hole in part.holes]
    count = Count(OURS, photo.family, photo.name, len(photo.holes), tuple(missed), _invented(photo, centres),
                  sum(map(_fails, photo.holes)), tuple(called_good), verdicts, first.seconds)  # fmt: skip
    return Scored(deviations, [count])


def _fails(hole: TrueHole) -> bool:
    """By the rules that hold when the user says nothing; D is the true bore."""
    return hole.fails(edge_rule().k, pitch_rule().k)


def _invented(photo: BenchPhoto, centres: Sequence[Sequence[float]]) -> tuple[str, ...]:
    """Places (mm) of measured holes that are none: matched neither to a hole in view nor to one partly out of it."""
    matched = set(match((*photo.holes, *photo.hidden), centres).values())
    return tuple(f"({x:.0f}, {y:.0f})" for j, (x, y) in enumerate(centres) if j not in matched)


def _ours_off(photo: BenchPhoto, true: TrueHole, hole: Hole, inspection: Inspection) -> Iterable[Deviation]:
    figures = {"diameter": hole.diameter, "edge distance": hole.edge_distance, "pitch": hole.pitch}
    values = {name: (figure.value, 2 * figure.u) for name, figure in figures.items() if figure is not None}
    return _off(photo, OURS, true, values, inspection)


def _off(photo: BenchPhoto, method: str, true: TrueHole, values: Mapping[str, tuple[float, float]],
         inspection: Inspection) -> Iterable[Deviation]:  # fmt: skip
    """Deviations of a round hole's figures; slots and holes drilled twice have no one diameter."""
    truth = {"diameter": true.diameter_mm, "edge distance": true.edge_mm, "pitch": true.pitch_mm}
    off_axis = float(np.hypot(*np.subtract(true.centre_mm, inspection.scale.nadir_mm)))
    for figure, (value, U) in values.items():
        right = truth[figure]
        if true.round and right is not None:
            rim = true.edge_rim if figure == "edge distance" else true.rim
            yield Deviation(method, photo.family, photo.phone, figure, f"{photo.name}.{true.name}", rim,
                            true.thickness_mm, true.diameter_mm, off_axis, inspection.scale.px_per_mm,
                            value - right, U)  # fmt: skip


def _alternatives(photo: BenchPhoto, setups: Mapping[float, Setup]) -> dict[str, dict[float, list[InMm]]]:
    """What each alternative measures, by method and thickness, all given the scale that we find."""
    opened = open_photo(photo.jpeg)
    target = find_target(opened.luma, MatReference(), photo.name)
    scale = find_scale(opened, MatReference(), target, PrintScale(*photo.print_scale, 0.0, 0.0, True))
    view = window_view(opened.luma, scale)
    found = {method: measure(view) for method, measure in ALTERNATIVES.items()}
    return {method: {thickness: in_mm(seen, scale.camera, setup.thickness_mm) for thickness, setup in setups.items()}
            for method, seen in found.items()}  # fmt: skip


def _score_other(photo: BenchPhoto, method: str, found: Mapping[float, list[InMm]], inspection: Inspection) -> Scored:
    deviations: list[Deviation] = []
    missed: list[str] = []
    for thickness, circles in found.items():
        true = _of(photo.holes, thickness)
        matched = match(true, [circle.centre.tolist() for circle in circles])
        missed += [hole.name for i, hole in enumerate(true) if i not in matched]
        for i, j in matched.items():
            values = _other_values(circles, j)
            deviations += _off(photo, method, true[i], values, inspection)
    centres = [circle.centre.tolist() for circle in next(iter(found.values()))]
    count = Count(method, photo.family, photo.name, len(photo.holes), tuple(missed), _invented(photo, centres))
    return Scored(deviations, [count])


def _other_values(circles: Sequence[InMm], j: int) -> dict[str, tuple[float, float]]:
    """Figures of circle j; its pitch is the distance to the nearest other circle."""
    nan = float("nan")
    here = circles[j]
    others = [float(np.hypot(*(other.centre - here.centre))) for i, other in enumerate(circles) if i != j]
    values = {"diameter": here.diameter, "edge distance": here.edge, "pitch": min(others, default=nan)}
    return {name: (value, nan) for name, value in values.items() if np.isfinite(value)}


@dataclass(frozen=True, slots=True)
class Statistics:
    """Of a set of deviations, mm: their number, mean, 95 % of their sizes, share held by U, and the middle U."""

    n: int
    bias: float
    p95: float
    covered: float
    U: float

    @property
    def words(self) -> tuple[str, str, str, str, str]:
        """n, bias, 95 % |error|, coverage, U: as cells of a table."""
        if not self.n:
            return "0", "-", "-", "-", "-"
        held = f"{100 * self.covered:.1f} %" if np.isfinite(self.U) else "-"
        U = f"{self.U:.3f}" if np.isfinite(self.U) else "-"
        return str(self.n), f"{self.bias:+.4f}", f"{self.p95:.3f}", held, U


def statistics(deviations: Sequence[Deviation]) -> Statistics:
    """Of these deviations."""
    if not deviations:
        return Statistics(0, *(float("nan"),) * 4)
    error, U = np.array([(d.error, d.U) for d in deviations]).T
    return Statistics(len(deviations), float(error.mean()), float(np.quantile(np.abs(error), 0.95)),
                      float((np.abs(error) <= U).mean()), float(np.median(U)))  # fmt: skip
