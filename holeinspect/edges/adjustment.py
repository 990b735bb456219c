"""Least squares of the front model (fronts.py) over many contours in lockstep.

Every contour is a fit of its own, by Levenberg-Marquardt. Array operations on the few stretches of one contour cost mostly
their calls, so the stretches of all contours lie in one array, and each step is taken for all that are still on their way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np

from holeinspect.edges.profiles import gaussian, gaussian_step
from holeinspect.edges.stretches import BEFORE_PX, BILINEAR_VARIANCE_PX2, STEP_PX, Blur, Stretches, blurred
from holeinspect.measured import Array

FULL_SHADE_MM, LEAST_SHADE = 0.5, 0.01
"""Thickness from which a plate may shade the backdrop behind its edges fully, and the least share of it assumed."""
BREAK_EXPECTED_MM, BREAK_U_MM = 0.1, 0.12
"""Prior of an edge break (dressed by hand: common practice, no source)."""
WALL_EXPECTED, WALL_U, WALL_SWING_U = 0.2, 0.3, 0.2
WALL_OF_FACE, WALL_OF_FACE_U = 0.5, 0.25
"""The wall's light over the face's, before a backdrop brighter than both: ours, from memory of photos of such parts."""
CHAMFER_EXPECTED, CHAMFER_U, CHAMFER_SWING_U = 0.7, 0.4, 0.2
"""Priors of the brightness of wall and chamfer relative to the face, and of its swing round the contour (seen on renders)."""
WALL_OWN_U, CHAMFER_OWN_U, WALL_CHANGE_U, SHADE_U = 0.15, 0.3, 0.2, 0.15
"""How far a stretch's own wall and chamfer may differ from their course, the light may change along the wall, and the
backdrop shade off towards the rim over BEFORE_PX: shares of contrast."""
LEVELS, OWN = 6, 4
BACKDROP, WALL, WALL_CHANGE, CHAMFER, FACE, SHADE = range(LEVELS)
"""A stretch's own levels, in this order; OWN of them are expected to be near something."""
LEVELS_SEEN = 4
"""Levels that the samples of a stretch tell."""
SLOPES, WIDENED, VALUE = slice(LEVELS, LEVELS + 3), slice(LEVELS + 3, LEVELS + 6), LEVELS + 6
FEATURES = VALUE + 1
"""What is summed in products over the samples of a stretch: how much of each level they see, slope and distance times slope
at each of the three steps, and the value."""
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
SHAPE_U_MM = 10.0
"""Prior of a shape's parameters: none to speak of."""
HELD = 1e-6
"""Prior that holds a parameter where it is."""
UNUSED_SHARE = 1e-9
"""Of its weight that a stretch keeps when it is left out: enough to know its own deviation."""
LEAST_WALL_PX = 0.3
"""A wall narrower than this has no brightness along it."""
SAME_STEP_PX = 1e-6
"""Steps closer than this are one."""
LARGEST_BLUR_CHANGE = 0.5
LEAST_CONTRAST = 1e-3
LARGEST_SHIFT_PX = 1.5
"""A Gauss-Newton step of the contour is cut to this."""
OUTLIER = 4.0
"""Stretches this many robust standard deviations off the shape are left out: burr, ink, glare."""
LEAST_USED_SHARE, LEAST_SPARE = 0.3, 3
OUTLIER_ROUNDS = 4
LEAST_SPREAD_PX = 0.05
"""The robust standard deviation is not taken smaller than this."""

SHAPE = 3
"""Most parameters of a shape; a line has one less, which is held at 0."""
BREAK_AT, WIDTH_AT, WALL_AT, CHAMFER_AT, PARAMETERS = SHAPE, SHAPE + 1, SHAPE + 2, SHAPE + 5, SHAPE + 8
"""Where a contour's parameters lie: shape (mm), break (mm), blur (logarithm of its ratio to the mat's), and the course of the
wall's and the chamfer's brightness (constant, cosine, sine)."""
MOVES, COURSES = 5, 3
PLACE, BREAK, WIDTH, WALL_COURSE, CHAMFER_COURSE = range(MOVES)
"""What moves the light of a stretch: its place (px into the metal), the edges' break (mm), the blur's width (logarithm), and
the brightness that its wall and chamfer are expected to have (from COURSES on)."""


@dataclass(frozen=True, slots=True)
class Start:
    """A contour to fit and where to start.

    design: (K, Q) how far each stretch moves into the metal per unit of each shape parameter. largest_break_mm: 0 takes
    the edges as sharp. shift_mm: how far into the metal the contour starts from where it is. gain: relative gain of the
    misfit at which the fit stops.
    """

    stretches: Stretches
    design: Array
    blur: Blur
    largest_break_mm: float
    break_mm: float
    shift_mm: float
    gain: float


@dataclass(frozen=True, slots=True)
class _ByStretch:
    """The stretches of all contours, S rows of up to M samples; see Stretches.

    x_px, values, use: (S, M). sigma_px, tail: (S, 1) of the blur. apart: (S, 2) bool, whether wall's end and face are steps
    of their own. moves_of: (S, MOVES, PARAMETERS), what each parameter does. scale: (S,) rough contrast. base_weight,
    weight: (S,) of the samples, before the misfit is known and as they are weighed; base_own, own: (S, OWN) likewise of the
    expectations of a stretch's own levels.
    """

    x_px: Array
    values: Array
    use: Array
    px_per_mm: Array
    steps: Array
    steps_per_mm: Array
    spread2: Array
    sigma_px: Array
    tail: Array
    apart: Array
    moves_of: Array
    scale: Array
    base_own: Array
    weight: Array
    own: Array


@dataclass(frozen=True, slots=True)
class _ByContour:
    """What holds for a whole contour, G rows; count: (G,) its stretches. expected, prior_weight: (G, PARAMETERS)."""

    count: Array
    expected: Array
    prior_weight: Array
    largest_break_mm: Array
    least_used: Array
    gain: Array


@dataclass(frozen=True, slots=True)
class Light:
    """All that least squares needs of the light at some parameters: products, summed over the samples of a stretch.

    products: (S, FEATURES, FEATURES). expected: (S, OWN, LEVELS), the expectations of a stretch's own levels, each a
    combination of levels that should be 0.
    """

    products: Array
    expected: Array


@dataclass(frozen=True, slots=True)
class State:
    """The light with each stretch's own best levels (S, LEVELS).

    inverse: (S, LEVELS, LEVELS) of the levels' normal matrix. squares: (S,) what is left over, summed over the samples. off:
    (S, OWN) what the levels miss their expectations by. contrast: (S,) face less backdrop.
    """

    light: Light
    inverse: Array
    levels: Array
    squares: Array
    off: Array
    contrast: Array

    def brightness(self, level: int) -> Array:
        """(S,) of wall or chamfer, 0 like the backdrop, 1 like the face."""
        contrast = np.where(np.abs(self.contrast) > LEAST_CONTRAST, self.contrast, 1)
        return np.asarray((self.levels[:, level] - self.levels[:, BACKDROP]) / contrast)


class Adjustment:
    """The fits of G contours.

    Each stretch has its own levels, linear and projected out: backdrop and its shade towards the rim, wall and its change,
    chamfer, face; all but backdrop and face are expected near the parameters' course. All that the parameters do to a
    stretch goes through its MOVES, and is linear in them.
    """

    def __init__(self, stretches: _ByStretch, contours: _ByContour) -> None:
        self.s, self.c = stretches, contours
        self.of = np.repeat(np.arange(len(contours.count)), contours.count)
        self.first = np.cumsum(contours.count) - contours.count

    @classmethod
    def of_starts(cls, starts: Sequence[Start]) -> Adjustment:
        """The fits that begin so."""
        return cls(_by_stretch(starts), _by_contour(starts))

    def part(self, chosen: Array) -> Adjustment:
        """The fits of the contours chosen: (G,) bool."""
        return Adjustment(_rows(self.s, chosen[self.of]), _rows(self.c, chosen))

    def slices(self) -> list[slice]:
        """Where each contour's stretches lie."""
        return [slice(first, first + count) for first, count in zip(self.first, self.c.count, strict=True)]

    def summed(self, rows: Array) -> Array:
        """Sums (G, ...) over each contour's rows (S, ...)."""
        return np.asarray(np.add.reduceat(rows, self.first))

    def medians(self, values: Array, used: Array) -> Array:
        """Medians (G,) of each contour's values (S,), those not used (S,) left out; each contour uses some."""
        ordered = np.where(used, values, np.inf)
        ordered = ordered[np.lexsort((ordered, self.of))]
        count = self.summed(used.astype(int))
        return np.asarray((ordered[self.first + (count - 1) // 2] + ordered[self.first + count // 2]) / 2)

    def fitted(self, theta: Array) -> tuple[Array, Array, Adjustment, Light]:
        """Solutions (G, PARAMETERS), the stretches they use (S,) bool, and fits and light as they were last.

        Outliers are left out as they show, until none does.
        """
        theta, used, number = theta.copy(), np.ones(len(self.of), bool), np.arange(len(theta))
        whole, part, light = self, self, self.light(theta)
        whole_light = light
        for _ in range(OUTLIER_ROUNDS):
            rows = np.isin(self.of, number)
            part = part.reweighed(part.levelled(light), used[rows])
            theta[number] = part.solved(theta[number], light)
            light = part.light(theta[number])
            kept, settled = part.without_outliers(part.deviations(part.levelled(light))[0], used[rows])
            whole, whole_light = whole.with_rows(rows, part), _with_rows(whole_light, rows, light)
            going = ~settled[part.of]
            used[np.flatnonzero(rows)[going]] = kept[going]
            if settled.all():
                break
            part, number, light = part.part(~settled), number[~settled], _rows(light, going)
        return theta, used, whole, whole_light

    def with_rows(self, rows: Array, part: Adjustment) -> Adjustment:
        """The fits with those of a part in their rows (S,) bool."""
        return Adjustment(_with_rows(self.s, rows, part.s), self.c)

    def without_outliers(self, deviation_mm: Array, used: Array) -> tuple[Array, Array]:
        """Which stretches (S,) agree with their contour, and whether (G,) that changes nothing more."""
        deviation_px = np.abs(deviation_mm * self.s.px_per_mm)
        limit = OUTLIER * np.maximum(1.4826 * self.medians(deviation_px, used), LEAST_SPREAD_PX)
        kept = deviation_px <= limit[self.of]
        same = self.summed((kept != used).astype(int)) == 0
        return kept, same | (self.summed(kept.astype(int)) < self.c.least_used)

    def solved(self, theta: Array, light: Light) -> Array:
        """Where the misfits are least (G, PARAMETERS), by Levenberg-Marquardt from theta, whose light is given."""
        found, fits = theta.copy(), self
        now = fits._at(theta, light, np.arange(len(theta)), np.full(len(theta), FIRST_DAMPING))
        going = np.ones(len(theta), bool)
        for _ in range(ITERATIONS):
            trial = fits._stepped(now)
            going &= now.promised(trial) >= fits.c.gain * (1 + now.misfit)
            if not going.any():
                break
            if not going.all():
                fits, now, trial = fits.part(going), _rows(now, going), trial[going]
            there = fits._at(trial, fits.light(trial), now.number, now.damping / 10)
            better, gained = there.misfit <= now.misfit, now.misfit - there.misfit
            now = _either(better, there, replace(now, damping=now.damping * 10))
            found[now.number] = now.theta
            going = np.where(better, gained >= fits.c.gain * (1 + now.misfit), now.damping <= LAST_DAMPING)
        return found

    def _at(self, theta: Array, light: Light, number: Array, damping: Array) -> _Place:
        state = self.levelled(light)
        return _Place(number, theta, damping, self.misfit(theta, state), *self.normal(theta, state))

    def _stepped(self, at: _Place) -> Array:
        """One damped step of each, cut where it would move the contour too far, within bounds."""
        damped = at.normal.copy()
        np.einsum("gpp->gp", damped)[:] *= 1 + at.damping[:, None]
        change = np.linalg.solve(damped, at.gradient[..., None])[..., 0]
        shift_px = (self.s.moves_of[:, PLACE, :SHAPE] * change[self.of, :SHAPE]).sum(axis=1)
        largest = np.maximum.reduceat(np.abs(shift_px), self.first)
        trial = at.theta + change * np.minimum(1, LARGEST_SHIFT_PX / np.maximum(largest, 1e-9))[:, None]
        trial[:, BREAK_AT] = np.clip(trial[:, BREAK_AT], 0, self.c.largest_break_mm)
        trial[:, WIDTH_AT] = np.clip(trial[:, WIDTH_AT], -LARGEST_BLUR_CHANGE, LARGEST_BLUR_CHANGE)
        return np.asarray(trial)

    def light(self, theta: Array) -> Light:
        """The model at theta (G, PARAMETERS), but for the levels. Steps that coincide are worked out once."""
        s, here = self.s, theta[self.of]
        moves = (s.moves_of @ here[..., None])[..., 0]
        sigma_px = s.sigma_px * np.exp(here[:, WIDTH_AT, None])
        places = s.steps + s.steps_per_mm * moves[:, BREAK, None] + moves[:, PLACE, None]
        rows, steps, same_as = _distinct(s.apart)
        x = s.x_px[rows] - places[rows, steps, None]
        spread2 = s.spread2[rows, steps, None]
        step, slope = (blurred(shape, x, sigma_px[rows], s.tail[rows], spread2) for shape in (gaussian_step, gaussian))
        ramp = x * step + (sigma_px[rows] ** 2 + BILINEAR_VARIANCE_PX2 + spread2) * slope
        features = np.empty((len(here), FEATURES, s.x_px.shape[1]))
        limit, wall_end, face = same_as.T
        wall_px = np.maximum(places[:, 1] - places[:, 0], LEAST_WALL_PX)[:, None]
        features[:, BACKDROP] = 1 - step[limit]
        features[:, WALL] = step[limit] - step[wall_end]
        features[:, WALL_CHANGE] = (ramp[limit] - ramp[wall_end]) / wall_px - step[wall_end]
        features[:, CHAMFER] = step[wall_end] - step[face]
        features[:, FACE] = step[face]
        features[:, SHADE] = (x[limit] - ramp[limit]) / BEFORE_PX
        features[:, SLOPES] = slope[same_as]
        features[:, WIDENED] = (x * slope)[same_as]
        features[:, VALUE] = s.values
        return Light((features * s.use[:, None]) @ _turned(features), _expected(moves))

    def levelled(self, light: Light) -> State:
        """The light with the levels that suit the values best, weighed as they are."""
        weight, expected, among = self.s.weight, light.expected, light.products[:, :LEVELS, :LEVELS]
        normal = weight[:, None, None] * among + _turned(expected * self.s.own[..., None]) @ expected
        normal += (RIDGE * np.einsum("sll->s", normal))[:, None, None] * EYE
        inverse, seen = np.linalg.inv(normal), light.products[:, :LEVELS, VALUE]
        levels = weight[:, None] * (inverse @ seen[..., None])[..., 0]
        explained = (levels * (2 * seen - (among @ levels[..., None])[..., 0])).sum(axis=1)
        off = (expected @ levels[..., None])[..., 0]
        squares = np.maximum(light.products[:, VALUE, VALUE] - explained, 0)
        return State(light, inverse, levels, squares, off, levels[:, FACE] - levels[:, BACKDROP])

    def by_moves(self, state: State) -> tuple[Array, Array]:
        """Normal matrix (S, MOVES, MOVES) and gradient (S, MOVES) of each stretch's moves, its levels following."""
        light, levels, weight = state.light, state.levels, self.s.weight[:, None, None]
        falls = levels[:, [BACKDROP, WALL, CHAMFER]] - levels[:, [WALL, CHAMFER, FACE]]
        moved = np.zeros((len(levels), COURSES, FEATURES))
        moved[:, PLACE, SLOPES], moved[:, BREAK, SLOPES], moved[:, WIDTH, WIDENED] = falls, falls * self.s.steps_per_mm, falls
        seen = weight * (moved[:, :, LEVELS:] @ light.products[:, LEVELS:])
        with_levels = np.empty((len(levels), MOVES, LEVELS))
        with_levels[:, :COURSES] = seen[:, :, :LEVELS]
        pull = -state.contrast[:, None] * self.s.own[:, : MOVES - COURSES]
        with_levels[:, COURSES:] = pull[..., None] * light.expected[:, : MOVES - COURSES]
        normal = -(with_levels @ state.inverse) @ _turned(with_levels)
        normal[:, :COURSES, :COURSES] += seen @ _turned(moved)
        np.einsum("smm->sm", normal)[:, COURSES:] -= pull * state.contrast[:, None]
        gradient = -(with_levels @ levels[..., None])[..., 0]
        gradient[:, :COURSES] += seen[:, :, VALUE]
        return normal, gradient

    def normal(self, theta: Array, state: State) -> tuple[Array, Array]:
        """Normal matrices (G, PARAMETERS, PARAMETERS) and gradients (G, PARAMETERS): those of the moves, gathered."""
        by_moves, gradients = self.by_moves(state)
        moves_of = self.s.moves_of
        weighed = by_moves @ moves_of
        normal = np.stack([_in_rows(moves_of[own]).T @ _in_rows(weighed[own]) for own in self.slices()])
        np.einsum("gpp->gp", normal)[:] += self.c.prior_weight
        gradient = self.summed((gradients[..., None] * moves_of).sum(axis=1))
        return normal, gradient + self.c.prior_weight * (self.c.expected - theta)

    def reweighed(self, state: State, used: Array) -> Adjustment:
        """Samples weighed by what the model leaves over of their stretch; stretches not used weigh nothing."""
        s = self.s
        noise2 = state.squares / np.maximum(s.use.sum(axis=1) - LEVELS_SEEN, 1)
        share = np.where(used, 1, UNUSED_SHARE)
        weight = share * STEP_PX / (noise2 + (MODEL_NOISE * s.scale) ** 2)
        return Adjustment(replace(s, weight=weight, own=share[:, None] * s.base_own), self.c)

    def misfit(self, theta: Array, state: State) -> Array:
        """Weighted squares (G,) of residuals, expectations and priors."""
        rows = self.s.weight * state.squares + (self.s.own * state.off**2).sum(axis=1)
        return np.asarray(self.summed(rows) + self._priors(theta))

    def penalty(self, theta: Array, state: State, used: Array) -> Array:
        """Weighted squares (G,) of expectations and priors alone."""
        return np.asarray(self.summed(used * (self.s.base_own * state.off**2).sum(axis=1)) + self._priors(theta))

    def _priors(self, theta: Array) -> Array:
        return np.asarray((self.c.prior_weight * (theta - self.c.expected) ** 2).sum(axis=1))

    def deviations(self, state: State) -> tuple[Array, Array]:
        """Deviation of each stretch from its shape, (S,) mm into the metal, and its noise; one Gauss-Newton step."""
        normal, gradient = self.by_moves(state)
        per_mm = self.s.px_per_mm
        information = np.maximum(normal[:, PLACE, PLACE] * per_mm**2, 1e-12)
        return gradient[:, PLACE] * per_mm / information, 1 / np.sqrt(information)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where fits stand (rows): their number, parameters, damping, misfit, normal matrix and gradient."""

    number: Array
    theta: Array
    damping: Array
    misfit: Array
    normal: Array
    gradient: Array

    def promised(self, trial: Array) -> Array:
        """Fall of the misfit that a step to trial promises."""
        change = trial - self.theta
        return np.asarray((change * (2 * self.gradient - (self.normal @ change[..., None])[..., 0])).sum(axis=1))


Table = TypeVar("Table", _ByStretch, _ByContour, _Place, Light)


def _rows(table: Table, chosen: Array) -> Table:
    """The rows chosen (bool) of every column."""
    changed: dict[str, Any] = {field.name: getattr(table, field.name)[chosen] for field in fields(table)}
    return replace(table, **changed)


def _with_rows(table: Table, chosen: Array, others: Table) -> Table:
    """The table with other rows where chosen (bool)."""
    changed = {field.name: getattr(table, field.name).copy() for field in fields(table)}
    for name, column in changed.items():
        column[chosen] = getattr(others, name)
    return replace(table, **changed)


def _either(chosen: Array, first: _Place, second: _Place) -> _Place:
    """Rows of the first where chosen, else of the second."""
    pairs = ((getattr(first, field.name), getattr(second, field.name)) for field in fields(first))
    return _Place(*(np.where(chosen.reshape(-1, *[1] * (a.ndim - 1)), a, b) for a, b in pairs))


def _turned(matrices: Array) -> Array:
    """Each of a row of matrices (S, A, B) transposed: (S, B, A)."""
    return np.swapaxes(matrices, 1, 2)


def _in_rows(matrices: Array) -> Array:
    """A row of matrices (S, A, B), one below the other: (S·A, B)."""
    return matrices.reshape(-1, matrices.shape[-1])


def _distinct(apart: Array) -> tuple[Array, Array, Array]:
    """Rows and steps (R,) of the steps that differ, and which of those each step is, (S, 3).

    Where no wall is seen, the limit is the wall's end; where nothing is broken, the wall's end is where the face begins.
    """
    own = np.column_stack([np.ones(len(apart), bool), apart])
    rows, steps = np.nonzero(own)
    return rows, steps, (np.cumsum(own) - 1).reshape(own.shape)


def _expected(moves: Array) -> Array:
    """(S, OWN, LEVELS): wall and chamfer near their course between backdrop and face, no change along the wall, no shade."""
    expected = np.zeros((len(moves), OWN, LEVELS))
    expected[:, range(OWN), (WALL, CHAMFER, WALL_CHANGE, SHADE)] = 1
    expected[:, : MOVES - COURSES, BACKDROP] = moves[:, COURSES:] - 1
    expected[:, : MOVES - COURSES, FACE] = -moves[:, COURSES:]
    return expected


def _by_stretch(starts: Sequence[Start]) -> _ByStretch:
    """The stretches of all starts in one table; shorter profiles are filled up with samples that are not used."""
    longest = max(len(start.stretches.x_px) for start in starts)
    filled = [_filled(start.stretches, longest) for start in starts]
    x_px, values, use = (np.concatenate(columns) for columns in zip(*filled, strict=True))
    px_per_mm, steps, steps_per_mm, spread2, phase = (
        np.concatenate([getattr(start.stretches, name) for start in starts])
        for name in ("px_per_mm", "steps", "steps_per_mm", "spread2", "phase")
    )
    count = [len(start.stretches) for start in starts]
    breaks, sigma_px, tail, thickness_mm = np.repeat(
        [(s.largest_break_mm > 0, s.blur.sigma_px, s.blur.tail, s.stretches.thickness_mm) for s in starts], count, axis=0
    ).T
    place = np.concatenate([steps, breaks[:, None] * steps_per_mm, spread2], axis=1).reshape(-1, 3, 3)
    apart = np.abs(np.diff(place, axis=2)).max(axis=1) > SAME_STEP_PX
    scale = _scale(values, use)
    own = _own_weights(np.any(use * (x_px > steps[:, 2:]), axis=1), scale, thickness_mm)
    moves_of = _moves_of(np.concatenate([_shape_moves(start) for start in starts]), phase)
    return _ByStretch(x_px, values, use, px_per_mm, steps, steps_per_mm, spread2, sigma_px[:, None], tail[:, None], apart,
                      moves_of, scale, own, STEP_PX / (MODEL_NOISE * scale) ** 2, own)  # fmt: skip


def _filled(stretches: Stretches, longest: int) -> tuple[Array, Array, Array]:
    """x_px, values and use, each (K, longest), of one contour."""
    x_px, more = stretches.x_px[0] + STEP_PX * np.arange(longest), ((0, 0), (0, longest - len(stretches.x_px)))
    return np.tile(x_px, (len(stretches), 1)), np.pad(stretches.values, more), np.pad(stretches.use, more)


def _shape_moves(start: Start) -> Array:
    """(K, SHAPE): px by which each stretch moves into the metal per mm of each shape parameter."""
    moves = start.design * start.stretches.px_per_mm[:, None]
    return np.pad(moves, ((0, 0), (0, SHAPE - moves.shape[1])))


def _moves_of(shape_moves: Array, phase: Array) -> Array:
    """(S, MOVES, PARAMETERS): what each parameter does to each stretch."""
    harmonic = np.column_stack([np.ones(len(phase)), np.cos(phase), np.sin(phase)])
    moves = np.zeros((len(phase), MOVES, PARAMETERS))
    moves[:, PLACE, :SHAPE] = shape_moves
    moves[:, BREAK, BREAK_AT] = moves[:, WIDTH, WIDTH_AT] = 1
    moves[:, WALL_COURSE, WALL_AT:CHAMFER_AT] = moves[:, CHAMFER_COURSE, CHAMFER_AT:] = harmonic
    return moves


def _own_weights(reaches_face: Array, scale: Array, thickness_mm: Array) -> Array:
    """(S, OWN) weights of the expectations of a stretch's own levels."""
    shade_u = SHADE_U * np.clip(thickness_mm / FULL_SHADE_MM, LEAST_SHADE, 1)
    own_u = np.stack(np.broadcast_arrays(WALL_OWN_U, CHAMFER_OWN_U, WALL_CHANGE_U, shade_u), axis=-1)
    weights = 1 / (own_u * scale[:, None]) ** 2
    weights[:, : MOVES - COURSES] *= reaches_face[:, None]
    return np.asarray(weights)


def _scale(values: Array, use: Array) -> Array:
    """Rough contrast of each stretch (S,): the spread of its samples, at least a little."""
    high, low = np.where(use > 0, values, -np.inf).max(axis=1), np.where(use > 0, values, np.inf).min(axis=1)
    return np.asarray(np.where(np.isfinite(high - low), np.maximum(high - low, LEAST_CONTRAST), LEAST_CONTRAST))


def _by_contour(starts: Sequence[Start]) -> _ByContour:
    count = np.array([len(start.stretches) for start in starts])
    largest = np.array([start.largest_break_mm for start in starts])
    expected, u = np.zeros((len(starts), PARAMETERS)), np.zeros((len(starts), PARAMETERS))
    u[:, :SHAPE], u[:, WIDTH_AT] = SHAPE_U_MM, BLUR_U
    u[:, BREAK_AT] = np.where(largest > 0, BREAK_U_MM, HELD)
    u[:, WALL_AT:CHAMFER_AT], u[:, CHAMFER_AT:] = WALL_SWING_U, CHAMFER_SWING_U
    expected[:, BREAK_AT], expected[:, WIDTH_AT] = np.minimum(BREAK_EXPECTED_MM, largest / 2), BLUR_EXPECTED
    expected[:, CHAMFER_AT], u[:, CHAMFER_AT] = CHAMFER_EXPECTED, CHAMFER_U
    different = {id(start.stretches): start.stretches for start in starts}
    walls = {key: _wall_expected(stretches) for key, stretches in different.items()}
    expected[:, WALL_AT], u[:, WALL_AT] = np.array([walls[id(start.stretches)] for start in starts]).T
    least_used = np.array([max(s.design.shape[1] + LEAST_SPARE, LEAST_USED_SHARE * len(s.stretches)) for s in starts])
    return _ByContour(count, expected, 1 / u**2, largest, least_used, np.array([start.gain for start in starts]))


def begun(starts: Sequence[Start], expected: Array) -> Array:
    """Parameters (G, PARAMETERS) to start from: as expected but for the break, the contour moved into the metal."""
    theta = expected.copy()
    for at, start in zip(theta, starts, strict=True):
        design = start.design
        at[: design.shape[1]] = np.linalg.lstsq(design, np.full(len(design), start.shift_mm), rcond=None)[0]
        at[BREAK_AT] = min(start.break_mm, start.largest_break_mm)
    return theta


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
