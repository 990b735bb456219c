"""Before and after: what rework did to a part, from two results of it.

The two are laid over each other by holes and outline (register.py). Every earlier place to work on is looked for in the later
result. It is gone only where the later photo could have shown it; where it could not, the place is "not shown".
A change of a figure is later minus earlier, its u the root of both squares. Errors common to both photos (print, phone, habits)
would cancel in part; how far is not known, so nothing is taken off: U of a change is rather too large than too small.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import Field
from scipy.optimize import linear_sum_assignment

from holeinspect.errors import NoMatch
from holeinspect.inspection import UNSEEN, Condition, Figure, Finding, Hole, Inspection, Part, PhotoNote, Record, VerdictWord
from holeinspect.measure.matched import FaceMap, Matched, match_parts
from holeinspect.measure.shown import not_shown
from holeinspect.measured import Array

PlaceStatus = Literal["gone", "smaller", "same", "larger", "new", "not shown"]

PLACE_SLACK_MM = 1.0
"""Two findings are the same place if they lie no farther apart than half of both lengths and this (ours)."""
COVER_MM, FILED_MM = 0.3, 2.0
"""A contour shows a place that it passes by: followed to within COVER_MM along it, and no farther across than what rework files
off (ours)."""
CORNER_MM = 2.0
"""A corner nearer than this is the same one: its point moves as its radius is dressed (ours)."""
SCALE_DOUBT = 3.0
"""Of its standard uncertainty, from which a difference of scale is told."""
SAME_SIDE = (
    "The part looks the same turned over: that both photos show the same side is taken for granted. State it: --side A or B."
)
FAMILIES = {"burr": "burr", "tab stub": "burr"}
"""A stub that was filed in part is called a burr; every other kind stays what it is."""


class HoleChange(Record):
    """One hole in both results: names, and how its diameter and edge distance changed (later minus earlier).

    burred: a burr hid part of its rim in one of the photos; u of the changes then holds the burr's height.
    """

    earlier: str
    later: str
    diameter: Figure
    edge_distance: Figure | None = None
    moved_mm: float
    burred: bool = False
    opened: bool = Field(description="Wider by more than U.")
    edge_eaten: bool = Field(description="Nearer to the edge by more than U.")


class PlaceChange(Record):
    """One place to work on: as it was found before, after, or both; change: of its size, later minus earlier."""

    status: PlaceStatus
    earlier: Finding | None = None
    later: Finding | None = None
    change: Figure | None = None
    note: str = ""


class PartComparison(Record):
    """One part in both results. turn_deg: anticlockwise on the mat from the earlier to the later photo.

    scale: by how much the later photo shows the part larger, as a diagnosis. other_ways: turns, in degrees, by which the part
    fits as well because it is symmetric; a place is then called gone only if it is so in all of them.
    """

    earlier: str
    later: str
    turned_over: bool
    turn_deg: float
    rms_mm: float
    scale: Figure
    other_ways: tuple[float, ...] = ()
    holes: tuple[HoleChange, ...] = ()
    holes_missing: tuple[str, ...] = ()
    holes_new: tuple[str, ...] = ()
    places: tuple[PlaceChange, ...] = ()
    verdict: VerdictWord
    not_shown: tuple[str, ...] = Field(default=(), description="Rims and edges on which the later photo may hide burrs.")
    notes: tuple[str, ...] = ()


class Comparison(Record):
    """Two results of the same parts, and what is left to do. Parts that only one photo shows are named."""

    units: Literal["mm", "in"] = "mm"
    earlier: PhotoNote
    later: PhotoNote
    parts: tuple[PartComparison, ...]
    parts_missing: tuple[str, ...] = ()
    parts_new: tuple[str, ...] = ()
    nothing_left: bool = Field(
        description="Every earlier place is gone, nothing is new; every part was seen again, all of it, and is good."
    )
    unseen: str = UNSEEN


def compare(earlier: Inspection, later: Inspection) -> Comparison:
    """What changed between two photos of the same parts. Raises NoMatch where no part of the one is a part of the other."""
    matched = match_parts(earlier.parts, later.parts)
    if not matched:
        raise NoMatch(
            f"No part in {later.photo.name} has the holes and the outline of a part in {earlier.photo.name}. "
            "Compare photos of the same part, each showing it whole or at least three of its holes."
        )
    parts = tuple(_part(one, earlier, later) for one in matched)
    missing = _without(earlier.parts, {one.first.name for one in matched})
    return Comparison(
        units=later.units,
        earlier=earlier.photo,
        later=later.photo,
        parts=parts,
        parts_missing=missing,
        parts_new=_without(later.parts, {one.second.name for one in matched}),
        nothing_left=not missing and all(map(_is_done, parts)),
    )


def difference(later: Figure, earlier: Figure) -> Figure:
    """Later minus earlier, as of independent errors: what they share is not taken off."""
    return Figure(value=later.value - earlier.value, u=math.hypot(later.u, earlier.u), unit=later.unit)


def _is_done(part: PartComparison) -> bool:
    """Whether the part is good and was seen again, all of it, and every place is gone."""
    is_seen = not part.not_shown and not part.holes_missing
    return part.verdict == "good" and is_seen and all(place.status == "gone" for place in part.places)


def _without(parts: Sequence[Part], names: set[str]) -> tuple[str, ...]:
    return tuple(part.name for part in parts if part.name not in names)


def _part(matched: Matched, earlier: Inspection, later: Inspection) -> PartComparison:
    fit, pairs = matched.registration, matched.pairs
    over = fit.move.mirrored or (earlier.side != later.side and None not in (earlier.side, later.side))
    before = [found for found in earlier.findings if found.part == matched.first.name]
    after = [found for found in later.findings if found.part == matched.second.name]
    places = _other_side(before, after) if over else _places(matched, before, after)
    return PartComparison(
        earlier=matched.first.name,
        later=matched.second.name,
        turned_over=over,
        turn_deg=math.degrees(math.remainder(fit.move.turn_rad, 2 * math.pi)),
        rms_mm=fit.rms_mm,
        scale=Figure(value=fit.scale, u=fit.scale_u, unit="1"),
        other_ways=tuple(math.degrees(rival.move.turn_rad) for rival in fit.rivals if not rival.move.mirrored),
        holes=tuple(_holes(matched, before, after)),
        holes_missing=tuple(hole.name for hole in matched.first.holes if hole.name not in pairs),
        holes_new=tuple(hole.name for hole in matched.second.holes if hole.name not in pairs.values()),
        places=places,
        verdict=matched.second.verdict,
        not_shown=tuple(not_shown(matched.second)),
        notes=(*_notes(matched, over), *([SAME_SIDE] if _may_be_other_side(matched, earlier, later) else [])),
    )


def _may_be_other_side(matched: Matched, earlier: Inspection, later: Inspection) -> bool:
    """Whether only what the user knows tells that both photos show one side."""
    mirrored = any(rival.move.mirrored for rival in matched.registration.rivals)
    return mirrored and None in (earlier.side, later.side)


def _notes(matched: Matched, over: bool) -> Iterator[str]:
    """What the user should know about how the two photos fit."""
    fit = matched.registration
    if over:
        yield "The two photos show different sides of the part: burrs of the one cannot be seen in the other."
    if any(not rival.move.mirrored for rival in fit.rivals):
        yield "The part looks the same when it is turned: holes are paired as it was turned least; mark one corner with a pen."
    if matched.alike:
        yield f"{' and '.join(matched.alike)} of the later photo looks the same: which is which was told by their order."
    if fit.scale_u > 0 and abs(fit.scale - 1) > SCALE_DOUBT * fit.scale_u:
        yield (
            f"The later photo shows the part {abs(fit.scale - 1):.2%} {'larger' if fit.scale > 1 else 'smaller'}: "
            "check the thickness given and the check bars of the mat for both photos."
        )


def _holes(matched: Matched, before: Sequence[Finding], after: Sequence[Finding]) -> Iterator[HoleChange]:
    """Changes of every paired hole.

    A burr makes its hole read small and moves its centre: all round by its height on the radius, at most. That joins u, so that
    a burr which went is not taken for a hole that was opened.
    """
    move = matched.registration.move
    for i, k in matched.registration.pairs:
        one, other = matched.first.holes[i], matched.second.holes[k]
        burr_mm = max(_burr_mm(one, before), _burr_mm(other, after))
        there = move(np.array([one.centre_mm]))[0]
        edge = None
        if one.edge_distance is not None and other.edge_distance is not None:
            edge = _widened(difference(other.edge_distance, one.edge_distance), burr_mm / 2)
        diameter = _widened(difference(other.diameter, one.diameter), burr_mm)
        yield HoleChange(
            earlier=one.name,
            later=other.name,
            diameter=diameter,
            edge_distance=edge,
            moved_mm=float(np.hypot(*(there - np.array(other.centre_mm)))),
            burred=burr_mm > 0,
            opened=diameter.value > diameter.U,
            edge_eaten=edge is not None and edge.value < -edge.U,
        )


def _burr_mm(hole: Hole, findings: Sequence[Finding]) -> float:
    """Height of the greatest burr found on a hole; 0 without one."""
    heights = (found.size.value for found in findings if found.subject == hole.name and found.kind in FAMILIES)
    return max(heights, default=0.0)


def _widened(change: Figure, u: float) -> Figure:
    return change.model_copy(update={"u": math.hypot(change.u, u)})


def _other_side(before: Sequence[Finding], after: Sequence[Finding]) -> tuple[PlaceChange, ...]:
    """Places of two different sides: none of the earlier ones can be seen later."""
    note = "the later photo shows the other side"
    hidden = (PlaceChange(status="not shown", earlier=found, note=note) for found in before)
    return (*hidden, *(PlaceChange(status="new", later=found, note="on the other side") for found in after))


@dataclass(frozen=True, slots=True)
class _Later:
    """The later part as the earlier one's places are looked for in it. move lies in `matched`; face: its photo onto the mat."""

    matched: Matched
    face: FaceMap | None
    findings: Sequence[Finding]

    def place_mm(self, point_px: tuple[float, float]) -> Array | None:
        """A point of the later photo on the mat."""
        return None if self.face is None else self.face([point_px])[0]


def _places(matched: Matched, before: Sequence[Finding], after: Sequence[Finding]) -> tuple[PlaceChange, ...]:
    """Every place, the earlier ones first; of a part that fits in several ways the worst that any of them says."""
    later = _Later(matched, FaceMap.of(matched.second), after)
    rivals = [rival for rival in matched.registration.rivals if not rival.move.mirrored]
    ways = [Matched(matched.first, matched.second, fit) for fit in (matched.registration, *rivals)]
    told = [_places_one_way(_Later(way, later.face, after), before) for way in ways]
    changes = [max((way[at] for way in told), key=lambda one: _GRAVITY[one.status]) for at in range(len(before))]
    seen_before = {id(change.later) for way in told[:1] for change in way if change.later is not None}
    new = [PlaceChange(status="new", later=found) for found in after if id(found) not in seen_before]
    return (*changes, *new)


_GRAVITY: dict[PlaceStatus, int] = {"gone": 0, "smaller": 1, "not shown": 2, "same": 3, "larger": 4, "new": 5}


def _places_one_way(later: _Later, before: Sequence[Finding]) -> list[PlaceChange]:
    """What became of each earlier place as one move lays the part."""
    face = FaceMap.of(later.matched.first)
    there = [None if face is None else later.matched.registration.move(face([found.point_px]))[0] for found in before]
    partners = _partners(later, before, there)
    return [
        _seen_again(found, later.findings[partners[at]]) if at in partners else _not_found(later, found, there[at])
        for at, found in enumerate(before)
    ]


def _partners(later: _Later, before: Sequence[Finding], there: Sequence[Array | None]) -> dict[int, int]:
    """Index of the later finding at the same place by that of the earlier one; the nearest assignment."""
    cost = np.full((len(before), len(later.findings)), np.inf)
    places = [later.place_mm(found.point_px) for found in later.findings]
    for i, one in enumerate(before):
        for k, other in enumerate(later.findings):
            if _same_kind_and_rim(later, one, other):
                cost[i, k] = _apart(one, other, there[i], places[k])
    far = 1e6
    rows, columns = linear_sum_assignment(np.where(np.isfinite(cost), cost, far))
    return {int(i): int(k) for i, k in zip(rows, columns, strict=True) if np.isfinite(cost[i, k])}


def _same_kind_and_rim(later: _Later, one: Finding, other: Finding) -> bool:
    """Whether two findings may be one: of one family, on the same hole, or both on no hole."""
    if FAMILIES.get(one.kind, one.kind) != FAMILIES.get(other.kind, other.kind):
        return False
    holes_before, holes_after = ({hole.name for hole in part.holes} for part in (later.matched.first, later.matched.second))
    if one.subject in holes_before or other.subject in holes_after:
        return later.matched.pairs.get(one.subject) == other.subject
    return True


def _apart(one: Finding, other: Finding, there: Array | None, place: Array | None) -> float:
    """Distance in mm of two findings of one kind, infinite where they are two places."""
    if there is None or place is None:
        return math.inf
    apart = float(np.hypot(*(there - place)))
    reach = ((one.length_mm or 0.0) + (other.length_mm or 0.0)) / 2 + PLACE_SLACK_MM
    return apart if apart <= reach else math.inf


def _seen_again(earlier: Finding, later: Finding) -> PlaceChange:
    """A place that both results have; a corner is better the larger its radius, everything else the smaller it is."""
    change = difference(later.size, earlier.size)
    worse = -change.value if earlier.kind == "sharp corner" else change.value
    status: PlaceStatus = "same" if abs(worse) <= change.U else "smaller" if worse < 0 else "larger"
    return PlaceChange(status=status, earlier=earlier, later=later, change=change)


def _not_found(later: _Later, found: Finding, there: Array | None) -> PlaceChange:
    """Gone where the later photo could have shown the place, else not shown, and why."""
    doubt = _why_not_shown(later, found, there)
    return PlaceChange(status="gone" if doubt is None else "not shown", earlier=found, note=doubt or "")


def _why_not_shown(later: _Later, found: Finding, there: Array | None) -> str | None:
    """Why the later photo could not have shown a place; None where it could."""
    if there is None:
        return "the place cannot be found in the later photo"
    hole = _hole_of(later, found)
    if hole is None and found.subject in {hole.name for hole in later.matched.first.holes}:
        return "the hole is not in the later photo"
    if found.kind == "deep countersink":
        return None if hole is not None and hole.ring is not None else "its ring is not seen in the later photo"
    if found.kind == "sharp corner":
        return _corner_doubt(later, there)
    if hole is not None:
        return _doubt(later, [hole.condition], found, there)
    return _doubt(later, list(_edge_conditions(later.matched.second)), found, there)


def _hole_of(later: _Later, found: Finding) -> Hole | None:
    name = later.matched.pairs.get(found.subject)
    return next((hole for hole in later.matched.second.holes if hole.name == name), None)


def _edge_conditions(part: Part) -> Iterator[Condition | None]:
    yield from (edge.condition for edge in part.edges)
    for opening in part.openings:
        yield opening.condition
        yield from (edge.condition for edge in opening.edges)


def _corner_doubt(later: _Later, there: Array) -> str | None:
    for corner in later.matched.second.corners:
        if np.hypot(*(np.array(corner.point_mm) - there)) <= CORNER_MM and corner.radius is not None:
            return None
    return "the corner's radius is not measured in the later photo"


def _doubt(later: _Later, conditions: Sequence[Condition | None], found: Finding, there: Array) -> str | None:
    """Whether one of the contours followed passes the place, and would have shown a fault of the limit there."""
    near = [one for one in conditions if one is not None and later.face is not None and _passes(one, later.face, there)]
    if not near:
        return "the later photo does not show this place"
    if all(one.limit_mm > found.limit_mm for one in near) and found.kind != "nick":
        return "the later photo was judged by a larger limit"
    if not any(one.shown and (found.kind != "nick" or one.smallest_shown_mm <= found.limit_mm) for one in near):
        return "the later photo is too soft here"
    return None


def _passes(condition: Condition, face: FaceMap, there: Array) -> bool:
    """Whether a contour as followed passes by a place; at the end of what was followed the place lies on along it."""
    if len(condition.contour_px) < 3:
        return False
    points = face(condition.contour_px)
    away = there - points
    at = int(np.argmin(np.hypot(*away.T)))
    along = points[min(at + 1, len(points) - 1)] - points[max(at - 1, 0)]
    along = along / max(float(np.hypot(*along)), 1e-9)
    return bool(np.hypot(*away[at]) <= FILED_MM and abs(away[at] @ along) <= COVER_MM)
