"""An inspection put together by hand, and a drawn photo to go with it: an invented tab, HM-300, 60 x 30 mm, 2 mm thick.

The photo is 1200 x 900 px at 10 px/mm, mat frame's origin at its middle, y up.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from holeinspect.inspection import (
    BudgetLine,
    EdgePoint,
    Figure,
    Hole,
    Inspection,
    OutOfRound,
    Part,
    PhotoNote,
    Pitch,
    ReasonNote,
    RimNote,
    ScaleNote,
    SizeNote,
)

PX_PER_MM = 10.0
SIZE_PX = (1200, 900)
GOOD_XY, SHORT_XY, OUT_OF_VIEW_XY = (-20.0, 0.0), (0.0, 11.0), (20.0, 0.0)
METAL, BACKDROP = 200, 30  # code values


def px(x_mm: float, y_mm: float) -> tuple[float, float]:
    return SIZE_PX[0] / 2 + PX_PER_MM * x_mm, SIZE_PX[1] / 2 - PX_PER_MM * y_mm


def example_photo() -> npt.NDArray[np.uint8]:
    """(900, 1200, 3) RGB: a bright plate with three dark holes on a dark backdrop."""
    columns, rows = np.meshgrid(np.arange(SIZE_PX[0]), np.arange(SIZE_PX[1]))
    x, y = (columns - SIZE_PX[0] / 2) / PX_PER_MM, (SIZE_PX[1] / 2 - rows) / PX_PER_MM
    metal = (np.abs(x) <= 30) & (np.abs(y) <= 15)
    for (hole_x, hole_y), diameter in ((GOOD_XY, 3.264), (SHORT_XY, 3.264), (OUT_OF_VIEW_XY, 5.0)):
        metal &= np.hypot(x - hole_x, y - hole_y) > diameter / 2
    return np.repeat(np.where(metal, METAL, BACKDROP).astype(np.uint8)[..., None], 3, axis=2)


def figure(value: float, u: float, unit: str = "mm") -> Figure:
    lines = (BudgetLine(name="edge noise", u=0.6 * u), BudgetLine(name="print scale", u=0.8 * u, note="from readings"))
    return Figure.model_validate({"value": value, "u": u, "unit": unit, "budget": lines})


def circle_px(centre: tuple[float, float], diameter_mm: float) -> tuple[tuple[float, float], ...]:
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    x, y = centre[0] + diameter_mm / 2 * np.cos(angle), centre[1] + diameter_mm / 2 * np.sin(angle)
    return tuple(px(float(a), float(b)) for a, b in zip(x, y, strict=True))


def hole(name: str, centre: tuple[float, float], diameter_mm: float, **more: object) -> Hole:
    known: dict[str, object] = {
        "name": name,
        "centre_mm": centre,
        "centre_u_mm": (0.005, 0.005),
        "centre_px": px(*centre),
        "outline_px": circle_px(centre, diameter_mm),
        "diameter": figure(diameter_mm, 0.0105),
        "nominal": SizeNote(label="#30", diameter_mm=3.264, deviation_mm=0.0, candidates=("#30",)),
        "out_of_round": OutOfRound(value=0.021, u=0.006, cutoff_upr=15),
        "rim": RimNote(share_fitted=0.9, contrast=0.7),
        "rule_basis": "No fastener named: D is 3.26 mm, drill #30; edge distance at least 2 D, pitch at least 3 D.",
    }
    return Hole.model_validate(known | more)


def good_hole() -> Hole:
    y = GOOD_XY[1]
    return hole(
        "H1", GOOD_XY, 3.264, verdict="good",
        edge_distance=figure(10.0, 0.02), edge_ratio=figure(3.064, 0.006, "1"),
        edge_point=EdgePoint(point_mm=(-30.0, y)), edge_point_px=px(-30.0, y),
        pitch=Pitch(value=22.825, u=0.015, to="H2", ratio=figure(6.993, 0.005, "1")),
    )  # fmt: skip


def short_hole() -> Hole:
    short = ReasonNote(
        name="short edge", sentence="edge distance 4.000 ± 0.040 mm, needed 6.53 mm (2 D)", remedy="Ask the plans."
    )
    return hole(
        "H2", SHORT_XY, 3.264, verdict="rework", reasons=(short,),
        edge_distance=figure(4.0, 0.02), edge_ratio=figure(1.225, 0.006, "1"),
        edge_point=EdgePoint(point_mm=(0.0, 15.0)), edge_point_px=px(0.0, 15.0),
        pitch=Pitch(value=22.825, u=0.015, to="H1", ratio=figure(6.993, 0.005, "1")),
    )  # fmt: skip


def undecided_hole() -> Hole:
    unseen = ReasonNote(
        name="edge not in view", sentence="at least 7.5 mm away, needed 10.0 mm", remedy="Show the part."
    )
    sizes = SizeNote(label="5 mm or #9", diameter_mm=5.0, deviation_mm=0.01, candidates=("#9", "5 mm"), ambiguous=True)
    return hole(
        "H3", OUT_OF_VIEW_XY, 5.0, verdict="measure by hand", reasons=(unseen,), nominal=sizes,
        edge_not_in_view=True, edge_at_least_mm=7.5,
        readings=("measure the edge distance of H3 with a calliper: 10.04 mm or more passes",),
    )  # fmt: skip


def part(name: str, holes: tuple[Hole, ...], verdict: str, **more: object) -> Part:
    corners = ((-30.0, -15.0), (30.0, -15.0), (30.0, 15.0), (-30.0, 15.0))
    known: dict[str, object] = {
        "name": name, "thickness_mm": 2.0, "face_height_mm": 2.0, "outline_mm": corners,
        "outline_px": tuple(px(*corner) for corner in corners), "whole_in_view": True,
        "holes": holes, "verdict": verdict,
    }  # fmt: skip
    return Part.model_validate(known | more)


def inspection(*parts: Part, **more: object) -> Inspection:
    scale = ScaleNote(
        reference="mat a4", page="a4", camera_height=figure(350.0, 1.0), nadir_mm=(3.0, -40.0), tilt_deg=8.2,
        focal_length_px=figure(3010.0, 12.0, "px"), px_per_mm=10.0, print_scale=(1.001, 0.9997),
        print_scale_u=(0.0002, 0.0002), print_checked=True, boundaries_used=440, boundaries_seen=452,
        residual_px=0.05, blur_px=1.1, distortion=(0.01, -0.02, 0.0, 0.0, 0.0),
    )  # fmt: skip
    photo = PhotoNote(
        name="hm300.jpg", sha256="0" * 64, format="JPEG", width_px=SIZE_PX[0], height_px=SIZE_PX[1], orientation=1
    )
    return Inspection.model_validate({"parts": parts, "scale": scale, "photo": photo} | more)


def example(**more: object) -> Inspection:
    """One part with a good hole, a short edge, and a hole whose nearest edge is out of view."""
    return inspection(part("P1", (good_hole(), short_hole(), undecided_hole()), "rework"), **more)


def good_example(**more: object) -> Inspection:
    return inspection(part("P1", (good_hole(),), "good"), **more)
