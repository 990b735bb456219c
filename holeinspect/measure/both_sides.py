"""Both sides of a part: ready only when both were seen, and both are good.

The exit side of a drilled hole carries the larger burr, and no photo shows the side that lies on the mat. Side B is seen turned
over: its hole pattern is laid mirrored over side A's, so that the same hole is known on both.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from pydantic import Field

from holeinspect.errors import NoMatch
from holeinspect.inspection import UNSEEN, Figure, Inspection, Part, Record
from holeinspect.measure.compare import difference
from holeinspect.measure.matched import Matched, match_parts
from holeinspect.measure.register import TIE, Pattern, register
from holeinspect.measure.shown import not_shown

LOOKS_ALIKE = "The part looks the same from both sides: that the photos show both rests on what was said of them."


class HolePair(Record):
    """One hole on both sides; None where that side does not show it. difference: diameter on B minus on A."""

    a: str | None = None
    b: str | None = None
    difference: Figure | None = None
    differs: bool = Field(default=False, description="By more than U: a countersink, a taper, a burr that hides the rim.")


class PartSides(Record):
    """One part from both sides. missing: what keeps it from being ready, each a sentence; none where it is ready."""

    a: str | None = None
    b: str | None = None
    holes: tuple[HolePair, ...] = ()
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    ready: bool = Field(description="Seen from both sides, and good on both.")


class BothSides(Record):
    """What two results say together. unseen: what no photo from above shows, and the check by fingernail."""

    parts: tuple[PartSides, ...]
    ready: bool = Field(description="Every part is ready, and there is one.")
    unseen: str = UNSEEN


def both_sides(side_a: Inspection | None, side_b: Inspection | None) -> BothSides:
    """Judge parts by the results of their two sides; None where a side has not been photographed.

    Raises NoMatch where both results have parts and none of the one is a part of the other.
    """
    if side_a is not None and side_b is not None and side_a.photo.sha256 == side_b.photo.sha256:
        raise NoMatch(f"{side_a.photo.name} was given for both sides. Turn the part over and photograph its other side.")
    shown_a, shown_b = (result.parts if result is not None else () for result in (side_a, side_b))
    matched = [one for one in match_parts(shown_a, shown_b, mirrored=True) if _turned_over_by(one) > -TIE]
    if shown_a and shown_b and not matched:
        _refuse(side_a, side_b)
    pairs = [_part(one, side_a, side_b) for one in matched]
    alone_a = [part for part in shown_a if part.name not in {one.first.name for one in matched}]
    alone_b = [part for part in shown_b if part.name not in {one.second.name for one in matched}]
    lonely = [PartSides(a=part.name, missing=(*_of_side(part, "A"), "side B was not seen"), ready=False) for part in alone_a]
    lonely += [PartSides(b=part.name, missing=(*_of_side(part, "B"), "side A was not seen"), ready=False) for part in alone_b]
    parts = (*pairs, *lonely)
    return BothSides(parts=parts, ready=bool(parts) and all(part.ready for part in parts))


def _turned_over_by(matched: Matched) -> float:
    """By how many holes the part fits better turned over than as it lies: below -TIE both photos show the same side."""
    as_it_lies = register(Pattern.of(matched.second), Pattern.of(matched.first), mirrored=False)
    return math.inf if as_it_lies is None else matched.registration.score - as_it_lies.score


def _refuse(side_a: Inspection | None, side_b: Inspection | None) -> None:
    """Say why no part of the two results is one part from its two sides."""
    if side_a is None or side_b is None:
        return
    names = f"{side_a.photo.name} and {side_b.photo.name}"
    if match_parts(side_a.parts, side_b.parts, mirrored=False):
        raise NoMatch(f"{names} show the same side of the part. Turn it over and photograph its other side.")
    raise NoMatch(f"{names} show no part in common. Give both sides of one part, each photo showing it whole.")


def _part(matched: Matched, side_a: Inspection | None, side_b: Inspection | None) -> PartSides:
    missing = [*_of_side(matched.first, "A"), *_of_side(matched.second, "B"), *_stated(side_a, side_b)]
    alike = _turned_over_by(matched) < TIE
    if alike and not (side_a and side_b and side_a.side and side_b.side):
        missing.append("the part looks the same from both sides: say which side each photo shows (--side A, --side B)")
    pairs = matched.pairs
    one_side = [hole.name for hole in matched.first.holes if hole.name not in pairs]
    missing += [f"hole {name} of side A was not seen on side B" for name in one_side]
    other_side = [hole.name for hole in matched.second.holes if hole.name not in pairs.values()]
    missing += [f"hole {name} of side B was not seen on side A" for name in other_side]
    holes = [*_pairs(matched), *(HolePair(a=name) for name in one_side), *(HolePair(b=name) for name in other_side)]
    return PartSides(
        a=matched.first.name,
        b=matched.second.name,
        holes=tuple(holes),
        missing=tuple(missing),
        notes=(LOOKS_ALIKE,) if alike else (),
        ready=not missing,
    )


def _stated(side_a: Inspection | None, side_b: Inspection | None) -> Iterator[str]:
    """Sides as the user stated them, where they contradict that these are side A and side B."""
    for result, side in ((side_a, "A"), (side_b, "B")):
        if result is not None and result.side not in (None, side):
            yield f"{result.photo.name} is said to be side {result.side}, not {side}"


def _pairs(matched: Matched) -> Iterator[HolePair]:
    for i, k in matched.registration.pairs:
        on_a, on_b = matched.first.holes[i], matched.second.holes[k]
        apart = difference(on_b.diameter, on_a.diameter)
        yield HolePair(a=on_a.name, b=on_b.name, difference=apart, differs=abs(apart.value) > apart.U)


def _of_side(part: Part, side: str) -> Iterator[str]:
    """What keeps one side from being good: its verdict, and rims and edges that were not shown."""
    if part.verdict != "good":
        yield f"side {side} is not good: {part.verdict}"
    yield from (f"side {side} does not show {what} well enough for burrs" for what in not_shown(part))
    if not part.whole_in_view:
        yield f"side {side} does not show the whole part"
