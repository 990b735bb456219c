"""Flat printed patterns as a camera sees them: chessboards, markers, anything that is ink or paper."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import cv2
import numpy as np
import numpy.typing as npt

from holeinspect.edges.light import srgb_from_linear
from holeinspect.measured import Array
from tests.simulator.view import View

Ink: TypeAlias = Callable[[Array, Array], npt.NDArray[np.bool_]]
"""Whether there is ink at x, y (mm, mat frame)."""

OVERSAMPLE = 4
ROWS_AT_A_TIME = 50
PAPER, BLACK = 0.8, 0.04
BLUR_PX = 0.8


def drawn(view: View, ink: Ink) -> Array:
    """Code values (H, W), sRGB, of a pattern on the plane z = 0; no lens distortion, no noise."""
    width, height = view.lens.size_px
    back = np.linalg.inv(view.K @ np.column_stack([view.R[:, 0], view.R[:, 1], view.t]))
    fine_x, fine_y = ((np.arange(n * OVERSAMPLE) + 0.5) / OVERSAMPLE - 0.5 for n in (width, height))
    light = np.empty((height, width), np.float32)
    for first in range(0, height, ROWS_AT_A_TIME):
        rows = fine_y[first * OVERSAMPLE : (first + ROWS_AT_A_TIME) * OVERSAMPLE, None]
        x, y, w = (back[i, 0] * fine_x + back[i, 1] * rows + back[i, 2] for i in range(3))
        inked = ink(x / w, y / w).reshape(len(rows) // OVERSAMPLE, OVERSAMPLE, width, OVERSAMPLE).mean(axis=(1, 3))
        light[first : first + ROWS_AT_A_TIME] = PAPER + (BLACK - PAPER) * inked
    return srgb_from_linear(cv2.GaussianBlur(light, (0, 0), BLUR_PX)).astype(np.float32)


def chessboard(corners: tuple[int, int], square_mm: float, upper_left_black: bool) -> Ink:
    """A chessboard with its corner grid's middle at the origin; columns, rows of inner corners."""
    columns, rows = corners

    def ink(x: Array, y: Array) -> npt.NDArray[np.bool_]:
        i = np.floor(x / square_mm + (columns + 1) / 2).astype(int)
        j = np.floor((rows + 1) / 2 - y / square_mm).astype(int)
        inside = (i >= 0) & (i <= columns) & (j >= 0) & (j <= rows)
        return np.asarray(inside & (((i + j) % 2 == 0) == upper_left_black))

    return ink


def printed(image: npt.NDArray[np.uint8], size_mm: tuple[float, float], at_mm: tuple[float, float] = (0, 0)) -> Ink:
    """A grey picture (H, W) printed in this size round a point."""
    height, width = image.shape

    def ink(x: Array, y: Array) -> npt.NDArray[np.bool_]:
        column = np.floor((x - at_mm[0]) / size_mm[0] * width + width / 2).astype(int)
        row = np.floor(height / 2 - (y - at_mm[1]) / size_mm[1] * height).astype(int)
        inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
        return np.asarray(inside & (image[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)] < 128))

    return ink
