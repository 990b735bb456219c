"""What gives the scale besides printed targets: objects of known size, a rule, two points, loose markers, a scan.

They tell less than the mat does, and each says what it leaves open.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias

from holeinspect.errors import SetupError
from holeinspect.trade.reference_objects import KnownObject, known_object

STATED_SIZE_U_MM = 0.05
"""Standard uncertainty of a size that the user states: a calliper's reading (DIN 862: 0.03 mm at 400 mm) and its aim."""
RECTANGULAR = math.sqrt(3)
"""Largest departure over standard uncertainty when all between are as likely (JCGM 100, 4.3.7)."""
LEAST_SIZE_MM, LARGEST_SIZE_MM = 3.0, 2000.0
"""Sizes outside these are slips of the keyboard."""
LEAST_DPI, LARGEST_DPI = 50.0, 9600.0
RULE_THICKNESS_MM = 1.0
"""Height of a steel rule's ticks above what it lies on: rules are 0.5 to 1.2 mm thick (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class RectangleReference:
    """A rectangle of known size. under: the parts lie on it (a sheet), else beside it.

    u_width_mm, u_height_mm: standard uncertainties of its sides. thickness_mm: its upper face above what it lies on.
    """

    name: str
    width_mm: float
    height_mm: float
    u_width_mm: float = STATED_SIZE_U_MM
    u_height_mm: float = STATED_SIZE_U_MM
    thickness_mm: float = 0.0
    corner_radius_mm: float = 0.0
    under: bool = False
    kind: Literal["rectangle"] = "rectangle"

    def __post_init__(self) -> None:
        for side in (self.width_mm, self.height_mm):
            _check_size(self.name, side)


@dataclass(frozen=True, slots=True)
class DiscReference:
    """A round object of known diameter with standard uncertainty u_mm; thickness_mm: its upper face above its place."""

    name: str
    diameter_mm: float
    u_mm: float = STATED_SIZE_U_MM
    thickness_mm: float = 0.0
    kind: Literal["disc"] = "disc"

    def __post_init__(self) -> None:
        _check_size(self.name, self.diameter_mm)


@dataclass(frozen=True, slots=True)
class RuleReference:
    """A rule with ticks; pitch_mm: distance of its finest ticks, None to recognise it."""

    pitch_mm: float | None = None
    thickness_mm: float = RULE_THICKNESS_MM
    kind: Literal["rule"] = "rule"


@dataclass(frozen=True, slots=True)
class PointsReference:
    """Two points in picture px and their distance, u_mm its standard uncertainty."""

    first_px: tuple[float, float]
    second_px: tuple[float, float]
    distance_mm: float
    u_mm: float = STATED_SIZE_U_MM
    kind: Literal["points"] = "points"

    def __post_init__(self) -> None:
        _check_size("distance", self.distance_mm)


@dataclass(frozen=True, slots=True)
class MarkersReference:
    """Several loose ArUco or AprilTag markers of one size lying in one plane; where does not matter."""

    size_mm: float
    dictionary: str = "DICT_4X4_50"
    kind: Literal["markers"] = "markers"

    def __post_init__(self) -> None:
        _check_size("marker", self.size_mm)


@dataclass(frozen=True, slots=True)
class FlatbedReference:
    """A scan of stated resolution, parts face down on the glass; check: an object of known size scanned with them."""

    dpi: float
    check: RectangleReference | DiscReference | None = None
    kind: Literal["flatbed"] = "flatbed"

    def __post_init__(self) -> None:
        if not LEAST_DPI <= self.dpi <= LARGEST_DPI:
            raise SetupError(f"A scan of {self.dpi:g} dpi is outside {LEAST_DPI:g} to {LARGEST_DPI:g} dpi.")

    @property
    def check_name(self) -> str:
        """What messages call the object that checks the scan."""
        return self.check.name if self.check else "nothing"


ObjectReference: TypeAlias = RectangleReference | DiscReference
PlainReference: TypeAlias = ObjectReference | RuleReference | PointsReference | MarkersReference | FlatbedReference


def _check_size(name: str, size_mm: float) -> None:
    if not LEAST_SIZE_MM <= size_mm <= LARGEST_SIZE_MM:
        raise SetupError(
            f"A {name} of {size_mm:g} mm is outside {LEAST_SIZE_MM:g} to {LARGEST_SIZE_MM:g} mm. Give its size with its unit."
        )


def reference_of(name: str) -> ObjectReference:
    """The reference that an object of the table makes.

    Raises TradeError for an unknown name, SetupError for a coin that is not round.
    """
    thing = known_object(name)
    if thing.kind == "coin":
        return _coin(thing)
    return RectangleReference(
        thing.name,
        thing.width_mm,
        thing.height_mm,
        thing.width_tolerance_mm / RECTANGULAR,
        thing.height_tolerance_mm / RECTANGULAR,
        0.0 if thing.kind == "sheet" else thing.thickness_mm,
        thing.corner_radius_mm,
        under=thing.kind == "sheet",
    )


def _coin(thing: KnownObject) -> DiscReference:
    if thing.outline == "polygon":
        raise SetupError(f"{thing.name} is not round: its width depends on where it is taken. Use a round coin.")
    return DiscReference(thing.name, thing.width_mm, thing.width_tolerance_mm / RECTANGULAR, thing.thickness_mm)
