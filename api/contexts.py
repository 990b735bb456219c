"""What each page's template receives: one frozen dataclass a page, and nothing else.

A template may use the fields of its context and the names of `render.GLOBALS`; undefined names raise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, TypeAlias

from api.overlay import Overlay
from api.result_view import Panel, Result
from holeinspect.records.shapes import (
    BoardShown,
    MatShown,
    PageOf,
    PartShown,
    PhotoShown,
    PieceBrief,
    PieceShown,
    Side,
)


@dataclass(frozen=True, slots=True)
class Way:
    """One entry of the way to the pages."""

    name: str
    url: str
    icon: str


WAYS = (
    Way("Board", "/", "board"),
    Way("Kit list", "/kit", "kit"),
    Way("Photo", "/photo", "photo"),
    Way("Labels", "/labels", "label"),
    Way("Phone", "/phone", "phone"),
)


@dataclass(frozen=True, slots=True)
class Frame:
    """What stands round every page. here: the address of the way that leads to it; empty for none."""

    title: str
    here: str
    queue: str
    caution: str
    pages: tuple[Way, ...] = WAYS


@dataclass(frozen=True, slots=True)
class Filter:
    """What the board's list is narrowed to; empty lets all through."""

    state: str = ""
    reason: str = ""
    q: str = ""

    @property
    def is_set(self) -> bool:
        """Whether the list shows less than the whole kit."""
        return bool(self.state or self.reason or self.q)


@dataclass(frozen=True, slots=True)
class BoardPage:
    """The board of the whole kit."""

    template: ClassVar[str] = "board.html"

    frame: Frame
    board: BoardShown
    pieces: PageOf[PieceBrief]
    filter: Filter


@dataclass(frozen=True, slots=True)
class KitPage:
    """The kit list."""

    template: ClassVar[str] = "kit.html"

    frame: Frame
    parts: tuple[PartShown, ...]


@dataclass(frozen=True, slots=True)
class PartPage:
    """The form of one part; part None: a new one."""

    template: ClassVar[str] = "part.html"

    frame: Frame
    part: PartShown | None
    drill_sets: tuple[str, ...]
    fasteners: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PiecePage:
    """A piece with its history. photo_turn: which of its photos, from 1, by the photo's id."""

    template: ClassVar[str] = "piece.html"

    frame: Frame
    piece: PieceShown
    photo_turn: dict[int, int]


@dataclass(frozen=True, slots=True)
class PhotoPage:
    """Taking and sending photos. piece, side: chosen before, from a piece's page."""

    template: ClassVar[str] = "photo.html"

    frame: Frame
    pieces: tuple[PieceBrief, ...]
    piece: PieceBrief | None
    side: Side | None
    drawing_note: str


@dataclass(frozen=True, slots=True)
class ResultPage:
    """A measured photo: overlay, table, panel of the chosen hole, corrections."""

    template: ClassVar[str] = "result.html"

    frame: Frame
    heading: str
    photo: PhotoShown
    result: Result
    overlay: Overlay
    panel: Panel | None
    pieces: tuple[PieceBrief, ...]
    other_side: Side | None
    scale: str
    warnings: tuple[str, ...]
    fasteners: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PanelPart:
    """Only the panel, for a page that is open already."""

    template: ClassVar[str] = "_panel.html"

    panel: Panel


@dataclass(frozen=True, slots=True)
class WaitingPage:
    """A photo that is not measured: queued, being measured, failed, or of an unknown piece."""

    template: ClassVar[str] = "waiting.html"

    frame: Frame
    heading: str
    photo: PhotoShown
    pieces: tuple[PieceBrief, ...]


@dataclass(frozen=True, slots=True)
class LabelsPage:
    """What is printed: the mat, with the readings of its check bars, and the labels of the pieces that are chosen."""

    template: ClassVar[str] = "labels.html"

    frame: Frame
    parts: tuple[PartShown, ...]
    mats: tuple[MatShown, ...]


@dataclass(frozen=True, slots=True)
class PhonePage:
    """The QR code that opens the bench on the phone; url and qr None where it listens on this machine only."""

    template: ClassVar[str] = "phone.html"

    frame: Frame
    url: str | None
    qr: str | None


@dataclass(frozen=True, slots=True)
class TroublePage:
    """An error as a page: what, why, what to do."""

    template: ClassVar[str] = "trouble.html"

    frame: Frame
    title: str
    detail: str


@dataclass(frozen=True, slots=True)
class RefusedPage:
    """An error for someone who may see nothing else: no way to the pages, and no file beside it."""

    template: ClassVar[str] = "refused.html"

    title: str
    detail: str


Page: TypeAlias = (
    BoardPage
    | KitPage
    | PartPage
    | PiecePage
    | PhotoPage
    | ResultPage
    | PanelPart
    | WaitingPage
    | LabelsPage
    | PhonePage
    | TroublePage
    | RefusedPage
)
