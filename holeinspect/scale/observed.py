"""What the picture shows of a reference that is no printed target, and the camera adjusted to it.

A rectangle or loose markers tell tilt and height. A disc, a rule or two points tell a length, and of the tilt only what
their own foreshortening shows: the rest is what is known of a phone held over a table. Then there is no one camera but
many that agree with the picture; each is adjusted with its tilt held, weighed by how well it agrees, and the figures'
uncertainty is their spread.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np

from holeinspect.measured import Array
from holeinspect.scale.camera import Camera
from holeinspect.scale.solve import CAMERA, FOCAL_GUESS, Adjusted, Boundaries, FocalPrior, Weak, adjust, moved

TILT_U_RAD = np.radians(6.0)
"""Standard uncertainty of a phone's tilt about each axis, held over a table by hand and meant to be straight above it:
95 % within 15 degrees (common practice, no source)."""
PHONE_K1_U = 0.02
"""Standard uncertainty of k1 that a phone leaves in its file: half a per cent at the picture's corner (ours)."""
GRID_NODES = 7
"""Tilts tried about each axis, over GRID_REACH standard deviations to either side."""
GRID_REACH = 2.4
LEAST_NODES = 2.5
"""Least number of nodes that what is likely has to be spread over for their sum to be its size (inverse of the weights'
sum of squares)."""
LEAST_WEIGHT = 2e-3
"""Cameras less likely than this, over the likeliest, are left out."""
PLACING = ((9, 1e-5), (10, 1e-3), (11, 1e-3), (12, 1e-3))
"""Roll, place and height among solve.PARAMETERS, with the steps (rad, mm) of their differences."""
PLACING_STEPS = 4
LIKELY_STEPS, TILT_STEP_RAD = 8, 1e-5
LEAST_SPREAD_RAD = 1e-4
ASSOCIATIONS = 3
"""Rounds of looking up which point of the reference each point of the picture is."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the reference is: base_mm, height above the table of what it lies on; at_px, a point on it, None to search.

    part_px: a point on the part, which is no reference, if it was given.
    """

    base_mm: float = 0.0
    at_px: tuple[float, float] | None = None
    part_px: tuple[float, float] | None = None


class Observed(Protocol):
    """A reference as seen."""

    @property
    def tells_tilt(self) -> bool:
        """Whether it shows the camera's tilt by itself."""

    @property
    def tells_roll(self) -> bool:
        """Whether it shows which way the mat frame's axes point; those of a disc may as well point anywhere."""

    @property
    def aspect_u(self) -> float:
        """Standard uncertainty of the relative difference of its two sides."""

    @property
    def sigma_px(self) -> float:
        """Blur of its edges."""

    def start(self, focal_px: float, size_px: tuple[int, int]) -> Camera:
        """A first camera, looking straight down where the tilt is not told."""

    def boundaries(self, camera: Camera) -> Boundaries:
        """Its points as this camera would take them."""


@dataclass(frozen=True, slots=True)
class Possible:
    """A camera that agrees with the picture, and how likely it is among all of them (they add up to 1)."""

    camera: Camera
    weight: float


@dataclass(frozen=True, slots=True)
class AdjustedTo:
    """The camera in the middle, and, where the tilt is not told, those it may be instead."""

    adjusted: Adjusted
    possible: tuple[Possible, ...] = ()


def straight_down(focal_px: float, size_px: tuple[int, int], height_mm: float, roll_rad: float = 0.0) -> Camera:
    """A camera over the origin, looking straight down; roll turns the mat frame in the picture, counter-clockwise."""
    K = np.array([[focal_px, 0, (size_px[0] - 1) / 2], [0, focal_px, (size_px[1] - 1) / 2], [0, 0, 1.0]])
    c, s = np.cos(roll_rad), np.sin(roll_rad)
    rotation = np.array([[c, -s, 0.0], [-s, -c, 0.0], [0.0, 0.0, -1.0]])
    return Camera(K, np.zeros(5), rotation, np.array([0.0, 0.0, height_mm]))


def over(camera: Camera, point_px: Array) -> Camera:
    """The camera moved sideways so that the origin appears at a point (2,) px."""
    depth = camera.translation[2]
    shift = (point_px - camera.K[:2, 2]) / camera.K[0, 0] * depth
    return Camera(camera.K, camera.distortion, camera.rotation, np.array([*shift, depth]))


def adjust_to(seen: Observed, size_px: tuple[int, int], prior: FocalPrior | None) -> AdjustedTo:
    """The camera by the reference alone."""
    focal_px = prior.focal_px if prior else FOCAL_GUESS * max(size_px)
    start = seen.start(focal_px, size_px)
    if seen.tells_tilt:
        adjusted = _adjusted(seen, start, size_px, prior, Weak(PHONE_K1_U))
        return AdjustedTo(adjusted)
    possible = _possible(seen, start)
    tilts = np.array([tilt for tilt, _, _ in possible])
    weights = np.array([weight for _, _, weight in possible])
    mean = weights @ tilts
    middle = _adjusted(seen, _tilted(start, mean), size_px, prior, Weak(PHONE_K1_U, True, not seen.tells_roll))
    at_px = np.stack(np.meshgrid(*(side * np.array([0.2, 0.5, 0.8]) for side in size_px)), -1).reshape(-1, 2)
    turned = [(_as_lying(camera, middle.camera, at_px), weight) for _, camera, weight in possible]
    return AdjustedTo(middle, tuple(Possible(camera, weight) for camera, weight in turned))


def _as_lying(camera: Camera, as_camera: Camera, at_px: Array) -> Camera:
    """The camera with its mat frame turned and moved to lie as another's: lengths on the table do not care, and where a disc's
    axes point nothing tells. at_px: (N, 2) picture points whose places are brought together."""
    here, there = camera.to_plane(at_px, 0.0), as_camera.to_plane(at_px, 0.0)
    middle_here, middle_there = here.mean(axis=0), there.mean(axis=0)
    u, _, v = np.linalg.svd((here - middle_here).T @ (there - middle_there))
    turn = np.eye(3)
    turn[:2, :2] = (u @ v).T
    shift = np.array([*(middle_there - turn[:2, :2] @ middle_here), 0.0])
    rotation = camera.rotation @ turn.T
    return Camera(camera.K, camera.distortion, rotation, camera.translation - rotation @ shift)


def _adjusted(seen: Observed, camera: Camera, size_px: tuple[int, int], prior: FocalPrior | None, weak: Weak) -> Adjusted:
    for _ in range(ASSOCIATIONS):
        adjusted = adjust(camera, seen.boundaries(camera), size_px, prior, False, seen.aspect_u, weak)
        camera = adjusted.camera
    return adjusted


def _tilted(camera: Camera, tilt_rad: Array) -> Camera:
    """The camera turned about its own x and y axes, the origin staying where it appears; tilt_rad: (2,)."""
    turn, _ = cv2.Rodrigues(np.array([tilt_rad[0], tilt_rad[1], 0.0]))
    return Camera(camera.K, camera.distortion, np.asarray(turn @ camera.rotation), camera.translation)


@dataclass(frozen=True, slots=True)
class _Grid:
    """Tilts (N, 2) rad with their cameras and costs (N,), minus the logarithm of how likely each is; spacing (2, 2): the ways
    from node to node as columns."""

    tilts: Array
    cameras: list[Camera]
    cost: Array
    spacing: Array

    @property
    def weights(self) -> Array:
        """(N,), adding up to 1."""
        weights = np.exp(self.cost.min() - self.cost)
        return np.asarray(weights / weights.sum())

    @property
    def evidence(self) -> float:
        """Logarithm of all that is likely within the grid: the larger, the less of it was missed.

        Nothing where so few nodes hold it that a ridge runs between them: a node that it happens to touch says little.
        """
        if 1 / (self.weights**2).sum() < LEAST_NODES:
            return -np.inf
        return float(np.log(np.exp(self.cost.min() - self.cost).sum() * abs(np.linalg.det(self.spacing))) - self.cost.min())

    def moments(self) -> tuple[Array, Array]:
        """Mean (2,) and covariance (2, 2), no narrower than the nodes can tell."""
        middle = self.weights @ self.tilts
        off = self.tilts - middle
        return middle, off.T @ (off * self.weights[:, None]) + self.spacing @ self.spacing.T / 4


def _possible(seen: Observed, start: Camera) -> list[tuple[Array, Camera, float]]:
    """Tilts (2,) rad with their cameras and weights, those that the picture and a hand allow.

    Looked for over all that a hand allows, which finds both ways in which a disc may lean, and along the axes of what is
    likely near no tilt: a rule tells one combination of both tilts sharply and leaves another open. What captures more of the
    likelihood is looked at once more, closer.
    """
    wide = _grid(seen, start, np.zeros(2), TILT_U_RAD**2 * np.eye(2))
    sharp = _grid(seen, start, *_likely_tilt(seen, start))
    first = max(sharp, wide, key=lambda grid: grid.evidence)
    closer = _grid(seen, start, *first.moments())
    kept = np.flatnonzero(closer.weights > LEAST_WEIGHT * closer.weights.max())
    weights = closer.weights / closer.weights[kept].sum()
    return [(closer.tilts[i], closer.cameras[i], float(weights[i])) for i in kept]


def _grid(seen: Observed, start: Camera, middle: Array, covariance: Array) -> _Grid:
    spread, axes = np.linalg.eigh(covariance)
    reach = GRID_REACH * axes * np.sqrt(np.maximum(spread, LEAST_SPREAD_RAD**2))
    even = np.linspace(-1, 1, GRID_NODES)
    tilts = middle + np.stack(np.meshgrid(even, even, indexing="ij"), -1).reshape(-1, 2) @ reach.T
    placed = [_placed(seen, _tilted(start, tilt)) for tilt in tilts]
    cost = np.array([misfit / 2 for _, misfit in placed]) + ((tilts / TILT_U_RAD) ** 2).sum(axis=1) / 2
    return _Grid(tilts, [camera for camera, _ in placed], cost, reach * (even[1] - even[0]))


def _likely_tilt(seen: Observed, start: Camera) -> tuple[Array, Array]:
    """The likeliest tilt (2,) rad near none, and its covariance (2, 2): by the picture to first order, and by the hand."""
    x = np.zeros(2 + len(PLACING))
    steps = np.array([TILT_STEP_RAD, TILT_STEP_RAD, *(step for _, step in PLACING)])
    prior = np.diag([1 / TILT_U_RAD] * 2 + [0.0] * len(PLACING))[:2]
    for _ in range(LIKELY_STEPS):
        points = seen.boundaries(_at(start, x))
        residuals = _residuals(points, _at(start, x))
        ahead = [_residuals(points, _at(start, x + step)) for step in np.diag(steps)]
        jacobian = np.column_stack([(there - residuals) / step for there, step in zip(ahead, steps, strict=True)])
        rows, left = np.vstack([jacobian, prior]), np.concatenate([residuals, prior @ x])
        x = x - np.linalg.lstsq(rows, left, rcond=None)[0]
        x[:2] = np.clip(x[:2], -GRID_REACH * TILT_U_RAD, GRID_REACH * TILT_U_RAD)
    return x[:2], np.linalg.pinv(rows.T @ rows)[:2, :2]


def _at(start: Camera, x: Array) -> Camera:
    """The first camera with its tilt (2,) set and roll, place and height changed: x in this order."""
    change = np.zeros(CAMERA)
    change[[parameter for parameter, _ in PLACING]] = x[2:]
    return moved(_tilted(start, x[:2]), change)


def _placed(seen: Observed, camera: Camera) -> tuple[Camera, float]:
    """The camera with its roll, place and height fitted, lens and tilt as they are; the sum of squares left over."""
    for _ in range(PLACING_STEPS):
        points = seen.boundaries(camera)
        residuals = _residuals(points, camera)
        columns = []
        for parameter, step in PLACING:
            change = np.zeros(CAMERA)
            change[parameter] = step
            columns.append((_residuals(points, moved(camera, change)) - residuals) / step)
        change = np.zeros(CAMERA)
        change[[parameter for parameter, _ in PLACING]] = -np.linalg.lstsq(np.column_stack(columns), residuals, rcond=None)[0]
        camera = moved(camera, change)
    return camera, float((_residuals(seen.boundaries(camera), camera) ** 2).sum())


def _residuals(points: Boundaries, camera: Camera) -> Array:
    """Of the points as associated, over their standard uncertainties, (N,)."""
    z_mm = np.zeros(len(points.mat_mm)) if points.z_mm is None else points.z_mm
    offset = points.seen_px - camera.project(np.column_stack([points.mat_mm, z_mm]))
    return np.asarray((offset * points.normal_px).sum(axis=1) / points.u_px)
