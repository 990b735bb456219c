"""Parts with two parallel sides that run on beyond the window, over print, paper and table: where their metal goes on.

Over the print the outline is lost, since the print's own borders hide it. Between two straight sides it can be followed:
both go on as sharp lines, and the print between them is covered.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
import numpy.typing as npt

from holeinspect.find.contours import nearest
from holeinspect.find.labels import Scene
from holeinspect.find.picture import Bytes, Mask
from holeinspect.measured import Array

SIDE_MM, LEAST_SIDE_MM = 30.0, 15.0
"""Length of seen edge before and after the lost stretch that gives the two sides, and the least of it."""
LEAST_WIDTH_MM = 5.0
STRAIGHT_PX = 1.0
"""RMS departure of a side from a line, work px, up to which it is straight."""
PARALLEL = np.cos(np.radians(1.5))
CHUNK_MM = 10.0
SHARP_SIDE = 0.35
"""Least share of each side that is a sharp step in every chunk (on one such part 0.4 to 1)."""
INK_VARIANCE, PRINT_BARE = 0.03, 0.5
"""Least variance of the expected print (0 paper, 1 ink) in a chunk for a comparison, and the correlation from which it lies
bare."""
BORDER_PX = 3.0


def mask_within(field_px: Array) -> tuple[Bytes, npt.NDArray[np.intp]]:
    """(h, w) 0 or 1 within corners (4, 2) work px, with a margin of one pixel; (2,) work px of its first pixel."""
    low = np.floor(field_px.min(axis=0)).astype(np.intp) - 1
    width, height = np.ceil(field_px.max(axis=0)).astype(int) - low + 2
    filled = cv2.fillPoly(np.zeros((height, width), np.uint8), [np.rint(field_px - low).astype(np.int32)], 1)
    return np.asarray(filled, np.uint8), low


def fields_beyond(scene: Scene, points_px: Array, edge: Mask) -> Iterator[Array]:
    """Corners (4, 2) work px of the fields of metal in which a part runs on.

    points_px: (N, 2) work px, its directed outer contour; edge: (N,) where that is a real edge.
    """
    if not edge.any():
        return
    start = int(np.argmax(edge))
    order = (np.arange(len(edge)) + start) % len(edge)
    steps = np.flatnonzero(np.diff(np.concatenate([[0], ~edge[order], [0]]).astype(int)))
    for first, stop in steps.reshape(-1, 2):
        field = _field(scene, points_px, edge, order[first:stop])
        if field is not None:
            yield field


def _field(scene: Scene, points_px: Array, edge: Mask, run: Array) -> Array | None:
    """The field beyond a lost stretch of the contour, run: (M,) indices; None where it has no two sides or does not go on."""
    reach = np.arange(1, round(SIDE_MM * scene.px_per_mm))
    sides = []
    for around in (run[0] - reach, run[-1] + reach):
        chosen = around % len(edge)
        side = points_px[chosen[edge[chosen]]]
        if len(side) < LEAST_SIDE_MM * scene.px_per_mm:
            return None
        middle, direction = side.mean(axis=0), np.linalg.svd(side - side.mean(axis=0), full_matrices=False)[2][0]
        direction = direction if direction @ (side[0] - side[-1]) > 0 else -direction
        off = (side - middle) @ (-direction[1], direction[0])
        if np.sqrt(np.mean(off**2)) > STRAIGHT_PX:
            return None
        sides.append((middle + (side[0] - middle) @ direction * direction, direction))
    (first, along), (last, back) = sides
    if along @ back < PARALLEL or np.hypot(*(last - first)) < LEAST_WIDTH_MM * scene.px_per_mm:
        return None
    # One side may be lost before the other.
    later = float((last - first) @ along)
    level = first + max(0.0, later) * along, last + max(0.0, -later) * back
    length = _length_px(scene, *level, (along + back) / 2)
    if not length:
        return None
    ends = level[0] + length * along, level[1] + length * back
    return np.array([first + min(0.0, later) * along, *ends, last + min(0.0, -later) * back])


def _length_px(scene: Scene, first: Array, last: Array, along: Array) -> float:
    """How far a strip goes on from between two points, work px: in whole chunks, up to the picture's border.

    A lone chunk without sharp sides is passed: where the print begins its borders and the part's melt into each other.
    """
    chunk = CHUNK_MM * scene.px_per_mm
    at = np.arange(0.0, chunk)[:, None] * along
    across = np.linspace(first, last, max(2, int(np.hypot(*(last - first)) / 2)))
    most = np.array(scene.picture.size_px) - 1 - BORDER_PX
    length = reach = 0.0
    while reach - length <= chunk:
        sides = [start + reach * along + at for start in (first, last)]
        inside = np.all((np.vstack(sides) > BORDER_PX) & (np.vstack(sides) < most))
        if not inside or _print_is_bare(scene, (across[:, None] + reach * along + at[None, ::2]).reshape(-1, 2)):
            break
        reach += chunk
        if min(nearest(scene.sharp, side).mean() for side in sides) > SHARP_SIDE:
            length = reach
    return length


def _print_is_bare(scene: Scene, points_px: Array) -> bool:
    """Whether the light at some points (N, 2) work px follows the expected print."""
    ink = nearest(scene.backdrop.ground.ink, points_px) / 255.0
    if ink.var() < INK_VARIANCE:
        return False
    return bool(np.corrcoef(ink, -nearest(scene.lightness, points_px))[0, 1] > PRINT_BARE)
