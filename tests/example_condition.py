"""The example part with its edge condition: a burr on H1, a clean H2, an H3 whose rim the photo shows too softly, and edges."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from holeinspect.inspection import Condition, Corner, EdgeRing, Finding, Hole, Inspection, Part, PartEdge
from holeinspect.measure.moves import Move
from tests.example_inspection import (
    GOOD_XY,
    OUT_OF_VIEW_XY,
    PX_PER_MM,
    SHORT_XY,
    SIZE_PX,
    figure,
    good_hole,
    inspection,
    part,
    px,
    short_hole,
    undecided_hole,
)

ENTRIES = 240  # of a profile
LIMIT_MM = 0.1
BURR_HOUR, BURR_MM, BURR_WIDTH_HOURS = 4.0, 0.25, 0.35


def rim_condition(centre: tuple[float, float], diameter_mm: float, **more: object) -> Condition:
    """A rim with a burr of `burr_mm` at 4 o'clock, a slight waviness, and U of 0.02 mm in its profile."""
    burr_mm = float(str(more.pop("burr_mm", 0.0)))
    hours = (np.arange(ENTRIES) + 1) * 12 / ENTRIES
    apart = (hours - BURR_HOUR + 6) % 12 - 6
    deviation = 0.008 * np.cos(hours / 12 * 2 * np.pi * 3) + burr_mm * np.exp(-0.5 * (apart / BURR_WIDTH_HOURS) ** 2)
    angle = hours / 12 * 2 * np.pi
    radius = diameter_mm / 2 - deviation
    points = [
        px(centre[0] + r * math.sin(a), centre[1] + r * math.cos(a)) for r, a in zip(radius, angle, strict=True)
    ]
    known: dict[str, object] = {
        "protrusion": figure(float(deviation.max()), 0.02), "protrusion_at": float(hours[np.argmax(deviation)]),
        "recess": figure(0.008, 0.02), "recess_at": 10.0, "rms": figure(0.01, 0.004),
        "affected_share": figure(float((deviation > LIMIT_MM).mean()), 0.02, "1"), "cutoff": 50.0, "cutoff_unit": "UPR",
        "limit_mm": LIMIT_MM, "smallest_shown_mm": 0.06, "shown": True,
        "profile": tuple((float(h), float(d), 0.01) for h, d in zip(hours, deviation, strict=True)),
        "contour_px": tuple(points),
    }  # fmt: skip
    return Condition.model_validate(known | more)


def edge_condition(stub_mm: float = 0.0, **more: object) -> Condition:
    """The lower edge of the tab, from (-30, -15) to (30, -15), with a stub at 23 mm."""
    along = np.linspace(0, 60, 121)
    deviation = 0.01 * np.sin(along) + stub_mm * (np.abs(along - 23.0) < 1.0)
    points = [px(-30 + s, -15 - d) for s, d in zip(along, deviation, strict=True)]
    known: dict[str, object] = {
        "protrusion": figure(float(deviation.max()), 0.02), "protrusion_at": 23.0, "recess": figure(0.01, 0.02),
        "recess_at": 40.0, "rms": figure(0.01, 0.004), "affected_share": figure(0.03 if stub_mm else 0.0, 0.01, "1"),
        "cutoff": 0.8, "cutoff_unit": "mm", "limit_mm": LIMIT_MM, "smallest_shown_mm": 0.06, "shown": True,
        "profile": tuple((float(s), float(d), 0.01) for s, d in zip(along, deviation, strict=True)),
        "contour_px": tuple(points),
    }  # fmt: skip
    return Condition.model_validate(known | more)


def lower_edge(stub_mm: float = 0.0, **more: object) -> PartEdge:
    return PartEdge(
        name="E1", kind="straight", points_px=(px(-30, -15), px(30, -15)), length_mm=60.0,
        start_corner="K1", end_corner="K2", condition=edge_condition(stub_mm, **more),
    )  # fmt: skip


def corners() -> tuple[Corner, ...]:
    return tuple(
        Corner(name=f"K{n}", kind="outside", radius=figure(1.0, 0.05), point_mm=at, point_px=px(*at))
        for n, at in enumerate(((-30.0, -15.0), (30.0, -15.0)), 1)
    )


def finding(at_mm: tuple[float, float], **more: object) -> Finding:
    x, y = px(*at_mm)
    reach = PX_PER_MM
    known: dict[str, object] = {
        "kind": "burr", "part": "P1", "subject": "H1", "place": "H1 at 4 o'clock", "at": BURR_HOUR,
        "size": figure(BURR_MM, 0.02), "length_mm": 0.6, "limit_mm": LIMIT_MM, "decided": True,
        "box_px": (x - reach, y - reach, x + reach, y + reach), "point_px": (x, y),
        "sentence": "A burr stands 0.250 ± 0.040 mm into the opening, allowed 0.10 mm.",
        "remedy": "Deburr the rim, one light turn.",
    }  # fmt: skip
    return Finding.model_validate(known | more)


def burr_finding(**more: object) -> Finding:
    angle = BURR_HOUR / 12 * 2 * math.pi
    radius = 3.264 / 2 - BURR_MM
    return finding((GOOD_XY[0] + radius * math.sin(angle), GOOD_XY[1] + radius * math.cos(angle)), **more)


def stub_finding(**more: object) -> Finding:
    known: dict[str, object] = {
        "kind": "tab stub", "subject": "E1", "place": "E1, 23 mm from K1", "at": 23.0, "size": figure(0.4, 0.03),
        "length_mm": 2.0, "sentence": "A tab stub stands 0.400 ± 0.060 mm off the edge, allowed 0.10 mm.",
        "remedy": "File it flush, strokes along the edge.",
    }  # fmt: skip
    return finding((-7.0, -15.2), **(known | more))


def burred_hole() -> Hole:
    burred = rim_condition(GOOD_XY, 3.264, burr_mm=BURR_MM)
    return good_hole().model_copy(update={"condition": burred, "verdict": "rework"})


def clean_hole() -> Hole:
    ring = EdgeRing(kind="broken edge", width=figure(0.15, 0.02), seen_share=0.9)
    return short_hole().model_copy(update={"condition": rim_condition(SHORT_XY, 3.264), "ring": ring})


def soft_hole() -> Hole:
    soft = rim_condition(OUT_OF_VIEW_XY, 5.0, smallest_shown_mm=0.18, shown=False)
    return undecided_hole().model_copy(update={"condition": soft})


def with_condition(**more: object) -> Inspection:
    """Findings worst first: a stub on the lower edge, a burr on H1."""
    whole = part(
        "P1", (burred_hole(), clean_hole(), soft_hole()), "rework", edges=(lower_edge(0.4),), corners=corners()
    )
    return inspection(whole, **({"findings": (stub_finding(), burr_finding())} | more))


def laid(result: Inspection, move: Move) -> Inspection:
    """The same part photographed as it lies after a move of the mat plane; its camera looks straight down as before."""

    def mm(points: Iterable[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
        array = np.array(list(points), float).reshape(-1, 2)
        return tuple((float(x), float(y)) for x, y in move(array))

    def pixels(points: Iterable[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
        plane = [((x - SIZE_PX[0] / 2) / PX_PER_MM, (SIZE_PX[1] / 2 - y) / PX_PER_MM) for x, y in points]
        return tuple(px(x, y) for x, y in mm(plane))

    def condition(seen: Condition | None) -> Condition | None:
        return None if seen is None else seen.model_copy(update={"contour_px": pixels(seen.contour_px)})

    def hole_there(one: Hole) -> Hole:
        return one.model_copy(
            update={
                "centre_mm": mm([one.centre_mm])[0], "centre_px": pixels([one.centre_px])[0],
                "outline_px": pixels(one.outline_px), "condition": condition(one.condition),
            }
        )  # fmt: skip

    def part_there(one: Part) -> Part:
        return one.model_copy(
            update={
                "holes": tuple(map(hole_there, one.holes)),
                "outline_mm": mm(one.outline_mm), "outline_px": pixels(one.outline_px),
                "edges": tuple(
                    edge.model_copy(update={"points_px": pixels(edge.points_px), "condition": condition(edge.condition)})
                    for edge in one.edges
                ),
                "corners": tuple(
                    corner.model_copy(update={"point_mm": mm([corner.point_mm])[0], "point_px": pixels([corner.point_px])[0]})
                    for corner in one.corners
                ),
            }
        )  # fmt: skip

    def finding_there(one: Finding) -> Finding:
        corners_px = np.array(pixels([one.box_px[:2], one.box_px[2:]]))
        box = (*corners_px.min(axis=0).tolist(), *corners_px.max(axis=0).tolist())
        return one.model_copy(update={"point_px": pixels([one.point_px])[0], "box_px": box})

    return result.model_copy(
        update={"parts": tuple(map(part_there, result.parts)), "findings": tuple(map(finding_there, result.findings))}
    )


def reworked(**more: object) -> Inspection:
    """The example after good rework: no burr, no stub, every rim and edge shown, every verdict good."""
    rims = {"H1": (GOOD_XY, 3.264), "H2": (SHORT_XY, 3.264), "H3": (OUT_OF_VIEW_XY, 5.0)}
    holes = tuple(
        one.model_copy(update={"condition": rim_condition(*rims[one.name]), "verdict": "good", "reasons": ()})
        for one in (good_hole(), short_hole(), undecided_hole())
    )
    photo = inspection().photo.model_copy(update={"name": "hm300_after.jpg", "sha256": "1" * 64})
    whole = part("P1", holes, "good", edges=(lower_edge(),), corners=corners())
    return inspection(whole, **({"photo": photo} | more))
