"""What several commands ask for in the same words: photos, the part's thickness, the mat's readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from holeinspect.commands.files import is_result, read_result
from holeinspect.errors import SetupError
from holeinspect.units import to_mm

if TYPE_CHECKING:
    from holeinspect.inspection import Inspection
    from holeinspect.setup import Setup

PHOTOS, OUTPUT = "Photos", "Output"


def option(name: str, help: str, panel: str, metavar: str | None = None) -> Any:
    """A named option of a panel of the help page."""
    return typer.Option(name, help=help, rich_help_panel=panel, metavar=metavar)


PhotoThickness = Annotated[
    str | None, option("--thickness", 'Of the part in a photo: 3.2mm, 1/8", 0.032in.', PHOTOS, "LENGTH")
]
PhotoFaceHeight = Annotated[
    str | None, option("--face-height", "Upper face above the mat, if not one thickness.", PHOTOS, "LENGTH")
]
PhotoAlong = Annotated[str | None, option("--along", "The mat's check bar along the page, as measured.", PHOTOS, "LENGTH")]
PhotoAcross = Annotated[str | None, option("--across", "The check bar across the page.", PHOTOS, "LENGTH")]
PhotoBurrLimit = Annotated[
    str | None, option("--burr-limit", "Greatest burr; else 10 % of thickness, at most 0.1 mm.", PHOTOS, "LENGTH")
]
OutputUnits = Annotated[str | None, option("--units", "Units of what is printed.", OUTPUT, "mm|in")]
OutputJson = Annotated[str | None, option("--json", "Write the result as JSON; - prints only JSON.", OUTPUT, "FILE|-")]


@dataclass(frozen=True, slots=True)
class TypedSettings:
    """Settings of photos as typed; None where nothing was."""

    thickness: str | None = None
    face_height: str | None = None
    along: str | None = None
    across: str | None = None
    burr_limit: str | None = None
    units: str | None = None

    def setup(self, photo: Path) -> Setup:
        """The setup to inspect a photo with. Raises SetupError without a thickness, LengthError for what is no length."""
        from holeinspect.setup import Setup

        if self.thickness is None:
            raise SetupError(f"{photo} is a photo: give its part's --thickness, or a result that inspect --json wrote.")
        lengths = {name: getattr(self, name) for name in ("face_height", "along", "across", "burr_limit")}
        said: dict[str, Any] = {name: to_mm(text) for name, text in lengths.items() if text is not None}
        return Setup(self.thickness, units="in" if self.checked_units() == "in" else "mm", **said)

    def checked_units(self) -> str | None:
        """The units asked for. Raises SetupError for others than mm and in."""
        return None if self.units is None else one_of("--units", self.units, ("mm", "in"))


def inspected(path: Path, settings: TypedSettings) -> Inspection:
    """The result that a file holds, or of the photo that it is; in the units asked for."""
    units = settings.checked_units()
    if is_result(path):
        result = read_result(path)
        return result if units is None else result.model_copy(update={"units": units})
    from holeinspect import inspect

    return inspect(path, settings.setup(path))


def one_of(name: str, text: str, known: Sequence[str]) -> str:
    """The text if it is one of those known. Raises SetupError."""
    if text not in known:
        raise SetupError(f"{name} {text} is not known. Choose one of {', '.join(known)}.")
    return text
