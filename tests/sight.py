"""From the simulator's truth to what holeinspect's inner parts take."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from holeinspect.edges.fronts import Blur, View
from holeinspect.edges.rims import Plate
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.camera import Camera
from tests.simulator import view as simulator
from tests.simulator.shot import Simulated


def camera_of(view: simulator.View) -> Camera:
    """The true camera."""
    return Camera(view.K, view.distortion, view.R, view.t)


def sight_of(photo: Simulated, part: int = 0) -> View:
    """A view of the part in linear light, with the true camera and blur."""
    thickness_mm = photo.shot.scene.parts[part].thickness_mm
    blur = Blur(photo.shot.phone.edge_sigma_px)
    return View(photo.light, camera_of(photo.shot.view), blur, Plate(0.0, thickness_mm))


def photo_of(luma: Array, name: str = "drawn.png", focal35_mm: float | None = None) -> Photo:
    """A photo of these code values (H, W), as if opened from a file."""
    grey = np.asarray(luma, np.float32)
    height, width = grey.shape
    half = (np.clip(grey[: height // 2 * 2 : 2, : width // 2 * 2 : 2], 0, 1) * 255).astype(np.uint8)
    size, taken = (width, height), datetime(2026, 1, 1)
    return Photo(name, grey, np.repeat(half[..., None], 3, axis=2), "0" * 64, "PNG", 8, size, size, 1, None, None, None,
                 None, focal35_mm, taken, None, ())  # fmt: skip
