"""Letters in pictures: fonts, wrapped paragraphs, strips of text.

Sizes in px of the picture; letters are dark on white.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import reportlab
from PIL import Image, ImageDraw, ImageFont

LINE_HEIGHT = 1.25
"""Of a line of text, over the size of its letters."""
PAD = 0.35
"""Free border inside a label or a strip, over the size of the letters."""
INK, PAPER = (16, 16, 16), (255, 255, 255)
PLAIN_FONT, BOLD_FONT = "Vera.ttf", "VeraBd.ttf"
"""Fonts that come with reportlab; they have ±, ≥ and Ø, which Pillow's own does not."""


@lru_cache(maxsize=64)
def font(type_px: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    """The plain or bold font with letters of that size."""
    folder = Path(reportlab.__file__).parent / "fonts"
    return ImageFont.truetype(folder / (BOLD_FONT if bold else PLAIN_FONT), type_px)


def write(draw: ImageDraw.ImageDraw, lines: Sequence[str], at: tuple[float, float], type_px: int) -> None:
    """Lines one below the other from `at`, the left upper corner; the first one bold."""
    for row, line in enumerate(lines):
        place_at = (at[0], at[1] + row * LINE_HEIGHT * type_px)
        draw.text(place_at, line, fill=INK, font=font(type_px, bold=row == 0))


def strip(texts: Sequence[tuple[str, bool]], width: int, type_px: int) -> Image.Image:
    """Paragraphs (text, bold), wrapped to the width."""
    pad = PAD * type_px
    rows = [(line, bold) for text, bold in texts for line in wrapped(text, width - 2 * pad, font(type_px, bold))]
    height = round(len(rows) * LINE_HEIGHT * type_px + 2 * pad)
    drawn = Image.new("RGB", (width, height), PAPER)
    draw = ImageDraw.Draw(drawn)
    for row, (line, bold) in enumerate(rows):
        draw.text((pad, pad + row * LINE_HEIGHT * type_px), line, fill=INK, font=font(type_px, bold))
    return drawn


def wrapped(text: str, width: float, letters: ImageFont.FreeTypeFont) -> list[str]:
    """The text's words in lines no wider than `width`; a single longer word has a line of its own."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and letters.getlength(longer) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
