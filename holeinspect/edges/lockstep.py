"""Many fits of contours at once, each written as if it were alone.

A fit is a generator: it yields what it needs next (stretches of light to be taken, readings to be fitted) and is sent the
answers. `settle` runs a fit; `side_by_side` and `both` make one fit of several, whose needs are then answered together, which
takes a fraction of the time (adjustment.py).
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from typing import Any, TypeAlias, TypeVar

from holeinspect.edges.adjustment import Start
from holeinspect.edges.fronts import Front, fit_fronts
from holeinspect.edges.stretches import Look, Stretches, take_stretches

Need: TypeAlias = Look | Start
Answer: TypeAlias = Stretches | Front
T = TypeVar("T")
Other = TypeVar("Other")
Fit: TypeAlias = Generator[list[Need], list[Answer], T]


def taken(look: Look) -> Fit[Stretches]:
    """The stretches of one contour."""
    (answer,) = yield [look]
    assert isinstance(answer, Stretches), "a look is answered by stretches"
    return answer


def read(starts: Sequence[Start]) -> Fit[list[Front]]:
    """The fronts that are found from these starts."""
    answers = yield list(starts)
    return [answer for answer in answers if isinstance(answer, Front)]


def side_by_side(fits: Sequence[Fit[T]]) -> Fit[list[T]]:
    """The results of several fits that run at the same time."""
    results: dict[int, T] = {}
    needs: dict[int, list[Need]] = {}
    answers: dict[int, list[Answer]] = {}
    going = list(range(len(fits)))
    while going:
        for i in going:
            try:
                needs[i] = fits[i].send(answers[i]) if i in answers else next(fits[i])
            except StopIteration as stopped:
                results[i] = stopped.value
        going = [i for i in going if i not in results]
        given = iter((yield [need for i in going for need in needs[i]]))
        answers = {i: [next(given) for _ in needs[i]] for i in going}
    return [results[i] for i in range(len(fits))]


def both(first: Fit[T], second: Fit[Other]) -> Fit[tuple[T, Other]]:
    """The results of two fits of different kinds that run at the same time."""
    results = yield from side_by_side([_listed(first), _listed(second)])
    return results[0][0], results[1][0]


def _listed(fit: Fit[T]) -> Fit[list[Any]]:
    result = yield from fit
    return [result]


def settle(fit: Fit[T]) -> T:
    """Run a fit to its result."""
    try:
        needs = next(fit)
        while True:
            needs = fit.send(_answers(needs))
    except StopIteration as stopped:
        result: T = stopped.value
        return result


def _answers(needs: list[Need]) -> list[Answer]:
    looks = iter(take_stretches([need for need in needs if isinstance(need, Look)]))
    fronts = iter(fit_fronts([need for need in needs if isinstance(need, Start)]))
    return [next(looks) if isinstance(need, Look) else next(fronts) for need in needs]
