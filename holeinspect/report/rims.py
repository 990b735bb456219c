"""Every rim enlarged from the photo, with its contour drawn by its deviation: alone, or all on one contact sheet.

Pure: nothing is read or written but the photo that is given. Perspective is left as it is in the photo.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw

from holeinspect.inspection import Finding, Hole, Inspection, OtherOpening, Part, VerdictWord
from holeinspect.photo import Photo
from holeinspect.report import words
from holeinspect.report.deviation import Contour, beyond, exaggeration_for, rim_centre, rim_contour, rim_px_per_mm
from holeinspect.report.lettering import font
from holeinspect.report.marks import draw_rings
from holeinspect.report.strokes import BLACK, COLOURS, WHITE, Pen, Picture, dashes
from holeinspect.report.view import PhotoLike, View, opened, photo_size, view
from holeinspect.units import LengthUnit, show

TILE_PX = 420
"""Side of an enlarged rim: three of them beside each other fill a phone held upright at its full resolution."""
FRAME_SHARE = 1.55
"""Side of what is shown, over the rim's greater extent."""
RING_SHARE = 1.2
"""The same over the outer extent of a countersink."""
LEAST_FRAME_MM = 3.0
"""Side of what is shown of a small rim."""
LIMIT_SHARE, MOST_SHARE = 0.06, 0.16
"""Of a tile's side: how long the limit and the greatest deviation are drawn at most."""
PEN_SHARE = 0.005
"""Width of a line over the tile's side."""
BARS_MM: dict[LengthUnit, tuple[tuple[float, str], ...]] = {
    "mm": ((0.5, "0.5 mm"), (1.0, "1 mm"), (2.0, "2 mm"), (5.0, "5 mm"), (10.0, "10 mm")),
    "in": ((0.508, "0.02 in"), (1.27, "0.05 in"), (2.54, "0.1 in"), (5.08, "0.2 in"), (12.7, "0.5 in")),
}
"""Lengths of the scale bar."""
SPARE_PX = 4.0
"""Of the photo round what is shown, for frames are even."""
BAR_SHARE = 0.34
"""Greatest length of the scale bar over the tile's side."""
HOUR_MARKS = 12


@dataclass(frozen=True, slots=True)
class RimOnSheet:
    """One rim with what is said of it. findings: those on it, with their numbers in the inspection, from 1."""

    name: str
    part: Part
    rim: Hole | OtherOpening
    findings: tuple[tuple[int, Finding], ...]

    @property
    def verdict(self) -> VerdictWord:
        """The hole's verdict; of another opening the one that its findings and what the photo shows give."""
        if isinstance(self.rim, Hole):
            return self.rim.verdict
        if any(found.decided for _, found in self.findings):
            return "rework"
        condition = self.rim.condition
        return "good" if condition is not None and condition.shown and not self.findings else "measure by hand"

    @property
    def badness(self) -> tuple[int, float]:
        """Greater is worse: what is found, then what is not shown, then the rest; within these by size over limit."""
        condition = self.rim.condition
        sizes = [found.size.value / max(found.limit_mm, 1e-9) for _, found in self.findings if found.kind != "sharp corner"]
        reach = condition.protrusion.value / condition.limit_mm if condition is not None and condition.limit_mm else 0.0
        worst = max([reach, *sizes])
        if self.findings:
            return (4 if any(found.decided for _, found in self.findings) else 3), worst
        if condition is None:
            return 1, 0.0
        return (0 if condition.shown else 2), worst


def rims_worst_first(inspection: Inspection) -> list[RimOnSheet]:
    """Every round rim of the inspection: holes and lightening holes."""
    several = len(inspection.parts) > 1
    numbered = list(enumerate(inspection.findings, 1))
    found = [
        RimOnSheet(
            words.rim_name(part, rim, several), part, rim,
            tuple((number, one) for number, one in numbered if (one.part, one.subject) == (part.name, rim.name)),
        )
        for part in inspection.parts
        for rim in _round_rims(part)
    ]  # fmt: skip
    return sorted(found, key=lambda one: (-one.badness[0], -one.badness[1]))


def rim_image(
    photo: PhotoLike, rim: Hole | OtherOpening, units: LengthUnit = "mm", exaggeration: int | None = None
) -> Image.Image:
    """One rim enlarged, TILE_PX square, with its contour, a scale bar and the hours.

    exaggeration: of the deviation that is drawn; the largest round number that has room where None. It is written into the
    picture.
    """
    shown = _enlarged(opened(photo), rim)
    contour = rim_contour(rim)
    times = exaggeration if exaggeration is not None else _exaggeration(rim)
    pen = Pen(shown.pixels, max(1.5, PEN_SHARE * TILE_PX))
    if contour is None:
        for dash in dashes(shown.at(rim.outline_px), 4 * pen.width, 4 * pen.width):
            pen.line(dash, WHITE, widths=0.6)
    else:
        _draw_contour(pen, shown, contour, times)
    if isinstance(rim, Hole):
        draw_rings(pen, shown, [rim])
    _draw_hours(pen, shown, rim)
    return _lettered(shown, rim_px_per_mm(rim) * shown.scale, units, _drawn_as(contour, times))


def rim_lines(one: RimOnSheet, units: LengthUnit) -> tuple[str, ...]:
    """What stands under an enlarged rim: name and verdict, diameter, protrusion, limit, smallest shown, what was found."""
    rim, condition = one.rim, one.rim.condition
    blamed = words.blamed(rim) if isinstance(rim, Hole) else ", ".join(found.kind for _, found in one.findings)
    lines = [f"{one.name}: {one.verdict}{f' ({blamed})' if blamed else ''}"]
    if rim.diameter is not None:
        lines.append(f"Ø {words.length(rim.diameter, units)}")
    if condition is None:
        return tuple(filter(None, [*lines, "rim not examined"]))
    at = "" if condition.protrusion_at is None else f"at {words.clock(condition.protrusion_at)}, "
    lines.append(f"protrusion {words.length(condition.protrusion, units)}")
    lines.append(f"{at}limit {show(condition.limit_mm, None, units)}")
    smallest = show(condition.smallest_shown_mm, None, units)
    lines.append(f"burrs shown from {smallest}" if condition.shown else f"not shown: burrs under {smallest}")
    if isinstance(rim, Hole) and rim.ring is not None:
        lines.append(f"{words.ring(rim.ring, units)} {units}")
    lines += [f"[{number}] {found.kind} {words.length(found.size, units)}" for number, found in one.findings]
    return tuple(filter(None, lines))


def _round_rims(part: Part) -> Iterator[Hole | OtherOpening]:
    yield from part.holes
    yield from (opening for opening in part.openings if opening.diameter is not None)


def _frame_px(rim: Hole | OtherOpening) -> float:
    """Side of the square piece of the photo that shows the rim."""
    points = np.asarray(rim.outline_px, float).reshape(-1, 2)
    extent = float(np.ptp(points, axis=0).max()) if len(points) else 0.0
    ring_mm = rim.ring.width.value if isinstance(rim, Hole) and rim.ring is not None else 0.0
    with_ring = RING_SHARE * (extent + 2 * ring_mm * rim_px_per_mm(rim))
    return max(FRAME_SHARE * extent, with_ring, LEAST_FRAME_MM * rim_px_per_mm(rim), 8.0)


def _exaggeration(rim: Hole | OtherOpening) -> int:
    contour = rim_contour(rim)
    scale = TILE_PX / _frame_px(rim)
    return 1 if contour is None else exaggeration_for([contour], LIMIT_SHARE * TILE_PX, MOST_SHARE * TILE_PX, scale)


def _enlarged(photo: Photo | Picture, rim: Hole | OtherOpening) -> View:
    """The square round the rim, TILE_PX wide, the rim in its middle; what lies beyond the photo is black."""
    side = _frame_px(rim)
    scale = TILE_PX / side
    low, high = (np.floor((rim_centre(rim) + end * (side / 2 + SPARE_PX)) / 2).astype(int) * 2 for end in (-1, 1))
    edge = np.array(photo_size(photo)) // 2 * 2
    start = np.clip(low, 0, edge - 2)
    end = np.maximum(np.clip(high, 2, edge), start + 2)
    seen = view(photo, (int(start[0]), int(start[1]), int(end[0]), int(end[1])), scale)
    # Frames are even and the middle is not: the tile is cut from the enlarged piece, to a pixel of its own.
    cut = np.rint(seen.at(rim_centre(rim)[None])[0] - (TILE_PX - 1) / 2).astype(int)
    whole = np.zeros((TILE_PX, TILE_PX, 3), np.uint8)
    x, y = np.maximum(-cut, 0)
    piece = seen.pixels[max(cut[1], 0) :, max(cut[0], 0) :][: TILE_PX - y, : TILE_PX - x]
    whole[y : y + piece.shape[0], x : x + piece.shape[1]] = piece
    return View(whole, seen.corner + cut / scale, scale)


def _draw_contour(pen: Pen, shown: View, contour: Contour, times: int) -> None:
    """The fitted form thin, the limit broken, the contour exaggerated and thick where it passes the limit."""
    form, drawn = shown.at(contour.form()), shown.at(contour.drawn(times))
    reach = times * contour.limit_mm * contour.px_per_mm * shown.scale
    pen.line(form, WHITE, closed=True, widths=0.25)
    for dash in dashes(form + reach * contour.towards, 2 * pen.width, 3 * pen.width):
        pen.line(dash, COLOURS["measure by hand"], widths=0.4)
    pen.line(drawn, WHITE, closed=True, widths=0.5)
    for run in beyond(contour):
        pen.line(drawn[run], COLOURS["rework"], widths=1.6)


def _draw_hours(pen: Pen, shown: View, rim: Hole | OtherOpening) -> None:
    """A tick an hour round the rim, longer at 12, 3, 6 and 9."""
    middle = shown.at([(float(x), float(y)) for x, y in [rim_centre(rim)]])[0]
    points = shown.at(rim.outline_px) if rim.outline_px else middle[None]
    reach = float(np.hypot(*(points - middle).T).max()) * 1.12
    for hour in range(HOUR_MARKS):
        angle = 2 * math.pi * hour / HOUR_MARKS
        away = np.array([math.sin(angle), -math.cos(angle)])
        length = (5 if hour % 3 == 0 else 2.5) * pen.width
        pen.line(np.array([middle + reach * away, middle + (reach + length) * away]), WHITE, widths=0.5)


def _lettered(shown: View, px_per_mm: float, units: LengthUnit, told: str) -> Image.Image:
    """The tile with its scale bar and what is said about the drawing, in the lower corners on dark ground."""
    type_px = round(TILE_PX * 0.045)
    pad = round(1.3 * type_px)  # within the frame of a contact sheet
    fitting = [bar for bar in BARS_MM[units] if bar[0] * px_per_mm <= BAR_SHARE * TILE_PX] or [BARS_MM[units][0]]
    length_mm, name = fitting[-1]
    bar = np.array([[pad, TILE_PX - pad], [pad + length_mm * px_per_mm, TILE_PX - pad]], float)
    pen = Pen(shown.pixels, PEN_SHARE * TILE_PX)
    pen.line(bar, WHITE, widths=1.2)
    for end in bar:
        pen.line(end + np.array([[0, -pad / 5], [0, pad / 5]]), WHITE, widths=1.2)
    picture = Image.fromarray(shown.pixels)
    draw = ImageDraw.Draw(picture)
    letters, around = font(type_px), {"stroke_width": 3, "stroke_fill": BLACK}
    draw.text((bar[0][0], bar[0][1] - pad / 3), name, fill=WHITE, font=letters, anchor="ls", **around)  # type: ignore[arg-type]
    draw.text((TILE_PX - pad, TILE_PX - pad), told, fill=WHITE, font=letters, anchor="rs", **around)  # type: ignore[arg-type]
    return picture


def _drawn_as(contour: Contour | None, times: int) -> str:
    if contour is None:
        return "rim not examined"
    return "deviation as it is" if times == 1 else f"deviation {times} times"
