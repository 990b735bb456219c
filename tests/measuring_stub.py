"""A stand-in for the measuring, for tests of the service; workers import it quickly, as it needs no image library.

What it does stands in the photo's name: "rework" and "good" find that, "mended" is "rework" with all holes good, "by hand"
leaves it open, "crash" kills the worker each time, "crash once" the first time only, "slow" takes a second, "no mat" cannot be
measured, "fault" fails by a fault. A word of ten capitals and digits is a label that lies in the photo.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable

from holeinspect.errors import ScaleNotFound
from holeinspect.inspection import Inspection
from holeinspect.records.jobs import Ask, Job
from holeinspect.records.label_codes import ALPHABET, CODE_LETTERS
from tests.example_inspection import example, good_example, good_hole, inspection, part, short_hole, undecided_hole

MEASURING = "tests.measuring_stub:measure"


def measure(job: Job, ask: Ask, progress: Callable[[str], None]) -> Inspection:
    """Stands in for holeinspect.records.measuring.measure."""
    progress("photo opened")
    assert job.path.read_bytes(), "the photo is on the disk before it is measured"
    words = job.name.removesuffix(".jpg").split()
    ask(tuple(word for word in words if len(word) == CODE_LETTERS and set(word) <= set(ALPHABET)))
    progress("measuring")
    marker = job.path.with_suffix(".died")
    if "crash once" in job.name and not marker.exists():
        marker.touch()
        os._exit(1)
    if "crash" in job.name and "once" not in job.name:
        os._exit(1)
    if "slow" in job.name:
        time.sleep(1)
    if "no mat" in job.name:
        raise ScaleNotFound(f"No mat is in {job.name}. Lay the part on it.")
    if "fault" in job.name:
        raise ZeroDivisionError("division by zero")
    return found(job.name)


def found(name: str) -> Inspection:
    if "rework" in name:
        return example()
    if "mended" in name:
        mended = {"verdict": "good", "reasons": (), "readings": ()}
        holes = (good_hole(), short_hole().model_copy(update=mended), undecided_hole().model_copy(update=mended))
        return inspection(part("P1", holes, "good"))
    if "by hand" in name:
        return inspection(part("P1", (undecided_hole(),), "measure by hand"))
    return good_example()
