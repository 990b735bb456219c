"""Files of the commands: what is refused before the work, results read, text written."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import typer
from pydantic import BaseModel, ValidationError

from holeinspect.errors import SetupError

if TYPE_CHECKING:
    from holeinspect.inspection import Inspection

STANDARD_OUTPUT = "-"
RESULT_ENDING = ".json"


def check_writable(path: Path) -> None:
    """Refuse before the work what could not be written after it. Raises SetupError."""
    folder = path.parent
    if path.is_dir():
        raise SetupError(f"{path} is a folder. Name a file in it.")
    if not folder.is_dir():
        raise SetupError(f"{path} cannot be written: there is no folder {folder}. Make it, or name another file.")
    if not os.access(path if path.exists() else folder, os.W_OK):
        raise SetupError(f"{path} cannot be written: permission denied. Name a file in a folder of yours.")


def make_folder(path: Path, option: str) -> None:
    """Make a folder where there is none. Raises SetupError where it cannot be."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SetupError(f"The folder {path} cannot be made: {error.strerror}. Name another with {option}.") from error


def write_text(path: Path, text: str) -> None:
    """Write text as UTF-8. Raises SetupError where it cannot be."""
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise SetupError(f"{path} cannot be written: {error.strerror}. Name another file.") from error


def check_json(json_to: str | None, sources: Iterable[Path]) -> None:
    """Refuse before the work a JSON file that could not be written, or that is one of those read. Raises SetupError."""
    if json_to in (None, STANDARD_OUTPUT):
        return
    path = Path(str(json_to))
    check_writable(path)
    for source in sources:
        if path.exists() and source.exists() and path.samefile(source):
            raise SetupError(f"Writing to {path} would overwrite what is read. Name another file.")


def write_json(json_to: str | None, result: BaseModel) -> None:
    """Write a result as JSON, to a file or to standard output; nothing where no name was given."""
    text = result.model_dump_json(indent=2)
    if json_to == STANDARD_OUTPUT:
        typer.echo(text)
    elif json_to is not None:
        write_text(Path(json_to), text + "\n")


def is_result(path: Path) -> bool:
    """Whether a file is meant as a saved result and not as a photo: by its ending."""
    return path.suffix.lower() == RESULT_ENDING


def read_result(path: Path) -> Inspection:
    """A result that `inspect --json` wrote. Raises SetupError for what is none."""
    from holeinspect.inspection import Inspection

    try:
        return Inspection.model_validate_json(path.read_bytes())
    except FileNotFoundError as error:
        raise SetupError(f"There is no file {path}. Give a photo, or a result that inspect --json wrote.") from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        raise SetupError(
            f"{path} is no result of holeinspect inspect --json: {where + ': ' if where else ''}{first['msg']}. "
            "Inspect the photo again and save its result."
        ) from error
