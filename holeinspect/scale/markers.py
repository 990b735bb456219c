"""Several loose markers of one stated size in one plane: each square tells the tilt, all of them together tell it well.

Mat frame: origin at the middle of the largest marker in the picture, x right and y up as it is printed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, NamedTuple

import cv2
import numpy as np

from holeinspect.errors import ScaleNotFound
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.camera import Camera
from holeinspect.scale.cells import cell_sides, marker_cells
from holeinspect.scale.references import MarkersReference
from holeinspect.scale.sides import Sides
from holeinspect.scale.solve import FOCAL_UNKNOWN, Boundaries, FocalPrior, first_camera
from holeinspect.scale.steps import STATIONS, edge_places
from holeinspect.scale.targets import dictionary_of

LEAST_MARKERS = 2
STRETCHES_PER_CELL = 1
"""Places looked at along a boundary, for each cell that it is long."""
TRIM = 0.16
"""Share of a boundary left out at each end, where the corner's blur reaches."""
EDGE_U_PX = 0.05
"""Standard uncertainty of one stretch of a printed border."""
SEARCH_SHARE, SEARCH_LEAST_PX = 0.3, 2.5
"""How far to either side a boundary is looked for, over a cell's width, and at least."""


@dataclass(frozen=True, slots=True)
class SeenMarkers:
    """The boundaries between their black and white: points (K, 2) px, unit normals (K, 2) into the black, the marker (K,) of
    each, and the line (K, 3) that it is on, in the marker's own frame: mm, unit normal into the black and distance along it.

    corners_px: (M, 4, 2) rough, clockwise from the upper left as printed, largest marker first.
    """

    reference: MarkersReference
    base_mm: float
    corners_px: Array
    edge_px: Array
    to_dark: Array
    marker: Array
    line: Array
    sigma_px: float

    tells_tilt: ClassVar[bool] = True
    tells_roll: ClassVar[bool] = True
    aspect_u: ClassVar[float] = 0.0

    @property
    def middle_px(self) -> Array:
        """(2,)."""
        return np.asarray(self.corners_px[0].mean(axis=0))

    def start(self, focal_px: float, size_px: tuple[int, int]) -> Camera:
        """From the largest marker's corners."""
        return first_camera(self._square, self.corners_px[0], size_px, FocalPrior(focal_px, FOCAL_UNKNOWN))

    @property
    def _square(self) -> Array:
        return self.reference.size_mm / 2 * SQUARE

    def boundaries(self, camera: Camera) -> Boundaries:
        """Each point's foot on its line; the places of all markers but the first are left loose."""
        mat, z_mm = np.empty_like(self.edge_px), np.full(len(self.edge_px), self.base_mm)
        seen = camera.to_plane(self.edge_px, self.base_mm)
        corners = camera.to_plane(self.corners_px.reshape(-1, 2), self.base_mm).reshape(-1, 4, 2)
        for number, found in enumerate(corners):
            rows = self.marker == number
            middle, turn = (np.zeros(2), np.eye(2)) if number == 0 else _laid(found)
            local = (seen[rows] - middle) @ turn
            into, at_mm = self.line[rows, :2], self.line[rows, 2]
            foot = local + (at_mm - np.sum(into * local, axis=1))[:, None] * into
            mat[rows] = foot @ turn.T + middle
        return Boundaries(mat, self.edge_px, self.to_dark, np.full(len(mat), EDGE_U_PX), np.ones(len(mat)), z_mm, self.marker)


SQUARE = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])


def _laid(corners_mm: Array) -> tuple[Array, Array]:
    """Middle (2,) and rotation (2, 2), local axes as columns, of a square by its four corners."""
    middle = corners_mm.mean(axis=0)
    u, _, v = np.linalg.svd((corners_mm - middle).T @ SQUARE)
    return middle, np.asarray(u @ v)


def see_markers(photo: Photo, reference: MarkersReference, base_mm: float, found: dict[int, Array]) -> SeenMarkers:
    """The borders of the markers found (id to corners (4, 2) px). Raises ScaleNotFound when they are too few."""
    if len(found) < LEAST_MARKERS:
        raise ScaleNotFound(
            f"{photo.name} shows {len(found)} markers of {reference.dictionary}; {LEAST_MARKERS} or more are needed. Check the "
            "dictionary, take them whole into the picture, or name a single one with --reference marker."
        )
    dictionary = dictionary_of(reference.dictionary)
    ordered = sorted(found.items(), key=lambda one: -_width(one[1]))
    seen = [_look_at(photo.luma, corners, cell_sides(marker_cells(dictionary, number), reference.size_mm), reference.size_mm)
            for number, corners in ordered]  # fmt: skip
    marker = np.repeat(np.arange(len(seen)), [len(one.points_px) for one in seen])
    edge, dark, line = (np.concatenate(column) for column in zip(*(one[:3] for one in seen), strict=True))
    corners_px = np.array([corners for _, corners in ordered])
    return SeenMarkers(reference, base_mm, corners_px, edge, dark, marker, line, float(np.median([one.sigma_px for one in seen])))


class _Look(NamedTuple):
    """Of one marker: points (K, 2) px on its boundaries, unit normals (K, 2) into the black, lines (K, 3), and the blur."""

    points_px: Array
    to_dark: Array
    line: Array
    sigma_px: float


def _width(corners: Array) -> float:
    return float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).mean())


def _look_at(luma: Array, corners: Array, sides: Sides, size_mm: float) -> _Look:
    """One marker's boundaries, each in as many places as it is cells long."""
    px_from_mm = cv2.getPerspectiveTransform((size_mm / 2 * SQUARE).astype(np.float32), corners.astype(np.float32))
    way = sides.end_mm - sides.start_mm
    cells = np.rint(np.hypot(*way.T) / sides.margin_mm).astype(int) * STRETCHES_PER_CELL
    of = np.repeat(np.arange(len(sides)), cells)
    within = np.concatenate([np.arange(count) for count in cells])
    share = (within[:, None] + (np.arange(STATIONS) + 0.5) / STATIONS) / cells[of, None]
    stations_mm = sides.start_mm[of, None] + (TRIM + (1 - 2 * TRIM) * share)[..., None] * way[of, None]
    both_mm = np.stack([stations_mm, stations_mm + AHEAD_MM * sides.to_black[of, None]])
    stations, ahead = cv2.perspectiveTransform(both_mm.reshape(1, -1, 2), px_from_mm).reshape(both_mm.shape)
    to_dark = (ahead - stations).mean(axis=1)
    to_dark /= np.hypot(*to_dark.T)[:, None]
    cell_px = _width(corners) * float(sides.margin_mm[0]) / size_mm
    reach = max(SEARCH_SHARE * cell_px, SEARCH_LEAST_PX)
    edges = edge_places(luma, stations, np.broadcast_to(to_dark[:, None], stations.shape), reach)
    points = stations.mean(axis=1) + edges.place_px[:, None] * to_dark
    kept = edges.seen & (edges.darker > 0)
    line = np.column_stack([sides.to_black, np.sum(sides.to_black * sides.start_mm, axis=1)])[of]
    return _Look(points[kept], to_dark[kept], line[kept], edges.sigma_px)


AHEAD_MM = 0.1
"""Step into the black by which its direction in the picture is found."""
