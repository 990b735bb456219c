"""What the picture would show without a part: which of ink, paper, card or table may be seen at each pixel."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from holeinspect.find.picture import Bytes, WorkPicture
from holeinspect.measured import Array
from holeinspect.scale.camera import Camera
from holeinspect.scale.mat import MatLayout
from holeinspect.scale.sheet import TEXT_MM, captions, ink_rectangles

INK, PAPER, PLAIN = 1, 2, 4
"""Bits of a pixel: printed black, bare paper, or the unknown plain surface (table, card) may be seen there."""

SUBPIXEL_BITS = 4
"""Fractional bits of the corners given to OpenCV's polygon filler."""
PAGE_EDGE_MM = 2.0
"""Beside the paper's border its shadow, its curl and the print's own place on it decide."""
SHEET_EDGE_MM = 4.0
"""A plain sheet's outermost strip: curl and shadow, and where the fitted border may be off."""
LETTER_WIDTH = 0.6
"""Mean width of Helvetica's letters over their size, with some allowance (font metrics: 0.5)."""
STEP_MM = 4.0
"""Long straight sides are drawn in steps, since the lens bends them."""


@dataclass(frozen=True, slots=True)
class Region:
    """Where parts may lie and what they lie on.

    outline_mm: (K, 2) border of the reference, mat frame; none of two points. layout: the mat's page; None for a reference
    on some plain surface, where a part may lie anywhere but on it. under: it is a sheet, and the parts lie on it alone.
    beside: what carries the reference is no part (a rule carries its ticks). part_at_px: a point on the one part meant.
    loose_mm: borders (K, 2) of the reference's further pieces, such as loose markers.
    """

    outline_mm: Array
    layout: MatLayout | None = None
    under: bool = False
    beside: bool = False
    part_at_px: tuple[float, float] | None = None
    loose_mm: tuple[Array, ...] = ()

    @property
    def pieces_mm(self) -> tuple[Array, ...]:
        """Borders (K, 2) of all pieces of the reference."""
        return (*((self.outline_mm,) if len(self.outline_mm) else ()), *self.loose_mm)


def page_px(camera: Camera, region: Region) -> Array | None:
    """Border of the mat's page with the strip that decides nothing, or of a sheet, (N, 2) picture px; None without one."""
    if region.under:
        return np.asarray(camera.project(np.column_stack([outline := stepped(region.outline_mm), np.zeros(len(outline))])))
    if region.layout is None:
        return None
    width, height = region.layout.size_mm
    outline = stepped(rectangle_mm((width / 2 + 2 * PAGE_EDGE_MM, height / 2 + 2 * PAGE_EDGE_MM)))
    return np.asarray(camera.project(np.column_stack([outline, np.zeros(len(outline))])))


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """bits: uint8 (h, w), what may be seen at a pixel; 0 where the ground is unknown (on a target, off the page).

    window: uint8 (h, w), 255 inside the mat's window, or wherever a part may lie beside another target.
    ink: uint8 (h, w), 255 on the ring's print, its borders exact; the check bars are too thin to show reliably.
    """

    bits: Bytes
    window: Bytes
    ink: Bytes


class Painter:
    """Draws shapes of the mat plane into masks of the work picture."""

    def __init__(self, camera: Camera, picture: WorkPicture) -> None:
        self.camera, self.picture, self.size_px = camera, picture, picture.size_px

    def blank(self, value: int = 0) -> Bytes:
        """An even mask."""
        return np.full(self.size_px[::-1], value, dtype=np.uint8)

    def corners(self, points_mm: Array) -> npt.NDArray[np.int32]:
        """Mat frame (..., 2) mm to the polygon filler's fixed-point work px."""
        flat = points_mm.reshape(-1, 2)
        full = self.camera.project(np.column_stack([flat, np.zeros(len(flat))]))
        work = self.picture.from_full(full)
        fixed = np.rint(np.clip(work, -1e5, 1e5) * (1 << SUBPIXEL_BITS))
        return np.asarray(fixed.astype(np.int32).reshape(points_mm.shape))

    def fill(self, mask: Bytes, polygons_mm: Array, value: int) -> None:
        """Fill polygons (N, K, 2) mm one by one."""
        for polygon in self.corners(polygons_mm):
            cv2.fillPoly(mask, [polygon], value, shift=SUBPIXEL_BITS)

    def rectangle(self, mask: Bytes, half_mm: tuple[float, float], value: int) -> None:
        """Fill a large rectangle about the origin, its sides bent as the lens bends them."""
        self.fill(mask, stepped(rectangle_mm(half_mm))[None], value)


def rectangle_mm(half_mm: tuple[float, float]) -> Array:
    """Corners (4, 2) of a rectangle about the origin."""
    return np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * half_mm


def stepped(polygon_mm: Array) -> Array:
    """The polygon (K, 2) with more points on its sides."""
    following = np.roll(polygon_mm, -1, axis=0)
    counts = np.maximum(2, np.hypot(*(following - polygon_mm).T) / STEP_MM).astype(int)
    sides = zip(polygon_mm, following, counts, strict=True)
    return np.vstack([np.linspace(start, end, count, endpoint=False) for start, end, count in sides])


def dilate(mask: Bytes, radius_px: float) -> Bytes:
    """Grow a mask by a square's half side, rounded up."""
    side = 2 * int(np.ceil(radius_px)) + 1
    return np.asarray(cv2.dilate(mask, np.ones((side, side), np.uint8)), np.uint8)


def mat_ground(painter: Painter, layout: MatLayout, window_bit: int, blur_px: float) -> Ground:
    """The mat's page on some table; window_bit: what fills the window. blur_px: reach of a printed border's blur."""
    page_half = layout.size_mm[0] / 2, layout.size_mm[1] / 2
    window = painter.blank()
    painter.rectangle(window, layout.window_mm, 255)
    ink, bars = _ink_masks(painter, layout)
    within, beyond = painter.blank(), painter.blank(255)
    painter.rectangle(within, (page_half[0] - PAGE_EDGE_MM, page_half[1] - PAGE_EDGE_MM), 255)
    painter.rectangle(beyond, (page_half[0] + PAGE_EDGE_MM, page_half[1] + PAGE_EDGE_MM), 0)
    paper = within & ~(ink | window)
    shown = {INK: ink, PAPER: paper, PLAIN: painter.blank()}
    shown[window_bit] = shown[window_bit] | window
    bits = painter.blank()
    for bit, mask in shown.items():
        bits |= np.where(dilate(mask, blur_px) > 0, np.uint8(bit), np.uint8(0))
    fine_print = painter.blank()
    painter.fill(fine_print, _caption_boxes(layout), INK | PAPER)
    bits |= fine_print | np.where(dilate(bars, blur_px) > 0, np.uint8(INK | PAPER), np.uint8(0))
    bits[(within | beyond) == 0] = 0
    bits[beyond > 0] = 0
    return Ground(bits, window, ink)


def _ink_masks(painter: Painter, layout: MatLayout) -> tuple[Bytes, Bytes]:
    """The ring's printed black, and that of the check bars."""
    rectangles = _rectangles(replace(layout, window="white"))
    half = np.array(layout.board_mm) / 2
    in_ring = np.all(np.abs(rectangles.reshape(-1, 2, 2).mean(axis=1)) < half, axis=1)
    masks = painter.blank(), painter.blank()
    for mask, chosen in zip(masks, (in_ring, ~in_ring), strict=True):
        left, bottom, right, top = rectangles[chosen].T
        corners = np.stack([left, bottom, right, bottom, right, top, left, top], axis=1)
        painter.fill(mask, corners.reshape(-1, 4, 2), 255)
    return masks


@lru_cache(maxsize=8)
def _rectangles(layout: MatLayout) -> Array:
    """The printed rectangles of a page, kept because they take longer to work out than to draw."""
    return ink_rectangles(layout)


@lru_cache(maxsize=8)
def _caption_boxes(layout: MatLayout) -> Array:
    """Rectangles (N, 4, 2) mm that hold the captions."""
    boxes = []
    for caption in captions(layout):
        along = len(caption.text) * LETTER_WIDTH * TEXT_MM / 2
        corners = np.array([[-along, -0.5 * TEXT_MM], [along, -0.5 * TEXT_MM], [along, TEXT_MM], [-along, TEXT_MM]])
        if caption.rising:
            corners = corners @ np.array([[0.0, 1.0], [-1.0, 0.0]])
        boxes.append(corners + np.array(caption.at_mm))
    return np.array(boxes)


def plain_ground(painter: Painter, region: Region) -> Ground:
    """The whole picture but the reference; of a sheet under the parts, what lies within its border."""
    window = painter.blank(0 if region.under else 255)
    if region.under:
        painter.fill(window, stepped(region.outline_mm * (1 - SHEET_EDGE_MM / np.abs(region.outline_mm).max()))[None], 255)
    for piece_mm in () if region.under else region.pieces_mm:
        middle = piece_mm.mean(axis=0)
        from_middle = piece_mm - middle
        away = middle + from_middle * (1 + PAGE_EDGE_MM / np.abs(from_middle).max())
        painter.fill(window, stepped(away)[None], 0)
    return Ground(np.where(window > 0, np.uint8(PLAIN), np.uint8(0)), window, painter.blank())
