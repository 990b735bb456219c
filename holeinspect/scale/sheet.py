"""Drawing the mat: one list of black rectangles and captions, as vector PDF and as greyscale PNG.

Everything is in the mat frame (mm, origin at the page's centre, y up) until it is put on paper.
PNG frame: px, pixel centres at integers; the page's centre lies at the picture's centre and one pixel is
exactly 25.4/dpi mm, so a paper that is no whole number of pixels gets equal borders of under half a pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont
from reportlab.pdfgen.canvas import Canvas

from holeinspect.edges.light import srgb_from_linear
from holeinspect.measured import Array
from holeinspect.scale.mat import MAT_VERSION, MatLayout, is_black

Ink = npt.NDArray[np.uint16]
Rect = tuple[float, float, float, float]
"""Left, bottom, right, top; mm, mat frame."""

INCH_MM = 25.4
POINT_MM = INCH_MM / 72  # PDF's unit, ISO 32000-1, 8.3.2.3
MARKER_CELLS = 7
"""Cells along a side of a 5x5 marker with its black border."""

BAR_GAP_MM = 5.0
"""From the ring to the middle of a check bar: with CROSS_MM it keeps 3 mm of paper clear."""
BAR_LINE_MM = 0.2
"""Width of a bar's line: half of it can be judged by eye to 0.05 mm; common practice, no source."""
CROSS_MM = 2.0
"""Reach of a cross's arms from its centre."""

TEXT_MM = 2.6
"""Size of the captions' letters, 7.4 pt."""
TEXT_FONT = "Helvetica"
ASCENT = 0.72
"""Height of capitals over the size of the letters: Helvetica's font metrics, 718/1000."""
LINE_STEP_MM = 3.6

FULL_INK = 255 * 256
"""Ink of a fully black pixel: leaves room in 16 bits for sums that round up."""


@dataclass(frozen=True, slots=True)
class Caption:
    """A line of text, centred at `at_mm` on its base line; upright, or rising along the page's long side."""

    text: str
    at_mm: tuple[float, float]
    rising: bool = False


def ink_rectangles(mat: MatLayout) -> Array:
    """All black areas but the captions, (N, 4) rectangles (left, bottom, right, top) mm; none overlaps another."""
    return np.array([*_squares(mat), *_markers(mat), *_window(mat), *_bars(mat)])


def _squares(mat: MatLayout) -> list[Rect]:
    return [_board_rect(mat, *square, 1, 1) for square in mat.ring_squares() if is_black(square)]


def _board_rect(mat: MatLayout, column: float, row: float, width: float, height: float) -> Rect:
    """A rectangle given in squares of the board, from its upper left corner."""
    corners = np.array([[column, row + height], [column + width, row]]) * mat.square_mm
    (left, bottom), (right, top) = mat.mat_from_board(corners)
    return float(left), float(bottom), float(right), float(top)


def _markers(mat: MatLayout) -> list[Rect]:
    cell = mat.marker_mm / mat.square_mm / MARKER_CELLS
    gap = (1 - mat.marker_mm / mat.square_mm) / 2
    return [
        _board_rect(mat, column + gap + start * cell, row + gap + line * cell, (stop - start) * cell, cell)
        for marker, (column, row) in mat.marker_squares().items()
        for line, cells in enumerate(mat.dictionary.generateImageMarker(marker, MARKER_CELLS) == 0)
        for start, stop in _runs(cells)
    ]


def _runs(cells: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Half-open ranges of consecutive true cells."""
    steps = np.flatnonzero(np.diff(np.concatenate([[0], cells.astype(np.int8), [0]])))
    return [(int(start), int(stop)) for start, stop in steps.reshape(-1, 2)]


def _window(mat: MatLayout) -> list[Rect]:
    half_width, half_height = mat.window_mm
    return [(-half_width, -half_height, half_width, half_height)] if mat.window == "black" else []


def _bars(mat: MatLayout) -> list[Rect]:
    """The bar along the left side and the one below the ring, each a line ending in two crosses."""
    along, across = mat.bars_mm
    x, y = _bar_axes_mm(mat)
    return [(bottom + x, left, top + x, right) for left, bottom, right, top in _bar(along)] + [
        (left, bottom + y, right, top + y) for left, bottom, right, top in _bar(across)
    ]


def _bar_axes_mm(mat: MatLayout) -> tuple[float, float]:
    """x of the bar along the page, y of the bar across it."""
    width, height = mat.board_mm
    return -width / 2 - BAR_GAP_MM, -height / 2 - BAR_GAP_MM


def _bar(length_mm: float) -> list[Rect]:
    """A lying bar round the origin; its line runs through both crosses, so each is symmetric about its centre."""
    half, line = length_mm / 2, BAR_LINE_MM / 2
    arms = [
        (end - line, low, end + line, high)
        for end in (-half, half)
        for low, high in ((-CROSS_MM, -line), (line, CROSS_MM))
    ]
    return [(-half - CROSS_MM, -line, half + CROSS_MM, line), *arms]


def captions(mat: MatLayout) -> list[Caption]:
    """The texts on the sheet."""
    x, y = _bar_axes_mm(mat)
    beside = CROSS_MM / 2
    along, across = (f"{length:g} mm" for length in mat.bars_mm)
    how = "measure between the centres of the crosses with a calliper (or steel rule)"
    return [
        Caption(f"Check bar along: {along} nominal; {how}", (x - beside, 0.0), rising=True),
        Caption(f"Check bar across: {across} nominal; {how}", (0.0, y - beside - ASCENT * TEXT_MM)),
        *_heading(mat),
    ]


def _heading(mat: MatLayout) -> list[Caption]:
    """Lines above the ring, the last one nearest to it."""
    lines = [
        f"Scale mat for holeinspect, page {mat.page}, {mat.window} window, version {MAT_VERSION}",
        "Print at 100 % (no fit to page). Measure both check bars once and enter them: "
        f"holeinspect mat check --page {mat.page} --along ... --across ...",
    ]
    if mat.window == "open":
        lines.append("Open window: lay a plain card here, inside the ring of squares.")
    lowest = mat.board_mm[1] / 2 + BAR_GAP_MM
    return [Caption(text, (0.0, lowest + LINE_STEP_MM * above)) for above, text in enumerate(reversed(lines))]


def write_pdf(mat: MatLayout, path: Path) -> None:
    """Write the mat as a one-page vector PDF in true size."""
    path.write_bytes(mat_pdf(mat))


def mat_pdf(mat: MatLayout) -> bytes:
    """The mat as a one-page vector PDF in true size."""
    out = BytesIO()
    width, height = mat.size_mm
    canvas = Canvas(out, pagesize=(width / POINT_MM, height / POINT_MM), invariant=True)
    canvas.setTitle(f"Scale mat {mat.page}, {mat.window} window, version {MAT_VERSION}")
    canvas.setViewerPreference("PrintScaling", "None")
    canvas.translate(width / 2 / POINT_MM, height / 2 / POINT_MM)
    # One path, filled once: no viewer then shows hairlines between rectangles that touch.
    outline = canvas.beginPath()
    for left, bottom, right, top in ink_rectangles(mat) / POINT_MM:
        outline.rect(left, bottom, right - left, top - bottom)
    canvas.drawPath(outline, stroke=0, fill=1)
    for caption in captions(mat):
        _caption_on_pdf(canvas, caption)
    canvas.save()
    return out.getvalue()


def _caption_on_pdf(canvas: Canvas, caption: Caption) -> None:
    x, y = caption.at_mm
    canvas.saveState()
    canvas.translate(x / POINT_MM, y / POINT_MM)
    canvas.rotate(90 if caption.rising else 0)
    canvas.setFont(TEXT_FONT, TEXT_MM / POINT_MM)
    canvas.drawCentredString(0, 0, caption.text)
    canvas.restoreState()


def write_png(mat: MatLayout, path: Path, dpi: float) -> None:
    """Write the mat as a greyscale PNG (sRGB code values, so that a half-inked pixel has half the light) with its dpi."""
    light = np.arange(256) / 255
    codes = np.rint(255 * srgb_from_linear(light)).astype(np.uint8)
    Image.fromarray(codes[raster(mat, dpi)]).save(path, format="PNG", dpi=(dpi, dpi))


def raster(mat: MatLayout, dpi: float) -> npt.NDArray[np.uint8]:
    """The mat as (rows, columns) grey values, 0 black to 255 white, linear in the inked share of each pixel."""
    width_px, height_px = (round(side * dpi / INCH_MM) for side in mat.size_mm)
    ink = np.zeros((height_px, width_px), dtype=np.uint16)
    for left, bottom, right, top in ink_rectangles(mat) * dpi / INCH_MM:
        # Ink is summed in px from the picture's upper left border, y down.
        columns = (width_px / 2 + left, width_px / 2 + right)
        rows = (height_px / 2 - top, height_px / 2 - bottom)
        _add_rectangle(ink, columns, rows)
    ink += 128
    ink >>= 8
    sheet = Image.fromarray((255 - ink).astype(np.uint8))
    for caption in captions(mat):
        _caption_on_raster(sheet, caption, dpi)
    return np.asarray(sheet)


def _add_rectangle(ink: Ink, columns: tuple[float, float], rows: tuple[float, float]) -> None:
    """Add a rectangle's exact share of every pixel it touches."""
    first_row, height = _shares(*rows)
    first_column, width = _shares(*columns)
    shares = np.rint(np.outer(height, width) * FULL_INK).astype(np.uint16)
    ink[first_row : first_row + len(height), first_column : first_column + len(width)] += shares


def _shares(start: float, stop: float) -> tuple[int, Array]:
    """First pixel that the interval touches, and the interval's share of that and each following pixel."""
    first = int(np.floor(start))
    edges = np.arange(first, int(np.ceil(stop)) + 1)
    return first, np.diff(np.clip(edges, start, stop))


def _caption_on_raster(sheet: Image.Image, caption: Caption, dpi: float) -> None:
    """Draw a caption darker-wins, to the nearest pixel: no length is ever taken from a letter."""
    font = ImageFont.load_default(TEXT_MM * dpi / INCH_MM)
    left, top, right, bottom = font.getbbox(caption.text, anchor="ms")
    label = Image.new("L", (round(right - left) + 2, round(bottom - top) + 2), 255)
    ImageDraw.Draw(label).text((1 - left, 1 - top), caption.text, fill=0, font=font, anchor="ms")
    x = sheet.width / 2 + caption.at_mm[0] * dpi / INCH_MM
    y = sheet.height / 2 - caption.at_mm[1] * dpi / INCH_MM
    if caption.rising:
        label = label.transpose(Image.Transpose.ROTATE_90)
        sheet.paste(label, (round(x + top - 1), round(y - label.height / 2)))
    else:
        sheet.paste(label, (round(x + left - 1), round(y + top - 1)))
