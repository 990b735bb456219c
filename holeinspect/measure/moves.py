"""Rigid moves of the mat plane: turned, shifted, turned over."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from holeinspect.measured import Array


@dataclass(frozen=True, slots=True)
class Move:
    """A rigid move of the plane: onto = R(turn_rad) M from + shift_mm, M turning the part over where mirrored."""

    turn_rad: float
    shift_mm: tuple[float, float]
    mirrored: bool = False

    def __call__(self, points_mm: Array) -> Array:
        """(N, 2) mm of the onto frame."""
        return np.asarray(turned_over(points_mm, self.mirrored) @ rotation(self.turn_rad).T + np.array(self.shift_mm))

    def directions(self, vectors: Array) -> Array:
        """(N, 2) vectors turned as the move turns them."""
        return np.asarray(turned_over(vectors, self.mirrored) @ rotation(self.turn_rad).T)


def rotation(turn_rad: float) -> Array:
    """(2, 2) matrix of an anticlockwise turn."""
    cos, sin = math.cos(turn_rad), math.sin(turn_rad)
    return np.array([[cos, -sin], [sin, cos]])


def turned_over(points: Array, mirrored: bool) -> Array:
    """x to -x where mirrored."""
    return np.asarray(points * np.array([-1.0, 1.0]) if mirrored else points)


def wrapped(turn_rad: float) -> float:
    """The same turn between -pi and pi."""
    return math.remainder(turn_rad, 2 * math.pi)
