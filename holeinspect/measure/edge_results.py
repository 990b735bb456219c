"""From surveyed contours to the result's records: edges and corners with their names, places to work on, and the findings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from holeinspect.edges.walk import RoundedCorner
from holeinspect.inspection import Condition, Corner, Figure, PartEdge
from holeinspect.inspection import Finding as Place
from holeinspect.measure.edge_condition import COARSE_LIMIT_MM, SHORT_CUTOFF_MM, EdgeCondition, Survey
from holeinspect.measure.edge_condition import Place as EdgePlace
from holeinspect.measured import Array, Measured
from holeinspect.rules import Decision, Finding, PlaceFigures, PlaceName, judge_place
from holeinspect.scale.camera import Camera
from holeinspect.units import MM_PER_INCH, LengthUnit

PROFILE_POINTS = 120
"""Points of an edge's profile in the result; each is the farthest off of those it stands for."""
BOX_MARGIN_MM = 0.8
"""Picture round a place that is shown with it."""
LOST_EDGE_MM, LOST_CONTOUR_MM = 2.0, 3.0
"""Length of one edge, and of a whole contour, that may be out of sight before its condition counts as not shown."""
OUT_OF_REACH_U_MM = 0.5
"""Standard uncertainty of a corner's radius from which it is not stated at all."""
LEVEL_SLACK_MM = 1e-9


@dataclass(frozen=True, slots=True)
class EdgeLimits:
    """What a part's edges may be: greatest burr and stub, deepest nick, least radius of inside corners (None: not judged)."""

    burr_mm: float
    nick_mm: float
    corner_mm: float | None

    def of(self, kind: PlaceName) -> float:
        """The limit of one kind of place, mm."""
        return {"nick": self.nick_mm, "coarse edge": COARSE_LIMIT_MM}.get(kind, self.burr_mm)


@dataclass(frozen=True, slots=True)
class Sight:
    """Where the records are for: the part's name, its upper face, the camera, and the units of sentences."""

    part: str
    top_mm: float
    camera: Camera
    units: LengthUnit

    def px(self, points_mm: Array) -> Array:
        """Picture (N, 2) px of points (N, 2) mm on the upper face."""
        return self.camera.project(np.column_stack([points_mm, np.full(len(points_mm), self.top_mm)]))


@dataclass(slots=True)
class EdgeResults:
    """Records of all contours of a part: edges by contour (the outline first), corners, findings and places to work on.

    not_shown: whether somewhere a burr of the limit could have hidden in what was seen. lost: whether much was not seen.
    """

    edges: list[tuple[PartEdge, ...]] = field(default_factory=list)
    corners: list[Corner] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    places: list[Place] = field(default_factory=list)
    not_shown: bool = False
    lost: bool = False


def edge_results(surveys: Sequence[Survey], limits: EdgeLimits, sight: Sight) -> EdgeResults:
    """Name, record and judge the edges and corners of all contours; names go on from one contour to the next."""
    results = EdgeResults()
    for survey in surveys:
        _add(results, survey, limits, sight)
    return results


def _add(results: EdgeResults, survey: Survey, limits: EdgeLimits, sight: Sight) -> None:
    edges = _from_upper_left(survey.edges)
    corner_names = _corner_names(edges, survey, first=len(results.corners) + 1)
    number = sum(len(records) for records in results.edges)
    records = []
    for condition in edges:
        number += 1
        ends = (_named(corner_names, condition.edge.start), _named(corner_names, condition.edge.end))
        records.append(_edge_record(f"E{number}", condition, ends, limits, sight))
        for finding, place in _judged(f"E{number}", condition, ends, limits, sight):
            results.findings.append(finding)
            results.places.append(place)
    results.edges.append(tuple(records))
    for index, name in corner_names.items():
        _add_corner(results, name, survey.corners[index], limits, sight)
    hidden = any(record.condition is not None and not record.condition.shown for record in records)
    results.not_shown |= hidden
    results.lost |= survey.lost_mm > LOST_CONTOUR_MM


def _from_upper_left(edges: Sequence[EdgeCondition]) -> list[EdgeCondition]:
    """The edges in walking order from the one that starts nearest the mat's upper left."""
    if not edges:
        return []
    first = int(np.argmax([float(edge.edge.form_mm[0] @ (-1.0, 1.0)) for edge in edges]))
    return [*edges[first:], *edges[:first]]


def _corner_names(edges: Sequence[EdgeCondition], survey: Survey, first: int) -> dict[int, str]:
    """Names of the corners by their index, in the order in which the edges meet them."""
    met = [end for condition in edges for end in (condition.edge.start, condition.edge.end) if end is not None]
    order = [*dict.fromkeys(met), *(i for i in range(len(survey.corners)) if i not in met)]
    return {index: f"K{first + i}" for i, index in enumerate(order)}


def _named(names: dict[int, str], index: int | None) -> str | None:
    return None if index is None else names[index]


Ends = tuple[str | None, str | None]
"""Names of the corners that an edge starts and ends at."""


def _edge_record(name: str, condition: EdgeCondition, ends: Ends, limits: EdgeLimits, sight: Sight) -> PartEdge:
    edge = condition.edge
    step = max(1, len(edge.form_mm) // PROFILE_POINTS)
    points = np.vstack([edge.form_mm[::step], edge.form_mm[-1:]])
    return PartEdge(
        name=name,
        kind=edge.kind,
        points_px=_pairs(sight.px(points)),
        length_mm=round(edge.length_mm, 3),
        start_corner=ends[0],
        end_corner=ends[1],
        condition=_condition_record(condition, limits) if np.isfinite(condition.profile_mm).any() else None,
    )


def _condition_record(condition: EdgeCondition, limits: EdgeLimits) -> Condition:
    low, high = (condition.affected_share(limits.burr_mm + sign * 2 * condition.protrusion.u,
                                          limits.nick_mm + sign * 2 * condition.protrusion.u) for sign in (1, -1))  # fmt: skip
    share = condition.affected_share(limits.burr_mm, limits.nick_mm)
    lost_mm = (1 - condition.seen_share) * condition.edge.length_mm
    kept = _kept(condition.profile_mm)
    profile = np.column_stack([condition.edge.at_mm, condition.profile_mm, condition.u_mm])[kept]
    return Condition(
        protrusion=_figure(condition.protrusion),
        protrusion_at=_rounded(condition.protrusion_at),
        recess=_figure(condition.recess),
        recess_at=_rounded(condition.recess_at),
        rms=_figure(condition.rms),
        affected_share=Figure(value=share, u=(high - low) / 4, unit="1"),
        cutoff=SHORT_CUTOFF_MM,
        cutoff_unit="mm",
        limit_mm=limits.burr_mm,
        smallest_shown_mm=round(condition.smallest_shown_mm, 4),
        shown=condition.smallest_shown_mm <= limits.burr_mm + LEVEL_SLACK_MM and lost_mm <= LOST_EDGE_MM,
        profile=tuple((round(float(at), 2), round(float(off), 4), round(float(u), 4)) for at, off, u in profile),
        contour_px=_pairs(condition.edge.points_px[kept]),
    )


def _kept(profile: Array) -> list[int]:
    """Indices of the points that stand for a profile: the farthest off in each of PROFILE_POINTS pieces of what was seen."""
    seen = np.flatnonzero(np.isfinite(profile))
    pieces = np.array_split(seen, min(PROFILE_POINTS, len(seen)))
    return [int(piece[np.argmax(np.abs(profile[piece]))]) for piece in pieces]


def _judged(name: str, condition: EdgeCondition, ends: Ends, limits: EdgeLimits,
            sight: Sight) -> Iterator[tuple[Finding, Place]]:  # fmt: skip
    """The places of an edge that are, or may be, beyond their limits."""
    for place in condition.places:
        limit_mm = limits.of(place.kind)
        where = name if place.kind == "coarse edge" else _where(name, condition.edge.length_mm, place.at_mm, ends, sight.units)
        figures = PlaceFigures(name=place.kind, subject=name, where=where, size=place.size, limit_mm=limit_mm)
        finding = judge_place(figures, sight.units)
        if finding.decision is not Decision.GOOD:
            yield finding, _place_record(condition, place, figures, finding, sight)


def _where(name: str, length_mm: float, at_mm: float, ends: Ends, units: LengthUnit) -> str:
    """In words: the distance from the nearest corner along the edge, from its start where it has none."""
    start, end = ends
    if end is not None and (start is None or at_mm > length_mm / 2):
        return f"{name}, {_distance(length_mm - at_mm, units)} from {end}"
    return f"{name}, {_distance(at_mm, units)} from {start if start is not None else 'its start'}"


def _distance(mm: float, units: LengthUnit) -> str:
    return f"{mm:.0f} mm" if units == "mm" else f"{mm / MM_PER_INCH:.1f} in"


def _place_record(condition: EdgeCondition, place: EdgePlace, figures: PlaceFigures, finding: Finding, sight: Sight) -> Place:
    edge = condition.edge
    inside = (edge.at_mm >= place.low_mm) & (edge.at_mm <= place.high_mm)
    px = edge.points_px[inside] if inside.any() else edge.points_px
    nearest = int(np.argmin(np.abs(edge.at_mm - place.at_mm)))
    return Place(
        kind=figures.name,
        part=sight.part,
        subject=figures.subject,
        place=figures.where,
        at=round(place.at_mm, 2),
        size=_figure(figures.size),
        length_mm=round(place.high_mm - place.low_mm, 2),
        limit_mm=figures.limit_mm,
        decided=finding.decision is Decision.REWORK,
        box_px=_box(px, BOX_MARGIN_MM / edge.step_mm),
        point_px=_pair(edge.points_px[nearest]),
        sentence=finding.detail,
        remedy=finding.reason.remedy,
    )


def _add_corner(results: EdgeResults, name: str, corner: RoundedCorner, limits: EdgeLimits, sight: Sight) -> None:
    """Record a corner, and judge it where it is an inside one and a least radius was stated."""
    kind: Literal["inside", "outside"] = corner.kind
    judged = limits.corner_mm is not None and kind == "inside"
    stated = corner.radius_u < OUT_OF_REACH_U_MM
    point_px = sight.px(corner.middle[None])[0]
    radius = Measured(corner.radius, corner.radius_u if stated else np.inf)
    results.corners.append(
        Corner(
            name=name,
            kind=kind,
            radius=_figure(radius) if stated else None,
            point_mm=_pair(corner.middle),
            point_px=_pair(point_px),
            limit_mm=limits.corner_mm if judged else None,
        )
    )
    if not judged or limits.corner_mm is None:
        return
    figures = PlaceFigures(name="sharp corner", subject=name, where=name, size=radius, limit_mm=limits.corner_mm)
    finding = judge_place(figures, sight.units)
    if finding.decision is not Decision.GOOD:
        results.findings.append(finding)
        results.places.append(_corner_place(corner, figures, finding, sight))


def _corner_place(corner: RoundedCorner, figures: PlaceFigures, finding: Finding, sight: Sight) -> Place:
    reach = max(corner.radius, BOX_MARGIN_MM)
    around = corner.middle + reach * np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
    return Place(
        kind="sharp corner",
        part=sight.part,
        subject=figures.subject,
        place=figures.where,
        size=Figure(value=corner.radius, u=min(corner.radius_u, LARGEST_U_MM)),
        limit_mm=figures.limit_mm,
        decided=finding.decision is Decision.REWORK,
        box_px=_box(sight.px(around), 0.0),
        point_px=_pair(sight.px(corner.middle[None])[0]),
        sentence=finding.detail,
        remedy=finding.reason.remedy,
    )


LARGEST_U_MM = 10.0
"""What stands for an uncertainty without bound in a record."""


def _figure(measured: Measured) -> Figure:
    return Figure(value=measured.value, u=min(measured.u, LARGEST_U_MM), unit=measured.unit)


def _rounded(at_mm: float | None) -> float | None:
    return None if at_mm is None else round(at_mm, 2)


def _box(px: Array, margin: float) -> tuple[float, float, float, float]:
    low, high = px.min(axis=0) - margin, px.max(axis=0) + margin
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _pair(point: Array) -> tuple[float, float]:
    return round(float(point[0]), 3), round(float(point[1]), 3)


def _pairs(points: Array) -> tuple[tuple[float, float], ...]:
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in points)
