"""The judge of what a part lies on: how surely the part was found there, and lines of the surface that run into its rims."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import KDTree

from holeinspect.find import FoundPart
from holeinspect.inspection import JudgeNote
from holeinspect.judge.photo import LevelWord, Limits
from holeinspect.judge.rims import Judged, border_of_foot, border_of_rim
from holeinspect.measure.part import MeasuredPart
from holeinspect.measured import Array
from holeinspect.scale.find import Scale

SURE = Limits(0.9, 0.75, falling=True)
"""Confidence of the finder: share of the contour seen, and how clearly (find/parts.py)."""
REACH_SIGMAS = 4.0
"""Blur widths from a border within which a line of the surface spoils it."""
RIM_SHARE = Limits(0.01, 0.02)
"""Share of a rim at which lines end: the least line across a hole feigns a burr or bends the circle."""
EDGE_SHARE = Limits(0.01, 0.30)
"""Share of the nearest edge beside which lines run: those across are left out by the fit, one along it looks like the edge."""
OVER_GRAIN = Limits(15.0, 7.0, falling=True)
"""Step of log light to the part over the grain of the ground: at 5 four edge distances of six on a path-traced board left U,
always too short, and burrs were seen where there were none."""
UNSURE, LINED = "part unsure", "patterned ground"
"""Reasons of rules.REASONS."""
TAP = "Tap the part on its metal (--part-at x,y), or lay it on a plain surface that differs from it more."
PLAIN_SHEET = "Lay a plain sheet of paper under the part, or turn the cutting mat over."


@dataclass(frozen=True, slots=True)
class Laid:
    """A part as found, its name, what goes before the names of its holes ("P2." or nothing), whether the user pointed at it."""

    found: FoundPart
    called: str
    prefix: str
    pointed_at: bool


def judge_ground(judged: Judged, laid: Laid, scale: Scale) -> Judged:
    """Add what is to be said of the ground."""
    found = laid.found
    sure = _sureness(laid, scale)
    grain = OVER_GRAIN.level(found.over_grain) if scale.plain is not None else "fine"
    doubts = [UNSURE] if sure.level == "measure by hand" else []
    doubts += [LINED] if grain == "measure by hand" else []
    part = judged.part
    spoilt = [_spoilt(part, number, found, scale) for number in range(len(part.holes))]
    holes = tuple(
        replace(hole, doubts=tuple(dict.fromkeys([*hole.doubts, *doubts, *([LINED] if level == "measure by hand" else [])])))
        for hole, (level, _) in zip(part.holes, spoilt, strict=True)
    )
    if len(found.lines_px):
        doubts.append(LINED)  # of the edges' condition: lines that end at them look like burrs
    part = replace(part, holes=holes, doubts=tuple(dict.fromkeys([*part.doubts, *doubts])))
    return Judged(part, (sure, *judged.notes, *_lines(laid, spoilt), *_grain(laid, grain)))


def _sureness(laid: Laid, scale: Scale) -> JudgeNote:
    """How surely the part was found. On a mat, what is out of view is told edge by edge, and nothing more hangs on it."""
    confidence = laid.found.confidence
    level = SURE.level(confidence)
    if level == "measure by hand" and (laid.pointed_at or scale.plain is None):
        level = "doubt"
    return JudgeNote(
        name="part", level=level, figure=round(100 * confidence, 1), unit="%", limit=100 * SURE.by_hand,
        sentence=f"{laid.called} was found with {confidence:.0%} confidence, by how much of its contour is seen and how "
                 f"clearly it differs from what it lies on{'; it was pointed at' if laid.pointed_at else ''}.",
        advice="" if level == "fine" or laid.pointed_at else TAP,
    )  # fmt: skip


def _spoilt(part: MeasuredPart, number: int, found: FoundPart, scale: Scale) -> tuple[LevelWord, float]:
    """How far a hole cannot be trusted for the lines that run into its rim and edge, and the greater share of either."""
    if not len(found.lines_px):
        return "fine", 0.0
    hole, tree = part.holes[number], KDTree(found.lines_px)
    rim, edge = (_share(tree, scale, part, border) for border in (border_of_rim(hole)[0], border_of_foot(hole)[0]))
    if not found.lines_told:  # a line may have been taken for metal anywhere
        return "measure by hand", max(rim, edge)
    levels: tuple[LevelWord, ...] = (RIM_SHARE.level(rim), EDGE_SHARE.level(edge))
    return max(levels, key=("fine", "doubt", "measure by hand").index), max(rim, edge)


def _share(lines: KDTree, scale: Scale, part: MeasuredPart, border_mm: Array) -> float:
    """Share of border points (N, 2) near which a line lies, as either face of the part shows them."""
    if not len(border_mm):
        return 0.0
    reach_px = REACH_SIGMAS * scale.tone.sigma_at(border_mm.mean(axis=0))
    near = np.zeros(len(border_mm), bool)
    for z_mm in (part.plate.bottom_mm, part.plate.top_mm):
        px = scale.camera.project(np.column_stack([border_mm, np.full(len(border_mm), z_mm)]))
        near |= lines.query(px)[0] < reach_px
    return float(near.mean())


def _lines(laid: Laid, spoilt: Sequence[tuple[LevelWord, float]]) -> Iterator[JudgeNote]:
    found = laid.found
    if not len(found.lines_px):
        return
    names = tuple(f"{laid.prefix}H{number}" for number, (level, _) in enumerate(spoilt, 1) if level == "measure by hand")
    told = "" if found.lines_told else ", in the colour of what lies on it"
    x, y = found.lines_px[len(found.lines_px) // 2]
    worst = max((share for _, share in spoilt), default=0.0)
    yield JudgeNote(
        name="lines", level="measure by hand" if names else "doubt", figure=round(100 * worst, 1), unit="%",
        limit=100 * RIM_SHARE.by_hand, holes=names, point_px=(float(x), float(y)),
        sentence=f"{laid.called} lies on printed lines or cuts that run into its rims and edges{told}.", advice=PLAIN_SHEET,
    )  # fmt: skip


def _grain(laid: Laid, level: LevelWord) -> Iterator[JudgeNote]:
    if level != "fine":
        yield JudgeNote(
            name="grain", level=level, figure=round(laid.found.over_grain, 1), unit="1", limit=OVER_GRAIN.by_hand,
            sentence=f"{laid.called} differs in brightness from what it lies on by only {laid.found.over_grain:.1f} times that "
                     "surface's own grain.",
            advice="Lay a plain sheet of paper under the part, much brighter or darker than it.",
        )  # fmt: skip
