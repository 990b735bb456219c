"""Photos of plates full of holes, with the truth about every rim: simulated ones, and path-traced ones from a folder."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from holeinspect.measured import Array
from tests.simulator.phone import PHONES
from tests.simulator.scene import Broken, Burr, Hole, Levels, Light, Mat, Part, Rim, Scene, Sharp
from tests.simulator.shot import Shot, Simulated, simulate
from tests.simulator.view import Lens, Pose

HEIGHT_MM, FOCAL_PX = 243.0, 2912.0
"""A whole A4 page at 12 px/mm."""
THICKNESSES_MM = (0.8, 1.0, 1.6, 3.2)
DRILLS_MM = (2.489, 3.264, 4.039, 4.851, 6.35, 8.0, 9.525)
ACROSS_MM, ALONG_MM = 62.0, 94.0
COLUMNS_MM, ROWS_MM = np.arange(-51.0, 52, 17), np.arange(-81.0, 82, 18)
BURRED_SHARE, SHARP_SHARE = 0.45, 0.23
LEAN_MM, COVER, RAGGED_MM, CHAMFER_MM = (0.03, 0.25), (0.1, 1.0), (0.25, 0.6), (0.04, 0.2)


@dataclass(frozen=True, slots=True)
class TrueRim:
    """centre_mm: mat frame. state: sharp, broken, countersunk or burr. lean_mm: greatest reach of the burr into the opening.

    seen_mm: the same as the camera sees it, a burr that stands up being seen aslant.
    """

    centre_mm: tuple[float, float]
    state: str
    lean_mm: float = 0.0
    seen_mm: float = 0.0


@dataclass(frozen=True)
class RimPhoto:
    """A photo, what the builder says of it, and the truth."""

    family: str
    name: str
    jpeg: bytes
    thickness_mm: float
    rims: tuple[TrueRim, ...]
    optics_px: float


def simulated(number: int, optics_px: float | None = None, burred: bool = True) -> RimPhoto:
    """The plate of a number, its phone taking turns. optics_px: another blur. burred False: all rims clean."""
    rng = np.random.default_rng([7, number])
    phone = list(PHONES.values())[number % len(PHONES)]
    phone = phone if optics_px is None else replace(phone, optics_px=optics_px)
    thickness = THICKNESSES_MM[number % len(THICKNESSES_MM)]
    rows = tuple(
        (x, y, 3.0) for x, y in ((-ACROSS_MM, -ALONG_MM), (ACROSS_MM, -ALONG_MM), (ACROSS_MM, ALONG_MM), (-ACROSS_MM, ALONG_MM))
    )
    face = float(rng.uniform(0.3, 0.75))
    levels = Levels(
        face, face * float(rng.uniform(0.1, 0.5)), face * float(rng.uniform(0.35, 1.3)), face * float(rng.uniform(0.4, 1.4))
    )
    holes = tuple(_holes(rng, burred))
    part = Part(thickness, rows, holes, rotate_deg=float(rng.uniform(-3, 3)), levels=levels, streak=float(rng.uniform(0, 0.08)))
    tilt, azimuth = np.radians(rng.uniform(2, 12)), rng.uniform(0, 2 * np.pi)
    off = HEIGHT_MM * np.tan(tilt)
    pose = Pose((off * np.cos(azimuth), off * np.sin(azimuth), HEIGHT_MM), (0, 0, 0), 90.0)
    light = Light((float(rng.uniform(-0.1, 0.1)), float(rng.uniform(-0.1, 0.1))))
    taken = simulate(Shot(Scene(Mat(), (part,), light), pose, Lens(FOCAL_PX), phone, number))
    return RimPhoto("simulated", f"{phone.name}-{number}", taken.jpeg, thickness, tuple(_true(taken)), phone.optics_px)


def _holes(rng: np.random.Generator, burred: bool) -> Iterator[Hole]:
    for y in ROWS_MM:
        for x in COLUMNS_MM:
            at = (x + rng.uniform(-1, 1), y + rng.uniform(-1, 1))
            yield Hole(at, float(rng.choice(DRILLS_MM)), _rim(rng, burred))


def _rim(rng: np.random.Generator, burred: bool) -> Rim:
    kind, chamfer = rng.random(), float(rng.uniform(*CHAMFER_MM))
    lip = Burr(float(rng.uniform(*LEAN_MM)), float(rng.uniform(*COVER)), float(rng.uniform(*RAGGED_MM)))
    if burred and kind < BURRED_SHARE:
        return lip
    return Sharp() if kind < BURRED_SHARE + SHARP_SHARE else Broken(chamfer)


def _true(taken: Simulated) -> Iterator[TrueRim]:
    part = taken.shot.scene.parts[0]
    for hole, truth, opening in zip(part.holes, taken.holes, taken.burred_openings(), strict=True):
        if not isinstance(hole.rim, Burr):
            yield TrueRim(truth.centre_mm, "broken" if isinstance(hole.rim, Broken) else "sharp")
            continue
        ring = np.array(opening.exterior.coords) - hole.centre_mm
        lean = float(hole.diameter_mm / 2 - np.hypot(*ring.T).min())
        yield TrueRim(truth.centre_mm, "burr", lean, lean)


def traced_names(folder: Path) -> list[str]:
    """Photos of the folder that are there with their truth."""
    return sorted(file.stem for file in folder.glob("*.jpg") if (folder / f"{file.stem}.burr.json").exists())


def traced(folder: Path, name: str) -> RimPhoto:
    """A path-traced photo, made with burr_scenes.py."""
    scene = json.loads((folder / f"{name}.json").read_text())
    part = scene["parts"][0]
    turn = np.radians(part["rotate"])
    mat_from_part = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    lips = json.loads((folder / f"{name}.burr.json").read_text())["holes"]
    camera = np.array(scene["camera"]["position"])
    rims = [
        _traced_rim(hole, lip, mat_from_part, camera, part["thickness"]) for hole, lip in zip(part["holes"], lips, strict=True)
    ]
    jpeg = (folder / f"{name}.jpg").read_bytes()
    return RimPhoto("path-traced", name, jpeg, part["thickness"], tuple(rims), scene["camera"]["blur"])


def _traced_rim(hole: dict[str, Any], lip: dict[str, Any], mat_from_part: Array, camera: Array, top_mm: float) -> TrueRim:
    centre = mat_from_part @ [hole["x"], hole["y"]]
    at = (float(centre[0]), float(centre[1]))
    lean, height = np.array(lip["lean"]), np.array(lip["height"])
    if not len(lean):
        return TrueRim(at, hole["edge"]["state"])
    radius = hole["d"] / 2
    outward = mat_from_part @ np.array([np.cos(lip["angle"]), np.sin(lip["angle"])])
    tip = centre[:, None] + (radius - lean) * outward
    seen = camera[:2, None] + (tip - camera[:2, None]) * (camera[2] - top_mm) / (camera[2] - top_mm - height)
    reach = np.where(lean > 0, radius - np.hypot(*(seen - centre[:, None])), 0)
    return TrueRim(at, "burr", float(lean.max()), float(max(reach.max(), 0)))
