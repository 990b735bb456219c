"""All figures of one part: its openings, their distances to its edges and to each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from shapely import LinearRing, get_coordinates, line_interpolate_point

from holeinspect.edges.burred import under_burrs
from holeinspect.edges.circle import fit_circle
from holeinspect.edges.contours import Round, px_per_mm, round_fit
from holeinspect.edges.lockstep import Fit, both, settle, side_by_side
from holeinspect.edges.outline import Edge, Unseen, edges_fit, rough_contour_mm
from holeinspect.edges.rims import Plate
from holeinspect.edges.silhouette import Silhouette, fit_silhouette
from holeinspect.edges.stretches import Blur, View
from holeinspect.find import Contour, FoundPart
from holeinspect.find.spots import circle_through
from holeinspect.measure.budget import Errors, Line, combined, form_u, line, shape_errors
from holeinspect.measure.distance import EdgeDistance, Kind, nearest_edge
from holeinspect.measure.edge_condition import Survey, survey
from holeinspect.measure.openings import LARGEST_FASTENER_MM, Opening, opening_fit
from holeinspect.measure.rim_condition import Rim, look_at_rims
from holeinspect.measured import Array, Measured
from holeinspect.scale.find import Scale
from holeinspect.setup import COUNTERSINK_DEG

ROUND_PART_MISFIT = 0.01
"""RMS of an outline from a circle, over its radius, up to which the part is round: a disc, washer or coin."""
LEAST_OPENING_MM = 1.0
UPR_LIMIT = 5
"""Roundness is seen through a Gaussian filter of at most 5 undulations per revolution: ovals and lobes. What is finer is
below what wall and chamfer leave of a photo's rim, whatever its resolution (ISO 12181-2 would allow 15 to 8 mm)."""
UPR_PER_PX = np.pi / 5
"""Undulations per revolution that a photo carries, times blur over diameter: a ripple of five blur widths."""
LEAST_STRETCHES_PER_WAVE = 3
EVEN_POINTS = 180
LEAST_ROUND_U_MM = 0.01
"""Least standard uncertainty of an out-of-roundness (seen on renders)."""
ALPHA = np.sqrt(np.log(2) / np.pi)
"""Constant of the Gaussian filter: 50 % transmission at the cut-off (ISO 16610-21)."""


@dataclass(frozen=True, slots=True)
class MeasuredHole:
    """A hole and its figures; lengths in mm, mat frame. diameter_lines: the budget of the diameter. rim: as it was traced.

    doubts: names of the photo judge's reasons (rules.REASONS) not to trust it.
    """

    opening: Opening
    diameter: Measured
    diameter_lines: tuple[Line, ...]
    centre_u: tuple[float, float]
    edge: EdgeDistance
    out_of_round: Measured
    cutoff_upr: int
    rim: Rim | None = None
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MeasuredPart:
    """A part: holes by their place (from the upper left), other openings, edges, and rough outline (N, 2) px and mm.

    unmeasured: how many openings may be holes and have no figures. survey: of the outline's edges and corners;
    other_surveys: of the cut-outs', None for round openings. doubts: as of a hole, of the whole part.
    """

    plate: Plate
    holes: tuple[MeasuredHole, ...]
    others: tuple[Opening, ...]
    other_rims: tuple[Rim | None, ...]
    other_contours: tuple[Array, ...]
    edges: tuple[Edge, ...]
    outline_mm: Array
    outline_px: Array
    outside: tuple[Measured, tuple[Line, ...]] | None
    whole: bool
    unmeasured: int
    survey: Survey
    other_surveys: tuple[Survey | None, ...]
    doubts: tuple[str, ...] = ()


def measure_part(light: Array, scale: Scale, found: FoundPart, plate: Plate, thickness_u_mm: float,
                 countersink_deg: float = COUNTERSINK_DEG) -> MeasuredPart:  # fmt: skip
    """Measure one found part. light: restored picture (H, W)."""
    middle = scale.camera.to_plane(found.outer.points_px, plate.top_mm).mean(axis=0)
    view = View(light, scale.camera, Blur(scale.tone.sigma_at(middle), scale.tone.tail), plate)
    errors = Errors(scale, thickness_u_mm)
    outline_mm = rough_contour_mm(view, found.outer.points_px)
    (outside, outside_form_u, edges), (openings, lost) = settle(
        both(_outline_fit(view, outline_mm, found.outer.edge), _openings_fit(view, scale, found.openings))
    )
    holes = [opening for opening, _ in openings if opening.is_hole]
    others = [(opening, contour) for opening, contour in openings if not opening.is_hole]
    of_outline = survey(view, found.outer.points_px, found.outer.edge, edges)
    of_others = [None if opening.rim else _survey(view, scale, opening, contour) for opening, contour in others]
    if outside_form_u is None:
        edges = under_burrs(view, edges)
        outside = next((edge for edge in edges if isinstance(edge, Round)), None)
    ordered = _in_reading_order(holes)
    openings_here = [*ordered, *(opening for opening, _ in others)]
    looked = look_at_rims([_view_at(view, scale, opening) for opening in openings_here], openings_here, countersink_deg)
    around: list[tuple[Edge | Round, Kind]] = [(edge, "outline") for edge in (*edges, *of_outline.dressed())]
    for other, surveyed in zip(looked[len(ordered) :], of_others, strict=True):
        around += [(edge, "cutout") for edge in _edges_of(view, other.opening)]
        around += [(edge, "cutout") for edge in surveyed.dressed()] if surveyed else []
    return MeasuredPart(
        plate=plate,
        holes=tuple(_with_rim(_measured(hole.opening, view, around, errors), hole.rim) for hole in looked[: len(ordered)]),
        others=tuple(opening for opening, _ in others),
        other_rims=tuple(opening.rim for opening in looked[len(ordered) :]),
        other_contours=tuple(contour.points_px for _, contour in others),
        edges=tuple(edge for edge in edges if not isinstance(edge, Round)),
        outline_mm=outline_mm,
        outline_px=found.outer.points_px,
        outside=_diameter(outside, errors, outside_form_u) if outside else None,
        whole=bool(found.outer.edge.all()),
        unmeasured=found.unclear + lost + sum(opening.rim is None and _may_be_hole(contour.points_px, view)
                                              for opening, contour in others),
        survey=of_outline,
        other_surveys=tuple(of_others),
    )


def _edges_of(view: View, opening: Opening) -> Sequence[Edge | Round]:
    """The rim of a round cut-out, or the edges of another one as they are under their burrs."""
    return [opening.rim] if opening.rim else under_burrs(view, opening.edges)


def _survey(view: View, scale: Scale, opening: Opening, contour: Contour) -> Survey:
    """Edges and corners of a cut-out, with the blur at its place."""
    at = scale.camera.to_plane(contour.points_px, view.plate.top_mm).mean(axis=0)
    here = replace(view, blur=Blur(scale.tone.sigma_at(at), scale.tone.tail))
    return survey(here, contour.points_px, contour.edge, opening.edges)


def _view_at(view: View, scale: Scale, opening: Opening) -> View:
    """The view with the blur at an opening."""
    at = opening.rim.centre if opening.rim is not None else np.zeros(2)
    return replace(view, blur=Blur(scale.tone.sigma_at(at), scale.tone.tail))


def _may_be_hole(contour_px: Array, view: View) -> bool:
    """Whether a cut-out is as small as a hole: one that was not understood, or two run together."""
    return bool(np.ptp(rough_contour_mm(view, contour_px), axis=0).max() < LARGEST_FASTENER_MM)


def _openings_fit(view: View, scale: Scale, contours: Sequence[Contour]) -> Fit[tuple[list[tuple[Opening, Contour]], int]]:
    """Measured openings with their rough contours, each with the blur at its own place; how many could not be."""
    fits, large = [], []
    for contour in contours:
        points = rough_contour_mm(view, contour.points_px)
        if np.ptp(points, axis=0).max() < LEAST_OPENING_MM:
            continue
        here = replace(view, blur=Blur(scale.tone.sigma_at(points.mean(axis=0)), scale.tone.tail))
        fits.append(opening_fit(here, points, contour.edge))
        large.append(contour)
    openings = yield from side_by_side(fits)
    measured = [(opening, contour) for opening, contour in zip(openings, large, strict=True) if opening is not None]
    return measured, len(large) - len(measured)


def _outline_fit(view: View, outline_mm: Array, visible: Array) -> Fit[tuple[Round | None, float | None, list[Edge | Round]]]:
    """The outer contour as a circle with its form's u, if the part is round (see `_outside_fit`), and as edges."""
    outside, form_u_mm = yield from _outside_fit(view, outline_mm, visible)
    if outside:
        return outside, form_u_mm, [outside]
    edges = yield from edges_fit(view, outline_mm, visible)
    return None, None, [*edges]


def _outside_fit(view: View, outline_mm: Array, visible: Array) -> Fit[tuple[Round | None, float | None]]:
    """The outer contour as a circle, if the part is round; the standard uncertainty of its radius from its form, None where
    that is to be told from the fit's own deviations."""
    rough = fit_circle(outline_mm, np.ones(len(outline_mm))) if visible.all() else None
    if rough:
        misfit = np.sqrt(np.mean(rough.deviations(outline_mm) ** 2))
        if misfit <= max(ROUND_PART_MISFIT * rough.radius, 2 / px_per_mm(view, rough.centre)):
            fitted = yield from round_fit(view, rough.centre, rough.radius, opening=False)
            if fitted is not None and fitted.fitted.front.misfit < PLAIN_FACE_MISFIT:
                return fitted, None
    silhouette = _silhouette(view, outline_mm)
    return (silhouette.round, silhouette.form_u_mm) if silhouette else (None, None)


def _silhouette(view: View, outline_mm: Array) -> Silhouette | None:
    """The silhouette of a round part whose rough outline has gaps and bites: most of it lies on one circle."""
    hull = cv2.convexHull(outline_mm.astype(np.float32)).reshape(-1, 2).astype(float)
    if len(hull) < LEAST_HULL:
        return None
    even = np.asarray(get_coordinates(line_interpolate_point(LinearRing(hull), np.linspace(0, 1, EVEN_POINTS), normalized=True)))
    centre, radius = circle_through(even, BITE_SHARE * float(np.ptp(even, axis=0).max()) / 2)
    off = np.abs(np.hypot(*(even - centre).T) - radius)
    if np.mean(off < BITE_SHARE * radius) < ROUND_HULL:
        return None
    return fit_silhouette(view, centre, radius)


LEAST_HULL = 12
BITE_SHARE, ROUND_HULL = 0.06, 0.75
"""Least share of an outline's hull that lies within this of a circle, over its radius, for a part to be round."""
PLAIN_FACE_MISFIT = 35.0
"""Misfit per stretch beyond which the light round a part is not that of a plain face: its silhouette is taken."""


def _in_reading_order(holes: Sequence[Opening]) -> list[Opening]:
    """Holes in rows from the top of the mat, each row from the left; a row is as high as the smallest hole is wide."""
    if not holes:
        return []
    height = max(3.0, min(2 * hole.rim.radius for hole in holes if hole.rim))
    by_y = sorted(holes, key=lambda hole: -float(hole.rim.centre[1]) if hole.rim else 0.0)
    rows: list[list[Opening]] = []
    for hole in by_y:
        top = rows[-1][0].rim if rows else None
        if top is not None and hole.rim is not None and top.centre[1] - hole.rim.centre[1] < height:
            rows[-1].append(hole)
        else:
            rows.append([hole])
    return [hole for row in rows for hole in sorted(row, key=lambda hole: float(hole.rim.centre[0]) if hole.rim else 0.0)]


def _measured(hole: Opening, view: View, around: Sequence[tuple[Edge | Round, Kind]], errors: Errors) -> MeasuredHole:
    assert hole.rim is not None, "a hole has a rim"
    diameter, lines = _diameter(hole.rim, errors)
    if hole.axes_mm is not None and hole.shape == "oval":
        diameter = Measured(float(np.mean(hole.axes_mm)), diameter.u)
    moves = shape_errors(hole.rim.fitted, errors)
    systematic = sum(np.sum(move[:, :2] ** 2, axis=0) for move in moves.values())
    centre_u = np.sqrt(systematic + np.diag(hole.rim.covariance)[:2] + hole.rim.burr_u_mm**2)
    roundness, cutoff = out_of_round(hole.rim, view)
    return MeasuredHole(hole, diameter, lines, (float(centre_u[0]), float(centre_u[1])),
                        _edge_of(hole, around, errors), roundness, cutoff)  # fmt: skip


def _edge_of(hole: Opening, around: Sequence[tuple[Edge | Round, Kind]], errors: Errors) -> EdgeDistance:
    """Edge distance of a hole; of a slot, or of two bores side by side, that of the centre nearest to an edge."""
    assert hole.rim is not None, "a hole has a rim"
    centres = [hole.rim.centre, *(hole.ends_mm or ())]
    ways = [nearest_edge(replace(hole.rim, centre=centre), around, errors) for centre in centres]
    nearest = min(ways, key=lambda way: way.measured.value if way.measured else np.inf)
    return replace(nearest, unseen_mm=min(way.unseen_mm for way in ways))


def _with_rim(hole: MeasuredHole, rim: Rim | None) -> MeasuredHole:
    """The hole with its traced rim, by which its roundness is looked at once more."""
    if rim is None:
        return hole
    if hole.opening.shape == "round":
        hole = replace(hole, out_of_round=both_looks(hole.out_of_round, rim.out_of_round_mm(hole.cutoff_upr)))
    return replace(hole, rim=rim)


def both_looks(bore: Measured, face_mm: float | None) -> Measured:
    """Out-of-roundness by the bore's fit and by the contour on the face: their mean, as uncertain as they are apart.

    Neither settles it alone: the fit leaves out what does not agree with a circle, and so a second drilling; the contour
    follows highlights, and a deburring cone may have left it rounder than the bore.
    """
    if face_mm is None:
        return bore
    return Measured((bore.value + face_mm) / 2, max(abs(bore.value - face_mm) / 2, LEAST_ROUND_U_MM))


def _diameter(rim: Round, errors: Errors, form_u_mm: float | None = None) -> tuple[Measured, tuple[Line, ...]]:
    """Diameter with its budget."""
    moves = shape_errors(rim.fitted, errors)
    lines = [line(name, 2 * np.linalg.norm(move[:, 2])) for name, move in moves.items()]
    lines.append(line("edge noise", 2 * np.sqrt(rim.covariance[2, 2])))
    lines.append(line("form", 2 * (form_u(rim.fitted) if form_u_mm is None else form_u_mm)))
    lines += [line("burr", 2 * rim.burr_u_mm)] if rim.burr_u_mm else []
    return Measured(2 * rim.radius, combined(tuple(lines))), tuple(lines)


def out_of_round(rim: Round, view: View) -> tuple[Measured, int]:
    """RONt from the least-squares circle (ISO 12181-1), through a Gaussian filter, and its cut-off (UPR).

    The deviations are those of the stretches that were fitted, spread evenly round the clock.
    """
    front = rim.fitted.front
    diameter_px = 2 * rim.radius * px_per_mm(view, rim.centre)
    carried = UPR_PER_PX * diameter_px / view.blur.core
    cutoff = int(np.clip(min(carried, front.used.sum() / LEAST_STRETCHES_PER_WAVE), 2, UPR_LIMIT))
    order = np.argsort(rim.angles[front.used])
    angles, deviation = rim.angles[front.used][order], rim.deviations_mm[front.used][order]
    even = 2 * np.pi * np.arange(EVEN_POINTS) / EVEN_POINTS
    spread = np.interp(even, angles, deviation, period=2 * np.pi)
    waves = np.fft.rfftfreq(len(even), 1 / len(even))
    smooth = np.fft.irfft(np.fft.rfft(spread) * np.exp(-np.pi * (ALPHA * waves / cutoff) ** 2), len(even))
    noise = float(np.median(front.u_mm)) * np.sqrt(min(1.0, 2 * cutoff / front.used.sum()))
    u = np.hypot(np.sqrt(2) * noise, 0.35 * np.sqrt(np.mean(deviation**2)))
    return Measured(float(np.ptp(smooth)), float(u)), cutoff


def unseen_edges(part: MeasuredPart) -> bool:
    """Whether some of the part's outline is out of view."""
    return any(isinstance(edge, Unseen) for edge in part.edges)
