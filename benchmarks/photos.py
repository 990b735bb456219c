"""Photos with exact truth: simulated ones, and path-traced ones with truth files beside them."""

from __future__ import annotations

import hashlib
import json
import pickle
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from holeinspect.scale.camera import Camera
from holeinspect.scale.mat import PAGES
from holeinspect.setup import Setup, thickness_u
from tests.simulator.draw import Limits, random_shot
from tests.simulator.phone import PHONES
from tests.simulator.scene import HoleTruth, Mat, Scene
from tests.simulator.shot import simulate

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "sample_images"

BAR_READING_U_MM = 0.03
"""Standard deviation of the simulated readings of the check bars: what Setup assumes of a calliper."""
PRINT_ERROR = 0.003
"""Greatest simulated error of the printer, along and across apart."""
LARGE_PAGE_EVERY = 4
"""One simulated photo in so many shows an A3 mat, at 9 to 10 px/mm instead of 13 to 14."""
BENCH_LIMITS = Limits(broken=0.44, burr=0.12)
"""All that the issue promises (0.5 to 6 mm, 20 degrees, 120 mm off-axis), and one rim in eight with a burr."""
SIZE_PX = (4032, 3024)
RIMS = {"burr": "burred"}
"""The renderer's and the simulator's word for a rim to ours, where they differ."""

INSIDE, OUTSIDE, TRACED = "phones inside the model", "phones outside the model", "path-traced"


@dataclass(frozen=True, slots=True)
class TrueHole:
    """What a perfect calliper would find; mm, mat frame. rim: of the hole; edge_rim: of the part's outline.

    round: neither slot nor drilled twice. edge_mm: centre to the nearest edge. pitch_mm: None for a lone hole.
    """

    name: str
    part: int
    centre_mm: tuple[float, float]
    diameter_mm: float
    thickness_mm: float
    rim: str
    edge_rim: str
    edge_mm: float
    pitch_mm: float | None
    round: bool

    def fails(self, rule: float, pitch_rule: float) -> bool:
        """Whether it truly breaks a rule of k times its own diameter, or is no round hole."""
        short = self.edge_mm < rule * self.diameter_mm
        tight = self.pitch_mm is not None and self.pitch_mm < pitch_rule * self.diameter_mm
        return short or tight or not self.round


@dataclass(frozen=True)
class BenchPhoto:
    """A photo, its truth, and what a builder would say of it.

    holes: those wholly in the picture. hidden: those partly or wholly out of it, which may or may not be found.
    print_scale: true over nominal length, across and along the page.
    """

    name: str
    family: str
    phone: str
    jpeg: bytes
    page: str
    print_scale: tuple[float, float]
    holes: tuple[TrueHole, ...]
    hidden: tuple[TrueHole, ...] = ()

    @property
    def thicknesses_mm(self) -> list[float]:
        """Of its parts, the first part's first."""
        return list(dict.fromkeys(hole.thickness_mm for hole in self.holes))

    def setup(self, thickness_mm: float) -> Setup:
        """What a builder says: thickness and check readings, each with the error that the budget states for it."""
        rng = np.random.default_rng([_number(self.name), round(1000 * thickness_mm)])
        typed = thickness_mm + thickness_u(thickness_mm) * rng.standard_normal()
        across, along = self.print_scale
        bars = np.array(PAGES[self.page].bars_mm) * [along, across] + BAR_READING_U_MM * rng.standard_normal(2)
        along_mm, across_mm = map(float, bars)
        return Setup(float(typed), along=along_mm, across=across_mm, bar_reading_u=BAR_READING_U_MM)


def _number(name: str) -> int:
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:4], "big")


def simulated(number: int, seed: int, kept: Path | None = None) -> BenchPhoto:
    """The simulated photo of a number; phones take turns. kept: a folder to keep the photo in for the next run."""
    phone = list(PHONES.values())[number % len(PHONES)]
    name = f"{phone.name}-{seed}-{number}"
    file = kept / f"{name}.pickle" if kept else None
    if file is not None and file.exists():
        photo: BenchPhoto = pickle.loads(file.read_bytes())
        return photo
    rng = np.random.default_rng([seed, number])
    across, along = (float(k) for k in 1 + rng.uniform(-PRINT_ERROR, PRINT_ERROR, 2))
    page = "a3" if number % LARGE_PAGE_EVERY == LARGE_PAGE_EVERY - 1 else "a4"
    taken = simulate(random_shot(rng, phone, SIZE_PX, Mat(page, "black", (across, along)), BENCH_LIMITS))
    scene = taken.shot.scene
    photo = BenchPhoto(name, INSIDE if phone.inside else OUTSIDE, phone.name, taken.jpeg, page, (across, along),
                       tuple(_simulated_hole(hole, scene) for hole in taken.holes))  # fmt: skip
    if file is not None:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(pickle.dumps(photo))
    return photo


def _simulated_hole(hole: HoleTruth, scene: Scene) -> TrueHole:
    return TrueHole(hole.name, hole.part, hole.centre_mm, hole.diameter_mm, hole.thickness_mm,
                    _rim(type(hole.rim).__name__.lower()), _rim(type(scene.parts[hole.part].rim).__name__.lower()),
                    hole.edge_distance_mm, hole.pitch_mm, hole.kind == "round")  # fmt: skip


def _rim(word: str) -> str:
    return RIMS.get(word, word)


def traced_files(folders: Sequence[Path]) -> list[Path]:
    """Photos in these folders that have a truth file beside them."""
    return [photo for folder in folders for photo in sorted(folder.glob("*.jpg")) if truth_file(photo).exists()]


def truth_file(photo: Path) -> Path:
    """The truth that belongs to a photo."""
    return photo.with_suffix(".truth.json")


def traced(photo: Path) -> BenchPhoto:
    """A path-traced photo with its truth. Lengths in its truth file are millimetres on the table."""
    truth: dict[str, Any] = json.loads(truth_file(photo).read_text(encoding="utf-8"))
    holes = [_traced_hole(hole, part, i) for i, part in enumerate(truth["parts"]) for hole in part["holes"]]
    seen = _in_picture(holes, truth)
    k = truth["mat"].get("print_scale", (1.0, 1.0))
    return BenchPhoto(photo.stem, TRACED, photo.stem, photo.read_bytes(), _page(truth["mat"]["page"]), (k[0], k[1]),
                      tuple(hole for hole, whole in zip(holes, seen, strict=True) if whole),
                      tuple(hole for hole, whole in zip(holes, seen, strict=True) if not whole))  # fmt: skip


def _traced_hole(hole: Mapping[str, Any], part: Mapping[str, Any], index: int) -> TrueHole:
    # The truth gives a slot by the centre of its first end and the way to its other end, in the part's frame.
    half = complex(*(hole["slot"] or (0, 0))) / 2 * np.exp(1j * np.radians(part["rotate"]))
    centre = (hole["mat_x"] + half.real, hole["mat_y"] + half.imag)
    return TrueHole(hole["name"], index, centre, hole["diameter"], part["thickness"],
                    _rim(hole["edge_state"]), _rim(part["outline_edge_state"]), hole["edge_distance"],
                    hole["nearest_pitch"], not (hole["slot"] or hole["second"]))  # fmt: skip


def _page(size_mm: Sequence[float]) -> str:
    """The page of this size: rasters are a few hundredths of a millimetre off it."""
    return min(PAGES, key=lambda page: sum(abs(a - b) for a, b in zip(PAGES[page].size_mm, size_mm, strict=True)))


def _in_picture(holes: Sequence[TrueHole], truth: Mapping[str, Any]) -> list[bool]:
    """Whether each hole lies wholly in the picture."""
    lens = truth["camera"]
    camera = Camera(*(np.array(lens[key], float) for key in ("K", "distortion", "R", "t")))
    angles = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    around = np.column_stack([np.cos(angles), np.sin(angles)])
    inside = []
    for hole in holes:
        rim = np.array(hole.centre_mm) + hole.diameter_mm / 2 * around
        px = camera.project(np.column_stack([rim, np.full(len(rim), hole.thickness_mm)]))
        inside.append(bool(((px > 0) & (px < np.array(truth["size"]) - 1)).all()))
    return inside
