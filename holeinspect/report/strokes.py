"""Lines over a photo that stay visible on bright metal and on black, and tell verdicts apart without colour.

Frame: px of the marked picture, pixel centres at integers, x right, y down.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from holeinspect.inspection import VerdictWord
from holeinspect.measured import Array

Picture = npt.NDArray[np.uint8]
Colour = tuple[int, int, int]

# Colours that stay apart in all common kinds of colour blindness: Okabe and Ito, Color Universal Design, 2008.
COLOURS: dict[VerdictWord, Colour] = {
    "good": (0, 158, 115),  # bluish green
    "rework": (213, 94, 0),  # vermilion
    "measure by hand": (240, 228, 66),  # yellow
}
LINES: dict[VerdictWord, str] = {"good": "one line", "rework": "two lines", "measure by hand": "broken line"}
"""How each verdict's line looks, in words for the key."""
BLACK: Colour = (0, 0, 0)
WHITE: Colour = (255, 255, 255)

SHIFT = 4
"""Bits of fraction of a coordinate: OpenCV draws to 1/16 px."""
DASH_WIDTHS, GAP_WIDTHS = 5.0, 4.0
"""Length of a dash and of the gap after it, in widths of the line."""
SECOND_LINE_WIDTHS = 3.2
"""How far the second line of two lies outside the first, in widths of the line."""


@dataclass(frozen=True, slots=True)
class Pen:
    """Draws on `picture` (H, W, 3) RGB in place; `width` of a line in px."""

    picture: Picture
    width: float

    def line(self, points: Array, colour: Colour, closed: bool = False, widths: float = 1.0) -> None:
        """A polyline (N, 2) with a dark border on both sides, `widths` pens wide."""
        core = max(1, round(self.width * widths))
        border = core + 2 * max(1, round(self.width / 2))
        fixed = np.rint(np.asarray(points) * 2**SHIFT).astype(np.int32).reshape(-1, 1, 2)
        for paint, thickness in ((BLACK, border), (colour, core)):
            cv2.polylines(self.picture, [fixed], closed, paint, thickness, cv2.LINE_AA, SHIFT)

    def verdict_line(self, outline: Array, verdict: VerdictWord) -> None:
        """A closed outline (N, 2) in the verdict's colour and kind of line; a second line lies outside the outline."""
        colour = COLOURS[verdict]
        if verdict == "measure by hand":
            for dash in dashes(outline, DASH_WIDTHS * self.width, GAP_WIDTHS * self.width):
                self.line(dash, colour)
            return
        if verdict == "rework":
            self.line(grown(outline, SECOND_LINE_WIDTHS * self.width), colour, closed=True)
        self.line(outline, colour, closed=True)


def grown(outline: Array, by_px: float) -> Array:
    """The outline (N, 2) pushed outward from its middle: exact for circles, and close for what is nearly round."""
    middle = outline.mean(axis=0)
    away = outline - middle
    return np.asarray(outline + by_px * away / np.maximum(np.hypot(*away.T), 1e-9)[:, None])


def dashes(outline: Array, dash_px: float, gap_px: float, closed: bool = True) -> list[Array]:
    """Pieces of an outline (N, 2); the lengths are stretched a little so that they go evenly round or along."""
    way_points = np.vstack([outline, outline[:1]]) if closed else outline
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way_points, axis=0).T))])
    count = max(3 if closed else 1, round(way[-1] / (dash_px + gap_px)))
    period = way[-1] / count
    drawn = period * dash_px / (dash_px + gap_px)
    starts = np.arange(count) * period
    steps = np.linspace(0, drawn, 9)
    return [np.column_stack([np.interp(start + steps, way, way_points[:, axis]) for axis in (0, 1)]) for start in starts]
