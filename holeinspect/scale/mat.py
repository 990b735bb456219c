"""The printed scale mat: a ring of ChArUco squares, two wide, round a clear window.

Mat frame: mm, origin at the page's centre, x right, y up the page, as camera.py has it.
Board frame: OpenCV's CharucoBoard, origin at the board's upper left corner, y down; only the ring of the
board is printed. Every page has a block of marker ids of its own, so the ids tell which page lies on the table.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

import cv2
import numpy as np

from holeinspect.errors import SetupError
from holeinspect.measured import Array

Window = Literal["black", "white", "open"]
Square = tuple[int, int]
"""Column from the left, row from the top of the board, both from 0."""

MAT_VERSION = "1"
"""Goes up whenever a printed length or a marker id changes."""

DICTIONARY_NAME = "DICT_5X5_1000"
RING_SQUARES = 2
"""Width of the ring in squares: the least with chessboard corners that no part in the window touches."""
MARKER_SHARE = 0.65
"""Side of a marker over the side of its square; leaves a quiet zone of 1.2 marker cells all round."""

IN_RING, AT_WINDOW = 0, 1
"""Kinds of printed sides: between two squares of the ring, or between a square and the window."""


@dataclass(frozen=True, slots=True)
class MatLayout:
    """Where everything on one page of the mat is.

    size_mm: width, height of the paper. squares: columns, rows of the whole board.
    first_id: id of the board's first marker. bars_mm: nominal lengths of the check bars, along
    (the page's long side, y) and across (x), each between the centres of its two crosses.
    """

    page: str
    size_mm: tuple[float, float]
    square_mm: float
    marker_mm: float
    squares: tuple[int, int]
    first_id: int
    bars_mm: tuple[float, float]
    window: Window

    @property
    def dictionary(self) -> Any:
        """OpenCV's marker dictionary."""
        return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY_NAME))

    @property
    def ids(self) -> range:
        """Marker ids of the whole board in OpenCV's order, those of the unprinted inner squares included."""
        columns, rows = self.squares
        return range(self.first_id, self.first_id + columns * rows // 2)

    @property
    def ring_ids(self) -> tuple[int, ...]:
        """Ids of the printed markers, ascending."""
        return tuple(self.marker_squares())

    @property
    def board_mm(self) -> tuple[float, float]:
        """Width and height of the ring's outer border."""
        return self.squares[0] * self.square_mm, self.squares[1] * self.square_mm

    @property
    def window_mm(self) -> tuple[float, float]:
        """Half the width and half the height of the window."""
        columns, rows = self.squares
        return (
            (columns / 2 - RING_SQUARES) * self.square_mm,
            (rows / 2 - RING_SQUARES) * self.square_mm,
        )

    def board(self) -> Any:
        """OpenCV's CharucoBoard of this page, in the board frame (mm)."""
        ids = np.asarray(self.ids, dtype=np.int32)
        return cv2.aruco.CharucoBoard(self.squares, self.square_mm, self.marker_mm, self.dictionary, ids)

    def mat_from_board(self, points_mm: Array) -> Array:
        """Board frame (..., 2 or 3) mm to mat frame (..., 2) mm."""
        width, height = self.board_mm
        return np.stack([points_mm[..., 0] - width / 2, height / 2 - points_mm[..., 1]], axis=-1)

    def in_ring(self, square: Square) -> bool:
        """Whether a square of the board is printed."""
        return any(
            0 <= at < RING_SQUARES or count - RING_SQUARES <= at < count
            for at, count in zip(square, self.squares, strict=True)
        )

    def ring_squares(self) -> Iterator[Square]:
        """The printed squares, row by row from the top."""
        columns, rows = self.squares
        return (square for row in range(rows) for column in range(columns) if self.in_ring(square := (column, row)))

    def marker_squares(self) -> dict[int, Square]:
        """Printed marker ids and the white squares that carry them."""
        columns, rows = self.squares
        white = ((column, row) for row in range(rows) for column in range(columns) if not is_black((column, row)))
        return {marker: square for marker, square in zip(self.ids, white, strict=True) if self.in_ring(square)}

    def marker_corners_mm(self) -> dict[int, Array]:
        """Printed marker ids and their (4, 2) corners, mat frame: upper left, upper right, lower right, lower left."""
        gap = (self.square_mm - self.marker_mm) / 2
        unit = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
        return {
            marker: self.mat_from_board(np.array(square) * self.square_mm + gap + unit * self.marker_mm)
            for marker, square in self.marker_squares().items()
        }

    def ring_corner_ids(self) -> tuple[int, ...]:
        """OpenCV's ids of the chessboard corners in which four printed squares meet, ascending."""
        columns, rows = self.squares
        return tuple(
            row * (columns - 1) + column
            for row in range(rows - 1)
            for column in range(columns - 1)
            if column in (0, columns - 2) or row in (0, rows - 2)
        )

    def ring_corners_mm(self) -> Array:
        """The chessboard corners of the ring, (N, 2) mm, mat frame, in the order of `ring_corner_ids`."""
        rows, columns = np.divmod(np.array(self.ring_corner_ids()), self.squares[0] - 1)
        return self.mat_from_board((np.column_stack([columns, rows]) + 1) * self.square_mm)

    def ring_sides(self) -> Array:
        """Straight borders between black and white print, one square long each, with known paper or ink on both sides.

        (M, 7): x0, y0, x1, y1 mm, mat frame; unit normal x, y towards the black; kind (IN_RING or AT_WINDOW).
        The sides at the window are left out for the open window: a card may cover them.
        """
        found = [
            side
            for square in self.ring_squares()
            for step in ((1, 0), (0, 1), (-1, 0), (0, -1))
            if (side := self._side(square, step)) is not None
        ]
        return np.array(found)

    def _side(self, square: Square, step: Square) -> Array | None:
        """The side of a black or window-facing printed square towards its neighbour, or None if there is no border."""
        neighbour = (square[0] + step[0], square[1] + step[1])
        if not all(0 <= at < count for at, count in zip(neighbour, self.squares, strict=True)):
            return None
        black = is_black(square)
        if self.in_ring(neighbour):
            # Each border inside the ring is met twice; it is taken from its black side.
            return self._side_row(square, step, black, IN_RING) if black else None
        if self.window == "open" or black == (self.window == "black"):
            return None
        return self._side_row(square, step, black, AT_WINDOW)

    def _side_row(self, square: Square, step: Square, black: bool, kind: int) -> Array:
        """One row of `ring_sides`: the side of `square` in direction `step` (board frame)."""
        out = np.array(step)
        middle = np.array(square) + 0.5 + out / 2
        along = out[::-1] / 2
        ends = self.mat_from_board(np.stack([middle - along, middle + along]) * self.square_mm)
        normal_mat = np.array([step[0], -step[1]]) * (-1.0 if black else 1.0)
        return np.concatenate([ends.ravel(), normal_mat, [kind]])

    def describe(self) -> dict[str, Any]:
        """The layout as plain JSON data; lengths in mm."""
        return {
            "version": MAT_VERSION,
            "page": self.page,
            "page_mm": list(self.size_mm),
            "square_mm": self.square_mm,
            "marker_mm": self.marker_mm,
            "squares": list(self.squares),
            "dictionary": DICTIONARY_NAME,
            "ids": {"first": self.ids[0], "last": self.ids[-1]},
            "ring_ids": list(self.ring_ids),
            "bars_mm": {"along": self.bars_mm[0], "across": self.bars_mm[1]},
            "window": self.window,
            "window_mm": {"width": 2 * self.window_mm[0], "height": 2 * self.window_mm[1]},
        }


def is_black(square: Square) -> bool:
    """Colour of a square: OpenCV's board starts with a black one at the upper left."""
    return sum(square) % 2 == 0


def _pages() -> dict[str, MatLayout]:
    """All pages with black windows; the blocks of ids follow one another."""
    inch = 25.4  # mm
    sheets = (  # page, paper mm, square mm, squares, bars along and across mm
        ("a4", (210.0, 297.0), 10.0, (18, 25), (240.0, 170.0)),
        ("letter", (8.5 * inch, 11 * inch), 10.0, (18, 23), (220.0, 170.0)),
        ("a3", (297.0, 420.0), 15.0, (17, 25), (360.0, 240.0)),
        ("11x17", (11 * inch, 17 * inch), 15.0, (16, 25), (360.0, 230.0)),
    )
    pages: dict[str, MatLayout] = {}
    first_id = 0
    for page, size_mm, square_mm, squares, bars_mm in sheets:
        sheet = MatLayout(page, size_mm, square_mm, MARKER_SHARE * square_mm, squares, first_id, bars_mm, "black")
        pages[page] = sheet
        first_id = sheet.ids.stop
    return pages


PAGES: Mapping[str, MatLayout] = _pages()
"""Every page by its name, with a black window. Paper: ISO 216 (A4, A3), ANSI/ASME Y14.1 (A: letter, B: 11x17)."""


def layout(page: str, window: str = "black") -> MatLayout:
    """The mat for a page ("a4", "letter", "a3", "11x17") and a window ("black", "white", "open")."""
    sheet = PAGES.get(page.lower())
    if sheet is None:
        raise SetupError(f"There is no mat for the page {page!r}. Choose one of {', '.join(PAGES)}.")
    for known in get_args(Window):
        if window.lower() == known:
            return replace(sheet, window=known)
    raise SetupError(f"There is no mat with the window {window!r}. Choose one of {', '.join(get_args(Window))}.")


def page_of_ids(ids: Iterable[int]) -> str | None:
    """The page to which most of the marker ids belong; None if none does or two pages have equally many."""
    page_of = {marker: page for page, sheet in PAGES.items() for marker in sheet.ring_ids}
    ranked = Counter(page_of[marker] for marker in map(int, ids) if marker in page_of).most_common(2)
    if not ranked or (len(ranked) > 1 and ranked[0][1] == ranked[1][1]):
        return None
    return ranked[0][0]
