"""Scene files of plates with burred, clean, broken and countersunk rims, tab stubs and nicks, for a path tracer.

    python benchmarks/burr_scenes.py RENDER_PY MAT_PNG FOLDER

RENDER_PY is the tracer's module: it builds the meshes, so it also says what every burr truly looks like. For each scene
NAME.json there is NAME.burr.json: per hole the lip's lean and height round the rim, of the outline its stubs, nicks and
corners. The same plates come in good light, inked, scratched, under film, in glare and soft.
"""

from __future__ import annotations

import importlib.util
import json
import math
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import typer

Json = dict[str, Any]

PAGE_MM = (210.0157, 297.0107)
"""Size of the A4 raster at 600 dpi."""
PIXELS = (4032, 3024)
FOCAL_35 = 26.0
HEIGHT_MM = 243.0
"""From here the photo has 12 px/mm on the mat."""
WIDTH_MM, LENGTH_MM = 124.0, 188.0
"""The plates: nearly as large as the mat's window."""
HOLES_MM = (2.489, 3.264, 4.039, 4.851, 6.35, 8.0, 9.525)
LIP_STEP_MM = 0.08
"""Of the tracer's burred rings."""
COLUMN_MM, ROW_MM = 17.0, 18.0
NOTCH_MM = (16.0, 9.0)
NOTCH_RADII_MM = (0.5, 0.8, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
OUTER_RADIUS_MM = 1.2

BRUSHED = {"kind": "brushed", "streak": 0.12, "alpha": [0.18, 0.34]}
MILL = {"kind": "brushed", "streak": 0.04, "along": 60, "fine": 1.5, "alpha": [0.14, 0.24], "reflect": 0.88}
DULL = {"kind": "brushed", "streak": 0.08, "along": 12, "fine": 4, "alpha": [0.30, 0.48], "reflect": 0.8}
COARSE = {"kind": "brushed", "streak": 0.2, "along": 80, "fine": 1.2, "alpha": [0.15, 0.36]}
WINDOW = {
    "ambient": [0.30, 0.31, 0.33],
    "panels": [{"at": [-1100, 300, 1100], "size": [1100, 1300], "radiance": [5.5, 5.8, 6.4]}],
}
OVERCAST = {"ambient": [0.9, 0.93, 1.0], "panels": [{"at": [0, 900, 1500], "size": [1500, 800], "radiance": [1.5, 1.55, 1.65]}]}
LAMP = {"ambient": [0.22, 0.20, 0.17], "panels": [{"at": [650, 500, 900], "size": [260, 260], "radiance": [42, 36, 28]}]}
TUBES = {
    "ambient": [0.28, 0.28, 0.27],
    "panels": [
        {"at": [-500, 0, 1500], "size": [180, 1400], "radiance": [13, 13, 12]},
        {"at": [600, 0, 1500], "size": [180, 1400], "radiance": [13, 13, 12]},
    ],
}
TWO_SIDES = {
    "ambient": [0.3, 0.3, 0.3],
    "panels": [
        {"at": [-1000, 0, 900], "size": [700, 900], "radiance": [6, 6.1, 6.4]},
        {"at": [1000, -300, 1100], "size": [500, 500], "radiance": [7, 6.6, 6.0]},
    ],
}
GOOD = {"blur": 0.65, "electrons": 9000, "curve": 0.12, "sharpen": 0.35, "jpeg": 90, "aperture": 1.4}
RAWISH = {"blur": 0.55, "electrons": 7000, "curve": 0.0, "sharpen": 0.0, "jpeg": 93, "aperture": 1.2}
HARD = {"blur": 0.75, "electrons": 4500, "curve": 0.28, "sharpen": 0.7, "jpeg": 87, "denoise": 0.02, "aperture": 1.4}
SOFT = {"blur": 1.9, "electrons": 5000, "curve": 0.2, "sharpen": 0.5, "jpeg": 88, "denoise": 0.03, "aperture": 1.4}
SHAKEN = {"blur": 0.9, "electrons": 4500, "curve": 0.2, "sharpen": 0.4, "jpeg": 88, "aperture": 1.4, "motion": [3.0, 35.0]}


@dataclass(frozen=True, slots=True)
class Photo:
    """How one plate is photographed. marks: what lies on its face."""

    name: str
    plate: int
    light: Json
    phone: Json
    tilt_deg: float
    finish: Json
    marks: Callable[[np.random.Generator], list[Json]] = field(default=lambda rng: [])
    dressed: bool = False
    """The burrs taken off: their rims are broken."""


def ink(rng: np.random.Generator) -> list[Json]:
    """Layout lines through the holes, along and across."""
    across = [_line((-58, y), (58, y), 0.6, (0.02, 0.03, 0.25)) for y in np.arange(-72, 73, ROW_MM)[::2]]
    along = [_line((x, -88), (x, 88), 0.4, (0.25, 0.02, 0.02)) for x in np.arange(-51, 52, COLUMN_MM)[::2]]
    return across + along


def scratches(rng: np.random.Generator) -> list[Json]:
    """Thin bright lines at random, many of them running into rims."""
    ends = rng.uniform([-60, -90], [60, 90], (60, 2))
    turn = rng.uniform(0, np.pi, 60)
    reach = rng.uniform(5, 25, 60)[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    return [_line(tuple(e - r), tuple(e + r), 0.12, (0.85, 0.85, 0.85)) for e, r in zip(ends, reach, strict=True)]


def film(rng: np.random.Generator) -> list[Json]:
    """Strips of blue film whose edges run across rims."""
    return [_line((x, -92), (x, 92), 13.0, (0.22, 0.38, 0.72)) for x in (-42.0, 8.0, 50.0)]


def _line(start: Any, end: Any, width: float, rgb: tuple[float, float, float]) -> Json:
    return {"line": [[float(v) for v in start], [float(v) for v in end]], "width": width, "rgb": list(rgb)}


PLATES_MM = (1.6, 0.8, 3.2, 1.0)
PHOTOS = (
    Photo("good16", 0, WINDOW, GOOD, 5, BRUSHED),
    Photo("good08", 1, OVERCAST, GOOD, 8, MILL),
    Photo("good32", 2, TWO_SIDES, RAWISH, 6, DULL),
    Photo("good10", 3, LAMP, HARD, 10, COARSE),
    Photo("clean16", 0, OVERCAST, GOOD, 7, MILL, dressed=True),
    Photo("inked16", 0, TUBES, GOOD, 4, DULL, ink),
    Photo("soft16", 0, WINDOW, SOFT, 6, BRUSHED),
    Photo("scratched10", 3, WINDOW, GOOD, 7, MILL, scratches),
    Photo("film08", 1, TWO_SIDES, GOOD, 9, BRUSHED, film),
    Photo("glare10", 3, TUBES, HARD, 0, {**MILL, "alpha": [0.06, 0.12]}),
    Photo("clean08", 1, LAMP, RAWISH, 12, COARSE, dressed=True),
    Photo("shaken10", 3, OVERCAST, SHAKEN, 5, DULL),
    Photo("clean32", 2, WINDOW, HARD, 8, BRUSHED, scratches, dressed=True),
    Photo("dusk16", 0, {**WINDOW, "ambient": [0.08, 0.08, 0.09]}, {**HARD, "electrons": 2500}, 11, BRUSHED),
)


def plate(number: int) -> Json:
    """One plate with its holes, notches, stubs and nicks; the same every time."""
    rng = np.random.default_rng(100 + number)
    thickness = PLATES_MM[number]
    outline = list(_outline(rng))
    return {
        "name": f"EC-{number + 1}",
        "thickness": thickness,
        "outline": outline,
        "at": [0.0, 0.0],
        "rotate": float(rng.uniform(-2, 2)),
        "edge": {"state": "sharp"} if number % 2 else {"state": "broken", "chamfer": 0.1},
        "holes": list(_holes(rng, thickness)),
        "stubs": list(_stubs(rng)),
        "nicks": list(_nicks(rng)),
    }


def _outline(rng: np.random.Generator) -> Iterator[list[float]]:
    """Counterclockwise, with two notches in either long side; inside corners of all the radii."""
    w, h = WIDTH_MM / 2, LENGTH_MM / 2
    wide, deep = NOTCH_MM
    radii = iter(rng.permutation(NOTCH_RADII_MM))

    def notch(x: float, y: float, up: float) -> Iterator[list[float]]:
        inner = x - math.copysign(deep, x)
        yield [x, y - up * wide / 2, OUTER_RADIUS_MM]
        yield [inner, y - up * wide / 2, float(next(radii))]
        yield [inner, y + up * wide / 2, float(next(radii))]
        yield [x, y + up * wide / 2, OUTER_RADIUS_MM]

    yield [-w, -h, 3.0]
    yield [w, -h, 5.0]
    yield from notch(w, -45, 1)
    yield from notch(w, 45, 1)
    yield [w, h, 2.0]
    yield [-w, h, 4.0]
    yield from notch(-w, 27, -1)
    yield from notch(-w, -63, -1)


def _holes(rng: np.random.Generator, thickness: float) -> Iterator[Json]:
    """A grid of holes clear of the notches, seven in ten places taken."""
    for y in np.arange(-72.0, 73, ROW_MM):
        for x in np.arange(-51.0, 52, COLUMN_MM):
            near_notch = abs(x) > 45 and min(abs(y + 45), abs(y - 45), abs(y - 27), abs(y + 63)) < 20
            if near_notch or rng.random() > 0.7:
                continue
            shift = rng.uniform(-1, 1, 2)
            yield {
                "x": round(x + shift[0], 3),
                "y": round(y + shift[1], 3),
                "d": float(rng.choice(HOLES_MM)),
                "edge": _rim(rng, thickness),
            }


def _rim(rng: np.random.Generator, thickness: float) -> Json:
    kind = rng.random()
    if kind < 0.45:
        return {
            "state": "burr",
            "height": round(float(rng.uniform(0.05, 0.4)), 3),
            "lean": round(float(rng.uniform(0.03, 0.25)), 3),
            "cover": round(float(rng.uniform(0.1, 1.0)), 2),
            "length": round(float(rng.uniform(0.25, 0.6)), 2),
        }
    if kind < 0.68:
        return {"state": "sharp"}
    if kind < 0.92 or thickness < 1.5:
        return {"state": "broken", "chamfer": round(float(rng.uniform(0.04, min(0.25, 0.25 * thickness))), 3)}
    return {"state": "countersunk", "width": round(float(rng.uniform(0.4, 1.1) * min(thickness, 2.0)), 3), "angle": 100}


def _stubs(rng: np.random.Generator) -> Iterator[Json]:
    """On the short sides, and one on a long one: height 0.15 to 0.6 mm."""
    places = (
        [(x, LENGTH_MM / 2, 0.0) for x in (-40, 5, 36)]
        + [(x, -LENGTH_MM / 2, 180.0) for x in (-22, 30)]
        + [(WIDTH_MM / 2, 3, -90.0)]
    )
    for x, y, angle in places:
        yield {
            "x": float(x),
            "y": float(y),
            "width": round(float(rng.uniform(0.8, 4.0)), 2),
            "height": round(float(rng.uniform(0.15, 0.6)), 3),
            "angle": angle,
        }


def _nicks(rng: np.random.Generator) -> Iterator[Json]:
    """Notches cut by accident: depth 0.12 to 0.6 mm."""
    places = [
        (-15, LENGTH_MM / 2, 0.0),
        (20, LENGTH_MM / 2, 0.0),
        (0, -LENGTH_MM / 2, 180.0),
        (-45, -LENGTH_MM / 2, 180.0),
        (-WIDTH_MM / 2, -20, 90.0),
    ]
    for x, y, angle in places:
        yield {
            "x": float(x),
            "y": float(y),
            "width": round(float(rng.uniform(0.5, 1.6)), 2),
            "depth": round(float(rng.uniform(0.12, 0.6)), 3),
            "angle": angle,
        }


def scene(photo: Photo, mat: Path) -> Json:
    """The scene file of one photo."""
    part = plate(photo.plate)
    if photo.dressed:
        rng = np.random.default_rng(200 + photo.plate)
        for hole in part["holes"]:
            if hole["edge"]["state"] == "burr":
                hole["edge"] = {"state": "broken", "chamfer": round(float(rng.uniform(0.05, 0.15)), 3)}
        part["stubs"], part["nicks"] = [], []
    rng = np.random.default_rng(300 + len(photo.name) + photo.plate)
    part |= {"finish": photo.finish, "marks": photo.marks(rng)}
    azimuth = rng.uniform(0, 2 * np.pi)
    lean = math.tan(math.radians(photo.tilt_deg)) * HEIGHT_MM
    position = [round(lean * math.cos(azimuth), 1), round(lean * math.sin(azimuth), 1), HEIGHT_MM]
    camera = {
        "pixels": list(PIXELS),
        "position": position,
        "target": [0, 0, 0],
        "roll": 90,
        "focal35": FOCAL_35,
        "distortion": [-0.02, 0.005, 0, 0, 0],
        "focus": round(float(np.linalg.norm(position)), 1),
        **photo.phone,
    }
    return {
        "mat": {"image": str(mat), "page": list(PAGE_MM)},
        "camera": camera,
        "light": photo.light,
        "parts": [part],
        "objects": [],
        "seed": 40 + photo.plate,
    }


def lips(tracer: ModuleType, drawn: Json) -> list[Json]:
    """Of each burred hole: angle (part frame), lean into the opening and height off the face round the rim, as in the mesh.

    Repeats the tracer's own calls, with its random numbers in its order: one part, its outline not burred.
    """
    part = drawn["parts"][0]
    rng = np.random.default_rng(drawn["seed"])
    return [_lip(tracer, hole, part["thickness"], rng) for hole in part["holes"]]


def _lip(tracer: ModuleType, hole: Json, thickness: float, rng: np.random.Generator) -> Json:
    if hole["edge"]["state"] != "burr":
        return {"angle": [], "lean": [], "height": []}
    ring = np.array(tracer.shapely.geometry.polygon.orient(tracer.hole_ring(hole), -1.0).exterior.coords)[:-1]
    ring = tracer.densify(ring, LIP_STEP_MM)
    step = np.linalg.norm(np.roll(ring, -1, 0) - ring, axis=1).mean()
    lean, top = tracer.edge_profile(len(ring), step, thickness, hole["edge"], rng)[2]
    angle = np.arctan2(ring[:, 1] - hole["y"], ring[:, 0] - hole["x"])
    return {
        "angle": np.round(angle, 4).tolist(),
        "lean": np.round(lean, 4).tolist(),
        "height": np.round(top - thickness, 4).tolist(),
    }


def load_tracer(path: Path) -> ModuleType:
    """The path tracer's module from its file."""
    spec = importlib.util.spec_from_file_location("tracer", path)
    if spec is None or spec.loader is None:
        raise typer.BadParameter(f"{path} is no Python file. Give the path tracer's module.")
    module = importlib.util.module_from_spec(spec)
    sys.modules["tracer"] = module
    spec.loader.exec_module(module)
    return module


def main(tracer: Path, mat: Path, folder: Path) -> None:
    """Write all scene files and what is true of them."""
    module = load_tracer(tracer)
    folder.mkdir(parents=True, exist_ok=True)
    for number, photo in enumerate(PHOTOS, 1):
        drawn = scene(photo, mat.resolve())
        name = f"{number:02d}_{photo.name}"
        (folder / f"{name}.json").write_text(json.dumps(drawn, indent=1))
        (folder / f"{name}.burr.json").write_text(json.dumps({"holes": lips(module, drawn)}))
        burred = sum(hole["edge"]["state"] == "burr" for hole in drawn["parts"][0]["holes"])
        print(f"{name}: {len(drawn['parts'][0]['holes'])} holes, {burred} burred")


if __name__ == "__main__":
    typer.run(main)
