"""Which rim the camera sees at the limit of the backdrop, and how the light changes from there into the metal.

At a contour point q (mat frame) with unit normal n out of the metal, and the nadir c: if n·(q - c) > 0 the wall faces
away and the backdrop ends at the upper rim; else the wall is seen and the backdrop ends at the lower rim. A broken edge
(a chamfer b on either face) moves these silhouettes to b below the face and b above the bottom. Going into the metal,
the light then passes the wall (only where it is seen), the chamfer, and the face.
Source: our own derivation, checked by ray casting; DEVELOPERS.md, "Rims".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeinspect.measured import Array
from holeinspect.scale.camera import Camera

GAP_MARGIN_SIGMA = 3.0
"""Points this close (in blur widths) to where upper and lower rim cross are left out."""

WIDEST_MARGIN = 0.35
"""Widest margin for blur, rad: small soft holes must keep some rim."""
STRAIGHT = 1e-9
"""Bend (1/mm) below which a line is straight."""
MEETING_STEPS = 4
"""Steps in which the upper rim is found behind the lower; the last moves less than 0.01 px for walls up to a radius wide."""
NO_GAP = 0.01
"""Shift of the rims over the radius below which the two are one."""


@dataclass(frozen=True, slots=True)
class Plate:
    """Heights of the part's two faces above the mat, mm."""

    bottom_mm: float
    top_mm: float

    @property
    def thickness_mm(self) -> float:
        """Distance of the faces."""
        return self.top_mm - self.bottom_mm


@dataclass(frozen=True, slots=True)
class Stations:
    """Points along a contour: mm (N, 2), mat frame, true x and y on the rim; out: (N, 2) unit normals out of the metal.

    bend: (N,) 1/mm, curvature, positive where its centre lies on the backdrop's side (a hole), negative at the part's
    outer corners, 0 along straight edges.
    """

    points_mm: Array
    out: Array
    bend: Array

    def __len__(self) -> int:
        return len(self.points_mm)


@dataclass(frozen=True, slots=True)
class Seen:
    """How the stations look to the camera for one break of the edges.

    upper: (N,) bool, the backdrop ends at the upper rim. z_mm: (N,) height of that rim. px: (N, 2) its picture.
    into: (N, 2) unit direction in the picture, across the contour into the metal. px_per_mm: (N,) along it.
    wall_px, face_px: (N,) distance along `into` from the limit to the wall's upper end and to the face.
    """

    upper: Array
    z_mm: Array
    px: Array
    into: Array
    px_per_mm: Array
    wall_px: Array
    face_px: Array


def see(camera: Camera, stations: Stations, plate: Plate, break_mm: float) -> Seen:
    """Project the stations of a plate whose edges are broken by break_mm (0: sharp)."""
    q, out = stations.points_mm, stations.out
    upper = (out * (q - camera.centre[:2])).sum(axis=1) > 0
    z = np.where(upper, plate.top_mm - break_mm, plate.bottom_mm + break_mm)
    at = np.column_stack([q, z])
    px = camera.project(at)
    jacobian = camera.px_per_mm(at)
    along = (jacobian @ np.column_stack([-out[:, 1], out[:, 0]])[..., None])[..., 0]
    into = np.column_stack([-along[:, 1], along[:, 0]])
    into /= np.linalg.norm(into, axis=1, keepdims=True)
    per_mm = -((jacobian @ out[..., None])[..., 0] * into).sum(axis=1)
    into, per_mm = into * np.sign(per_mm)[:, None], np.abs(per_mm)
    backs, heights = np.array([0.0, break_mm]), np.array([plate.top_mm - break_mm, plate.top_mm])
    wall, face = _along(camera, stations, backs, heights, px, into, per_mm)
    wall = np.where(upper, 0, np.maximum(wall, 0))
    return Seen(upper, z, px, into, per_mm, wall, np.maximum(face, wall))


def _along(camera: Camera, stations: Stations, backs_mm: Array, heights_mm: Array, from_px: Array, into: Array,
           px_per_mm: Array) -> Array:  # fmt: skip
    """Where lines from picture points along `into` meet the same contour, set back into the metal, at other heights: px.

    backs_mm, heights_mm: (C,) of the contours to meet. Returns (C, N). The contour is followed as an arc of the stations'
    bend until its picture lies on the line.
    """
    tangent = np.column_stack([-stations.out[:, 1], stations.out[:, 0]])
    bend = np.where(np.abs(stations.bend) < STRAIGHT, STRAIGHT, stations.bend)
    there = np.empty((len(heights_mm), len(stations), 3))
    there[..., 2] = heights_mm[:, None]
    travel = np.zeros(there.shape[:2])
    for _ in range(MEETING_STEPS):
        turn = np.clip(bend * travel, -1.5, 1.5)
        sine, cosine = np.sin(turn), np.cos(turn)
        ahead, out = sine / bend + backs_mm[:, None] * sine, (1 - cosine) / bend - backs_mm[:, None] * cosine
        there[..., :2] = stations.points_mm + ahead[..., None] * tangent + out[..., None] * stations.out
        shift = camera.project(there.reshape(-1, 3)).reshape(*travel.shape, 2) - from_px
        # The picture is seen from above with y down: along the tangent, `into` lies to the left.
        travel = travel + (shift[..., 0] * into[:, 1] - shift[..., 1] * into[:, 0]) / px_per_mm
    return np.asarray((shift * into).sum(axis=-1))


def wall_before(camera: Camera, stations: Stations, plate: Plate, face: Seen) -> Array:
    """Width (N,) px of the wall in view before points of the upper rim, across it; 0 where the upper rim hides it.

    face: the stations as seen in the plane of the upper face. A wall seen aslant lies before other points than its foot.
    """
    backs_mm, heights_mm = np.zeros(1), np.array([plate.bottom_mm])
    (foot,) = _along(camera, stations, backs_mm, heights_mm, face.px, face.into, face.px_per_mm)
    return np.asarray(np.maximum(-foot, 0))


def clear_of_gaps(camera: Camera, stations: Stations, plate: Plate, sigma_mm: float) -> Array:
    """Which stations (N,) lie on the contour for certain: not near where upper and lower rim cross each other.

    The rims of a hole of radius R cross at an angle asin(k|p|/(2R)) from the points where the view touches it, k|p| being
    the shift of the two rims against each other; blur of sigma_mm widens the gap. Straight edges have no gap.
    """
    p = stations.points_mm - camera.centre[:2]
    distance = np.linalg.norm(p, axis=1)
    shift_mm = plate.thickness_mm / (camera.centre[2] - plate.top_mm) * distance
    bend = np.abs(stations.bend)
    crossing = np.arcsin(np.clip(shift_mm * bend / 2, 0, 1))
    blurred = np.minimum(GAP_MARGIN_SIGMA * sigma_mm * bend, WIDEST_MARGIN) * np.minimum(1, shift_mm / sigma_mm)
    slope = np.arcsin(np.clip(np.abs((stations.out * p).sum(axis=1)) / np.maximum(distance, 1e-9), 0, 1))
    return np.asarray((slope > crossing + blurred) | (shift_mm * bend < NO_GAP))
