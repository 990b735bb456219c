"""`holeinspect compare`: two photos or results of one part, before and after rework."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from holeinspect.commands import GOOD, NOT_GOOD
from holeinspect.commands.files import STANDARD_OUTPUT, check_json, write_json
from holeinspect.commands.typed import (
    OutputJson,
    OutputUnits,
    PhotoAcross,
    PhotoAlong,
    PhotoBurrLimit,
    PhotoFaceHeight,
    PhotoThickness,
    TypedSettings,
    inspected,
)

Before = Annotated[Path, typer.Argument(metavar="BEFORE", help="Photo, or what inspect --json wrote, before rework.")]
After = Annotated[Path, typer.Argument(metavar="AFTER", help="The same after rework.")]


def compare(
    before: Before,
    after: After,
    thickness: PhotoThickness = None,
    face_height: PhotoFaceHeight = None,
    along: PhotoAlong = None,
    across: PhotoAcross = None,
    burr_limit: PhotoBurrLimit = None,
    units: OutputUnits = None,
    json_to: OutputJson = None,
) -> None:
    """Say of each place to work on whether it is gone, and whether dressing opened a hole or ate into an edge distance.

    Exit code 0: every place is gone and the part is good; 1: something is left, new, or not shown; 2: an error.
    """
    from holeinspect.measure.compare import compare as compared

    check_json(json_to, (before, after))
    settings = TypedSettings(thickness, face_height, along, across, burr_limit, units)
    comparison = compared(inspected(before, settings), inspected(after, settings))
    write_json(json_to, comparison)
    if json_to != STANDARD_OUTPUT:
        from holeinspect.report.changes import print_comparison
        from holeinspect.report.table import console_for_output

        print_comparison(comparison, console_for_output())
    raise typer.Exit(GOOD if comparison.nothing_left else NOT_GOOD)
