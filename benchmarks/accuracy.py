"""Accuracy against exact truth: ours beside four things a user could try instead, on the same photos in one run.

    python benchmarks/accuracy.py [--count 28] [--seed 1] [--jobs 2] [--photos DIR ...] [--write docs/accuracy.md]
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Annotated

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # run as a script, it needs the simulator beside it

import typer
from rich.progress import track

from benchmarks.photos import SAMPLES, BenchPhoto, simulated, traced, traced_files
from benchmarks.scoring import FIGURES, OURS, Count, Deviation, Scored, score, statistics
from benchmarks.tables import Table, show, write
from holeinspect.errors import HoleinspectError

FINE_PX_PER_MM = 12.0
FAR_MM = 120.0
"""The figures to reach are stated for this resolution or better, and up to this far from the camera's foot."""
DRESSED = ("sharp", "broken")
"""Rims for which they are stated."""
RIM_KINDS = ("sharp", "broken", "burred", "countersunk")
THICKNESSES_MM = ((0.0, 1.0), (1.0, 3.0), (3.0, 6.1))
COLUMNS = ("n", "bias", "95 % |error|", "U holds", "middle U")
LISTED = 40
"""Most failures that are listed by name."""


@dataclass(frozen=True, slots=True)
class Job:
    """One photo to measure: a simulated one by number, or a file."""

    number: int = -1
    seed: int = 0
    kept: Path | None = None
    file: Path | None = None
    alternatives: bool = True

    def photo(self) -> BenchPhoto:
        """Take or read it."""
        return traced(self.file) if self.file else simulated(self.number, self.seed, self.kept)


def run(job: Job) -> Scored | str:
    """Measure one photo; a photo that is refused is told in words."""
    photo = job.photo()
    try:
        return score(photo, job.alternatives)
    except HoleinspectError as error:
        return f"{photo.name} ({len(photo.holes)} holes): {error}"


def run_all(jobs: Sequence[Job], processes: int) -> tuple[Scored, list[str]]:
    """All photos, and those refused."""
    scored, refused = Scored([], []), []
    with ProcessPoolExecutor(processes) as pool:
        waiting = as_completed([pool.submit(run, job) for job in jobs])
        for done in track(waiting, "Photos", total=len(jobs)):
            result = done.result()
            if isinstance(result, str):
                refused.append(result)
            else:
                scored.deviations.extend(result.deviations)
                scored.counts.extend(result.counts)
    return scored, refused


def stated(d: Deviation) -> bool:
    """Whether the figures to reach are stated for it: dressed rims, 12 px/mm or better, off-axis to 120 mm."""
    return d.rim in DRESSED and d.px_per_mm >= FINE_PX_PER_MM and d.off_axis_mm <= FAR_MM


def tables(scored: Scored, refused: Sequence[str]) -> list[Table]:
    """All that is reported."""
    families = list(dict.fromkeys(count.family for count in scored.counts))
    ours = [d for d in scored.deviations if d.method == OURS]
    made = [_found(scored.counts), _goals(ours, families), _methods(scored.deviations, families), _rims(ours, families)]
    made += [_resolution(ours), _thickness(ours), _phones(ours), _verdicts(scored.counts)]
    failures = _failures(scored.counts, refused)
    return [*made, failures] if failures.rows else made


def _found(counts: Sequence[Count]) -> Table:
    rows = []
    for method in dict.fromkeys(count.method for count in counts):
        for family in dict.fromkeys(count.family for count in counts):
            chosen = [c for c in counts if (c.method, c.family) == (method, family)]
            holes, missed = sum(c.holes for c in chosen), sum(len(c.missed) for c in chosen)
            rows.append((method, family, str(len(chosen)), str(holes), str(holes - missed), str(missed),
                         str(sum(len(c.invented) for c in chosen))))  # fmt: skip
    return Table("Holes found", ("method", "photos", "n", "holes", "found", "missed", "invented"), rows)


def _rows(chosen: Sequence[Deviation], *label: str) -> list[tuple[str, ...]]:
    """A row for each figure among these deviations."""
    by_figure = ((figure, statistics([d for d in chosen if d.figure == figure])) for figure in FIGURES)
    return [(*label, figure, *found.words) for figure, found in by_figure if found.n]


def _goals(ours: Sequence[Deviation], families: Sequence[str]) -> Table:
    rows = []
    for family in families:
        rows += _rows([d for d in ours if d.family == family and stated(d)], family)
    title = (
        f"Ours where figures are stated: sharp and broken rims, {FINE_PX_PER_MM:g} px/mm or better, "
        f"off-axis to {FAR_MM:g} mm (mm)"
    )
    return Table(title, ("photos", "figure", *COLUMNS), rows)


def _methods(deviations: Sequence[Deviation], families: Sequence[str]) -> Table:
    rows = []
    for family, method in product(families, dict.fromkeys(d.method for d in deviations)):
        chosen = [d for d in deviations if (d.family, d.method) == (family, method) and stated(d)]
        rows += _rows(chosen, family, method)
    title = "All methods where figures are stated, each on the holes that it found (mm)"
    return Table(title, ("photos", "method", "figure", *COLUMNS), rows)


def _rims(ours: Sequence[Deviation], families: Sequence[str]) -> Table:
    rows = []
    for family, rim in product(families, RIM_KINDS):
        rows += _rows([d for d in ours if (d.family, d.rim) == (family, rim)], family, rim)
    title = "Ours by rim (of the outline, for edge distances), any resolution (mm)"
    return Table(title, ("photos", "rim", "figure", *COLUMNS), rows)


def _resolution(ours: Sequence[Deviation]) -> Table:
    dressed = [d for d in ours if d.rim in DRESSED]
    fine = _rows([d for d in dressed if d.px_per_mm >= FINE_PX_PER_MM], f"{FINE_PX_PER_MM:g} or better")
    coarse = _rows([d for d in dressed if d.px_per_mm < FINE_PX_PER_MM], "coarser")
    return Table("Ours by resolution, sharp and broken rims (mm)", ("px/mm", "figure", *COLUMNS), [*fine, *coarse])


def _thickness(ours: Sequence[Deviation]) -> Table:
    rows = []
    for (low, high), rim in product(THICKNESSES_MM, DRESSED):
        chosen = [d for d in ours if low < d.thickness_mm <= high and d.rim == rim]
        rows += _rows(chosen, f"{low:g} to {high:.0f}", rim)
    return Table("Ours by thickness and rim (mm)", ("thickness", "rim", "figure", *COLUMNS), rows)


def _phones(ours: Sequence[Deviation]) -> Table:
    rows = []
    for phone in dict.fromkeys(d.phone for d in sorted(ours, key=lambda d: (d.family, d.phone))):
        rows += _rows([d for d in ours if d.phone == phone and d.rim in DRESSED], phone)
    return Table("Ours by phone or path-traced photo, sharp and broken rims (mm)", ("phone", "figure", *COLUMNS), rows)


def _verdicts(counts: Sequence[Count]) -> Table:
    rows = []
    for family in dict.fromkeys(c.family for c in counts):
        chosen = [c for c in counts if (c.method, c.family) == (OURS, family)]
        words = {w: sum(c.verdicts.get(w, 0) for c in chosen) for w in ("good", "rework", "measure by hand")}
        rows.append((family, str(sum(c.bad for c in chosen)), *map(str, words.values()),
                     str(sum(len(c.called_good) for c in chosen))))  # fmt: skip
    return Table("Verdicts (truly bad: edge under 2 D, pitch under 3 D, not round; D the true bore)",
                 ("photos", "truly bad", "good", "rework", "measure by hand", "bad called good"), rows)  # fmt: skip


def _failures(counts: Sequence[Count], refused: Sequence[str]) -> Table:
    rows = [("refused", text, "") for text in refused]
    for count in (c for c in counts if c.method == OURS):
        named = {"missed": count.missed, "invented": count.invented, "bad called good": count.called_good}
        rows += [(what, count.photo, ", ".join(names)) for what, names in named.items() if names]
    return Table("Failures of ours by name", ("what", "photo", "holes"), rows[:LISTED])


def main(
    count: Annotated[int, typer.Option(help="Simulated photos; phones take turns.")] = 28,
    seed: Annotated[int, typer.Option(help="Of the simulated photos.")] = 1,
    jobs: Annotated[int, typer.Option(help="Processes.")] = 2,
    photos: Annotated[list[Path] | None, typer.Option(help="More folders of NAME.jpg with NAME.truth.json.")] = None,
    samples: Annotated[bool, typer.Option(help="Measure sample_images too.")] = True,
    alternatives: Annotated[bool, typer.Option(help="Try the four alternatives too.")] = True,
    keep: Annotated[Path | None, typer.Option(help="Keep simulated photos in this folder for the next run.")] = None,
    write_to: Annotated[Path | None, typer.Option("--write", help="Write the tables into this page.")] = None,
) -> None:
    """Print the figures of accuracy."""
    files = traced_files([*([SAMPLES] if samples else []), *(photos or [])])
    work = [Job(number, seed, keep, None, alternatives) for number in range(count)]
    work += [Job(file=file, alternatives=alternatives) for file in files]
    made = tables(*run_all(work, jobs))
    show(made)
    if write_to is not None:
        write(write_to, "accuracy", f"python benchmarks/accuracy.py --count {count} --seed {seed}", made)


if __name__ == "__main__":
    typer.run(main)
