"""The kit list as CSV, as spreadsheets write and read it."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, BinaryIO

from pydantic import ValidationError

from holeinspect.errors import HoleinspectError, SetupError
from holeinspect.records.shapes import BadRow, PartFields, PartNew, PartShown

COLUMNS = (
    "number", "name", "quantity", "material", "thickness", "face_height", "drawing", "revision", "fastener", "drill_sets",
    "edge_rule", "pitch_rule", "hole_fasteners", "hole_rules", "burr_limit", "nick_limit", "least_corner_radius", "notes",
)  # fmt: skip
PAIRS, LISTS = ("hole_fasteners", "hole_rules"), ("drill_sets",)
LARGEST_BYTES = 2_000_000
"""Ten thousand parts; a larger file is no kit list. Ours."""
FORMULA_SIGNS = ("=", "+", "-", "@", "\t")
"""A cell that begins so is run as a formula by spreadsheets, so it is written with an apostrophe in front; which the reader of a
list takes away again."""


@dataclass(frozen=True, slots=True)
class Row:
    """A row that can be read, and which it was; a bad one says why."""

    line: int
    part: PartNew | None
    bad: BadRow | None = None


@dataclass(frozen=True, slots=True)
class KitTable:
    """A kit list as read."""

    rows: tuple[Row, ...]
    ignored_columns: tuple[str, ...]


def write_kit(parts: Sequence[PartShown]) -> str:
    """The list as CSV with a header, lines ended as RFC 4180 asks."""
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS)
    writer.writeheader()
    for part in parts:
        writer.writerow({column: _safe(_as_text(getattr(part, column))) for column in COLUMNS})
    return text.getvalue()


def read_kit(file: BinaryIO) -> KitTable:
    """The rows of a list. Commas, semicolons or tabs; UTF-8 or what older spreadsheets write (Windows-1252).

    Raises SetupError for what is no such list.
    """
    text = _decoded(file.read(LARGEST_BYTES + 1))
    lines = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    try:
        header = [cell.strip().lower().replace(" ", "_") for cell in next(lines, [])]
        _check_header(header)
        rows = tuple(_rows(header, lines))
    except csv.Error as error:
        raise SetupError(
            f"Line {lines.line_num} of the list cannot be read as CSV: {error}. Check its quotation marks."
        ) from error
    return KitTable(rows, tuple(name for name in header if name and name not in COLUMNS))


def _decoded(data: bytes) -> str:
    if len(data) > LARGEST_BYTES:
        raise SetupError(f"The list has more than {LARGEST_BYTES // 1_000_000} MB. Is it the kit list as CSV?")
    if b"\0" in data:
        raise SetupError("The list is no text. Save it as CSV in the spreadsheet, then import that.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _delimiter(text: str) -> str:
    header = text.split("\n", 1)[0]
    return max((",", ";", "\t"), key=header.count)


def _check_header(header: Sequence[str]) -> None:
    missing = [name for name in ("number", "thickness") if name not in header]
    if missing:
        raise SetupError(
            f"The list's first line names no column {' and no '.join(missing)}. It is to name the columns: {', '.join(COLUMNS)}."
        )
    twice = sorted({name for name in header if name in COLUMNS and header.count(name) > 1})
    if twice:
        raise SetupError(f"The list's first line names {', '.join(twice)} twice. Leave one out.")


def _rows(header: Sequence[str], lines: Any) -> Iterator[Row]:
    seen: dict[str, int] = {}
    line = 2
    for cells in lines:
        if any(cell.strip() for cell in cells):
            row = _row(line, header, cells)
            if row.part is not None and row.part.number in seen:
                row = _bad(line, row.part.number, [f"number: it stands in row {seen[row.part.number]} already."])
            elif row.part is not None:
                seen[row.part.number] = line
            yield row
        line = lines.line_num + 1


def _row(line: int, header: Sequence[str], cells: Sequence[str]) -> Row:
    given = {name: _plain(cell.strip()) for name, cell in zip(header, cells, strict=False)}
    number = given.get("number", "")
    if len(cells) > len(header) and any(cell.strip() for cell in cells[len(header) :]):
        return _bad(line, number, [f"it has {len(cells)} cells, and the first line names {len(header)} columns."])
    try:
        return Row(line, PartNew.model_validate(_fields(given)))
    except ValidationError as error:
        return _bad(line, number, [_sentence(entry) for entry in error.errors()])
    except HoleinspectError as error:
        return _bad(line, number, [str(error)])


def _bad(line: int, number: str, problems: list[str]) -> Row:
    return Row(line, None, BadRow(row=line, number=number[:60], problems=problems))


def _sentence(entry: Mapping[str, Any]) -> str:
    column = ".".join(str(step) for step in entry["loc"])
    return f"{column}: {str(entry['msg']).removeprefix('Value error, ')}"


def _fields(given: Mapping[str, str]) -> dict[str, Any]:
    """Cells as fields; an empty cell is a field left out."""
    fields: dict[str, Any] = {name: cell for name, cell in given.items() if name in COLUMNS and cell}
    for name in PAIRS:
        if name in fields:
            fields[name] = _pairs(name, fields[name])
    for name in LISTS:
        if name in fields:
            fields[name] = [entry.strip() for entry in fields[name].replace(";", " ").replace(",", " ").split()]
    return fields


def _pairs(column: str, text: str) -> dict[str, str]:
    """`H3=AN3; H4=AN4` as a mapping."""
    pairs: dict[str, str] = {}
    for entry in filter(None, (entry.strip() for entry in text.split(";"))):
        name, equals, value = (piece.strip() for piece in entry.partition("="))
        if not (name and equals and value):
            raise SetupError(f"{column}: {entry!r} is not understood. Write H3=..., and ; between two holes.")
        pairs[name] = value
    return pairs


def _as_text(value: Any) -> str:
    match value:
        case None:
            return ""
        case dict():
            return "; ".join(f"{name}={_as_text(entry)}" for name, entry in value.items())
        case list():
            return " ".join(value)
        case float():
            return f"{value:g}"
        case _:
            return str(value)


def _safe(cell: str) -> str:
    return f"'{cell}" if cell.startswith((*FORMULA_SIGNS, "'")) else cell


def _plain(cell: str) -> str:
    """A cell without the apostrophe that _safe put in front."""
    return cell[1:] if cell.startswith("'") and cell[1:].startswith((*FORMULA_SIGNS, "'")) else cell


def is_same(part: PartShown, new: PartNew) -> bool:
    """Whether an import of new would change nothing."""
    return all(getattr(part, name) == getattr(new, name) for name in PartFields.model_fields)
