"""What goes into the records and what comes out of them: one shape to create, to change and to show.

Pages and the REST service show the same shapes. Lengths that a person types keep the person's way of writing; lengths in
millimetres say so in their names.
"""

from __future__ import annotations

import unicodedata
from datetime import date, datetime
from typing import Annotated, Any, Generic, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints

from holeinspect.errors import HoleinspectError
from holeinspect.inspection import VerdictWord
from holeinspect.trade import DrillSet, fastener
from holeinspect.units import LONGEST_TEXT, to_mm

Side = Literal["A", "B"]
SIDES: tuple[Side, Side] = ("A", "B")
PhotoState = Literal["queued", "measuring", "measured", "failed"]
PieceState = Literal["rework", "wants a photo", "wants a reading", "ready"]
NextStepKind = Literal["say which piece", "say which side", "photograph again", "rework", "take a reading", "take a photo"]
MOST_PIECES = 500
"""Of one part: more is a slip of the keyboard."""
LARGEST_ID = 2**31 - 1
"""What an integer column of any database holds."""


def _no_controls(text: str) -> str:
    """Lines end as on every system; what no keyboard types and not every database keeps is refused."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if any(unicodedata.category(letter) in ("Cc", "Cs") and letter not in "\n\t" for letter in text):
        raise ValueError("The text holds a control character. Type it anew.")
    return text


def _one_line(text: str) -> str:
    return " ".join(_no_controls(text).split())


def _length(given: str) -> str:
    to_mm(given)
    return given


def _length_above_zero(given: str) -> str:
    if not to_mm(given) > 0:
        raise ValueError(f"A length of {given} is none. Give one above zero, such as 3.2mm.")
    return given


def _known_fastener(name: str) -> str:
    try:
        fastener(name)
    except HoleinspectError as error:
        raise ValueError(str(error)) from error
    return name


def _number_as_text(given: Any) -> Any:
    """3.2 as "3.2": a bare number of millimetres may come as JSON's number."""
    return f"{given!r}" if isinstance(given, (int, float)) and not isinstance(given, bool) else given


def _blank_as_none(given: Any) -> Any:
    return None if isinstance(given, str) and not given.strip() else given


Line = Annotated[str, StringConstraints(strip_whitespace=True, max_length=200), AfterValidator(_one_line)]
Name = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=100), AfterValidator(_one_line)]
PartNumber = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=60, pattern=r"^[^\s/]([^/]*[^\s/])?$"),
    AfterValidator(_one_line),
]
LengthText = Annotated[
    str,
    BeforeValidator(_number_as_text),
    StringConstraints(strip_whitespace=True, min_length=1, max_length=LONGEST_TEXT),
    AfterValidator(_length),
    AfterValidator(_length_above_zero),
]
MaybeLength = Annotated[LengthText | None, BeforeValidator(_blank_as_none)]
FastenerName = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=60), AfterValidator(_known_fastener)
]
MaybeFastener = Annotated[FastenerName | None, BeforeValidator(_blank_as_none)]
K = Annotated[float, Field(gt=0, le=20, description="A rule's number of diameters.")]
MaybeK = Annotated[K | None, BeforeValidator(_blank_as_none)]
HoleName = Annotated[str, StringConstraints(strip_whitespace=True, pattern=r"^([Pp][0-9]{1,3}\.)?[Hh][0-9]{1,4}$", to_upper=True)]
"""H3, or P2.H3 where several parts lie on the mat."""


class Shape(BaseModel):
    """Base of all shapes: unknown fields are refused, so that a misspelt one is not passed over in silence."""

    model_config = ConfigDict(extra="forbid")


class PartDetails(Shape):
    """What may be said of a part besides its number and thickness."""

    name: Line = ""
    quantity: int = Field(default=1, ge=1, le=MOST_PIECES, description="Pieces; each has its own record.")
    material: Line = ""
    face_height: MaybeLength = Field(default=None, description="Upper face above the mat, where it is not one thickness.")
    drawing: Line = ""
    revision: Annotated[Line, Field(max_length=60)] = ""
    fastener: MaybeFastener = Field(default=None, description="For all holes: 1/8 rivet, AN3, M5, 4.8mm.")
    drill_sets: list[DrillSet] = Field(default_factory=list, description="Sizes to compare unnamed holes with; all if empty.")
    edge_rule: MaybeK = Field(default=None, description="Least edge distance in diameters; 2 unless noted.")
    pitch_rule: MaybeK = Field(default=None, description="Least pitch in diameters; 3 unless noted.")
    hole_fasteners: dict[HoleName, FastenerName] = Field(default_factory=dict)
    hole_rules: dict[HoleName, K] = Field(default_factory=dict)
    burr_limit: MaybeLength = None
    nick_limit: MaybeLength = None
    least_corner_radius: MaybeLength = None
    notes: Annotated[str, StringConstraints(max_length=5000), AfterValidator(_no_controls)] = ""


class PartFields(PartDetails):
    """All that a part of the kit list says besides its number."""

    thickness: LengthText = Field(description='Of the sheet, as typed: 3.2mm, 1/8", 0.032in.')


_PART_EXAMPLE: dict[str, Any] = {
    "number": "HM-101",
    "name": "Gusset",
    "quantity": 2,
    "material": "6061-T6",
    "thickness": "3.2mm",
    "drawing": "HM-D1",
    "revision": "B",
    "fastener": "1/8 rivet",
    "edge_rule": 2.0,
}


class PartNew(PartFields):
    """A part to add to the kit list."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [_PART_EXAMPLE]})

    number: PartNumber = Field(description="Unique in the kit; no slash.")


class PartChange(PartDetails):
    """What is to change of a part; what is left out stays."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"thickness": "3.0mm", "revision": "C"}]})

    thickness: LengthText | None = Field(default=None, description="As typed.")
    number: PartNumber | None = Field(default=None, description="A new number, if it changes.")


class PieceBrief(Shape):
    """A piece in a list: which one, and how far it is."""

    id: int
    number: str
    name: str
    serial: int
    of: int = Field(description="Pieces of this part.")
    code: str = Field(description="What the piece's label says.")
    state: PieceState
    why: list[str] = Field(description="Sentences that tell why the state is what it is.")
    reasons: list[str] = Field(description="Names of the reasons, of both sides.")
    sides_wanted: list[Side] = Field(description="Sides that no usable photo shows yet.")
    waiting: int = Field(description="Photos in the queue or being measured.")
    failed: int = Field(description="Newest photos of a side that could not be measured.")


class PartShown(PartFields):
    """A part of the kit list with its pieces."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                _PART_EXAMPLE
                | {"face_height": None, "drill_sets": [], "pitch_rule": None, "hole_fasteners": {}, "hole_rules": {}, "notes": ""}
                | {"burr_limit": None, "nick_limit": None, "least_corner_radius": None, "thickness_mm": 3.2}
                | {"changed_at": "2026-05-04T09:30:00Z", "drawing_note": "Check that HM-D1 B is the drawing of your part."}
                | {"pieces": []}
            ]
        },
    )

    number: str
    thickness_mm: float
    changed_at: datetime
    drawing_note: str = Field(description="What to check before the photo; empty where no drawing is named.")
    pieces: list[PieceBrief]


Item = TypeVar("Item")


class PageOf(Shape, Generic[Item]):
    """One page of a list; pages count from 1."""

    items: list[Item]
    page: int
    pages: int
    total: int
    per_page: int


class BadRow(Shape):
    """A row of an imported list that could not be read. row: as a text editor or spreadsheet counts, the header being 1."""

    row: int
    number: str
    problems: list[str] = Field(description="Column and sentence.")


class ImportShown(Shape):
    """What an import did, or with dry_run would do."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {"dry_run": True, "added": ["HM-101"], "changed": ["HM-102"], "same": [], "ignored_columns": [],
                 "bad": [{"row": 4, "number": "HM-103", "problems": ["thickness: '3 furlongs' is no length."]}]}
            ]
        },
    )  # fmt: skip

    dry_run: bool
    added: list[str]
    changed: list[str]
    same: list[str]
    bad: list[BadRow]
    ignored_columns: list[str]


class StandingReason(Shape):
    """Why a verdict is what it is. subject: H3, E2, K1 or P1; with the part in front where there are several: P2.H3."""

    name: str
    subject: str
    sentence: str
    remedy: str = ""
    place: str = Field(default="", description="Where on the part, in words: H3 at 4 o'clock.")
    blocking: bool = Field(description="Whether it keeps the part from being good.")
    verdict: VerdictWord | None = Field(default=None, description="What this reason alone comes to.")
    source: Literal["photo", "reading", "override"] = "photo"

    @property
    def told(self) -> str:
        """`H3: short edge, edge distance 4.00 mm, ...`, with nothing said twice."""
        where = self.place or self.subject
        if where and self.sentence.startswith(f"{where}:"):
            return self.sentence
        said = self.sentence if self.sentence.startswith(self.name) else f"{self.name}, {self.sentence}"
        return f"{where}: {said}" if where else said


class StandingHole(Shape):
    """What holds for a hole after the corrections. The measured figures are in the inspection, and stay."""

    name: str
    verdict: VerdictWord
    measured_verdict: VerdictWord
    struck: bool = False
    fastener: str | None = None
    reasons: list[StandingReason] = []
    readings_wanted: list[str] = []
    corrected: list[str] = Field(default=[], description="What persons said about it, as sentences.")


class StandingShown(Shape):
    """What holds for a photo after the corrections, worked out by the same rules as the measured verdict."""

    verdict: VerdictWord
    measured_verdict: VerdictWord
    holes: list[StandingHole]
    reasons: list[StandingReason]
    readings_wanted: list[str]
    corrected: list[str] = []


class PhotoShown(Shape):
    """A photo, where it belongs and how far the queue has come with it."""

    id: int
    piece: int | None = Field(description="None: nobody has said which piece it shows, and no label was read.")
    number: str | None
    serial: int | None
    side: Side | None
    name: str
    state: PhotoState
    place_in_queue: int | None = Field(description="1 is next; None unless queued.")
    attempts: int
    error: str | None
    note: str | None = Field(description="What the user should know, such as a label that tells another piece.")
    set_aside: bool
    taken_at: str | None = Field(description="The camera's clock, whose zone is unknown.")
    received_at: datetime
    size_bytes: int
    sha256: str = Field(description="Of the photo as kept, without location data.")
    uploaded_sha256: str = Field(description="Of the file as it was uploaded.")
    inspections: int = Field(description="Runs of the measuring on this photo.")
    measured_at: datetime | None
    standing: StandingShown | None


class HistoryEntry(Shape):
    """A photo in its piece's history, with what it found and what it cleared of the photo of the same side before it."""

    photo: PhotoShown
    found: list[StandingReason]
    new: list[StandingReason]
    cleared: list[StandingReason]
    compared_with: int | None = Field(description="The photo before it of the same side.")
    counts: bool = Field(description="Whether it is the newest of its side, and decides.")


class CorrectionNew(Shape):
    """Something that a person says about an inspection; see `kind`."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {"kind": "reading", "who": "Kim", "subject": "H3", "figure": "edge distance", "value": "6.62mm", "U": "0.04mm"},
                {"kind": "fastener", "who": "Kim", "subject": "H3", "fastener": "AN3"},
                {"kind": "struck", "who": "Kim", "subject": "H7", "reason": "an ink dot"},
                {"kind": "felt", "who": "Kim", "subject": "E2", "verdict": "good"},
                {"kind": "override", "who": "Kim", "verdict": "good", "reason": "accepted by the kit maker in writing"},
                {"kind": "withdrawal", "who": "Kim", "withdraws": 4, "reason": "wrong hole"},
            ]
        },
    )

    kind: Literal["fastener", "struck", "reading", "felt", "override", "withdrawal"] = Field(
        description="felt: a fingernail was drawn across the rims and edges; verdict good: it does not catch, rework: it does."
    )
    who: Name = Field(description="Who says so; a free name.")
    subject: Annotated[str, StringConstraints(strip_whitespace=True, max_length=20)] = Field(
        default="", description="H3, or P2.H3 with several parts; felt also E2 or P1; left out: all that the photo shows."
    )
    fastener: MaybeFastener = None
    figure: Literal["diameter", "edge distance", "pitch", "out of round"] | None = None
    value: LengthText | None = Field(default=None, description="The reading. Out of round: greatest less least diameter.")
    U: MaybeLength = Field(default=None, description="Expanded uncertainty (k = 2) of the reading; 0.04 mm if left out.")
    verdict: VerdictWord | None = None
    reason: Annotated[str, StringConstraints(strip_whitespace=True, max_length=1000), AfterValidator(_no_controls)] = ""
    withdraws: int | None = Field(default=None, ge=1, le=LARGEST_ID)


class CorrectionShown(CorrectionNew):
    """A correction as it is kept. sentence: the same in words. withdrawn: by a later one. lost: its hole is in no newer run."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={
            "examples": [
                {"kind": "struck", "who": "Kim", "subject": "H7", "reason": "an ink dot", "id": 4, "photo": 12, "inspection": 12,
                 "made_at": "2026-05-04T09:30:00Z", "sentence": "Kim: H7 is no hole.", "withdrawn": False, "lost": False}
            ]
        },
    )  # fmt: skip

    id: int
    photo: int
    inspection: int
    made_at: datetime
    sentence: str
    withdrawn: bool
    lost: bool


class PieceShown(PieceBrief):
    """A piece with its whole history, oldest photo first."""

    photos: list[HistoryEntry]
    corrections: list[CorrectionShown]
    drawing_note: str
    notes: str


class NextStep(Shape):
    """One thing to do at the bench."""

    piece: int | None
    photo: int | None
    number: str | None
    serial: int | None
    do: str = Field(description="A sentence.")
    kind: NextStepKind


class BoardShown(Shape):
    """The whole kit: how many pieces are how far, and what to do next in order of urgency."""

    pieces: int
    states: dict[PieceState, int]
    rework_reasons: dict[str, int] = Field(description="Pieces to rework by reason; a piece may count under several.")
    sides_wanted: dict[Side, int]
    unassigned: int = Field(description="Photos that belong to no piece yet.")
    next_steps: list[NextStep]


class QueueShown(Shape):
    """The queue in one look."""

    queued: int
    measuring: int
    workers: int
    capacity: int
    photos: list[int] = Field(description="Ids of the waiting photos, next first, after those being measured.")
    sentence: str


class StepShown(Shape):
    """How far the measuring of a photo is; the data of a server-sent event."""

    photo: int
    step: str = Field(description="queued, photo opened, scale, finding, measuring, edge condition, done or failed.")
    state: PhotoState
    place_in_queue: int | None = None
    error: str | None = None
    verdict: VerdictWord | None = None


class PhotoChange(Shape):
    """Where a photo belongs. What is left out stays; a photo that could not be measured is tried again."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"piece": 3, "side": "B"}]})

    piece: int | None = Field(default=None, ge=1, le=LARGEST_ID)
    side: Side | None = None
    set_aside: bool | None = Field(default=None, description="True: it stays in the records and decides nothing.")


class MatReadings(Shape):
    """The check bars of a printed mat as measured, between the centres of their crosses."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"along": "239.2mm", "across": "169.8mm"}]})

    along: LengthText
    across: LengthText


class MatShown(Shape):
    """A mat that can be printed, the nominal lengths of its check bars, and what was read of them, if they were measured."""

    page: str
    along_mm: float
    across_mm: float
    read_along_mm: float | None
    read_across_mm: float | None
    measured_on: date | None


class HealthShown(Shape):
    """That the service answers, and what it is."""

    status: Literal["ok"]
    version: str
    schema_version: str
    measured: int = Field(description="Photos measured so far.")
