"""What the builder says about the part and the photo."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal, TypeAlias

from holeinspect.errors import SetupError
from holeinspect.scale.observed import Place
from holeinspect.scale.references import FlatbedReference, PointsReference
from holeinspect.scale.targets import MatReference, Reference
from holeinspect.trade import DRILL_SETS, DrillSet
from holeinspect.units import to_mm

Length: TypeAlias = str | float
"""A length with its unit ("3.2 mm", '1/8"'), or a number of millimetres."""

THINNEST_MM, THICKEST_MM = 0.05, 60.0
"""Thicknesses outside these are slips of the keyboard."""
THICKNESS_U_SHARE, THICKNESS_U_LEAST_MM = 0.01, 0.02
"""Standard uncertainty of a thickness as typed: sheet tolerances and a calliper's reading."""

BURR_SHARE, BURR_LIMIT_MM = 0.10, 0.10
"""Greatest burr allowed unless stated: 10 % of the thickness or 0.1 mm, whichever is less (as MIL-R-47196A bounds what may
be chamfered off a burred rim by 10 % of the thickness)."""
NICK_LIMIT_MM = 0.10
"""Deepest nick allowed unless stated (ours)."""
COUNTERSINK_DEG = 100.0
"""Included angle of countersunk aircraft rivets."""
WANTED_U_MM = 0.10
"""Expanded uncertainty of a diameter that tells drill sizes a fastener apart (ours)."""
ProfileUse: TypeAlias = Literal["refine", "use", "ignore"]
LEAST_COUNTERSINK_DEG, GREATEST_COUNTERSINK_DEG = 30.0, 150.0


@dataclass(frozen=True, slots=True)
class Setup:
    """Settings of one inspection. Lengths are strings with units or numbers in millimetres.

    thickness: of the part. face_height: of the upper face above the mat where that is not one thickness (a tube lying on
    the mat). part_thickness: of single parts by name ("P2") where several lie on the mat. reference: what gives the scale;
    reference_height: of what it lies on above the table (the part's thickness where it lies on the part's face);
    reference_at, part_at: points on the reference and on the part in px of the upright photo, where several may be meant.
    along, across: the mat's check bars as measured, both or neither. bar_reading_u: standard uncertainty of those two
    readings. fastener: for every hole; hole_fasteners: by hole name ("H3", or "P2.H3" with several parts). rule,
    pitch_rule: k of the edge and pitch rules (None: 2 and 3 diameters, unless the drawing says otherwise); hole_rules:
    by hole name. drill_sets: sizes that unnamed holes are compared with. units: of what is printed. side: of the part,
    A or B. burr_limit: greatest burr allowed (None: 10 % of the thickness or 0.1 mm, whichever is less);
    part_burr_limit: of single parts. nick_limit: deepest nick allowed. least_corner_radius: of inside corners (None: they are
    reported, not judged). countersink_angle_deg: included angle of the countersinks. wanted_u: expanded uncertainty that a
    diameter should have, against which the photo's resolution is judged. camera_profile: whether a profile learnt of the
    camera is used, refined by photos where that is safe, or ignored; camera_folder: where profiles are kept (None: the
    user's data folder).
    """

    thickness: Length
    face_height: Length | None = None
    part_thickness: Mapping[str, Length] = field(default_factory=dict)
    reference: Reference = field(default_factory=MatReference)
    reference_height: Length = 0.0
    reference_at: tuple[float, float] | None = None
    part_at: tuple[float, float] | None = None
    along: Length | None = None
    across: Length | None = None
    bar_reading_u: Length = 0.03
    fastener: str | None = None
    hole_fasteners: Mapping[str, str] = field(default_factory=dict)
    rule: float | None = None
    pitch_rule: float | None = None
    hole_rules: Mapping[str, float] = field(default_factory=dict)
    drill_sets: tuple[DrillSet, ...] = DRILL_SETS
    units: Literal["mm", "in"] = "mm"
    side: Literal["A", "B"] | None = None
    burr_limit: Length | None = None
    part_burr_limit: Mapping[str, Length] = field(default_factory=dict)
    nick_limit: Length = NICK_LIMIT_MM
    least_corner_radius: Length | None = None
    countersink_angle_deg: float = COUNTERSINK_DEG
    wanted_u: Length = WANTED_U_MM
    camera_profile: ProfileUse = "refine"
    camera_folder: Path | None = None

    def __post_init__(self) -> None:
        if not THINNEST_MM <= self.thickness_mm <= THICKEST_MM:
            raise SetupError(
                f"A thickness of {self.thickness} is outside {THINNEST_MM} to {THICKEST_MM:g} mm. "
                'Give the sheet\'s thickness with its unit, such as 3.2mm or 1/8".'
            )
        for name, thickness in self.part_thickness.items():
            if not THINNEST_MM <= to_mm(thickness) <= THICKEST_MM:
                raise SetupError(f"A thickness of {thickness} for {name} is outside {THINNEST_MM} to {THICKEST_MM:g} mm.")
        if self.face_height is not None and self.face_height_mm < self.thickness_mm - 1e-9:
            raise SetupError(
                f"The face cannot lie {self.face_height} above the mat when the part is {self.thickness} thick. "
                "Give the height of the upper face, which is at least the thickness."
            )
        if self.reference.kind in ("mat", "flatbed") and to_mm(self.reference_height) > 0:
            raise SetupError("The mat and a scan lie under the part: they take no reference height. Leave it out.")
        if (self.along is None) != (self.across is None):
            raise SetupError("Give both check-bar readings, along and across, or neither.")
        given = (k for k in (self.rule, self.pitch_rule, *self.hole_rules.values()) if k is not None)
        if not all(k > 0 for k in given):
            raise SetupError("The k of a rule is a positive number, such as 2 for two diameters.")
        self._check_limits()

    def _check_limits(self) -> None:
        lengths = {
            "burr limit": (self.burr_limit, *self.part_burr_limit.values()),
            "nick limit": (self.nick_limit,),
            "least corner radius": (self.least_corner_radius,),
            "wanted U": (self.wanted_u,),
        }
        for name, given in lengths.items():
            for length in given:
                if length is not None and not to_mm(length) > 0:
                    raise SetupError(f"A {name} of {length} is none. Give a length above zero, such as 0.1mm.")
        angle = self.countersink_angle_deg
        if not LEAST_COUNTERSINK_DEG <= angle <= GREATEST_COUNTERSINK_DEG:
            raise SetupError(
                f"A countersink of {angle:g}° is outside {LEAST_COUNTERSINK_DEG:g} to {GREATEST_COUNTERSINK_DEG:g}°. "
                "Give the included angle of the cutter, such as 100."
            )

    def shrunk(self, factor: int) -> Setup:
        """The same said of the photo shrunk by this factor: points in its px, a scan's resolution."""
        reference = self.reference
        if isinstance(reference, PointsReference):
            ends = _shrunk(reference.first_px, factor), _shrunk(reference.second_px, factor)
            reference = replace(reference, first_px=ends[0], second_px=ends[1])
        elif isinstance(reference, FlatbedReference):
            reference = replace(reference, dpi=reference.dpi / factor)
        return replace(self, reference=reference, reference_at=self.reference_at and _shrunk(self.reference_at, factor),
                       part_at=self.part_at and _shrunk(self.part_at, factor))  # fmt: skip

    @property
    def place(self) -> Place:
        """Where the reference is."""
        return Place(to_mm(self.reference_height), self.reference_at, self.part_at)

    @property
    def thickness_mm(self) -> float:
        """Thickness in millimetres."""
        return to_mm(self.thickness)

    @property
    def face_height_mm(self) -> float:
        """Height of the upper face above the mat."""
        return self.thickness_mm if self.face_height is None else to_mm(self.face_height)

    def burr_limit_mm(self, part: str) -> float:
        """Greatest burr allowed on a part."""
        stated = self.part_burr_limit.get(part, self.burr_limit)
        bottom_mm, top_mm = self.plate_mm(part)
        return min(BURR_SHARE * (top_mm - bottom_mm), BURR_LIMIT_MM) if stated is None else to_mm(stated)

    @property
    def nick_limit_mm(self) -> float:
        """Deepest nick allowed."""
        return to_mm(self.nick_limit)

    @property
    def least_corner_radius_mm(self) -> float | None:
        """Least radius of inside corners, if one was stated."""
        return None if self.least_corner_radius is None else to_mm(self.least_corner_radius)

    def plate_mm(self, part: str) -> tuple[float, float]:
        """Heights of a part's lower and upper face above the mat."""
        thickness = to_mm(self.part_thickness.get(part, self.thickness))
        top = thickness if self.face_height is None else self.face_height_mm
        return top - thickness, top


def _shrunk(at_px: tuple[float, float], factor: int) -> tuple[float, float]:
    """A point of a picture in px of the one shrunk by the factor; pixel centres are integers in both."""
    x, y = ((at + 0.5) / factor - 0.5 for at in at_px)
    return x, y


def thickness_u(thickness_mm: float) -> float:
    """Standard uncertainty of a thickness as typed."""
    return max(THICKNESS_U_LEAST_MM, THICKNESS_U_SHARE * thickness_mm)
