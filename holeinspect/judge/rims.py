"""The judge of each hole's surroundings: burnt out to white round its rim and along its nearest edge, and blur over D.

Where the metal is clipped its true light is not in the file; an edge found half-way between backdrop and white then lies
off the metal's true edge by up to one blur width, always so that the metal seems larger; where a light table behind it is,
the other way round.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from holeinspect.edges.profiles import sample
from holeinspect.inspection import JudgeNote
from holeinspect.judge.photo import Limits
from holeinspect.measure.openings import LARGEST_FASTENER_MM
from holeinspect.measure.part import MeasuredHole, MeasuredPart
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.find import Scale

CLIPPED_CODE = 0.98
"""Code values (250 of 255) from which a pixel is taken as burnt out."""
WHITE_CODE = 0.994
"""Code values (253.5 of 255) from which a light table or a white sheet behind the metal is: they may be bright, and level."""
RIM_ANGLES, RIM_DEPTHS = 72, 5
FIRST_DEPTH_SIGMAS, LAST_DEPTH_SIGMAS = 1.5, 6.0
"""Ring of metal looked at, in blur widths from the rim: beyond the blur, near enough to be what the fit takes as level."""
EDGE_HALF_MM = 6.0
"""Length of edge to either side of the nearest point that is looked at."""
BURNT_SHARE = Limits(0.02, 0.10)
"""Share of a rim or edge that is burnt out: at a fifth (algorithms: photo gate) errors had begun to leave U."""
BURNT_FACE_SHARE = 0.4
"""Share of the part's face from which the whole photo is over-exposed, and no lamp is to blame."""
SOFT_SIGMAS = Limits(1 / 12, 1 / 6)
"""Blur over diameter: a hole of less than 6 blur widths has no level middle."""
SHRINK = 4
"""The map of burnt out metal is drawn so many times smaller."""
PATCH_MM2 = 4.0
"""Least area of a patch of glare that is told."""
DIRECTIONS = {(1, 0): "to the right", (-1, 0): "to the left", (0, 1): "towards the lower border of the picture",
              (0, -1): "towards the upper border of the picture"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Glare:
    """Burnt out patches on one part: middles (K, 2) px and areas (K,) mm²; share of the face that they take."""

    middles_px: Array
    areas_mm2: Array
    share: float


@dataclass(frozen=True, slots=True)
class Judged:
    """A part with doubts on what cannot be trusted, and what is said of it."""

    part: MeasuredPart
    notes: tuple[JudgeNote, ...]


def judge_rims(photo: Photo, scale: Scale, part: MeasuredPart, prefix: str, doubts: Sequence[str] = ()) -> Judged:
    """Look at each hole's surroundings. prefix: "P2." or nothing. doubts: of the whole photo, given to all of the part."""
    glare = find_glare(photo.luma, scale, part)
    notes: list[JudgeNote] = [*_patches(glare, part)]
    holes = []
    for number, hole in enumerate(part.holes, 1):
        said = [*_burnt(photo, scale, part, hole, glare, f"{prefix}H{number}"), *_small(scale, hole, f"{prefix}H{number}")]
        own = {REASON_OF[note.name] for note in said if note.level == "measure by hand"}
        own |= {"odd opening"} if _ends_at_odd_opening(hole, part, scale) else set()
        holes.append(replace(hole, doubts=tuple(dict.fromkeys([*doubts, *sorted(own)]))))
        notes += said
    return Judged(replace(part, holes=tuple(holes), doubts=tuple(doubts)), tuple(notes))


def _ends_at_odd_opening(hole: MeasuredHole, part: MeasuredPart, scale: Scale) -> bool:
    """Whether the nearest edge is that of an opening as small as a hole that was not understood."""
    foot = hole.edge.foot
    if foot is None or foot.kind != "cutout" or not part.others:
        return False
    contours_mm = [scale.camera.to_plane(contour_px, part.plate.top_mm) for contour_px in part.other_contours]
    nearest = min(range(len(contours_mm)), key=lambda k: float(np.hypot(*(contours_mm[k] - foot.point).T).min()))
    return part.others[nearest].rim is None and float(np.ptp(contours_mm[nearest], axis=0).max()) < LARGEST_FASTENER_MM


REASON_OF = {"burnt out rim": "burnt out", "burnt out edge": "burnt out", "blur over diameter": "soft photo"}


def find_glare(luma: Array, scale: Scale, part: MeasuredPart) -> Glare:
    """Burnt out patches inside the part's outline."""
    low = np.maximum(np.floor(part.outline_px.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(part.outline_px.max(axis=0)).astype(int) + 1, np.array(luma.shape[::-1]))
    burnt = (luma[low[1] : high[1] : SHRINK, low[0] : high[0] : SHRINK] >= CLIPPED_CODE).astype(np.uint8)
    face = np.zeros_like(burnt)
    cv2.fillPoly(face, [np.rint((part.outline_px - low) / SHRINK).astype(np.int32)], 1)
    for opening_px in (*part.other_contours, *(_rim_px(scale, part, hole) for hole in part.holes)):
        cv2.fillPoly(face, [np.rint((opening_px - low) / SHRINK).astype(np.int32)], 0)
    count, _, stats, middles = cv2.connectedComponentsWithStats(burnt & face)
    pixel_mm2 = (SHRINK / scale.px_per_mm(part.outline_mm.mean(axis=0))) ** 2
    areas = stats[1:count, cv2.CC_STAT_AREA] * pixel_mm2
    large = areas >= PATCH_MM2
    return Glare(middles[1:count][large] * SHRINK + low, areas[large], float((burnt & face).sum() / max(face.sum(), 1)))


def _rim_px(scale: Scale, part: MeasuredPart, hole: MeasuredHole) -> Array:
    """The rim on the upper face, (N, 2) px."""
    rim_mm, _ = border_of_rim(hole)
    return scale.camera.project(np.column_stack([rim_mm, np.full(len(rim_mm), part.plate.top_mm)]))


def _patches(glare: Glare, part: MeasuredPart) -> Iterator[JudgeNote]:
    if not len(glare.areas_mm2):
        return
    largest = int(np.argmax(glare.areas_mm2))
    x, y = glare.middles_px[largest]
    patches = "one patch" if len(glare.areas_mm2) == 1 else f"{len(glare.areas_mm2)} patches"
    yield JudgeNote(
        name="glare", level="doubt", figure=round(100 * glare.share, 1), unit="%", point_px=(float(x), float(y)),
        sentence=f"{glare.share:.0%} of the face is burnt out to white, in {patches}, the largest of "
                 f"{glare.areas_mm2[largest]:.0f} mm².",
        advice=_less_light(glare) or "Move the lamp, or hold a sheet of white paper between it and the part.",
    )  # fmt: skip


def _less_light(glare: Glare) -> str:
    return "Expose less: tap on the bright metal before taking the photo." if glare.share > BURNT_FACE_SHARE else ""


def _burnt(photo: Photo, scale: Scale, part: MeasuredPart, hole: MeasuredHole, glare: Glare, name: str) -> Iterator[JudgeNote]:
    centre_px = scale.camera.project(np.array([[*_centre(hole), part.plate.top_mm]]))[0]
    shares = {"burnt out rim": burnt_rim_share(photo.luma, scale, part, hole),
              "burnt out edge": burnt_edge_share(photo.luma, scale, part, hole)}  # fmt: skip
    for what, share in shares.items():
        level = BURNT_SHARE.level(share)
        if level == "fine":
            continue
        whose = f"the rim of {name}" if what == "burnt out rim" else f"the edge nearest to {name}"
        yield JudgeNote(
            name=what, level=level, figure=round(100 * share, 1), unit="%", limit=100 * BURNT_SHARE.by_hand, holes=(name,),
            point_px=(float(centre_px[0]), float(centre_px[1])),
            sentence=f"{_capital(whose)} is burnt out over {share:.0%} of its length.",
            advice=_less_light(glare) or f"Move the lamp {_away(glare, centre_px)}: {whose} is burnt out.",
        )  # fmt: skip


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _centre(hole: MeasuredHole) -> Array:
    assert hole.opening.rim is not None, "a hole has a rim"
    return hole.opening.rim.centre


def _away(glare: Glare, centre_px: Array) -> str:
    """Which way the lamp has to go: its mirror image on a level face goes the same way as it does."""
    if not len(glare.areas_mm2):
        return "further away"
    nearest = int(np.argmin(np.linalg.norm(glare.middles_px - centre_px, axis=1)))
    way = glare.middles_px[nearest] - centre_px
    return max(DIRECTIONS.items(), key=lambda named: float(np.dot(named[0], way)))[1]


def burnt_rim_share(luma: Array, scale: Scale, part: MeasuredPart, hole: MeasuredHole) -> float:
    """Share of the directions round the hole in which the metal or what shows through the hole is burnt out beside the rim."""
    return _burnt_share(luma, scale, part, *border_of_rim(hole))


def burnt_edge_share(luma: Array, scale: Scale, part: MeasuredPart, hole: MeasuredHole) -> float:
    """Share of the nearest edge, near its nearest point, beside which it is burnt out; 0 where no edge is known."""
    border, into_metal = border_of_foot(hole)
    return _burnt_share(luma, scale, part, border, into_metal) if len(border) else 0.0


def border_of_rim(hole: MeasuredHole) -> tuple[Array, Array]:
    """Points (N, 2) mm round the hole on its rim, and the unit directions into the metal there."""
    rim = hole.opening.rim
    assert rim is not None, "a hole has a rim"
    angles = 2 * np.pi * np.arange(RIM_ANGLES) / RIM_ANGLES
    out = np.column_stack([np.cos(angles), np.sin(angles)])
    rims = np.broadcast_to(rim.centre, out.shape)
    if hole.opening.ends_mm is not None:
        first, second = hole.opening.ends_mm
        rims = np.where((out @ (second - first) > 0)[:, None], second, first)
    return rims + rim.radius * out, out


def border_of_foot(hole: MeasuredHole) -> tuple[Array, Array]:
    """Points (N, 2) mm along the nearest edge, near its nearest point, and the directions into the metal; none if unknown."""
    foot = hole.edge.foot
    if not hole.edge.known or foot is None:
        return np.empty((0, 2)), np.empty((0, 2))
    inward = _centre(hole) - foot.point
    inward = inward / max(float(np.linalg.norm(inward)), 1e-9)
    along = np.linspace(-EDGE_HALF_MM, EDGE_HALF_MM, RIM_ANGLES)[:, None] * np.array([-inward[1], inward[0]])
    return foot.point + along, np.broadcast_to(inward, along.shape)


def _burnt_share(luma: Array, scale: Scale, part: MeasuredPart, border_mm: Array, into_metal: Array) -> float:
    """Share of border points (N, 2) beside which more than half of the metal, or of what lies behind it, is burnt out.

    into_metal: (N, 2) unit. What lies behind shows in front of the upper face's border or, past a wall, of the lower one's.
    """
    middle = border_mm.mean(axis=0)
    sigma_mm = scale.tone.sigma_at(middle) / scale.px_per_mm(middle)
    depths = np.linspace(FIRST_DEPTH_SIGMAS, LAST_DEPTH_SIGMAS, RIM_DEPTHS) * sigma_mm
    metal = _codes(luma, scale, border_mm[:, None] + depths[:, None] * into_metal[:, None], part.plate.top_mm)
    outside = border_mm[:, None] - depths[:, None] * into_metal[:, None]
    behind = np.maximum(*(_codes(luma, scale, outside, z_mm) for z_mm in (part.plate.bottom_mm, part.plate.top_mm)))
    burnt = ((metal >= CLIPPED_CODE).mean(axis=1) > 0.5) | ((behind >= WHITE_CODE).mean(axis=1) > 0.5)
    return float(np.mean(burnt))


def _codes(luma: Array, scale: Scale, points_mm: Array, z_mm: float) -> Array:
    """Code values at points (N, K, 2) of the plane z."""
    flat = points_mm.reshape(-1, 2)
    px = scale.camera.project(np.column_stack([flat, np.full(len(flat), z_mm)]))
    return np.asarray(sample(luma, px).reshape(points_mm.shape[:2]))


def _small(scale: Scale, hole: MeasuredHole, name: str) -> Iterator[JudgeNote]:
    """A hole that is small against the blur."""
    middle = _centre(hole)
    sigma_mm = scale.tone.sigma_at(middle) / scale.px_per_mm(middle)
    ratio = sigma_mm / max(hole.diameter.value, 1e-6)
    level = SOFT_SIGMAS.level(ratio)
    if level != "fine":
        yield JudgeNote(
            name="blur over diameter", level=level, figure=round(ratio, 3), unit="1", limit=SOFT_SIGMAS.by_hand, holes=(name,),
            sentence=f"{name} is only {1 / ratio:.0f} blur widths across.",
            advice="Come nearer, and let the phone focus on the part.",
        )  # fmt: skip
