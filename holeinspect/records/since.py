"""What became, in a later photo, of what an earlier one of the same side found.

Holes are named anew in every photo, so the two are laid over each other (measure/compare.py), in the worker. Nothing counts as
cleared that the later photo could not have shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from holeinspect.errors import NoMatch
from holeinspect.inspection import Finding, Inspection
from holeinspect.records.shapes import Shape, StandingReason

if TYPE_CHECKING:
    from holeinspect.measure.compare import PartComparison


class Since(Shape):
    """Two inspections laid over each other. run: id of the earlier one.

    names: what holes and parts are called in the later one; those it does not show are left out. places: what became of the
    earlier places to work on, by kind and place; new_places: those of the later one that were not there.
    """

    run: int
    names: dict[str, str]
    places: dict[str, str]
    new_places: list[str]


def since(run: int, earlier: Inspection, later: Inspection) -> Since | None:
    """Lay two inspections over each other; None where they do not show the same part. Needs the measuring's libraries."""
    from holeinspect.measure.compare import compare

    try:
        compared = compare(earlier, later)
    except NoMatch:
        return None
    changes = [change for part in compared.parts for change in part.places]
    return Since(
        run=run,
        names=dict(pair for part in compared.parts for pair in _names(part, earlier, later)),
        places={_key_of(change.earlier): change.status for change in changes if change.earlier is not None},
        new_places=[_key_of(change.later) for change in changes if change.status == "new" and change.later is not None],
    )


def _names(part: PartComparison, earlier: Inspection, later: Inspection) -> list[tuple[str, str]]:
    before = f"{part.earlier}." if len(earlier.parts) > 1 else ""
    after = f"{part.later}." if len(later.parts) > 1 else ""
    return [(part.earlier, part.later), *((before + hole.earlier, after + hole.later) for hole in part.holes)]


def _key_of(found: Finding) -> str:
    return f"{found.kind}: {found.place}"


def _key(reason: StandingReason) -> str:
    return f"{reason.name}: {reason.place}"


def cleared(then: Sequence[StandingReason], now: Sequence[StandingReason], laid: Since | None) -> list[StandingReason]:
    """What the earlier photo found and the later one shows to be gone."""
    if laid is None:
        names = {reason.name for reason in now}
        return [reason for reason in then if reason.name not in names]
    there = {(reason.name, reason.subject) for reason in now}
    return [reason for reason in then if _is_cleared(reason, there, laid)]


def _is_cleared(reason: StandingReason, there: set[tuple[str, str]], laid: Since) -> bool:
    if reason.place:
        return laid.places.get(_key(reason)) == "gone"
    return reason.subject in laid.names and (reason.name, laid.names[reason.subject]) not in there


def new(then: Sequence[StandingReason], now: Sequence[StandingReason], laid: Since | None) -> list[StandingReason]:
    """What the later photo found and the earlier one did not."""
    if laid is None:
        names = {reason.name for reason in then}
        return [reason for reason in now if reason.name not in names]
    there = {(reason.name, laid.names.get(reason.subject, "")) for reason in then}
    return [
        reason
        for reason in now
        if (_key(reason) in laid.new_places if reason.place else (reason.name, reason.subject) not in there)
    ]
