"""Several loose markers of one stated size in one plane: each square tells the tilt, all of them together tell it well.

Mat frame: origin at the middle of the largest marker in the picture, x right and y up as it is printed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from holeinspect.errors import ScaleNotFound
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.camera import Camera
from holeinspect.scale.references import MarkersReference
from holeinspect.scale.solve import FOCAL_UNKNOWN, Boundaries, FocalPrior, first_camera
from holeinspect.scale.steps import STATIONS, edge_places

LEAST_MARKERS = 2
STRETCHES = 4
"""Places looked at along each side of a marker."""
TRIM = 0.16
EDGE_U_PX = 0.05
"""Standard uncertainty of one stretch of a printed border."""
SEARCH_SHARE, SEARCH_LEAST_PX = 0.05, 2.5


@dataclass(frozen=True, slots=True)
class SeenMarkers:
    """Their borders: points (K, 2) px with normals into the black, the marker (K,) and side (K,) of each.

    corners_px: (M, 4, 2) rough, clockwise from the upper left as printed, largest marker first.
    """

    reference: MarkersReference
    base_mm: float
    corners_px: Array
    edge_px: Array
    to_dark: Array
    marker: Array
    side: Array
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
        """Each point's foot on its side; the places of all markers but the first are left loose."""
        mat, z_mm = np.empty_like(self.edge_px), np.full(len(self.edge_px), self.base_mm)
        seen = camera.to_plane(self.edge_px, self.base_mm)
        corners = camera.to_plane(self.corners_px.reshape(-1, 2), self.base_mm).reshape(-1, 4, 2)
        for number, found in enumerate(corners):
            rows = self.marker == number
            middle, turn = (np.zeros(2), np.eye(2)) if number == 0 else _laid(found)
            local = (seen[rows] - middle) @ turn
            out = OUT[self.side[rows]]
            foot = local + (self.reference.size_mm / 2 - np.sum(out * local, axis=1))[:, None] * out
            mat[rows] = foot @ turn.T + middle
        return Boundaries(mat, self.edge_px, self.to_dark, np.full(len(mat), EDGE_U_PX), np.ones(len(mat)), z_mm, self.marker)


SQUARE = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
OUT = np.array([[0.0, 1.0], [1.0, 0.0], [0.0, -1.0], [-1.0, 0.0]])


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
    ordered = sorted(found.values(), key=lambda corners: -_width(corners))
    rows: dict[str, list[Any]] = {"edge": [], "dark": [], "marker": [], "side": []}
    sigmas = []
    for number, corners in enumerate(ordered):
        for k in range(4):
            points, dark, sigma = _border(photo.luma, corners, k)
            sigmas.append(sigma)
            rows["edge"].append(points)
            rows["dark"].append(dark)
            rows["marker"].append(np.full(len(points), number))
            rows["side"].append(np.full(len(points), k))
    edge, dark, marker, side = (np.concatenate(rows[name]) for name in ("edge", "dark", "marker", "side"))
    return SeenMarkers(reference, base_mm, np.array(ordered), edge, dark, marker, side, float(np.median(sigmas)))


def _width(corners: Array) -> float:
    return float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).mean())


def _border(luma: Array, corners: Array, k: int) -> tuple[Array, Array, float]:
    """Points (K, 2) on one side, unit normals into the black, which lies inside, and the blur in px."""
    start, end = corners[k], corners[(k + 1) % 4]
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    out = np.array([along[1], -along[0]])
    at = TRIM + (1 - 2 * TRIM) * (np.arange(STRETCHES * STATIONS) + 0.5) / (STRETCHES * STATIONS)
    stations = (start + at[:, None] * (end - start)).reshape(STRETCHES, STATIONS, 2)
    edges = edge_places(luma, stations, np.broadcast_to(out, stations.shape), max(SEARCH_SHARE * length, SEARCH_LEAST_PX))
    points = stations.mean(axis=1) + edges.place_px[:, None] * out
    kept = edges.seen & (edges.darker < 0)
    return points[kept], np.tile(-out, (int(kept.sum()), 1)), edges.sigma_px
