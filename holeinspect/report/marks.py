"""Findings in the marked picture: boxed and numbered, their contour drawn larger, rings round rims drawn faintly.

Photo frame: px of the upright photo. View frame: px of the marked picture.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from holeinspect.inspection import Finding, Hole, Inspection, VerdictWord
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


def draw_rings(pen: Pen, view: View, holes: Sequence[Hole]) -> None:
    """A faint line where the ring of a broken or countersunk rim ends on the face."""
    for hole in holes:
        if hole.ring is not None and hole.outline_px:
            width_px = hole.ring.width.value * rim_px_per_mm(hole) * view.scale
            pen.line(grown(view.at(hole.outline_px), width_px), RING_GREY, closed=True, widths=RING_WIDTHS)


@dataclass(frozen=True, slots=True)
class Place:
    """A finding in the picture: runs of its contour as drawn (N, 2) view px, and its box, corners (4, 2) view px."""

    found: Finding
    runs: tuple[Array, ...]
    box: Array

    @property
    def verdict(self) -> VerdictWord:
        """What the finding makes of its part."""
        return "rework" if self.found.decided else "measure by hand"


def places(inspection: Inspection, view: View, line_width: float) -> tuple[int, list[Place]]:
    """How many times as far off contours are drawn, and the place of every finding in their order."""
    listed = list(_found_contours(inspection))
    short = min(view.size)
    shown = [contour for _, contour in listed if contour is not None]
    times = exaggeration_for(shown, LIMIT_SHARE * short, MOST_SHARE * short, view.scale)
    found = []
    for finding, contour in listed:
        drawn = () if contour is None else tuple(view.at(contour.drawn(times)[run]) for run in _runs(finding, contour))
        found.append(Place(finding, drawn, _box(finding, drawn, view, line_width)))
    return times, found


def draw_findings(pen: Pen, found: Sequence[Place]) -> None:
    """The contour of each finding where it stands beyond the limit, and a box round its place."""
    for place in found:
        for run in place.runs:
            _draw_run(pen, run, place)
        Pen(pen.picture, pen.width * BOX_WIDTHS).verdict_line(place.box, place.verdict)


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


def _draw_run(pen: Pen, points: Array, place: Place) -> None:
    colour = COLOURS[place.verdict]
    if place.found.decided:
        pen.line(points, colour, widths=RUN_WIDTHS)
        return
    for dash in dashes(points, 3 * pen.width, 3 * pen.width, closed=False):
        pen.line(dash, colour, widths=RUN_WIDTHS)
