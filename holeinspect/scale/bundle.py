"""One lens from several photos of flat targets at once: a bundle adjustment.

All photos share the lens; each has its own pose, growth of black, and its own small shift of the principal point and of the
focal length, because stabilised lenses move (arXiv 2303.11307) and focus anew. Sources: Zhang, PAMI 22 (2000) 1330; Brown's
lens model; the breathing of a lens that is moved out to focus, f·(1 + f/(H - f)), is linear in 1/H.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from holeinspect.measured import Array
from holeinspect.scale.camera import Camera
from holeinspect.scale.solve import (
    FOCAL_UNKNOWN,
    GROWTH_U_PX,
    HELD,
    HUBER,
    K1_PRIOR,
    K2_PRIOR,
    PRINCIPAL_POINT_SHARE,
    STEADY_WEIGHT,
    TANGENTIAL_PRIOR,
    Boundaries,
)

Rows: TypeAlias = npt.NDArray[np.intp]

SHARED = 10
"""Parameters of all photos: focal length (logarithm), principal point x y (px), k1, k2, p1, p2, k3, focus (mm), aspect."""
K3, FOCUS, ASPECT = 7, 8, 9
OWN = 10
"""Parameters of one photo: turn (3), shift (3), principal point x y (px), focal length (logarithm), growth (px)."""
K3_PRIOR = 0.10
"""As k1 and k2: of the same order on phones."""
K3_SUPPORTED = 3.0
"""Standard uncertainties from nought beyond which the photos are taken to show a k3; else it is held at nought."""
SPREAD_START_SHARE = 0.002
"""First guess of the principal point's spread from photo to photo, over the long side: 8 px at 12 MP; ours."""
SPREAD_LEAST_SHARE = 0.0002
"""Least spread taken for true: 0.8 px at 12 MP; ours."""
SPREAD_ROUNDS = 4
"""Rounds of estimating the spread from what the photos leave (expectation, maximisation)."""
FOCUS_SCATTER = 0.001
"""Relative standard deviation of the focal length from one focusing to the next at the same distance; ours."""
REWEIGHTINGS = 4
STEPS = np.array([1e-5, 1e-2, 1e-2, 1e-5, 1e-5, 1e-6, 1e-6, 1e-5, 1e-2, 1e-6])
OWN_STEPS = np.array([1e-6, 1e-6, 1e-6, 1e-3, 1e-3, 1e-3, 1e-2, 1e-2, 1e-5, 1e-3])


@dataclass(frozen=True, slots=True)
class MatView:
    """One photo of a flat target in the lens's own frame: a camera to start from, and the boundaries seen."""

    start: Camera
    seen: Boundaries

    @property
    def nearness(self) -> float:
        """One over the camera's height, 1/mm."""
        return float(1 / self.start.centre[2])


@dataclass(frozen=True, slots=True)
class Bundle:
    """Result: the lens, the poses, and what is left.

    lens: (10,) in the order SHARED with the focal length in px; covariance: (10, 10), the focal length as its logarithm.
    nearness: 1/mm at which the focal length holds. spread_px: (2,) of the principal point from photo to photo.
    residuals_px: for each photo (N,). cameras: as adjusted.
    """

    lens: Array
    covariance: Array
    nearness: float
    spread_px: Array
    cameras: tuple[Camera, ...]
    residuals_px: tuple[Array, ...]

    @property
    def residual_px(self) -> float:
        """RMS over all photos."""
        return float(np.sqrt(np.mean(np.concatenate(self.residuals_px) ** 2)))


@dataclass(frozen=True, slots=True)
class Expected:
    """What is known before: size of the picture (long, short), focus term and its u (mm), u of the print's aspect."""

    size_px: tuple[int, int]
    focus_mm: float
    focus_u_mm: float
    aspect_u: float


def adjust_together(views: list[MatView], expected: Expected) -> Bundle:
    """The most probable lens for all views; every start must have one and the same lens.

    Boundaries that are far off count less (Huber). k3 is kept only where the views show it.
    """
    problem = _Problem(views, expected, k3_u=K3_PRIOR)
    x = problem.solve(np.zeros(problem.size))
    covariance = problem.covariance(x)
    if abs(x[K3]) < K3_SUPPORTED * np.sqrt(covariance[K3, K3]):
        problem = replace_k3(problem, HELD)
        x = problem.solve(np.where(np.arange(problem.size) == K3, 0.0, x))
    for _ in range(SPREAD_ROUNDS):
        problem.spread_px = problem.spread(x, problem.covariance(x))
        x = problem.solve(x, reweightings=1)
    return problem.result(x)


def replace_k3(problem: _Problem, k3_u: float) -> _Problem:
    """The same problem with another prior of k3."""
    return _Problem(problem.views, problem.expected, k3_u)


class _Problem:
    """Residuals of all views and priors at a parameter vector: SHARED, then OWN of each view."""

    def __init__(self, views: list[MatView], expected: Expected, k3_u: float) -> None:
        self.views, self.expected = views, expected
        self.nearness = float(np.mean([view.nearness for view in views]))
        self.size = SHARED + OWN * len(views)
        long_side = max(expected.size_px)
        off = PRINCIPAL_POINT_SHARE * long_side
        self.shared_u = np.array([FOCAL_UNKNOWN, off, off, K1_PRIOR, K2_PRIOR, TANGENTIAL_PRIOR, TANGENTIAL_PRIOR, k3_u,
                                  expected.focus_u_mm, max(expected.aspect_u, HELD)])  # fmt: skip
        self.shared_at = np.array([0, 0, 0, 0, 0, 0, 0, 0, expected.focus_mm, 0])
        self.spread_px = np.full(2, SPREAD_START_SHARE * long_side)
        self.counts = [len(view.seen.u_px) for view in views]
        self.weights = [np.ones(count) for count in self.counts]

    def camera(self, x: Array, number: int) -> Camera:
        """Camera of one view."""
        K, distortion, rotation, translation = self._cameras(self._of_view(x, number)[None], number)
        return Camera(K[0], distortion[0], rotation[0], translation[0])

    def _of_view(self, x: Array, number: int) -> Array:
        """(20,) shared and own parameters of one view."""
        first = SHARED + OWN * number
        return np.concatenate([x[:SHARED], x[first : first + OWN]])

    def _cameras(self, parameters: Array, number: int) -> tuple[Array, Array, Array, Array]:
        """K (P, 3, 3), distortion (P, 5), rotation (P, 3, 3), translation (P, 3) of one view at P sets of parameters (P, 20)."""
        start, shared, own = self.views[number].start, parameters[:, :SHARED], parameters[:, SHARED:]
        focal = shared[:, 0] + shared[:, FOCUS] * (self.views[number].nearness - self.nearness) + own[:, 8]
        K = np.repeat(start.K[None], len(parameters), axis=0)
        K[:, 0, 0] *= np.exp(focal)
        K[:, 1, 1] *= np.exp(focal)
        K[:, :2, 2] += shared[:, 1:3] + own[:, 6:8]
        turn = Rotation.from_rotvec(own[:, :3]).as_matrix()
        translation = turn @ start.translation + own[:, 3:6]
        # The height goes with the focal length, or the two could hardly be told apart in the solver's steps.
        translation[:, 2] *= np.exp(focal)
        return K, start.distortion + shared[:, 3:K3 + 1], turn @ start.rotation, translation

    def _residuals_of(self, parameters: Array, number: int) -> Array:
        """Residuals of one view's boundaries over their u, unweighted, at P sets of parameters (P, 20): (P, N)."""
        seen = self.views[number].seen
        K, distortion, rotation, translation = self._cameras(parameters, number)
        aspect = parameters[:, ASPECT, None] / 2
        x_mm, y_mm = seen.mat_mm[:, 0] * (1 + aspect), seen.mat_mm[:, 1] * (1 - aspect)
        cam = rotation[:, :, 0, None] * x_mm[:, None] + rotation[:, :, 1, None] * y_mm[:, None] + translation[:, :, None]
        x, y = cam[:, 0] / cam[:, 2], cam[:, 1] / cam[:, 2]
        k1, k2, p1, p2, k3 = distortion.T[:, :, None]
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        off_x = seen.seen_px[:, 0] - K[:, 0, 0, None] * xd - K[:, 0, 2, None]
        off_y = seen.seen_px[:, 1] - K[:, 1, 1, None] * yd - K[:, 1, 2, None]
        along = off_x * seen.normal_px[:, 0] + off_y * seen.normal_px[:, 1] + parameters[:, -1:] * seen.grows
        return np.asarray(along / seen.u_px)

    def seen(self, x: Array, number: int) -> Array:
        """Residuals of one view's boundaries over their u, unweighted: (N,)."""
        return np.asarray(self._residuals_of(self._of_view(x, number)[None], number)[0])

    def own_u(self) -> Array:
        """(10,) priors of a view's own parameters."""
        return np.array([1, 1, 1, 1e3, 1e3, 1e3, *self.spread_px, FOCUS_SCATTER, GROWTH_U_PX])

    def residuals(self, x: Array) -> Array:
        """Weighted boundaries of all views, then priors."""
        observed = [np.sqrt(weight) * self.seen(x, number) for number, weight in enumerate(self.weights)]
        return np.concatenate([*observed, *self._priors(x)])

    def _priors(self, x: Array) -> list[Array]:
        own = x[SHARED:].reshape(-1, OWN) / self.own_u()
        return [(x[:SHARED] - self.shared_at) / self.shared_u, own.ravel()]

    def jacobian(self, x: Array) -> Array:
        """Central differences; a view's boundaries move with the shared and its own parameters only."""
        jacobian = np.zeros((sum(self.counts) + self.size, self.size))
        row = 0
        for number, count in enumerate(self.counts):
            first = SHARED + OWN * number
            at, steps = self._of_view(x, number), np.diag(np.concatenate([STEPS, OWN_STEPS]))
            slopes = self._residuals_of(at + steps, number) - self._residuals_of(at - steps, number)
            slopes *= np.sqrt(self.weights[number]) / (2 * np.diag(steps)[:, None])
            jacobian[row : row + count, :SHARED] = slopes[:SHARED].T
            jacobian[row : row + count, first : first + OWN] = slopes[SHARED:].T
            row += count
        np.fill_diagonal(jacobian[row:], np.concatenate([1 / self.shared_u, np.tile(1 / self.own_u(), len(self.views))]))
        return jacobian

    def solve(self, x: Array, reweightings: int = REWEIGHTINGS) -> Array:
        """Least squares with Huber's weights from the last residuals; priors are never down-weighted."""
        for _ in range(reweightings):
            x = least_squares(self.residuals, x, self.jacobian, method="lm", x_scale="jac", xtol=1e-8, ftol=1e-7, gtol=1e-8,
                              max_nfev=30).x  # fmt: skip
            before = np.concatenate(self.weights)
            seen = [self.seen(x, number) for number in range(len(self.views))]
            self.weights = [np.minimum(1, HUBER / np.maximum(np.abs(one), 1e-9)) for one in seen]
            if np.abs(np.concatenate(self.weights) - before).max() < STEADY_WEIGHT:
                break
        return np.asarray(x)

    def covariance(self, x: Array) -> Array:
        """Of all parameters; the boundaries' part is widened where they fit worse than stated, never narrowed."""
        slopes = self.jacobian(x)
        count = sum(self.counts)
        observed = self.residuals(x)[:count]
        freedom = max(np.concatenate(self.weights).sum() - self.size, 1)
        slopes[:count] /= np.sqrt(max(1.0, float(observed @ observed) / freedom))
        return np.asarray(np.linalg.inv(slopes.T @ slopes))

    def spread(self, x: Array, covariance: Array) -> Array:
        """(2,) px, the principal point's spread that these photos make likely."""
        rows: Rows = SHARED + OWN * np.arange(len(self.views))[:, None] + np.array([6, 7])
        second_moment = np.mean(x[rows] ** 2 + np.diag(covariance)[rows], axis=0)
        return np.asarray(np.maximum(np.sqrt(second_moment), SPREAD_LEAST_SHARE * max(self.expected.size_px)))

    def result(self, x: Array) -> Bundle:
        """The bundle at the parameters x."""
        start = self.views[0].start
        lens = x[:SHARED].copy()
        lens[0] = start.K[0, 0] * np.exp(x[0])
        lens[1:3] += start.K[:2, 2]
        lens[3:7] += start.distortion[:4]
        lens[K3] += start.distortion[4]
        cameras = tuple(self.camera(x, number) for number in range(len(self.views)))
        left = tuple(self.seen(x, n) * view.seen.u_px for n, view in enumerate(self.views))
        return Bundle(lens, self.covariance(x)[:SHARED, :SHARED], self.nearness, self.spread_px, cameras, left)
