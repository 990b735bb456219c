"""Lens and pose of one photo from points and boundaries of known place: a Gauss-Markov adjustment with priors.

Parameters, in this order: focal length (px, as a factor of the first guess, logarithmic), principal point (px), k1, k2,
p1, p2, rotation vector (rad, on top of the first guess), translation (mm), the print's aspect (relative difference of
its scales across and along, which trades against tilt and so against the focal length: it has the prior of the check
readings), and the growth of black (px): ink spread, tone curve and sharpening move every boundary the same way in or out
of the black, which the alternation of black and white separates from all the rest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, TypeAlias

import cv2
import numpy as np
from scipy.optimize import least_squares

from holeinspect.measured import Array
from holeinspect.scale.camera import Camera

PARAMETERS = ("focal length", "principal point x", "principal point y", "k1", "k2", "p1", "p2", "tilt x", "tilt y", "roll",
              "offset x", "offset y", "height", "aspect", "growth of black")  # fmt: skip
PRINCIPAL_POINT_SHARE = 0.01
"""Prior of the principal point: one per cent of the picture's long side from its centre (30 to 40 px at 12 MP)."""
K1_PRIOR, K2_PRIOR = 0.10, 0.10
"""Priors of a phone's radial distortion; phones correct it in the file, wide-angle cameras reach k1 = -0.25."""
TANGENTIAL_PRIOR = 5e-4
"""Prior of p1 and p2: a lens a little out of centre; at 14 degrees of tilt 4e-4 ignored costs 4 % of focal length."""
FOCAL_UNKNOWN = 0.4
"""Relative prior of a focal length that the file does not state."""
FOCAL_GUESS = 0.80
"""First guess of an unstated focal length, as a share of the picture's long side."""
GROWTH_U_PX = 0.5
"""Prior of the growth of black: tone curve and sharpening move an edge by 0.1 to 0.3 px, ink spread by as much. Where black
and white alternate the boundaries tell it far better; a single marker's size rests on this alone."""
FREE = 1e3
"""Prior (mm, rad) that leaves a parameter free."""
CAMERA = 13
"""How many of PARAMETERS move the camera; the rest is the print's."""
HELD = 1e-9
"""Prior that holds a parameter where it is."""
HUBER = 2.5
"""Residuals beyond this many standard deviations count less."""
REWEIGHTINGS, STEADY_WEIGHT = 12, 0.01
"""Most rounds of weighing the residuals, and the change of a weight that no longer matters."""


class FocalPrior(NamedTuple):
    """Expected focal length (px), its relative standard uncertainty, and that of the principal point.

    principal_share: standard uncertainty of the principal point about the picture's centre, over the long side.
    """

    focal_px: float
    relative_u: float
    principal_share: float = PRINCIPAL_POINT_SHARE


LENS = 7
"""How many of PARAMETERS belong to the lens and so may be known beforehand: focal length to p2."""


@dataclass(frozen=True, slots=True)
class LensPrior:
    """What a camera's profile expects of one photo, in the frame of the upright picture.

    principal_px: (2,). distortion: (5,) k1 k2 p1 p2 k3, of which k3 is held. covariance: (7, 7) in the order of the first
    PARAMETERS (the focal length as its logarithm).
    """

    focal_px: float
    principal_px: Array
    distortion: Array
    covariance: Array

    @property
    def relative_u(self) -> float:
        """Relative standard uncertainty of the focal length."""
        return float(np.sqrt(self.covariance[0, 0]))


Prior: TypeAlias = FocalPrior | LensPrior
class Weak(NamedTuple):
    """What a reference tells little of. k1_u: prior of the phone's k1, k2 being held; tilt_held, roll_held: stay as they are."""

    k1_u: float
    tilt_held: bool = False
    roll_held: bool = False


@dataclass(frozen=True, slots=True)
class Boundaries:
    """Observed points of known lines or of known points.

    mat_mm: (N, 2) where the line runs in the mat frame. seen_px: (N, 2). normal_px: (N, 2) unit direction in which the
    observation counts (points give two rows, one per axis). u_px: (N,) standard uncertainty. grows: (N,) 1 where the
    normal points into the black, 0 where growth plays no part. z_mm: (N,) heights above the mat, None for 0.
    loose: (N,) number of the loose piece that a row belongs to, whose place on the mat is unknown; 0 where it is known.
    """

    mat_mm: Array
    seen_px: Array
    normal_px: Array
    u_px: Array
    grows: Array
    z_mm: Array | None = None
    loose: Array | None = None


@dataclass(frozen=True, slots=True)
class Adjusted:
    """Result of an adjustment: the camera, (15, 15) covariance in the order PARAMETERS, residuals in px (N,)."""

    camera: Camera
    aspect: float
    growth_px: float
    covariance: Array
    residuals_px: Array
    weights: Array
    """(N,) between 0 (an outlier) and 1."""


def first_camera(mat_mm: Array, seen_px: Array, size_px: tuple[int, int], prior: Prior | None) -> Camera:
    """Rough camera from points: mat (N, 2) mm and picture (N, 2) px; its lens is the prior's. size_px: width, height."""
    focal = prior.focal_px if prior else _focal_from_tilt(mat_mm, seen_px, size_px)
    centre, distortion = (np.array(size_px) - 1) / 2, np.zeros(5)
    if isinstance(prior, LensPrior):
        centre, distortion = prior.principal_px, prior.distortion
    K = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
    plane = np.column_stack([mat_mm, np.zeros(len(mat_mm))])
    _, turn, shift = cv2.solvePnP(plane, seen_px.astype(np.float64), K, distortion, flags=cv2.SOLVEPNP_IPPE)
    rotation, _ = cv2.Rodrigues(turn)
    return Camera(K, distortion, np.asarray(rotation), np.asarray(shift).ravel())


def _focal_from_tilt(mat_mm: Array, seen_px: Array, size_px: tuple[int, int]) -> float:
    """Focal length from one tilted view (Zhang 2000, section 3.1), held within what lenses have."""
    centre = (np.array(size_px) - 1) / 2
    H, _ = cv2.findHomography(mat_mm, seen_px - centre, cv2.RANSAC, 3.0)
    h1, h2 = H[:, 0], H[:, 1]
    long_side = max(size_px)
    guess = FOCAL_GUESS * long_side
    across = h1[2] * h2[2]
    if abs(across) < 1e-18:
        return guess
    square = -(h1[0] * h2[0] + h1[1] * h2[1]) / across
    focal = float(np.sqrt(square)) if square > 0 else guess
    return focal if 0.35 * long_side < focal < 3.0 * long_side else guess


def adjust(start: Camera, seen: Boundaries, size_px: tuple[int, int], prior: Prior | None,
           distortion: bool = True, aspect_u: float = 0.0, weak: Weak | None = None) -> Adjusted:  # fmt: skip
    """Most probable camera for the boundaries seen.

    distortion False holds the lens's distortion at nought (too few points to tell). aspect_u: standard uncertainty of the
    print's aspect. weak: of a reference that tells little. Weights fall for outliers (Huber). The
    covariance is scaled up when the residuals are larger than stated, never down. Source: algorithms for single-photo
    adjustment as in Zhang, PAMI 22 (2000) 1330, with priors.
    """
    model = _Model(start, seen, size_px, prior, distortion, aspect_u, weak)
    x, weights = _reweighted(model)
    camera, aspect, growth = model.camera(x)
    observed = model.residuals(x)[: len(seen.u_px)]
    rows = model.jacobian(x) * np.sqrt(np.concatenate([weights, np.ones(model.count)]))[:, None]
    freedom = max(weights.sum() - model.count, 1)
    factor = max(1.0, float((weights * observed**2).sum() / freedom))
    # Only what was observed is scaled by the misfit; the priors say what they say.
    rows[: len(weights)] /= np.sqrt(factor)
    covariance = np.linalg.inv(rows.T @ rows)[: len(PARAMETERS), : len(PARAMETERS)]
    return Adjusted(camera, aspect, growth, covariance, observed * seen.u_px, weights)


class _Model:
    """Residuals of the observations and priors at a parameter vector."""

    def __init__(self, start: Camera, seen: Boundaries, size_px: tuple[int, int], prior: Prior | None,
                 distortion: bool, aspect_u: float, weak: Weak | None) -> None:  # fmt: skip
        self.start, self.seen = start, seen
        self.plane = np.column_stack([seen.mat_mm, np.zeros(len(seen.mat_mm)) if seen.z_mm is None else seen.z_mm])
        pieces = 0 if seen.loose is None else int(seen.loose.max())
        self.pieces = [np.flatnonzero(seen.loose == piece) for piece in range(1, pieces + 1)]
        self.count = len(PARAMETERS) + 3 * pieces
        lens = prior if isinstance(prior, LensPrior) else _usual_lens(size_px, prior, distortion, weak)
        tilt_u, roll_u = HELD if weak and weak.tilt_held else 1.0, HELD if weak and weak.roll_held else 1.0
        rest_u = np.array([tilt_u, tilt_u, roll_u, FREE, FREE, FREE, max(aspect_u, HELD), GROWTH_U_PX, *(3 * pieces) * (FREE,)])
        # Residuals of the priors are prior_root @ (x - prior_at): correlated for the lens, one by one for the rest.
        self.prior_root = np.diag(np.concatenate([np.ones(LENS), 1 / rest_u]))
        self.prior_root[:LENS, :LENS] = np.linalg.inv(np.linalg.cholesky(lens.covariance))
        expected = np.log(lens.focal_px / start.K[0, 0])
        centre = lens.principal_px - start.K[:2, 2]
        self.prior_at = np.array([expected, *centre, *(lens.distortion[:4] - start.distortion[:4]), *np.zeros(len(rest_u))])

    def camera(self, x: Array) -> tuple[Camera, float, float]:
        """Camera, aspect and growth at the parameters x (15 and three for each loose piece)."""
        return moved(self.start, x[:CAMERA]), float(x[CAMERA]), float(x[CAMERA + 1])

    def placed(self, x: Array) -> Array:
        """The observed points in the mat frame, (N, 3), each loose piece turned (rad) and moved (mm) as x says."""
        if not self.pieces:
            return self.plane
        plane = self.plane.copy()
        for rows, (right, up, turn) in zip(self.pieces, x[len(PARAMETERS) :].reshape(-1, 3), strict=True):
            middle = plane[rows, :2].mean(axis=0)
            across = (plane[rows, :2] - middle) @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
            plane[rows, :2] = middle + across + (right, up)
        return plane

    def residuals(self, x: Array) -> Array:
        """Observations, then priors, each over its standard uncertainty: (N + 15,)."""
        camera, aspect, growth = self.camera(x)
        offset = self.seen.seen_px - camera.project(self.placed(x) * [1 + aspect / 2, 1 - aspect / 2, 1])
        along = (offset * self.seen.normal_px).sum(axis=1) + growth * self.seen.grows
        return np.concatenate([along / self.seen.u_px, self.prior_root @ (x - self.prior_at)])

    def jacobian(self, x: Array) -> Array:
        """Derivatives of `residuals`: (N + count, count)."""
        camera, aspect, _ = self.camera(x)
        placed = self.placed(x)
        points = placed * [1 + aspect / 2, 1 - aspect / 2, 1]
        px_per_mm = camera.px_per_mm(points)
        stretched = px_per_mm @ (placed[:, :2] * [0.5, -0.5])[..., None]
        moves = np.concatenate([picture_moves(self.start, x[:CAMERA], points), stretched], axis=2)
        along = -(self.seen.normal_px[:, None] @ moves)[:, 0]
        rows = np.column_stack([along, self.seen.grows, self._loose_moves(placed, px_per_mm)]) / self.seen.u_px[:, None]
        return np.vstack([rows, self.prior_root])

    def _loose_moves(self, placed: Array, px_per_mm: Array) -> Array:
        """How the offsets change with right, up and turn of each loose piece: (N, 3 pieces)."""
        columns = np.zeros((len(placed), 3 * len(self.pieces)))
        for number, rows in enumerate(self.pieces):
            out = placed[rows, :2] - placed[rows, :2].mean(axis=0)
            turn = np.stack([-out[:, 1], out[:, 0]], -1)[..., None]
            ways = np.concatenate([np.broadcast_to(np.eye(2), (len(rows), 2, 2)), turn], axis=2)
            columns[rows, 3 * number : 3 * number + 3] = -(self.seen.normal_px[rows, None] @ (px_per_mm[rows] @ ways))[:, 0]
        return columns


def _usual_lens(size_px: tuple[int, int], prior: FocalPrior | None, distortion: bool, weak: Weak | None) -> LensPrior:
    """What may be expected of a lens of which at most the focal length is known."""
    long_side = max(size_px)
    focal_u = prior.relative_u if prior else FOCAL_UNKNOWN
    off = (prior.principal_share if prior else PRINCIPAL_POINT_SHARE) * long_side
    bent = (K1_PRIOR, K2_PRIOR, TANGENTIAL_PRIOR, TANGENTIAL_PRIOR) if distortion else (HELD,) * 4
    bent = (weak.k1_u, HELD, HELD, HELD) if weak else bent
    focal = prior.focal_px if prior else FOCAL_GUESS * long_side
    return LensPrior(focal, (np.array(size_px) - 1) / 2, np.zeros(5), np.diag(np.square([focal_u, off, off, *bent])))


def _reweighted(model: _Model) -> tuple[Array, Array]:
    """Parameters (15,) and Huber's weights (N,) of the observations, by least squares with weights from the last ones.

    Only observations are down-weighted: priors hold whatever happens, or a view from straight above runs away.
    """
    count = len(model.seen.u_px)
    x, weights = np.zeros(model.count), np.ones(count)
    for _ in range(REWEIGHTINGS):
        root = np.sqrt(np.concatenate([weights, np.ones(model.count)]))
        x = least_squares(lambda x, root: root * model.residuals(x), x, lambda x, root: root[:, None] * model.jacobian(x),
                          method="lm", x_scale="jac", xtol=1e-10, ftol=1e-9, gtol=1e-10, max_nfev=60, args=(root,)).x  # fmt: skip
        before, weights = weights, np.minimum(1, HUBER / np.maximum(np.abs(model.residuals(x)[:count]), 1e-9))
        if np.abs(weights - before).max() < STEADY_WEIGHT:
            break
    return x, weights


def moved(camera: Camera, change: Array) -> Camera:
    """The camera with all PARAMETERS but the last two changed by `change` (13,)."""
    K = camera.K.copy()
    K[0, 0] *= np.exp(change[0])
    K[1, 1] *= np.exp(change[0])
    K[:2, 2] += change[1:3]
    distortion = camera.distortion.copy()
    distortion[:4] += change[3:7]
    turn, _ = cv2.Rodrigues(np.asarray(change[7:10], float))
    # Moving the camera's height with the focal length keeps the two nearly uncorrelated in the steps of the solver.
    translation = (turn @ camera.translation + change[10:13]) * np.array([1, 1, np.exp(change[0])])
    return Camera(K, distortion, np.asarray(turn @ camera.rotation), np.asarray(translation))


def picture_moves(start: Camera, change: Array, points_mm: Array) -> Array:
    """How the picture of points (N, 3) mm moves per unit of each part of `change` (13,), as in `moved`: (N, 2, 13) px."""
    camera = moved(start, change)
    cam = points_mm @ camera.rotation.T + camera.translation
    stretch = np.array([1, 1, np.exp(change[0])])
    in_cam = np.zeros((len(points_mm), 3, len(change)))
    in_cam[:, 2, 0] = camera.translation[2]
    _, turns = cv2.Rodrigues(np.asarray(change[7:10], float))
    for column, turn in enumerate(np.asarray(turns).reshape(3, 3, 3), 7):
        in_cam[:, :, column] = points_mm @ (turn @ start.rotation).T + (turn @ start.translation) * stretch
    in_cam[:, :, 10:13] = np.diag(stretch)
    moves = camera.slopes(cam) @ in_cam
    moves[:, :, :7] += _lens_moves(camera, cam)
    return np.asarray(moves)


def _lens_moves(camera: Camera, cam: Array) -> Array:
    """The same of focal length, principal point, k1, k2, p1 and p2 alone, points (N, 3) in the camera frame: (N, 2, 7)."""
    x, y = cam[:, 0] / cam[:, 2], cam[:, 1] / cam[:, 2]
    focal, centre = camera.K[[0, 1], [0, 1]], camera.K[:2, 2]
    r2, xy = x * x + y * y, 2 * x * y
    moves = np.zeros((len(cam), 2, 7))
    moves[:, :, 0] = camera.project_cam(cam) - centre
    moves[:, 0, 1] = moves[:, 1, 2] = 1
    moves[:, 0, 3:] = focal[0] * np.column_stack([x * r2, x * r2 * r2, xy, r2 + 2 * x * x])
    moves[:, 1, 3:] = focal[1] * np.column_stack([y * r2, y * r2 * r2, r2 + 2 * y * y, xy])
    return moves
