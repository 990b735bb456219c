"""Time and memory of one photo, start to end without interpreter start-up, stage by stage.

    python benchmarks/speed.py [PHOTO] [--thickness 3.2mm] [--count 7] [--write docs/accuracy.md]
"""

from __future__ import annotations

import json
import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, TypeVar

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # run as a script, it needs the tables beside it

import typer

ROOT = Path(__file__).resolve().parent.parent
PHOTO = ROOT / "sample_images" / "hm101_gusset_a4_black.jpg"
STAGES = ("open", "target", "scale", "find", "restore light", "measure and judge")
WHOLE = "start to end"
KIB_PER_MB = 1000 * 1000 / 1024
"""Linux states the greatest resident size in KiB."""
CHILD = "--measure-once"

Result = TypeVar("Result")


class Clock:
    """Seconds of named stages."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    def timed(self, stage: str, work: Callable[[], Result]) -> Result:
        """Do the work and keep its time."""
        began = time.perf_counter()
        result = work()
        self.seconds[stage] = time.perf_counter() - began
        return result


def stages(photo: bytes, thickness: str) -> dict[str, float]:
    """Seconds of every stage of one inspection, in the order in which `inspect` runs them."""
    from holeinspect.edges.rims import Plate
    from holeinspect.find import Region, find_parts
    from holeinspect.measure.inspect import _restored
    from holeinspect.measure.part import measure_part
    from holeinspect.measure.verdicts import part_result
    from holeinspect.photo import open_photo
    from holeinspect.scale.find import find_scale
    from holeinspect.scale.readings import PrintScale
    from holeinspect.scale.targets import MatReference, find_target
    from holeinspect.setup import Setup, thickness_u

    clock, setup = Clock(), Setup(thickness)
    opened = clock.timed("open", lambda: open_photo(photo))
    target = clock.timed("target", lambda: find_target(opened.luma, MatReference(), opened.name))
    checked = PrintScale(1.0, 1.0, 1e-4, 1e-4, True)
    scale = clock.timed("scale", lambda: find_scale(opened, MatReference(), target, checked))
    region = Region(scale.target.outline_mm, scale.target.layout)
    found = clock.timed(
        "find", lambda: find_parts(opened.luma, opened.colour_half, scale.camera, region, setup.thickness_mm)
    )
    light = clock.timed("restore light", lambda: _restored(opened, scale, found))
    plate = Plate(*setup.plate_mm("P1"))

    def measure() -> None:
        for part in found:
            measured = measure_part(light, scale, part, plate, thickness_u(plate.thickness_mm))
            part_result("P1", measured, part, scale, setup, len(found))

    clock.timed("measure and judge", measure)
    return clock.seconds


def measure_once(photo: Path, thickness: str, count: int) -> dict[str, list[float]]:
    """Seconds of every stage and of the whole, `count` times in this process, and its peak memory (MB)."""
    import holeinspect
    from holeinspect.setup import Setup

    data = photo.read_bytes()
    times: dict[str, list[float]] = {WHOLE: [], **{stage: [] for stage in STAGES}}
    for _ in range(count):
        clock = Clock()
        clock.timed(WHOLE, lambda: holeinspect.inspect(photo, Setup(thickness)))
        times[WHOLE].append(clock.seconds[WHOLE])
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / KIB_PER_MB
    for _ in range(count):
        for stage, seconds in stages(data, thickness).items():
            times[stage].append(seconds)
    return {**times, "peak": [peak]}


def in_fresh_process(photo: Path, thickness: str, count: int) -> dict[str, list[float]]:
    """The same, in a process that did nothing before; its first run pays for what is set up on first use."""
    words = [sys.executable, __file__, CHILD, str(photo), thickness, str(count)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    result: dict[str, list[float]] = json.loads(done.stdout)
    return result


def main(
    photo: Annotated[Path, typer.Argument(help="A photo on the mat.")] = PHOTO,
    thickness: Annotated[str, typer.Option(help="Of the part.")] = "3.2mm",
    count: Annotated[int, typer.Option(help="Runs.")] = 7,
    write_to: Annotated[Path | None, typer.Option("--write", help="Write the table into this page.")] = None,
) -> None:
    """Print time and memory of one photo."""
    from benchmarks.tables import Table, show, write

    times = in_fresh_process(photo, thickness, count)
    rows = [(stage, f"{times[stage][0]:.2f}", f"{min(times[stage]):.2f}", f"{statistics.median(times[stage]):.2f}")
            for stage in (WHOLE, *STAGES)]  # fmt: skip
    rows.append((f"peak memory: {times['peak'][0]:.0f} MB", "", "", ""))
    title = f"{photo.name}, {photo.stat().st_size / 1e6:.1f} MB, {count} runs on {os.cpu_count()} cores, seconds"
    made = [Table(title, ("stage", "first", "best", "median"), rows)]
    show(made)
    if write_to is not None:
        write(write_to, "speed", f"python benchmarks/speed.py --count {count}", made)


if __name__ == "__main__":
    if CHILD in sys.argv:
        _, _, file, typed, runs = sys.argv
        print(json.dumps(measure_once(Path(file), typed, int(runs))))
    else:
        typer.run(main)
