"""The printed mat: layout against OpenCV's own board, drawings against the layout and against each other."""

from __future__ import annotations

import itertools
from pathlib import Path

import cv2
import numpy as np
import pypdfium2  # type: ignore[import-untyped]  # ships no annotations
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from holeinspect.errors import SetupError
from holeinspect.measured import Array
from holeinspect.scale.mat import AT_WINDOW, IN_RING, PAGES, MatLayout, is_black, layout, page_of_ids
from holeinspect.scale.sheet import captions, ink_rectangles, raster, write_pdf, write_png

PAGE_NAMES = sorted(PAGES)
EXACT_DPI = 508.0
"""20 px/mm: paper and squares of every page are whole pixels."""
PRINT_DPI = 600.0


def px(mat: MatLayout, points_mm: Array, dpi: float) -> Array:
    """Mat frame (N, 2) mm to the raster's (N, 2) px, written out anew: centre on centre, 25.4 mm an inch."""
    width, height = (round(side * dpi / 25.4) for side in mat.size_mm)
    scale = dpi / 25.4
    return np.column_stack([(width - 1) / 2 + points_mm[:, 0] * scale, (height - 1) / 2 - points_mm[:, 1] * scale])


def ring_slice(mat: MatLayout, dpi: float) -> tuple[slice, slice]:
    """Rows and columns of the raster that hold the ring and 2 px more, but no caption or bar."""
    half = np.array(mat.board_mm) / 2
    corners = px(mat, np.array([[-half[0], half[1]], [half[0], -half[1]]]), dpi)
    (left, top), (right, bottom) = np.rint(corners).astype(int)
    return np.s_[top - 2 : bottom + 3, left - 2 : right + 3]


@pytest.fixture(scope="module")
def a4() -> MatLayout:
    return layout("a4", "black")


@pytest.fixture(scope="module")
def a4_at_600(a4: MatLayout) -> np.ndarray:
    return raster(a4, PRINT_DPI)


@pytest.mark.parametrize("page", PAGE_NAMES)
def test_marker_corners_are_those_of_opencvs_board(page: str) -> None:
    mat = layout(page)
    board = mat.board()
    of_board = dict(zip(board.getIds().ravel().tolist(), board.getObjPoints(), strict=True))
    assert list(of_board) == list(mat.ids)
    for marker, corners in mat.marker_corners_mm().items():
        # OpenCV keeps single floats: 4e-5 mm at 400 mm.
        np.testing.assert_allclose(corners, mat.mat_from_board(of_board[marker]), rtol=0, atol=5e-5)


@pytest.mark.parametrize("page", PAGE_NAMES)
def test_ring_corners_are_those_of_opencvs_board(page: str) -> None:
    mat = layout(page)
    of_board = mat.board().getChessboardCorners()[list(mat.ring_corner_ids())]
    np.testing.assert_allclose(mat.ring_corners_mm(), mat.mat_from_board(of_board), rtol=0, atol=5e-5)
    columns, rows = mat.squares
    assert len(of_board) == 2 * (columns - 1 + rows - 1) - 4


@pytest.mark.parametrize("page", PAGE_NAMES)
def test_ring_is_the_ring_of_opencvs_picture_of_the_board(page: str) -> None:
    mat = layout(page, "white")
    cell_px = 70  # a square of 70 px has marker cells of 6.5 px; only squares' colours are compared there
    columns, rows = mat.squares
    drawn = mat.board().generateImage((columns * cell_px, rows * cell_px))
    ours = raster(mat, EXACT_DPI)
    for column, row in mat.ring_squares():
        middle = (np.array([[column, row]]) + 0.04) * mat.square_mm  # beside the marker
        x, y = np.rint(px(mat, mat.mat_from_board(middle), EXACT_DPI)[0]).astype(int)
        assert ours[y, x] == drawn[int((row + 0.04) * cell_px), int((column + 0.04) * cell_px)]


def test_blocks_of_ids_are_disjoint_and_in_the_dictionary() -> None:
    ids = list(itertools.chain.from_iterable(mat.ids for mat in PAGES.values()))
    assert len(set(ids)) == len(ids)
    assert min(ids) >= 0
    assert max(ids) < len(layout("a4").dictionary.bytesList)


@given(st.sampled_from(PAGE_NAMES), st.data())
def test_page_is_known_from_any_few_ids_despite_a_stray_one(page: str, data: st.DataObject) -> None:
    seen = data.draw(st.sets(st.sampled_from(layout(page).ring_ids), min_size=2))
    stray = data.draw(st.integers(0, 999))
    assert page_of_ids([*seen, stray]) == page


def test_page_is_unknown_without_ids_of_ours_or_with_a_tie() -> None:
    unprinted = [marker for marker in layout("a4").ids if marker not in layout("a4").ring_ids]
    assert page_of_ids([]) is None
    assert page_of_ids([*unprinted, 999]) is None
    assert page_of_ids([layout("a4").ring_ids[0], layout("a3").ring_ids[0]]) is None


@pytest.mark.parametrize("page", PAGE_NAMES)
def test_print_keeps_clear_of_the_papers_edge_and_bars_of_the_ring(page: str) -> None:
    mat = layout(page, "white")
    ink = ink_rectangles(mat)
    edge_mm, clear_mm = 6.0, 3.0  # common practice, no source: printers need 3 to 6 mm of margin
    half_page = np.array(mat.size_mm) / 2
    half_ring = np.array(mat.board_mm) / 2
    assert (np.abs(ink[:, :2]) <= half_page - edge_mm).all()
    assert (np.abs(ink[:, 2:]) <= half_page - edge_mm).all()
    outside = ink[(ink[:, 0] < -half_ring[0]) | (ink[:, 1] < -half_ring[1])]
    assert ((outside[:, 2] <= -half_ring[0] - clear_mm) | (outside[:, 3] <= -half_ring[1] - clear_mm)).all()


@pytest.mark.parametrize("window", ["black", "white", "open"])
@pytest.mark.parametrize("page", PAGE_NAMES)
def test_rectangles_of_ink_never_overlap(page: str, window: str) -> None:
    left, bottom, right, top = ink_rectangles(layout(page, window)).T
    wide = np.minimum(right[:, None], right) - np.maximum(left[:, None], left)
    high = np.minimum(top[:, None], top) - np.maximum(bottom[:, None], bottom)
    overlap = np.minimum(wide, high)
    np.fill_diagonal(overlap, 0)
    assert overlap.max() < 1e-9  # mm, rounding of sums of lengths


@pytest.mark.parametrize("page", PAGE_NAMES)
def test_bars_are_as_long_as_stated_between_the_centres_of_their_crosses(page: str) -> None:
    mat = layout(page, "white")
    ink = ink_rectangles(mat)
    half_ring = np.array(mat.board_mm) / 2
    upright = ink[(ink[:, 2] < -half_ring[0])]
    lying = ink[(ink[:, 3] < -half_ring[1]) & (ink[:, 0] > -half_ring[0])]
    for bar, axis, length in ((upright, 1, mat.bars_mm[0]), (lying, 0, mat.bars_mm[1])):
        middles = (bar[:, axis] + bar[:, axis + 2]) / 2
        assert sorted(np.round(middles, 9)) == [-length / 2] * 2 + [0.0] + [length / 2] * 2


@pytest.mark.parametrize("window", ["black", "white", "open"])
@pytest.mark.parametrize("page", PAGE_NAMES)
def test_every_printed_side_has_black_where_its_normal_points_and_white_behind(page: str, window: str) -> None:
    mat = layout(page, window)
    sheet = raster(mat, EXACT_DPI)
    start, end, normal, kind = np.split(mat.ring_sides(), [2, 4, 6], axis=1)
    off_mm = 1.0  # inside the quiet zone of 1.75 mm
    for share in (0.1, 0.5, 0.9):
        on_side = start + share * (end - start)
        for step, grey in ((off_mm, 0), (-off_mm, 255)):
            x, y = np.rint(px(mat, on_side + step * normal, EXACT_DPI)).astype(int).T
            assert (sheet[y, x] == grey).all()
    np.testing.assert_allclose(np.hypot(*(end - start).T), mat.square_mm, rtol=0, atol=1e-9)
    assert set(kind.ravel()) == ({IN_RING} if window == "open" else {IN_RING, AT_WINDOW})


@pytest.mark.parametrize("window", ["black", "white"])
def test_sides_are_all_there_and_none_twice(window: str) -> None:
    mat = layout("a4", window)
    sides = mat.ring_sides()
    middles = {tuple(np.round((row[:2] + row[2:4]) / 2, 6)) for row in sides}
    assert len(middles) == len(sides)
    columns, rows = mat.squares
    lying = sum(mat.in_ring((c, r)) and mat.in_ring((c, r + 1)) for c in range(columns) for r in range(rows - 1))
    upright = sum(mat.in_ring((c, r)) and mat.in_ring((c + 1, r)) for c in range(columns - 1) for r in range(rows))
    assert (sides[:, 6] == IN_RING).sum() == lying + upright
    facing = [(c, r) for c in range(2, columns - 2) for r in (1, rows - 2)]
    facing += [(c, r) for c in (1, columns - 2) for r in range(2, rows - 2)]
    assert (sides[:, 6] == AT_WINDOW).sum() == sum(is_black(square) != (window == "black") for square in facing)


def test_opencv_finds_every_marker_and_corner_of_the_600_dpi_sheet_in_place(
    a4: MatLayout, a4_at_600: np.ndarray
) -> None:
    corners, ids, _, marker_ids = cv2.aruco.CharucoDetector(a4.board()).detectBoard(a4_at_600)
    assert set(marker_ids.ravel().tolist()) == set(a4.ring_ids)
    found = dict(zip(ids.ravel().tolist(), corners.reshape(-1, 2), strict=True))
    error_px = np.array([found[i] for i in a4.ring_corner_ids()]) - px(a4, a4.ring_corners_mm(), PRINT_DPI)
    # The detector rounds single corners of so sharp a picture by up to 0.09 px; a shift would show in the mean.
    assert np.abs(error_px).max() < 0.1
    assert np.abs(error_px.mean(axis=0)).max() < 0.002


def test_opencv_finds_the_corners_of_a_blurred_sheet_where_the_layout_says(
    a4: MatLayout, a4_at_600: np.ndarray
) -> None:
    blurred = cv2.GaussianBlur(a4_at_600, (0, 0), 2.0)
    expected = px(a4, a4.ring_corners_mm(), PRINT_DPI)
    guess = np.rint(expected).astype(np.float32).reshape(-1, 1, 2)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 100, 1e-4)
    found = cv2.cornerSubPix(blurred, guess, (12, 12), (-1, -1), stop).reshape(-1, 2)
    assert np.abs(found - expected).max() < 0.02  # px; 0.8 µm on paper


@pytest.mark.parametrize("page", PAGE_NAMES)
def test_markers_are_found_at_half_size_in_a_tilted_view_of_9_px_per_mm(page: str) -> None:
    mat = layout(page, "black")
    view_px_mm, tilt = 9.0, 0.12
    sheet = raster(mat, 254.0)
    height, width = sheet.shape
    out_w, out_h = (round(side * view_px_mm) for side in mat.size_mm)
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float32)
    inset = tilt * out_w / 2
    seen = np.array([[inset, 0], [out_w - inset, 0], [out_w, out_h], [0, out_h]], dtype=np.float32)
    warp = cv2.getPerspectiveTransform(corners, seen)
    view = cv2.warpPerspective(sheet, warp, (out_w, out_h), flags=cv2.INTER_AREA, borderValue=(120,))
    half = cv2.resize(view, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    _, ids, _ = cv2.aruco.ArucoDetector(mat.dictionary).detectMarkers(half)
    assert set(ids.ravel().tolist()) == set(mat.ring_ids)
    assert page_of_ids(ids.ravel()) == page


@pytest.mark.parametrize("dpi", [137.0, 211.0, 600.0])
def test_inked_shares_of_the_pixels_put_every_side_where_the_layout_has_it(dpi: float) -> None:
    mat = layout("a4", "black")
    sheet = raster(mat, dpi)
    sides = mat.ring_sides()
    middles = px(mat, (sides[:, :2] + sides[:, 2:4]) / 2, dpi)
    reach = int(1.2 * dpi / 25.4)  # px; 1.2 mm each way, inside the quiet zone of 1.75 mm
    for middle, normal in zip(middles, sides[:, 4:6] * (1, -1), strict=True):
        x, y = (np.rint(middle) + np.arange(-reach, reach + 1)[:, None] * normal).astype(int).T
        inked_px = (255.0 - sheet[y, x]).sum() / 255
        side_px = reach + 0.5 - inked_px  # from the middle pixel towards the black
        # One pixel is neither black nor white; its grey level rounds by 0.5/255.
        assert side_px == pytest.approx((middle - np.rint(middle)) @ normal, rel=0, abs=0.5 / 255 + 1e-6)


def test_pdf_and_png_are_the_same_sheet(tmp_path: Path) -> None:
    mat, dpi = layout("letter", "black"), 288.0  # 8.5 x 11 in: whole pixels, four to a point
    write_pdf(mat, tmp_path / "mat.pdf")
    page = pypdfium2.PdfDocument(tmp_path / "mat.pdf")[0]
    from_pdf = np.asarray(page.render(scale=dpi / 72, grayscale=True).to_pil()).astype(int)
    ours = raster(mat, dpi).astype(int)
    assert from_pdf.shape == ours.shape
    ring = ring_slice(mat, dpi)
    # pdfium keeps positions in 1/256 px: a pixel's share is off by 2/256 on each of two sides at most.
    assert np.abs(from_pdf[ring] - ours[ring]).max() <= 4
    assert abs((from_pdf[ring] - ours[ring]).mean()) < 0.1


@pytest.mark.parametrize("page", PAGE_NAMES)
def test_pdf_page_has_the_papers_true_size(page: str, tmp_path: Path) -> None:
    mat = layout(page)
    write_pdf(mat, tmp_path / "mat.pdf")
    size_pt = pypdfium2.PdfDocument(tmp_path / "mat.pdf")[0].get_size()
    # pdfium gives single floats: 1e-4 pt at 1200 pt.
    np.testing.assert_allclose(np.array(size_pt) * 25.4 / 72, mat.size_mm, rtol=0, atol=1e-4)


@pytest.mark.parametrize("window", ["black", "white", "open"])
def test_pdf_says_what_the_sheet_is_and_how_to_print_it(window: str, tmp_path: Path) -> None:
    mat = layout("a3", window)
    write_pdf(mat, tmp_path / "mat.pdf")
    text = pypdfium2.PdfDocument(tmp_path / "mat.pdf")[0].get_textpage().get_text_range()
    for needed in ("page a3", f"{window} window", "version 1", "Print at 100 % (no fit to page)", "360 mm", "240 mm"):
        assert needed in text
    assert ("lay a plain card here" in text) == (window == "open")


def test_captions_keep_clear_of_ring_bars_and_paper_edge(tmp_path: Path) -> None:
    mat = layout("a4", "open")
    with_text = raster(mat, 254.0)
    rows, columns = np.nonzero(with_text < 128)
    edge_px = 60  # 6 mm at 10 px/mm
    assert min(rows.min(), columns.min()) >= edge_px
    assert rows.max() < with_text.shape[0] - edge_px
    assert columns.max() < with_text.shape[1] - edge_px
    assert len(captions(mat)) == 5


def test_png_is_grey_and_states_its_resolution(tmp_path: Path) -> None:
    write_png(layout("letter", "white"), tmp_path / "mat.png", 300.0)
    with Image.open(tmp_path / "mat.png") as picture:
        assert picture.mode == "L"
        assert picture.size == (2550, 3300)
        # PNG stores whole pixels per metre: 0.5 of 11811.
        assert picture.info["dpi"] == pytest.approx((300.0, 300.0), rel=0, abs=0.02)


def test_description_holds_all_that_is_needed_to_rebuild_the_board() -> None:
    told = layout("11x17", "black").describe()
    assert told["bars_mm"] == {"along": 360.0, "across": 230.0}
    assert told["window_mm"] == {"width": 180.0, "height": 315.0}
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, told["dictionary"]))
    ids = np.arange(told["ids"]["first"], told["ids"]["last"] + 1, dtype=np.int32)
    rebuilt = cv2.aruco.CharucoBoard(told["squares"], told["square_mm"], told["marker_mm"], dictionary, ids)
    np.testing.assert_array_equal(rebuilt.getObjPoints(), layout("11x17").board().getObjPoints())


@pytest.mark.parametrize(
    ("page", "window", "message"),
    [("a5", "black", "page 'a5'.*a4, letter, a3, 11x17"), ("a4", "green", "window 'green'.*black, white, open")],
)
def test_unknown_page_or_window_is_refused_with_the_choices(page: str, window: str, message: str) -> None:
    with pytest.raises(SetupError, match=message):
        layout(page, window)


def test_page_names_are_read_in_capitals_too() -> None:
    assert layout("A4", "White") == layout("a4", "white")
