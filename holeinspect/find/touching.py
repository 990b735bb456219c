"""Parts that touch: two outlines in one, told by a pair of sharp inward corners with a seam between them.

Round parts that touch meet in a point, with no seam: their arcs tell them apart.
"""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np

from holeinspect.find.contours import directed, nearest
from holeinspect.find.labels import Scene
from holeinspect.find.spots import circle_through
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


NECK = 0.35
"""Half a neck's width, over the greatest depth within a patch, up to which two round parts may touch there: the waists of
single parts are wider."""
DEEPER = 1.3
"""A piece counts if it is deeper by this than where it was cut off."""
LEAST_RADIUS_MM = 3.0
ROUND_SHARE = 0.06
"""Departure of an outline from its circle, over the radius, up to which its points lie on it; glare bites into masks."""
BELONGS_SHARE = 0.25
LEAST_ROUND = 0.5
"""Least share of its circumference that a round part in a group shows."""
LEAST_EXPLAINED = 0.7
"""Least share of an outline that lies on the circles for it to be nothing but round parts."""
POINTS_PER_PX = 0.9
"""Points of a pixel outline per px of its length: diagonal steps are longer."""


def round_parts(outline_px: Array, px_per_mm: float) -> list[tuple[Array, float]]:
    """Centres (2,) and radii, work px, of the round parts that make up an outline (N, 2); [] when it is no such group."""
    corner = outline_px.min(axis=0) - 1
    width, height = (outline_px.max(axis=0) - corner + 2).astype(int)
    whole = cv2.fillPoly(np.zeros((height, width), np.uint8), [(outline_px - corner).astype(np.int32)], 1)
    depth = cv2.distanceTransform(whole, cv2.DIST_L2, 5)
    starts = _pieces(depth, NECK * float(depth.max()))
    starts = [(centre + corner, radius) for centre, radius in starts if radius > LEAST_RADIUS_MM * px_per_mm]
    if len(starts) < 2:
        return []
    points = outline_px.astype(float)
    off = np.array([np.abs(np.hypot(*(points - centre).T) - radius) for centre, radius in starts])
    own = np.argmin(off, axis=0)
    found = []
    for k, (_, radius) in enumerate(starts):
        arc = points[(own == k) & (off[k] < BELONGS_SHARE * radius)]
        if len(arc) < LEAST_ROUND * 2 * np.pi * radius * POINTS_PER_PX:
            return []
        found.append(circle_through(arc, ROUND_SHARE / 2 * radius))
    off = np.array([np.abs(np.hypot(*(points - centre).T) - radius) / radius for centre, radius in found])
    return found if np.mean(off.min(axis=0) < ROUND_SHARE) > LEAST_EXPLAINED else []


def _pieces(depth: Array, cut: float) -> list[tuple[Array, float]]:
    """Deepest points (2,) px and their depths of the pieces that lie deeper than `cut`."""
    count, labels = cv2.connectedComponents((depth > cut).astype(np.uint8))
    pieces = []
    for label in range(1, count):
        inside = np.where(labels == label, depth, 0.0)
        y, x = np.unravel_index(int(np.argmax(inside)), depth.shape)
        if inside[y, x] > DEEPER * cut:
            pieces.append((np.array([x, y], float), float(inside[y, x])))
    return pieces
