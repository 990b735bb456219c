"""Parts that touch: two outlines in one, told by a pair of sharp inward corners with a seam between them."""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np

from holeinspect.find.contours import directed, nearest
from holeinspect.find.labels import Scene
from holeinspect.measured import Array

CORNER_PX = 4.0
"""Tolerance, work px, of the polygon whose corners are looked at: burrs and pixels' steps are less."""
INWARD_RAD = np.radians(40)
"""Least turn of an inward corner; rounded ones of a single part turn in smaller steps."""
LEAST_SEAM_MM = 6.0
"""Shorter seams are a part's own notches."""
END_MM = 1.0
"""Left out at either end of a seam, where the corners' own edges are."""
DEEP_MM = 2.0
"""How deep within the outline a seam's middle half lies: nearer lines are the outline's own edge between two bulges."""
SEAM_SHARE = 0.75
"""Least share of the seam that is a sharp step. Scribed lines seldom run from one inward corner to another."""


def seam_px(scene: Scene, outline_px: Array) -> Array | None:
    """Ends (2, 2) work px of a seam between two parts within one outline (N, 2) work px; None for a single part."""
    seams = combinations(_inward_corners(outline_px), 2)
    return next((np.array(ends) for ends in seams if _is_seam(scene, outline_px, *ends)), None)


def _inward_corners(outline_px: Array) -> Array:
    """Corners (K, 2) at which the outline turns sharply into the part."""
    points = directed(outline_px.astype(float), opening=False)
    corners = cv2.approxPolyDP(points.astype(np.float32), CORNER_PX, True).reshape(-1, 2).astype(float)
    before, after = corners - np.roll(corners, 1, axis=0), np.roll(corners, -1, axis=0) - corners
    turn = np.arctan2(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], np.sum(before * after, axis=1))
    # A directed outer contour turns the negative way in the picture frame (y down): inward is positive.
    return np.asarray(corners[turn > INWARD_RAD])


def _is_seam(scene: Scene, outline_px: Array, first_px: Array, second_px: Array) -> bool:
    """Whether a sharp line within the outline joins two of its corners."""
    length = float(np.hypot(*(second_px - first_px)))
    if length < LEAST_SEAM_MM * scene.px_per_mm:
        return False
    end = END_MM * scene.px_per_mm / length
    line = first_px + np.linspace(end, 1 - end, max(2, int(length)))[:, None] * (second_px - first_px)
    outline = outline_px.astype(np.float32)
    inner = line[len(line) // 4 : -len(line) // 4 : max(1, len(line) // 8)]
    depth = min(cv2.pointPolygonTest(outline, (float(x), float(y)), True) for x, y in inner)
    return bool(depth > DEEP_MM * scene.px_per_mm and np.mean(nearest(scene.sharp, line)) > SEAM_SHARE)
