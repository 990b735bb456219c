"""Laying one hole pattern over another: the rigid move, turned over or not, that brings holes and outlines together.

Distances between holes do not change when a part is moved, so pairs of holes that are equally far apart suggest moves; each is
scored by the holes and the outline that it brings together, then fitted (weighted orthogonal Procrustes, solved by Gauss and
Newton because the weights are full covariances). Nothing is scaled: the scale that would fit better is reported as a diagnosis.
Where there are fewer than two holes, outlines suggest and fix the turn.

Frames: the mat frames of the two patterns, mm. A mirrored move turns the part over: x to -x, before it turns.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree

from holeinspect.inspection import Part
from holeinspect.measure.moves import Move, rotation, turned_over, wrapped
from holeinspect.measure.outlines import Outlines, centroid
from holeinspect.measured import Array

GATE_MM = 1.0
"""Holes nearer than this may be the same one: redrilled off centre, but far from the next (ours)."""
SCALE_SLACK = 0.004
"""Relative error between the scales of two photos: two unchecked printers (ours)."""
LENGTH_SLACK_MM = 0.5
"""By how much the distance of the same two holes may differ in two photos, beside the scale (ours)."""
DIAMETER_SLACK_MM = 0.3
"""Holes whose diameters differ by more than this and U are less likely the same: they may have been drilled up (ours)."""
UNLIKE_WORTH = 0.6
"""Of a hole that fits in place and not in diameter, over one that fits in both."""
OUTLINE_WORTH = 3.0
"""An outline that fits all the way counts as that many holes."""
SWEEP = 180
"""Turns that are tried where holes suggest none: every 2 degrees."""
FELLOWS = 3
"""From each hole of the smaller pattern so many of its farthest fellows make pairs: some of them will be there."""
MOST_MOVES, MOST_FITTED = 60, 16
"""Suggestions whose outlines are compared, and that are fitted."""
FIT_LAG = 2.0
"""A suggestion whose score is so many holes behind the best one is not fitted."""
FIT_ROUNDS, FIT_STEPS = 3, 8
FIT_DONE_MM = 1e-7
HUBER_K = 3.0
"""Residuals beyond so many standard uncertainties pull no harder than there."""
LEAST_U_MM = 0.02
"""Standard uncertainty that every centre has at least: form of the rim and flatness."""
TIE = 0.35
"""Moves whose scores differ by less than this many holes are not told apart."""
OTHER_TURN_RAD, OTHER_PLACE_MM = math.radians(3.0), 1.0
"""Moves that differ by less are the same one."""
LEAST_SHARE = 0.6
"""Of the smaller pattern's holes that have to fit."""
WHOLE_OUTLINE, FEW_HOLES_OUTLINE, CUT_OUTLINE, BARE_OUTLINE = 0.5, 0.7, 0.4, 0.9
"""Of the outline that has to fit: of whole parts, with one or two holes, of those where a part runs on, without holes."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """Holes and outline of one part in one photo.

    centres_mm: (N, 2); covariances: (N, 2, 2) mm²; diameters_mm, expanded_mm (their U): (N,); outline_mm: (M, 2).
    whole: the outline is the part's own all the way.
    """

    centres_mm: Array
    covariances: Array
    diameters_mm: Array
    expanded_mm: Array
    outline_mm: Array
    whole: bool

    @staticmethod
    def of(part: Part) -> Pattern:
        """The pattern of a measured part, its holes in their order."""
        u = np.array([hole.centre_u_mm for hole in part.holes], float).reshape(-1, 2)
        u = np.maximum(u, LEAST_U_MM)
        return Pattern(
            np.array([hole.centre_mm for hole in part.holes], float).reshape(-1, 2),
            np.einsum("ni,ij->nij", u**2, np.eye(2)),
            np.array([hole.diameter.value for hole in part.holes], float),
            np.array([hole.diameter.U for hole in part.holes], float),
            np.array(part.outline_mm, float).reshape(-1, 2),
            part.whole_in_view,
        )

    @property
    def extent_mm(self) -> float:
        """Longer side of the box round holes and outline."""
        points = np.vstack([self.centres_mm, self.outline_mm])
        return float(np.ptp(points, axis=0).max()) if len(points) else 0.0


@dataclass(frozen=True, slots=True)
class Registration:
    """How one pattern lies over another.

    pairs: (moved, onto) indices of holes that are the same one. covariance: (3, 3) of turn (rad) and shift (mm). rms_mm: of
    the distances of the paired holes. scale, scale_u: by how much the onto pattern is larger, as a diagnosis (u 0: not known).
    outline_share: of the outlines that agree, None where either has none. rivals: moves that fit as well, of a symmetric part.
    """

    move: Move
    pairs: tuple[tuple[int, int], ...]
    covariance: Array
    rms_mm: float
    scale: float
    scale_u: float
    outline_share: float | None
    score: float
    rivals: tuple[Registration, ...] = field(default=())


def register(onto: Pattern, moved: Pattern, mirrored: bool | None = None) -> Registration | None:
    """The move that lays `moved` over `onto`; None where the two cannot be the same part.

    mirrored: whether the part was turned over between the photos; None tries both, and takes turned over only where that fits
    better. Of moves that fit equally well (a symmetric part) the one that turns least, the others are its rivals.
    """
    sides = (False, True) if mirrored is None else (mirrored,)
    fitted = [fit for side in sides for fit in _fitted(onto, moved, side) if _is_same_part(fit, onto, moved)]
    if not fitted:
        return None
    best = max(fit.score for fit in fitted)
    level = _different([fit for fit in fitted if fit.score > best - TIE], moved)
    chosen, *rivals = sorted(level, key=lambda fit: (fit.move.mirrored, abs(wrapped(fit.move.turn_rad))))
    return replace(chosen, rivals=tuple(rivals))


def _fitted(onto: Pattern, moved: Pattern, mirrored: bool) -> Iterator[Registration]:
    """The best suggestions, each fitted and scored."""
    moves = _suggestions(onto, moved, mirrored)
    if not len(moves):
        return
    if min(len(onto.centres_mm), len(moved.centres_mm)) >= 2:
        best_first = np.argsort(-_hole_scores(moves, onto, moved, mirrored), kind="stable")
        moves = moves[best_first[:MOST_MOVES]]
    outlines = Outlines(onto.outline_mm, moved.outline_mm, onto.whole and moved.whole)
    scored = sorted((_scored(Move(turn, (x, y), mirrored), onto, moved, outlines) for turn, x, y in moves), key=_by_score)
    hopeful = [fit for fit in scored[:MOST_MOVES] if fit.score > scored[0].score - FIT_LAG]
    for start in _different(hopeful, moved)[:MOST_FITTED]:
        move = start.move
        for _ in range(FIT_ROUNDS):
            pairs = _pairs(move, onto, moved)
            move, covariance = _fit(move, pairs, onto, moved, outlines)
        yield replace(_scored(move, onto, moved, outlines), covariance=covariance)


def _by_score(fit: Registration) -> float:
    return -fit.score


def _suggestions(onto: Pattern, moved: Pattern, mirrored: bool) -> Array:
    """Moves (H, 3) of turn (rad) and shift (mm) worth a look."""
    centres = turned_over(moved.centres_mm, mirrored)
    if min(len(centres), len(onto.centres_mm)) >= 2:
        smaller_moved = len(centres) <= len(onto.centres_mm)
        return _from_pairs(centres, onto.centres_mm) if smaller_moved else _inverse(_from_pairs(onto.centres_mm, centres))
    turns = np.arange(SWEEP) * (2 * math.pi / SWEEP)
    anchors = [(centres[i], onto.centres_mm[k]) for i, k in np.argwhere(_alike(moved, onto))]
    if not anchors and onto.whole and moved.whole and len(onto.outline_mm) and len(moved.outline_mm):
        anchors = [(centroid(turned_over(moved.outline_mm, mirrored)), centroid(onto.outline_mm))]
    moves = [(turn, *(target - rotation(turn) @ start)) for start, target in anchors for turn in turns]
    return np.array(moves, float).reshape(-1, 3)


def _from_pairs(start: Array, target: Array) -> Array:
    """Moves (H, 3) that bring pairs of holes of `start` (N, 2) onto pairs of `target` (M, 2) that are as far apart."""
    apart, there = _distances(start, start), _distances(target, target)
    fellows = np.argsort(-apart, axis=1, kind="stable")[:, : min(FELLOWS, len(start) - 1)]
    pairs = np.column_stack([np.repeat(np.arange(len(start)), fellows.shape[1]), fellows.ravel()])
    k, m = np.nonzero(~np.eye(len(target), dtype=bool))
    moves = []
    for i, j in np.unique(np.sort(pairs, axis=1), axis=0):
        fits = np.abs(there[k, m] - apart[i, j]) < LENGTH_SLACK_MM + SCALE_SLACK * apart[i, j]
        along, onto_along = start[j] - start[i], target[m[fits]] - target[k[fits]]
        turns = np.arctan2(onto_along[:, 1], onto_along[:, 0]) - math.atan2(along[1], along[0])
        middle, onto_middle = (start[i] + start[j]) / 2, (target[k[fits]] + target[m[fits]]) / 2
        moves.append(np.column_stack([turns, onto_middle - _turned(np.tile(middle, (len(turns), 1)), turns)]))
    return np.vstack(moves)


def _inverse(moves: Array) -> Array:
    """The moves (H, 3) back."""
    return np.column_stack([-moves[:, 0], -_turned(moves[:, 1:], -moves[:, 0])])


def _turned(points: Array, turns: Array) -> Array:
    """Points (H, 2), each turned by its own angle (H,)."""
    cos, sin = np.cos(turns), np.sin(turns)
    return np.column_stack([cos * points[:, 0] - sin * points[:, 1], sin * points[:, 0] + cos * points[:, 1]])


def _hole_scores(moves: Array, onto: Pattern, moved: Pattern, mirrored: bool) -> Array:
    """How many holes (H,) each move brings onto others, nearer ones counting more."""
    centres = turned_over(moved.centres_mm, mirrored)
    cos, sin = np.cos(moves[:, 0])[:, None], np.sin(moves[:, 0])[:, None]
    x = cos * centres[:, 0] - sin * centres[:, 1] + moves[:, 1:2]
    y = sin * centres[:, 0] + cos * centres[:, 1] + moves[:, 2:3]
    near, index = cKDTree(onto.centres_mm).query(np.stack([x, y], axis=-1))
    worth = np.where(_alike(moved, onto)[np.arange(len(centres)), index], 1.0, UNLIKE_WORTH)
    return np.asarray((worth * np.clip(1 - (near / _gate_mm(onto, moved)) ** 2, 0, None)).sum(axis=1))


def _scored(move: Move, onto: Pattern, moved: Pattern, outlines: Outlines) -> Registration:
    """A move with what it brings together."""
    pairs = _pairs(move, onto, moved)
    share = outlines.share(move)
    gaps = _gaps(move, pairs, onto, moved)
    alike = _alike(moved, onto)
    i, k = np.array(pairs, int).reshape(-1, 2).T
    worth = (np.where(alike[i, k], 1.0, UNLIKE_WORTH) * (1 - (gaps / _gate_mm(onto, moved)) ** 2)).sum()
    scale, scale_u = _scale(move, pairs, onto, moved)
    rms = float(np.sqrt(np.mean(gaps**2))) if len(gaps) else 0.0
    score = float(worth) + OUTLINE_WORTH * (share or 0.0)
    return Registration(move, pairs, np.zeros((3, 3)), rms, scale, scale_u, share, score)


def _pairs(move: Move, onto: Pattern, moved: Pattern) -> tuple[tuple[int, int], ...]:
    """Holes that lie on each other after the move: the assignment of least total squared distance within the gate."""
    if not len(moved.centres_mm) or not len(onto.centres_mm):
        return ()
    gate = _gate_mm(onto, moved)
    cost = np.minimum(_distances(move(moved.centres_mm), onto.centres_mm), gate) ** 2
    rows, columns = linear_sum_assignment(cost)
    return tuple((int(i), int(k)) for i, k in zip(rows, columns, strict=True) if cost[i, k] < gate**2)


def _fit(
    move: Move, pairs: tuple[tuple[int, int], ...], onto: Pattern, moved: Pattern, outlines: Outlines
) -> tuple[Move, Array]:
    """The move of least weighted squares, and its covariance (3, 3); from the holes, and the outline where they are too few."""
    covariance = np.full((3, 3), np.nan)
    i, k = np.array(pairs, int).reshape(-1, 2).T
    for _ in range(FIT_STEPS):
        normal, right = _hole_equations(move, onto, moved, i, k)
        if len(pairs) < 2:
            more = outlines.equations(move)
            normal, right = normal + more[0], right + more[1]
        if not np.all(np.isfinite(normal)) or np.linalg.matrix_rank(normal) < 3:
            return move, covariance
        covariance = np.linalg.inv(normal)
        turn, x, y = covariance @ right
        move = Move(move.turn_rad + turn, (move.shift_mm[0] + x, move.shift_mm[1] + y), move.mirrored)
        if abs(x) + abs(y) + abs(turn) * onto.extent_mm < FIT_DONE_MM:
            break
    return move, covariance


def _hole_equations(move: Move, onto: Pattern, moved: Pattern, i: Array, k: Array) -> tuple[Array, Array]:
    """Normal matrix (3, 3) and right side (3,) of the paired holes' residuals, with full covariances and Huber's weights."""
    turned = move.directions(moved.centres_mm[i])
    residual = onto.centres_mm[k] - (turned + np.array(move.shift_mm))
    R = rotation(move.turn_rad) @ np.diag([-1.0 if move.mirrored else 1.0, 1.0])
    weight = np.linalg.inv(onto.covariances[k] + R @ moved.covariances[i] @ R.T)
    distance = np.sqrt(np.einsum("ni,nij,nj->n", residual, weight, residual))
    weight = weight * np.minimum(1, HUBER_K / np.maximum(distance, 1e-12))[:, None, None]
    jacobian = np.zeros((len(i), 2, 3))
    jacobian[:, :, 0] = np.column_stack([-turned[:, 1], turned[:, 0]])
    jacobian[:, :, 1:] = np.eye(2)
    normal = np.einsum("nia,nij,njb->ab", jacobian, weight, jacobian)
    return normal, np.einsum("nia,nij,nj->a", jacobian, weight, residual)


def _scale(move: Move, pairs: tuple[tuple[int, int], ...], onto: Pattern, moved: Pattern) -> tuple[float, float]:
    """By how much larger the onto pattern is, by its paired holes, and the standard uncertainty; (1, 0) with fewer than two."""
    if len(pairs) < 2:
        return 1.0, 0.0
    i, k = np.array(pairs).T
    a, b = (points - points.mean(axis=0) for points in (move(moved.centres_mm[i]), onto.centres_mm[k]))
    variance = (onto.covariances[k] + moved.covariances[i]).trace(axis1=1, axis2=2) / 2
    length = (a**2).sum()
    u = math.sqrt(float(((a**2).sum(axis=1) * variance).sum())) / length if length > 0 else 0.0
    return (float((a * b).sum() / length) if length > 0 else 1.0), u


def _is_same_part(fit: Registration, onto: Pattern, moved: Pattern) -> bool:
    """Whether so much fits that the two must be one part."""
    smaller, count = min(len(onto.centres_mm), len(moved.centres_mm)), len(fit.pairs)
    whole, share = onto.whole and moved.whole, fit.outline_share or 0.0
    if smaller == 0:
        return whole and max(len(onto.centres_mm), len(moved.centres_mm)) == 0 and share >= BARE_OUTLINE
    if count < max(1, math.ceil(LEAST_SHARE * smaller)):
        return False
    if count >= 3:
        return share >= WHOLE_OUTLINE or not whole
    return share >= (FEW_HOLES_OUTLINE if whole else CUT_OUTLINE)


def _different(fits: list[Registration], moved: Pattern) -> list[Registration]:
    """Of moves that are the same one, the best, in the order given otherwise."""
    points = np.vstack([moved.centres_mm, moved.outline_mm])
    probe = np.array([points.min(axis=0), points.max(axis=0)])
    kept: list[Registration] = []
    for fit in sorted(fits, key=_by_score):
        if all(_is_other(fit.move, one.move, probe) for one in kept):
            kept.append(fit)
    return kept


def _is_other(one: Move, other: Move, probe: Array) -> bool:
    if one.mirrored != other.mirrored or abs(wrapped(one.turn_rad - other.turn_rad)) > OTHER_TURN_RAD:
        return True
    return bool(np.hypot(*(one(probe) - other(probe)).T).mean() > OTHER_PLACE_MM)


def _alike(moved: Pattern, onto: Pattern) -> Array:
    """Whether holes (N, M) have the same diameter, as far as their U and a little reaming allow."""
    apart = np.abs(moved.diameters_mm[:, None] - onto.diameters_mm[None])
    return np.asarray(apart <= DIAMETER_SLACK_MM + np.hypot(moved.expanded_mm[:, None], onto.expanded_mm[None]))


def _gaps(move: Move, pairs: tuple[tuple[int, int], ...], onto: Pattern, moved: Pattern) -> Array:
    """Distances (K,) of the paired holes, mm."""
    i, k = np.array(pairs, int).reshape(-1, 2).T
    return np.asarray(np.hypot(*(move(moved.centres_mm[i]) - onto.centres_mm[k]).T))


def _gate_mm(onto: Pattern, moved: Pattern) -> float:
    return GATE_MM + SCALE_SLACK * max(onto.extent_mm, moved.extent_mm) / 2


def _distances(one: Array, other: Array) -> Array:
    """(N, M) mm between points (N, 2) and (M, 2)."""
    return np.asarray(np.hypot(*np.moveaxis(one[:, None] - other[None], -1, 0)))
