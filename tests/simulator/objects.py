"""Objects that give a scale, as plates with marks: a disc, a card, a rule with ticks, a marker on a square of paper."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from tests.simulator.scene import Levels, Mark, Part, Rim, Sharp

MM_PER_INCH = 25.4
FULL = 0.999
"""Corner radius of a square over half its side that makes it a circle, short of a polygon without sides."""
STEEL = Levels(face=0.62, wall=0.3, chamfer=0.62)
COIN = Levels(face=0.42, wall=0.2, chamfer=0.42)
SHARP = Sharp()
PAPER_MM = 0.02


def disc(diameter_mm: float, thickness_mm: float, at_mm: tuple[float, float], levels: Levels = COIN,
         rim: Rim = SHARP) -> Part:  # fmt: skip
    """A plain coin."""
    r = diameter_mm / 2
    rows = ((-r, -r, FULL * r), (r, -r, FULL * r), (r, r, FULL * r), (-r, r, FULL * r))
    return Part(thickness_mm, rows, at_mm=at_mm, rim=rim, levels=levels)


def card(size_mm: tuple[float, float], thickness_mm: float, radius_mm: float, at_mm: tuple[float, float],
         rotate_deg: float = 0.0, levels: Levels = STEEL) -> Part:  # fmt: skip
    """A card with rounded corners."""
    a, b = size_mm[0] / 2, size_mm[1] / 2
    rows = ((-a, -b, radius_mm), (a, -b, radius_mm), (a, b, radius_mm), (-a, b, radius_mm))
    return Part(thickness_mm, rows, at_mm=at_mm, rotate_deg=rotate_deg, levels=levels)


GRADUATIONS = {
    "1 mm": (1.0, ((1, 3.0), (5, 4.5), (10, 6.0))),
    "0.5 mm": (0.5, ((1, 2.5), (2, 3.5), (10, 5.0), (20, 6.5))),
    "0.1 in": (MM_PER_INCH / 10, ((1, 3.0), (5, 4.5), (10, 6.0))),
    "1/20 in": (MM_PER_INCH / 20, ((1, 2.5), (2, 3.5), (10, 5.0), (20, 6.5))),
    "1/16 in": (MM_PER_INCH / 16, ((1, 3.0), (2, 4.0), (4, 5.0), (8, 6.0), (16, 8.0))),
    "1/32 in": (MM_PER_INCH / 32, ((1, 2.5), (2, 3.2), (4, 4.0), (8, 5.0), (16, 6.2), (32, 8.0))),
    "1/64 in": (MM_PER_INCH / 64, ((1, 2.0), (2, 2.7), (4, 3.4), (8, 4.2), (16, 5.2), (32, 6.4), (64, 8.0))),
}
"""Pitch in mm, and the lengths in mm of the ticks at every so many of them."""


def rule(graduation: str, length_mm: float, at_mm: tuple[float, float], rotate_deg: float = 0.0,
         thickness_mm: float = 0.8) -> Part:  # fmt: skip
    """A steel rule, 20 mm wide, its ticks along the lower border. The middle of the ticks' row is at its lower border."""
    pitch_mm, lengths = GRADUATIONS[graduation]
    half, wide = length_mm / 2 + 4, 20.0
    count = int(length_mm / pitch_mm)
    width_mm = min(0.2, 0.3 * pitch_mm)
    marks = []
    for number in range(count + 1):
        x = (number - count / 2) * pitch_mm
        long_mm = max(mm for every, mm in lengths if number % every == 0)
        marks.append(Mark((x, -wide / 2 + 0.3), (x, -wide / 2 + 0.3 + long_mm), width_mm, 0.05))
    rows = ((-half, -wide / 2, 0.5), (half, -wide / 2, 0.5), (half, wide / 2, 0.5), (-half, wide / 2, 0.5))
    return Part(thickness_mm, rows, marks=tuple(marks), at_mm=at_mm, rotate_deg=rotate_deg, levels=STEEL)


def marker(bits: npt.NDArray[np.uint8], size_mm: float, at_mm: tuple[float, float], rotate_deg: float = 0.0) -> Part:
    """A marker's picture (cells, cells), 0 black, printed `size_mm` wide on a square of paper."""
    cells = len(bits)
    cell, half = size_mm / cells, size_mm / 2
    marks = []
    for row in range(cells):
        y = half - (row + 0.5) * cell
        black = np.flatnonzero(np.diff(np.concatenate([[0], (bits[row] < 128).astype(int), [0]])))
        for first, last in black.reshape(-1, 2):
            marks.append(Mark((-half + first * cell, y), (-half + last * cell, y), cell, 0.04))
    a = half + 2 * cell
    rows = ((-a, -a, 0.0), (a, -a, 0.0), (a, a, 0.0), (-a, a, 0.0))
    white = Levels(face=0.8, wall=0.8, chamfer=0.8)
    return Part(PAPER_MM, rows, marks=tuple(marks), at_mm=at_mm, rotate_deg=rotate_deg, levels=white)
