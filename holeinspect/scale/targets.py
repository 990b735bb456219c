"""Printed references in the photo: the mat, a ChArUco board, a chessboard, a single marker.

Each finder returns a Target: rough points for a first camera, and the straight black-and-white boundaries that carry the
accuracy. Reference frame: mm, the mat frame for the mat; for the others the origin lies at the target's middle,
x right, y up.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal, TypeAlias

import cv2
import numpy as np
import numpy.typing as npt

from holeinspect.errors import ScaleNotFound, SetupError
from holeinspect.measured import Array
from holeinspect.scale.cells import cell_sides, marker_cells
from holeinspect.scale.flatbed import Scan
from holeinspect.scale.mat import PAGES, MatLayout, page_of_ids
from holeinspect.scale.observed import Observed
from holeinspect.scale.references import PlainReference
from holeinspect.scale.sides import Sides

DETECT_LONG_SIDE_PX = 2100
"""Markers are looked for in a picture shrunk to about this; a 12 MP photo is halved."""
THRESHOLD_WINDOWS_PX = ((23, 23, 10), (7, 43, 12))
"""Adaptive-threshold windows (smallest, largest, step) of the quick pass and of the thorough one."""
MANY_MARKERS = 24
"""With this many markers the quick pass has seen enough."""
LEAST_MARKERS = 4
IN_RING = 0

DICTIONARIES = ("DICT_4X4_50", "DICT_4X4_250", "DICT_5X5_100", "DICT_5X5_1000", "DICT_6X6_250", "DICT_7X7_250",
                "DICT_ARUCO_ORIGINAL", "DICT_APRILTAG_16h5", "DICT_APRILTAG_25h9", "DICT_APRILTAG_36h11")  # fmt: skip
"""OpenCV's names of the marker families that a single marker or a ChArUco board may come from."""


@dataclass(frozen=True, slots=True)
class MatReference:
    """The printed scale mat; its page is told by the marker ids."""

    kind: Literal["mat"] = "mat"


@dataclass(frozen=True, slots=True)
class ChessboardReference:
    """A chessboard: inner corners (columns, rows) and the side of a square in mm."""

    corners: tuple[int, int]
    square_mm: float
    kind: Literal["chessboard"] = "chessboard"


@dataclass(frozen=True, slots=True)
class CharucoReference:
    """OpenCV's ChArUco board: squares (columns, rows), sides of square and marker in mm, dictionary by OpenCV's name."""

    squares: tuple[int, int]
    square_mm: float
    marker_mm: float
    dictionary: str = "DICT_5X5_100"
    kind: Literal["charuco"] = "charuco"


@dataclass(frozen=True, slots=True)
class MarkerReference:
    """One ArUco or AprilTag marker: the side of its black border in mm, dictionary by OpenCV's name, id (None: any)."""

    size_mm: float
    dictionary: str = "DICT_4X4_50"
    marker_id: int | None = None
    kind: Literal["marker"] = "marker"


PrintedReference: TypeAlias = MatReference | ChessboardReference | CharucoReference | MarkerReference
Reference: TypeAlias = PrintedReference | PlainReference


@dataclass(frozen=True, slots=True)
class PlainTarget:
    """What a reference that is no printed target tells and leaves open.

    relative_u: standard uncertainties of its sizes along x and y, over them; linked: both are one error. height_u_mm: of
    the height at which it is seen. tells, leaves: in words. under: the parts lie on it.
    """

    seen: Observed | Scan
    relative_u: tuple[float, float]
    linked: bool
    height_u_mm: float
    tells: tuple[str, ...]
    leaves: tuple[str, ...]
    under: bool = False

    @property
    def seen_tilt(self) -> bool:
        """Whether the tilt is known: told by the reference, or none, as in a scan."""
        return isinstance(self.seen, Scan) or self.seen.tells_tilt


@dataclass(frozen=True, slots=True)
class Target:
    """A reference as found: rough points (N, 2) in mm and px, all its boundaries, and what it can correct.

    layout: the mat's page, None for other references. outline_mm: (K, 2) border of the whole target, none of two points.
    plain: of a reference that is no printed target; it has no boundaries of its own.
    """

    name: str
    points_mm: Array
    points_px: Array
    sides: Sides
    outline_mm: Array
    distortion: bool
    layout: MatLayout | None = None
    plain: PlainTarget | None = None

    @property
    def called(self) -> str:
        """What messages call it."""
        return "mat" if self.layout else self.name


def find_target(luma: Array, reference: PrintedReference, name: str) -> Target:
    """Look for the reference in code values (H, W); `name` of the photo goes into the messages.

    Raises ScaleNotFound with what was seen and what to do.
    """
    match reference:
        case MatReference():
            return _find_mat(luma, name)
        case ChessboardReference():
            return _find_chessboard(luma, reference, name)
        case CharucoReference():
            return _find_charuco(luma, reference, name)
        case MarkerReference():
            return _find_marker(luma, reference, name)


def dictionary_of(name: str) -> Any:
    """OpenCV's dictionary. Raises SetupError for a name that is not among DICTIONARIES."""
    if name not in DICTIONARIES:
        raise SetupError(f"There is no marker dictionary {name!r}. Known: {', '.join(DICTIONARIES)}.")
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


def detect_markers(luma: Array, dictionary: Any, enough: int = MANY_MARKERS) -> dict[int, Array]:
    """Marker ids and their corners (4, 2) px. An id seen twice is left out."""
    shrink = max(1, round(max(luma.shape) / DETECT_LONG_SIDE_PX))
    small = _grey(cv2.resize(luma, (luma.shape[1] // shrink, luma.shape[0] // shrink), interpolation=cv2.INTER_AREA))
    found: dict[int, Array] = {}
    for factor, windows in ((shrink, THRESHOLD_WINDOWS_PX[0]), (shrink, THRESHOLD_WINDOWS_PX[1]),
                            (1, THRESHOLD_WINDOWS_PX[1])):  # fmt: skip
        found = _detect(small if factor == shrink else _grey(luma), dictionary, windows)
        found = {marker: corners * factor + (factor - 1) / 2 for marker, corners in found.items()}
        if len(found) >= enough:
            break
    return found


def _grey(luma: Array) -> npt.NDArray[np.uint8]:
    """8-bit picture for OpenCV's detectors."""
    return cv2.convertScaleAbs(luma, alpha=255).astype(np.uint8, copy=False)


def _detect(grey: npt.NDArray[np.uint8], dictionary: Any, windows: tuple[int, int, int]) -> dict[int, Array]:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax, parameters.adaptiveThreshWinSizeStep = windows
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_CONTOUR
    parameters.minMarkerPerimeterRate = 0.02
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    if ids is None:
        return {}
    unique, counts = np.unique(ids, return_counts=True)
    once = set(unique[counts == 1].tolist())
    return {int(marker): np.asarray(c, float).reshape(4, 2)
            for marker, c in zip(ids.ravel(), corners, strict=True) if int(marker) in once}  # fmt: skip


@lru_cache(maxsize=1)
def _mat_dictionary() -> tuple[Any, list[int]]:
    """A dictionary of the mats' own markers, and the id of each: comparing every square with all 1000 takes longest."""
    full = dictionary_of("DICT_5X5_1000")
    ids = sorted({marker for sheet in PAGES.values() for marker in sheet.marker_corners_mm()})
    return cv2.aruco.Dictionary(full.bytesList[ids], full.markerSize, full.maxCorrectionBits), ids


def _find_mat(luma: Array, name: str) -> Target:
    dictionary, known_ids = _mat_dictionary()
    found = {known_ids[row]: corners for row, corners in detect_markers(luma, dictionary).items()}
    page = page_of_ids(found)
    if page is None or len(found) < LEAST_MARKERS:
        raise ScaleNotFound(
            f"The scale mat was not found in {name} ({len(found)} of its markers seen, {LEAST_MARKERS} needed). "
            "Take the photo with the whole mat in the picture and in focus, or name another reference."
        )
    mat = PAGES[page]
    known = mat.marker_corners_mm()
    ids = [marker for marker in found if marker in known]
    rows = mat.ring_sides()
    rows = rows[rows[:, 6] == IN_RING]
    margin = np.full(len(rows), (mat.square_mm - mat.marker_mm) / 2)
    sides = Sides(rows[:, 0:2], rows[:, 2:4], rows[:, 4:6], margin)
    half = np.array(mat.board_mm) / 2
    outline = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    return Target(f"mat {page}", np.vstack([known[i] for i in ids]), np.vstack([found[i] for i in ids]), sides, outline,
                  distortion=True, layout=mat)  # fmt: skip


def grid_sides(columns: int, rows: int, square_mm: float, margin_mm: float, upper_left_black: bool) -> Sides:
    """Boundaries between the inner corners of a chessboard with columns x rows inner corners.

    Origin at the middle of the corner grid, x right, y up. upper_left_black: colour of the board's upper left square.
    """
    x = (np.arange(columns) - (columns - 1) / 2) * square_mm
    y = ((rows - 1) / 2 - np.arange(rows)) * square_mm
    start, end, normal = [], [], []
    for j in range(rows):
        for i in range(columns):
            # Square (i, j) touches corner (i, j) from the upper left; it is black when i + j is even (or odd).
            lower_right_black = ((i + j) % 2 == 0) == upper_left_black
            if i + 1 < columns:
                start.append((x[i], y[j]))
                end.append((x[i + 1], y[j]))
                normal.append((0.0, -1.0 if lower_right_black else 1.0))
            if j + 1 < rows:
                start.append((x[i], y[j]))
                end.append((x[i], y[j + 1]))
                normal.append((1.0 if lower_right_black else -1.0, 0.0))
    return Sides(np.array(start), np.array(end), np.array(normal), np.full(len(start), margin_mm))


def _find_chessboard(luma: Array, board: ChessboardReference, name: str) -> Target:
    columns, rows = board.corners
    grey = _grey(luma)
    flags = cv2.CALIB_CB_ACCURACY | cv2.CALIB_CB_NORMALIZE_IMAGE
    found, corners = cv2.findChessboardCornersSB(grey, (columns, rows), flags=flags | cv2.CALIB_CB_EXHAUSTIVE)
    if not found:
        found, corners = cv2.findChessboardCorners(
            grey, (columns, rows), flags=cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
        )
    if not found:
        raise ScaleNotFound(
            f"No chessboard with {columns} x {rows} inner corners was found in {name}. Count the inner corners "
            "(one less than the squares each way) and take care that the whole board is in the picture."
        )
    points_px = np.asarray(corners, float).reshape(-1, 2)
    points_px = _right_handed(points_px.reshape(rows, columns, 2)).reshape(-1, 2)
    sides = grid_sides(columns, rows, board.square_mm, board.square_mm, _upper_left_black(luma, points_px, columns))
    x = (np.arange(columns) - (columns - 1) / 2) * board.square_mm
    y = ((rows - 1) / 2 - np.arange(rows)) * board.square_mm
    grid = np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)
    half = np.array([x[-1], y[0]]) + board.square_mm
    return Target(f"chessboard {columns} x {rows}", grid, points_px, sides, half * UNIT_CORNERS, distortion=True)


UNIT_CORNERS = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])


def _right_handed(grid_px: Array) -> Array:
    """The corner grid (rows, columns, 2) such that x right and y up see the board from its front."""
    across = grid_px[0, -1] - grid_px[0, 0]
    down = grid_px[-1, 0] - grid_px[0, 0]
    seen_from_front = across[0] * down[1] - across[1] * down[0] > 0
    return grid_px if seen_from_front else grid_px[:, ::-1]


def _upper_left_black(luma: Array, points_px: Array, columns: int) -> bool:
    """Colour of the square up and left of the first corner, from the square down and right of it (of the same colour)."""
    square = points_px[[0, 1, columns, columns + 1]].mean(axis=0)
    beside = points_px[[1, 2, columns + 1, columns + 2]].mean(axis=0)
    dark, light = (luma[round(y), round(x)] for x, y in (square, beside))
    return bool(dark < light)


def _find_charuco(luma: Array, board: CharucoReference, name: str) -> Target:
    columns, rows = board.squares
    dictionary = dictionary_of(board.dictionary)
    found = detect_markers(luma, dictionary, enough=columns * rows // 4)
    printed = cv2.aruco.CharucoBoard(board.squares, board.square_mm, board.marker_mm, dictionary)
    half = np.array([columns, rows]) * board.square_mm / 2
    corners = np.array(printed.getObjPoints())[:, :, :2]
    known = {int(i): c * [1, -1] + half * [-1, 1] for i, c in zip(printed.getIds(), corners, strict=True)}
    ids = [marker for marker in found if marker in known]
    if len(ids) < LEAST_MARKERS:
        raise ScaleNotFound(
            f"Only {len(ids)} markers of the {columns} x {rows} board were found in {name}, {LEAST_MARKERS} are needed. "
            "Check the board's dictionary and size, and take the photo with the whole board in the picture."
        )
    # OpenCV's board begins with a black square at the upper left.
    sides = grid_sides(columns - 1, rows - 1, board.square_mm, (board.square_mm - board.marker_mm) / 2, True)
    return Target(f"ChArUco board {columns} x {rows}", np.vstack([known[i] for i in ids]),
                  np.vstack([found[i] for i in ids]), sides, half * UNIT_CORNERS, distortion=True)  # fmt: skip


def _find_marker(luma: Array, marker: MarkerReference, name: str) -> Target:
    dictionary = dictionary_of(marker.dictionary)
    found = detect_markers(luma, dictionary, enough=1)
    wanted = [i for i in found if marker.marker_id in (None, i)]
    if len(wanted) != 1:
        seen = f"{len(found)} markers ({', '.join(map(str, sorted(found)[:6]))})" if found else "no marker"
        raise ScaleNotFound(
            f"One marker of {marker.dictionary} is needed as the scale, and {name} shows {seen}. "
            "Say which id it is, or check the dictionary's name."
        )
    half = marker.size_mm / 2
    square = half * np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])
    sides = cell_sides(marker_cells(dictionary, wanted[0]), marker.size_mm)
    return Target(f"marker {wanted[0]}", square, found[wanted[0]], sides, square, distortion=False)
