"""The result of one photo: the same object is the command line's JSON, the record, and the input of every report.

Lengths are millimetres in the mat frame (origin at the mat's centre, x right, y up the page) unless a name says px.
Every figure carries its standard uncertainty u; U = 2 u is the expanded one (k = 2, about 95 %).
"""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

SCHEMA_VERSION = "1"
"""Goes up when a field changes its meaning or goes away; new fields do not raise it."""

CAUTION = (
    "This tool informs; it does not approve. The plans, the kit maker's manual and the applicable regulations come "
    "first, and a licensed inspector or the responsible builder decides."
)
UNSEEN = (
    "A photo from above shows how far a burr leans over the opening or stands off the edge. It does not show its height "
    "off the face, burrs on the lower side or inside the bore, or one rolled flat on the face. Photograph the other side "
    "as well, and draw a fingernail outward across every rim and along every edge: it must not catch."
)

VerdictWord = Literal["good", "rework", "measure by hand"]
Shape = Literal["round", "oval", "twice drilled", "slot"]


CAUTION = (
    "This tool informs; it does not approve. The plans, the kit maker's manual and the applicable regulations come "
    "first, and a licensed inspector or the responsible builder decides."
)


class Record(BaseModel):
    """Base of all parts of the result: fixed once made, unknown fields refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class BudgetLine(Record):
    """One contribution to a figure's uncertainty: its standard uncertainty in the figure's unit, and where it comes from."""

    name: str
    u: float = Field(ge=0)
    note: str = ""


class Figure(Record):
    """A measured value with its standard uncertainty, and the budget that adds up to it."""

    value: float
    u: float = Field(ge=0)
    unit: Literal["mm", "deg", "1", "px"] = "mm"
    budget: tuple[BudgetLine, ...] = ()

    @property
    def U(self) -> float:
        """Expanded uncertainty, k = 2 (JCGM 100:2008, 6.2)."""
        return 2 * self.u


class SizeNote(Record):
    """The nearest size: its name, diameter, how far off the hole is, and every size inside value ± U."""

    label: str
    diameter_mm: float
    deviation_mm: float
    candidates: tuple[str, ...] = ()
    ambiguous: bool = False
    fastener: str | None = None


class ReasonNote(Record):
    """Why a verdict is what it is: the reason's name, a sentence with figures, and what to do about it.

    decision: what this reason alone comes to; reading: what to measure by hand where that would decide it.
    """

    name: str
    sentence: str
    remedy: str = ""
    subject: str = ""
    decision: VerdictWord | None = None
    reading: str = ""


class EdgePoint(Record):
    """Where an edge distance ends: the point of the edge nearest to the hole."""

    point_mm: tuple[float, float]
    edge: Literal["outline", "cutout"] = "outline"


class Pitch(Record):
    """Distance to the nearest other hole, centre to centre, and over D."""

    value: float
    u: float = Field(ge=0)
    unit: Literal["mm", "deg", "1", "px"] = "mm"
    to: str
    ratio: Figure | None = None
    budget: tuple[BudgetLine, ...] = ()


class OutOfRound(Record):
    """Peak to valley on the radius from the least-squares circle (RONt, ISO 12181-1), and the filter it was seen through."""

    value: float
    u: float = Field(ge=0)
    unit: Literal["mm", "deg", "1", "px"] = "mm"
    cutoff_upr: int


class RuleNote(Record):
    """A rule as it was applied: k times the diameter d_mm is the least length allowed."""

    k: float
    d_mm: float
    limit_mm: float


class RimNote(Record):
    """How the rim was seen: share of it that was fitted, break of the edge if it shows, greatest gap in view."""

    share_fitted: float
    break_mm: float | None = None
    break_u_mm: float | None = None
    contrast: float
    misfit: float = Field(default=0.0, description="What the model of the light leaves over, per stretch; 1 to 20 as a rule.")


class EdgeRing(Record):
    """The ring round a rim that shows it broken or countersunk; seen_share: of the rim, where it shows."""

    kind: Literal["broken edge", "countersink"]
    width: Figure
    seen_share: float
    outer_diameter: Figure | None = None
    angle_deg: float | None = Field(default=None, description="Included angle of the countersink, as stated.")
    depth: Figure | None = Field(default=None, description="Of the countersink, from its width and the stated angle.")


class Condition(Record):
    """How far a rim or an edge departs from its fitted form: protrusion into the opening or off the edge, recess into the metal.

    Places are clock hours (0 < h <= 12, 12 up in the upright photo) on a rim, and mm from its start on an edge.
    """

    protrusion: Figure
    protrusion_at: float | None = None
    recess: Figure
    recess_at: float | None = None
    rms: Figure
    affected_share: Figure = Field(description="Share of the length that stands beyond the limit.")
    cutoff: float = Field(description="Of the Gaussian filter (ISO 16610-21).")
    cutoff_unit: Literal["UPR", "mm"]
    limit_mm: float = Field(description="Greatest burr allowed here.")
    smallest_shown_mm: float = Field(description="Smallest burr that this photo could have shown here.")
    shown: bool = Field(description="Whether a burr of the limit would have shown.")
    profile: tuple[tuple[float, float, float], ...] = Field(
        default=(), description="Place, deviation in mm (positive: protrusion), and its standard uncertainty."
    )
    contour_px: tuple[tuple[float, float], ...] = Field(default=(), description="The contour as seen, a point per entry.")


class Hole(Record):
    """One hole. centre_mm: mat frame. axes_mm: longest and shortest diameter of an oval, length and width of a slot."""

    name: str
    shape: Shape = "round"
    centre_mm: tuple[float, float]
    centre_u_mm: tuple[float, float]
    centre_px: tuple[float, float]
    outline_px: tuple[tuple[float, float], ...] = Field(default=(), description="The rim as drawn over the photo.")
    diameter: Figure
    axes_mm: tuple[float, float] | None = None
    slot_ends_mm: tuple[tuple[float, float], tuple[float, float]] | None = None
    nominal: SizeNote | None = None
    edge_distance: Figure | None = None
    edge_not_in_view: bool = False
    edge_at_least_mm: float | None = None
    edge_point: EdgePoint | None = None
    edge_point_px: tuple[float, float] | None = None
    edge_from_px: tuple[float, float] | None = Field(
        default=None, description="Centre that the edge distance is measured from, if not the hole's: a slot's nearer end."
    )
    edge_ratio: Figure | None = None
    edge_rule: RuleNote | None = None
    pitch: Pitch | None = None
    pitch_rule: RuleNote | None = None
    out_of_round: OutOfRound | None = None
    rim: RimNote
    condition: Condition | None = None
    ring: EdgeRing | None = None
    verdict: VerdictWord
    reasons: tuple[ReasonNote, ...] = ()
    readings: tuple[str, ...] = Field(default=(), description="The readings by hand that would decide.")
    rule_basis: str = ""


class Corner(Record):
    """A corner between two edges; radius None where it could not be fitted, limit_mm the least inside radius stated."""

    name: str
    kind: Literal["inside", "outside"]
    radius: Figure | None = None
    point_mm: tuple[float, float]
    point_px: tuple[float, float]
    limit_mm: float | None = None


class PartEdge(Record):
    """One stretch of edge from corner to corner (None: a closed or cut off one), and its condition."""

    name: str
    kind: Literal["straight", "arc", "free"]
    points_px: tuple[tuple[float, float], ...]
    length_mm: float
    start_corner: str | None = None
    end_corner: str | None = None
    condition: Condition | None = None


class OtherOpening(Record):
    """A cut-out or lightening hole: an edge to the holes near it. Round ones have a diameter and a condition, others edges."""

    name: str
    kind: Literal["cut-out", "lightening hole"]
    outline_mm: tuple[tuple[float, float], ...]
    outline_px: tuple[tuple[float, float], ...]
    diameter: Figure | None = None
    condition: Condition | None = None
    edges: tuple[PartEdge, ...] = ()


class Part(Record):
    """One part on the mat, with its holes sorted by their place."""

    name: str
    thickness_mm: float
    face_height_mm: float
    outline_mm: tuple[tuple[float, float], ...]
    outline_px: tuple[tuple[float, float], ...]
    whole_in_view: bool
    confidence: float = Field(
        default=1.0, ge=0, le=1, description="How surely it was found: share of its contour seen, less on patterned ground."
    )
    outside_diameter: Figure | None = None
    holes: tuple[Hole, ...]
    openings: tuple[OtherOpening, ...] = ()
    edges: tuple[PartEdge, ...] = ()
    corners: tuple[Corner, ...] = ()
    verdict: VerdictWord
    reasons: tuple[ReasonNote, ...] = ()
    readings: tuple[str, ...] = ()


class Finding(Record):
    """One place to work on. at, length_mm: clock hours on a rim, mm from its start on an edge; extent along it.

    size: height of a burr or stub, depth of a nick or countersink, radius of a corner, RMS of a coarse edge. decided False:
    size within U of the limit, so that the photo leaves it open.
    """

    kind: Literal["burr", "tab stub", "nick", "sharp corner", "coarse edge", "deep countersink"]
    part: str
    subject: str
    place: str
    at: float | None = None
    size: Figure
    length_mm: float | None = None
    limit_mm: float
    decided: bool
    box_px: tuple[float, float, float, float] = Field(description="x0, y0, x1, y1 in the upright photo.")
    point_px: tuple[float, float]
    sentence: str
    remedy: str = ""


class ScaleNote(Record):
    """What the photo was measured by, and the camera that took it."""

    reference: str
    page: str | None = None
    camera_height: Figure
    nadir_mm: tuple[float, float]
    tilt_deg: float
    focal_length_px: Figure
    px_per_mm: float
    print_scale: tuple[float, float]
    print_scale_u: tuple[float, float]
    print_checked: bool
    boundaries_used: int
    boundaries_seen: int
    residual_px: float
    blur_px: float
    distortion: tuple[float, float, float, float, float]
    tells: tuple[str, ...] = Field(default=(), description="What a reference that is no printed target could correct.")
    leaves: tuple[str, ...] = Field(default=(), description="What it could not, and U carries instead.")


class JudgeNote(Record):
    """One thing about the photo itself: a figure, where it becomes a doubt, and where nothing measured by it can be trusted.

    level: "measure by hand" where the holes concerned cannot be trusted. limit: the figure from which that is so.
    holes: those concerned, by name ("P2.H3" with several parts); empty where it is the whole photo.
    """

    name: str
    level: Literal["fine", "doubt", "measure by hand"]
    figure: float | None = None
    unit: str = ""
    limit: float | None = None
    sentence: str
    advice: str = ""
    holes: tuple[str, ...] = ()
    point_px: tuple[float, float] | None = Field(default=None, description="Where in the upright photo, if at one place.")


class PhotoNote(Record):
    """The photo as a file."""

    name: str
    sha256: str
    format: str
    width_px: int
    height_px: int
    orientation: int
    make: str | None = None
    model: str | None = None
    captured: str | None = None
    colour_profile: str | None = None
    notes: tuple[str, ...] = ()
    judged: tuple[JudgeNote, ...] = Field(default=(), description="What the photo is worth, worst first.")


class Inspection(Record):
    """Everything that one photo told."""

    schema_version: str = SCHEMA_VERSION
    units: Literal["mm", "in"] = "mm"
    side: Literal["A", "B"] | None = None
    parts: tuple[Part, ...]
    findings: tuple[Finding, ...] = Field(default=(), description="Places that need more deburring, worst first.")
    scale: ScaleNote
    photo: PhotoNote
    warnings: tuple[str, ...] = ()
    caution: str = CAUTION
    unseen: str = Field(default=UNSEEN, description="What no photo from above can show, and what to do about it.")
    seconds: float = Field(default=0.0, description="Time from file to result.")
