"""The shapes that the result page draws over a photo, as SVG in px of the upright photo (pixel centres at integers)."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from holeinspect.inspection import Finding, Hole, Inspection, Part, VerdictWord
from holeinspect.records.shapes import StandingHole, StandingShown
from holeinspect.report import words

Point = tuple[float, float]
Box = tuple[float, float, float, float]
"""Left, top, width, height."""

MARGIN_SHARE = 0.08
"""Free border round the parts in the first view, over the longer side of their box."""
KINDS: dict[VerdictWord, str] = {"good": "good", "rework": "rework", "measure by hand": "hand"}
"""Name of a verdict's mark and kind of line: one line, two lines, a broken line."""
STRUCK = "struck"
"""The same for what is no hole."""


@dataclass(frozen=True, slots=True)
class Rim:
    """One hole over the photo. key: the hole's name on this photo. to_edge: from its centre to the nearest edge."""

    key: str
    kind: str
    told: str
    path: str
    centre: Point
    radius: float
    to_edge: tuple[Point, Point] | None


@dataclass(frozen=True, slots=True)
class Spot:
    """One place to work on, with the number it has in the list."""

    number: int
    anchor: str
    box: Box
    doubt: bool
    told: str


@dataclass(frozen=True, slots=True)
class Overlay:
    """All shapes over a photo of width x height px; first_view holds every part."""

    width: int
    height: int
    first_view: Box
    edges: tuple[str, ...]
    rims: tuple[Rim, ...]
    spots: tuple[Spot, ...]


def overlay(inspection: Inspection, standing: StandingShown) -> Overlay:
    """The overlay of what a photo told, with the verdicts that stand after the corrections."""
    now = {hole.name: hole for hole in standing.holes}
    width, height = inspection.photo.width_px, inspection.photo.height_px
    return Overlay(
        width,
        height,
        first_view(inspection),
        tuple(_closed(line) for part in inspection.parts for line in _edge_lines(part)),
        tuple(_rim(key, hole, now.get(key)) for key, hole in words.named_holes(inspection)),
        tuple(_spot(number, finding) for number, finding in enumerate(inspection.findings, start=1)),
    )


def first_view(inspection: Inspection) -> Box:
    """The parts' common box with a margin, within the photo; the whole photo where there is no part."""
    width, height = inspection.photo.width_px, inspection.photo.height_px
    points = [point for part in inspection.parts for point in part.outline_px]
    if not points:
        return 0, 0, width, height
    xs, ys = zip(*points, strict=True)
    margin = MARGIN_SHARE * max(max(xs) - min(xs), max(ys) - min(ys))
    left, top = max(0, math.floor(min(xs) - margin)), max(0, math.floor(min(ys) - margin))
    right, bottom = min(width, math.ceil(max(xs) + margin)), min(height, math.ceil(max(ys) + margin))
    return left, top, right - left, bottom - top


def kind_of(verdict: VerdictWord, struck: bool = False) -> str:
    """Name of the mark and kind of line."""
    return STRUCK if struck else KINDS[verdict]


def _edge_lines(part: Part) -> Iterator[Sequence[Point]]:
    yield from filter(None, (part.outline_px, *(opening.outline_px for opening in part.openings)))


def _closed(points: Sequence[Point]) -> str:
    """A closed path to a tenth of a px; each point from the one before, as that takes half the letters."""
    tenths = [(round(10 * x), round(10 * y)) for x, y in points]
    moves = [(x - x0, y - y0) for (x, y), (x0, y0) in zip(tenths, [(0, 0), *tenths], strict=False)]
    return "m" + " ".join(f"{dx / 10:g},{dy / 10:g}" for dx, dy in moves) + "z"


def _rim(key: str, hole: Hole, now: StandingHole | None) -> Rim:
    verdict, struck = (hole.verdict, False) if now is None else (now.verdict, now.struck)
    told = f"{key}, struck: not a hole" if struck else f"{key}, {verdict}{_blamed(now)}"
    radius = max((math.dist(hole.centre_px, point) for point in hole.outline_px), default=0.0)
    to_edge = None if hole.edge_point_px is None else (hole.edge_from_px or hole.centre_px, hole.edge_point_px)
    path = _closed(hole.outline_px) if hole.outline_px else ""
    return Rim(key, kind_of(verdict, struck), told, path, hole.centre_px, radius, to_edge)


def _blamed(now: StandingHole | None) -> str:
    names = dict.fromkeys(reason.name for reason in now.reasons if reason.blocking) if now is not None else ()
    return f": {', '.join(names)}" if names else ""


def _spot(number: int, finding: Finding) -> Spot:
    left, top, right, bottom = finding.box_px
    told = f"{number}: {finding.kind}, {finding.place}"
    return Spot(number, f"finding-{number}", (left, top, right - left, bottom - top), not finding.decided, told)
