"""Accuracy reference by reference, on simulated photos with exact truth.

    python benchmarks/references.py [--count 20] [--seed 1] [--jobs 2] [--write docs/accuracy.md]
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # run as a script, it needs the simulator beside it

import cv2
import numpy as np
import typer

from benchmarks.tables import Table, show, write
from holeinspect.errors import HoleinspectError
from holeinspect.inspection import Hole, Inspection
from holeinspect.measure.inspect import inspect
from holeinspect.measured import Array
from holeinspect.scale.observed import TILT_U_RAD
from holeinspect.scale.references import FlatbedReference, MarkersReference, PointsReference, RuleReference, reference_of
from holeinspect.scale.steps import ROUNDED_SHARE
from holeinspect.scale.targets import MarkerReference, Reference
from holeinspect.setup import Setup, thickness_u
from tests.simulator import objects
from tests.simulator.phone import PHONES
from tests.simulator.scene import Broken, Levels, Light, Part, Plain, Scene, Sharp, Sheet, hole_truths
from tests.simulator.scene import Hole as TrueHole
from tests.simulator.shot import Shot, simulate
from tests.simulator.view import Lens, Pose

SIZE_PX = (2800, 2100)
DISTANCE_MM = (300.0, 360.0)
FIGURES = ("diameter", "edge distance", "pitch")
SAME_PX = 12.0
USER_SIZE_U_MM = 0.05
TAP_U_PX = 1.1
SCAN_DPI = 400.0
COIN_MM = 2.33
"""Thickness of the coin."""
FINE_MM = 0.9
"""Finer ticks are photographed from nearer."""


class Laid(NamedTuple):
    """What lies on the table besides the part, on what, and what the user says of it."""

    parts: tuple[Part, ...]
    backdrop: Plain | Sheet
    reference: Reference
    steep: bool
    """Whether the photo may be tilted at will: the reference tells."""
    near: float = 1.0
    """The camera's distance over the usual one: fine ticks ask for a nearer one."""


@dataclass(frozen=True, slots=True)
class Deviation:
    """One figure of one hole: its error and its U, mm."""

    reference: str
    figure: str
    error: float
    U: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """Of one photo: deviations, holes in it, holes matched, and why it was refused."""

    deviations: tuple[Deviation, ...] = ()
    holes: int = 0
    found: int = 0
    refused: str = ""


def _plain(rng: np.random.Generator) -> Plain:
    return Plain(float(rng.choice([0.04, 0.08, 0.85])))


def _card(rng: np.random.Generator) -> Laid:
    tolerance = rng.uniform(-1, 1, 2) * [0.125, 0.055]
    size = (85.60 + tolerance[0], 53.98 + tolerance[1])
    thing = objects.card(size, 0.76, 3.18, (62.0, float(rng.uniform(-8, 8))), float(rng.uniform(-12, 12) + 90))
    return Laid((thing,), _plain(rng), reference_of("card"), True)


def _sheet(rng: np.random.Generator) -> Laid:
    size = (210 + rng.uniform(-2, 2), 297 + rng.uniform(-2, 2))
    return Laid((), Sheet((float(size[0]), float(size[1]))), reference_of("a4"), True)


def _coin(rng: np.random.Generator) -> Laid:
    """Its border is rounded as far as struck borders are, and mirrors the ground more or less."""
    ground, mirrors = _plain(rng), float(rng.uniform(0, 1))
    levels = replace(objects.COIN, chamfer=mirrors * ground.level + (1 - mirrors) * objects.COIN.face)
    rim = Broken(float(rng.uniform(0, ROUNDED_SHARE * COIN_MM)))
    coin = objects.disc(23.25 + rng.uniform(-0.1, 0.1), COIN_MM, (48.0, float(rng.uniform(-20, 20))), levels, rim)
    return Laid((coin,), ground, reference_of("eur 1"), False)


def _rule(graduation: str) -> Callable[[np.random.Generator], Laid]:
    def laid(rng: np.random.Generator) -> Laid:
        thing = objects.rule(graduation, 100.0, (10.0, -46.0), float(rng.uniform(-3, 3)))
        near = 0.62 if objects.GRADUATIONS[graduation][0] < FINE_MM else 1.0
        return Laid((thing,), Plain(float(rng.choice([0.04, 0.08]))), RuleReference(), False, near)

    return laid


def _points(rng: np.random.Generator) -> Laid:
    dots = tuple(objects.disc(2.0, 0.02, (x, -45.0), Levels(0.5, 0.5, 0.5)) for x in (-40.0, 40.0))
    return Laid(dots, Plain(0.05), PointsReference((0.0, 0.0), (1.0, 1.0), 80.0 + float(rng.normal(0, USER_SIZE_U_MM))), False)


def _marker_bits(number: int) -> Array:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, number, 6))


def _marker(rng: np.random.Generator) -> Laid:
    size = 30.0 + float(rng.normal(0, USER_SIZE_U_MM))
    thing = objects.marker(_marker_bits(7), size, (55.0, float(rng.uniform(-10, 10))), float(rng.uniform(-20, 20)))
    return Laid((thing,), Plain(0.3), MarkerReference(30.0), True)


def _markers(rng: np.random.Generator) -> Laid:
    places = ((58.0, 30.0), (58.0, -28.0), (-82.0, 34.0), (-80.0, -34.0))
    size = 20.0 + float(rng.normal(0, USER_SIZE_U_MM))
    things = tuple(objects.marker(_marker_bits(k), size, at, float(rng.uniform(-30, 30))) for k, at in enumerate(places))
    return Laid(things, Plain(0.3), MarkersReference(20.0), True)


def _scan(rng: np.random.Generator) -> Laid:
    thing = objects.card((85.60, 53.98), 0.76, 3.18, (62.0, 0.0), 90.0, Levels(0.3, 0.3, 0.3))
    return Laid((thing,), Plain(0.9), FlatbedReference(SCAN_DPI, reference_of("card")), False)


KINDS: dict[str, Callable[[np.random.Generator], Laid]] = {
    "ID-1 card": _card,
    "A4 sheet": _sheet,
    "coin, EUR 1": _coin,
    "rule, 1 mm": _rule("1 mm"),
    "rule, 0.5 mm": _rule("0.5 mm"),
    "rule, 1/16 in": _rule("1/16 in"),
    "rule, 1/32 in": _rule("1/32 in"),
    "rule, 1/64 in": _rule("1/64 in"),
    "two points": _points,
    "one marker": _marker,
    "four markers": _markers,
    "flatbed scan": _scan,
}


def _plate(rng: np.random.Generator, backdrop: Plain | Sheet, turn: float) -> Part:
    """A plate with six holes left of the reference; on light ground a darker one."""
    light = isinstance(backdrop, Sheet) or backdrop.level > 0.2
    face = float(rng.uniform(0.08, 0.25) if light else rng.uniform(0.4, 0.75))
    thickness = float(rng.choice([0.8, 1.6, 3.2]))
    broken = rng.random() < 0.5
    rim = Broken(float(rng.uniform(0.1, 0.25))) if broken else Sharp()
    holes = tuple(TrueHole((x, y), float(rng.uniform(2.5, 8.0)), rim) for x in (-20.0, 0.0, 20.0) for y in (-9.0, 9.0))
    rows = ((-30.0, -20.0, 4.0), (30.0, -20.0, 4.0), (30.0, 20.0, 4.0), (-30.0, 20.0, 4.0))
    at = (float(rng.uniform(-24, -16)), float(rng.uniform(-2, 8)))
    levels = Levels(face, 0.6 * face, min(1.2 * face, 0.95))
    return Part(thickness, rows, holes, at_mm=at, rotate_deg=turn, rim=rim, levels=levels, streak=0.05)


def _pose(rng: np.random.Generator, laid: Laid) -> Pose:
    distance = laid.near * float(rng.uniform(*DISTANCE_MM))
    if isinstance(laid.backdrop, Sheet):
        distance *= 1.35
    tilt = rng.normal(0, 2 * TILT_U_RAD if laid.steep else TILT_U_RAD, 2)
    target = np.array([float(rng.uniform(0, 12)), float(rng.uniform(-6, 6)), 0.0])
    back = distance * np.array([np.tan(tilt[0]), np.tan(tilt[1]), 1.0])
    x, y, z = target + back / np.linalg.norm(back) * distance
    roll = 90.0 if isinstance(laid.backdrop, Sheet) else 0.0
    return Pose((float(x), float(y), float(z)), (float(target[0]), float(target[1]), 0.0), roll + float(rng.uniform(-5, 5)))


def _lens(rng: np.random.Generator) -> Lens:
    diagonal = float(np.hypot(*SIZE_PX))
    x, y = rng.uniform(-0.004, 0.004, 2) * diagonal + (np.array(SIZE_PX) - 1) / 2
    return Lens(diagonal * float(rng.uniform(24, 28)) / 43.27, SIZE_PX, (float(x), float(y)), float(rng.uniform(-0.03, 0.03)))


FAR_MM = 40_000.0
"""From so far away the simulator's pinhole sees as a scanner does."""


def shot(kind: str, number: int, seed: int) -> tuple[Shot, Setup]:
    """One photo and what the user says about it."""
    rng = np.random.default_rng([seed, number, list(KINDS).index(kind)])
    laid = KINDS[kind](rng)
    plate = _plate(rng, laid.backdrop, float(rng.uniform(-8, 8)))
    scene = Scene(laid.backdrop, (plate, *laid.parts), Light(tuple(map(float, rng.uniform(-0.08, 0.08, 2)))))
    phone = PHONES[str(rng.choice(["plain", "s20", "s20-sharp50", "s35"]))]
    pose, lens = _pose(rng, laid), _lens(rng)
    exif = kind != "flatbed scan"
    if not exif:
        true_dpi = SCAN_DPI * (1 + float(rng.normal(0, 0.004)))
        pose, lens = Pose((20.0, 0.0, FAR_MM), (20.0, 0.0, 0.0)), Lens(true_dpi / 25.4 * FAR_MM, SIZE_PX)
    taken = Shot(scene, pose, lens, phone, int(rng.integers(2**31)), exif)
    reference = laid.reference
    if isinstance(reference, PointsReference):
        ends = taken.view.project(np.array([[p.at_mm[0], p.at_mm[1], 0.0] for p in laid.parts]))
        first, second = ends + rng.normal(0, TAP_U_PX, (2, 2))
        reference = PointsReference(tuple(map(float, first)), tuple(map(float, second)), reference.distance_mm)
    at = taken.view.project(np.array([[*plate.at_mm, plate.thickness_mm]]))[0]
    said = plate.thickness_mm + float(rng.normal(0, thickness_u(plate.thickness_mm)))
    return taken, Setup(said, reference=reference, part_at=(float(at[0]), float(at[1])))


def measured(kind: str, number: int, seed: int) -> Outcome:
    """Take one photo and compare."""
    taken, setup = shot(kind, number, seed)
    photo = simulate(taken)
    true = [t for t in hole_truths(taken.scene) if t.part == 0]
    try:
        result = inspect(photo.jpeg, setup)
    except HoleinspectError as error:
        return Outcome(holes=len(true), refused=f"{kind} {number}: {error}")
    return _compared(kind, taken, result)


def _compared(kind: str, taken: Shot, result: Inspection) -> Outcome:
    true = [t for t in hole_truths(taken.scene) if t.part == 0]
    px = taken.view.project(np.array([[*t.centre_mm, t.thickness_mm] for t in true]))
    holes = [hole for part in result.parts for hole in part.holes]
    apart = [np.hypot(*(np.array([hole.centre_px for hole in holes]) - at).T) for at in px] if holes else []
    matched = [holes[int(np.argmin(off))] if off.min() < SAME_PX else None for off in apart] or [None] * len(true)
    deviations: list[Deviation] = []
    for t, hole in zip(true, matched, strict=True):
        if hole is not None:
            # The distance to the nearest hole is another where that one was not found.
            others = sorted((float(np.hypot(*np.subtract(t.centre_mm, o.centre_mm))), k) for k, o in enumerate(true))
            pitch = t.pitch_mm if matched[others[1][1]] is not None else None
            deviations += _deviations(kind, hole, t.diameter_mm, t.edge_distance_mm, pitch)
    return Outcome(tuple(deviations), len(true), sum(hole is not None for hole in matched))


def _deviations(kind: str, hole: Hole, *truth: float | None) -> list[Deviation]:
    figures = (hole.diameter, hole.edge_distance, hole.pitch)
    return [Deviation(kind, name, figure.value - right, 2 * figure.u)
            for name, figure, right in zip(FIGURES, figures, truth, strict=True)
            if figure is not None and right is not None]  # fmt: skip


def table(outcomes: dict[str, list[Outcome]]) -> Table:
    """A row for each reference and figure."""
    rows = []
    for kind, of_kind in outcomes.items():
        deviations = [d for outcome in of_kind for d in outcome.deviations]
        refused = sum(bool(outcome.refused) for outcome in of_kind)
        holes, found = sum(o.holes for o in of_kind), sum(o.found for o in of_kind)
        for figure in FIGURES:
            here = [(d.error, d.U) for d in deviations if d.figure == figure]
            rows.append((kind, f"{len(of_kind)}", f"{refused}", f"{found} of {holes}", figure, *_words(here)))
    columns = ("reference", "photos", "refused", "holes", "figure", "bias", "95 % error", "U holds", "middle U")
    return Table("Reference by reference, simulated (mm)", columns, rows)


def _words(pairs: Sequence[tuple[float, float]]) -> tuple[str, ...]:
    if not pairs:
        return ("-",) * 4
    error, U = np.array(pairs).T
    return (f"{error.mean():+.3f}", f"{np.quantile(np.abs(error), 0.95):.3f}", f"{100 * np.mean(np.abs(error) <= U):.1f} %",
            f"{np.median(U):.3f}")  # fmt: skip


def main(
    count: Annotated[int, typer.Option(help="Photos of each reference.")] = 20,
    seed: Annotated[int, typer.Option(help="Of the scenes.")] = 1,
    jobs: Annotated[int, typer.Option(help="Processes.")] = 2,
    only: Annotated[str, typer.Option(help="References whose name holds this.")] = "",
    write_to: Annotated[Path | None, typer.Option("--write", help="Write the table into this page.")] = None,
) -> None:
    """Print 95 % error and coverage of U for every reference."""
    outcomes: dict[str, list[Outcome]] = {}
    with ProcessPoolExecutor(jobs) as pool:
        for kind in (kind for kind in KINDS if only in kind):
            outcomes[kind] = list(pool.map(measured, [kind] * count, range(count), [seed] * count))
            show([table({kind: outcomes[kind]})])
            for outcome in outcomes[kind]:
                if outcome.refused:
                    typer.echo(outcome.refused)
    if write_to is not None:
        write(write_to, "references", f"python benchmarks/references.py --count {count} --seed {seed}", [table(outcomes)])


if __name__ == "__main__":
    typer.run(main)
