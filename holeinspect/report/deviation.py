"""Contours drawn by their deviation: what stands into an opening or off an edge, larger than it is.

Photo frame: px of the upright photo. Deviations are positive into the opening or off the edge; a contour's drawn points lie
`exaggeration` times as far from its fitted form as the seen ones.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from holeinspect.inspection import Condition, Hole, OtherOpening, Part, PartEdge
from holeinspect.measured import Array

EXAGGERATIONS = (1, 2, 5, 10, 20, 50)
"""Round numbers that a person can divide by."""
TANGENT_ENTRIES = 5
"""Entries of a profile on either side of a point that give the direction of the edge there."""
PROBE_PX = 2.0
"""How far beside an edge it is looked on which side the metal lies."""


@dataclass(frozen=True, slots=True)
class Contour:
    """A contour as seen: points (N, 2) px, deviations (N,) mm, unit directions (N, 2) of a positive one, px a mm there.

    places: (N,) clock hours on a rim, mm from its start on an edge. closed: a rim.
    """

    subject: str
    places: Array
    points_px: Array
    deviation_mm: Array
    towards: Array
    px_per_mm: float
    limit_mm: float
    closed: bool

    def drawn(self, exaggeration: float) -> Array:
        """Points (N, 2) px with all deviations `exaggeration` times as large."""
        return np.asarray(
            self.points_px + (exaggeration - 1) * self.px_per_mm * self.deviation_mm[:, None] * self.towards
        )

    def form(self) -> Array:
        """The fitted form (N, 2) px."""
        return self.drawn(0.0)


def rim_contour(rim: Hole | OtherOpening) -> Contour | None:
    """The rim's contour; None where it was not examined."""
    condition = rim.condition
    if condition is None or not condition.contour_px:
        return None
    points = np.asarray(condition.contour_px, float)
    centre = rim_centre(rim)
    inward = centre - points
    inward /= np.maximum(np.hypot(*inward.T), 1e-9)[:, None]
    return _contour(rim.name, condition, inward, rim_px_per_mm(rim), closed=True)


def edge_contour(edge: PartEdge, metal_px: Array, px_per_mm: float, opening: bool = False) -> Contour | None:
    """An edge's contour; None where it was not examined. metal_px: (M, 2), the closed outline of which it is a piece.

    opening: the outline bounds a cut-out, and the metal lies outside it.
    """
    condition = edge.condition
    if condition is None or len(condition.contour_px) < 2:
        return None
    points = np.asarray(condition.contour_px, float)
    along = _tangents(points)
    away = np.column_stack([along[:, 1], -along[:, 0]])
    ring = metal_px.astype(np.float32).reshape(-1, 1, 2)
    inside = [cv2.pointPolygonTest(ring, (float(x), float(y)), False) > 0 for x, y in points + PROBE_PX * away]
    wrong = np.mean(inside) > 0.5
    return _contour(edge.name, condition, -away if wrong != opening else away, px_per_mm, closed=False)


def rim_centre(rim: Hole | OtherOpening) -> Array:
    """Middle (2,) of the rim, px."""
    return np.asarray(rim.centre_px if isinstance(rim, Hole) else np.mean(rim.outline_px, axis=0), float)


def rim_px_per_mm(rim: Hole | OtherOpening) -> float:
    """Pixels of the photo a millimetre of the rim, from the area within its outline."""
    if not rim.outline_px or rim.diameter is None or rim.diameter.value <= 0:
        return 1.0
    area_px = cv2.contourArea(np.asarray(rim.outline_px, np.float32).reshape(-1, 1, 2))
    return float(np.sqrt(4 * area_px / np.pi) / rim.diameter.value)


def part_contours(part: Part, px_per_mm: float) -> Iterator[Contour]:
    """Every examined contour of a part: rims, outer edges, edges of cut-outs."""
    rims: Sequence[Hole | OtherOpening] = (*part.holes, *part.openings)
    found = [rim_contour(rim) for rim in rims]
    found += [edge_contour(edge, np.asarray(part.outline_px, float), px_per_mm) for edge in part.edges]
    for opening in part.openings:
        outline = np.asarray(opening.outline_px, float)
        found += [edge_contour(edge, outline, px_per_mm, opening=True) for edge in opening.edges]
    yield from (contour for contour in found if contour is not None)


def exaggeration_for(shown: Iterable[Contour], limit_at_px: float, most_px: float, scale: float = 1.0) -> int:
    """The largest round number that draws no limit longer than `limit_at_px` and nothing longer than `most_px`.

    Lengths in px of a picture that is `scale` times the photo.
    """
    listed = list(shown)
    if not listed:
        return 1
    limit = max(one.limit_mm * one.px_per_mm for one in listed) * scale
    most = max(float(np.abs(one.deviation_mm).max()) * one.px_per_mm for one in listed) * scale
    fits = [number for number in EXAGGERATIONS if number * limit <= limit_at_px and number * most <= most_px]
    return fits[-1] if fits else EXAGGERATIONS[0]


def beyond(contour: Contour) -> list[Array]:
    """Indices of each run of entries that stand beyond the limit either way, a neighbour at both ends included."""
    over = np.abs(contour.deviation_mm) > contour.limit_mm
    if not over.any():
        return []
    count = len(over)
    first = int(np.argmin(over)) if contour.closed else 0
    order = (np.arange(count) + first) % count
    cuts = np.flatnonzero(np.diff(np.concatenate([[False], over[order], [False]]).astype(int)))
    runs = []
    for start, end in cuts.reshape(-1, 2):
        wide = np.arange(start - 1, end + 1)
        runs.append(order[wide % count] if contour.closed else order[wide[(wide >= 0) & (wide < count)]])
    return runs


def _contour(name: str, condition: Condition, towards: Array, px_per_mm: float, closed: bool) -> Contour:
    profile = np.asarray(condition.profile, float).reshape(-1, 3)
    points = np.asarray(condition.contour_px, float)
    return Contour(name, profile[:, 0], points, profile[:, 1], towards, px_per_mm, condition.limit_mm, closed)


def _tangents(points: Array) -> Array:
    """Unit directions (N, 2) along an open contour, over some entries so that burrs do not turn them."""
    ahead = np.minimum(np.arange(len(points)) + TANGENT_ENTRIES, len(points) - 1)
    behind = np.maximum(np.arange(len(points)) - TANGENT_ENTRIES, 0)
    along = points[ahead] - points[behind]
    return np.asarray(along / np.maximum(np.hypot(*along.T), 1e-9)[:, None])
