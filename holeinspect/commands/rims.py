"""`holeinspect rims`: every rim of a photo enlarged on one sheet, and a chart of each."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from holeinspect.commands import GOOD, NOT_GOOD
from holeinspect.commands.files import check_writable, make_folder, read_result, write_text
from holeinspect.commands.typed import (
    OUTPUT,
    PHOTOS,
    OutputUnits,
    PhotoAcross,
    PhotoAlong,
    PhotoBurrLimit,
    PhotoFaceHeight,
    PhotoThickness,
    TypedSettings,
    option,
)
from holeinspect.errors import SetupError

if TYPE_CHECKING:
    from holeinspect.inspection import Inspection
    from holeinspect.photo import Photo

SHEET_ENDINGS = (".png", ".jpg", ".jpeg", ".pdf")

RimPhoto = Annotated[Path, typer.Argument(metavar="PHOTO", help="The photo whose rims are drawn.")]
Result = Annotated[
    Path | None,
    option("--result", "What inspect --json wrote for this photo, instead of measuring again.", PHOTOS, "FILE"),
]
SheetTo = Annotated[
    Path | None,
    typer.Option("--out", "-o", help="Contact sheet to write: .png, .jpg or .pdf.", rich_help_panel=OUTPUT, metavar="FILE"),
]
ChartsTo = Annotated[
    Path | None, option("--charts", "Folder for a chart of every rim, as SVG and PNG.", OUTPUT, "FOLDER")
]


def rims(
    photo: RimPhoto,
    thickness: PhotoThickness = None,
    face_height: PhotoFaceHeight = None,
    along: PhotoAlong = None,
    across: PhotoAcross = None,
    burr_limit: PhotoBurrLimit = None,
    result: Result = None,
    out: SheetTo = None,
    charts: ChartsTo = None,
    units: OutputUnits = None,
) -> None:
    """Draw every rim in PHOTO enlarged on a contact sheet, worst first, and chart its deviation round the clock.

    Without -o and --charts the sheet is written beside you as PHOTO's name with _rims.png. Exit codes as of inspect.
    """
    from holeinspect.photo import open_photo

    sheet = Path(f"{photo.stem}_rims.png") if out is None and charts is None else out
    _check(photo, sheet, charts)
    opened = open_photo(photo)
    inspection = _inspection(opened, result, TypedSettings(thickness, face_height, along, across, burr_limit, units))
    written = []
    if sheet is not None:
        _write_sheet(opened, inspection, sheet)
        written.append(str(sheet))
    if charts is not None:
        written.append(f"{_write_charts(inspection, charts)} charts in {charts}")
    _tell(inspection, written)
    raise typer.Exit(GOOD if {part.verdict for part in inspection.parts} == {"good"} else NOT_GOOD)


def _check(photo: Path, sheet: Path | None, charts: Path | None) -> None:
    """Refuse before the work what could not be written after it."""
    if sheet is not None:
        if sheet.suffix.lower() not in SHEET_ENDINGS:
            raise SetupError(f"A contact sheet ends in {', '.join(SHEET_ENDINGS)}, and {sheet} does not.")
        check_writable(sheet)
        if sheet.exists() and photo.exists() and sheet.samefile(photo):
            raise SetupError(f"Writing to {sheet} would overwrite the photo. Name another file.")
    if charts is not None:
        make_folder(charts, "--charts")


def _inspection(photo: Photo, result: Path | None, settings: TypedSettings) -> Inspection:
    """The saved result, which must be of this photo, or a new one."""
    if result is None:
        from holeinspect import inspect

        return inspect(photo, settings.setup(Path(photo.name)))
    saved = read_result(result)
    if saved.photo.sha256 != photo.sha256:
        raise SetupError(
            f"{result} is the result of another photo ({saved.photo.name}). Give the photo it was made from, "
            "or leave --result out and give --thickness."
        )
    units = settings.checked_units()
    return saved if units is None else saved.model_copy(update={"units": units})


def _write_sheet(photo: Photo, inspection: Inspection, path: Path) -> None:
    from holeinspect.report.picture import save_picture
    from holeinspect.report.sheet import contact_sheet, contact_sheet_pdf

    if path.suffix.lower() == ".pdf":
        path.write_bytes(contact_sheet_pdf(photo, inspection))
    else:
        save_picture(contact_sheet(photo, inspection), path)


def _write_charts(inspection: Inspection, folder: Path) -> int:
    """A chart of each rim as SVG and PNG, named as the rim; how many rims."""
    from holeinspect.report.chart import rim_chart_png, rim_chart_svg
    from holeinspect.report.rims import rims_worst_first

    found = rims_worst_first(inspection)
    for one in found:
        drawn = (one.rim, inspection.units, inspection.findings, one.part.name)
        write_text(folder / f"{one.name}.svg", rim_chart_svg(*drawn) + "\n")
        (folder / f"{one.name}.png").write_bytes(rim_chart_png(*drawn))
    return len(found)


def _tell(inspection: Inspection, written: list[str]) -> None:
    """A line a rim, worst first, then what no photo shows and where things are."""
    from holeinspect.report.rims import rim_lines, rims_worst_first

    for one in rims_worst_first(inspection):
        typer.echo("; ".join(rim_lines(one, inspection.units)))
    typer.echo(inspection.unseen)
    typer.echo(f"Wrote {' and '.join(written)}.")
