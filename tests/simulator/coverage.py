"""Exact area of weighted polygons in each pixel of a grid (no sampling): sparse first, then dense band by band.

A directed side adds, in every row it passes, its height times the share of the pixel that lies to its right; the
running sum along the row then gives each pixel's covered area: Green's theorem, pixel by pixel.
Grid frame: pixel (row, col) covers [col, col + 1] x [row, row + 1].
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from holeinspect.measured import Array

Index: TypeAlias = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Coverage:
    """Changes of the running sum, sorted by row; (N,) each."""

    row: Index
    col: Index
    change: Array
    width: int

    @classmethod
    def of(cls, sides: Array, weights: Array, width: int, height: int) -> Coverage:
        """sides: (N, 4) x0 y0 x1 y1 of directed polygon sides. weights: (N,), 1 for plain area.

        A ring that runs clockwise on the screen (y down) counts as positive.
        """
        sides, weights = _in_rows(sides, weights, width, height)
        sides, weights = _cut(sides, weights, 1)
        sides, weights = _cut(sides, weights, 0)
        x, y = (sides[:, 0] + sides[:, 2]) / 2, (sides[:, 1] + sides[:, 3]) / 2
        keep = (y > 0) & (y < height) & (x < width)
        x, row = np.maximum(x[keep], 0), np.floor(y[keep]).astype(np.int64)
        # minus: on the screen the right-hand sides of a clockwise ring run down, and end the area
        height_weighted = -((sides[:, 3] - sides[:, 1]) * weights)[keep]
        col = np.floor(x).astype(np.int64)
        passed = height_weighted * (x - col)
        return _sorted(np.r_[row, row], np.r_[col, col + 1], np.r_[height_weighted - passed, passed], width)

    def rows(self, first: int, last: int) -> Array:
        """(last - first, width) float32: the weighted area in each pixel of these rows."""
        lo, hi = np.searchsorted(self.row, [first, last])
        stride = self.width + 1  # one spare column takes what spills over on the right
        flat = (self.row[lo:hi] - first) * stride + self.col[lo:hi]
        dense = np.bincount(flat, self.change[lo:hi], (last - first) * stride).reshape(-1, stride)
        return np.cumsum(dense, axis=1)[:, : self.width].astype(np.float32)

    def is_empty(self, first: int, last: int) -> bool:
        """Whether nothing lies in these rows."""
        lo, hi = np.searchsorted(self.row, [first, last])
        return bool(lo == hi)


def _sorted(row: Index, col: Index, change: Array, width: int) -> Coverage:
    order = np.argsort(row, kind="stable")
    return Coverage(row[order], col[order], change[order], width)


def _in_rows(sides: Array, weights: Array, width: int, height: int) -> tuple[Array, Array]:
    """Only the sides that matter; what lies left of the grid acts as if on its left border."""
    x0, y0, x1, y1 = sides.T
    keep = (np.maximum(y0, y1) > 0) & (np.minimum(y0, y1) < height) & (y0 != y1) & (np.minimum(x0, x1) < width)
    kept = sides[keep]
    left = np.maximum(kept[:, 0], kept[:, 2]) <= 0
    kept[left, 0] = kept[left, 2] = 0
    return kept, weights[keep]


def _cut(sides: Array, weights: Array, axis: int) -> tuple[Array, Array]:
    """Sides cut wherever their coordinate `axis` (0: x, 1: y) passes an integer."""
    start, end = sides[:, axis], sides[:, axis + 2]
    low, high = np.minimum(start, end), np.maximum(start, end)
    first, last = np.floor(low) + 1, np.ceil(high) - 1
    cuts = np.maximum(last - first + 1, 0).astype(np.int64)
    whole = np.repeat(np.arange(len(sides)), cuts + 1)
    k = np.arange(len(whole)) - np.repeat(np.cumsum(cuts + 1) - (cuts + 1), cuts + 1)
    rising = (end > start)[whole]
    ends_at = np.where(rising, first[whole] + k, last[whole] - k)
    is_last = k == cuts[whole]
    span = np.where(end == start, 1, end - start)[whole]
    share = np.where(is_last, 1, (ends_at - start[whole]) / span)
    begin = np.where(k == 0, 0, np.r_[0, share[:-1]])
    a, d = sides[whole, :2], (sides[:, 2:] - sides[:, :2])[whole]
    return np.column_stack([a + begin[:, None] * d, a + share[:, None] * d]), weights[whole]
