"""How near a diameter comes to the least scatter that noise allows: repeated noise on a plain blurred disc.

    python benchmarks/bound.py [--count 200] [--write docs/accuracy.md]

The bound is that of a full circle with known levels: sd(D) = 2 e / sqrt(pi D), e = sqrt(2 sqrt(pi) s) q/c, with s the
edge spread's sigma, q/c noise over contrast, all in px (our derivation; DEVELOPERS.md).
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Annotated

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # run as a script, it needs the simulator beside it

import numpy as np
import typer
from rich.progress import track

from benchmarks.tables import Table, show, write
from holeinspect.edges.contours import round_fit
from holeinspect.edges.lockstep import settle
from holeinspect.edges.rims import Plate
from holeinspect.edges.stretches import Blur, View
from holeinspect.measured import Array
from holeinspect.scale.camera import Camera
from tests.simulator.disc import Disc, disc_picture
from tests.simulator.phone import SQUARE_PIXEL_VARIANCE

RADII_PX = (16.0, 24.0, 40.0)
SPREADS_PX = (0.6, 1.0, 1.4)
NOISES = (0.005, 0.01, 0.02)
"""Noise of a pixel over the contrast."""
LIMIT = 1.3
"""Standard deviation over the bound, at most: the figure to reach."""
HEIGHT_MM, PX_PER_MM = 300.0, 10.0
MARGIN_PX = 14
"""Ground round the disc: more than a profile reaches."""
START_OFF_MM = 0.05
"""How far the first guess is off: what the finder leaves."""


@dataclass(frozen=True, slots=True)
class Case:
    """A disc of this radius (px), edge spread (sigma, px) and noise over contrast, at a place within its pixel."""

    radius_px: float
    spread_px: float
    noise: float
    place: tuple[float, float] = (0.31, -0.17)

    @property
    def bound_px(self) -> float:
        """Least standard deviation of the diameter, px."""
        per_px = np.sqrt(2 * np.sqrt(np.pi) * self.spread_px) * self.noise
        return float(2 * per_px / np.sqrt(np.pi * 2 * self.radius_px))


@dataclass(frozen=True, slots=True)
class Scatter:
    """Of the measured diameters over repeated noise, px; fitted out of tried; stated: the middle of the stated u."""

    bias_px: float
    sd_px: float
    stated_px: float
    fitted: int
    tried: int


def camera_above(size: int) -> Camera:
    """Straight above the middle of a square picture of this side, PX_PER_MM on the mat."""
    middle = (size - 1) / 2
    focal = HEIGHT_MM * PX_PER_MM
    K = np.array([[focal, 0, middle], [0, focal, middle], [0, 0, 1.0]])
    return Camera(K, np.zeros(5), np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, HEIGHT_MM]))


def scatter(case: Case, count: int, seed: int = 0) -> Scatter:
    """Measure the disc `count` times, each time with new noise."""
    size = int(2 * (case.radius_px + MARGIN_PX)) | 1
    middle = (size - 1) / 2
    optics = float(np.sqrt(case.spread_px**2 - SQUARE_PIXEL_VARIANCE))
    disc = Disc((middle + case.place[0], middle + case.place[1]), case.radius_px)
    clean = disc_picture(disc, (size, size), optics)
    sigma = case.noise * abs(disc.ground - disc.disc)
    rng = np.random.default_rng(seed)
    measured = [_measured(clean + sigma * rng.standard_normal(clean.shape), case, size) for _ in range(count)]
    found = np.array([pair for pair in measured if pair is not None])
    diameters, stated = found.T
    return Scatter(float(diameters.mean() - 2 * case.radius_px), float(diameters.std(ddof=1)),
                   float(np.median(stated)), len(found), count)  # fmt: skip


def _measured(light: Array, case: Case, size: int) -> tuple[float, float] | None:
    """Diameter and its standard uncertainty from noise, px."""
    view = View(light, camera_above(size), Blur(case.spread_px), Plate(0.0, 0.0))
    centre = np.array([case.place[0], -case.place[1]]) / PX_PER_MM + START_OFF_MM
    rim = settle(round_fit(view, centre, case.radius_px / PX_PER_MM + START_OFF_MM))
    if rim is None:
        return None
    return 2 * rim.radius * PX_PER_MM, 2 * float(np.sqrt(rim.covariance[2, 2])) * PX_PER_MM


def table(cases: Sequence[Case], found: Sequence[Scatter], count: int) -> Table:
    """All cases, the scatter over its bound last."""
    rows = [(f"{c.radius_px:g}", f"{c.spread_px:g}", f"{100 * c.noise:g} %", f"{1000 * c.bound_px:.1f}",
             f"{1000 * f.sd_px:.1f}", f"{1000 * f.stated_px:.1f}", f"{1000 * f.bias_px:+.1f}",
             f"{f.sd_px / c.bound_px:.2f}{'' if f.sd_px <= LIMIT * c.bound_px else ' (over)'}")
            for c, f in zip(cases, found, strict=True)]  # fmt: skip
    return Table(f"Diameter over {count} noises, thousandths of a px; at most {LIMIT} of the bound is wanted",
                 ("R px", "s px", "q/c", "bound", "sd", "stated u", "bias", "sd / bound"), rows)  # fmt: skip


def main(
    count: Annotated[int, typer.Option(help="Noises per case.")] = 200,
    write_to: Annotated[Path | None, typer.Option("--write", help="Write the table into this page.")] = None,
) -> None:
    """Print the scatter of the diameter against its bound."""
    cases = [Case(*values) for values in product(RADII_PX, SPREADS_PX, NOISES)]
    found = [scatter(case, count) for case in track(cases, "Discs")]
    made = [table(cases, found, count)]
    show(made)
    if write_to is not None:
        write(write_to, "bound", f"python benchmarks/bound.py --count {count}", made)


if __name__ == "__main__":
    typer.run(main)
