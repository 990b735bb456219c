"""Parts of two results that are the same part, and where a place of one lies on the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.optimize import linear_sum_assignment

from holeinspect.inspection import Part
from holeinspect.measure.register import TIE, Pattern, Registration, register
from holeinspect.measured import Array

NO_MATCH_COST = 1e6
"""Cost of a pair of parts that cannot be the same: above any that can."""
ORDER_WORTH = 0.05
"""Equal parts keep their order: a place further on costs so much of a hole (ours)."""
LEAST_POINTS = 4
"""Of photo and mat that a map between them needs."""

NEAR_PX = 10.0
"""Points nearer than this count alike: the spacing of an outline's points."""


@dataclass(frozen=True, slots=True)
class Matched:
    """One part in two results: the first lies over the second after registration.move.

    alike: names of other parts of the second result that the first fits as well.
    """

    first: Part
    second: Part
    registration: Registration
    alike: tuple[str, ...] = ()

    @property
    def pairs(self) -> dict[str, str]:
        """Name of the second's hole by the first's."""
        return {self.first.holes[i].name: self.second.holes[k].name for i, k in self.registration.pairs}


def match_parts(first: Sequence[Part], second: Sequence[Part], mirrored: bool | None = None) -> list[Matched]:
    """The same parts of two results, in the first's order; parts without a fellow are left out.

    mirrored: whether the second result shows the other side; None where that is to be found out.
    """
    if not first or not second:
        return []
    patterns = [[Pattern.of(part) for part in parts] for parts in (first, second)]
    fits = [[register(onto, moved, mirrored) for onto in patterns[1]] for moved in patterns[0]]
    score = np.array([[-NO_MATCH_COST if fit is None else fit.score for fit in row] for row in fits])
    order = ORDER_WORTH * np.abs(np.arange(len(first))[:, None] - np.arange(len(second)))
    rows, columns = linear_sum_assignment(order - score)
    matched = []
    for i, k in zip(rows, columns, strict=True):
        alike = tuple(part.name for at, part in enumerate(second) if at != k and score[i, at] > score[i, k] - TIE)
        if (fit := fits[i][k]) is not None:
            matched.append(Matched(first[i], second[k], fit, alike))
    return matched


@dataclass(frozen=True, slots=True)
class FaceMap:
    """From the upright photo to the mat frame on one part's upper rims: a homography, and what it leaves over near its points.

    matrix: (3, 3). points_px, left_mm: (N, 2) points known in both frames and their residuals. The lens's distortion leaves
    up to a millimetre over, smoothly: near a rim or an edge the mean of the nearest residuals takes it away.
    """

    matrix: Array
    points_px: Array
    left_mm: Array

    @staticmethod
    def of(part: Part) -> FaceMap | None:
        """The map from the part's own outline and hole centres, known in both frames; None where there are too few."""
        photo, mat = list(part.outline_px), list(part.outline_mm)
        if len(photo) != len(mat):
            photo, mat = [], []
        photo += [hole.centre_px for hole in part.holes]
        mat += [hole.centre_mm for hole in part.holes]
        if len(photo) < LEAST_POINTS:
            return None
        points, targets = np.array(photo, float), np.array(mat, float)
        matrix, _ = cv2.findHomography(points, targets)
        return None if matrix is None else FaceMap(matrix, points, targets - _lifted(points, matrix))

    def __call__(self, points_px: Sequence[tuple[float, float]] | Array) -> Array:
        """(N, 2) mm of points (N, 2) px."""
        points = np.asarray(points_px, float).reshape(-1, 2)
        apart = ((points[:, None] - self.points_px[None]) ** 2).sum(axis=2)
        weight = 1 / (apart + NEAR_PX**2) ** 2
        return np.asarray(_lifted(points, self.matrix) + weight @ self.left_mm / weight.sum(axis=1, keepdims=True))


def _lifted(points: Array, matrix: Array) -> Array:
    lifted = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(lifted[:, :2] / lifted[:, 2:])
