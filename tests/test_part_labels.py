"""Part labels: what is printed is read again, also lying in a photo of the mat."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from random import Random
from typing import NoReturn

import cv2
import numpy as np
import numpy.typing as npt
import pypdfium2
import pytest
from PIL import Image

from holeinspect import Setup, inspect
from holeinspect.errors import NoSuchRecord, PartNotFound, SetupError
from holeinspect.photo import open_photo
from holeinspect.records.jobs import Job
from holeinspect.records.label_codes import ALPHABET, CODE_LETTERS, code_of, label_text, new_code
from holeinspect.records.labels import SeenLabel, check_apart, read_labels, without_labels
from holeinspect.records.measuring import measure
from holeinspect.report.part_labels import CODE_MM, LABEL_MM, PAGES, PartLabel, label_sheet
from tests.example_inspection import example

CODE = "3FMBFTFRX8"
PX_PER_MM = 10.0
MM_PER_POINT = 25.4 / 72
PHOTO = Path(__file__).parents[1] / "sample_images" / "hm101_gusset_a4_black.jpg"
IN_WINDOW, OVER_RING = (1300, 1000), (520, 500)
TILTED = 0.97
"""By 14 degrees."""
PAPER, INK = 0.78, 0.12
"""Code values of paper and toner in the bundled photos, about."""


def labels(count: int) -> list[PartLabel]:
    chance = Random(7)
    codes = ["".join(chance.choices(ALPHABET, k=CODE_LETTERS)) for _ in range(count)]
    return [PartLabel(f"HM-{number}", "Gusset", 1, 2, label_text(code)) for number, code in enumerate(codes)]


def pages(pdf: bytes, px_per_mm: float = PX_PER_MM) -> list[npt.NDArray[np.float32]]:
    document = pypdfium2.PdfDocument(pdf)
    drawn = [page.render(scale=px_per_mm * MM_PER_POINT, grayscale=True).to_numpy() for page in document]
    return [np.asarray(page, dtype=np.float32).reshape(page.shape[:2]) / 255 for page in drawn]


@cache
def one_label() -> npt.NDArray[np.float32]:
    """The label of CODE, cut out, at twice PX_PER_MM."""
    width_pt, _ = PAGES["a4"]
    sheet = pages(label_sheet([PartLabel("HM-101", "Gusset", 1, 2, label_text(CODE))], "a4"), 2 * PX_PER_MM)[0]
    left = (width_pt * MM_PER_POINT - 3 * LABEL_MM[0]) / 2
    x, y = round(2 * PX_PER_MM * left), round(2 * PX_PER_MM * 10)
    return sheet[y : y + round(2 * PX_PER_MM * LABEL_MM[1]), x : x + round(2 * PX_PER_MM * LABEL_MM[0])]


@cache
def mat_photo() -> npt.NDArray[np.float32]:
    """A quarter of a bundled photo: window, ring, part."""
    luma = open_photo(PHOTO).luma
    return luma[: luma.shape[0] // 2, : luma.shape[1] // 2]


def with_label(
    turn_deg: float, at_px: tuple[int, int], px_per_mm: float, onto_luma: npt.NDArray[np.float32] | None = None
) -> npt.NDArray[np.float32]:
    """The photo with the label on it, turned, slightly tilted, printed in grey on grey, and blurred."""
    luma, blur_px = mat_photo() if onto_luma is None else onto_luma, 1.2
    label = INK + (PAPER - INK) * one_label()
    height, width = label.shape
    scale = px_per_mm / (2 * PX_PER_MM)
    turn = np.deg2rad(turn_deg)
    turned = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) * scale
    centre = np.array([width / 2, height / 2])
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=float)
    seen = (corners - centre) @ turned.T * (1.0, TILTED) + at_px
    onto = cv2.getPerspectiveTransform(corners.astype(np.float32), seen.astype(np.float32))
    size = luma.shape[::-1]
    laid = cv2.warpPerspective(cv2.GaussianBlur(label, (0, 0), 0.4 / scale), onto, size, flags=cv2.INTER_LINEAR)
    covered = cv2.warpPerspective(np.ones_like(label), onto, size, flags=cv2.INTER_LINEAR)
    laid, covered = cv2.GaussianBlur(laid, (0, 0), blur_px), cv2.GaussianBlur(covered, (0, 0), blur_px)
    noise = np.random.default_rng(1).normal(0, 0.01, luma.shape)
    return np.float32(np.clip(luma * (1 - covered) + laid + noise * (covered > 0), 0, 1))


@pytest.mark.parametrize(
    ("turn_deg", "at_px"),
    [(0.0, IN_WINDOW), (30.0, OVER_RING), (90.0, IN_WINDOW), (145.0, IN_WINDOW), (200.0, OVER_RING), (290.0, IN_WINDOW)],
)
def test_a_label_beside_the_part_is_read(turn_deg: float, at_px: tuple[int, int]) -> None:
    assert codes_in(with_label(turn_deg, at_px, px_per_mm=10.0)) == [CODE]


@pytest.mark.parametrize("px_per_mm", [8.0, 14.0])
def test_a_label_is_read_from_far_and_near(px_per_mm: float) -> None:
    assert codes_in(with_label(20.0, IN_WINDOW, px_per_mm)) == [CODE]


def codes_in(luma: npt.NDArray[np.float32]) -> list[str]:
    return [label.code for label in read_labels(luma)]


def test_the_mat_and_its_markers_are_no_label() -> None:
    assert read_labels(mat_photo()) == ()


def test_a_label_in_the_window_is_no_part() -> None:
    whole = open_photo(PHOTO)
    luma = with_label(200.0, (2800, 1900), 10.0, whole.luma)
    quarter = cv2.resize(luma, whole.colour_half.shape[1::-1], interpolation=cv2.INTER_AREA)
    photo = replace(whole, luma=luma, colour_half=np.repeat((quarter * 255).astype(np.uint8)[..., None], 3, axis=2))
    labels = read_labels(photo.luma)
    found = inspect(without_labels(photo, labels), Setup(thickness="3.2mm"))
    check_apart(labels, found)
    assert [(part.name, len(part.holes)) for part in found.parts] == [("P1", 8)]  # as the truth file has it


def test_a_label_on_a_part_is_refused() -> None:
    over_hole = SeenLabel(CODE, np.array([[380, 430], [420, 430], [420, 470], [380, 470]], dtype=float))
    with pytest.raises(PartNotFound, match="touches P1"):
        check_apart([over_hole], example())
    beside = SeenLabel(CODE, over_hole.corners_px + np.array([0, 300]))
    check_apart([beside], example())


def test_a_label_on_uneven_ground_is_not_painted_over() -> None:
    photo = replace(open_photo(PHOTO), luma=with_label(30.0, OVER_RING, 10.0))
    labels = read_labels(photo.luma)
    assert len(labels) == 1
    assert np.array_equal(without_labels(photo, labels).luma, photo.luma)


def test_the_worker_asks_for_the_piece_of_the_label_that_it_read(tmp_path: Path) -> None:
    photo = tmp_path / "photo.png"
    asked: list[tuple[str, ...]] = []
    Image.fromarray((with_label(30.0, IN_WINDOW, 10.0) * 255).astype(np.uint8)).save(photo)

    def ask(codes: tuple[str, ...]) -> NoReturn:
        asked.append(codes)
        raise NoSuchRecord("enough")

    with pytest.raises(NoSuchRecord, match="enough"):
        measure(Job(1, photo, "photo.png", tmp_path / "view.jpg"), ask, lambda step: None)
    assert asked == [(CODE,)]
    assert (tmp_path / "view.jpg").is_file()


def cells(sheet: npt.NDArray[np.float32], px_per_mm: float) -> Iterator[npt.NDArray[np.float32]]:
    """The places of labels on a sheet, row by row."""
    height_mm, width_mm = np.array(sheet.shape) / px_per_mm
    columns, rows = int((width_mm - 20) / LABEL_MM[0]), int((height_mm - 20) / LABEL_MM[1])
    for row, column in np.ndindex(rows, columns):
        x, y = (width_mm - columns * LABEL_MM[0]) / 2 + column * LABEL_MM[0], 10 + row * LABEL_MM[1]
        (x0, y0), (x1, y1) = np.multiply((x, y), px_per_mm), np.multiply((x + LABEL_MM[0], y + LABEL_MM[1]), px_per_mm)
        yield sheet[round(y0) : round(y1), round(x0) : round(x1)]


def text_in(cell: npt.NDArray[np.uint8]) -> str:
    """What one of OpenCV's two readers reads; each alone misses a code in fifty or so."""
    return str(cv2.QRCodeDetector().detectAndDecode(cell)[0] or cv2.QRCodeDetectorAruco().detectAndDecode(cell)[0])


@pytest.mark.parametrize(("page", "on_one"), [("a4", 33), ("letter", 30)])
def test_every_label_of_a_sheet_is_read_by_another_reader(page: str, on_one: int) -> None:
    printed = labels(on_one + 1)
    sheets = pages(label_sheet(printed, page), px_per_mm=8.0)
    read = [text_in((cell * 255).astype(np.uint8)) for sheet in sheets for cell in cells(sheet, 8.0)]
    assert len(sheets) == 2
    assert [text for text in read if text] == [label.text for label in printed]


def test_a_label_is_printed_in_true_size() -> None:
    label = one_label() < 0.5
    code = label[:, label.shape[1] // 2 :]
    columns, rows = np.flatnonzero(code.any(axis=0)), np.flatnonzero(code.any(axis=1))
    inner = columns[columns < code.shape[1] - 3 * 2 * PX_PER_MM]  # without the line round the label
    assert inner[-1] - inner[0] + 1 == pytest.approx(CODE_MM * 2 * PX_PER_MM, abs=2)
    assert len(rows) > 0


def test_a_code_holds_only_what_the_smallest_qr_code_can() -> None:
    import segno

    codes = {new_code() for _ in range(500)}
    assert len(codes) == 500
    assert all(len(code) == CODE_LETTERS and set(code) <= set(ALPHABET) for code in codes)
    assert segno.make(label_text(CODE), error="Q", boost_error=False, micro=False).designator == "1-Q"


@pytest.mark.parametrize("text", ["", "HI:", "HI:3FMBFTFRX", "HI:3FMBFTFRXI", "https://example.org/3FMBFTFRX8", CODE])
def test_any_other_code_on_the_table_is_passed_over(text: str) -> None:
    assert code_of(text) is None


def test_names_of_any_length_and_script_stay_on_their_label() -> None:
    long = [PartLabel("N" * 60, "Ω≈ and a very long name indeed, longer than any label", 500, 500, label_text(CODE))]
    sheet = pages(label_sheet(long, "a4"))[0] < 0.5
    assert sheet.any()
    left, top = round(PX_PER_MM * (PAGES["a4"][0] * MM_PER_POINT - 3 * LABEL_MM[0]) / 2), round(PX_PER_MM * 10)
    outside = sheet.copy()
    outside[top - 2 : top + round(PX_PER_MM * LABEL_MM[1]) + 2, left - 2 : left + round(PX_PER_MM * LABEL_MM[0]) + 2] = False
    assert not outside.any()


@pytest.mark.parametrize(
    ("given", "page", "sentence"), [([], "a4", "no piece to print"), (labels(1), "a0", "not printed on 'a0'")]
)
def test_what_cannot_be_printed_is_told(given: list[PartLabel], page: str, sentence: str) -> None:
    with pytest.raises(SetupError, match=sentence):
        label_sheet(given, page)
