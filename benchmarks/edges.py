"""Edge condition against exact truth: tab stubs and nicks found, missed and invented, corner radii, coarse edges, false flags.

    python benchmarks/edges.py [--count 12] [--seed 1] [--jobs 2] [--photos DIR ...] [--write docs/condition.md]

Simulated plates have notches with corner radii of 0.5 to 6 mm, stubs and nicks on their long sides; some are sawn all round,
and clean ones are photographed ever softer. Photos with a truth file beside them (the samples, and those in DIR) are path-traced.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # run as a script, it needs the simulator beside it

import numpy as np
import typer
from rich.progress import track

from benchmarks.photos import SAMPLES, SIZE_PX, traced, traced_files, truth_file
from benchmarks.tables import Table, show, write
from holeinspect.errors import HoleinspectError
from holeinspect.inspection import Inspection
from holeinspect.measure.inspect import inspect
from holeinspect.measured import Array
from holeinspect.scale.camera import Camera
from holeinspect.scale.mat import PAGES
from holeinspect.setup import Setup
from tests.simulator.draw import Limits, random_shot
from tests.simulator.phone import PHONES
from tests.simulator.scene import Broken, Hole, Levels, Mat, Nick, Part, Row, Sawn, Scene, Sharp, Stub
from tests.simulator.shot import Shot, simulate

RADII_MM = (0.5, 0.8, 1.0, 1.2, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0)
BLURS_PX = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0)
SOFT_PHONE = PHONES["s20-sharp50"]
NEAR_MM = 1.2
"""A finding this far beyond a stub's or nick's width, or from a corner, is not of it."""
STUB_BINS_MM, NICK_BINS_MM = (0.15, 0.2, 0.3, 0.7), (0.1, 0.15, 0.3, 0.8)
TO_REACH_MM = 0.1
RADIUS_BINS_MM = (0.5, 1.0, 2.0, 4.0, 6.01)
BENCH_LIMITS = Limits(tilt_deg=(0.0, 15.0))


@dataclass(frozen=True, slots=True)
class TruePlace:
    """A stub, nick or rounded corner: place (mm, mat frame), size (height, depth, radius) and width, mm."""

    kind: str
    at_mm: tuple[float, float]
    size_mm: float
    width_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Truth:
    """What is on a photo's parts. sawn: whether their edges are; names of families for the tables."""

    family: str
    places: tuple[TruePlace, ...]
    sawn: bool = False
    burred: bool = False
    blur_px: float = 0.0


@dataclass(frozen=True, slots=True)
class Job:
    """One photo: a simulated one by number (blur_px > 0: a clean plate at that blur), or a file."""

    number: int = 0
    seed: int = 0
    blur_px: float = 0.0
    file: Path | None = None


@dataclass(slots=True)
class Score:
    """What one photo adds. errors: per stub and nick found; corners: (true radius, error, U, kind)."""

    truth: Truth
    found: list[tuple[TruePlace, float, float]] = field(default_factory=list)
    missed: list[TruePlace] = field(default_factory=list)
    misnamed: list[str] = field(default_factory=list)
    invented: list[str] = field(default_factory=list)
    corners: list[tuple[float, float, float]] = field(default_factory=list)
    corners_missed: int = 0
    edges: int = 0
    coarse: int = 0
    shown: int = 0
    refused: str = ""


def run(job: Job) -> Score:
    """Take or read the photo, inspect it, compare."""
    if job.file is not None:
        truth, camera, photo, setup, top_mm = _traced(job.file)
    else:
        truth, camera, photo, setup, top_mm = _simulated(job)
    score = Score(truth)
    try:
        _compare(score, inspect(photo, setup), camera, top_mm)
    except HoleinspectError as error:
        score.refused = str(error)
    return score


Photo = tuple[Truth, Camera, bytes, Setup, float]


def _simulated(job: Job) -> Photo:
    rng = np.random.default_rng([job.seed, job.number, round(100 * job.blur_px)])
    phones = list(PHONES.values())
    phone = replace(SOFT_PHONE, optics_px=job.blur_px) if job.blur_px else phones[job.number % len(phones)]
    shot = random_shot(rng, phone, SIZE_PX, Mat("a4", "black"), BENCH_LIMITS)
    sawn = not job.blur_px and job.number % 4 == 3
    part = _plate(rng, clean=bool(job.blur_px), sawn=sawn, levels=shot.scene.parts[0].levels)
    shot = replace(shot, scene=Scene(shot.scene.backdrop, (part,), shot.scene.light))
    family = "blur sweep" if job.blur_px else "sawn" if sawn else "simulated"
    truth = Truth(family, tuple(_true_places(part)), sawn=sawn, blur_px=job.blur_px)
    along, across = PAGES["a4"].bars_mm
    setup = Setup(part.thickness_mm, along=along, across=across)
    return truth, _camera(shot), simulate(shot).jpeg, setup, part.thickness_mm


def _camera(shot: Shot) -> Camera:
    return Camera(shot.view.K, shot.view.distortion, shot.view.R, shot.view.t)


def _plate(rng: np.random.Generator, clean: bool, sawn: bool, levels: Levels) -> Part:
    """A plate with two notches on either side, radii of RADII_MM, and stubs and nicks on its ends."""
    a, b, t = 45.0, 62.0, float(rng.choice([0.8, 1.0, 1.6, 2.0, 3.2]))
    radii = rng.permutation(RADII_MM)
    stubs, nicks = [], []
    if not clean and not sawn:
        for side in (1, -1):
            places = rng.permutation(np.linspace(-a + 9, a - 9, 6)) + rng.uniform(-1.5, 1.5, 6)
            for x in places[:3]:
                stubs.append(Stub((float(x), side * b), rng.uniform(0.6, 5.5), rng.uniform(0.15, 0.6), side * 90.0))
            for x in places[3:]:
                nicks.append(Nick((float(x), side * b), rng.uniform(0.5, 1.5), rng.uniform(0.12, 0.6), side * 90.0))
    rim = Broken(min(0.1, t / 8)) if rng.uniform() < 0.5 else Sharp()
    return Part(t, _notched(a, b, radii), (Hole((0, 0), 6.35),), rotate_deg=float(rng.uniform(-6, 6)), rim=rim,
                levels=levels, streak=float(rng.uniform(0, 0.1)), stubs=tuple(stubs), nicks=tuple(nicks),
                sawn=Sawn() if sawn else None)  # fmt: skip


def _notched(a: float, b: float, radii: Array) -> tuple[Row, ...]:
    r = [float(radius) for radius in radii]
    right = [(a, -b, r[0]), (a, -30, 1.2), (a - 9, -30, r[1]), (a - 9, -14, r[2]), (a, -14, 1.2),
             (a, 12, 1.2), (a - 9, 12, r[3]), (a - 9, 28, r[4]), (a, 28, 1.2), (a, b, r[5])]  # fmt: skip
    left = [(-a, b, r[6]), (-a, 20, 1.2), (-a + 9, 20, r[7]), (-a + 9, 4, r[8]), (-a, 4, 1.2), (-a, -b, r[9])]
    return tuple((*right, *left))


def _true_places(part: Part) -> Iterable[TruePlace]:
    turn = np.radians(part.rotate_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])

    def on_mat(point: tuple[float, float]) -> tuple[float, float]:
        x, y = rotation @ point + part.at_mm
        return float(x), float(y)

    yield from (TruePlace("tab stub", on_mat(stub.at_mm), stub.height_mm, stub.width_mm) for stub in part.stubs)
    yield from (TruePlace("nick", on_mat(nick.at_mm), nick.depth_mm, nick.width_mm) for nick in part.nicks)
    yield from (TruePlace("corner", on_mat((x, y)), radius) for x, y, radius in part.rows)


def _traced(file: Path) -> Photo:
    truth: dict[str, Any] = json.loads(truth_file(file).read_text(encoding="utf-8"))
    lens = truth["camera"]
    camera = Camera(*(np.array(lens[key], float) for key in ("K", "distortion", "R", "t")))
    places = [place for part in truth["parts"] for place in _places_of(part)]
    burred = any(part.get("outline_edge_state") == "burr" for part in truth["parts"])
    photo = traced(file)
    thickness = truth["parts"][0]["thickness"]
    return Truth("path-traced", tuple(places), burred=burred), camera, photo.jpeg, photo.setup(thickness), thickness


def _places_of(part: dict[str, Any]) -> Iterable[TruePlace]:
    turn = np.radians(part["rotate"])
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])

    def on_mat(x: float, y: float) -> tuple[float, float]:
        at = rotation @ (x, y) + part["at"]
        return float(at[0]), float(at[1])

    yield from (TruePlace("tab stub", on_mat(s["x"], s["y"]), s["height"], s["width"]) for s in part.get("stubs", []))
    yield from (TruePlace("nick", on_mat(n["x"], n["y"]), n["depth"], n["width"]) for n in part.get("nicks", []))
    yield from (TruePlace("corner", on_mat(x, y), r) for x, y, r in part["outline"])


def _compare(score: Score, seen: Inspection, camera: Camera, top_mm: float) -> None:
    edges = [edge for part in seen.parts for edge in (*part.edges, *(e for o in part.openings for e in o.edges))]
    score.edges = len(edges)
    score.shown = sum(edge.condition is not None and edge.condition.shown for edge in edges)
    score.coarse = sum(finding.kind == "coarse edge" for finding in seen.findings)
    _compare_places(score, seen, camera, top_mm)
    _compare_corners(score, seen)


def _compare_places(score: Score, seen: Inspection, camera: Camera, top_mm: float) -> None:
    """Findings on edges against stubs and nicks; one finding to each, the nearest."""
    open_places = [place for place in score.truth.places if place.kind != "corner"]
    on_edges = [finding for finding in seen.findings if finding.subject.startswith("E") and finding.kind != "coarse edge"]
    for finding in on_edges:
        at = camera.to_plane(np.array([finding.point_px]), top_mm)[0]
        near = [(float(np.hypot(*(at - place.at_mm))), place) for place in open_places]
        near = [(distance, place) for distance, place in near if distance < place.width_mm / 2 + NEAR_MM]
        if near:
            place = min(near, key=lambda item: item[0])[1]
            open_places.remove(place)
            score.found.append((place, finding.size.value - place.size_mm, 2 * finding.size.u))
            if finding.kind != place.kind:
                score.misnamed.append(f"{place.kind} of {place.size_mm:.2f} mm called {finding.kind}")
        elif not (score.truth.sawn or score.truth.burred):
            score.invented.append(f"{finding.kind} {finding.size.value:.2f} mm{'' if finding.decided else ' (undecided)'}")
    x0, y0, x1, y1 = _frame(seen)
    score.missed += [place for place in open_places if _inside(_px(place, camera, top_mm), (x0, y0, x1, y1))]


def _frame(seen: Inspection) -> tuple[float, float, float, float]:
    return 0.0, 0.0, float(seen.photo.width_px), float(seen.photo.height_px)


def _inside(point: Array, frame: tuple[float, float, float, float]) -> bool:
    x0, y0, x1, y1 = frame
    return bool(x0 < point[0] < x1 and y0 < point[1] < y1)


def _px(place: TruePlace, camera: Camera, top_mm: float) -> Array:
    return np.asarray(camera.project(np.array([[*place.at_mm, top_mm]]))[0])


def _compare_corners(score: Score, seen: Inspection) -> None:
    """Radii against the corners whose apex is nearest; the middle of an arc lies 0.41 radii from a right-angled apex."""
    corners = [corner for part in seen.parts for corner in part.corners if corner.radius is not None]
    for place in score.truth.places:
        if place.kind != "corner" or not RADII_MM[0] <= place.size_mm <= RADII_MM[-1]:
            continue
        off = [abs(np.hypot(*np.subtract(corner.point_mm, place.at_mm)) - 0.414 * place.size_mm) for corner in corners]
        if not off or min(off) > NEAR_MM:
            score.corners_missed += 1
            continue
        radius = corners[int(np.argmin(off))].radius
        assert radius is not None, "corners without a radius were left out"
        score.corners.append((place.size_mm, radius.value - place.size_mm, 2 * radius.u))


def places_table(scores: Sequence[Score], kind: str, bins: Sequence[float]) -> Table:
    """Found and missed by true size, for each family."""
    rows = []
    for family in ("simulated", "path-traced"):
        those = [score for score in scores if score.truth.family == family and not score.refused]
        found = [item for score in those for item in score.found if item[0].kind == kind]
        missed = [place for score in those for place in score.missed if place.kind == kind]
        for low, high in pairwise(bins):
            errors = np.array([error for place, error, _ in found if low <= place.size_mm < high])
            held = [abs(error) <= U for place, error, U in found if low <= place.size_mm < high]
            lost = sum(low <= place.size_mm < high for place in missed)
            rows.append((family, f"{low:g} to {high:g}", str(len(errors)), str(lost), _quantile(errors), _share(held)))
    return Table(f"{kind}s by true size, mm", ("photos", "size", "found", "missed", "95 % abs. error", "U holds"), rows)


def corners_table(scores: Sequence[Score]) -> Table:
    """Errors of radii by true radius, for each family."""
    rows = []
    for family in ("simulated", "path-traced"):
        those = [score for score in scores if score.truth.family == family and not score.refused]
        found = [corner for score in those for corner in score.corners]
        for low, high in zip((*RADIUS_BINS_MM[:-1], RADIUS_BINS_MM[0]), (*RADIUS_BINS_MM[1:], RADIUS_BINS_MM[-1]), strict=True):
            of_bin = [(error, U) for radius, error, U in found if low <= radius < high]
            errors = np.array([error for error, _ in of_bin])
            within = [abs(error) <= TO_REACH_MM for error in errors]
            bias = f"{errors.mean():+.3f}" if len(errors) else "-"
            rows.append((family, f"{low:g} to {high:.0f}", str(len(errors)), bias, _quantile(errors), _share(within),
                         _share([abs(error) <= U for error, U in of_bin])))  # fmt: skip
        rows.append((family, "not measured", str(sum(score.corners_missed for score in those)), "", "", "", ""))
    columns = ("photos", "radius", "n", "bias", "95 % abs. error", "within 0.1 mm", "U holds")
    return Table("Corner radii, mm", columns, rows)


def flags_table(scores: Sequence[Score]) -> Table:
    """What was invented, and what could be shown, by kind of photo."""
    rows = []
    groups = [*(f"clean, blur {blur:g} px" for blur in BLURS_PX), "simulated", "sawn", "path-traced"]
    for group in groups:
        those = [score for score in scores if _group(score) == group and not score.refused]
        refused = sum(_group(score) == group and bool(score.refused) for score in scores)
        edges = sum(score.edges for score in those)
        shown = sum(score.shown for score in those)
        rows.append((group, str(len(those)), str(refused), str(edges), str(sum(len(score.invented) for score in those)),
                     str(sum(score.coarse for score in those)), f"{100 * shown / edges:.0f} %" if edges else "-"))  # fmt: skip
    columns = ("photos", "n", "refused", "edges", "false places", "called coarse", "edges shown")
    return Table("False flags, coarse edges, and edges on which a burr of the limit shows", columns, rows)


def _group(score: Score) -> str:
    return f"clean, blur {score.truth.blur_px:g} px" if score.truth.blur_px else score.truth.family


def _quantile(errors: Array) -> str:
    return f"{np.quantile(np.abs(errors), 0.95):.3f}" if len(errors) else "-"


def _share(flags: Sequence[bool]) -> str:
    return f"{100 * np.mean(flags):.0f} %" if flags else "-"


def main(
    count: Annotated[int, typer.Option(help="Simulated photos with stubs, nicks or sawn edges.")] = 12,
    seed: Annotated[int, typer.Option(help="Seed of the simulated photos.")] = 1,
    jobs: Annotated[int, typer.Option(help="Processes.")] = 2,
    clean: Annotated[int, typer.Option(help="Clean plates for each blur.")] = 2,
    photos: Annotated[list[Path] | None, typer.Option(help="Folders of path-traced photos beside the samples.")] = None,
    write_to: Annotated[Path | None, typer.Option("--write", help="Page that takes the tables.")] = None,
) -> None:
    """Measure edge condition against truth."""
    todo = [Job(number, seed) for number in range(count)]
    todo += [Job(number, seed, blur) for blur in BLURS_PX for number in range(clean)]
    todo += [Job(file=file) for file in traced_files([SAMPLES, *(photos or [])])]
    with ProcessPoolExecutor(jobs) as pool:
        scores = list(track(pool.map(run, todo), "measuring", total=len(todo)))
    tables = [places_table(scores, "tab stub", STUB_BINS_MM), places_table(scores, "nick", NICK_BINS_MM), corners_table(scores),
              flags_table(scores)]  # fmt: skip
    show(tables)
    for job, score in zip(todo, scores, strict=True):
        name = job.file.stem if job.file else f"number {job.number}, blur {job.blur_px:g}"
        for word, lines in (("invented", score.invented), ("misnamed", score.misnamed), ("refused", [score.refused])):
            for line in filter(None, lines):
                print(f"{name}: {word} {line}")
    if write_to is not None:
        write(write_to, "edges", f"python benchmarks/edges.py --count {count} --seed {seed} --clean {clean}", tables)


if __name__ == "__main__":
    typer.run(main)
