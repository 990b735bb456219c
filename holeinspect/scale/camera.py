"""The camera of one photo: lens, pose, and the ways between picture and mat.

Picture frame: px, x right, y down, pixel centres at integers (as in OpenCV), after EXIF orientation.
Mat frame: mm, origin at the mat's centre, x right, y up the page, z towards the camera; the mat is z = 0.
Camera frame: OpenCV's, x right, y down, z forward: X_cam = R X_mat + t.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from holeinspect.measured import Array


@dataclass(frozen=True, slots=True)
class Camera:
    """One pinhole camera with radial distortion (OpenCV's k1, k2) in one place.

    K: (3, 3) px. distortion: (5,) k1 k2 p1 p2 k3. rotation: (3, 3) camera from mat. translation: (3,) mm.
    """

    K: Array
    distortion: Array
    rotation: Array
    translation: Array

    @property
    def centre(self) -> Array:
        """Projection centre, (3,) mm, mat frame; its z is the height above the mat, its x, y the nadir."""
        return -self.rotation.T @ self.translation

    def project(self, points_mm: Array) -> Array:
        """Mat frame (N, 3) mm to picture (N, 2) px."""
        return self.project_cam(points_mm @ self.rotation.T + self.translation)

    def project_cam(self, cam: Array) -> Array:
        """Camera frame (N, 3) mm to picture (N, 2) px."""
        x, y = cam[:, 0] / cam[:, 2], cam[:, 1] / cam[:, 2]
        k1, k2, p1, p2, k3 = self.distortion
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        K = self.K
        return np.column_stack([K[0, 0] * xd + K[0, 1] * yd + K[0, 2], K[1, 1] * yd + K[1, 2]])

    def rays(self, points_px: Array) -> Array:
        """Directions of the viewing rays, (N, 3), mat frame, from picture points (N, 2) px."""
        undistorted = cv2.undistortPoints(
            np.ascontiguousarray(points_px, dtype=np.float64).reshape(-1, 1, 2),
            self.K,
            self.distortion,
            criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 1e-12),
        ).reshape(-1, 2)
        return np.column_stack([undistorted, np.ones(len(undistorted))]) @ self.rotation

    def to_plane(self, points_px: Array, z_mm: Array | float) -> Array:
        """Picture (N, 2) px to mat frame (N, 2) mm, each ray cut with the plane z = z_mm (a number or (N,))."""
        rays, centre = self.rays(points_px), self.centre
        reach = (z_mm - centre[2]) / rays[:, 2]
        return np.asarray(centre[:2] + reach[:, None] * rays[:, :2])

    def slopes(self, cam: Array) -> Array:
        """Jacobian of the picture (px) in points of the camera frame (N, 3) mm: (N, 2, 3) px per mm."""
        x, y = cam[:, 0] / cam[:, 2], cam[:, 1] / cam[:, 2]
        k1, k2, p1, p2, k3 = self.distortion
        r2 = x * x + y * y
        radial, by_r2 = 1 + r2 * (k1 + r2 * (k2 + r2 * k3)), k1 + r2 * (2 * k2 + r2 * 3 * k3)
        bent = np.empty((len(cam), 2, 2))
        bent[:, 0, 0] = radial + 2 * x * x * by_r2 + 2 * p1 * y + 6 * p2 * x
        bent[:, 1, 1] = radial + 2 * y * y * by_r2 + 6 * p1 * y + 2 * p2 * x
        bent[:, 0, 1] = bent[:, 1, 0] = 2 * (x * y * by_r2 + p1 * x + p2 * y)
        flat = np.zeros((len(cam), 2, 3))
        flat[:, 0, 0] = flat[:, 1, 1] = 1
        flat[:, 0, 2], flat[:, 1, 2] = -x, -y
        return np.asarray(self.K[:2, :2] @ (bent @ (flat / cam[:, 2, None, None])))

    def px_per_mm(self, points_mm: Array) -> Array:
        """Jacobian of `project` in the mat's x and y at points (N, 3) mm: (N, 2, 2) px per mm, [:, px, mm]."""
        return np.asarray(self.slopes(points_mm @ self.rotation.T + self.translation) @ self.rotation[:, :2])
