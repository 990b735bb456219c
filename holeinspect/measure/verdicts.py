"""From measured figures to the result's records: sizes, rules, verdicts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from holeinspect.edges.contours import Round
from holeinspect.edges.outline import Dressed
from holeinspect.edges.rims import Plate
from holeinspect.find import FoundPart
from holeinspect.find.rims import HIDING_SHARE
from holeinspect.inspection import (
    BudgetLine,
    EdgePoint,
    EdgeRing,
    Figure,
    Hole,
    JudgeNote,
    OtherOpening,
    OutOfRound,
    Part,
    PartEdge,
    PhotoNote,
    Pitch,
    ReasonNote,
    RimNote,
    RuleNote,
    ScaleNote,
    SizeNote,
)
from holeinspect.inspection import Finding as Place
from holeinspect.measure.budget import Errors, Line, combined
from holeinspect.measure.distance import pitch_lines
from holeinspect.measure.edge_results import EdgeLimits, Sight, edge_results
from holeinspect.measure.part import MeasuredHole, MeasuredPart
from holeinspect.measure.rim_condition import Judged, condition, edge_ring, judge_countersink, judge_rim
from holeinspect.measured import Array, Measured
from holeinspect.photo import Photo
from holeinspect.rules import Decision, Finding, HoleFigures, Verdict, judge_hole, judge_part
from holeinspect.scale.camera import Camera
from holeinspect.scale.find import Scale
from holeinspect.setup import Setup, thickness_u
from holeinspect.trade import EdgeRule, Fastener, edge_rule, fastener, nearest_sizes, pitch_rule

LEAST_RIM_SHARE = 0.4
"""Share of a rim that must have been seen and fitted for its figures to be trusted."""
WORST_MISFIT = 35.0
"""Misfit per stretch beyond which what was fitted may be no rim (on renders, every figure that was 0.3 mm off had more)."""
LEAST_CONTRAST = 0.07
"""Least difference of face and backdrop in linear light for a rim to be trusted."""
GRAVITY = {"fine": 0, "doubt": 1, "measure by hand": 2}
"""Order of the judge's levels."""
OUTLINE_POINTS = 240
"""Points of an outline in the result; enough to draw it."""


def part_result(name: str, part: MeasuredPart, found: FoundPart, scale: Scale, setup: Setup,
                parts: int) -> tuple[Part, list[Place]]:  # fmt: skip
    """The part's record, every hole judged, then the part; and the places on it that need more work."""
    errors = Errors(scale, thickness_u(part.plate.thickness_mm))
    limit_mm = setup.burr_limit_mm(name)
    holes, verdicts, judged = [], [], []
    for number, hole in enumerate(part.holes, 1):
        burrs = _places(hole, name, f"H{number}", part.plate.thickness_mm, setup)
        of_hole, verdict = _hole(f"H{number}", hole, part, scale, setup, name if parts > 1 else "", errors,
                                 [burr.finding for burr in burrs])  # fmt: skip
        seen = {"condition": condition(hole.rim, limit_mm) if hole.rim else None, "ring": _ring(hole, setup)}
        holes.append(of_hole.model_copy(update=seen))
        verdicts.append(verdict)
        judged += burrs
    for number, rim in enumerate(part.other_rims, 1):
        judged += judge_rim(rim, name, f"C{number}", limit_mm, setup.units) if rim else []
    doubts = [*(["part runs on"] if found.touches_frame else []), *(["hole not measured"] if part.unmeasured else [])]
    doubts += ["condition not shown"] if any(rim and not rim.shows(limit_mm) for rim in part.other_rims) else []
    doubts += part.doubts
    around = [place.finding for place in judged if place.finding.subject.startswith("C")]
    surveys = [part.survey, *(survey for survey in part.other_surveys if survey)]
    limits = EdgeLimits(limit_mm, setup.nick_limit_mm, setup.least_corner_radius_mm)
    edges = edge_results(surveys, limits, Sight(name, part.plate.top_mm, scale.camera, setup.units))
    # Where the part runs on, that says of what is out of view all that there is to say.
    doubts += ["condition not shown"] if edges.not_shown or (edges.lost and not found.touches_frame) else []
    verdict = judge_part(verdicts, doubts, subject=name, places=[*around, *edges.findings])
    record = Part(
        name=name,
        thickness_mm=part.plate.thickness_mm,
        face_height_mm=part.plate.top_mm,
        outline_mm=_points(part.outline_mm),
        outline_px=_points(part.outline_px),
        whole_in_view=part.whole,
        confidence=round(found.confidence, 4),
        outside_diameter=figure(*part.outside) if part.outside else None,
        holes=tuple(holes),
        openings=_others(part, scale, limit_mm, edges.edges[1:]),
        edges=edges.edges[0],
        corners=tuple(edges.corners),
        verdict=verdict.decision.value,
        reasons=_reasons(verdict),
        readings=verdict.readings,
    )
    return record, _as_settled([*(place.place for place in judged), *edges.places], verdict)


def _as_settled(places: Sequence[Place], verdict: Verdict) -> list[Place]:
    """The places, none more decided than the verdict: a photo that cannot be trusted there decides none."""
    rework = {(finding.subject, finding.reason.name) for finding in verdict.findings if finding.decision is Decision.REWORK}
    return [
        place if not place.decided or (place.subject, place.kind) in rework else place.model_copy(update={"decided": False})
        for place in places
    ]


def _places(hole: MeasuredHole, part: str, name: str, thickness_mm: float, setup: Setup) -> list[Judged]:
    """What is to be worked on at a hole's rim."""
    if hole.rim is None:
        return []
    ring = _ring(hole, setup)
    places = judge_rim(hole.rim, part, name, setup.burr_limit_mm(part), setup.units)
    if ring is not None and ring.kind == "countersink":
        places += judge_countersink(ring, hole.rim, part, name, thickness_mm, setup.units)
    return places


def _ring(hole: MeasuredHole, setup: Setup) -> EdgeRing | None:
    rim = hole.opening.rim
    return edge_ring(rim, hole.rim, setup.countersink_angle_deg) if rim is not None else None


def figure(measured: Measured, lines: Sequence[Line] = ()) -> Figure:
    """A figure with its budget."""
    return Figure(value=measured.value, u=measured.u, unit=measured.unit, budget=_lines(lines))


def _hole(name: str, hole: MeasuredHole, part: MeasuredPart, scale: Scale, setup: Setup,
          part_name: str, errors: Errors, burrs: Sequence[Finding]) -> tuple[Hole, Verdict]:  # fmt: skip
    rim = hole.opening.rim
    assert rim is not None, "a hole has a rim"
    key = f"{part_name}.{name}" if part_name else name
    wanted = setup.hole_fasteners.get(key, setup.hole_fasteners.get(name, setup.fastener))
    named = fastener(wanted) if wanted else None
    pitch, pitch_lines, other = _nearest_hole(hole, part, errors)
    size = _size(hole.diameter, named, setup)
    rule_k = setup.hole_rules.get(key, setup.hole_rules.get(name, setup.rule))
    known = hole.edge.known
    figures = HoleFigures(
        name=name,
        diameter=hole.diameter,
        edge_distance=hole.edge.measured if known else None,
        edge_at_least_mm=None if known else _at_least(hole),
        pitch=pitch,
        out_of_round=hole.out_of_round,
        shape=hole.opening.shape or "round",
        fastener_diameter_mm=named.diameter_mm if named else None,
        hole_range=named.hole_range if named else None,
        drill_sets=setup.drill_sets,
        edge_rule=edge_rule(rule_k),
        pitch_rule=pitch_rule(setup.pitch_rule),
        edge_at_nick=bool(known and hole.edge.foot and isinstance(hole.edge.foot.edge, Dressed) and hole.edge.foot.edge.nick),
        edge_burr_mm=hole.edge.hidden_burr_mm(setup.burr_limit_mm(part_name)),
        doubts=_doubts(hole, part, known, scale, setup.burr_limit_mm(part_name)),
    )
    verdict = judge_hole(figures, setup.units, burrs)
    d_mm = named.diameter_mm if named else max((c for c in _candidate_mm(hole.diameter, setup)), default=hole.diameter.value)
    foot = hole.edge.foot
    record = Hole(
        name=name,
        shape=hole.opening.shape or "round",
        centre_mm=_pair(rim.centre),
        centre_u_mm=hole.centre_u,
        centre_px=_pair(scale.camera.project(np.array([[*rim.centre, part.plate.top_mm]]))[0]),
        outline_px=_rim_px(hole, part, scale),
        diameter=figure(hole.diameter, hole.diameter_lines),
        axes_mm=hole.opening.axes_mm,
        slot_ends_mm=tuple(_pair(end) for end in hole.opening.ends_mm) if hole.opening.ends_mm else None,  # type: ignore[arg-type]
        nominal=size,
        edge_distance=figure(hole.edge.measured, hole.edge.lines) if known and hole.edge.measured else None,
        edge_not_in_view=not known,
        edge_at_least_mm=None if known else _at_least(hole),
        edge_point=EdgePoint(point_mm=_pair(foot.point), edge=foot.kind) if known and foot else None,
        edge_point_px=_pair(scale.camera.project(np.array([[*foot.point, part.plate.top_mm]]))[0]) if known and foot else None,
        edge_from_px=_pair(scale.camera.project(np.array([[*hole.edge.start, part.plate.top_mm]]))[0])
        if known and foot and hole.opening.ends_mm is not None else None,
        edge_ratio=_ratio(hole.edge.measured, d_mm) if known and hole.edge.measured else None,
        edge_rule=_rule(figures.edge_rule, d_mm),
        pitch=Pitch(value=pitch.value, u=pitch.u, to=other, ratio=_ratio(pitch, d_mm), budget=_lines(pitch_lines))
        if pitch
        else None,
        pitch_rule=_rule(figures.pitch_rule, d_mm) if pitch else None,
        out_of_round=OutOfRound(value=hole.out_of_round.value, u=hole.out_of_round.u, cutoff_upr=hole.cutoff_upr),
        rim=RimNote(share_fitted=float(rim.fitted.front.used.mean()),
                    break_mm=rim.fitted.break_mm, break_u_mm=float(np.sqrt(rim.covariance[3, 3])),
                    contrast=float(np.median(np.abs(rim.fitted.front.contrast))),
                    misfit=rim.fitted.front.misfit),
        verdict=verdict.decision.value,
        reasons=_reasons(verdict),
        readings=verdict.readings,
        rule_basis=verdict.basis,
    )  # fmt: skip
    return record, verdict


def _at_least(hole: MeasuredHole) -> float:
    """The distance below which no edge can lie, certain: the nearer of edges seen and unseen, less U."""
    seen = hole.edge.measured
    least = min(hole.edge.unseen_mm, seen.value - seen.U if seen else np.inf)
    return float(max(0.0, least)) if np.isfinite(least) else 0.0


def _doubts(hole: MeasuredHole, part: MeasuredPart, known: bool, scale: Scale, burr_limit_mm: float) -> tuple[str, ...]:
    doubts = []
    if hole.rim is None or not hole.rim.shows(burr_limit_mm):
        doubts.append("condition not shown")
    if not known:
        doubts.append("edge not in view")
    rim = hole.opening.rim
    if rim is not None and not believed(rim):
        doubts.append("rim unseen")
    if rim is not None and almost_hidden(rim, part.plate, scale.camera):
        doubts.append("almost hidden")
    if not scale.print_scale.checked:
        doubts.append("scale unchecked")
    return (*doubts, *hole.doubts)


def believed(rim: Round) -> bool:
    """Whether enough of a rim was seen, stands out, and is explained by the model."""
    front = rim.fitted.front
    plain = front.misfit <= WORST_MISFIT and np.median(np.abs(front.contrast)) >= LEAST_CONTRAST
    return bool(plain and front.used.mean() >= LEAST_RIM_SHARE)


def almost_hidden(rim: Round, plate: Plate, camera: Camera) -> bool:
    """Whether the wall hides almost all of what is seen through a hole."""
    away_mm = float(np.hypot(*(rim.centre - camera.centre[:2])))
    moved_mm = plate.thickness_mm * away_mm / (camera.centre[2] - plate.top_mm)
    return bool(moved_mm > HIDING_SHARE * 2 * rim.radius)


def _nearest_hole(hole: MeasuredHole, part: MeasuredPart, errors: Errors) -> tuple[Measured | None, tuple[Line, ...], str]:
    """Distance to the nearest other hole's centre, its budget, and that hole's name."""
    here = hole.opening.rim
    others = [(f"H{number}", other.opening.rim) for number, other in enumerate(part.holes, 1) if other is not hole]
    ways = [(float(np.hypot(*(there.centre - here.centre))), name, there) for name, there in others if here and there]
    if not ways or here is None:
        return None, (), ""
    distance, name, there = min(ways, key=lambda way: way[0])
    lines = pitch_lines(here, there, errors)
    return Measured(distance, combined(lines)), lines, name


def _candidate_mm(diameter: Measured, setup: Setup) -> list[float]:
    """Diameters of the drill sizes that the hole may be."""
    return [drill.diameter_mm for drill in nearest_sizes(diameter, setup.drill_sets).candidates]


def _rule(rule: EdgeRule, d_mm: float) -> RuleNote:
    return RuleNote(k=rule.k, d_mm=d_mm, limit_mm=rule.k * d_mm)


def _lines(lines: Sequence[Line]) -> tuple[BudgetLine, ...]:
    return tuple(BudgetLine(name=line.name, u=line.u, note=line.note) for line in lines)


def _size(diameter: Measured, named: Fastener | None, setup: Setup) -> SizeNote | None:
    match = nearest_sizes(diameter, setup.drill_sets)
    return SizeNote(
        label=match.label,
        diameter_mm=match.nearest.diameter_mm,
        deviation_mm=match.deviation_mm,
        candidates=tuple(drill.label for drill in match.candidates),
        ambiguous=match.ambiguous,
        fastener=named.name if named else None,
    )


def _ratio(length: Measured, d_mm: float) -> Figure:
    return Figure(value=length.value / d_mm, u=length.u / d_mm, unit="1")


def _reasons(verdict: Verdict) -> tuple[ReasonNote, ...]:
    return tuple(
        ReasonNote(
            name=finding.reason.name,
            sentence=finding.detail,
            remedy=finding.reason.remedy,
            subject=finding.subject,
            decision=finding.decision.value,
            reading=finding.reading,
        )
        for finding in verdict.findings
    )


def _others(part: MeasuredPart, scale: Scale, burr_limit_mm: float,
            edges: Sequence[tuple[PartEdge, ...]]) -> tuple[OtherOpening, ...]:  # fmt: skip
    """Records of cut-outs and lightening holes. edges: of those with a survey, in the same order."""
    records = []
    of_cutouts = iter(edges)
    found = zip(part.others, part.other_rims, part.other_contours, part.other_surveys, strict=True)
    for number, (opening, rim, contour_px, survey) in enumerate(found, 1):
        round_one = opening.rim is not None
        records.append(
            OtherOpening(
                name=f"C{number}",
                kind="lightening hole" if round_one else "cut-out",
                outline_mm=_points(scale.camera.to_plane(contour_px, part.plate.top_mm)),
                outline_px=_points(contour_px),
                diameter=Figure(value=2 * opening.rim.radius, u=2 * float(np.sqrt(opening.rim.covariance[2, 2])))
                if opening.rim
                else None,
                condition=condition(rim, burr_limit_mm) if rim else None,
                edges=next(of_cutouts) if survey else (),
            )
        )
    return tuple(records)


def _rim_px(hole: MeasuredHole, part: MeasuredPart, scale: Scale) -> tuple[tuple[float, float], ...]:
    """The rim on the upper face as a polygon over the photo."""
    rim = hole.opening.rim
    assert rim is not None, "a hole has a rim"
    angles = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    circle = rim.radius * np.column_stack([np.cos(angles), np.sin(angles)])
    centres = np.broadcast_to(rim.centre, circle.shape)
    if hole.opening.ends_mm is not None:
        first, second = hole.opening.ends_mm
        centres = np.where((circle @ (second - first) > 0)[:, None], second, first)
    points = np.column_stack([centres + circle, np.full(len(circle), part.plate.top_mm)])
    return _points(scale.camera.project(points))


def _points(points: Array) -> tuple[tuple[float, float], ...]:
    step = max(1, len(points) // OUTLINE_POINTS)
    return tuple((round(float(x), 3), round(float(y), 3)) for x, y in points[::step])


def _pair(point: Array) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def scale_note(scale: Scale) -> ScaleNote:
    """The scale's record."""
    centre = scale.camera.centre
    focal = float(scale.camera.K[0, 0])
    layout = scale.target.layout
    return ScaleNote(
        reference=scale.target.name,
        page=layout.page if layout else None,
        camera_height=Figure(value=float(centre[2]), u=scale.height_u_mm),
        nadir_mm=(float(centre[0]), float(centre[1])),
        tilt_deg=scale.tilt_deg,
        focal_length_px=Figure(value=focal, u=focal * float(np.sqrt(scale.covariance[0, 0])), unit="px"),
        px_per_mm=scale.px_per_mm(np.zeros(2)),
        print_scale=(scale.print_scale.kx, scale.print_scale.ky),
        print_scale_u=(scale.print_scale.u_kx, scale.print_scale.u_ky),
        print_checked=scale.print_scale.checked,
        boundaries_used=scale.used,
        boundaries_seen=scale.seen,
        residual_px=scale.residual_px,
        blur_px=scale.tone.sigma_at(np.zeros(2)),
        distortion=tuple(float(k) for k in scale.camera.distortion),  # type: ignore[arg-type]
        tells=scale.plain.tells if scale.plain else (),
        leaves=scale.plain.leaves if scale.plain else (),
    )


def photo_note(photo: Photo, judged: Sequence[JudgeNote] = ()) -> PhotoNote:
    """The photo's record; the gravest notes first."""
    return PhotoNote(
        name=photo.name,
        sha256=photo.sha256,
        format=photo.format,
        width_px=photo.luma.shape[1],
        height_px=photo.luma.shape[0],
        orientation=photo.orientation,
        make=photo.make,
        model=photo.model,
        captured=photo.captured.isoformat() if photo.captured else None,
        colour_profile=photo.colour_profile,
        notes=photo.notes,
        judged=tuple(sorted(judged, key=lambda note: -GRAVITY[note.level])),
    )
