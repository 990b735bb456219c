"""Weighted circle through rim points, and its deviations after ISO 12181."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, final

import numpy as np

from holeinspect.measured import Array

LEAST_ARC_RAD = np.radians(30)
ITERATIONS = 20


@final
@dataclass(frozen=True, slots=True)
class NoFit:
    """A fit that cannot be made, and why; false in conditions."""

    reason: str

    def __bool__(self) -> Literal[False]:
        return False


@final
@dataclass(frozen=True, slots=True)
class Circle:
    """Least-squares circle: centre (2,) and radius, mm, and their (3, 3) covariance (x, y, radius), mm²."""

    centre: Array
    radius: float
    covariance: Array

    def deviations(self, points: Array) -> Array:
        """Signed distances of points (N, 2) from the circle, mm, positive outside."""
        return np.asarray(np.hypot(*(points - self.centre).T) - self.radius)


def fit_circle(points: Array, u_normal: Array) -> Circle | NoFit:
    """Weighted orthogonal-distance circle through points.

    points: (N, 2) mm, N >= 3. u_normal: (N,) mm, standard uncertainty along the normal. The covariance is scaled by
    chi²/(N - 3) when that exceeds 1. NoFit when the arc is under 30° or the points are collinear.
    Source: Gauss-Newton on geometric distances, Ahn, Rauh, Warnecke, Pattern Recognition 34 (2001) 2283; start after
    Taubin, PAMI 13 (1991) 1115.
    """
    if len(points) < 3:
        return NoFit(f"{len(points)} points do not make a circle; it takes 3.")
    weights = 1 / np.asarray(u_normal) ** 2
    start = _taubin(points, weights)
    if start is None:
        return NoFit("The points lie on a straight line.")
    centre, radius = start
    for _ in range(ITERATIONS):
        toward = points - centre
        distance = np.maximum(np.hypot(*toward.T), 1e-12)
        jacobian = np.column_stack([toward / distance[:, None], np.ones(len(points))])
        normal = jacobian.T @ (weights[:, None] * jacobian)
        try:
            step = np.linalg.solve(normal, jacobian.T @ (weights * (distance - radius)))
        except np.linalg.LinAlgError:
            return NoFit("The points do not determine a circle.")
        centre, radius = centre + step[:2], radius + step[2]
        if np.abs(step).max() < 1e-12 * max(1.0, abs(radius)):
            break
    left_over = np.hypot(*(points - centre).T) - radius
    if _arc(points - centre) < LEAST_ARC_RAD:
        return NoFit("The points cover less than 30° of the circle.")
    factor = max(1.0, float((weights * left_over**2).sum() / max(len(points) - 3, 1)))
    return Circle(centre, float(radius), np.linalg.inv(normal) * factor)


def _taubin(points: Array, weights: Array) -> tuple[Array, float] | None:
    """Taubin's circle by its singular value form: centre and radius; None for collinear points."""
    share = weights / weights.sum()
    middle = share @ points
    scale = np.sqrt(share @ ((points - middle) ** 2).sum(1))
    if scale == 0:
        return None
    x, y = ((points - middle) / scale).T
    square = x * x + y * y
    mean_square = share @ square
    columns = np.column_stack([(square - mean_square) / (2 * np.sqrt(mean_square)), x, y]) * np.sqrt(share)[:, None]
    _, values, rows = np.linalg.svd(columns, full_matrices=False)
    a = rows[-1]
    bend = a[0] / (2 * np.sqrt(mean_square))
    if abs(bend) < 1e-9 or (len(values) == 3 and values[1] < 1e-12):
        return None
    centre = -a[1:] / (2 * bend)
    radius = np.sqrt((centre**2).sum() + mean_square)
    return middle + scale * centre, float(scale * radius)


def _arc(from_centre: Array) -> float:
    """Angle covered by points seen from the centre, rad."""
    angles = np.sort(np.arctan2(from_centre[:, 1], from_centre[:, 0]))
    gaps = np.diff(np.concatenate([angles, [angles[0] + 2 * np.pi]]))
    return float(2 * np.pi - gaps.max())
