"""What a camera's profile brings: eight simulated photos of the mat, then photos of thick parts with and without it.

    python benchmarks/camera.py [--cameras 4] [--next 4] [--write docs/camera.md]
"""

from __future__ import annotations

import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # run as a script, it needs the simulator beside it

import numpy as np
import typer

from benchmarks.tables import Table, show, write
from holeinspect import Inspection, Setup, inspect
from holeinspect.inspection import Hole
from holeinspect.photo import open_photo
from holeinspect.scale.learn import Learned, learn_camera
from holeinspect.scale.mat import PAGES
from holeinspect.scale.profile import save_profile
from holeinspect.scale.readings import PrintScale
from holeinspect.setup import ProfileUse
from tests.simulator.draw import Limits, aimed, random_shot, ring_corners
from tests.simulator.phone import PHONES, Phone
from tests.simulator.scene import HoleTruth, Mat, Scene
from tests.simulator.shot import Shot, simulate
from tests.simulator.view import Lens

SIZE_PX = (4032, 3024)
VIEWS = 8
TILT_DEG, DISTANCE_MM = (8.0, 22.0), (300.0, 430.0)
STABILISER_PX = 3.0
"""Standard deviation of the principal point from photo to photo (ours: a few per cent of a stabiliser's stroke)."""
PAPER = (1.0012, 0.9994)
PRINT_U = 0.00015
"""Relative standard uncertainty of the print's scale after its bars were measured: 0.03 mm of 170 to 240 mm."""
THICK = Limits(thickness_mm=(6.0, 6.0), diameter_mm=(4.0, 12.0), print_scale=0.0)
CHANCES = ("plain", "s20-sharp50", "two-radii", "local-tone", "hazy-lens", "s35-sharp80")
USES: dict[str, ProfileUse] = {"without": "ignore", "with": "use"}
CLEAR_EDGE_U_MM = 0.02
"""Line "edge noise" of an edge distance up to which its edge is clear; beyond, the fit leaves open which step of light it is."""
CLEAR, OPEN = "edge distance, edge clear", "edge distance, edge open"
NEAR_MM = 1.0
"""A hole found within this of a true one is that hole."""


@dataclass(frozen=True, slots=True)
class Camera:
    """A simulated camera: its lens, principal point still, and its phone."""

    lens: Lens
    phone: Phone

    def stirred(self, rng: np.random.Generator) -> Lens:
        """The lens as the stabiliser leaves it in one photo."""
        x, y = np.array(self.lens.centre_px) + STABILISER_PX * rng.standard_normal(2)
        return replace(self.lens, principal_px=(float(x), float(y)))


@dataclass(frozen=True, slots=True)
class Figures:
    """One camera: its lens as learnt against the truth, and errors of the next photos by figure and by method, mm."""

    name: str
    off_share: float
    u_share: float
    errors: dict[str, list[float]]
    outside: dict[str, int]
    misread: list[str]


def camera(number: int) -> Camera:
    """A main camera of 24 to 28 mm equivalent, its distortion and centre as the other benchmarks draw them."""
    rng = np.random.default_rng([number, 77])
    diagonal = float(np.hypot(*SIZE_PX))
    x, y = rng.uniform(-0.004, 0.004, 2) * diagonal + (np.array(SIZE_PX) - 1) / 2
    lens = Lens(diagonal * rng.uniform(24, 28) / 43.27, SIZE_PX, (float(x), float(y)), rng.uniform(-0.03, 0.03),
                rng.uniform(-0.02, 0.02))  # fmt: skip
    return Camera(lens, PHONES[CHANCES[number % len(CHANCES)]])


def mat_views(taken_by: Camera, rng: np.random.Generator) -> list[bytes]:
    """Eight photos of the bare mat, tilted all round, from several heights, the mat turned in every other one."""
    mat, photos = Mat("a4", "black", PAPER), []
    for number in range(VIEWS):
        azimuth = 2 * np.pi * number / VIEWS + rng.uniform(-0.3, 0.3)
        tilt = np.radians(rng.uniform(*TILT_DEG))
        up = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
        lens = taken_by.stirred(rng)
        pose = aimed(up, rng.uniform(*DISTANCE_MM), 90.0 * (number % 2) + rng.uniform(-8, 8), lens, ring_corners(mat))
        photos.append(simulate(Shot(Scene(mat), pose, lens, taken_by.phone, int(rng.integers(2**31)))).jpeg)
    return photos


def run(number: int, following: int) -> Figures:
    """Learn one camera, and measure with and without what was learnt."""
    rng, taken_by = np.random.default_rng([number, 78]), camera(number)
    views = [open_photo(jpeg, f"view {i}") for i, jpeg in enumerate(mat_views(taken_by, rng))]
    measured = PrintScale(*PAPER, PRINT_U, PRINT_U, checked=True)
    learned = learn_camera(views, lambda page: measured)
    figures = Figures(f"{number + 1}: {taken_by.phone.name}", _off(learned, taken_by), learned.profile.focal_u, {}, {}, [])
    with tempfile.TemporaryDirectory() as folder:
        save_profile(learned.profile, Path(folder))
        for _ in range(following):
            _measure_next(figures, taken_by, rng, Path(folder))
    return figures


def _off(learned: Learned, taken_by: Camera) -> float:
    return float(learned.profile.lens[0] / taken_by.lens.f_px - 1)


def _measure_next(figures: Figures, taken_by: Camera, rng: np.random.Generator, folder: Path) -> None:
    shot = random_shot(rng, taken_by.phone, SIZE_PX, Mat("a4", "black", PAPER), THICK, taken_by.stirred(rng))
    photo = simulate(shot)
    along, across = PAPER[1] * PAGES["a4"].bars_mm[0], PAPER[0] * PAGES["a4"].bars_mm[1]
    setup = Setup(6.0, along=along, across=across, camera_folder=folder)
    found = {m: inspect(photo.jpeg, replace(setup, camera_profile=use)) for m, use in USES.items()}
    if any(part.openings for inspection in found.values() for part in inspection.parts):
        figures.misread.append(f"{figures.name}, seed {shot.seed}")
        return
    for method, inspection in found.items():
        _score(figures, method, inspection, photo.holes)


def _score(figures: Figures, method: str, inspection: Inspection, truths: tuple[HoleTruth, ...]) -> None:
    for hole in (hole for part in inspection.parts for hole in part.holes):
        near = min(truths, key=lambda truth: float(np.hypot(*np.subtract(truth.centre_mm, hole.centre_mm))))
        if np.hypot(*np.subtract(near.centre_mm, hole.centre_mm)) > NEAR_MM:
            continue
        pairs = {"edge distance": (hole.edge_distance, near.edge_distance_mm), "diameter": (hole.diameter, near.diameter_mm),
                 "pitch": (hole.pitch, near.pitch_mm)}  # fmt: skip
        pairs[CLEAR if _is_clear(hole) else OPEN] = pairs["edge distance"]
        for name, (figure, truth) in pairs.items():
            if figure is not None and truth is not None:
                key = f"{name}, {method}"
                figures.errors.setdefault(key, []).append(figure.value - truth)
                figures.outside[key] = figures.outside.get(key, 0) + int(abs(figure.value - truth) > 2 * figure.u)


def _is_clear(hole: Hole) -> bool:
    """Whether the fit of the hole's nearest edge left nothing open."""
    lines = hole.edge_distance.budget if hole.edge_distance else ()
    return all(line.u < CLEAR_EDGE_U_MM for line in lines if line.name == "edge noise")


def tables(made: list[Figures]) -> list[Table]:
    """The lens of each camera, then the errors of the next photos."""
    lenses = [(one.name, f"{100 * one.off_share:+.3f} %", f"{100 * one.u_share:.3f} %") for one in made]
    rows = []
    for name in ("edge distance", CLEAR, OPEN, "diameter", "pitch"):
        before = _statistics(made, f"{name}, without")
        for method in USES:
            n, figures, held = _statistics(made, f"{name}, {method}")
            changes = [f"{x:.4f}" + (f" ({1 - x / y:+.0%})" if method == "with" else "")
                       for x, y in zip(figures, before[1], strict=True)]  # fmt: skip
            rows.append((name, method, str(n), *changes, f"{held:.1%}"))
    misread = sum(len(one.misread) for one in made)
    return [Table(f"Lens from {VIEWS} photos", ("camera: phone", "focal length off by", "u"), lenses),
            Table("The next photos, parts 6 mm thick: errors in mm (in brackets: smaller by); "
                  f"{misread} photos with a hole taken for a cut-out are left out",
                  ("figure", "profile", "n", "median", "RMS", "95 % within", "U holds"), rows)]  # fmt: skip


def _statistics(made: list[Figures], key: str) -> tuple[int, tuple[float, float, float], float]:
    """Number, (median, RMS, 95 % quantile) of the errors' amounts, and the share that U holds."""
    errors = np.abs(np.concatenate([one.errors.get(key, []) for one in made]))
    outside = sum(one.outside.get(key, 0) for one in made)
    rms = float(np.sqrt(np.mean(errors**2)))
    return len(errors), (float(np.median(errors)), rms, float(np.quantile(errors, 0.95))), 1 - outside / len(errors)


def main(
    cameras: Annotated[int, typer.Option(help="Simulated cameras.")] = 4,
    following: Annotated[int, typer.Option("--next", help="Photos of parts by each camera.")] = 4,
    jobs: Annotated[int, typer.Option(help="Processes.")] = 2,
    write_to: Annotated[Path | None, typer.Option("--write", help="Write the tables into this page.")] = None,
) -> None:
    """Print what a profile is worth."""
    with ProcessPoolExecutor(jobs) as pool:
        made = list(pool.map(run, range(cameras), [following] * cameras))
    found = tables(made)
    show(found)
    if write_to is not None:
        write(write_to, "camera", f"python benchmarks/camera.py --cameras {cameras} --next {following}", found)


if __name__ == "__main__":
    typer.run(main)
