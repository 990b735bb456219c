"""From one photo to its Scale: find the target, fit lens and pose to its boundaries, learn the phone's tone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeinspect.errors import ScaleNotFound
from holeinspect.measured import Array
from holeinspect.scale.camera import Camera
from holeinspect.scale.sides import SeenSides, Sides, look_at_sides
from holeinspect.scale.solve import Adjusted, Boundaries, FocalPrior, adjust, first_camera
from holeinspect.scale.targets import Target
from holeinspect.scale.tone import Tone, fit_tone

ROUGH_POINT_U_PX = 0.8
"""Standard uncertainty of a marker corner from its contour, at the size searched."""
BOUNDARY_U_PX = 0.03
"""Standard uncertainty of one block of a boundary beyond its noise: what print and paper leave (measured on dev photos)."""
PASSES = 2
OUTLIER_PX = 0.6
"""A boundary this far from where all others want it is covered, smudged or torn."""


def rough_adjustment(target: Target, size_px: tuple[int, int], prior: FocalPrior | None) -> Adjusted:
    """Camera from the target's rough points, good to about a pixel."""
    start = first_camera(target.points_mm, target.points_px, size_px, prior)
    count = len(target.points_mm)
    points = Boundaries(
        np.repeat(target.points_mm, 2, axis=0),
        np.repeat(target.points_px, 2, axis=0),
        np.tile(np.eye(2), (count, 1)),
        np.full(2 * count, ROUGH_POINT_U_PX),
        np.zeros(2 * count),
    )
    return adjust(start, points, size_px, prior, target.distortion)


@dataclass(frozen=True, slots=True)
class Fitted:
    """The adjusted camera and the boundaries that carry it."""

    adjusted: Adjusted
    seen: SeenSides
    rows: Array


def fit_camera(luma: Array, target: Target, sides: Sides, size_px: tuple[int, int], prior: FocalPrior | None) -> Fitted:
    """Adjust the camera to all boundaries of the target, looking again from where each pass has brought it."""
    camera: Camera = rough_adjustment(target, size_px, prior).camera
    for _ in range(PASSES):
        seen = look_at_sides(luma, camera, sides)
        rows = np.flatnonzero(seen.usable)
        if len(rows) < 8:
            break
        adjusted = _adjust(camera, seen, rows, size_px, prior, target.distortion)
        kept = rows[np.abs(adjusted.residuals_px) < OUTLIER_PX]
        if 8 <= len(kept) < len(rows):
            rows = kept
            adjusted = _adjust(camera, seen, rows, size_px, prior, target.distortion)
        camera = adjusted.camera
    if len(rows) < 8:
        raise ScaleNotFound("x")
    return Fitted(adjusted, seen, rows)


def _adjust(camera, seen, rows, size_px, prior, distortion):
    boundaries = Boundaries(seen.points_mm[rows], seen.edge_px[rows], seen.normals_px[rows],
                            np.full(len(rows), BOUNDARY_U_PX), np.ones(len(rows)))
    return adjust(camera, boundaries, size_px, prior, distortion)
