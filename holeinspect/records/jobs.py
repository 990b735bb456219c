"""What the service and its worker processes say to each other; small, and without the image libraries."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

from holeinspect.setup import Setup


@dataclass(frozen=True, slots=True)
class Job:
    """A photo to measure. name: as uploaded, for messages. view: where the picture for the page goes."""

    photo: int
    path: Path
    name: str
    view: Path


Ask: TypeAlias = Callable[[tuple[str, ...]], Setup]
"""From the codes of the labels in the photo to what the inspection is told."""


@dataclass(frozen=True, slots=True)
class Ready:
    """The worker has imported all it needs."""


@dataclass(frozen=True, slots=True)
class Step:
    """The worker begins a step."""

    name: str


@dataclass(frozen=True, slots=True)
class Labels:
    """The worker has read these codes, and waits for a Told or a Refusal."""

    codes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Told:
    """What the inspection is told, and the photo of the same side before it: its inspection as JSON, by its id."""

    setup: Setup
    earlier: tuple[int, str] | None = None


@dataclass(frozen=True, slots=True)
class Refusal:
    """There is nothing to inspect by; the sentence says why."""

    sentence: str


@dataclass(frozen=True, slots=True)
class Done:
    """The inspection as JSON, and how it lies over the photo before it (JSON of Since); None where there is none."""

    inspection: str
    since: str | None = None


@dataclass(frozen=True, slots=True)
class Failed:
    """The photo cannot be measured; the sentence says why and what to do."""

    sentence: str


Message: TypeAlias = Ready | Step | Labels | Done | Failed
