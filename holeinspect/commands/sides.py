"""`holeinspect sides`: a part is ready when both its sides were seen and are good."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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

if TYPE_CHECKING:
    from holeinspect.inspection import Inspection

SideA = Annotated[Path, typer.Argument(metavar="A", help="Photo of side A, or what inspect --json wrote for it.")]
SideB = Annotated[Path | None, typer.Argument(metavar="B", help="The same of side B, once it was photographed.")]


def sides(
    side_a: SideA,
    side_b: SideB = None,
    thickness: PhotoThickness = None,
    face_height: PhotoFaceHeight = None,
    along: PhotoAlong = None,
    across: PhotoAcross = None,
    burr_limit: PhotoBurrLimit = None,
    units: OutputUnits = None,
    json_to: OutputJson = None,
) -> None:
    """Say whether a part is ready: seen from both sides, and good on both; what is missing, and which hole is which.

    Exit code 0: ready; 1: not ready; 2: an error.
    """
    from holeinspect.measure.both_sides import both_sides

    paths = [path for path in (side_a, side_b) if path is not None]
    check_json(json_to, paths)
    settings = TypedSettings(thickness, face_height, along, across, burr_limit, units)
    shown = [inspected(path, settings) for path in paths]
    first, second = _in_order(shown)
    judged = both_sides(first, second)
    write_json(json_to, judged)
    if json_to != STANDARD_OUTPUT:
        from holeinspect.report.changes import print_sides
        from holeinspect.report.table import console_for_output

        name_a, name_b = (result.photo.name if result else "not photographed" for result in (first, second))
        print_sides(judged, (name_a, name_b), shown[-1].units, console_for_output())
    raise typer.Exit(GOOD if judged.ready else NOT_GOOD)


def _in_order(shown: list[Inspection]) -> tuple[Inspection | None, Inspection | None]:
    """Side A and side B: as stated in the results, else as given."""
    first, second = shown[0], shown[1] if len(shown) > 1 else None
    is_swapped = first.side == "B" and (second is None or second.side == "A")
    return (second, first) if is_swapped else (first, second)
