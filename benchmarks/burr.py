"""Burrs on hole rims against exact truth: found and missed, invented, and how great, at 12 px/mm.

    python benchmarks/burr.py [--photos FOLDER] [--simulated 12] [--soft 2] [--jobs 2] [--write docs/condition.md]
                              [--curve docs/burr_curve.png]

FOLDER holds path-traced photos made from the scenes of benchmarks/burr_scenes.py; they are too large to be kept here.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # run as a script, it needs the simulator beside it

import numpy as np
import typer

from benchmarks.burr_photos import RimPhoto, TrueRim, simulated, traced, traced_names
from benchmarks.tables import Table, show, write
from holeinspect.inspection import Hole, Inspection
from holeinspect.measure.inspect import inspect
from holeinspect.measured import Array
from holeinspect.setup import Setup

SAME_HOLE_MM = 1.0
LEAN_MM = 0.10
"""Burrs of this lean and more must be found."""
CLOSE_MM = 0.04
SOFT_PX = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0)
BARS_MM = (240.0, 170.0)


@dataclass(frozen=True, slots=True)
class Job:
    """One photo to take or read, and inspect."""

    folder: Path | None = None
    name: str = ""
    number: int = 0
    optics_px: float | None = None
    burred: bool = True

    def photo(self) -> RimPhoto:
        """Take or read it."""
        return traced(self.folder, self.name) if self.folder else simulated(self.number, self.optics_px, self.burred)


@dataclass(frozen=True, slots=True)
class Row:
    """One rim: truth and measurement, mm. flagged: a place on it is, or may be, beyond the default limit."""

    family: str
    photo: str
    hole: str
    optics_px: float
    true: TrueRim
    measured_mm: float
    U_mm: float
    flagged: bool
    shown: bool
    smallest_mm: float


def run(job: Job) -> list[Row]:
    """Inspect one photo and compare its rims with the truth; rims not found are left out."""
    photo = job.photo()
    seen = inspect(photo.jpeg, Setup(photo.thickness_mm, along=BARS_MM[0], across=BARS_MM[1]))
    holes = [hole for part in seen.parts for hole in part.holes]
    return [_row(photo, rim, hole, seen) for rim in photo.rims if (hole := _same(rim, holes)) is not None]


def _same(rim: TrueRim, holes: Sequence[Hole]) -> Hole | None:
    near = min(holes, key=lambda hole: np.hypot(*np.subtract(hole.centre_mm, rim.centre_mm)), default=None)
    if near is None or np.hypot(*np.subtract(near.centre_mm, rim.centre_mm)) > SAME_HOLE_MM:
        return None
    return near


def _row(photo: RimPhoto, rim: TrueRim, hole: Hole, seen: Inspection) -> Row:
    condition = hole.condition
    flagged = any(found.subject == hole.name and found.kind == "burr" for found in seen.findings)
    if condition is None:
        return Row(photo.family, photo.name, hole.name, photo.optics_px, rim, 0.0, np.inf, flagged, False, np.inf)
    return Row(
        photo.family,
        photo.name,
        hole.name,
        photo.optics_px,
        rim,
        condition.protrusion.value,
        2 * condition.protrusion.u,
        flagged,
        condition.shown,
        condition.smallest_shown_mm,
    )


def curve(rows: Iterable[Row]) -> tuple[Array, Array, float]:
    """False and true share of rims flagged at every threshold on the greatest protrusion, and the area under the curve."""
    rows = [row for row in rows if row.true.state != "burr" or row.true.lean_mm >= LEAN_MM]
    clean = np.array([row.measured_mm for row in rows if row.true.state != "burr"])
    burred = np.array([row.measured_mm for row in rows if row.true.state == "burr"])
    at = np.sort(np.concatenate([clean, burred, [np.inf]]))[::-1]
    ties = (burred[:, None] > clean).mean() + (burred[:, None] == clean).mean() / 2 if len(clean) and len(burred) else np.nan
    return (clean >= at[:, None]).mean(axis=1), (burred >= at[:, None]).mean(axis=1), float(ties)


def main_table(rows: Sequence[Row]) -> Table:
    """The figures of the issue, by family."""
    lines = []
    for family in dict.fromkeys(row.family for row in rows):
        own = [row for row in rows if row.family == family]
        clean = [row for row in own if row.true.state != "burr"]
        burred = [row for row in own if row.true.state == "burr"]
        great = [row for row in burred if row.true.lean_mm >= LEAN_MM]
        good = sum(row.shown and not row.flagged for row in great)
        lines.append(
            (
                family,
                f"{len(clean)} + {len(burred)}",
                f"{curve(own)[2]:.4f}",
                _share(clean, [r.flagged for r in clean]),
                _share(great, [not r.flagged for r in great]),
                f"{good}",
                _within(burred, [r.measured_mm - r.true.lean_mm for r in burred]),
                _within(burred, [r.measured_mm - r.true.seen_mm for r in burred]),
                _share(burred, [abs(r.measured_mm - r.true.lean_mm) <= r.U_mm for r in burred]),
            )
        )
    columns = (
        "photos",
        "clean + burred rims",
        "area under the curve",
        "clean rims flagged",
        "burrs missed",
        "of these called clean",
        "within 0.04 mm of the true reach",
        "of the reach as seen",
        "true reach within U",
    )
    return Table("Rims at 12 px/mm", columns, lines)


def _share(rows: Sequence[Row], hits: Sequence[bool]) -> str:
    return f"{sum(hits)} of {len(rows)} ({sum(hits) / max(len(rows), 1):.1%})"


def _within(rows: Sequence[Row], errors: Sequence[float]) -> str:
    off = np.abs(errors)
    return f"{(off <= CLOSE_MM).mean():.0%} (95 %: {np.percentile(off, 95):.3f} mm)" if len(off) else "-"


def photo_table(rows: Sequence[Row]) -> Table:
    """By photo."""
    lines = []
    for name in dict.fromkeys(row.photo for row in rows):
        own = [row for row in rows if row.photo == name]
        clean = [row for row in own if row.true.state != "burr"]
        great = [row for row in own if row.true.state == "burr" and row.true.lean_mm >= LEAN_MM]
        lines.append(
            (
                name,
                f"{len(clean)}",
                f"{sum(r.flagged for r in clean)}",
                f"{len(great)}",
                f"{sum(not r.flagged for r in great)}",
                f"{sum(not r.shown for r in own)}",
                f"{np.median([r.smallest_mm for r in own]):.3f}",
            )
        )
    columns = ("photo", "clean", "flagged", "burrs of 0.10 mm and more", "missed", "rims not shown", "smallest shown, mm")
    return Table("By photo", columns, lines)


def soft_table(rows: Sequence[Row]) -> Table:
    """Clean and burred rims against blur."""
    lines = []
    for px in sorted({row.optics_px for row in rows}):
        own = [row for row in rows if row.optics_px == px]
        clean = [row for row in own if row.true.state != "burr"]
        great = [row for row in own if row.true.state == "burr" and row.true.lean_mm >= LEAN_MM]
        good = sum(row.shown and not row.flagged for row in great)
        lines.append(
            (
                f"{px:.1f}",
                _share(clean, [r.flagged for r in clean]),
                _share(great, [not r.flagged for r in great]),
                f"{good}",
                _share(own, [not r.shown for r in own]),
                f"{np.median([r.smallest_mm for r in own]):.3f}",
            )
        )
    return Table(
        "Simulated rims against blur",
        ("blur sigma, px", "clean rims flagged", "burrs missed", "of these called clean", "rims not shown", "smallest shown, mm"),
        lines,
    )


def draw_curve(rows: Sequence[Row], to: Path) -> None:
    """The ROC curve of each family as a picture."""
    from matplotlib.figure import Figure

    sheet = Figure(figsize=(5, 4), layout="constrained")
    axes = sheet.add_subplot()
    for family, style in zip(dict.fromkeys(row.family for row in rows), ("-", "--", ":"), strict=False):
        false, true, area = curve(row for row in rows if row.family == family)
        axes.plot(false, true, style, color="#0072B2", label=f"{family}: area {area:.4f}", drawstyle="steps-post")
    axes.set(
        xlim=(0, 0.2),
        ylim=(0.8, 1.005),
        xlabel="share of clean rims above the threshold",
        ylabel=f"share of burrs of {LEAN_MM:.2f} mm and more above it",
    )
    axes.legend(loc="lower right")
    sheet.savefig(to, dpi=120)


def main(
    photos: Annotated[Path | None, typer.Option(help="Folder of path-traced photos.")] = None,
    simulated: Annotated[int, typer.Option(help="Simulated photos.")] = 12,
    soft: Annotated[int, typer.Option(help="Simulated photos for each blur.")] = 2,
    jobs: Annotated[int, typer.Option(help="Processes.")] = 2,
    write_to: Annotated[Path | None, typer.Option("--write", help="Page to write the tables into.")] = None,
    curve_to: Annotated[Path | None, typer.Option("--curve", help="Picture of the curve.")] = None,
) -> None:
    """Run all and print the tables."""
    work = [Job(photos, name) for name in traced_names(photos)] if photos else []
    work += [Job(number=number) for number in range(simulated)]
    blurred = [Job(number=number, optics_px=px) for px in SOFT_PX for number in range(soft)]
    with ProcessPoolExecutor(jobs) as pool:
        rows = [row for found in pool.map(run, work) for row in found]
        soft_rows = [row for found in pool.map(run, blurred) for row in found]
    made = [main_table(rows), photo_table(rows), *([soft_table(soft_rows)] if soft_rows else [])]
    show(made)
    if curve_to is not None:
        draw_curve(rows, curve_to)
    if write_to is not None:
        write(write_to, "burr", "python benchmarks/burr.py --photos FOLDER", made)


if __name__ == "__main__":
    typer.run(main)
