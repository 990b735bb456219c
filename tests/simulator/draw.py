"""Random photos of drilled plates on the mat, over all that the tool promises to measure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely import Point, Polygon

from holeinspect.measured import Array
from holeinspect.scale.mat import layout
from tests.simulator.phone import PHONES, Phone
from tests.simulator.scene import Broken, Burr, Hole, Levels, Light, Mat, Part, Rim, Scene, Shadow, Sharp, rounded
from tests.simulator.shot import Shot
from tests.simulator.view import Lens, Pose, View

Range = tuple[float, float]

TRIES = 2000
"""Attempts before a draw is given up: a setting that allows no part at all."""

CLEARANCE_MM = 1.0
"""Least metal between two holes, and between a hole and an edge."""

CENTRING_STEPS = 4
DISTANCES_MM: Range = (100.0, 1500.0)
"""Between these the camera's distance is searched."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What may be drawn; lengths in mm, angles in degrees, levels in linear light.

    off_axis_mm: greatest distance of a hole's centre from the nadir. hidden: greatest shift of a hole's two rims
    against each other, over its diameter (at 1 it is shut). closeness: camera distance over the least at which the
    whole ring is in the picture. burr: share of rims with a lip. print_scale: greatest error of the printer.
    """

    thickness_mm: Range = (0.5, 6.0)
    diameter_mm: Range = (1.5, 12.0)
    holes: tuple[int, int] = (4, 12)
    tilt_deg: Range = (0.0, 20.0)
    off_axis_mm: float = 120.0
    hidden: float = 0.6
    closeness: Range = (1.02, 1.15)
    chamfer_mm: Range = (0.1, 0.3)
    broken: float = 0.5
    burr: float = 0.0
    face: Range = (0.25, 0.80)
    gradient: float = 0.15
    print_scale: float = 0.003


def random_shot(
    rng: np.random.Generator,
    phone: Phone = PHONES["plain"],
    size_px: tuple[int, int] = (4032, 3024),
    mat: Mat | None = None,
    limits: Limits = Limits(),
    lens: Lens | None = None,
) -> Shot:
    """One plate on the mat (None: A4 with a black window, printed a little off), by this lens (None: one drawn)."""
    mat = mat or _mat(rng, limits)
    for _ in range(TRIES):
        seen_by = lens or _lens(rng, size_px)
        pose = _pose(rng, seen_by, mat, limits)
        part = _part(rng, np.array(pose.position_mm), mat, limits)
        if part is not None:
            return Shot(Scene(mat, (part,), _light(rng, limits)), pose, seen_by, phone, int(rng.integers(2**31)))
    raise ValueError(f"no plate could be drawn within {limits}: allow more")


def _mat(rng: np.random.Generator, limits: Limits) -> Mat:
    kx, ky = 1 + rng.uniform(-limits.print_scale, limits.print_scale, 2)
    return Mat("a4", "black", (float(kx), float(ky)))


def _lens(rng: np.random.Generator, size_px: tuple[int, int]) -> Lens:
    """A phone's main camera: 24 to 28 mm equivalent, what is left of its distortion, principal point a little off."""
    width, height = size_px
    diagonal = float(np.hypot(width, height))
    f_px = diagonal * rng.uniform(24, 28) / 43.27
    x, y = rng.uniform(-0.004, 0.004, 2) * diagonal + [(width - 1) / 2, (height - 1) / 2]
    return Lens(f_px, size_px, (float(x), float(y)), rng.uniform(-0.03, 0.03), rng.uniform(-0.02, 0.02))


def _pose(rng: np.random.Generator, lens: Lens, mat: Mat, limits: Limits) -> Pose:
    """The page's long side along the picture's, the ring just inside the picture, tilted any way."""
    tilt, azimuth = np.radians(rng.uniform(*limits.tilt_deg)), rng.uniform(0, 2 * np.pi)
    up = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
    roll = 90 + rng.uniform(-6, 6) + 180 * float(rng.integers(2))
    ring = ring_corners(mat)
    near, far = DISTANCES_MM
    while far - near > 1:
        middle = (near + far) / 2
        near, far = (near, middle) if _fits(aimed(up, middle, roll, lens, ring), lens, ring) else (middle, far)
    return aimed(up, far * rng.uniform(*limits.closeness), roll, lens, ring)


def aimed(up: Array, distance: float, roll: float, lens: Lens, ring: Array) -> Pose:
    """At this distance, aimed so that the ring is in the middle of the picture."""
    target = np.zeros(3)
    for _ in range(CENTRING_STEPS):
        view = View(_looking(target, distance * up, roll), lens)
        corners = view.project(ring)
        off = (corners.min(axis=0) + corners.max(axis=0)) / 2 - np.array(lens.size_px) / 2
        shift = view.to_plane(np.array(lens.centre_px) + off[None], 0.0)[0] - target[:2]
        target += np.append(shift, 0.0)
    return _looking(target, distance * up, roll)


def _looking(target: Array, back: Array, roll: float) -> Pose:
    x, y, z = map(float, target)
    dx, dy, dz = map(float, back)
    return Pose((x + dx, y + dy, z + dz), (x, y, z), roll)


def _fits(pose: Pose, lens: Lens, ring: Array) -> bool:
    corners = View(pose, lens).project(ring)
    return bool((corners > 0).all() and (corners < lens.size_px).all())


def ring_corners(mat: Mat) -> Array:
    """Corners of the mat's ring, (4, 3) mm."""
    half = np.array(layout(mat.page, mat.window).board_mm) / 2
    return np.array([[x * half[0], y * half[1], 0.0] for x in (-1, 1) for y in (-1, 1)])


def _part(rng: np.random.Generator, camera_mm: Array, mat: Mat, limits: Limits) -> Part | None:
    """A plate within the window, or None if it does not fit, or its holes do not."""
    half = np.array(layout(mat.page, mat.window).window_mm) - 3.0
    a, b = rng.uniform(25, 55), rng.uniform(18, 40)
    radius = rng.uniform(1.0, 8.0)
    rows = ((-a, -b, radius), (a, -b, radius), (a, b, radius), (-a, b, radius))
    at = rng.uniform(-half, half)
    bare = Part(rng.uniform(*limits.thickness_mm), rows, at_mm=(float(at[0]), float(at[1])),
                rotate_deg=rng.uniform(0, 360), rim=Sharp(), levels=_levels(rng, limits), streak=rng.uniform(0, 0.12))
    bounds = np.abs(np.array(bare.placed(rounded(rows)).bounds))
    if (bounds > np.tile(half, 2)).any():
        return None
    holes = _holes(rng, bare, camera_mm, limits)
    if len(holes) < limits.holes[0]:
        return None
    return Part(bare.thickness_mm, rows, holes, (), (), bare.at_mm, bare.rotate_deg,
                _rim(rng, bare.thickness_mm, limits), bare.levels, bare.streak)


def _holes(rng: np.random.Generator, part: Part, camera_mm: Array, limits: Limits) -> tuple[Hole, ...]:
    """As many holes as drawn, or as many as find room."""
    wanted = int(rng.integers(limits.holes[0], limits.holes[1] + 1))
    outline = part.outline()
    holes: list[Hole] = []
    for _ in range(wanted * 8):
        hole = _hole(rng, outline, part.thickness_mm, limits)
        if _is_open(hole, part, camera_mm, limits) and _has_room(hole, holes, outline):
            holes.append(hole)
        if len(holes) == wanted:
            break
    return tuple(holes)


def _hole(rng: np.random.Generator, outline: Polygon, thickness_mm: float, limits: Limits) -> Hole:
    left, bottom, right, top = outline.bounds
    small, large = np.log(limits.diameter_mm)
    centre = (rng.uniform(left, right), rng.uniform(bottom, top))
    return Hole(centre, float(np.exp(rng.uniform(small, large))), _rim(rng, thickness_mm, limits))


def _is_open(hole: Hole, part: Part, camera_mm: Array, limits: Limits) -> bool:
    """Near enough to the nadir to be seen through."""
    on_mat = np.array(part.placed(Point(hole.centre_mm)).coords[0])
    off_axis = float(np.linalg.norm(on_mat - camera_mm[:2]))
    shift = part.thickness_mm * off_axis / (camera_mm[2] - part.thickness_mm)
    return off_axis <= limits.off_axis_mm and shift <= limits.hidden * hole.diameter_mm


def _has_room(hole: Hole, others: list[Hole], outline: Polygon) -> bool:
    centre, reach = Point(hole.centre_mm), hole.diameter_mm / 2 + CLEARANCE_MM
    inside = outline.contains(centre) and outline.exterior.distance(centre) >= reach
    return inside and all(centre.distance(Point(o.centre_mm)) >= reach + o.diameter_mm / 2 for o in others)


def _rim(rng: np.random.Generator, thickness_mm: float, limits: Limits) -> Rim:
    """Never broken by more than a quarter of the thickness on each face."""
    kind = rng.uniform()
    if kind < limits.burr:
        return Burr(rng.uniform(0.05, 0.25), rng.uniform(0.1, 1.0))
    if kind < limits.burr + limits.broken:
        return Broken(min(rng.uniform(*limits.chamfer_mm), thickness_mm / 4))
    return Sharp()


def _levels(rng: np.random.Generator, limits: Limits) -> Levels:
    """Walls darker than the face but not black; chamfers darker or brighter: from memory of photos of such parts."""
    face = rng.uniform(*limits.face)
    wall, chamfer = max(face * rng.uniform(0.3, 0.8), 0.12), min(max(face * rng.uniform(0.7, 1.3), 0.18), 0.95)
    return Levels(face, wall, chamfer, chamfer)


def _light(rng: np.random.Generator, limits: Limits) -> Light:
    gx, gy = rng.uniform(-limits.gradient, limits.gradient, 2)
    cast = Shadow(tuple(rng.uniform(-2, 2, 2)), rng.uniform(1, 4), rng.uniform(0.1, 0.5))
    return Light((float(gx), float(gy)), cast if rng.uniform() < 0.5 else None)
