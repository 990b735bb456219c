"""The rim of a round opening, from a rough circle to a fitted one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeinspect.edges.fronts import (
    LARGEST_BREAK_SHARE,
    Front,
    Stretches,
    View,
    fit_front,
    take_stretches,
)
from holeinspect.edges.rims import Stations, clear_of_gaps
from holeinspect.measured import Array

STATION_PX = 1.0
STRETCH_PX = 6.0
STRETCHES = (12, 60)
PASSES = 4
SETTLED_MM = 0.002
LARGEST_BREAK_MM = 0.6
BROKEN_GAIN, BROKEN_GAIN_WIDTH = 1.75, 0.35
"""Gain of misfit per stretch at which a rim is as likely broken as sharp, and how fast that turns (seen on renders)."""


@dataclass(frozen=True, slots=True)
class Rim:
    """A measured round rim: centre (2,) and radius in mm, their (4, 4) covariance with the break (x, y, radius, break)."""

    centre: Array
    radius: float
    break_mm: float
    broken_share: float
    covariance: Array
    front: Front
    stretches: Stretches


def circle_stations(centre: Array, radius: float, count: int) -> Stations:
    """Stations round a circle (mm)."""
    angles = 2 * np.pi * (np.arange(count) + 0.5) / count
    outward = np.column_stack([np.cos(angles), np.sin(angles)])
    return Stations(centre + radius * outward, -outward, np.full(count, 1 / radius))


def fit_round(view: View, centre: Array, radius: float) -> Rim:
    """Fit a circle to the rim near a first guess (mm)."""
    for _ in range(PASSES):
        rim = _fit_once(view, centre, radius)
        moved = np.hypot(*(rim.centre - centre)) + abs(rim.radius - radius)
        centre, radius = rim.centre, rim.radius
        if moved < SETTLED_MM:
            break
    return rim


def _fit_once(view: View, centre: Array, radius: float) -> Rim:
    px_per_mm = _px_per_mm(view, centre)
    around_px = 2 * np.pi * radius * px_per_mm
    count = int(np.clip(around_px / STRETCH_PX, *STRETCHES))
    per = max(3, round(around_px / STATION_PX / count))
    stations = circle_stations(centre, radius, count * per)
    clear = clear_of_gaps(view.camera, stations, view.plate, view.blur.core / px_per_mm)
    stretch = np.where(clear, np.arange(len(stations)) // per, -1)
    stretches = take_stretches(view, stations, stretch, count)
    design = np.column_stack([-stretches.out, np.ones(len(stretches))])
    largest = min(LARGEST_BREAK_MM, LARGEST_BREAK_SHARE * view.plate.thickness_mm)
    broken = fit_front(stretches, design, view.blur, largest)
    sharp = fit_front(stretches, design, view.blur, 0.0)
    return _mixed(centre, radius, sharp, broken, stretches)


def _mixed(centre: Array, radius: float, sharp: Front, broken: Front, stretches: Stretches) -> Rim:
    """The rim as the mean of its sharp and its broken reading, weighed by how much better the latter explains the light.

    Where the photo cannot tell, their difference becomes part of the uncertainty.
    """
    import os
    if os.environ.get("CMP"):
        print(f"   CMP K {len(stretches)} broken {broken.misfit:.1f} sharp {sharp.misfit:.1f} diff/K {(sharp.misfit-broken.misfit)/len(stretches):.2f} b {broken.break_mm:.2f} R {radius+broken.shape[2]:.4f} Rs {radius+sharp.shape[2]:.4f}")
    gain = (sharp.misfit - broken.misfit) / len(stretches)
    share = 1 / (1 + np.exp(-(gain - BROKEN_GAIN) / BROKEN_GAIN_WIDTH))
    first, second = (np.append(front.shape, front.break_mm) for front in (sharp, broken))
    change = (1 - share) * first + share * second
    apart = np.outer(second - first, second - first)
    covariance = (1 - share) * sharp.covariance + share * broken.covariance + share * (1 - share) * apart
    front = broken if share > 0.5 else sharp
    return Rim(centre + change[:2], float(radius + change[2]), float(change[3]), float(share), covariance, front, stretches)


def _px_per_mm(view: View, centre: Array) -> float:
    jacobian = view.camera.px_per_mm(np.array([[*centre, view.plate.top_mm]]))[0]
    return float(np.sqrt(abs(np.linalg.det(jacobian))))
