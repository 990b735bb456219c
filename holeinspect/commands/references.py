"""What is typed about the reference, and `holeinspect references`: the objects whose size is known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Annotated

from holeinspect.commands.typed import option
from holeinspect.errors import SetupError, TradeError
from holeinspect.units import to_mm

if TYPE_CHECKING:
    from holeinspect.scale.references import DiscReference, RectangleReference
    from holeinspect.scale.targets import Reference

PANEL = "Reference scale"

ReferenceKind = Annotated[
    str,
    option(
        "--reference",
        "What gives the scale: mat, chessboard, charuco, marker, markers, rule, points, flatbed, rectangle, disc, "
        "or an object that `holeinspect references` lists: card, a4, letter, 'eur 1', quarter.",
        PANEL,
        "KIND",
    ),
]
Corners = Annotated[str | None, option("--corners", "Chessboard: inner corners, 9x6.", PANEL, "NxN")]
Squares = Annotated[str | None, option("--squares", "ChArUco board: squares, 5x7.", PANEL, "NxN")]
Square = Annotated[str | None, option("--square", "Chessboard, ChArUco: side of a square.", PANEL, "LENGTH")]
Marker = Annotated[str | None, option("--marker", "ChArUco, marker, markers: side of a marker.", PANEL, "LENGTH")]
Dictionary = Annotated[
    str | None, option("--dictionary", "ChArUco, marker(s): the dictionary, 4X4_50, APRILTAG_36h11.", PANEL, "NAME")
]
MarkerId = Annotated[int | None, option("--id", "Marker: its number, if several are in view.", PANEL, "N")]
Size = Annotated[str | None, option("--size", "Rectangle: width x height, 60x40mm.", PANEL, "SIZE")]
Diameter = Annotated[str | None, option("--diameter", "Disc: its diameter.", PANEL, "LENGTH")]
Pitch = Annotated[str | None, option("--pitch", "Rule: distance of its finest ticks, if they do not tell.", PANEL, "LENGTH")]
Points = Annotated[str | None, option("--points", "Points: x1,y1,x2,y2 in px of the upright photo.", PANEL, "PX")]
Distance = Annotated[str | None, option("--distance", "Points: the distance between them.", PANEL, "LENGTH")]
ScanDpi = Annotated[float | None, option("--dpi", "Flatbed: resolution of the scan.", PANEL, "DPI")]
Check = Annotated[str | None, option("--check", "Flatbed: a listed object in the scan that checks it.", PANEL, "OBJECT")]
ReferenceHeight = Annotated[
    str | None,
    option("--reference-height", "What the reference lies on, above the table: the part's thickness.", PANEL, "LENGTH"),
]
ReferenceAt = Annotated[
    str | None, option("--reference-at", "A point on the reference, in px of the upright photo.", PANEL, "X,Y")
]
PartAt = Annotated[str | None, option("--part-at", "A point on the part's metal, in px of the upright photo.", PANEL, "X,Y")]


@dataclass(frozen=True, slots=True)
class TypedReference:
    """What was typed about a reference that is not the mat; the field `marker_id` is the option --id."""

    corners: str | None = None
    squares: str | None = None
    square: str | None = None
    marker: str | None = None
    dictionary: str | None = None
    marker_id: int | None = None
    size: str | None = None
    diameter: str | None = None
    pitch: str | None = None
    points: str | None = None
    distance: str | None = None
    dpi: float | None = None
    check: str | None = None

    def given(self) -> set[str]:
        """Names of what was typed."""
        return {field.name for field in fields(self) if getattr(self, field.name) is not None}


NEEDS: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "mat": ((), ()),
    "chessboard": (("corners", "square"), ()),
    "charuco": (("squares", "square", "marker"), ("dictionary",)),
    "marker": (("marker",), ("dictionary", "marker_id")),
    "markers": (("marker",), ("dictionary",)),
    "rectangle": (("size",), ()),
    "disc": (("diameter",), ()),
    "rule": ((), ("pitch",)),
    "points": (("points", "distance"), ()),
    "flatbed": (("dpi",), ("check",)),
}
"""What each kind of reference needs, and what it may be told besides; objects of the table need nothing."""


def reference_typed(kind: str, typed: TypedReference) -> Reference:
    """The reference as typed. Raises SetupError for what is missing and for what does not belong to it."""
    name = kind.strip().lower()
    needed, welcome = NEEDS.get(name, ((), ()))
    made = None if name in NEEDS else _object(kind)
    _check_typed(kind, typed.given(), needed, welcome)
    return made if made is not None else _of_kind(name, typed)


def _object(name: str) -> DiscReference | RectangleReference:
    from holeinspect.scale.references import reference_of

    try:
        return reference_of(name)
    except TradeError as error:
        raise SetupError(
            f"--reference {name} is not known. Choose one of {', '.join(NEEDS)}, or an object that "
            "`holeinspect references` lists."
        ) from error


def _of_kind(kind: str, typed: TypedReference) -> Reference:
    from holeinspect.scale import references, targets

    match kind:
        case "chessboard":
            return targets.ChessboardReference(_grid("--corners", typed.corners, 3), _side_mm("--square", typed.square))
        case "charuco":
            return _charuco(typed)
        case "marker":
            alone = targets.MarkerReference(_side_mm("--marker", typed.marker), marker_id=typed.marker_id)
            return replace(alone, dictionary=_dictionary(typed.dictionary, alone.dictionary))
        case "markers":
            several = references.MarkersReference(_side_mm("--marker", typed.marker))
            return replace(several, dictionary=_dictionary(typed.dictionary, several.dictionary))
        case "rectangle":
            return references.RectangleReference("rectangle", *_size_mm(typed.size))
        case "disc":
            return references.DiscReference("disc", _side_mm("--diameter", typed.diameter))
        case "rule":
            return references.RuleReference(None if typed.pitch is None else _side_mm("--pitch", typed.pitch))
        case "points":
            x1, y1, x2, y2 = numbers("--points", typed.points or "", 4)
            return references.PointsReference((x1, y1), (x2, y2), _side_mm("--distance", typed.distance))
        case "flatbed":
            return references.FlatbedReference(typed.dpi or 0.0, None if typed.check is None else _object(typed.check))
        case _:
            return targets.MatReference()


def _charuco(typed: TypedReference) -> Reference:
    from holeinspect.scale.targets import CharucoReference

    squares = _grid("--squares", typed.squares, 3)
    square_mm, marker_mm = _side_mm("--square", typed.square), _side_mm("--marker", typed.marker)
    if marker_mm >= square_mm:
        raise SetupError(f"A marker of {typed.marker} does not fit into a square of {typed.square}.")
    default = CharucoReference(squares, square_mm, marker_mm)
    return replace(default, dictionary=_dictionary(typed.dictionary, default.dictionary))


def _check_typed(kind: str, given: set[str], needed: Sequence[str], welcome: Sequence[str]) -> None:
    missing = [name for name in needed if name not in given]
    strange = sorted(given - set(needed) - set(welcome))
    if missing:
        raise SetupError(f"The reference {kind} needs {' and '.join(map(_option_name, missing))}.")
    if strange:
        raise SetupError(
            f"The reference {kind} takes no {' or '.join(map(_option_name, strange))}. "
            "Leave it out, or name another --reference."
        )


def _option_name(name: str) -> str:
    return "--id" if name == "marker_id" else f"--{name}"


def point(name: str, text: str | None) -> tuple[float, float] | None:
    """`812,455` as a point in px; None where nothing was typed."""
    if text is None:
        return None
    x, y = numbers(name, text, 2)
    return x, y


def numbers(name: str, text: str, count: int) -> list[float]:
    """So many numbers with commas between them."""
    try:
        found = [float(piece) for piece in text.split(",")]
    except ValueError:
        found = []
    if len(found) != count:
        raise SetupError(f"{name} {text!r} is not {count} numbers with commas between them, such as {'812,455,' * (count // 2)}"
                         .rstrip(",") + ".")  # fmt: skip
    return found


def _grid(name: str, text: str | None, least: int) -> tuple[int, int]:
    """`9x6` as (9, 6)."""
    columns, _, rows = (text or "").lower().replace("\u00d7", "x").partition("x")
    if not (columns.strip().isdecimal() and rows.strip().isdecimal() and min(int(columns), int(rows)) >= least):
        raise SetupError(f"{name} {text} is no grid. Write columns x rows, such as 9x6, each {least} or more.")
    return int(columns), int(rows)


def _size_mm(text: str | None) -> tuple[float, float]:
    """`60x40mm` or `2.5in x 1.5in` in mm; a unit that stands only at the end holds for both."""
    first, cross, second = (piece.strip() for piece in (text or "").lower().replace("\u00d7", "x").partition("x"))
    unit = second.lstrip("0123456789.,/ -")
    if not cross or not first or not second:
        raise SetupError(f"--size {text} is no size. Write width x height with the unit, such as 60x40mm.")
    return _side_mm("--size", first if first[-1:] not in "0123456789." else first + unit), _side_mm("--size", second)


def _side_mm(name: str, text: str | None) -> float:
    side_mm = to_mm(text or "")
    if side_mm <= 0:
        raise SetupError(f"{name} {text} is no side. Give a length above zero, such as 25 mm.")
    return side_mm


def _dictionary(typed: str | None, default: str) -> str:
    """The dictionary by OpenCV's name, whatever its case and with or without its first word."""
    from holeinspect.scale.targets import DICTIONARIES

    if typed is None:
        return default
    known = {name.upper().removeprefix("DICT_"): name for name in DICTIONARIES}
    name = typed.upper().removeprefix("DICT_")
    if name not in known:
        raise SetupError(f"There is no marker dictionary {typed!r}. Known: {', '.join(DICTIONARIES)}.")
    return known[name]


def references() -> None:
    """List the cards, sheets and coins whose size is known, with their tolerances and sources."""
    from rich.table import Table

    from holeinspect.report.table import console_for_output
    from holeinspect.trade.reference_objects import known_objects

    table = Table("object", "size mm", "± mm", "thick mm", "source", box=None)
    for thing in known_objects():
        coin = thing.kind == "coin"
        size = f"{thing.width_mm:g}" if coin else f"{thing.width_mm:g} x {thing.height_mm:g}"
        off = sorted({thing.width_tolerance_mm, thing.height_tolerance_mm})
        usable = "" if thing.outline != "polygon" else " (not round: no reference)"
        table.add_row(thing.name + usable, size, " / ".join(f"{mm:g}" for mm in off), f"{thing.thickness_mm:g}", thing.source)
    console_for_output().print(table)

