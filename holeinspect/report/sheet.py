"""The contact sheet: every rim of a photo enlarged, worst first, as one picture or as pages to print.

Pure: no file is written; the photo is read where it is given as a path.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import numpy as np
import reportlab
from PIL import Image, ImageDraw
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm as MM_PT  # noqa: N812  # points a millimetre, a symbol of ours
from reportlab.lib.utils import ImageReader, simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from holeinspect.inspection import Inspection, VerdictWord
from holeinspect.report import words
from holeinspect.report.lettering import BOLD_FONT, INK, LINE_HEIGHT, PAD, PAPER, PLAIN_FONT, font, strip, wrapped
from holeinspect.report.rims import TILE_PX, rim_image, rim_lines, rims_worst_first
from holeinspect.report.strokes import Pen
from holeinspect.report.view import PhotoLike, opened

Box: TypeAlias = tuple[float, float, float, float]
"""Left, bottom, right, top on a page, in points."""

COLUMNS = ((4, 2), (12, 3), (24, 4), (40, 5))
"""Up to so many rims, so many columns of the picture."""
MOST_COLUMNS = 6
TYPE_PX = 20
"""Letters under a tile of the picture."""
GAP_PX = 16
FRAME_PEN_PX, FRAME_AT_PX = 2.5, 11.0
"""Width of the line round a tile and how far inside its border it lies."""

PAGE_COLUMNS, PAGE_ROWS = 3, 3
PAGE_MARGIN_MM, CELL_GAP_MM = 12.0, 3.0
PAGE_TYPE_PT, PAGE_LINE_PT = 7.5, 9.0
PLAIN_NAME, BOLD_NAME = "holeinspect-plain", "holeinspect-bold"


@dataclass(frozen=True, slots=True)
class _Tile:
    """An enlarged rim and its lines; the first is bold."""

    picture: Image.Image
    lines: tuple[str, ...]


def contact_sheet(photo: PhotoLike, inspection: Inspection) -> Image.Image:
    """All rims in one picture, worst first, with what the drawing means above and what no photo shows below."""
    tiles = _tiles(photo, inspection)
    columns = next((columns for most, columns in COLUMNS if len(tiles) <= most), MOST_COLUMNS)
    width = columns * (TILE_PX + GAP_PX) + GAP_PX
    bodies = [_painted(tile) for tile in tiles]
    rows = [bodies[start : start + columns] for start in range(0, len(bodies), columns)]
    head = strip([(line, at == 0) for at, line in enumerate(_head(inspection))], width, TYPE_PX)
    foot = strip([(line, False) for line in _foot(inspection)], width, TYPE_PX)
    heights = [max(body.height for body in row) + GAP_PX for row in rows]
    whole = Image.new("RGB", (width, head.height + sum(heights) + foot.height + GAP_PX), PAPER)
    whole.paste(head, (0, 0))
    top = head.height + GAP_PX
    for row, height in zip(rows, heights, strict=True):
        for column, body in enumerate(row):
            whole.paste(body, (GAP_PX + column * (TILE_PX + GAP_PX), top))
        top += height
    whole.paste(foot, (0, top))
    return whole


def contact_sheet_pdf(photo: PhotoLike, inspection: Inspection) -> bytes:
    """The same as pages of nine rims, A4, or Letter for results in inches; text stays text."""
    _register_fonts()
    tiles = _tiles(photo, inspection)
    size = A4 if inspection.units == "mm" else LETTER
    target = io.BytesIO()
    canvas = Canvas(target, pagesize=size, invariant=True)
    canvas.setTitle(f"Rims of {inspection.photo.name}")
    per_page = PAGE_COLUMNS * PAGE_ROWS
    pages = max(1, math.ceil(len(tiles) / per_page))
    for page in range(pages):
        room = _draw_head(canvas, size, inspection, f"{page + 1} of {pages}")
        for at, tile in enumerate(tiles[page * per_page : (page + 1) * per_page]):
            _draw_tile(canvas, tile, _cell(room, at))
        canvas.showPage()
    canvas.save()
    return target.getvalue()


def _tiles(photo: PhotoLike, inspection: Inspection) -> list[_Tile]:
    seen = opened(photo)
    return [
        _Tile(_framed(rim_image(seen, one.rim, inspection.units), one.verdict), rim_lines(one, inspection.units))
        for one in rims_worst_first(inspection)
    ]


def _framed(picture: Image.Image, verdict: VerdictWord) -> Image.Image:
    """The picture with a frame that is drawn as the verdict's line is in the marked picture."""
    pixels = np.array(picture)
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * (TILE_PX - 1 - 2 * FRAME_AT_PX) + FRAME_AT_PX
    Pen(pixels, FRAME_PEN_PX).verdict_line(corners, verdict)
    return Image.fromarray(pixels)


def _head(inspection: Inspection) -> list[str]:
    side = f", side {inspection.side}" if inspection.side else ""
    verdicts = [words.part_verdict(part) for part in inspection.parts] or ["no part"]
    return [f"{inspection.photo.name}{side}: every rim, worst first", *verdicts, _key(inspection)]


def _key(inspection: Inspection) -> str:
    """What the lines mean."""
    if all(one.rim.condition is None for one in rims_worst_first(inspection)):
        return "No rim of this result was examined for burrs. Broken line: the rim as measured."
    return (
        "Thin line: the rim as measured, its deviation from the fitted circle drawn so many times as each picture says. "
        "Thick line: beyond the limit. Broken line: the limit, as many times. Ticks: the hours, 12 up in the photo."
    )


def _foot(inspection: Inspection) -> list[str]:
    return [inspection.unseen, inspection.caution]


def _painted(tile: _Tile) -> Image.Image:
    """The tile with its lines below."""
    pad = round(PAD * TYPE_PX)
    lines = [
        (line, at == 0)
        for at, text in enumerate(tile.lines)
        for line in wrapped(text, TILE_PX - 2 * pad, font(TYPE_PX, at == 0))
    ]
    height = TILE_PX + round(len(lines) * LINE_HEIGHT * TYPE_PX) + 2 * pad
    body = Image.new("RGB", (TILE_PX, height), PAPER)
    body.paste(tile.picture, (0, 0))
    draw = ImageDraw.Draw(body)
    for row, (line, bold) in enumerate(lines):
        draw.text((pad, TILE_PX + pad + row * LINE_HEIGHT * TYPE_PX), line, fill=INK, font=font(TYPE_PX, bold))
    return body


def _register_fonts() -> None:
    folder = Path(reportlab.__file__).parent / "fonts"
    for name, file in ((PLAIN_NAME, PLAIN_FONT), (BOLD_NAME, BOLD_FONT)):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, folder / file))


def _draw_head(canvas: Canvas, size: tuple[float, float], inspection: Inspection, page: str) -> Box:
    """Head and foot of a page; the room left between them."""
    margin, width = PAGE_MARGIN_MM * MM_PT, size[0] - 2 * PAGE_MARGIN_MM * MM_PT
    head, foot = _head(inspection), _foot(inspection)
    top = _write(canvas, [f"{head[0]}, page {page}"], (margin, size[1] - margin, width), bold=True)
    top = _write(canvas, head[1:], (margin, top, width))
    rows = sum(len(simpleSplit(text, PLAIN_NAME, PAGE_TYPE_PT, width)) for text in foot)
    bottom = margin + rows * PAGE_LINE_PT
    _write(canvas, foot, (margin, bottom - PAGE_LINE_PT, width))
    return margin, bottom, size[0] - margin, top


def _cell(room: Box, at: int) -> Box:
    """The cell number `at` of a page's grid."""
    left, bottom, right, top = room
    row, column = divmod(at, PAGE_COLUMNS)
    width, height = (right - left) / PAGE_COLUMNS, (top - bottom) / PAGE_ROWS
    return left + column * width, top - (row + 1) * height, left + (column + 1) * width, top - row * height


def _draw_tile(canvas: Canvas, tile: _Tile, cell: Box) -> None:
    left, bottom, right, top = cell
    width = right - left - CELL_GAP_MM * MM_PT
    rows = [row for at, text in enumerate(tile.lines)
            for row in simpleSplit(text, PLAIN_NAME if at else BOLD_NAME, PAGE_TYPE_PT, width)]  # fmt: skip
    side = min(width, top - bottom - len(rows) * PAGE_LINE_PT - CELL_GAP_MM * MM_PT)
    canvas.drawImage(ImageReader(tile.picture), left, top - side, side, side)
    below = _write(canvas, tile.lines[:1], (left, top - side - PAGE_LINE_PT, width), bold=True)
    _write(canvas, tile.lines[1:], (left, below, width))


def _write(canvas: Canvas, texts: Sequence[str], place: tuple[float, float, float], bold: bool = False) -> float:
    """Wrapped lines from (left, first baseline, width) down; the baseline that comes next, in points."""
    left, baseline, width = place
    name = BOLD_NAME if bold else PLAIN_NAME
    canvas.setFont(name, PAGE_TYPE_PT)
    for text in texts:
        for line in simpleSplit(text, name, PAGE_TYPE_PT, width):
            canvas.drawString(left, baseline, line)
            baseline -= PAGE_LINE_PT
    return float(baseline)
