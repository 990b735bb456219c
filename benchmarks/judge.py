"""The photo judge on graded photos: as each fault grows, is a hole measured by hand before its error exceeds U?

    python benchmarks/judge.py [--scenes 3] [--picture docs/judge.png] [--write docs/judge.md]
"""

from __future__ import annotations

import pickle
import sys
from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # run as a script, it needs the simulator beside it

import cv2
import numpy as np
import typer

from benchmarks.tables import Table, show, write
from holeinspect import Inspection, Setup, inspect
from holeinspect.errors import HoleinspectError
from holeinspect.measured import Array
from holeinspect.scale.mat import PAGES
from tests.simulator.draw import Limits, random_shot
from tests.simulator.phone import PHONES, Phone, encode_jpeg
from tests.simulator.scene import HoleTruth, Mat
from tests.simulator.shot import Shot, simulate

SIZE_PX = (2880, 2160)
"""Six megapixels: quick, and near the least resolution that is fine."""
LIMITS = Limits(thickness_mm=(1.0, 4.0), diameter_mm=(2.5, 8.0), holes=(6, 12), tilt_deg=(3.0, 12.0), broken=0.3, face=(0.4, 0.6),
                print_scale=0.0)  # fmt: skip
PHONE_NAMES = ("plain", "s20-sharp50", "two-radii", "flat-look", "s35-sharp80", "hazy-lens")
SERIES: Mapping[str, tuple[float, ...]] = {
    "blur": (0.0, 1.0, 1.5, 2.0, 2.5, 3.0),
    "motion": (0.0, 3.0, 5.0, 7.0, 10.0, 14.0),
    "tilt": (5.0, 20.0, 30.0, 40.0, 45.0, 50.0),
    "glare": (0.0, 0.3, 0.6, 1.0, 2.0, 5.0),
    "clipping": (1.0, 1.3, 1.7, 2.2, 3.0, 4.0),
    "low light": (1.0, 0.2, 0.05, 0.02, 0.01, 0.005),
}
UNITS = {
    "blur": "added blur, sigma in px", "motion": "smear, px", "tilt": "tilt, degrees", "glare": "light of the glare",
    "clipping": "exposure over the right one", "low light": "light over a full exposure",
}  # fmt: skip
NIGHT_GAIN = 0.7
"""A dark photo is brightened by the phone to this share of a full exposure, noise and all."""
GLARE_MM = 7.0
"""Standard deviation of the glare's patch."""
NEAR_MM = 1.5


@dataclass(frozen=True, slots=True)
class Level:
    """One grade of one fault on one scene: |error|/U of every figure and whether its hole is measured by hand."""

    series: str
    level: float
    ratios: tuple[float, ...] = ()
    by_hand: tuple[bool, ...] = ()
    refused: str = ""
    judged: tuple[str, ...] = ()


def graded(series: str, scene: int) -> Iterator[tuple[float, bytes, tuple[HoleTruth, ...]]]:
    """The photos of a series: level, file, truth."""
    rng = np.random.default_rng([scene, 91])
    phone = PHONES[PHONE_NAMES[scene % len(PHONE_NAMES)]]
    shot = random_shot(rng, phone, SIZE_PX, Mat("a4", "black", (1.0, 1.0)), LIMITS)
    if series == "tilt":
        for level in SERIES[series]:
            tilted = random_shot(np.random.default_rng([scene, 91]), phone, SIZE_PX, Mat("a4", "black", (1.0, 1.0)),
                                 replace(LIMITS, tilt_deg=(level, level), hidden=0.9, off_axis_mm=400.0))  # fmt: skip
            taken = simulate(tilted)
            yield level, taken.jpeg, taken.holes
        return
    taken = simulate(shot)
    for level in SERIES[series]:
        light, exposed_by = _spoiled(series, level, shot, taken.light)
        linear = exposed_by.expose(light, np.random.default_rng([scene, 92]))
        yield level, encode_jpeg(exposed_by.develop(linear), 93, shot.lens.focal35), taken.holes


def _spoiled(series: str, level: float, shot: Shot, light: Array) -> tuple[Array, Phone]:
    """The light and the phone at a level of a fault."""
    phone = shot.phone
    match series:
        case "blur":
            return (cv2.GaussianBlur(light, (0, 0), level) if level else light), phone
        case "motion":
            return (cv2.filter2D(light, -1, smear(level, 0.6 + shot.seed % 7)) if level else light), phone
        case "glare":
            return light + level * _spot(shot) * _face(shot, light), phone
        case "clipping":
            return light, replace(phone, exposure=level)
        case _:
            electrons = phone.electrons * level
            return light, replace(phone, electrons=electrons, read_noise=phone.read_noise, exposure=NIGHT_GAIN)


def smear(length_px: float, direction: float) -> Array:
    """Kernel of an even motion over this length, px, at this angle, radians; anti-aliased eightfold."""
    fine, count = 8, int(length_px) + 5
    count += 1 - count % 2
    kernel = np.zeros((count * fine, count * fine), np.float32)
    centre = (count * fine - 1) / 2
    way = np.array([np.cos(direction), np.sin(direction)]) * length_px * fine / 2
    start, end = ((round(float(centre - s * way[0])), round(float(centre - s * way[1]))) for s in (1, -1))
    cv2.line(kernel, start, end, 1.0, fine // 2)
    small = cv2.resize(kernel, (count, count), interpolation=cv2.INTER_AREA)
    return np.asarray(small / small.sum())


def _face(shot: Shot, light: Array) -> Array:
    """Share of each pixel that shows the part's upper face: what one more unit of the face's light adds."""
    part = shot.scene.parts[0]
    brighter = replace(part, levels=replace(part.levels, face=part.levels.face + 1.0))
    lit = simulate(replace(shot, scene=replace(shot.scene, parts=(brighter,))))
    return np.asarray(np.clip(lit.light - light, 0, None), np.float32)


def _spot(shot: Shot) -> Array:
    """A round patch of glare over the rim of the part's first hole."""
    hole = simulated_hole(shot)
    width, height = shot.lens.size_px
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    off = np.hypot(x - np.float32(hole[0]), y - np.float32(hole[1])) / np.float32(GLARE_MM * shot.view.px_per_mm())
    return np.exp(-0.5 * off**2)


def simulated_hole(shot: Shot) -> tuple[float, float]:
    """Where the glare lies, px: a hole's breadth beside the first hole's centre."""
    part = shot.scene.parts[0]
    hole = part.holes[0]
    at_x, at_y = part.placed(hole.opening()).centroid.coords[0]
    x, y = shot.view.project(np.array([[at_x + hole.diameter_mm, at_y, part.thickness_mm]]))[0]
    return float(x), float(y)


def run(job: tuple[str, int]) -> list[Level]:
    """All levels of one series on one scene."""
    series, scene = job
    thickness = None
    levels = []
    for level, jpeg, truths in graded(series, scene):
        thickness = truths[0].thickness_mm
        along, across = PAGES["a4"].bars_mm
        setup = Setup(thickness, along=along, across=across, camera_profile="ignore")
        try:
            inspection = inspect(jpeg, setup)
        except HoleinspectError as error:
            levels.append(Level(series, level, refused=str(error)))
            continue
        ratios, by_hand = _scored(inspection, truths)
        judged = tuple(note.name for note in inspection.photo.judged if note.level != "fine")
        levels.append(Level(series, level, tuple(ratios), tuple(by_hand), judged=judged))
    return levels


def _scored(inspection: Inspection, truths: tuple[HoleTruth, ...]) -> tuple[list[float], list[bool]]:
    ratios, by_hand = [], []
    for hole in (hole for part in inspection.parts for hole in part.holes):
        near = min(truths, key=lambda truth: float(np.hypot(*np.subtract(truth.centre_mm, hole.centre_mm))))
        if np.hypot(*np.subtract(near.centre_mm, hole.centre_mm)) > NEAR_MM:
            continue
        asked = hole.verdict == "measure by hand" or any(note.decision == "measure by hand" for note in hole.reasons)
        for figure, truth in ((hole.diameter, near.diameter_mm), (hole.edge_distance, near.edge_distance_mm)):
            if figure is not None:
                ratios.append(abs(figure.value - truth) / (2 * figure.u))
                by_hand.append(asked)
    return ratios, by_hand


def tables(levels: list[Level]) -> list[Table]:
    """A table a series."""
    made = []
    for series in SERIES:
        rows = []
        for level in SERIES[series]:
            found = [one for one in levels if (one.series, one.level) == (series, level)]
            ratios, by_hand = _together(found)
            trusted = ratios[~by_hand]
            judged = sorted({name for one in found for name in one.judged})
            rows.append((f"{level:g}", f"{sum(bool(one.refused) for one in found)} of {len(found)}", str(len(ratios)),
                         f"{by_hand.mean():.0%}" if len(ratios) else "", _quantile(ratios), _quantile(trusted),
                         f"{(trusted > 1).mean():.1%}" if len(trusted) else "", ", ".join(judged)))  # fmt: skip
        made.append(Table(f"{series.capitalize()}: {UNITS[series]}",
                          ("level", "refused", "figures", "by hand", "all: 95 % of error/U", "trusted: 95 %", "beyond U",
                           "the judge says"), rows))  # fmt: skip
    return made


def _together(found: list[Level]) -> tuple[Array, Any]:
    return np.array([r for one in found for r in one.ratios]), np.array([b for one in found for b in one.by_hand], bool)


def _quantile(ratios: Array) -> str:
    return f"{np.quantile(ratios, 0.95):.2f}" if len(ratios) else ""


def draw(levels: list[Level], picture: Path) -> None:
    """The curves: error over U of all figures, and the share of figures that are measured by hand or refused."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    present = [series for series in SERIES if any(one.series == series for one in levels)]
    drawn, axes = plt.subplots(2, -(-len(present) // 2), figsize=(12, 6.6), layout="constrained", squeeze=False)
    for panel, series in zip(axes.flat, present, strict=False):
        grades = SERIES[series]
        at = range(len(grades))
        found = {g: [one for one in levels if (one.series, one.level) == (series, g)] for g in grades}
        pairs = {g: _together(found[g]) for g in grades}
        panel.plot(at, [_number(r) for r, _ in pairs.values()], "o-", color="#0072B2", label="all figures: 95 % of |error| / U")
        panel.plot(at, [_number(r[~b]) for r, b in pairs.values()], "s--", color="#009E73", label="figures not measured by hand")
        panel.axhline(1, color="black", linewidth=0.8)
        shares = [_set_aside(found[g]) for g in grades]
        panel.bar(at, [2.5 * share for share in shares], color="#E69F00", alpha=0.3, label="share measured by hand or refused")
        panel.set(xticks=at, xticklabels=[f"{g:g}" for g in grades], xlabel=UNITS[series], ylim=(0, 2.5), title=series)
        panel.secondary_yaxis("right", functions=(lambda y: 40 * y, lambda y: y / 40)).set_ylabel("%")
    axes[-1, -1].legend(loc="upper left", fontsize=8)
    drawn.savefig(picture, dpi=110)
    plt.close(drawn)


def _number(ratios: Array) -> float:
    return min(float(np.quantile(ratios, 0.95)), 2.45) if len(ratios) else float("nan")


def _set_aside(found: list[Level]) -> float:
    """Share of figures measured by hand, refused photos counting whole."""
    shares = [1.0 if one.refused else float(np.mean(one.by_hand)) if one.by_hand else 1.0 for one in found]
    return float(np.mean(shares))


def main(
    scenes: Annotated[int, typer.Option(help="Plates, phones taking turns.")] = 3,
    only: Annotated[str | None, typer.Option(help="Some series, by commas.")] = None,
    jobs: Annotated[int, typer.Option(help="Processes.")] = 2,
    keep: Annotated[Path | None, typer.Option(help="Keep what is done in this file as it grows.")] = None,
    picture: Annotated[Path | None, typer.Option(help="Draw the curves into this file.")] = None,
    write_to: Annotated[Path | None, typer.Option("--write", help="Write the tables into this page.")] = None,
) -> None:
    """Print the curves of the photo judge."""
    work = [(series, scene) for series in SERIES if only is None or series in only.split(",") for scene in range(scenes)]
    levels: list[Level] = []
    with ProcessPoolExecutor(jobs) as pool:
        for found in pool.map(run, work):
            levels += found
            if keep is not None:
                keep.write_bytes(pickle.dumps(levels))
    made = [table for table in tables(levels) if only is None or table.title.split(":")[0].lower() in only.split(",")]
    show(made)
    if picture is not None:
        draw(levels, picture)
    if write_to is not None:
        write(write_to, "judge", f"python benchmarks/judge.py --scenes {scenes}", made)


if __name__ == "__main__":
    typer.run(main)
