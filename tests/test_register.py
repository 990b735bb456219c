"""Laying hole patterns over each other: turned, moved, turned over, noisy, with holes missing, few holes, symmetric parts."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import orthogonal_procrustes

from holeinspect.measure.moves import Move, wrapped
from holeinspect.measure.outlines import Outlines, centroid
from holeinspect.measure.register import LEAST_U_MM, Pattern, Registration, register

Points = npt.NDArray[np.float64]

PLATE = np.array([(0, 0), (80, 0), (80, 30), (50, 50), (0, 50)], float)  # mm; one corner cut: no turn, no mirror repeats it
HOLES = np.array([(10, 10), (30, 12), (70, 8), (12, 40), (40, 38), (55, 20)], float)
DIAMETERS = np.array([3.3, 3.3, 4.9, 3.3, 6.4, 4.9])
U_MM = 0.02

turns = st.floats(-math.pi, math.pi)
shifts = st.tuples(st.floats(-60, 60), st.floats(-60, 60))


def pattern(
    holes: Points = HOLES, outline: Points = PLATE, diameters: Points | None = None, whole: bool = True, u: float = U_MM
) -> Pattern:
    count = len(holes)
    sizes = DIAMETERS[:count] if diameters is None else diameters
    covariances = np.tile(np.eye(2) * max(u, LEAST_U_MM) ** 2, (count, 1, 1))
    return Pattern(holes.reshape(-1, 2), covariances, sizes, np.full(count, 0.05), outline, whole)


def laid(move: Move, holes: Points = HOLES, outline: Points = PLATE, **more: object) -> Pattern:
    return pattern(move(holes), move(outline), **more)  # type: ignore[arg-type]


def found(onto: Pattern, moved: Pattern, **more: bool) -> Registration:
    fit = register(onto, moved, **more)
    assert fit is not None
    return fit


def farthest_apart(one: Move, other: Move, points: Points = PLATE) -> float:
    return float(np.hypot(*(one(points) - other(points)).T).max())


@settings(max_examples=25, deadline=None)
@given(turns, shifts, st.booleans())
def test_a_turned_moved_or_turned_over_part_is_laid_where_it_lies(turn: float, shift: tuple[float, float], over: bool) -> None:
    move = Move(turn, shift, over)
    fit = found(laid(move), pattern())
    assert fit.move.mirrored == over
    assert farthest_apart(fit.move, move) < 1e-6  # mm: without noise only the solver is left
    assert fit.pairs == tuple((at, at) for at in range(len(HOLES)))
    assert not fit.rivals


@settings(max_examples=20, deadline=None)
@given(turns, shifts, st.integers(0, 10**6))
def test_noise_moves_the_fit_no_more_than_its_covariance_says(turn: float, shift: tuple[float, float], seed: int) -> None:
    """4.5 standard deviations: one in 150 000 per parameter."""
    random = np.random.default_rng(seed)
    move = Move(turn, shift)
    noisy = pattern(move(HOLES) + random.normal(0, U_MM, HOLES.shape), move(PLATE))
    fit = found(noisy, pattern(HOLES + random.normal(0, U_MM, HOLES.shape)))
    off = np.array([wrapped(fit.move.turn_rad - turn), *(np.array(fit.move.shift_mm) - shift)])
    assert (np.abs(off) < 4.5 * np.sqrt(np.diag(fit.covariance))).all()
    assert fit.rms_mm < 4 * U_MM


@settings(max_examples=10, deadline=None)
@given(turns, st.integers(0, 10**6))
def test_with_equal_weights_the_fit_is_the_orthogonal_procrustes_solution(turn: float, seed: int) -> None:
    """Against scipy.linalg.orthogonal_procrustes on centred points (Schönemann 1966)."""
    noise = np.random.default_rng(seed).uniform(-U_MM, U_MM, HOLES.shape)
    onto = Move(turn, (3.0, 4.0))(HOLES) + noise
    fit = found(pattern(onto, Move(turn, (3.0, 4.0))(PLATE)), pattern(), mirrored=False)
    matrix, _ = orthogonal_procrustes(HOLES - HOLES.mean(axis=0), onto - onto.mean(axis=0))
    expected = (HOLES - HOLES.mean(axis=0)) @ matrix + onto.mean(axis=0)
    assert fit.move(HOLES) == pytest.approx(expected, rel=0, abs=1e-6)  # mm: the solver stops at 1e-7


def test_the_covariance_is_the_scatter_of_many_fits() -> None:
    """Standard deviations over 100 noisy patterns against the stated ones: within 25 % (the scatter's own error is 7 %)."""
    random = np.random.default_rng(3)
    off, stated = [], []
    for _ in range(100):
        one, other = (pattern(HOLES + random.normal(0, U_MM, HOLES.shape)) for _ in range(2))
        fit = found(one, other, mirrored=False)
        off.append([fit.move.turn_rad, *fit.move.shift_mm])
        stated.append(np.sqrt(np.diag(fit.covariance)))
    assert np.std(off, axis=0) / np.mean(stated, axis=0) == pytest.approx(np.ones(3), rel=0, abs=0.25)


def test_a_hole_with_little_u_weighs_more() -> None:
    """Of two directions the fit follows the hole that is known better: u of 0.02 against 0.5 mm."""
    shifted = HOLES.copy()
    shifted[0] += (0.4, 0.0)
    vague = pattern(shifted)
    vague.covariances[0] = np.eye(2) * 0.5**2
    assert farthest_apart(found(vague, pattern()).move, Move(0.0, (0.0, 0.0))) < 0.02


def test_a_redrilled_hole_does_not_drag_the_others() -> None:
    shifted = HOLES.copy()
    shifted[4] += (0.6, 0.0)
    fit = found(pattern(shifted), pattern())
    assert farthest_apart(fit.move, Move(0.0, (0.0, 0.0))) < 0.06  # mm: Huber lets it pull with 3 u at most
    assert (4, 4) in fit.pairs


@settings(max_examples=25, deadline=None)
@given(turns, st.lists(st.sampled_from(range(6)), min_size=3, max_size=5, unique=True), st.booleans())
def test_missing_and_added_holes_are_left_unpaired(turn: float, kept: list[int], added: bool) -> None:
    move = Move(turn, (5.0, -7.0))
    some = HOLES[sorted(kept)]
    later = np.vstack([move(some), move(np.array([[25.0, 27.0]]))]) if added else move(some)
    fit = found(pattern(later, move(PLATE), np.full(len(later), 4.0)), pattern())
    assert fit.pairs == tuple((before, after) for after, before in enumerate(sorted(kept)))


@settings(max_examples=25, deadline=None)
@given(turns, shifts, st.booleans())
def test_two_holes_are_told_apart_by_the_outline(turn: float, shift: tuple[float, float], over: bool) -> None:
    move = Move(turn, shift, over)
    fit = found(laid(move, HOLES[:2]), pattern(HOLES[:2]))
    assert farthest_apart(fit.move, move) < 1e-6
    assert fit.pairs == ((0, 0), (1, 1))


@settings(max_examples=5, deadline=None)
@given(turns, shifts)
def test_a_single_hole_takes_its_turn_from_the_outline(turn: float, shift: tuple[float, float]) -> None:
    move = Move(turn, shift)
    fit = found(laid(move, HOLES[:1]), pattern(HOLES[:1]))
    assert farthest_apart(fit.move, move) < 0.3  # mm: outlines are probed every half millimetre
    assert fit.pairs == ((0, 0),)


def test_a_part_without_holes_is_laid_by_its_outline() -> None:
    none = np.zeros((0, 2))
    move = Move(2.0, (10.0, -30.0))
    assert farthest_apart(found(laid(move, none), pattern(none)).move, move) < 0.3


def symmetric() -> tuple[Points, Points]:
    holes = np.array([(-20, -5), (20, -5), (20, 5), (-20, 5)], float)
    return holes, holes + np.sign(holes) * [10.0, 5.0]


def test_a_symmetric_part_is_said_to_fit_in_other_ways_too() -> None:
    holes, outline = symmetric()
    same = np.full(4, 3.3)
    fit = found(pattern(holes, outline, same), pattern(holes, outline, same))
    assert (fit.move.mirrored, abs(fit.move.turn_rad) < 1e-9) == (False, True)
    told = {(rival.move.mirrored, round(abs(wrapped(rival.move.turn_rad)), 3)) for rival in fit.rivals}
    assert told == {(False, 3.142), (True, 0.0), (True, 3.142)}  # half a turn, and both again turned over


def test_one_larger_hole_tells_the_turns_of_a_symmetric_part_apart() -> None:
    holes, outline = symmetric()
    sizes = np.array([3.3, 3.3, 3.3, 6.4])
    turned = Move(math.pi, (0.0, 0.0))
    fit = found(pattern(turned(holes), outline, sizes), pattern(holes, outline, sizes))
    assert farthest_apart(fit.move, turned, outline) < 1e-6
    assert not fit.rivals


def test_a_side_that_is_asked_for_is_the_only_one_tried() -> None:
    over = laid(Move(0.3, (4.0, 5.0), mirrored=True))
    assert register(over, pattern(), mirrored=False) is None
    assert found(over, pattern(), mirrored=True).move.mirrored


def test_the_scale_is_told_and_not_fitted() -> None:
    larger = pattern(HOLES * 1.003, PLATE * 1.003)
    fit = found(larger, pattern())
    assert fit.scale == pytest.approx(1.003, rel=0, abs=2e-5)
    assert abs(fit.scale - 1) > 3 * fit.scale_u
    assert farthest_apart(fit.move, Move(0.0, (0.0, 0.0)), HOLES) > 0.05


def other_parts() -> list[tuple[str, Pattern]]:
    longer = PLATE * [1.5, 1.0]
    return [
        ("other holes", pattern(HOLES * [1.3, 0.7])),
        ("two holes as far apart on another outline", pattern(HOLES[:2], longer * [1.0, 2.5])),
        ("no holes at all", pattern(np.zeros((0, 2)))),
        ("three of its holes among others on another outline",
         pattern(np.vstack([HOLES[:3], [[90, 90], [120, 100], [100, 60]]]), longer * [1.7, 3.0])),
    ]  # fmt: skip


@pytest.mark.parametrize(("name", "other"), other_parts(), ids=lambda value: value if isinstance(value, str) else "")
def test_another_part_is_refused(name: str, other: Pattern) -> None:
    assert name
    assert register(other, pattern()) is None


def test_a_part_that_runs_out_of_view_is_laid_by_three_holes() -> None:
    cut = np.array([(0, 0), (60, 0), (60, 50), (0, 50)], float)
    fit = found(pattern(HOLES[[0, 1, 3, 4, 5]], cut, DIAMETERS[[0, 1, 3, 4, 5]], whole=False), pattern())
    assert farthest_apart(fit.move, Move(0.0, (0.0, 0.0))) < 1e-6


def test_a_trimmed_part_is_still_the_same_one() -> None:
    trimmed = PLATE.copy()
    trimmed[1:3, 0] = 74.0  # 6 mm off one end
    assert found(pattern(HOLES, trimmed), pattern()).pairs == tuple((at, at) for at in range(6))


@given(turns, shifts, st.booleans())
def test_a_move_keeps_all_distances(turn: float, shift: tuple[float, float], over: bool) -> None:
    there = Move(turn, shift, over)(PLATE)
    for step in range(1, len(PLATE)):
        gaps = [np.hypot(*(points - np.roll(points, step, axis=0)).T) for points in (PLATE, there)]
        assert gaps[0] == pytest.approx(gaps[1], rel=0, abs=1e-9)


@pytest.mark.parametrize(
    ("outline", "middle"),
    [([(0, 0), (4, 0), (4, 2), (0, 2)], (2, 1)), ([(0, 0), (3, 0), (0, 3)], (1, 1)), ([(0, 0), (2, 0)], (1, 0))],
)
def test_the_centroid_is_that_of_the_area(outline: Sequence[tuple[float, float]], middle: tuple[float, float]) -> None:
    assert centroid(np.array(outline, float)) == pytest.approx(np.array(middle, float), rel=0, abs=1e-12)


def test_outlines_agree_as_far_as_they_lie_near() -> None:
    half = np.array([(0, 0), (80, 0), (80, 30), (0, 30)], float)
    alone = Move(0.0, (0.0, 0.0))
    assert Outlines(PLATE, PLATE, whole=True).share(alone) == 1.0
    share = Outlines(PLATE, half, whole=True).share(alone)
    assert share is not None
    assert 0.4 < share < 0.8
    assert Outlines(PLATE[:0], half, whole=True).share(alone) is None
