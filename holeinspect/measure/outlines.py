"""How far two outlines agree after a move, and the equations of the move that brings them closer."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from holeinspect.measure.moves import Move, rotation, turned_over
from holeinspect.measured import Array

OUTLINE_NEAR_MM = 1.0
"""Outlines nearer than this agree: more than a file takes off."""
OUTLINE_STEP_MM, OUTLINE_PROBES = 0.5, 120
OUTLINE_U_MM = 0.3
"""Standard uncertainty of an outline as the fit of few holes uses it: edges are dressed between two photos (ours)."""
OUTLINE_FREEDOM = 12
"""The probes along an outline count as so many independent ones: their errors are common to stretches."""
KEPT_SHARE, FARTHEST_MM = 0.7, 3.0
"""Probes that join a fit: the nearest so many, and all that are no farther."""


class Outlines:
    """Two closed outlines (M, 2) mm, probed along their length. whole: neither runs out of view."""

    def __init__(self, onto_mm: Array, moved_mm: Array, whole: bool) -> None:
        self.known = len(onto_mm) > 2 and len(moved_mm) > 2
        self.whole = whole
        if self.known:
            self.target, self.normals = _along(onto_mm, OUTLINE_STEP_MM)
            self.source, _ = _along(moved_mm, OUTLINE_STEP_MM)
            self.target_tree = cKDTree(self.target)
            self.source_tree = cKDTree(self.source)
            self.probes, self.target_probes = (
                points[:: max(1, len(points) // OUTLINE_PROBES)] for points in (self.source, self.target)
            )

    def share(self, move: Move) -> float | None:
        """Of the outlines, what lies near the other after the move; of the better of the two where a part is cut off."""
        if not self.known:
            return None
        there, _ = self.target_tree.query(move(self.probes))
        back = self.target_probes - np.array(move.shift_mm)
        back = turned_over(back @ rotation(move.turn_rad), move.mirrored)
        here, _ = self.source_tree.query(back)
        shares = [float((near < OUTLINE_NEAR_MM).mean()) for near in (there, here)]
        return min(shares) if self.whole else max(shares)

    def equations(self, move: Move) -> tuple[Array, Array]:
        """Normal matrix (3, 3) and right side (3,) of the probes' distances across the outline, the farthest cut off."""
        if not self.known:
            return np.zeros((3, 3)), np.zeros(3)
        turned = move.directions(self.probes)
        at = turned + np.array(move.shift_mm)
        near, index = self.target_tree.query(at)
        used = near <= max(FARTHEST_MM, float(np.quantile(near, KEPT_SHARE)))
        normals = self.normals[index[used]]
        residual = ((self.target[index[used]] - at[used]) * normals).sum(axis=1)
        across = np.column_stack([-turned[used, 1], turned[used, 0]])
        jacobian = np.column_stack([(across * normals).sum(axis=1), normals])
        weight = OUTLINE_FREEDOM / max(1, used.sum()) / OUTLINE_U_MM**2
        return np.asarray(weight * jacobian.T @ jacobian), np.asarray(weight * jacobian.T @ residual)


def _along(outline: Array, step_mm: float) -> tuple[Array, Array]:
    """Points (N, 2) every step along a closed outline, and its normals (N, 2) there."""
    closed = np.vstack([outline, outline[:1]])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = np.arange(0, way[-1], step_mm)
    points = np.column_stack([np.interp(at, way, closed[:, axis]) for axis in (0, 1)])
    along = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    along /= np.maximum(np.hypot(*along.T), 1e-12)[:, None]
    return points, np.column_stack([along[:, 1], -along[:, 0]])


def centroid(outline: Array) -> Array:
    """Centroid (2,) of the area within a closed outline."""
    x, y = outline.T
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    if abs(cross.sum()) < 1e-9:
        return np.asarray(outline.mean(axis=0))
    moments = [((one + np.roll(one, -1)) * cross).sum() for one in (x, y)]
    return np.asarray(np.array(moments) / (3 * cross.sum()))
