"""Two points that the user marks, with the distance between them.

Mat frame: origin midway between them, x from the first to the second, z = 0 on the table.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from holeinspect.errors import ScaleNotFound
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.camera import Camera
from holeinspect.scale.observed import over, straight_down
from holeinspect.scale.references import PointsReference
from holeinspect.scale.solve import Boundaries

TAP_U_SHARE, TAP_LEAST_U_PX = 0.0004, 0.7
"""Standard uncertainty of a marked point about each axis, over the picture's long side, and at least: 1.6 px of 4032, a tap
in an enlarged picture (ours)."""
LEAST_APART_PX = 60.0
USUAL_BLUR_PX = 1.0
"""Blur of edges in a picture that shows none of known form."""


@dataclass(frozen=True, slots=True)
class SeenPoints:
    """Both points, (2, 2) px, u_px about each axis; sigma_px: usual blur."""

    reference: PointsReference
    base_mm: float
    points_px: Array
    u_px: float
    sigma_px: float

    tells_tilt: ClassVar[bool] = False
    tells_roll: ClassVar[bool] = True
    aspect_u: ClassVar[float] = 0.0

    @property
    def middle_px(self) -> Array:
        """(2,)."""
        return np.asarray(self.points_px.mean(axis=0))

    def start(self, focal_px: float, size_px: tuple[int, int]) -> Camera:
        """Straight above, as high as their distance says."""
        way = self.points_px[1] - self.points_px[0]
        depth = focal_px * self.reference.distance_mm / float(np.hypot(*way))
        roll = -float(np.arctan2(way[1], way[0]))
        return over(straight_down(focal_px, size_px, depth + self.base_mm, roll), self.middle_px)

    def boundaries(self, camera: Camera) -> Boundaries:
        """Each point about both axes of the picture."""
        half = self.reference.distance_mm / 2
        ends = np.array([[-half, 0.0], [half, 0.0]])
        return Boundaries(np.repeat(ends, 2, axis=0), np.repeat(self.points_px, 2, axis=0), np.tile(np.eye(2), (2, 1)),
                          np.full(4, self.u_px), np.zeros(4), np.full(4, self.base_mm))  # fmt: skip


def see_points(photo: Photo, reference: PointsReference, base_mm: float) -> SeenPoints:
    """The points as marked. Raises ScaleNotFound when they lie outside the picture or too near to each other."""
    height, width = photo.luma.shape
    points = np.array([reference.first_px, reference.second_px], float)
    for x, y in points:
        if not (0 <= x < width and 0 <= y < height):
            raise ScaleNotFound(f"The point {x:.0f},{y:.0f} px lies outside {photo.name}, which is {width} x {height} px.")
    apart = float(np.hypot(*(points[1] - points[0])))
    if apart < LEAST_APART_PX:
        raise ScaleNotFound(
            f"The two points are only {apart:.0f} px apart in {photo.name}; {LEAST_APART_PX:.0f} px are needed. "
            "Mark points farther apart."
        )
    return SeenPoints(reference, base_mm, points, max(TAP_U_SHARE * max(width, height), TAP_LEAST_U_PX), USUAL_BLUR_PX)
