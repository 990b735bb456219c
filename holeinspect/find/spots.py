"""Spots on a part that are unlike its face: openings, ink, glare; and the circle that a spot's outer limit lies on."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
import numpy.typing as npt

from holeinspect.find.fields import fit_field
from holeinspect.find.labels import Scene, patches_of
from holeinspect.find.picture import Bytes
from holeinspect.measured import Array

FACE_SAMPLES = 6000
"""Pixels that the face's field is fitted to."""
FACE_DEGREE = 3
UNLIKE_FACE = 6.0
"""Standard deviations from the face beyond which a pixel may be an opening; JPEG's blocks reach 4."""
CLEAR_OF_EDGE_PX = 3
"""Work px at the part's own edge that are left out: blur, walls and burrs."""
GAP_PX = 5
"""Between a dark wall and lit paper the blur passes the face's own level: spots this close, work px, are one."""
LEAST_SPOT_MM, LARGEST_SPOT_MM = 1.2, 30.0
"""Widths of spots looked at; holes are promised from 1.5 mm, and half a work pixel may lack on either side."""
LEAST_OUTLINE = 8
"""Fewest points of a spot's outline."""
DARK_STEP = 0.9
"""Step of log light down from the face, to 0.4 of it, from which a spot may show ink."""
LEAST_DARK_PX, DARK_MARGIN_PX = 3, 5
"""Fewest work px of such a spot; light round it that is looked at, more than its own area, so that its median is face."""
FINER = 4
"""Points per work px at which a small spot's outline is drawn."""
DARK_LEVELS = 0.5, 0.3, 0.18
"""Shares of the step from the darkest to the face at which it is drawn: a wall may be of any level between."""
CONVEX_PX = 1.0
"""Points of a spot's outline this near to its convex hull, work px, may be on its outer limit: a crescent's inner side
is not."""
TRACE = 1e-9
"""Keeps the normal equations solvable for points on a line; far below one point's weight."""
TRIMMING = 4
"""Passes of fitting a circle and leaving out points that are off."""


def spots_on_face(
    scene: Scene, whole: Bytes, corner: npt.NDArray[np.intp], largest_mm: float = LARGEST_SPOT_MM
) -> Iterator[Array]:
    """Outlines (N, 2) work px of the spots within a part that are unlike its face.

    whole: (h, w) 0 or 1, all within the part's outline, with a margin; corner: (2,) work px of its first pixel.
    """
    labels, stats = patches_of(_unlike_face(scene, whole, corner) > 0, connectivity=8)
    least, most = (width * scene.px_per_mm for width in (LEAST_SPOT_MM, largest_mm))
    for label in range(1, len(stats)):
        left, top, width, height = (int(value) for value in stats[label, :4])
        if least <= max(width, height) <= most:
            spot = (labels[top : top + height, left : left + width] == label).astype(np.uint8)
            outlines, _ = cv2.findContours(spot, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
            outline = max(outlines, key=len).reshape(-1, 2)
            if len(outline) >= LEAST_OUTLINE:
                yield outline + corner + [left, top]


def dark_spots(scene: Scene, whole: Bytes, corner: npt.NDArray[np.intp], largest_mm: float) -> Iterator[list[Array]]:
    """Small spots within a part that are far darker than the face round them, each as outlines (N, 2) work px at several
    levels of light between its darkest and the face.

    whole: (h, w) 0 or 1, all within the part's outline, with a margin; corner: (2,) work px of its first pixel.
    """
    # The margin may lie outside the picture: it is cut off.
    inside = np.ascontiguousarray(whole[1:-1, 1:-1])
    (x, y), (height, width) = corner + 1, inside.shape
    light = scene.lightness[y : y + height, x : x + width]
    side = round(largest_mm * scene.px_per_mm) | 1
    # What fills in the spots is smooth: half the size will do for it.
    half = cv2.resize(light, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    filled = cv2.morphologyEx(half, cv2.MORPH_CLOSE, np.ones((side // 2, side // 2), np.uint8))
    face = cv2.resize(filled, (width, height), interpolation=cv2.INTER_LINEAR)
    edge = 2 * CLEAR_OF_EDGE_PX + 1
    inner = cv2.erode(inside, np.ones((edge, edge), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    dark = ((face - light > DARK_STEP) & (inner > 0)).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=8)
    for left, top, wide, high, area in stats[1:count].tolist():
        if area >= LEAST_DARK_PX and max(wide, high) < side:
            low = np.maximum([left - DARK_MARGIN_PX, top - DARK_MARGIN_PX], 0)
            spot = np.exp(light[low[1] : top + high + DARK_MARGIN_PX, low[0] : left + wide + DARK_MARGIN_PX])
            yield [outline + low + corner + 1 for outline in _outlines_at_levels(spot)]


def _outlines_at_levels(spot: npt.NDArray[np.float32]) -> list[Array]:
    """Outlines (N, 2) px, between pixels, of the darkest of a spot's light (h, w) at several levels."""
    fine = cv2.resize(spot, None, fx=FINER, fy=FINER, interpolation=cv2.INTER_CUBIC)
    darkest, face = float(fine.min()), float(np.median(spot))
    outlines = []
    for share in DARK_LEVELS:
        below = (fine < darkest + share * (face - darkest)).astype(np.uint8)
        found, _ = cv2.findContours(below, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        outline = max(found, key=len, default=np.zeros((0, 1, 2))).reshape(-1, 2)
        if len(outline) >= LEAST_OUTLINE:
            outlines.append((outline + 0.5) / FINER - 0.5)
    return outlines


def _unlike_face(scene: Scene, whole: Bytes, corner: npt.NDArray[np.intp]) -> Bytes:
    """(h, w) 1 where the part differs from its face's field."""
    side = 2 * CLEAR_OF_EDGE_PX + 1
    # The margin may lie outside the picture: it is cut off here and put back at the end.
    inside = whole[1:-1, 1:-1]
    height, width = inside.shape
    x, y = corner + 1
    tones = scene.picture.tones[y : y + height, x : x + width]
    inner = cv2.erode(inside, np.ones((side, side), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    step = max(1, int(np.sqrt(np.count_nonzero(inner) / FACE_SAMPLES)))
    rows, columns = (step * index for index in np.nonzero(inner[::step, ::step]))
    points = np.column_stack([columns, rows]).astype(float)
    if len(points) < FACE_SAMPLES // 100:
        return np.zeros_like(whole)
    field = fit_field(points, tones[rows, columns].astype(float), (width, height), FACE_DEGREE)
    off = tones - field.on_picture((width, height))
    unlike = cv2.transform(cv2.multiply(off, off), 1 / field.noise[None] ** 2) > UNLIKE_FACE**2
    spots = cv2.medianBlur(cv2.bitwise_and(unlike.astype(np.uint8), inner), 3)
    return np.pad(cv2.morphologyEx(spots, cv2.MORPH_CLOSE, np.ones((GAP_PX, GAP_PX), np.uint8)), 1)


def convex_points(outline_px: Array) -> Array:
    """The points of an outline (N, 2) that lie on its convex hull."""
    hull = cv2.convexHull(outline_px.astype(np.float32))
    depth = [cv2.pointPolygonTest(hull, (float(x), float(y)), True) for x, y in outline_px]
    return outline_px[np.array(depth) < CONVEX_PX]


def circle_through(points: Array, off_most: float) -> tuple[Array, float]:
    """Centre (2,) and radius: a circle through most of the points (N, 2), few of them foreign.

    off_most: distance from the circle beyond which a point is left out. An algebraic fit (Kasa), to start from.
    """
    used = np.ones(len(points), bool)
    middle = points.mean(axis=0)
    for _ in range(TRIMMING):
        local = points - middle
        terms = np.column_stack([2 * local, np.ones(len(local))])
        # Centred, and of one size in x and y: the normal equations are well conditioned but for points on a line.
        normal = terms[used].T @ terms[used] + TRACE * np.eye(3)
        solution = np.linalg.solve(normal, terms[used].T @ np.sum(local[used] ** 2, axis=1))
        radius = float(np.sqrt(max(solution[2] + solution[0] ** 2 + solution[1] ** 2, 0.0)))
        off = np.abs(np.hypot(*(local - solution[:2]).T) - radius)
        used = off <= max(off_most, float(np.quantile(off, 0.5)))
    return middle + solution[:2], radius
