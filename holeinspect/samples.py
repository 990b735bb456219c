"""The bundled sample photos and what a builder would say of each."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from holeinspect.errors import SetupError
from holeinspect.setup import Setup

FOLDER = "sample_images"
SETUP_ENDING = ".setup.json"
SETTINGS = ("thickness", "part_thickness", "face_height", "along", "across", "fastener", "hole_fasteners", "rule",
            "pitch_rule", "hole_rules", "units", "side")  # fmt: skip
"""Keys of a sample's settings that go to Setup as they are."""


@dataclass(frozen=True, slots=True)
class Sample:
    """A photo, its settings, and a sentence on what it shows."""

    name: str
    photo: Path
    setup: Setup
    about: str


def find_samples(folder: Path | None = None) -> list[Sample]:
    """The samples of a folder by name; without one, of `sample_images` here or in the source checkout.

    Raises SetupError where there are none.
    """
    checkout = Path(__file__).resolve().parent.parent
    places = [folder] if folder is not None else [Path.cwd() / FOLDER, checkout / FOLDER]
    for place in places:
        found = sorted(place.glob(f"*{SETUP_ENDING}"))
        if found:
            return [_sample(file) for file in found]
    raise SetupError(
        f"No samples in {' or '.join(map(str, places))}: they come with the source, not with the installed package. "
        f"Run the demo in a source checkout, or name their folder with --samples."
    )


def _sample(file: Path) -> Sample:
    name = file.name.removesuffix(SETUP_ENDING)
    try:
        said: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
        setup = Setup(**{key: said[key] for key in SETTINGS if key in said})
    except (ValueError, TypeError, AttributeError) as error:
        raise SetupError(f"The settings of the sample in {file} cannot be read: {error}") from error
    return Sample(name, file.with_name(f"{name}.jpg"), setup, str(said.get("about", "")))
