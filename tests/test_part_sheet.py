from __future__ import annotations

import pypdfium2 as pdfium
import pytest

from holeinspect.inspection import Inspection
from holeinspect.report.part_sheet import part_sheet_pdf
from tests.example_inspection import example, example_photo, good_example, hole, inspection, part


def text_of(pdf: bytes) -> list[str]:
    """Text of each page, lines joined."""
    document = pdfium.PdfDocument(pdf)
    return [" ".join(page.get_textpage().get_text_bounded().split()) for page in document]


def test_part_sheet_holds_every_hole_with_its_figures_and_verdict() -> None:
    told = " ".join(text_of(part_sheet_pdf(example_photo(), example())))
    for words in ("H1 3.264 ± 0.021", "4.000 ± 0.040 1.225 ± 0.012 D", "H3 5.000 ± 0.021", "at least 7.50",
                  "rework short edge", "10.04 mm or more passes"):  # fmt: skip
        assert words in told


def test_part_sheet_says_that_it_does_not_approve_on_every_page() -> None:
    many = inspection(part("P1", tuple(hole(f"H{n}", (0.5 * n, 0), 3.264, verdict="good") for n in range(1, 80)), "good"))
    pages = text_of(part_sheet_pdf(example_photo(), many))
    assert len(pages) > 1
    assert all("it does not approve" in page for page in pages)


def test_part_sheet_speaks_inches_where_the_inspection_does() -> None:
    told = " ".join(text_of(part_sheet_pdf(example_photo(), example(units="in"))))
    assert "0.12850 ± 0.00083" in told


def test_same_inspection_gives_the_same_sheet() -> None:
    assert part_sheet_pdf(example_photo(), good_example()) == part_sheet_pdf(example_photo(), good_example())


@pytest.mark.parametrize(("page", "width_pt"), [("a4", 595.28), ("a3", 595.28), ("letter", 612.0), ("11x17", 612.0)])
def test_paper_is_the_mats_kind(page: str, width_pt: float) -> None:  # ISO 216: 210 mm; ANSI A: 8.5 in
    shown = good_example()
    known = Inspection.model_validate(shown.model_dump() | {"scale": shown.scale.model_dump() | {"page": page}})
    width, _ = pdfium.PdfDocument(part_sheet_pdf(example_photo(), known))[0].get_size()
    assert width == pytest.approx(width_pt, rel=0, abs=0.01)


def test_names_in_other_alphabets_are_printed() -> None:
    shown = good_example()
    photo = shown.photo.model_dump() | {"name": "Кронштейн_Ελ_ł.jpg"}
    told = text_of(part_sheet_pdf(example_photo(), Inspection.model_validate(shown.model_dump() | {"photo": photo})))
    assert "Кронштейн_Ελ_ł" in told[0]


def test_markup_in_names_is_printed_as_it_stands() -> None:
    shown = good_example()
    photo = shown.photo.model_dump() | {"name": "<b>a & b</b>.jpg"}
    told = text_of(part_sheet_pdf(example_photo(), Inspection.model_validate(shown.model_dump() | {"photo": photo})))
    assert "<b>a & b<" in told[0]
