"""From a hole's centre to the nearest edge of its part, and how sure that is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from holeinspect.edges.contours import Arc, Fitted, Lip, Round, Straight
from holeinspect.edges.outline import ROUGH_U_MM, TRIM_MM, Dressed, Edge, Free, Unseen
from holeinspect.measure.budget import EDGE_FORM_SHARE, Errors, Line, combined, form_u, line, shape_errors
from holeinspect.measured import Array, Measured

BEYOND_END_MM = TRIM_MM + 0.1
"""A straight edge goes on this far past its fitted ends: what was trimmed off its run, up to the corner. Farther, it would
run on into the metal at a rounded inside corner."""
Kind = Literal["outline", "cutout"]


@dataclass(frozen=True, slots=True)
class Foot:
    """Where the shortest way from a point to an edge ends: (2,) mm, and the edge it ends on."""

    distance: float
    point: Array
    edge: Edge | Round
    kind: Kind


@dataclass(frozen=True, slots=True)
class EdgeDistance:
    """The nearest edge in view, and how far away unseen ones are at least (infinite when all is in view).

    start: (2,) mm, the centre that it is measured from: of a slot, or of two bores side by side, one of several.
    """

    start: Array
    measured: Measured | None
    lines: tuple[Line, ...]
    foot: Foot | None
    unseen_mm: float

    @property
    def known(self) -> bool:
        """Whether no unseen edge can be nearer."""
        return self.measured is not None and self.measured.value <= self.unseen_mm

    def hidden_burr_mm(self, limit_mm: float) -> float:
        """How much nearer the edge may be for a burr of the limit, or a greater one, that the photo would not show there."""
        if self.foot is None or (lip := _lip(self.foot)).hidden_mm <= limit_mm:
            return 0.0
        return lip.hidden_mm if lip.traced else limit_mm


def nearest_edge(hole: Round, edges: Iterable[tuple[Edge | Round, Kind]], errors: Errors) -> EdgeDistance:
    """Edge distance of a hole among the edges of its part (outline, cut-outs, lightening holes)."""
    feet = [_foot(hole.centre, edge, kind) for edge, kind in edges]
    seen = [foot for foot in feet if not isinstance(foot.edge, Unseen)]
    unseen = min((foot.distance for foot in feet if isinstance(foot.edge, Unseen)), default=np.inf)
    if not seen:
        return EdgeDistance(hole.centre, None, (), None, unseen)
    foot = min(seen, key=lambda foot: foot.distance)
    lines = _lines(hole, foot, errors)
    return EdgeDistance(hole.centre, Measured(foot.distance, combined(lines)), lines, foot, unseen)


def _foot(centre: Array, edge: Edge | Round, kind: Kind) -> Foot:
    match edge:
        case Straight():
            point = _on_line(centre, edge)
        case Arc():
            point = _on_arc(centre, edge)
        case Round():
            toward = (centre - edge.centre) / max(float(np.hypot(*(centre - edge.centre))), 1e-9)
            point = edge.centre + edge.radius * toward
        case Free() | Unseen() | Dressed():
            point = edge.points_mm[np.argmin(((edge.points_mm - centre) ** 2).sum(axis=1))]
    return Foot(float(np.hypot(*(point - centre))), point, edge, kind)


def _on_line(centre: Array, edge: Straight) -> Array:
    length = float(np.hypot(*(edge.end - edge.start)))
    along = (edge.end - edge.start) / length
    at = np.clip((centre - edge.start) @ along, -BEYOND_END_MM, length + BEYOND_END_MM)
    return np.asarray(edge.start + at * along)


def _on_arc(centre: Array, edge: Arc) -> Array:
    toward = centre - edge.centre
    angle = np.arctan2(toward[1], toward[0])
    middle = (edge.first + edge.last) / 2
    half = (edge.last - edge.first) / 2 + TRIM_MM / edge.radius
    off = (angle - middle + np.pi) % (2 * np.pi) - np.pi
    angle = middle + np.clip(off, -half, half)
    return np.asarray(edge.centre + edge.radius * np.array([np.cos(angle), np.sin(angle)]))


def _lines(hole: Round, foot: Foot, errors: Errors) -> tuple[Line, ...]:
    """Budget of the distance along the way from hole to edge."""
    way = (foot.point - hole.centre) / max(foot.distance, 1e-9)
    centre = shape_errors(hole.fitted, errors)
    centre_moves = {name: move[:, :2] @ way for name, move in centre.items()}
    edge_moves = _edge_moves(foot, way, errors)
    shared = [name for name in edge_moves if name in centre_moves and name not in ("light", "hidden break")]
    lines = [line(name, np.linalg.norm(edge_moves[name] - centre_moves[name])) for name in shared]
    noise = np.hypot(np.sqrt(way @ hole.covariance[:2, :2] @ way), _edge_noise(foot, way))
    form = np.hypot(form_u(hole.fitted), _edge_form(foot))
    lines.append(line("edge noise", noise))
    lines.append(line("form", form))
    burr_u_mm = np.hypot(hole.burr_u_mm, _lip(foot).u_mm)
    lines += [line("burr", burr_u_mm)] if burr_u_mm else []
    lines.extend(line(name, np.linalg.norm(edge_moves[name])) for name in ("light", "hidden break") if name in edge_moves)
    return tuple(lines)


def _edge_moves(foot: Foot, way: Array, errors: Errors) -> dict[str, Array]:
    """How far the foot moves along the way for one u of each error: (E,) by source."""
    fitted = _fitted(foot)
    if fitted is None:
        moves = errors.moves(foot.point[None], np.zeros(1), np.ones(1))
        return {name: move[:, 0] @ way for name, move in moves.items()}
    s = fitted.stretches
    near = np.argmin(((s.points_mm - foot.point) ** 2).sum(axis=1))
    local = {
        name: move[:, 0] @ way
        for name, move in errors.moves(s.points_mm[near][None], s.z_mm[near][None], s.upper[near][None]).items()
    }
    own = shape_errors(fitted, errors, outer=True)
    # Light and a hidden break move the whole edge in or out of the metal.
    local["light"] = np.array([np.abs(own["light"][0]).max()])
    local["hidden break"] = np.array([np.abs(own["hidden break"][0]).max()])
    return local


def _fitted(foot: Foot) -> Fitted | None:
    return None if isinstance(foot.edge, Free | Unseen | Dressed) else foot.edge.fitted


def _edge_noise(foot: Foot, way: Array) -> float:
    match foot.edge:
        case Straight() as edge:
            middle = (edge.fitted.stretches.points_mm[0] + edge.fitted.stretches.points_mm[-1]) / 2
            along = (edge.end - edge.start) / np.hypot(*(edge.end - edge.start))
            row = np.array([1.0, (foot.point - middle) @ along])
            return float(np.sqrt(row @ edge.covariance[:2, :2] @ row))
        case Arc() | Round() as edge:
            row = np.append(way, 1.0)
            return float(np.sqrt(row @ edge.covariance[:3, :3] @ row))
        case Dressed() as edge:
            return edge.u_mm
        case _:
            return ROUGH_U_MM


def _edge_form(foot: Foot) -> float:
    fitted = _fitted(foot)
    # What stands off a straight edge that was traced is told apart from it: a stub or a burr leaves its form as it is.
    told = isinstance(foot.edge, Straight) and foot.edge.lip.traced
    return 0.0 if fitted is None else form_u(fitted, EDGE_FORM_SHARE, clean=told)


def _lip(foot: Foot) -> Lip:
    """What stands on the edge; of free, unseen and dressed ones, their own uncertainty holds it."""
    match foot.edge:
        case Straight() | Arc() as edge:
            return edge.lip
        case Round() as rim:
            return Lip(rim.burr_u_mm, 0.0)
        case _:
            return Lip(0.0, 0.0)


def pitch_lines(first: Round, second: Round, errors: Errors) -> tuple[Line, ...]:
    """Budget of the distance of two holes' centres, along the way between them; what moves both alike cancels."""
    way = second.centre - first.centre
    way = way / max(float(np.hypot(*way)), 1e-9)
    here, there = (shape_errors(rim.fitted, errors) for rim in (first, second))
    lines = [line(name, np.linalg.norm((there[name] - here[name])[:, :2] @ way)) for name in here]
    noise = sum(float(way @ rim.covariance[:2, :2] @ way) for rim in (first, second))
    lines.append(line("edge noise", np.sqrt(noise)))
    lines.append(line("form", np.hypot(form_u(first.fitted), form_u(second.fitted))))
    burr_u_mm = np.hypot(first.burr_u_mm, second.burr_u_mm)
    lines += [line("burr", burr_u_mm)] if burr_u_mm else []
    return tuple(lines)
