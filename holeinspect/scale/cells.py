"""The boundaries between the black and white cells of a square marker.

Its border alone cannot tell a larger marker from black that has spread; boundaries round black and round white cells can.
Frame: mm, origin at the marker's middle, x right and y up as it is printed.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from holeinspect.measured import Array
from holeinspect.scale.sides import Sides

BLACK = 128
"""Grey values below this are black in the marker that OpenCV draws."""
BORDER_CELLS = 2
"""Cells of a marker's black border, both sides together."""


def marker_cells(dictionary: Any, marker_id: int) -> Array:
    """Which cells (N, N) of a marker are black, its border included, from the upper left as printed."""
    count = dictionary.markerSize + BORDER_CELLS
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, marker_id, count)) < BLACK


def cell_sides(black: Array, size_mm: float) -> Sides:
    """All straight stretches of the boundaries between black (N, N) and white, and of the border, paper lying round it."""
    cell_mm = size_mm / len(black)
    rows = [(*start, *end, *into) for start, end, into in _across(black)]
    # Of the cells mirrored at their diagonal, what ran down runs across.
    rows += [(y0, x0, y1, x1, ny, nx) for (x0, y0), (x1, y1), (nx, ny) in _across(black.T)]
    table = np.array(rows, float)
    upright = np.array([1.0, -1.0])
    half = np.array([-size_mm, size_mm]) / 2
    return Sides(half + cell_mm * upright * table[:, 0:2], half + cell_mm * upright * table[:, 2:4], upright * table[:, 4:6],
                 np.full(len(table), cell_mm))  # fmt: skip


def _across(black: Array) -> list[tuple[tuple[float, float], tuple[float, float], tuple[float, float]]]:
    """Boundaries that run along the rows: start, end, and the way into the black, in cells from the upper left, y down."""
    padded = np.pad(black.astype(int), ((1, 1), (0, 0)))
    found = []
    for y, change in enumerate(np.diff(padded, axis=0)):
        for sign in (1, -1):
            edges = np.diff(np.concatenate([[0], (change == sign).astype(int), [0]]))
            starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
            found += [((float(a), float(y)), (float(b), float(y)), (0.0, float(sign))) for a, b in zip(starts, ends, strict=True)]
    return found
