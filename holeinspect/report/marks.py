"""Findings in the marked picture: boxed and numbered, their contour drawn larger, rings round rims drawn faintly.

Photo frame: px of the upright photo. View frame: px of the marked picture.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from holeinspect.inspection import Finding, Hole, Inspection, Part, PartEdge, VerdictWord
from holeinspect.measured import Array
from holeinspect.report.deviation import Contour, beyond, exaggeration_for, part_contours, rim_px_per_mm
from holeinspect.report.strokes import COLOURS, Pen, dashes, grown
from holeinspect.report.view import View

LIMIT_SHARE, MOST_SHARE = 0.012, 0.04
"""Of the picture's short side: how long the limit and the greatest deviation are drawn at most."""
BOX_PAD_WIDTHS, LEAST_BOX_WIDTHS = 5.0, 14.0
"""Free border round a finding and least side of its box, in widths of the line."""
BOX_WIDTHS, RUN_WIDTHS = 0.6, 0.7
"""Of the lines of a box and of a contour, over those of a rim: the metal between them is what matters."""
RING_GREY = (215, 215, 215)
RING_WIDTHS = 0.2
UNSHOWN_DASH = 4.0
"""Length of a dash along an edge that the photo does not show well enough, and of the gap after it, in widths of the line."""


def draw_rings(pen: Pen, view: View, holes: Sequence[Hole]) -> None:
    """A faint line where the ring of a broken or countersunk rim ends on the face."""
    for hole in holes:
        if hole.ring is not None and hole.outline_px:
            width_px = hole.ring.width.value * rim_px_per_mm(hole) * view.scale
            pen.line(grown(view.at(hole.outline_px), width_px), RING_GREY, closed=True, widths=RING_WIDTHS)


def unshown_edges(part: Part) -> list[PartEdge]:
    """Edges of an examined part on which the photo may hide a burr of the limit."""
    edges = [*part.edges, *(edge for opening in part.openings for edge in opening.edges)]
    return [edge for edge in edges if edge.condition is None or not edge.condition.shown]


def draw_unshown_edges(pen: Pen, view: View, part: Part) -> None:
    """A broken line along each of them."""
    for edge in unshown_edges(part):
        if len(edge.points_px) > 1:
            for dash in dashes(view.at(edge.points_px), UNSHOWN_DASH * pen.width, UNSHOWN_DASH * pen.width, closed=False):
                pen.line(dash, COLOURS["measure by hand"], widths=BOX_WIDTHS)


@dataclass(frozen=True, slots=True)
class Place:
    """Findings that share a box in the picture: those of one rim or edge whose boxes would overlap.

    numbers: of the findings, from 1. runs: of the contour as drawn, (N, 2) view px each, and whether decided. box: its corners
    (4, 2), view px.
    """

    findings: tuple[Finding, ...]
    numbers: tuple[int, ...]
    runs: tuple[tuple[Array, bool], ...]
    box: Array

    @property
    def verdict(self) -> VerdictWord:
        """What the worst of the findings makes of its part."""
        return _verdict(any(found.decided for found in self.findings))

    @property
    def label(self) -> str:
        """The numbers: `4`, or `4, 5, 7`."""
        return ", ".join(map(str, self.numbers))


def places(inspection: Inspection, view: View, line_width: float) -> tuple[int, list[Place]]:
    """How many times as far off contours are drawn, and every finding's place."""
    listed = list(_found_contours(inspection))
    short = min(view.size)
    shown = [contour for _, contour in listed if contour is not None]
    times = exaggeration_for(shown, LIMIT_SHARE * short, MOST_SHARE * short, view.scale)
    found: list[Place] = []
    for number, (finding, contour) in enumerate(listed, 1):
        drawn = () if contour is None else tuple(view.at(contour.drawn(times)[run]) for run in _runs(finding, contour))
        runs = tuple((run, finding.decided) for run in drawn)
        found = _joined(found, Place((finding,), (number,), runs, _box(finding, drawn, view, line_width)))
    return times, found


def _joined(found: Sequence[Place], place: Place) -> list[Place]:
    """The places with one more; those that it overlaps on its own rim or edge become one with it."""
    touching = [one for one in found if _overlap(one, place)]
    if not touching:
        return [*found, place]
    group = [*touching, place]
    low, high = np.min([one.box[0] for one in group], axis=0), np.max([one.box[2] for one in group], axis=0)
    joined = Place(
        tuple(finding for one in group for finding in one.findings),
        tuple(number for one in group for number in one.numbers),
        tuple(run for one in group for run in one.runs),
        np.array([low, [high[0], low[1]], high, [low[0], high[1]]]),
    )
    return [*(one for one in found if not any(one is other for other in touching)), joined]


def _overlap(one: Place, other: Place) -> bool:
    """Whether two places of one rim or edge have boxes that overlap; a coarse edge's box is all of it, and stays alone."""
    first, second = one.findings[0], other.findings[0]
    if "coarse edge" in (first.kind, second.kind):
        return False
    apart = (one.box[2] < other.box[0]).any() or (other.box[2] < one.box[0]).any()
    return (first.part, first.subject) == (second.part, second.subject) and not apart


def draw_findings(pen: Pen, found: Sequence[Place]) -> None:
    """The contour of each finding where it stands beyond the limit, and a box round its place."""
    for place in found:
        for run, is_decided in place.runs:
            _draw_run(pen, run, is_decided)
        Pen(pen.picture, pen.width * BOX_WIDTHS).verdict_line(place.box, place.verdict)


def _verdict(is_decided: bool) -> VerdictWord:
    return "rework" if is_decided else "measure by hand"


def _box(found: Finding, runs: Sequence[Array], view: View, line_width: float) -> Array:
    """Round the finding's own box and its contour as drawn, large enough to be seen."""
    points = np.vstack([view.at([found.box_px[:2], found.box_px[2:]]), *runs])
    low, high = points.min(axis=0) - BOX_PAD_WIDTHS * line_width, points.max(axis=0) + BOX_PAD_WIDTHS * line_width
    middle, half = (low + high) / 2, np.maximum((high - low) / 2, LEAST_BOX_WIDTHS * line_width / 2)
    return np.asarray(middle + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]))


def _found_contours(inspection: Inspection) -> Iterator[tuple[Finding, Contour | None]]:
    """Each finding with the contour that it lies on, if that was examined."""
    known = {
        (part.name, contour.subject): contour
        for part in inspection.parts
        for contour in part_contours(part, inspection.scale.px_per_mm)
    }
    for found in inspection.findings:
        yield found, known.get((found.part, found.subject))


def _runs(found: Finding, contour: Contour) -> list[Array]:
    """Indices of the contour to be drawn: what passes the limit within the box, or else all that lies within it."""
    x0, y0, x1, y1 = found.box_px
    x, y = contour.points_px.T
    inside = (x >= x0) & (x <= x1) & (y >= y0) & (y <= y1)
    runs = [run for run in beyond(contour) if inside[run].any()]
    if runs or found.kind == "sharp corner":
        return runs
    cuts = np.flatnonzero(np.diff(np.flatnonzero(inside)) > 1) + 1
    return [run for run in np.split(np.flatnonzero(inside), cuts) if len(run) > 1]


def _draw_run(pen: Pen, points: Array, is_decided: bool) -> None:
    colour = COLOURS[_verdict(is_decided)]
    if is_decided:
        pen.line(points, colour, widths=RUN_WIDTHS)
        return
    for dash in dashes(points, 3 * pen.width, 3 * pen.width, closed=False):
        pen.line(dash, colour, widths=RUN_WIDTHS)
