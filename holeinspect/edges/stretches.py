"""The light across contours: profiles at stations, averaged by stretch, with what the geometry says of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from typing import Any, TypeVar

import numpy as np

from holeinspect.edges.profiles import gaussian, gaussian_step, sample_profiles
from holeinspect.edges.rims import Plate, Seen, Stations, see
from holeinspect.measured import Array
from holeinspect.scale.camera import Camera

BILINEAR_VARIANCE_PX2 = 1 / 6
"""What bilinear sampling adds to the blur's variance."""
GLOW_SIGMAS = 3.0
"""Sigma of a lens's glow over that of its core."""
LEAST_GLOW = 1e-4
"""A glow of a smaller share moves no edge by 0.001 px."""
STEP_PX = 1.0
BEFORE_PX, FARTHEST_PX = 6.0, 32.0
"""Least reach of a profile into the backdrop, and greatest into the metal."""
REACH_SIGMAS = 5.0
"""Reach of a profile to either side in blur widths: a soft edge needs more to show its levels."""
PAST_FACE_PX = 4.0
"""How far beyond the start of the face a profile is used: enough for its level, little of its texture."""
BREAK_TRIAL_MM = 0.2
"""Break at which the geometry is worked out beside the sharp one; between them it is linear."""


@dataclass(frozen=True, slots=True)
class Blur:
    """The lens's blur in linear light: sigma of its core (px), and share of a glow GLOW_SIGMAS times as wide."""

    sigma_px: float
    tail: float = 0.0

    @property
    def core(self) -> float:
        """Sigma of the core as it appears in bilinear samples."""
        return float(np.sqrt(self.sigma_px**2 + BILINEAR_VARIANCE_PX2))

    @property
    def variance(self) -> float:
        """Variance of the whole blur, px²: what moves a bent edge."""
        return float((1 + (GLOW_SIGMAS**2 - 1) * self.tail) * self.sigma_px**2 + BILINEAR_VARIANCE_PX2)

    def step(self, x: Array) -> Array:
        """Unit step as the lens blurs it."""
        return blurred(gaussian_step, x, self.sigma_px, self.tail)

    def slope(self, x: Array) -> Array:
        """Derivative of `step`."""
        return blurred(gaussian, x, self.sigma_px, self.tail)


def blurred(shape: Callable[[Array, Array], Array], x: Array, sigma_px: Array | float, tail: Array | float,
            spread2: Array | float = 0.0) -> Array:  # fmt: skip
    """A shape of x and sigma, by core and glow of a blur and by a further variance (px²); all broadcast."""
    core = shape(x, np.sqrt(np.square(sigma_px) + BILINEAR_VARIANCE_PX2 + spread2))
    if np.max(tail) < LEAST_GLOW:
        return core
    return np.asarray((1 - tail) * core + tail * shape(x, np.sqrt(np.square(GLOW_SIGMAS * np.asarray(sigma_px)) + spread2)))


@dataclass(frozen=True, slots=True)
class View:
    """What measuring a contour needs of the photo: restored light (H, W), camera, blur, and the plate."""

    light: Array
    camera: Camera
    blur: Blur
    plate: Plate


@dataclass(frozen=True, slots=True)
class Stretches:
    """Mean profiles (K, M) of K stretches of a contour, and what the geometry says of them.

    x_px: (M,) along `into`, from the limit of a sharp edge. use: (K, M) 0 or 1. phase: (K,) rad, direction of the normal
    out of the metal. px_per_mm: (K,). steps: (K, 3) px, places of limit, wall's end and face for a sharp edge, less the
    shift of the bent edge by blur; steps_per_mm: (K, 3) their change per mm of break. spread2: (K, 3) px², variance of the
    steps within the stretch. points_mm, out: (K, 2) where it was looked for. z_mm: (K,) height of the rim that is seen,
    edges taken as sharp; upper: (K,) share of it that is upper rim. thickness_mm: of the plate.
    """

    x_px: Array
    values: Array
    use: Array
    phase: Array
    px_per_mm: Array
    steps: Array
    steps_per_mm: Array
    spread2: Array
    points_mm: Array
    out: Array
    z_mm: Array
    upper: Array
    thickness_mm: float

    def __len__(self) -> int:
        return len(self.values)


@dataclass(frozen=True, slots=True)
class Look:
    """Where to look at the light of a contour.

    stretch: (N,) the stretch, 0 to count - 1, of each station; -1 leaves it out. breaks False leaves out what only broken
    edges need.
    """

    view: View
    stations: Stations
    stretch: Array
    count: int
    breaks: bool = True


def take_stretches(looks: Sequence[Look]) -> list[Stretches]:
    """Sample the light across contours of one photo and average it by stretch, contour by contour.

    Stretches without a station, or out of the picture, are dropped. The looks share light and camera; those at the same
    plate are worked out together.
    """
    taken: dict[int, Stretches] = {}
    for plate, breaks in dict.fromkeys((look.view.plate, look.breaks) for look in looks):
        alike = [i for i, look in enumerate(looks) if (look.view.plate, look.breaks) == (plate, breaks)]
        stations = _stacked([looks[i].stations for i in alike])
        camera = looks[alike[0]].view.camera
        sharp = see(camera, stations, plate, 0.0)
        trial = see(camera, stations, plate, BREAK_TRIAL_MM) if breaks else sharp
        ends = np.cumsum([0, *(len(looks[i].stations) for i in alike)])
        for i, (begin, end) in zip(alike, pairwise(ends), strict=True):
            taken[i] = _averaged(looks[i], *(_rows(seen, slice(begin, end)) for seen in (sharp, trial)))
    return [taken[i] for i in range(len(looks))]


Rows = TypeVar("Rows", Stations, Seen)


def _stacked(parts: list[Stations]) -> Stations:
    return Stations(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(Stations)))


def _rows(seen: Seen, rows: slice) -> Seen:
    changed: dict[str, Any] = {field.name: getattr(seen, field.name)[rows] for field in fields(Seen)}
    return replace(seen, **changed)


def _averaged(look: Look, sharp: Seen, trial: Seen) -> Stretches:
    """The stretches of one contour, whose stations are seen so with sharp edges and with the trial's break."""
    view, stations, stretch = look.view, look.stations, look.stretch
    reach = min(trial.face_px[stretch >= 0].max(initial=0) + _past_face(view.blur), FARTHEST_PX)
    x_px = np.arange(-max(BEFORE_PX, REACH_SIGMAS * view.blur.core), reach + STEP_PX / 2, STEP_PX)
    values = sample_profiles(view.light, sharp.px, sharp.into, x_px)
    bent = -view.blur.variance / 2 * stations.bend / sharp.px_per_mm
    steps = _steps(sharp, sharp) + bent[:, None]
    per_mm = (_steps(trial, sharp) - _steps(sharp, sharp)) / BREAK_TRIAL_MM
    columns = [values, sharp.px_per_mm[:, None], steps, steps**2, per_mm, stations.points_mm, stations.out,
               stations.bend[:, None], sharp.z_mm[:, None], sharp.upper[:, None]]  # fmt: skip
    means = mean_by(stretch, look.count, np.concatenate(columns, axis=1))
    means = means[np.isfinite(means[:, : len(x_px)]).sum(axis=1) > len(x_px) // 2]
    ends = np.cumsum([column.shape[1] for column in columns])[:-1]
    profiles, px_per_mm, steps, squares, per_mm, points_mm, out, bend, z_mm, upper = np.split(means, ends, axis=1)
    spread2 = np.maximum(squares - steps**2, 0)
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    use = _use(x_px, profiles, steps, view.blur, bend, px_per_mm)
    return Stretches(x_px, np.nan_to_num(profiles), use, np.arctan2(out[:, 1], out[:, 0]), px_per_mm[:, 0], steps, per_mm,
                     spread2, points_mm, out, z_mm[:, 0], upper[:, 0], view.plate.thickness_mm)  # fmt: skip


def _past_face(blur: Blur) -> float:
    """How far beyond the start of the face a profile is used, px."""
    return max(PAST_FACE_PX + blur.core, REACH_SIGMAS * blur.core)


def _steps(seen: Seen, origin: Seen) -> Array:
    """Places (N, 3) of limit, wall's end and face along `origin.into`."""
    limit = ((seen.px - origin.px) * origin.into).sum(axis=1)
    return np.stack([limit, limit + seen.wall_px, limit + seen.face_px], -1)


def mean_by(group: Array, count: int, values: Array) -> Array:
    """Mean of values (N, ...) by group (N,): (count, ...); NaN for an empty group. Groups below 0 are left out."""
    inside = group >= 0
    if not inside.any():
        return np.full((count, *values.shape[1:]), np.nan)
    number = np.bincount(group[inside], minlength=count)
    flat = values[inside].reshape(int(inside.sum()), -1)
    at = group[inside][:, None] * flat.shape[1] + np.arange(flat.shape[1])
    sums = np.bincount(at.ravel(), flat.ravel(), count * flat.shape[1]).reshape(count, -1)
    return np.asarray((sums / np.where(number > 0, number, np.nan)[:, None]).reshape(count, *values.shape[1:]))


def _use(x_px: Array, profiles: Array, steps: Array, blur: Blur, bend: Array, px_per_mm: Array) -> Array:
    """Samples (K, M) to use, bend and px_per_mm being (K, 1): not across the opening's other side, and as much of the face
    as gives its level.

    Where the wall is so wide that the face is out of reach, the profile ends on the wall.
    """
    far = np.minimum(-x_px[0], 0.7 * px_per_mm / np.maximum(bend, 1e-6))
    last = np.where(steps[:, 2:] + 2 * blur.core < x_px[-1], steps[:, 2:] + _past_face(blur),
                    steps[:, 1:2] - 2.5 * blur.core)  # fmt: skip
    use = (x_px >= -far) & (x_px <= last) & np.isfinite(profiles)
    return np.asarray(use.astype(float))
