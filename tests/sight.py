"""From the simulator's truth to what holeinspect's inner parts take."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np

from holeinspect.edges.adjustment import BLUR_EXPECTED
from holeinspect.edges.rims import Plate
from holeinspect.edges.stretches import Blur, View
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.camera import Camera
from tests.simulator import view as simulator
from tests.simulator.phone import PHONES
from tests.simulator.scene import Part, Plain, Scene
from tests.simulator.shot import Shot, Simulated, simulate
from tests.simulator.view import Lens, Pose


def camera_of(view: simulator.View) -> Camera:
    """The true camera."""
    return Camera(view.K, view.distortion, view.R, view.t)


def photo_of(luma: Array, name: str = "drawn.png", focal35_mm: float | None = None) -> Photo:
    """A photo of these code values (H, W), as if opened from a file."""
    grey = np.asarray(luma, np.float32)
    height, width = grey.shape
    half = (np.clip(grey[: height // 2 * 2 : 2, : width // 2 * 2 : 2], 0, 1) * 255).astype(np.uint8)
    size, taken = (width, height), datetime(2026, 1, 1)
    return Photo(name, grey, np.repeat(half[..., None], 3, axis=2), "0" * 64, "PNG", 8, size, size, 1, None, None, None,
                 None, focal35_mm, taken, None, ())  # fmt: skip


FULL_LENS = Lens(3028.0)
"""12 megapixels, 26 mm equivalent: 10 px/mm from 300 mm."""
CLEAR_PHONE = replace(PHONES["plain"], noiseless=True, mosaic=False)
"""Optics alone: what is tested with it is the geometry and the fit."""


def looked_at(
    part: Part,
    window_mm: tuple[float, float, float, float],
    pose: Pose,
    optics_px: float = 0.7,
    backdrop: float = 0.04,
) -> tuple[View, Simulated]:
    """Linear light of a window (left, bottom, right, top; mat frame) round a part, without noise, and its truth.

    The blur is given as the mat's inked edges would tell it, a little more than that of metal.
    """
    left, bottom, right, top = window_mm
    corners = [(x, y, z) for x in (left, right) for y in (bottom, top) for z in (0.0, part.thickness_mm)]
    px = simulator.View(pose, FULL_LENS).project(np.array(corners))
    low, high = np.floor(px.min(axis=0)).astype(int), np.ceil(px.max(axis=0)).astype(int)
    lens = FULL_LENS.crop(int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1]))
    phone = replace(CLEAR_PHONE, optics_px=optics_px)
    photo = simulate(Shot(Scene(Plain(backdrop), (part,)), pose, lens, phone))
    blur = Blur(phone.edge_sigma_px * float(np.exp(-BLUR_EXPECTED)))
    return View(photo.light, camera_of(photo.camera), blur, Plate(0.0, part.thickness_mm)), photo
