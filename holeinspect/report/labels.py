"""Where the labels of a marked picture go: beside their hole, over no hole, over no other label.

Frame: px of the marked picture, x right, y down. A box is (left, top, right, bottom), a segment (x0, y0, x1, y1).
One label after the other takes the cheapest free place among DIRECTIONS x STEPS round its hole, in ROUNDS.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from holeinspect.measured import Array

DIRECTIONS = 24
"""Directions from a hole that are tried."""
STEPS = (0.25, 0.6, 1.2, 2.0, 3.0, 4.5, 6.5, 9.0, 12.0, 16.0)
"""Distances of a label from its rim that are tried, in heights of a line of text."""
ROUNDS = 3
"""Every label is placed once, then placed again knowing all others."""
GAP_SHARE = 0.2
"""Free room round a label, in heights of a line."""
COST_LINE, COST_LEADER, COST_OUTLINE = 12.0, 8.0, 0.02
"""Costs, in heights of a line of extra distance: lying over a measuring line; a leader over another label, hole or
leader; a point of a part's outline under the label. Tried on the sample images."""


@dataclass(frozen=True, slots=True)
class Disc:
    """A hole as an obstacle, with its ring."""

    centre: tuple[float, float]
    radius: float


@dataclass(frozen=True, slots=True)
class Wish:
    """A label to be placed: the disc it belongs to, its size (width, height), and how early its turn comes."""

    disc: Disc
    size: tuple[float, float]
    turn: float


@dataclass(frozen=True, slots=True)
class Field:
    """What the labels share the picture with. size: width, height. segments: (N, 4), measuring lines.

    points: (M, 2), outlines of the parts, which a label should rather not cover.
    """

    size: tuple[int, int]
    discs: Sequence[Disc]
    segments: Array
    points: Array
    line_height: float


@dataclass(frozen=True, slots=True)
class Placement:
    """Box (4,) of each label in the order of the wishes, and the mean cost of a label in heights of a line."""

    boxes: tuple[Array, ...]
    mean_cost: float


@dataclass(frozen=True, slots=True)
class _Placed:
    """A label's box (4,), its leader (4,), and what the place costs."""

    box: Array
    leader: Array
    cost: float


def place(wishes: Sequence[Wish], room: Field, force: bool = False) -> Placement | None:
    """Places for all labels; None where one finds none that is free of holes and of other labels.

    force: then take the place with the least overlap instead.
    """
    placed: dict[int, _Placed] = {}
    turns = sorted(range(len(wishes)), key=lambda i: wishes[i].turn)
    for at in turns * ROUNDS:
        others = [label for other, label in placed.items() if other != at]
        best = _best(wishes[at], room, others, force)
        if best is None:
            return None
        placed[at] = best
    boxes = tuple(placed[at].box for at in range(len(wishes)))
    return Placement(boxes, sum(label.cost for label in placed.values()) / max(1, len(placed)))


def _best(wish: Wish, room: Field, others: Sequence[_Placed], force: bool) -> _Placed | None:
    boxes, distance = _candidates(wish, room)
    overlap = _overlap(boxes, room, others)
    if overlap.min() > 0 and not force:
        return None
    choice = np.flatnonzero(overlap == overlap.min())
    cost = distance[choice] / room.line_height + _trouble(wish.disc, boxes[choice], room, others)
    box = boxes[choice[np.argmin(cost)]]
    return _Placed(box, _ways(wish.disc, box[None])[0], float(cost.min()))


def nearest_on_box(point: Sequence[float] | Array, box: Array) -> Array:
    """Point (2,) of the box nearest to a point: where a leader ends."""
    return np.asarray(np.clip(point, box[:2], box[2:]))


def _candidates(wish: Wish, room: Field) -> tuple[Array, Array]:
    """Boxes (N, 4) inside the picture round the disc, and their distances (N,) from the rim in px."""
    half = np.array(wish.size) / 2
    angles = np.arange(DIRECTIONS) * (2 * math.pi / DIRECTIONS)
    distance, angle = (grid.ravel() for grid in np.meshgrid(np.array(STEPS) * room.line_height, angles, indexing="ij"))
    towards = np.column_stack([np.cos(angle), np.sin(angle)])
    # From the box's middle to where the direction meets its border.
    reach = np.min(half / np.maximum(np.abs(towards), 1e-9), axis=1)
    middle = np.array(wish.disc.centre) + towards * (wish.disc.radius + distance + reach)[:, None]
    middle = np.clip(middle, half, np.maximum(np.array(room.size) - half, half))
    return np.hstack([middle - half, middle + half]), distance


def _overlap(boxes: Array, room: Field, others: Sequence[_Placed]) -> Array:
    """How much (N,) each box lies over holes and labels already placed; 0 is free."""
    gap = GAP_SHARE * room.line_height
    overlap = np.zeros(len(boxes))
    for other in others:
        sides = np.minimum(boxes[:, 2:], other.box[2:]) - np.maximum(boxes[:, :2], other.box[:2]) + gap
        overlap += np.prod(np.maximum(sides, 0), axis=1) / room.line_height**2
    for disc in room.discs:
        nearest = np.clip(disc.centre, boxes[:, :2], boxes[:, 2:])
        depth = disc.radius + gap - np.hypot(*(nearest - disc.centre).T)
        overlap += np.maximum(depth, 0) / room.line_height
    return overlap


def _trouble(disc: Disc, boxes: Array, room: Field, others: Sequence[_Placed]) -> Array:
    """Cost (N,), in heights of a line, of what is not forbidden but worse to look at."""
    ways = _ways(disc, boxes)
    leaders = np.array([label.leader for label in others]).reshape(-1, 4)
    lines = np.vstack([room.segments, leaders])
    met = meets(ways, np.array([label.box for label in others]).reshape(-1, 4)).sum(axis=1)
    met = met + _over_discs(ways, [other for other in room.discs if other.centre != disc.centre]).sum(axis=1)
    met = met + _crossings(ways, lines).sum(axis=1)
    inside = np.all((room.points > boxes[:, None, :2]) & (room.points < boxes[:, None, 2:]), axis=2).sum(axis=1)
    return np.asarray(COST_LINE * meets(lines, boxes).sum(axis=0) + COST_LEADER * met + COST_OUTLINE * inside)


def _ways(disc: Disc, boxes: Array) -> Array:
    """Leaders (N, 4) from the disc's border to each box."""
    centre = np.array(disc.centre)
    ends = np.clip(centre, boxes[:, :2], boxes[:, 2:])
    along = ends - centre
    start = centre + along * np.minimum(1, disc.radius / np.maximum(np.hypot(*along.T), 1e-9))[:, None]
    return np.hstack([start, ends])


def meets(segments: Array, boxes: Array) -> Array:
    """Whether each segment (N, 4) has a point inside each box (M, 4): (N, M). By clipping along both axes."""
    start, along = segments[:, None, :2], (segments[:, 2:] - segments[:, :2])[:, None]
    along = np.where(np.abs(along) < 1e-9, 1e-9, along)
    first, second = (boxes[None, :, :2] - start) / along, (boxes[None, :, 2:] - start) / along
    enters, leaves = np.minimum(first, second).max(axis=2), np.maximum(first, second).min(axis=2)
    return np.asarray(np.maximum(enters, 0) < np.minimum(leaves, 1))


def _over_discs(ways: Array, discs: Sequence[Disc]) -> Array:
    """Whether each segment (N, 4) passes over each disc: (N, M)."""
    centres = np.array([disc.centre for disc in discs]).reshape(-1, 2)
    radii = np.array([disc.radius for disc in discs])
    start, along = ways[:, None, :2], (ways[:, 2:] - ways[:, :2])[:, None]
    share = ((centres - start) * along).sum(axis=2) / np.maximum((along**2).sum(axis=2), 1e-9)
    nearest = start + np.clip(share, 0, 1)[..., None] * along
    return np.asarray(np.hypot(*np.moveaxis(nearest - centres, -1, 0)) < radii)


def _crossings(ways: Array, others: Array) -> Array:
    """Whether each segment (N, 4) crosses each other one (M, 4): (N, M)."""
    a, b = ways[:, None, :2], ways[:, None, 2:]
    c, d = others[None, :, :2], others[None, :, 2:]
    return np.asarray((_side(a, b, c) * _side(a, b, d) < 0) & (_side(c, d, a) * _side(c, d, b) < 0))


def _side(start: Array, end: Array, point: Array) -> Array:
    """On which side of a line a point lies: the sign of the cross product."""
    along, away = end - start, point - start
    return np.asarray(along[..., 0] * away[..., 1] - along[..., 1] * away[..., 0])
