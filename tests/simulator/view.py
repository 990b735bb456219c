"""The simulator's own camera, written apart from holeinspect's so that either can test the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeinspect.measured import Array

FULL_FRAME_DIAGONAL_MM = 43.267
"""Diagonal of the 36 mm x 24 mm picture to which "35 mm equivalent" focal lengths refer."""

UNDISTORT_STEPS = 30
"""Fixed-point steps; each gains a factor of about 3|k1|r², 1e-15 is reached well before for phone lenses."""


@dataclass(frozen=True, slots=True)
class Pose:
    """Where the camera stands and what it looks at (mat frame, mm); roll turns it about its axis (degrees).

    With roll 0 the picture's x runs along the mat's x as nearly as the view allows.
    """

    position_mm: tuple[float, float, float] = (0.0, 0.0, 300.0)
    target_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    roll_deg: float = 0.0

    def rotation(self) -> Array:
        """(3, 3), camera from mat; camera x right, y down, z forward."""
        forward = np.subtract(self.target_mm, self.position_mm)
        forward = forward / np.linalg.norm(forward)
        right = np.cross(forward, [0.0, 1.0, 0.0])
        right = right / np.linalg.norm(right)
        down = np.cross(forward, right)
        c, s = np.cos(np.radians(self.roll_deg)), np.sin(np.radians(self.roll_deg))
        return np.array([c * right - s * down, s * right + c * down, forward])


@dataclass(frozen=True, slots=True)
class Lens:
    """Focal length and picture size in px, principal point (None: the middle), radial distortion k1, k2 (OpenCV's)."""

    f_px: float = 3028.0
    size_px: tuple[int, int] = (4032, 3024)
    principal_px: tuple[float, float] | None = None
    k1: float = 0.0
    k2: float = 0.0

    @property
    def centre_px(self) -> tuple[float, float]:
        """Principal point."""
        width, height = self.size_px
        return self.principal_px or ((width - 1) / 2, (height - 1) / 2)

    @property
    def focal35(self) -> float:
        """35 mm equivalent of the focal length, by the diagonal; right only for a picture that is not cropped."""
        return float(self.f_px * FULL_FRAME_DIAGONAL_MM / np.hypot(*self.size_px))

    def crop(self, left: int, top: int, width: int, height: int) -> Lens:
        """The same lens, only this part of its picture."""
        x, y = self.centre_px
        return Lens(self.f_px, (width, height), (x - left, y - top), self.k1, self.k2)


@dataclass(frozen=True, slots=True)
class View:
    """A pose and a lens: the whole camera, in the symbols of OpenCV."""

    pose: Pose
    lens: Lens

    @property
    def K(self) -> Array:
        """(3, 3), px."""
        (x, y), f = self.lens.centre_px, self.lens.f_px
        return np.array([[f, 0.0, x], [0.0, f, y], [0.0, 0.0, 1.0]])

    @property
    def R(self) -> Array:
        """(3, 3), camera from mat."""
        return self.pose.rotation()

    @property
    def t(self) -> Array:
        """(3,) mm: X_cam = R X_mat + t."""
        return np.asarray(-self.R @ np.array(self.pose.position_mm))

    @property
    def distortion(self) -> Array:
        """(5,) k1 k2 p1 p2 k3."""
        return np.array([self.lens.k1, self.lens.k2, 0.0, 0.0, 0.0])

    def project(self, points_mm: Array) -> Array:
        """Mat frame (N, 3) mm to picture (N, 2) px."""
        right, down, depth = self.R @ (np.asarray(points_mm, dtype=float) - self.pose.position_mm).T
        ideal = np.array([right, down]) / depth
        r2 = (ideal**2).sum(axis=0)
        bent = ideal * (1 + self.lens.k1 * r2 + self.lens.k2 * r2**2)
        return np.asarray((self.lens.f_px * bent).T + self.lens.centre_px)

    def to_plane(self, points_px: Array, z_mm: float) -> Array:
        """Picture (N, 2) px to the plane z, (N, 2) mm."""
        bent = (points_px - np.array(self.lens.centre_px)) / self.lens.f_px
        ideal = bent
        for _ in range(UNDISTORT_STEPS if self.lens.k1 or self.lens.k2 else 0):
            r2 = (ideal**2).sum(axis=1, keepdims=True)
            ideal = bent / (1 + self.lens.k1 * r2 + self.lens.k2 * r2**2)
        rays = np.column_stack([ideal, np.ones(len(ideal))]) @ self.R
        position = np.array(self.pose.position_mm)
        return np.asarray(position[:2] + rays[:, :2] * ((z_mm - position[2]) / rays[:, 2])[:, None])

    def px_per_mm(self) -> float:
        """Scale of the mat plane at the target."""
        distance = np.linalg.norm(np.subtract(self.pose.target_mm, self.pose.position_mm))
        return float(self.lens.f_px / distance)
