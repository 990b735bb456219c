"""The command line: what is typed becomes a Setup, what was measured becomes a table, JSON and a marked picture.

Exit codes: 0 good, 1 rework or undecided, 2 an error, told in one sentence on standard error.
The measuring packages are imported by the commands that need them, so that help comes at once.
"""

from __future__ import annotations

import sys
import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, cast

import typer
from typer.core import TyperGroup

from holeinspect.commands import ERROR, GOOD, INTERRUPTED, NOT_GOOD
from holeinspect.commands import compare as compare_command
from holeinspect.commands import records as records_command
from holeinspect.commands import references as references_command
from holeinspect.commands import rims as rims_command
from holeinspect.commands import sides as sides_command
from holeinspect.commands.camera import camera_app
from holeinspect.commands.files import STANDARD_OUTPUT, check_writable, make_folder, write_text
from holeinspect.commands.references import (
    Check,
    Corners,
    Diameter,
    Dictionary,
    Distance,
    Marker,
    MarkerId,
    PartAt,
    Pitch,
    Points,
    ReferenceAt,
    ReferenceHeight,
    ReferenceKind,
    ScanDpi,
    Size,
    Square,
    Squares,
    TypedReference,
    point,
    reference_typed,
)
from holeinspect.commands.serve import serve
from holeinspect.errors import HoleinspectError, SetupError
from holeinspect.units import to_mm

if TYPE_CHECKING:
    from rich.console import Console

    from holeinspect.inspection import Inspection
    from holeinspect.samples import Sample
    from holeinspect.setup import Setup
    from holeinspect.trade import DrillSet

PICTURE_ENDINGS = (".jpg", ".jpeg", ".png")
SHEET_ENDING = ".pdf"
SHARPEST_DPI = 1200.0
"""A mat of 11x17 in has 270 million pixels there."""
COARSEST_DPI = 72.0


class Commands(TyperGroup):
    """Tells every error in one sentence and ends with exit code 2."""

    def main(  # type: ignore[override]  # what is not used here goes through as it comes
        self, args: Sequence[str] | None = None, *, standalone_mode: bool = True, **extra: Any
    ) -> Any:
        """Run the command line; leaves with the exit code, or returns it where standalone_mode is off."""
        code = _told(lambda: super(Commands, self).main(args, standalone_mode=False, **extra))
        if standalone_mode:
            sys.exit(code)
        return code


def _told(run: Callable[[], Any]) -> int:
    """Exit code of a run; whatever it raises is told on standard error, never as a traceback."""
    try:
        return int(run() or GOOD)
    except HoleinspectError as error:
        return _error(str(error))
    except (typer.Abort, KeyboardInterrupt):
        return INTERRUPTED
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        return _error(f"{where}{error.strerror or error}. Check the file, its folder and the room on the disk.")
    except Exception as error:
        if hasattr(error, "format_message"):  # how typer tells a mistyped option
            return _error(f"{str(error.format_message()).rstrip('.')}. Add --help to see the options.")
        at = traceback.extract_tb(error.__traceback__)[-1]
        place = f"{Path(at.filename).name}, line {at.lineno}"
        return _error(f"This is a fault of holeinspect, not of your photo: {type(error).__name__} in {place}: {error}")


def _error(sentence: str) -> int:
    typer.echo(f"holeinspect: {' '.join(sentence.split())}", err=True)
    return ERROR


app = typer.Typer(
    cls=Commands,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Measure the holes and edges of sheet-metal parts from one phone photo on a printed scale mat.",
)
mat_app = typer.Typer(help="Print the scale mat, or store what its check bars measure.")
app.add_typer(mat_app, name="mat")
app.add_typer(camera_app, name="camera")


def main() -> None:
    """Run the command line with the process's own arguments."""
    app()


def _tell_version(asked: bool) -> None:
    if asked:
        typer.echo(f"holeinspect {version('holeinspect')}")
        raise typer.Exit


@app.callback()
def _options(
    asked: Annotated[
        bool, typer.Option("--version", callback=_tell_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    """Measure the holes and edges of sheet-metal parts from one phone photo on a printed scale mat."""


PART, REFERENCE, RULES, OUTPUT = "Part and photo", "Reference scale", "Sizes and rules", "Output"


def _option(name: str, help: str, panel: str, metavar: str | None = None) -> Any:
    return typer.Option(name, help=help, rich_help_panel=panel, metavar=metavar)


Photo = Annotated[Path, typer.Argument(metavar="PHOTO", help="JPEG, HEIC, PNG, TIFF or WebP, as the phone wrote it.")]
Thickness = Annotated[str, _option("--thickness", 'Of the part: 3.2mm, 1/8", 0.032in.', PART, "LENGTH")]
PartThickness = Annotated[
    list[str] | None,
    _option("--part-thickness", "Of one part of several: P2=1.6mm. May be repeated.", PART, "PART=LENGTH"),
]
FaceHeight = Annotated[
    str | None,
    _option(
        "--face-height", "Upper face above the mat, if not one thickness (a tube lying on the mat).", PART, "LENGTH"
    ),
]
Side = Annotated[str | None, _option("--side", "Which side of the part is up.", PART, "A|B")]
Along = Annotated[
    str | None, _option("--along", "The mat's check bar along the page, as measured.", REFERENCE, "LENGTH")
]
Across = Annotated[str | None, _option("--across", "The check bar across the page.", REFERENCE, "LENGTH")]
BarU = Annotated[
    str | None, _option("--bar-u", "Standard uncertainty of these two readings (0.03 mm).", REFERENCE, "LENGTH")
]
CameraProfileUse = Annotated[
    str, _option("--camera-profile", "What to do with what was learnt of the camera.", REFERENCE, "refine|use|ignore")
]
WantedU = Annotated[str | None, _option("--wanted-u", "U that a diameter should have (0.1 mm).", RULES, "LENGTH")]
FastenerName = Annotated[
    str | None, _option("--fastener", "For all holes: '1/8 rivet', AN3, M5, 4.8mm.", RULES, "NAME")
]
HoleFasteners = Annotated[
    list[str] | None, _option("--hole-fastener", "For one hole: H3=AN3. May be repeated.", RULES, "HOLE=NAME")
]
Rule = Annotated[float | None, _option("--rule", "Least edge distance in diameters; 2 unless given.", RULES, "K")]
HoleRules = Annotated[
    list[str] | None, _option("--hole-rule", "For one hole: H3=1.5. May be repeated.", RULES, "HOLE=K")
]
PitchRule = Annotated[float | None, _option("--pitch-rule", "Least pitch in diameters; 3 unless given.", RULES, "K")]
Drills = Annotated[
    str | None, _option("--drills", "Sizes to compare with: number,letter,fraction,metric.", RULES, "SETS")
]
BurrLimit = Annotated[
    str | None, _option("--burr-limit", "Greatest burr; else 10 % of thickness, at most 0.1 mm.", RULES, "LENGTH")
]
PartBurrLimit = Annotated[
    list[str] | None, _option("--part-burr-limit", "For one part of several: P2=0.2mm.", RULES, "PART=LENGTH")
]
NickLimit = Annotated[str | None, _option("--nick-limit", "Deepest nick; 0.1 mm unless given.", RULES, "LENGTH")]
CornerRadius = Annotated[str | None, _option("--corner-radius", "Least radius of inside corners.", RULES, "LENGTH")]
CountersinkAngle = Annotated[
    float | None, _option("--countersink", "Included angle of the countersinks; 100 unless given.", RULES, "DEGREES")
]
Units = Annotated[str, _option("--units", "Units of what is printed.", OUTPUT, "mm|in")]
Budget = Annotated[bool, _option("--budget", "Print the uncertainty budget of every figure.", OUTPUT)]
JsonTo = Annotated[str | None, _option("--json", "Write the result as JSON; - prints only JSON.", OUTPUT, "FILE|-")]
PictureTo = Annotated[Path | None, _option("--picture", "Write the marked photo (.jpg or .png).", OUTPUT, "FILE")]
SheetTo = Annotated[Path | None, _option("--part-sheet", "Write a printable sheet (.pdf) for the build log.", OUTPUT, "FILE")]
Quiet = Annotated[bool, _option("--quiet", "Print no table: the exit code and the files say it all.", OUTPUT)]


@app.command()
def inspect(
    photo: Photo,
    thickness: Thickness,
    part_thickness: PartThickness = None,
    face_height: FaceHeight = None,
    side: Side = None,
    along: Along = None,
    across: Across = None,
    bar_u: BarU = None,
    reference: ReferenceKind = "mat",
    corners: Corners = None,
    squares: Squares = None,
    square: Square = None,
    marker: Marker = None,
    dictionary: Dictionary = None,
    marker_id: MarkerId = None,
    camera_profile: CameraProfileUse = "refine",
    wanted_u: WantedU = None,
    size: Size = None,
    diameter: Diameter = None,
    pitch: Pitch = None,
    points: Points = None,
    distance: Distance = None,
    dpi: ScanDpi = None,
    check: Check = None,
    reference_height: ReferenceHeight = None,
    reference_at: ReferenceAt = None,
    part_at: PartAt = None,
    fastener: FastenerName = None,
    hole_fastener: HoleFasteners = None,
    rule: Rule = None,
    hole_rule: HoleRules = None,
    pitch_rule: PitchRule = None,
    drills: Drills = None,
    burr_limit: BurrLimit = None,
    part_burr_limit: PartBurrLimit = None,
    nick_limit: NickLimit = None,
    corner_radius: CornerRadius = None,
    countersink: CountersinkAngle = None,
    units: Units = "mm",
    budget: Budget = False,
    json_to: JsonTo = None,
    picture: PictureTo = None,
    part_sheet: SheetTo = None,
    quiet: Quiet = False,
) -> None:
    """Measure every hole of the parts in PHOTO and judge it.

    Exit code 0: every part is good; 1: rework, or something to measure by hand; 2: an error.
    """
    from holeinspect.setup import Setup

    outputs = Outputs(json_to, picture, part_sheet, budget, quiet)
    outputs.check(photo)
    typed = TypedReference(corners, squares, square, marker, dictionary, marker_id, size, diameter, pitch, points, distance,
                           dpi, check)  # fmt: skip
    said: dict[str, Any] = {
        "thickness": thickness,
        "part_thickness": _by_name(part_thickness, "--part-thickness"),
        "face_height": face_height,
        "reference": reference_typed(reference, typed),
        "reference_height": _read_length(reference_height) or 0.0,
        "reference_at": point("--reference-at", reference_at),
        "part_at": point("--part-at", part_at),
        "camera_profile": _one_of("--camera-profile", camera_profile, ("refine", "use", "ignore")),
        "along": _read_length(along),
        "across": _read_length(across),
        "fastener": fastener,
        "hole_fasteners": _by_name(hole_fastener, "--hole-fastener"),
        "rule": rule,
        "pitch_rule": pitch_rule,
        "hole_rules": {hole: _number(k) for hole, k in _by_name(hole_rule, "--hole-rule").items()},
        "units": _one_of("--units", units, ("mm", "in")),
        "side": _one_of("--side", side.upper(), ("A", "B")) if side is not None else None,
        "burr_limit": _read_length(burr_limit),
        "part_burr_limit": _by_name(part_burr_limit, "--part-burr-limit"),
        "least_corner_radius": _read_length(corner_radius),
    }
    if nick_limit is not None:
        said["nick_limit"] = to_mm(nick_limit)
    if countersink is not None:
        said["countersink_angle_deg"] = countersink
    if wanted_u is not None:
        said["wanted_u"] = to_mm(wanted_u)
    if bar_u is not None:
        said["bar_reading_u"] = to_mm(bar_u)
    if drills is not None:
        said["drill_sets"] = _drill_sets(drills)
    raise typer.Exit(_inspect(photo, Setup(**said), outputs))


@dataclass(frozen=True, slots=True)
class Outputs:
    """Where the result goes."""

    json_to: str | None = None
    picture: Path | None = None
    part_sheet: Path | None = None
    budget: bool = False
    quiet: bool = False

    def check(self, photo: Path) -> None:
        """Refuse before the work what could not be written after it, and what would overwrite the photo."""
        if self.picture is not None and self.picture.suffix.lower() not in PICTURE_ENDINGS:
            raise SetupError(f"A marked picture ends in {', '.join(PICTURE_ENDINGS)}, and {self.picture} does not.")
        if self.part_sheet is not None and self.part_sheet.suffix.lower() != SHEET_ENDING:
            raise SetupError(f"A part sheet ends in {SHEET_ENDING}, and {self.part_sheet} does not.")
        for path in (self.picture, self.part_sheet, None if self.json_to in (None, STANDARD_OUTPUT) else Path(str(self.json_to))):
            if path is not None:
                check_writable(path)
                if path.exists() and photo.exists() and path.samefile(photo):
                    raise SetupError(f"Writing to {path} would overwrite the photo. Name another file.")


def _inspect(path: Path, setup: Setup, outputs: Outputs) -> int:
    """Inspect, write everything that was asked for, and give the exit code."""
    from holeinspect import inspect as measure
    from holeinspect.photo import open_photo

    photo = open_photo(path)
    inspection = measure(photo, setup)
    if outputs.json_to == STANDARD_OUTPUT:
        typer.echo(inspection.model_dump_json(indent=2))
    else:
        _print(inspection, outputs)
    if outputs.json_to not in (None, STANDARD_OUTPUT):
        write_text(Path(str(outputs.json_to)), inspection.model_dump_json(indent=2) + "\n")
    if outputs.picture is not None:
        from holeinspect.report.picture import save_marked

        save_marked(photo, inspection, outputs.picture)
    if outputs.part_sheet is not None:
        from holeinspect.report.part_sheet import part_sheet_pdf

        outputs.part_sheet.write_bytes(part_sheet_pdf(photo, inspection))
    return _exit_code(inspection)


def _print(inspection: Inspection, outputs: Outputs) -> None:
    from holeinspect.report.budget import print_budgets
    from holeinspect.report.table import console_for_output, print_inspection

    console = console_for_output()
    if not outputs.quiet:
        print_inspection(inspection, console)
    if outputs.budget:
        print_budgets(inspection, console)


def _exit_code(inspection: Inspection) -> int:
    """Good only if there is a part and every part is good."""
    verdicts = {part.verdict for part in inspection.parts}
    return GOOD if verdicts == {"good"} else NOT_GOOD


def _read_length(text: str | None) -> float | None:
    return None if text is None else to_mm(text)


def _one_of(option: str, text: str, known: Sequence[str]) -> str:
    if text not in known:
        raise SetupError(f"{option} {text} is not known. Choose one of {', '.join(known)}.")
    return text


def _by_name(pairs: Sequence[str] | None, option: str) -> dict[str, str]:
    """`H3=AN3` as {"H3": "AN3"}."""
    found: dict[str, str] = {}
    for pair in pairs or ():
        name, equals, said = (piece.strip() for piece in pair.partition("="))
        if not (name and equals and said):
            raise SetupError(
                f"{option} {pair!r} is not understood. Write a name, =, and what holds for it: H3=..., P2=..."
            )
        if name in found:
            raise SetupError(f"{option} names {name} twice: {found[name]} and {said}. Leave one out.")
        found[name] = said
    return found


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError as error:
        raise SetupError(f"{text!r} is no rule. Give the number of diameters, such as 1.5.") from error


def _drill_sets(text: str) -> tuple[DrillSet, ...]:
    from holeinspect.trade import DRILL_SETS

    names = [name.strip().lower() for name in text.split(",") if name.strip()]
    for name in names:
        _one_of("--drills", name, DRILL_SETS)
    if not names:
        raise SetupError(f"--drills names no set. Choose from {', '.join(DRILL_SETS)}.")
    return cast("tuple[DrillSet, ...]", tuple(dict.fromkeys(names)))


Page = Annotated[str | None, typer.Option("--page", help="Paper.", metavar="a4|letter|a3|11x17")]
Window = Annotated[
    str | None,
    typer.Option("--window", help="Backdrop: black for bright metal (default), white for dark parts, open for a card.",
                 metavar="black|white|open"),
]  # fmt: skip
MatTo = Annotated[Path | None, typer.Option("--out", "-o", metavar="FILE", help="File to write, .pdf or .png.")]
AsPng = Annotated[bool, typer.Option("--png", help="Write a PNG (beside the PDF if -o names one).")]
Dpi = Annotated[float, typer.Option("--dpi", help="Pixels per inch of the PNG.")]
Describe = Annotated[bool, typer.Option("--describe", help="Print the layout as JSON.")]


@mat_app.callback(invoke_without_command=True)
def print_mat(
    context: typer.Context,
    page: Page = None,
    window: Window = None,
    out: MatTo = None,
    as_png: AsPng = False,
    dpi: Dpi = 600.0,
    describe: Describe = False,
) -> None:
    """Write the scale mat as a vector PDF in true size; print it at 100 %."""
    if context.invoked_subcommand is not None:
        if page or window or out or as_png or describe:
            raise SetupError(
                "Write the options after 'check': holeinspect mat check --page a4 --along ... --across ..."
            )
        return
    if page is None:
        raise SetupError("Name the paper: holeinspect mat --page a4 (or letter, a3, 11x17).")
    import json

    from holeinspect.scale.mat import layout

    mat = layout(page, window or "black")
    if describe:
        typer.echo(json.dumps(mat.describe(), indent=2))
    if not describe or out is not None or as_png:
        _write_mat(
            page, window or "black", _mat_files(f"mat_{mat.page}_{mat.window}", out, as_png), dpi, quiet=describe
        )


def _mat_files(stem: str, out: Path | None, as_png: bool) -> list[Path]:
    """The files to write; their endings say in which format."""
    if out is None:
        return [Path(f"{stem}.png" if as_png else f"{stem}.pdf")]
    if out.suffix.lower() not in (".pdf", ".png"):
        raise SetupError(f"A mat is written as .pdf or .png, and {out} ends in neither.")
    return [out, out.with_suffix(".png")] if as_png and out.suffix.lower() == ".pdf" else [out]


def _write_mat(page: str, window: str, files: Sequence[Path], dpi: float, quiet: bool) -> None:
    from holeinspect.scale.mat import layout
    from holeinspect.scale.sheet import write_pdf, write_png

    if not COARSEST_DPI <= dpi <= SHARPEST_DPI:
        raise SetupError(f"A mat of {dpi:g} dpi is none. Choose {COARSEST_DPI:g} to {SHARPEST_DPI:g}, such as 600.")
    mat = layout(page, window)
    for file in files:
        check_writable(file)
        if file.suffix.lower() == ".png":
            write_png(mat, file, dpi)
        else:
            write_pdf(mat, file)
        if not quiet:
            typer.echo(f"Wrote {file}. ", nl=False)
    if not quiet:
        along, across = mat.bars_mm
        typer.echo(
            f"Print it at 100 %, measure both check bars (nominal {along:g} and {across:g} mm), then: "
            f"holeinspect mat check --page {mat.page} --along ... --across ..."
        )


CheckAlong = Annotated[str, typer.Option("--along", help="The check bar along the page's long side.", metavar="LENGTH")]
CheckAcross = Annotated[str, typer.Option("--across", help="The check bar across the page.", metavar="LENGTH")]
CheckU = Annotated[
    str | None, typer.Option("--u", help="Standard uncertainty of a reading (0.03 mm).", metavar="LENGTH")
]
CheckPage = Annotated[
    str | None, typer.Option("--page", help="Paper; told from the readings if left out.", metavar="a4|letter|a3|11x17")
]


@mat_app.command()
def check(along: CheckAlong, across: CheckAcross, page: CheckPage = None, u: CheckU = None) -> None:
    """Store what the printed check bars really measure, for all later inspections on that paper."""
    from holeinspect.scale.mat import layout
    from holeinspect.scale.readings import READING_U_MM, READINGS_FILE, data_folder, page_of_readings, save_readings

    along_mm, across_mm = to_mm(along), to_mm(across)
    sheet = layout(page or page_of_readings(along_mm, across_mm)).page
    stored = save_readings(sheet, along_mm, across_mm, READING_U_MM if u is None else to_mm(u))
    nominal_along, nominal_across = stored.bars_mm
    typer.echo(
        f"Page {sheet}: prints {_off(along_mm, nominal_along)} along and {_off(across_mm, nominal_across)} across. "
        f"Stored in {data_folder() / READINGS_FILE} for later inspections on this page."
    )


def _off(read_mm: float, nominal_mm: float) -> str:
    """`0.08 % short`."""
    share = read_mm / nominal_mm - 1
    return f"{abs(share):.2%}".replace("%", " %") + (" short" if share < 0 else " long")


DemoOut = Annotated[Path, typer.Option("--out", help="Folder for the marked pictures and the JSON.", metavar="FOLDER")]
DemoSamples = Annotated[Path | None, typer.Option("--samples", help="Folder of the sample photos.", metavar="FOLDER")]


@app.command()
def demo(out: DemoOut = Path("demo"), samples: DemoSamples = None) -> None:
    """Inspect the bundled sample photos, and write their marked pictures and results to a folder."""
    from holeinspect.report.table import console_for_output
    from holeinspect.samples import find_samples

    found = find_samples(samples)
    make_folder(out, "--out")
    failed = _run_demo(found, out, console_for_output())
    typer.echo(f"{len(found) - failed} marked pictures and results are in {out}.")
    raise typer.Exit(ERROR if failed else GOOD)


def _run_demo(samples: Sequence[Sample], out: Path, console: Console) -> int:
    """Inspect each sample under a progress bar; how many could not be."""
    from rich.progress import track

    failed = 0
    for sample in track(samples, "Inspecting", console=console, transient=True):
        try:
            lines = _demo_lines(sample, out)
        except HoleinspectError as error:
            failed += 1
            lines = [f"not inspected: {error}"]
        for line in lines:
            console.print(f"{sample.name}  {line}", markup=False, soft_wrap=True)
    return failed


def _demo_lines(sample: Sample, out: Path) -> list[str]:
    from holeinspect import inspect as measure
    from holeinspect.photo import open_photo
    from holeinspect.report.picture import save_marked
    from holeinspect.report.words import part_verdict

    photo = open_photo(sample.photo)
    inspection = measure(photo, sample.setup)
    save_marked(photo, inspection, out / f"{sample.name}.jpg")
    write_text(out / f"{sample.name}.json", inspection.model_dump_json(indent=2) + "\n")
    return [part_verdict(part) for part in inspection.parts] or ["no part found"]


@app.command()
def schema() -> None:
    """Print the JSON Schema of the result."""
    from holeinspect.report.schema import schema_text

    typer.echo(schema_text(), nl=False)


app.command()(rims_command.rims)
app.command()(compare_command.compare)
app.command()(sides_command.sides)
app.command()(references_command.references)
app.command()(serve)
app.add_typer(records_command.app, name="records")
