"""Where the straight black-and-white boundaries of a printed target lie in the picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeinspect.edges.light import linear_from_srgb
from holeinspect.edges.profiles import PROFILE_STEP_PX, Steps, fit_steps, sample
from holeinspect.measured import Array
from holeinspect.scale.camera import Camera

TRIM = 0.16
"""Share of a side left out at each end, where the corner's blur reaches."""
BLOCKS = 2
"""Stretches that a side is cut into: two keep its angle."""
STATIONS_PER_BLOCK = 20
REACH_PX = 9.0
"""Farthest sample on either side of a boundary."""
REACH_SHARE = 0.75
"""Share of the flat margin beside a boundary that a profile may use."""
LEAST_REACH_PX = 2.5
LEAST_CONTRAST = 0.12
"""Least black-to-white difference of code values; less is shade, glare or something lying on the mat."""
WORST_SPREAD = 0.10
"""Largest spread of the profiles in a block, relative to its contrast: beyond it something covers the boundary."""
SIGMA_START_PX = 0.9
SIGMA_CANDIDATES_PX = np.array([0.5, 0.65, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.2, 4.0])


@dataclass(frozen=True, slots=True)
class Sides:
    """Straight boundaries between black and white print, mat frame.

    start_mm, end_mm, to_black: (M, 2); `to_black` is the unit normal pointing into the black. margin_mm: (M,) how far the
    paper or ink beside the boundary is flat on both sides.
    """

    start_mm: Array
    end_mm: Array
    to_black: Array
    margin_mm: Array

    def __len__(self) -> int:
        return len(self.start_mm)


@dataclass(frozen=True, slots=True)
class SeenSides:
    """What the picture shows of the boundaries, a row per block of a side.

    side: (B,) row in Sides. points_mm: (B, 2) middle of the block. points_px: (B, 2) where it was looked for.
    normals_px: (B, 2) unit normals to the black. place_px: (B,) where the boundary was found along them.
    sigma_px: blur that describes the boundaries best. x_px: (M,) and profiles: (B, M) mean code values.
    steps: the fit in sRGB-linear light. usable: (B,) bool.
    """

    side: Array
    points_mm: Array
    points_px: Array
    normals_px: Array
    sigma_px: float
    x_px: Array
    profiles: Array
    steps: Steps
    usable: Array

    @property
    def edge_px(self) -> Array:
        """Points of the boundaries as found, (B, 2) px."""
        return np.asarray(self.points_px + self.steps.place_px[:, None] * self.normals_px)


def look_at_sides(luma: Array, camera: Camera, sides: Sides) -> SeenSides:
    """Find the boundaries near where `camera` expects them.

    luma: (H, W) code values. Blocks outside the picture, without contrast, or covered are not `usable`.
    """
    along = TRIM + (1 - 2 * TRIM) * (np.arange(BLOCKS * STATIONS_PER_BLOCK) + 0.5) / (BLOCKS * STATIONS_PER_BLOCK)
    span = sides.end_mm - sides.start_mm
    stations_mm = sides.start_mm[:, None] + along[:, None] * span[:, None]
    stations_px = _project_flat(camera, stations_mm)
    normals_px = _normals_px(camera, sides, stations_mm, stations_px)
    x_px = _reach(camera, sides)
    values = sample(luma, stations_px[:, :, None] + x_px[:, None] * normals_px[:, :, None])
    shape = (len(sides) * BLOCKS, STATIONS_PER_BLOCK)
    values = values.reshape(*shape, len(x_px))
    profiles = values.mean(axis=1)
    sigma, steps = _fit(x_px, profiles)
    middle = stations_mm.reshape(*shape, 2).mean(axis=1)
    block_normals = normals_px.reshape(*shape, 2).mean(axis=1)
    block_normals /= np.linalg.norm(block_normals, axis=1, keepdims=True)
    return SeenSides(
        side=np.repeat(np.arange(len(sides)), BLOCKS),
        points_mm=middle,
        points_px=_project_flat(camera, middle),
        normals_px=block_normals,
        sigma_px=sigma,
        x_px=x_px,
        profiles=profiles,
        steps=steps,
        usable=_usable(values, profiles, steps, x_px),
    )


def _project_flat(camera: Camera, points_mm: Array) -> Array:
    flat = points_mm.reshape(-1, 2)
    return camera.project(np.column_stack([flat, np.zeros(len(flat))])).reshape(points_mm.shape)


def _normals_px(camera: Camera, sides: Sides, stations_mm: Array, stations_px: Array) -> Array:
    """Normals of the boundaries' images, pointing into the black: (M, S, 2)."""
    tangents = np.gradient(stations_px, axis=1)
    normals = np.stack([-tangents[..., 1], tangents[..., 0]], -1)
    normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
    step_mm = 0.1
    ahead = _project_flat(camera, stations_mm + step_mm * sides.to_black[:, None]) - stations_px
    return np.asarray(normals * np.sign((normals * ahead).sum(-1, keepdims=True)))


def _reach(camera: Camera, sides: Sides) -> Array:
    """Sample distances (M,) px that stay inside the flat margins of nearly all sides."""
    middle = (sides.start_mm + sides.end_mm) / 2
    margin_px = np.linalg.norm(
        _project_flat(camera, middle + sides.margin_mm[:, None] * sides.to_black) - _project_flat(camera, middle), axis=1
    )
    reach = np.clip(REACH_SHARE * np.nanpercentile(margin_px, 10), LEAST_REACH_PX, REACH_PX)
    count = int(reach / PROFILE_STEP_PX)
    return PROFILE_STEP_PX * np.arange(-count, count + 1)


def _fit(x_px: Array, profiles: Array) -> tuple[float, Steps]:
    """Common blur and the steps fitted with it; in linear light, black after white."""
    light = linear_from_srgb(profiles)
    steps = fit_steps(x_px, light, SIGMA_START_PX)
    clear = np.nan_to_num(np.abs(steps.contrast)) > LEAST_CONTRAST**2
    if not clear.any():
        return SIGMA_START_PX, steps
    some = light[clear][:: max(1, int(clear.sum()) // 60)]
    rms: list[float] = []
    for sigma in SIGMA_CANDIDATES_PX:
        rms.append(float(np.median(fit_steps(x_px, some, sigma).rms)))
        if rms[-1] > min(rms):  # wider ones fit worse and worse
            break
    best = int(np.argmin(rms))
    sigma = float(SIGMA_CANDIDATES_PX[best])
    if 0 < best < len(rms) - 1:
        logs = np.log(SIGMA_CANDIDATES_PX[best - 1 : best + 2])
        parabola = np.polyfit(logs, rms[best - 1 : best + 2], 2)
        sigma = float(np.exp(np.clip(-parabola[1] / (2 * parabola[0]), logs[0], logs[2])))
    return sigma, fit_steps(x_px, light, sigma)


def _usable(values: Array, profiles: Array, steps: Steps, x_px: Array) -> Array:
    """Which blocks (B,) show a clean boundary: inside the picture, with contrast, the same all along, near the middle."""
    contrast = profiles[:, 0] - profiles[:, -1]
    spread = np.sqrt(((values - profiles[:, None]) ** 2).mean(axis=(1, 2)))
    with np.errstate(invalid="ignore"):
        return np.asarray(
            np.isfinite(profiles).all(axis=1)
            & (contrast > LEAST_CONTRAST)
            & (spread < WORST_SPREAD * np.maximum(contrast, LEAST_CONTRAST) + 0.02)
            & (np.abs(steps.place_px) < 0.5 * x_px[-1])
            & (steps.rms < 0.08 * np.abs(steps.contrast))
        )
