"""The condition of hole rims: traced contours become figures, places to deburr, and the record of both."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from holeinspect.edges.burred import RECTANGULAR
from holeinspect.edges.contours import Round, px_per_mm
from holeinspect.edges.countersink import Countersink, find_countersinks
from holeinspect.edges.departures import Departures, Standing, departures, round_form
from holeinspect.edges.gauss import long_wave, roundness
from holeinspect.edges.stretches import View
from holeinspect.edges.trace import Course, Trace, round_course, stadium_course, trace
from holeinspect.inspection import Condition, EdgeRing, Figure
from holeinspect.inspection import Finding as Place
from holeinspect.measure.openings import Opening
from holeinspect.measured import Array, Measured
from holeinspect.rules import Finding, PlaceFigures, judge_place
from holeinspect.units import LengthUnit

PROFILE_POINTS = 90
"""Points of a profile in the result; enough to draw it. Each is the greatest of those it stands for."""
BOX_MARGIN_MM = 0.8
"""Picture round a place that is shown with it."""
HOURS = 12
FREED_U_SHARE = 0.6
"""Standard uncertainty of the circle under a burr over the burr's mean reach: a lip all round leaves little of it (seen on
renders)."""
LEAST_FREED_SHARE, LEAST_FREED_MM = 0.1, 0.04
"""Share of a rim along which burrs must stand, or the mean reach all round, for the circle to be laid under them: what is taken
for a burr on a clean rim is less (39 of 40 on renders), and the fit leaves it out."""
CIRCLE_MOVES = 3
"""Columns of the form that leave a circle a circle."""


@dataclass(frozen=True, slots=True)
class Rim:
    """A rim as it was traced, and where its centre is in the picture (2,) px, for the clock."""

    departures: Departures
    centre_px: Array
    countersink: Countersink | None = None

    @property
    def hours(self) -> Array:
        """Clock hours (N,) of the contour's points, 0 < h <= 12, 12 up in the upright photo."""
        right, down = (self.departures.trace.px - self.centre_px).T
        hours = np.arctan2(right, -down) / (2 * np.pi) * HOURS % HOURS
        return np.asarray(np.where(hours > 0, hours, HOURS))

    @property
    def greatest(self) -> Measured | None:
        """The greatest burr found, if any."""
        found = self.departures.standing
        return Measured(found[0].height_mm, found[0].u_mm) if found else None

    def out_of_round_mm(self, cutoff_upr: int) -> float | None:
        """RONt (ISO 12181-1) of the contour on the face, through a Gaussian filter; None where too little of it was seen."""
        traced = self.departures.trace
        if not self.departures.clearly_seen:
            return None
        course = traced.course
        smooth = long_wave(traced.bold_mm, course.step_mm, course.length_mm / cutoff_upr, course.closed).values
        seen = np.isfinite(smooth)
        circle = round_form(_angles(course))[seen, :CIRCLE_MOVES]
        return roundness(smooth[seen] - circle @ np.linalg.lstsq(circle, smooth[seen], rcond=None)[0]).ront

    def freed(self, hole: Round) -> Round:
        """A round hole without the burr: the circle of the form that was laid under it, for the fit runs along its tips.

        Where that is no wider than the fit, or too little of the rim is in view to lay it, the fit stays; so it does for short
        burrs, which it leaves out.
        """
        found, course = self.departures, self.departures.trace.course
        angles = _angles(course)
        outward = np.column_stack([np.cos(angles), np.sin(angles)])
        moved = -2 * (found.form_mm[:, None] * outward).mean(axis=0)
        widened = -float(found.form_mm.mean())
        long = found.standing_share >= LEAST_FREED_SHARE or found.mean_mm >= LEAST_FREED_MM
        if not found.clearly_seen or widened <= 0 or not long:
            return replace(hole, burr_u_mm=FREED_U_SHARE * found.mean_mm)
        # If what stands out is no burr after all, the fit was right.
        apart = max(abs(widened), float(np.hypot(*moved)))
        burr_u_mm = float(np.hypot(FREED_U_SHARE * found.mean_mm, RECTANGULAR * apart))
        return replace(hole, centre=hole.centre + moved, radius=hole.radius + widened, burr_u_mm=burr_u_mm)

    def shows(self, limit_mm: float) -> bool:
        """Whether a burr of the limit would have shown."""
        return self.departures.clearly_seen and self.departures.smallest_mm <= limit_mm + 1e-9


@dataclass(frozen=True, slots=True)
class Looked:
    """An opening as it is after a look at its rim: of a countersunk hole, the bore measured at the foot of the cone; of a
    burred one, the rim under the burr."""

    opening: Opening
    rim: Rim | None


def look_at_rims(views: Sequence[View], openings: Sequence[Opening], countersink_deg: float) -> list[Looked]:
    """Find countersinks, and trace the rims of round openings, ovals and slots on one plate, each with the view at its place."""
    found = _countersinks(views, openings, countersink_deg)
    foot = [view if sunk is None else sunk.below(view) for view, sunk in zip(views, found, strict=True)]
    measured = [replace(opening, rim=sunk.bore) if sunk else opening for opening, sunk in zip(openings, found, strict=True)]
    rims: list[Rim | None] = [None] * len(openings)
    by_height: dict[float, list[int]] = {}
    for i, opening in enumerate(measured):
        if opening.rim is not None:
            by_height.setdefault(foot[i].plate.top_mm, []).append(i)
    for group in by_height.values():
        courses = [_course(foot[i], measured[i]) for i in group]
        for i, traced in zip(group, trace([foot[i] for i in group], courses), strict=True):
            rims[i] = _rim(foot[i], traced, found[i])
    return [Looked(_freed(opening, rim), rim) for opening, rim in zip(measured, rims, strict=True)]


def _freed(opening: Opening, rim: Rim | None) -> Opening:
    """The opening as it is without its burr, if it is round and has one."""
    if rim is None or rim.countersink is not None or not rim.departures.standing:
        return opening
    if opening.shape != "round" or opening.rim is None:
        return opening
    return replace(opening, rim=rim.freed(opening.rim))


def _countersinks(views: Sequence[View], openings: Sequence[Opening], angle_deg: float) -> list[Countersink | None]:
    """The countersink of each opening, if it has one; only what is round can have."""
    at = [i for i, opening in enumerate(openings) if opening.shape in ("round", "oval") and opening.is_hole]
    rims = [rim for i in at if (rim := openings[i].rim) is not None]
    found: list[Countersink | None] = [None] * len(openings)
    for i, sunk in zip(at, find_countersinks([views[i] for i in at], rims, angle_deg), strict=True):
        found[i] = sunk
    return found


def _rim(view: View, traced: Trace, sunk: Countersink | None) -> Rim | None:
    if not np.isfinite(traced.deviation_mm).any():
        return None
    camera, top_mm = view.camera, view.plate.top_mm
    middle = traced.course.points_mm.mean(axis=0)
    found = departures(traced, round_form(_angles(traced.course)), float(camera.centre[2] - top_mm), camera.centre[:2])
    return Rim(found, camera.project(np.array([[*middle, top_mm]]))[0], sunk)


def _course(view: View, opening: Opening) -> Course:
    rim = opening.rim
    assert isinstance(rim, Round), "only what has a rim is traced"
    scale = px_per_mm(view, rim.centre)
    if opening.ends_mm is not None:
        return stadium_course(*opening.ends_mm, rim.radius, scale)
    return round_course(rim.centre, rim.radius, scale)


def _angles(course: Course) -> Array:
    """Direction (N,) of a closed course's points from its middle, rad."""
    off = course.points_mm - course.points_mm.mean(axis=0)
    return np.asarray(np.arctan2(off[:, 1], off[:, 0]))


def condition(rim: Rim, limit_mm: float) -> Condition:
    """The record of a rim's condition."""
    found = rim.departures
    profile, hours = found.profile_mm, rim.hours
    peak = found.standing[0].peak if found.standing else int(np.nanargmax(profile))
    greatest = found.standing[0].height_mm if found.standing else max(0.0, float(profile[peak]))
    # Where none was found, one as great as the smallest that would have been may hide, over what is seen.
    hidden_u = 0.0 if found.standing else found.smallest_mm / 2
    valley = int(np.nanargmin(profile))
    low, high = (float(np.nanmean(profile > limit_mm + sign * 2 * found.u_mm)) for sign in (1, -1))
    kept = _kept(profile)
    u_rms = float(np.nanmedian(found.u_mm))
    return Condition(
        protrusion=Figure(value=greatest, u=max(float(found.u_mm[peak]), hidden_u)),
        protrusion_at=round(float(hours[peak]), 2),
        recess=Figure(value=max(0.0, -float(profile[valley])), u=float(found.u_mm[valley])),
        recess_at=round(float(hours[valley]), 2),
        rms=Figure(value=float(np.sqrt(np.nanmean(profile**2))), u=u_rms),
        affected_share=Figure(value=float(np.nanmean(profile > limit_mm)), u=(high - low) / 4, unit="1"),
        cutoff=round(found.trace.course.length_mm / found.cutoff_mm, 1),
        cutoff_unit="UPR",
        limit_mm=limit_mm,
        smallest_shown_mm=round(found.smallest_mm, 4),
        shown=rim.shows(limit_mm),
        profile=tuple((round(float(hours[i]), 3), round(float(profile[i]), 4), round(float(found.u_mm[i]), 4)) for i in kept),
        contour_px=tuple((round(float(x), 2), round(float(y), 2)) for x, y in found.trace.px[kept]),
    )


def _kept(profile: Array) -> list[int]:
    """Indices of the points that stand for a profile: the farthest off in each of PROFILE_POINTS pieces of what was seen."""
    seen = np.flatnonzero(np.isfinite(profile))
    pieces = np.array_split(seen, min(PROFILE_POINTS, len(seen)))
    return [int(piece[np.argmax(np.abs(profile[piece]))]) for piece in pieces]


@dataclass(frozen=True, slots=True)
class Judged:
    """A place of a rim as the rules see it, and its record."""

    finding: Finding
    place: Place


def judge_rim(rim: Rim, part: str, subject: str, limit_mm: float, units: LengthUnit) -> list[Judged]:
    """The burrs of a rim that are, or may be, beyond the limit; the greatest first."""
    return list(_judged(rim, part, subject, limit_mm, units))


def _judged(rim: Rim, part: str, subject: str, limit_mm: float, units: LengthUnit) -> Iterator[Judged]:
    for standing in rim.departures.standing:
        at = float(rim.hours[standing.peak])
        where = f"{subject} at {_oclock(at)} o'clock"
        size = Measured(standing.height_mm, standing.u_mm)
        finding = judge_place(PlaceFigures(name="burr", subject=subject, where=where, size=size, limit_mm=limit_mm), units)
        if finding.decision.value != "good":
            yield Judged(finding, _place(rim, standing, part, where, finding, limit_mm))


def _oclock(hours: float) -> int:
    return int(np.rint(hours)) or HOURS


def _place(rim: Rim, standing: Standing, part: str, where: str, finding: Finding, limit_mm: float) -> Place:
    traced = rim.departures.trace
    inside = np.arange(standing.first, standing.last + 1) % len(traced.course)
    px, margin = traced.px[inside], BOX_MARGIN_MM * traced.px_per_mm
    low, high = px.min(axis=0) - margin, px.max(axis=0) + margin
    x, y = traced.px[standing.peak]
    return Place(
        kind="burr",
        part=part,
        subject=finding.subject,
        place=where,
        at=round(float(rim.hours[standing.peak]), 2),
        size=Figure(value=standing.height_mm, u=standing.u_mm),
        length_mm=round(len(inside) * traced.course.step_mm, 2),
        limit_mm=limit_mm,
        decided=finding.decision.value == "rework",
        box_px=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        point_px=(float(x), float(y)),
        sentence=finding.detail,
        remedy=finding.reason.remedy,
    )


SURE_BREAK, CLEAR_OF_HIDDEN = 0.5, 0.3
"""How likely an edge must be broken for its break to be told, and how likely a break may be to hide in the backdrop."""
COUNTERSINK_SHARE = 0.8
"""Share of the sheet that a countersink may take: 1/8 in rivets, a countersink 0.040 in deep in a sheet of at least 0.050 in
(TM 9-2320-363-34-2, tables 3 and 4; the larger sizes there take up to 0.94)."""


def edge_ring(bore: Round, rim: Rim | None, angle_deg: float) -> EdgeRing | None:
    """The ring that shows the rim broken or countersunk, if one does."""
    fitted = bore.fitted
    if rim is not None and rim.countersink is not None:
        sunk = rim.countersink
        u_width = float(np.hypot(sunk.u_mm, np.sqrt(bore.covariance[2, 2])))
        return EdgeRing(
            kind="countersink",
            width=Figure(value=sunk.radius_mm - bore.radius, u=u_width),
            seen_share=sunk.seen_share,
            outer_diameter=Figure(value=2 * sunk.radius_mm, u=2 * sunk.u_mm),
            angle_deg=angle_deg,
            depth=Figure(value=sunk.depth_mm, u=u_width / float(np.tan(np.radians(angle_deg) / 2))),
        )
    burred = rim is not None and bool(rim.departures.standing)
    if burred or fitted.broken_share < SURE_BREAK or fitted.hidden_share > CLEAR_OF_HIDDEN:
        return None
    width = Figure(value=fitted.break_mm, u=float(np.sqrt(bore.covariance[3, 3])))
    return EdgeRing(kind="broken edge", width=width, seen_share=float(fitted.front.used.mean()))


def judge_countersink(ring: EdgeRing, rim: Rim, part: str, subject: str, thickness_mm: float, units: LengthUnit) -> list[Judged]:
    """The countersink, if it takes, or may take, more of the sheet than the handbook allows."""
    assert ring.depth is not None, "a countersink has a depth"
    size, limit_mm = Measured(ring.depth.value, ring.depth.u), COUNTERSINK_SHARE * thickness_mm
    figures = PlaceFigures(name="deep countersink", subject=subject, where=subject, size=size, limit_mm=limit_mm)
    finding = judge_place(figures, units)
    if finding.decision.value == "good":
        return []
    traced, (x, y) = rim.departures.trace, rim.centre_px
    reach = (ring.width.value + BOX_MARGIN_MM) * traced.px_per_mm
    low, high = traced.px.min(axis=0) - reach, traced.px.max(axis=0) + reach
    place = Place(kind="deep countersink", part=part, subject=subject, place=subject, size=ring.depth, limit_mm=limit_mm,
                  decided=finding.decision.value == "rework", point_px=(float(x), float(y)),
                  box_px=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
                  sentence=finding.detail, remedy=finding.reason.remedy)  # fmt: skip
    return [Judged(finding, place)]
