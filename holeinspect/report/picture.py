"""The marked picture: the photo with every hole's rim, name, figures and verdict, to be read on a phone.

Photo frame: px of the upright photo, pixel centres at integers. View frame: px of the marked picture's photo area,
which is the photo cut to its parts and resized.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from holeinspect.inspection import Hole, Inspection, Part, VerdictWord
from holeinspect.measured import Array
from holeinspect.report import words
from holeinspect.report.labels import Disc, Field, Wish, nearest_on_box, place
from holeinspect.report.lettering import LINE_HEIGHT, PAD, PAPER, font, strip, write
from holeinspect.report.marks import Place, draw_findings, draw_rings, draw_unshown_edges, places, unshown_edges
from holeinspect.report.strokes import LINES, SECOND_LINE_WIDTHS, WHITE, Pen
from holeinspect.report.view import Frame, PhotoLike, View, opened, photo_size, view
from holeinspect.units import LengthUnit

LONG_SIDE_PX = 2000
"""Long side of the photo area: readable when a phone shows it whole, and small to send."""
MARGIN_SHARE = 0.14
"""Room for labels round the parts, over the longer side of their common box."""
LARGEST_ENLARGEMENT = 2.5
"""Picture px a photo px: a coin of a part is not blown up to a blur."""

PEN_SHARE = 0.0022
"""Width of a line over the picture's short side."""
TEXT_SHARES = (0.030, 0.027, 0.024, 0.021)
"""Sizes of the labels' letters over the picture's width, tried in turn: 12 to 8 px on a screen 400 px wide."""
DENSE_SHARES = (0.021, 0.018, 0.015, 0.012)
"""The same where there are many holes: smaller, for a picture that is zoomed into."""
STRIP_TEXT_SHARE = 0.024
"""Size of the letters above and below the photo, over the picture's width."""
SMALLEST_TYPE_PX = 10
TIDY_COST = 4.5
"""Mean cost of a label up to which labels are near their holes and leaders do not tangle; tried on the samples."""
PAPER_OPACITY = 0.86
"""Of a label's background: the photo still shows through."""

LARGEST_OBSTACLE_SHARE = 0.05
"""Radius of the ground round a finding that labels keep free, at most, over the picture's short side: a whole edge is more."""
EDGE_WIDTHS = 0.3
"""Width of the line along outline and cut-outs, in pens: thin, so that the edge itself is still seen."""
LEADER_WIDTHS, LEADER_GREY = 0.45, (190, 190, 190)
"""A leader is thinner than a measuring line, and has no bar at its end."""
JPEG_QUALITY = 88
UNIT_WORDS: dict[LengthUnit, str] = {"mm": "mm", "in": "inches"}


@dataclass(frozen=True, slots=True)
class Label:
    """What stands beside a hole: bold first line, then the figures."""

    hole: Hole
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Tag:
    """A label to be placed: its lines, its border's kind, the outline (N, 2) view px it belongs to, and when its turn comes."""

    lines: tuple[str, ...]
    verdict: VerdictWord
    outline: Array
    disc: Disc
    turn: float


def mark(photo: PhotoLike, inspection: Inspection, strips: bool = True) -> Image.Image:
    """The marked picture. photo: opened, its path, or its upright pixels (H, W, 3) RGB of full size.

    strips: with verdicts above and the key below, for a picture that stands alone.
    """
    view = _view(photo, inspection)
    pen = Pen(view.pixels, max(1.5, PEN_SHARE * min(view.size)))
    for part in inspection.parts:
        _draw_part(pen, view, part)
    times, found = places(inspection, view, pen.width)
    draw_findings(pen, found)
    picture = _draw_labels(pen, view, inspection, [_number(one, view, pen) for one in found])
    return _with_strips(picture, inspection, times) if strips else picture


def save_marked(photo: PhotoLike, inspection: Inspection, path: Path) -> None:
    """Write the marked picture; the file's ending says which format. Raises OSError where it cannot be written."""
    save_picture(mark(photo, inspection), path)


def save_picture(picture: Image.Image, path: Path) -> None:
    """Write a picture as PNG or JPEG by the file's ending. Raises OSError where it cannot be written."""
    if path.suffix.lower() == ".png":
        picture.save(path, format="PNG")
    else:
        picture.save(path, format="JPEG", quality=JPEG_QUALITY, subsampling=0)


def _view(photo: PhotoLike, inspection: Inspection) -> View:
    """The photo cut to its parts, as large as a phone shows it well."""
    found = opened(photo)
    frame = _frame(inspection, photo_size(found))
    scale = min(LONG_SIDE_PX / max(frame[2] - frame[0], frame[3] - frame[1]), LARGEST_ENLARGEMENT)
    return view(found, frame, scale)


def _frame(inspection: Inspection, size: tuple[int, int]) -> Frame:
    """The parts' common box with a margin, within the photo and even. The whole photo without parts."""
    outlines = [np.asarray(part.outline_px, float) for part in inspection.parts if part.outline_px]
    if not outlines:
        return 0, 0, size[0] // 2 * 2, size[1] // 2 * 2
    points = np.vstack(outlines)
    low, high = points.min(axis=0), points.max(axis=0)
    smallest = LONG_SIDE_PX / LARGEST_ENLARGEMENT
    margin = max(MARGIN_SHARE * float(np.max(high - low)), (smallest - float(np.max(high - low))) / 2)
    left, top = (int(max(0, at)) // 2 * 2 for at in np.floor(low - margin))
    right, bottom = (int(min(limit, at)) // 2 * 2 for limit, at in zip(size, np.ceil(high + margin), strict=True))
    return left, top, max(right, left + 2), max(bottom, top + 2)


def _draw_part(pen: Pen, view: View, part: Part) -> None:
    """Edges, edge distances and short pitches below, rims and verdicts above."""
    for outline in (part.outline_px, *(opening.outline_px for opening in part.openings)):
        if outline:
            pen.line(view.at(outline), WHITE, closed=True, widths=EDGE_WIDTHS)
    draw_unshown_edges(pen, view, part)
    for hole in part.holes:
        if hole.edge_point_px is not None:
            _draw_distance(pen, view.at([hole.edge_from_px or hole.centre_px, hole.edge_point_px]))
    for start, end in _tight_pitches(part):
        _draw_distance(pen, view.at([start, end]))
    draw_rings(pen, view, part.holes)
    for hole in part.holes:
        pen.verdict_line(_rim(hole, view), hole.verdict)
        _draw_centre(pen, view.at([hole.centre_px])[0])


def _draw_distance(pen: Pen, ends: Array) -> None:
    """A measuring line with a bar across its far end."""
    along = ends[1] - ends[0]
    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9) * 4 * pen.width
    pen.line(ends, WHITE, widths=0.7)
    pen.line(np.array([ends[1] - across, ends[1] + across]), WHITE, widths=0.7)


def _draw_centre(pen: Pen, centre: Array) -> None:
    for arm in np.array([[2.5, 0.0], [0.0, 2.5]]) * pen.width:
        pen.line(np.array([centre - arm, centre + arm]), WHITE, widths=0.5)


def _tight_pitches(part: Part) -> Iterator[tuple[tuple[float, float], tuple[float, float]]]:
    centres = {hole.name: hole.centre_px for hole in part.holes}
    for hole in part.holes:
        if hole.pitch is not None and hole.pitch.to in centres and _has(hole, "tight pitch"):
            yield hole.centre_px, centres[hole.pitch.to]


def _has(hole: Hole, reason: str) -> bool:
    return any(note.name == reason for note in hole.reasons)


def _rim(hole: Hole, view: View) -> Array:
    """The rim in view px; a circle of the measured size where the result holds no outline."""
    if hole.outline_px:
        return view.at(hole.outline_px)
    angle = np.linspace(0, 2 * np.pi, 73)[:-1]
    return view.at([hole.centre_px]) + 6 * view.scale * np.column_stack([np.cos(angle), np.sin(angle)])


def _full_label(name: str, hole: Hole, units: LengthUnit) -> Label:
    """Name and verdict, diameter, size, form, edge distance, and what is wrong."""
    pitch = f"pitch {words.pitch(hole, units)}" if _has(hole, "tight pitch") else ""
    figures = (_diameter(hole, units), words.size(hole.nominal), words.form(hole, units), *_edge_lines(hole, units))
    return _label(hole, f"{name}  {hole.verdict}", *figures, pitch, words.blamed(hole))


def _short_label(name: str, hole: Hole, units: LengthUnit) -> Label:
    """Name and verdict, diameter, edge distance, and what is wrong."""
    figures = (_diameter(hole, units), *_edge_lines(hole, units))
    return _label(hole, f"{name}  {hole.verdict}", *figures, words.blamed(hole))


def _dense_label(name: str, hole: Hole, units: LengthUnit) -> Label:
    """For a good hole only name and figures without their U; what is not good is said as in a short label."""
    if hole.verdict != "good":
        return _short_label(name, hole, units)
    seen = f"e {words.value(hole.edge_distance, units)}" if hole.edge_distance is not None else ""
    unseen = words.UNSEEN_EDGE if hole.edge_not_in_view else ""
    return _label(hole, f"{name} good", f"Ø {words.value(hole.diameter, units)}", seen, unseen)


def _label(hole: Hole, *lines: str) -> Label:
    return Label(hole, tuple(filter(None, lines)))


def _diameter(hole: Hole, units: LengthUnit) -> str:
    return f"Ø {words.length(hole.diameter, units)}"


def _edge_lines(hole: Hole, units: LengthUnit) -> Iterator[str]:
    for text in words.edge(hole, units).split("; "):
        yield text if text.startswith("edge") or not text else f"edge {text}"


LABELS: tuple[tuple[Callable[[str, Hole, LengthUnit], Label], tuple[float, ...]], ...] = (
    (_full_label, TEXT_SHARES),
    (_short_label, TEXT_SHARES),
    (_dense_label, DENSE_SHARES),
)
"""From the fullest and largest labels to what fits always."""


def _draw_labels(pen: Pen, view: View, inspection: Inspection, numbers: list[Tag]) -> Image.Image:
    """Place the labels and numbers as large and as full as they fit, then draw them over the photo."""
    holes = list(words.named_holes(inspection))
    room = (pen, view, inspection)
    for make, shares in LABELS:
        tags = [_tag(make(name, hole, inspection.units), view, pen) for name, hole in holes] + numbers
        for share in shares:
            type_px = max(SMALLEST_TYPE_PX, round(share * view.size[0]))
            placement = place(*_wishes(tags, type_px, *room))
            if placement is not None and placement.mean_cost <= TIDY_COST:
                return _paint(tags, placement.boxes, type_px, view, pen)
    forced = placement or place(*_wishes(tags, type_px, *room), force=True)
    return _paint(tags, forced.boxes if forced else [], type_px, view, pen)


def _tag(label: Label, view: View, pen: Pen) -> Tag:
    """A hole's label; those of holes that are not good choose their place first."""
    rim = _rim(label.hole, view)
    return Tag(label.lines, label.hole.verdict, rim, _disc(rim, pen), 1.0 if label.hole.verdict == "good" else 0.0)


def _number(found: Place, view: View, pen: Pen) -> Tag:
    """The number of a finding, or of several that share a box, beside the box."""
    largest = LARGEST_OBSTACLE_SHARE * min(view.size)
    disc = _disc(found.box, pen)
    if disc.radius > largest:
        disc = Disc(_point(view.at([found.findings[0].point_px])[0]), largest)
    return Tag((found.label,), found.verdict, found.box, disc, 2.0)


def _wishes(
    tags: Sequence[Tag], type_px: int, pen: Pen, view: View, inspection: Inspection
) -> tuple[list[Wish], Field]:
    """What `place` asks for: in their turn, and of one turn from left to right."""
    outlines = [view.at(part.outline_px) for part in inspection.parts if part.outline_px]
    wishes = [Wish(tag.disc, _label_size(tag, type_px), tag.disc.centre[0] + view.size[0] * tag.turn) for tag in tags]
    lines = _measuring_lines([hole for part in inspection.parts for hole in part.holes], view)
    return wishes, Field(view.size, [tag.disc for tag in tags], lines, _dense(outlines), type_px * LINE_HEIGHT)


def _disc(outline: Array, pen: Pen) -> Disc:
    middle = outline.mean(axis=0)
    reach = float(np.hypot(*(outline - middle).T).max())
    return Disc(_point(middle), reach + (SECOND_LINE_WIDTHS + 1) * pen.width)


def _point(at: Array) -> tuple[float, float]:
    return float(at[0]), float(at[1])


def _measuring_lines(holes: Sequence[Hole], view: View) -> Array:
    ways = ((hole.edge_from_px or hole.centre_px, hole.edge_point_px) for hole in holes if hole.edge_point_px is not None)
    ends = [view.at(way).ravel() for way in ways]
    return np.array(ends).reshape(-1, 4)


def _dense(outlines: Sequence[Array], step_px: float = 12.0) -> Array:
    """Points every `step_px` along closed outlines, (M, 2)."""
    found = [np.zeros((0, 2))]
    for outline in outlines:
        closed = np.vstack([outline, outline[:1]])
        way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
        at = np.arange(0, way[-1], step_px)
        found.append(np.column_stack([np.interp(at, way, closed[:, axis]) for axis in (0, 1)]))
    return np.vstack(found)


def _label_size(label: Tag, type_px: int) -> tuple[float, float]:
    widths = [font(type_px, at == 0).getlength(line) for at, line in enumerate(label.lines)]
    pad = 2 * PAD * type_px
    return max(widths) + pad, len(label.lines) * LINE_HEIGHT * type_px + pad


def _paint(tags: Sequence[Tag], boxes: Sequence[Array], type_px: int, view: View, pen: Pen) -> Image.Image:
    """Leaders first, then each label's paper, border and text."""
    for tag, place_px in zip(tags, boxes, strict=True):
        _draw_leader(pen, tag.outline, place_px)
    for tag, place_px in zip(tags, boxes, strict=True):
        left, top, right, bottom = (round(float(side)) for side in place_px)
        paper = view.pixels[top:bottom, left:right]
        paper[:] = np.rint(paper * (1 - PAPER_OPACITY) + PAPER_OPACITY * np.array(PAPER)).astype(np.uint8)
        corners = np.array([[left, top], [right, top], [right, bottom], [left, bottom]], float)
        Pen(view.pixels, pen.width * 0.7).verdict_line(corners, tag.verdict)
    picture = Image.fromarray(view.pixels)
    draw = ImageDraw.Draw(picture)
    for tag, place_px in zip(tags, boxes, strict=True):
        write(draw, tag.lines, (place_px[0] + PAD * type_px, place_px[1] + PAD * type_px), type_px)
    return picture


def _draw_leader(pen: Pen, rim: Array, box: Array) -> None:
    middle = rim.mean(axis=0)
    end = nearest_on_box(middle, box)
    start = rim[np.argmin(np.hypot(*(rim - end).T))]
    Pen(pen.picture, pen.width * LEADER_WIDTHS).line(np.array([start, end]), LEADER_GREY)


def _with_strips(picture: Image.Image, inspection: Inspection, times: int) -> Image.Image:
    """Part verdicts above the photo; the findings, the key and the caution below it."""
    type_px = max(11, round(STRIP_TEXT_SHARE * picture.width))
    head = [(words.part_verdict(part), True) for part in inspection.parts] or [("no part", True)]
    foot = [(line, True) for line in words.finding_lines(inspection)]
    foot += [(text, False) for text in (*key_lines(inspection, times), inspection.unseen, inspection.caution)]
    above, below = (strip(texts, picture.width, type_px) for texts in (head, foot))
    whole = Image.new("RGB", (picture.width, above.height + picture.height + below.height), PAPER)
    for piece, top in ((above, 0), (picture, above.height), (below, above.height + picture.height)):
        whole.paste(piece, (0, top))
    return whole


def key_lines(inspection: Inspection, times: int) -> Iterator[str]:
    """How lines are to be read."""
    lines = "; ".join(f"{line}: {verdict}" for verdict, line in LINES.items())
    yield f"Rim drawn with {lines}. Ø diameter, e edge distance, in {UNIT_WORDS[inspection.units]}."
    if any(hole.ring is not None for part in inspection.parts for hole in part.holes):
        yield "A faint line round a rim: the border of its broken edge or countersink."
    if any(map(unshown_edges, inspection.parts)):
        yield "A broken line along an edge: this photo would not show a burr there."
    if inspection.findings:
        drawn = f", its contour drawn {times} times as far off as it is" if times > 1 else ""
        yield f"Each box is a place to work on{drawn}; a broken box is undecided."
