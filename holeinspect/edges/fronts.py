"""Where exactly the backdrop ends: a model of the light from backdrop to face, fitted to a whole rim or edge at once.

Stations along a contour are taken together in stretches of a few pixels. In each the light goes from the backdrop over
the wall (where it is seen) and the chamfer of the broken edge to the face, in steps that the lens blurs:

    L(x) = B + (F - B)·[w·Φ(x - p) + (c - w)·Φ(x - q) + (1 - c)·Φ(x - f)]

B and F are each stretch's own levels. w and c, the brightness of wall and chamfer relative to the face, vary slowly
round the contour (a constant and one harmonic). p, q and f, the limit and the ends of wall and chamfer, follow from the
geometry (rims.py) once the edges' break b and the shape are known. Shape, break, w and c are found together by
Gauss-Newton on all samples; that the rim is round, or the edge straight, is what tells a dark wall from the backdrop.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from holeinspect.edges.profiles import gaussian, gaussian_step, sample_profiles
from holeinspect.edges.rims import Plate, Seen, Stations, see
from holeinspect.measured import Array
from holeinspect.scale.camera import Camera

BILINEAR_VARIANCE_PX2 = 1 / 6
"""What bilinear sampling adds to the blur's variance."""
STEP_PX = 1.0
BEFORE_PX, FARTHEST_PX = 6.0, 32.0
"""Least reach of a profile into the backdrop, and greatest into the metal."""
REACH_SIGMAS = 5.0
"""Reach of a profile to either side in blur widths: a soft edge needs more to show its levels."""
FULL_SHADE_MM, LEAST_SHADE = 0.5, 0.01
"""Thickness from which a plate may shade the backdrop behind its edges fully, and the least share of it assumed."""
PAST_FACE_PX = 4.0
"""How far beyond the start of the face a profile is used: enough for its level, little of its texture."""
BREAK_TRIAL_MM = 0.2
"""Break at which the geometry is worked out beside the sharp one; between them it is linear."""
BREAK_EXPECTED_MM, BREAK_U_MM, LARGEST_BREAK_SHARE = 0.1, 0.12, 0.45
"""Prior of an edge break (dressed by hand: common practice, no source) and its largest share of the thickness."""
WALL_EXPECTED, WALL_U, WALL_SWING_U = 0.2, 0.3, 0.2
WALL_OF_FACE, WALL_OF_FACE_U = 0.5, 0.25
"""The wall's light over the face's, before a backdrop brighter than both: ours, from memory of photos of such parts."""
CHAMFER_EXPECTED, CHAMFER_U, CHAMFER_SWING_U = 0.7, 0.4, 0.2
"""Priors of the brightness of wall and chamfer relative to the face, and of its swing round the contour (seen on renders)."""
WALL_OWN_U, CHAMFER_OWN_U, WALL_CHANGE_U, SHADE_U = 0.15, 0.3, 0.2, 0.15
"""How far a stretch's own wall and chamfer may differ from their course, the light may change along the wall, and the
backdrop shade off towards the rim over BEFORE_PX: shares of contrast."""
LEVELS, PSEUDO = 6, 4
BACKDROP, WALL, WALL_CHANGE, CHAMFER, FACE, SHADE = range(LEVELS)
"""A stretch's own levels, in this order."""
BLUR_EXPECTED, BLUR_U = -0.06, 0.03
"""Logarithm of the blur at a metal edge over that of the mat's printed edges, and its standard uncertainty: ink spreads a
little at its edges, metal does not (0.91 to 0.96 on sharp rims of renders, 0.94 for ink spreading by 0.025 mm)."""
RIDGE, EYE = 1e-9, np.eye(LEVELS)
"""Keeps the normal equations solvable where a level is not seen at all."""
MODEL_NOISE = 0.012
"""What the step model leaves over of a clean profile, as a share of the contrast, beyond pixel noise (streaks, shade)."""
ITERATIONS = 25
FIRST_DAMPING, LAST_DAMPING = 1e-3, 1e6
"""Levenberg-Marquardt damping, relative to the diagonal of the normal matrix."""
CONVERGED, LOCATED = 5e-4, 2e-2
"""Relative gain of the misfit at which a fit stops: the last one, and one that only has to find the place."""
SHAPE_U_MM = 10.0
"""Prior of a shape's parameters: none to speak of."""
HELD = 1e-6
"""Prior that holds a parameter where it is."""
UNUSED_WEIGHT = 1e-9
LEAST_WALL_PX = 0.3
"""A wall narrower than this has no brightness along it."""
WALL_STEPS = 2
"""The first two steps, limit and wall's end, are the wall's."""
SAME_STEP_PX = 1e-6
"""Steps closer than this are one."""
LARGEST_BLUR_CHANGE = 0.5
LEAST_CONTRAST = 1e-3
LARGEST_SHIFT_PX = 1.5
"""A Gauss-Newton step of the contour is cut to this."""
OUTLIER = 4.0
"""Stretches this many robust standard deviations off the shape are left out: burr, ink, glare."""
LEAST_USED_SHARE = 0.3
OUTLIER_ROUNDS = 4
LEAST_SPREAD_PX = 0.05
"""The robust standard deviation is not taken smaller than this."""


@dataclass(frozen=True, slots=True)
class Blur:
    """The lens's blur in linear light: sigma of its core (px), and share of a glow three times as wide."""

    sigma_px: float
    tail: float = 0.0

    @property
    def core(self) -> float:
        """Sigma of the core as it appears in bilinear samples."""
        return float(np.sqrt(self.sigma_px**2 + BILINEAR_VARIANCE_PX2))

    @property
    def variance(self) -> float:
        """Variance of the whole blur, px²: what moves a bent edge."""
        return float((1 + 8 * self.tail) * self.sigma_px**2 + BILINEAR_VARIANCE_PX2)

    def step(self, x: Array, spread2: Array | float = 0.0) -> Array:
        """Unit step, blurred by the lens and by a further variance (px²)."""
        return self._mixed(gaussian_step, x, spread2)

    def slope(self, x: Array, spread2: Array | float = 0.0) -> Array:
        """Derivative of `step`."""
        return self._mixed(gaussian, x, spread2)

    def _mixed(self, shape: Callable[[Array, Array], Array], x: Array, spread2: Array | float) -> Array:
        """A shape of x and sigma for the core, and for the glow where there is one."""
        core = shape(x, np.sqrt(self.core**2 + spread2))
        if not self.tail:
            return core
        return (1 - self.tail) * core + self.tail * shape(x, np.sqrt(9 * self.sigma_px**2 + spread2))


@dataclass(frozen=True, slots=True)
class View:
    """What measuring a contour needs of the photo: restored light (H, W), camera, blur, the plate, and pixel noise."""

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


def take_stretches(view: View, stations: Stations, stretch: Array, count: int, breaks: bool = True) -> Stretches:
    """Sample the light across a contour and average it by stretch.

    stretch: (N,) the stretch, 0 to count - 1, of each station; -1 leaves it out. Stretches without a station, or out of
    the picture, are dropped. breaks False leaves out what only broken edges need.
    """
    sharp = see(view.camera, stations, view.plate, 0.0)
    trial = see(view.camera, stations, view.plate, BREAK_TRIAL_MM) if breaks else sharp
    reach = min(trial.face_px[stretch >= 0].max(initial=0) + _past_face(view.blur), FARTHEST_PX)
    x_px = np.arange(-max(BEFORE_PX, REACH_SIGMAS * view.blur.core), reach + STEP_PX / 2, STEP_PX)
    values = sample_profiles(view.light, sharp.px, sharp.into, x_px)
    bent = -view.blur.variance / 2 * stations.bend / sharp.px_per_mm
    steps = _steps(sharp, sharp) + bent[:, None]
    per_mm = (_steps(trial, sharp) - _steps(sharp, sharp)) / BREAK_TRIAL_MM
    columns = (values, sharp.px_per_mm, steps, steps**2, per_mm, stations.points_mm, stations.out, stations.bend,
               sharp.z_mm, sharp.upper.astype(float))  # fmt: skip
    means = [mean_by(stretch, count, column) for column in columns]
    kept = np.isfinite(means[0]).sum(axis=1) > len(x_px) // 2
    profiles, px_per_mm, steps, squares, per_mm, points_mm, out, bend, z_mm, upper = (column[kept] for column in means)
    spread2 = np.maximum(squares - steps**2, 0)
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    use = _use(x_px, profiles, steps, view.blur, bend, px_per_mm)
    return Stretches(x_px, np.nan_to_num(profiles), use, np.arctan2(out[:, 1], out[:, 0]), px_per_mm, steps, per_mm,
                     spread2, points_mm, out, z_mm, upper, view.plate.thickness_mm)  # fmt: skip


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
    """Samples (K, M) to use: not across the opening's other side, and as much of the face as gives its level.

    Where the wall is so wide that the face is out of reach, the profile ends on the wall.
    """
    far = np.minimum(-x_px[0], 0.7 * px_per_mm / np.maximum(bend, 1e-6))
    last = np.where(steps[:, 2] + 2 * blur.core < x_px[-1], steps[:, 2] + _past_face(blur),
                    steps[:, 1] - 2.5 * blur.core)  # fmt: skip
    use = (x_px >= -far[:, None]) & (x_px <= last[:, None]) & np.isfinite(profiles)
    return np.asarray(use.astype(float))


@dataclass(frozen=True, slots=True)
class Front:
    """A fitted contour.

    shape: (Q,) mm, change of the shape's parameters. break_mm: of the edges. covariance: (Q + 1, Q + 1) of both, mm².
    deviation_mm: (K,) of each stretch from the shape along the normal, positive into the metal. u_mm: (K,) its noise.
    contrast: (K,) face less backdrop. used: (K,) bool, False for outliers. noise2: (K,) mean squared
    misfit of the profiles, over samples (K,) samples each. scale: (K,) rough contrast. penalty: weighted squares of
    priors and pseudo-observations. wall, chamfer: median brightness, 0 like the backdrop, 1 like the face.
    """

    shape: Array
    break_mm: float
    covariance: Array
    deviation_mm: Array
    u_mm: Array
    contrast: Array
    used: Array
    noise2: Array
    samples: Array
    scale: Array
    penalty: float
    wall: float
    chamfer: float

    @property
    def misfit(self) -> float:
        """Weighted squares per stretch used, comparable between fits that start in different places."""
        noise2 = self.noise2 / (MODEL_NOISE * self.scale) ** 2
        return float((STEP_PX * self.samples * noise2)[self.used].sum() + self.penalty) / max(int(self.used.sum()), 1)


def fit_front(stretches: Stretches, design: Array, blur: Blur, largest_break_mm: float, start_break_mm: float = 0.0,
              start_shift_mm: float = 0.0, gain: float = CONVERGED) -> Front:  # fmt: skip
    """Fit shape, break, and brightness of wall and chamfer to all stretches.

    design: (K, Q) how far each stretch moves into the metal per unit of each shape parameter. largest_break_mm: 0 takes
    the edges as sharp. start_shift_mm: how far into the metal the contour starts from where it is. gain: relative gain
    of the misfit at which the fit stops.
    """
    problem = _Problem(stretches, design, blur, largest_break_mm)
    used, solved = _fitted(problem, problem.start(start_break_mm, start_shift_mm), gain)
    theta, state = solved.theta, solved.state
    samples = np.maximum(stretches.use.sum(1), 1)
    noise2 = (stretches.use * state.left_over[:, : len(stretches.x_px)] ** 2).sum(1) / samples
    problem.reweigh(state.left_over, np.ones(len(stretches), bool))
    everywhere = problem.levelled(state.light)
    deviation, u = problem.deviations(everywhere, problem.moved(everywhere))
    q = design.shape[1]
    covariance = np.linalg.inv(solved.normal)[: q + 1, : q + 1]
    return Front(theta[:q], float(theta[q]), covariance, deviation, u, state.contrast, used, noise2, samples,
                 problem.scale, problem.penalty(theta, state, used), float(np.median(state.brightness(WALL)[used])),
                 float(np.median(state.brightness(CHAMFER)[used])))  # fmt: skip


def gain_over(first: Front, second: Front) -> float:
    """How much better the second reading explains the light than the first: fall of weighted squares per stretch.

    Both are weighed alike, by the smaller misfit of the two in each stretch.
    """
    both = first.used & second.used
    noise2 = np.minimum(first.noise2, second.noise2) + (MODEL_NOISE * first.scale) ** 2
    fall = (STEP_PX * first.samples * (first.noise2 - second.noise2) / noise2)[both].sum()
    return float(fall + first.penalty - second.penalty) / max(int(both.sum()), 1)


def _fitted(problem: _Problem, theta: Array, gain: float) -> tuple[Array, _Solved]:
    """Stretches used and the solution from one start, outliers left out as they show."""
    used = np.ones(len(problem.s), bool)
    per_mm, least = problem.s.px_per_mm, max(problem.q + 3, LEAST_USED_SHARE * len(problem.s))
    state = problem.levelled(problem.light(theta))
    for _ in range(OUTLIER_ROUNDS):
        solved = problem.solve(theta, state, used, gain)
        theta, state = solved.theta, solved.state
        deviation_px = problem.deviations(state, solved.moved)[0] * per_mm
        kept = np.abs(deviation_px) <= OUTLIER * _spread(deviation_px[used])
        if kept.sum() < least or (kept == used).all():
            break
        used = kept
    return used, solved


def _spread(deviation_px: Array) -> float:
    return max(1.4826 * float(np.median(np.abs(deviation_px))), LEAST_SPREAD_PX)


MOVES = 5
PLACE, BREAK, WIDTH, WALL_COURSE, CHAMFER_COURSE = range(MOVES)
"""What moves the light of a stretch: its place (px into the metal), the edges' break (mm), the blur's width (logarithm), and
the brightness that its wall and chamfer are expected to have."""


@dataclass(frozen=True, slots=True)
class _Light:
    """The light of all stretches at some parameters, but for its levels.

    basis: (K, LEVELS, M + PSEUDO) how much of each level the samples and pseudo-observations see. x, slope: (3, K, M)
    distance from each step and the blur's slope there.
    """

    basis: Array
    x: Array
    slope: Array


@dataclass(frozen=True, slots=True)
class _State:
    """The light with each stretch's own best levels (K, LEVELS) and what they leave over (K, M + PSEUDO).

    contrast: (K,) face less backdrop. solver: (K, LEVELS, M + PSEUDO), from values to levels.
    """

    light: _Light
    levels: Array
    left_over: Array
    contrast: Array
    solver: Array

    def brightness(self, level: int) -> Array:
        """(K,) of wall or chamfer, 0 like the backdrop, 1 like the face."""
        contrast = np.where(np.abs(self.contrast) > LEAST_CONTRAST, self.contrast, 1)
        return np.asarray((self.levels[:, level] - self.levels[:, BACKDROP]) / contrast)


@dataclass(frozen=True, slots=True)
class _Solved:
    """Parameters (P,) where the misfit is least, normal matrix (P, P), state and moves (K, MOVES, M + PSEUDO) there."""

    theta: Array
    normal: Array
    state: _State
    moved: Array


class _Problem:
    """Least squares over all stretches.

    Parameters: shape (Q, mm), break (mm), blur (logarithm of its ratio to the mat's), wall (constant, cosine, sine) and
    chamfer (likewise). Each stretch has its own levels besides, linear and projected out: backdrop and its shade
    towards the rim, wall and its change, chamfer, face; PSEUDO pseudo-observations hold all but backdrop and face near
    the parameters' course. All that the parameters do to a stretch goes through its MOVES, and is linear in them.
    """

    def __init__(self, stretches: Stretches, design: Array, blur: Blur, largest_break_mm: float) -> None:
        self.s, self.design, self.blur = stretches, design, blur
        self.q = design.shape[1]
        self.largest_break_mm = largest_break_mm
        breaks = largest_break_mm > 0
        self.expected = np.array([*np.zeros(self.q), min(BREAK_EXPECTED_MM, largest_break_mm / 2), BLUR_EXPECTED,
                                  0, 0, 0, CHAMFER_EXPECTED, 0, 0])  # fmt: skip
        self.expected[self.q + 2], wall_u = _wall_expected(stretches)
        prior_u = [*np.full(self.q, SHAPE_U_MM), BREAK_U_MM if breaks else HELD, BLUR_U, wall_u, WALL_SWING_U,
                   WALL_SWING_U, CHAMFER_U, CHAMFER_SWING_U, CHAMFER_SWING_U]  # fmt: skip
        self.prior_weight = 1 / np.array(prior_u) ** 2
        self.prior_normal = np.diag(self.prior_weight)
        self.moves_px = design * stretches.px_per_mm[:, None]
        self.moves_of = self._moves_of()
        self.distinct, self.same_as = _distinct_steps(stretches, breaks)
        self.values = np.concatenate([stretches.values, np.zeros((len(stretches), PSEUDO))], axis=1)
        self.scale = _scale(stretches)
        self.base_weight = self._base_weight()
        self.weight = self.base_weight

    def _moves_of(self) -> Array:
        """(K, MOVES, P): what each parameter does to each stretch."""
        k, q = self.design.shape
        phase = self.s.phase
        harmonic = np.column_stack([np.ones(k), np.cos(phase), np.sin(phase)])
        moves = np.zeros((k, MOVES, len(self.expected)))
        moves[:, PLACE, :q] = self.moves_px
        moves[:, BREAK, q] = moves[:, WIDTH, q + 1] = 1
        moves[:, WALL_COURSE, q + 2 : q + 5] = moves[:, CHAMFER_COURSE, q + 5 : q + 8] = harmonic
        return moves

    def _base_weight(self) -> Array:
        """(K, M + PSEUDO) weights of samples and pseudo-observations before the misfit is known."""
        s = self.s
        noise = MODEL_NOISE * self.scale
        shade = SHADE_U * float(np.clip(s.thickness_mm / FULL_SHADE_MM, LEAST_SHADE, 1))
        priors = 1 / (np.array([WALL_OWN_U, CHAMFER_OWN_U, WALL_CHANGE_U, shade]) * self.scale[:, None]) ** 2
        reaches_face = np.any(s.use * (s.x_px > s.steps[:, 2:]), axis=1)
        priors[:, :2] *= reaches_face[:, None]
        return np.concatenate([s.use * STEP_PX / noise[:, None] ** 2, priors], axis=1)

    def start(self, break_mm: float, shift_mm: float) -> Array:
        """Parameters to start from: as expected but for the break, the contour moved into the metal."""
        theta = self.expected.copy()
        theta[: self.q] = np.linalg.lstsq(self.design, np.full(len(self.design), shift_mm), rcond=None)[0]
        theta[self.q] = min(break_mm, self.largest_break_mm)
        return theta

    def light(self, theta: Array) -> _Light:
        """The model at theta, but for the levels. Steps that coincide are worked out once."""
        s, moves = self.s, self.moves_of @ theta
        blur = Blur(self.blur.sigma_px * np.exp(theta[self.q + 1]), self.blur.tail)
        places = s.steps + s.steps_per_mm * moves[:, BREAK, None] + moves[:, PLACE, None]
        x = s.x_px - places.T.ravel()[self.distinct, None]
        spread2 = s.spread2.T.ravel()[self.distinct, None]
        step, slope = blur.step(x, spread2), blur.slope(x, spread2)
        ramp = x * step + (blur.core**2 + spread2) * slope
        x = x[self.same_as]
        basis = self._basis(x, step[self.same_as], ramp[self.same_as[:WALL_STEPS]], places, moves)
        return _Light(basis, x, slope[self.same_as])

    def _basis(self, x: Array, step: Array, ramp: Array, places: Array, moves: Array) -> Array:
        """How much of each level the samples and pseudo-observations see: (K, LEVELS, M + PSEUDO)."""
        k, m = self.s.values.shape
        width = np.maximum(places[:, 1] - places[:, 0], LEAST_WALL_PX)[:, None]
        basis = np.zeros((k, LEVELS, m + PSEUDO))
        basis[:, BACKDROP, :m] = 1 - step[0]
        basis[:, WALL, :m] = step[0] - step[1]
        basis[:, WALL_CHANGE, :m] = (ramp[0] - ramp[1]) / width - step[1]
        basis[:, CHAMFER, :m] = step[1] - step[2]
        basis[:, FACE, :m] = step[2]
        basis[:, SHADE, :m] = (x[0] - ramp[0]) / BEFORE_PX
        for row, level in enumerate((WALL, CHAMFER, WALL_CHANGE, SHADE), m):
            basis[:, level, row] = 1
        basis[:, BACKDROP, m : m + 2] = moves[:, WALL_COURSE:] - 1
        basis[:, FACE, m : m + 2] = -moves[:, WALL_COURSE:]
        return basis

    def levelled(self, light: _Light) -> _State:
        """The light with the levels that suit the values best, weighed as they are now."""
        basis = light.basis
        weighted = basis * self.weight[:, None]
        normal = weighted @ _turned(basis)
        normal += (RIDGE * np.einsum("kll->k", normal))[:, None, None] * EYE
        solver = np.linalg.inv(normal) @ weighted
        levels = (solver @ self.values[..., None])[..., 0]
        left_over = self.values - (levels[:, None] @ basis)[:, 0]
        return _State(light, levels, left_over, levels[:, FACE] - levels[:, BACKDROP], solver)

    def moved(self, state: _State) -> Array:
        """How the modelled values change per unit of each of the MOVES, levels following: (K, MOVES, M + PSEUDO)."""
        light, levels = state.light, state.levels
        k, m = self.s.values.shape
        falls = levels[:, [BACKDROP, WALL, CHAMFER]] - levels[:, [WALL, CHAMFER, FACE]]
        by_step = falls.T[..., None] * light.slope
        moved = np.zeros((k, MOVES, m + PSEUDO))
        moved[:, PLACE, :m] = by_step.sum(axis=0)
        moved[:, BREAK, :m] = (by_step * self.s.steps_per_mm.T[..., None]).sum(axis=0)
        moved[:, WIDTH, :m] = (by_step * light.x).sum(axis=0)
        moved[:, WALL_COURSE, m] = moved[:, CHAMFER_COURSE, m + 1] = -state.contrast
        return np.asarray(moved - (moved @ _turned(state.solver)) @ light.basis)

    def reweigh(self, left_over: Array, used: Array) -> None:
        """Weigh the samples of each stretch by what the model leaves over of it; stretches not used weigh nothing."""
        use = self.s.use
        m = use.shape[1]
        noise2 = (use * left_over[:, :m] ** 2).sum(1) / np.maximum(use.sum(1) - 4, 1)
        weight = self.base_weight.copy()
        weight[:, :m] = use * (STEP_PX / (noise2 + (MODEL_NOISE * self.scale) ** 2))[:, None]
        self.weight = np.where(used[:, None], weight, UNUSED_WEIGHT)

    def solve(self, theta: Array, state: _State, used: Array, gain: float) -> _Solved:
        """Where the misfit is least, by Levenberg-Marquardt from theta, whose state tells the weights."""
        self.reweigh(state.left_over, used)
        state = self.levelled(state.light)
        misfit = self.misfit(theta, state)
        moved = self.moved(state)
        normal, gradient = self._normal(theta, state, moved)
        damping = FIRST_DAMPING
        for _ in range(ITERATIONS):
            trial = self._stepped(theta, normal, gradient, damping)
            change = trial - theta
            if change @ (2 * gradient - normal @ change) < gain * (1 + misfit):
                break
            trial_state = self.levelled(self.light(trial))
            trial_misfit = self.misfit(trial, trial_state)
            if trial_misfit > misfit:
                damping *= 10
                if damping > LAST_DAMPING:
                    break
                continue
            gained = misfit - trial_misfit
            theta, state, misfit, damping = trial, trial_state, trial_misfit, damping / 10
            moved = self.moved(state)
            normal, gradient = self._normal(theta, state, moved)
            if gained < gain * (1 + misfit):
                break
        return _Solved(theta, normal, state, moved)

    def _normal(self, theta: Array, state: _State, moved: Array) -> tuple[Array, Array]:
        """Normal matrix and gradient: those of each stretch's moves, gathered in the parameters."""
        weighted = moved * self.weight[:, None]
        moves_of = self.moves_of.reshape(-1, len(theta))
        by_stretch = (weighted @ _turned(moved)) @ self.moves_of
        normal = moves_of.T @ by_stretch.reshape(moves_of.shape) + self.prior_normal
        gradient = moves_of.T @ (weighted @ state.left_over[..., None]).ravel()
        return normal, gradient + self.prior_weight * (self.expected - theta)

    def _stepped(self, theta: Array, normal: Array, gradient: Array, damping: float) -> Array:
        """One damped step, cut where it would move the contour too far, within bounds."""
        q = self.q
        damped = normal.copy()
        np.einsum("pp->p", damped)[:] *= 1 + damping
        change = np.linalg.solve(damped, gradient)
        change *= min(1.0, LARGEST_SHIFT_PX / max(float(np.abs(self.moves_px @ change[:q]).max()), 1e-9))
        trial = theta + change
        trial[q] = min(max(float(trial[q]), 0.0), self.largest_break_mm)
        trial[q + 1] = min(max(float(trial[q + 1]), -LARGEST_BLUR_CHANGE), LARGEST_BLUR_CHANGE)
        return np.asarray(trial)

    def misfit(self, theta: Array, state: _State) -> float:
        """Weighted squares of residuals and priors."""
        off = theta - self.expected
        return float(np.vdot(self.weight, state.left_over**2) + np.vdot(self.prior_weight, off * off))

    def penalty(self, theta: Array, state: _State, used: Array) -> float:
        """Weighted squares of priors and pseudo-observations alone."""
        off = theta - self.expected
        m = self.s.values.shape[1]
        own = (self.base_weight[:, m:] * state.left_over[:, m:] ** 2)[used].sum()
        return float(own + (self.prior_weight * off * off).sum())

    def deviations(self, state: _State, moved: Array) -> tuple[Array, Array]:
        """Deviation of each stretch from the shape, (K,) mm into the metal, and its noise; one Gauss-Newton step."""
        slope = moved[:, PLACE] * self.s.px_per_mm[:, None]
        weight = np.maximum(self.weight, UNUSED_WEIGHT)
        information = np.maximum((weight * slope**2).sum(1), 1e-12)
        return (weight * slope * state.left_over).sum(1) / information, 1 / np.sqrt(information)


def _turned(matrices: Array) -> Array:
    """Each of a row of matrices (K, A, B) transposed: (K, B, A)."""
    return np.swapaxes(matrices, 1, 2)


def _distinct_steps(stretches: Stretches, breaks: bool) -> tuple[Array, Array]:
    """Which of all steps (3·K, limits first) differ, (R,), and which of those each step is, (3, K).

    Where no wall is seen, the limit is the wall's end; where nothing is broken, the wall's end is where the face begins.
    """
    k = len(stretches)
    place = np.concatenate([stretches.steps, breaks * stretches.steps_per_mm, stretches.spread2], axis=1)
    apart = np.abs(np.diff(place.reshape(k, 3, 3), axis=2)).max(axis=1) > SAME_STEP_PX
    first = np.arange(3 * k).reshape(3, k)
    for step in (1, 2):
        first[step] = np.where(apart[:, step - 1], first[step], first[step - 1])
    distinct, same_as = np.unique(first, return_inverse=True)
    return distinct, same_as.reshape(3, k)


def _wall_expected(stretches: Stretches) -> tuple[float, float]:
    """Expected brightness of the wall relative to backdrop (0) and face (1), and its standard uncertainty.

    A wall is darker than its face; before a white backdrop that is not between the two but beyond the face.
    """
    rows = np.arange(len(stretches))
    first, last = np.argmax(stretches.use, axis=1), stretches.use.shape[1] - 1 - np.argmax(stretches.use[:, ::-1], axis=1)
    backdrop, face = (float(np.median(stretches.values[rows, at])) for at in (first, last))
    if face > backdrop:
        return WALL_EXPECTED, WALL_U
    less = max(backdrop - face, LEAST_CONTRAST)
    return 1 + (1 - WALL_OF_FACE) * face / less, max(WALL_OF_FACE_U * face / less, WALL_U)


def _scale(stretches: Stretches) -> Array:
    """Rough contrast of each stretch (K,): the spread of its samples, at least a little."""
    high = np.where(stretches.use > 0, stretches.values, -np.inf).max(1)
    low = np.where(stretches.use > 0, stretches.values, np.inf).min(1)
    return np.asarray(np.where(np.isfinite(high - low), np.maximum(high - low, LEAST_CONTRAST), LEAST_CONTRAST))
