"""Rims enlarged, on the contact sheet and as charts, drawn from an inspection put together by hand."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from holeinspect.inspection import EdgeRing, Hole, Inspection, OtherOpening
from holeinspect.report.chart import rim_chart_png, rim_chart_svg
from holeinspect.report.deviation import beyond, edge_contour, exaggeration_for, rim_contour, rim_px_per_mm
from holeinspect.report.rims import TILE_PX, rim_image, rim_lines, rims_worst_first
from holeinspect.report.sheet import contact_sheet, contact_sheet_pdf
from holeinspect.report.strokes import COLOURS
from tests.example_condition import (
    BURR_HOUR,
    BURR_MM,
    LIMIT_MM,
    burr_finding,
    burred_hole,
    clean_hole,
    lower_edge,
    rim_condition,
    soft_hole,
    with_condition,
)
from tests.example_inspection import (
    BACKDROP,
    GOOD_XY,
    METAL,
    PX_PER_MM,
    circle_px,
    example_photo,
    figure,
    good_hole,
    inspection,
    part,
)

SVG = "{http://www.w3.org/2000/svg}"


def chart(hole: Hole | OtherOpening, units: str = "mm", **more: object) -> ET.Element:
    return ET.fromstring(rim_chart_svg(hole, units, **more))  # type: ignore[arg-type]


def text_of(element: ET.Element) -> str:
    return " ".join("".join(piece.itertext()) for piece in element.iter(f"{SVG}text"))


def test_the_chart_is_one_svg_element_with_a_title_and_a_description() -> None:
    drawn = chart(burred_hole(), findings=with_condition().findings)
    assert drawn.tag == f"{SVG}svg"
    named = {piece.get("id"): piece.text or "" for piece in drawn if piece.tag in (f"{SVG}title", f"{SVG}desc")}
    assert drawn.get("role") == "img"
    assert list(named) == (drawn.get("aria-labelledby") or "").split()
    assert "0.258 ± 0.040 mm at 4 o'clock" in " ".join(named.values())
    assert "2: burr, H1 at 4 o'clock, 0.250 ± 0.040 mm, limit 0.10 mm." in " ".join(named.values())


@pytest.mark.parametrize("told", ["limit 0.10 mm", "shown 0.06 mm", "into the opening, mm", "2 burr", "50 UPR", "± U (k = 2)"])
def test_the_chart_tells(told: str) -> None:
    assert told in text_of(chart(burred_hole(), findings=with_condition().findings))


def test_the_chart_of_a_builder_in_inches_is_in_inches() -> None:
    told = text_of(chart(burred_hole(), "in"))
    assert "limit 0.004 in" in told  # 0.1 mm over 25.4
    assert "into the opening, in" in told


def test_a_rim_that_hides_burrs_of_the_limit_says_so_in_chart_and_description() -> None:
    drawn = chart(soft_hole())
    assert "Not shown: a burr of the limit could hide here" in text_of(drawn)
    assert "the rim is not known to be clean" in "".join(drawn.itertext())


def test_a_rim_that_was_not_examined_has_a_chart_that_says_so() -> None:
    assert "H1: rim not examined" in text_of(chart(good_hole()))


def test_charts_of_several_rims_share_a_page_without_sharing_an_id() -> None:
    ids = [
        found
        for hole, name in ((burred_hole(), "P1"), (burred_hole(), "P2"), (clean_hole(), "P1"))
        for found in re.findall(r'\bid="([^"]+)"', rim_chart_svg(hole, "mm", (), name))
    ]
    assert len(ids) == len(set(ids))


def test_every_reference_inside_a_chart_has_its_target() -> None:
    svg = rim_chart_svg(burred_hole(), "mm", with_condition().findings)
    assert set(re.findall(r'(?:url\(|href=")#([^")]+)', svg)) <= set(re.findall(r'\bid="([^"]+)"', svg))


def test_a_chart_brings_no_style_rules_no_script_and_nothing_from_elsewhere() -> None:
    svg = rim_chart_svg(burred_hole(), "mm")
    assert "<style" not in svg
    assert " style=" not in svg
    assert set(re.findall(r'https?://[^"]+', svg)) <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}


def test_only_the_findings_of_its_own_part_are_marked_on_a_rim() -> None:
    other = burr_finding(part="P2")
    assert "burr" not in text_of(chart(burred_hole(), findings=(other,), part="P1")).replace("smallest burr", "")


def test_the_same_rim_gives_the_same_bytes() -> None:
    for draw in (rim_chart_svg, rim_chart_png):
        assert draw(burred_hole(), "mm") == draw(burred_hole(), "mm")


def test_the_png_chart_is_a_picture_of_the_same_shape(tmp_path: Path) -> None:
    (tmp_path / "h1.png").write_bytes(rim_chart_png(burred_hole(), "mm"))
    with Image.open(tmp_path / "h1.png") as picture:
        view = chart(burred_hole()).get("viewBox", "").split()
        assert picture.width / picture.height == pytest.approx(float(view[2]) / float(view[3]), rel=0, abs=0.01)


def test_an_unseen_stretch_breaks_the_line_of_the_chart() -> None:
    """Two pieces of the line instead of one: the path begins anew (M) after the stretch from 7 to 9 o'clock."""
    whole = rim_condition(GOOD_XY, 3.264)
    seen = [at for at, entry in enumerate(whole.profile) if not 7 < entry[0] < 9]
    cut = whole.model_copy(
        update={"profile": tuple(whole.profile[at] for at in seen), "contour_px": tuple(whole.contour_px[at] for at in seen)}
    )
    pieces = []
    for condition in (whole, cut):
        drawn = chart(good_hole().model_copy(update={"condition": condition}))
        line = next(path for path in drawn.iter(f"{SVG}path") if path.get("stroke") == "#0072b2")
        pieces.append((line.get("d") or "").count("M"))
    assert pieces == [1, 2]


def test_rims_come_worst_first() -> None:
    assert [one.name for one in rims_worst_first(with_condition())] == ["H1", "H3", "H2"]


@pytest.mark.parametrize(
    "told", ["H1: rework", "Ø 3.264 ± 0.021 mm", "protrusion 0.258 ± 0.040 mm", "at 4 o'clock, limit 0.10 mm",
             "burrs shown from 0.06 mm", "[2] burr 0.250 ± 0.040 mm"],
)  # fmt: skip
def test_under_a_rim_stands(told: str) -> None:
    assert told in rim_lines(rims_worst_first(with_condition())[0], "mm")


def test_the_ring_of_a_broken_edge_is_told_on_the_sheet() -> None:
    assert "broken edge 0.150 ± 0.040 mm" in rim_lines(rims_worst_first(with_condition())[2], "mm")


def test_a_rim_that_hides_burrs_says_so_on_the_sheet() -> None:
    assert "not shown: burrs under 0.18 mm" in rim_lines(rims_worst_first(with_condition())[1], "mm")


def test_a_lightening_hole_is_on_the_sheet_and_good_only_if_its_rim_is_shown() -> None:
    for shown, verdict in ((True, "good"), (False, "measure by hand")):
        wide = OtherOpening(
            name="C1", kind="lightening hole", outline_mm=(), outline_px=circle_px((0.0, 0.0), 16.0),
            diameter=figure(16.0, 0.02), condition=rim_condition((0.0, 0.0), 16.0, shown=shown),
        )  # fmt: skip
        (one,) = rims_worst_first(inspection(part("P1", (), "good", openings=(wide,))))
        assert (one.name, one.verdict) == ("C1", verdict)


def test_a_contour_is_drawn_with_its_deviation_enlarged_by_what_is_stated() -> None:
    contour = rim_contour(burred_hole())
    assert contour is not None
    away = contour.drawn(5) - contour.form()
    tip = int(np.argmax(contour.deviation_mm))
    assert np.hypot(*away[tip]) == pytest.approx(5 * contour.deviation_mm[tip] * PX_PER_MM, rel=0, abs=0.1)  # px; 60 corners
    assert np.allclose(contour.drawn(1), contour.points_px, rtol=0, atol=1e-9)


def test_the_fitted_form_of_the_example_is_its_circle() -> None:
    contour = rim_contour(burred_hole())
    assert contour is not None
    radius_px = np.hypot(*(contour.form() - np.array(burred_hole().centre_px)).T)
    assert np.allclose(radius_px, 3.264 / 2 * PX_PER_MM, rtol=0, atol=0.03)  # px: the outline has 60 corners only


def test_what_stands_off_an_edge_is_drawn_outward() -> None:
    outline = np.array(part("P1", (), "good").outline_px)
    contour = edge_contour(lower_edge(0.4), outline, PX_PER_MM)
    assert contour is not None
    stub = contour.deviation_mm > 0.3
    assert (contour.drawn(5)[stub, 1] > contour.form()[stub, 1] + 15).all()  # px: 5 x 0.4 mm down, where there is no metal


def test_what_stands_into_a_cut_out_is_drawn_into_it() -> None:
    box = ((-30.0, -15.0), (30.0, -15.0), (30.0, -25.0), (-30.0, -25.0))  # the metal lies above its upper side
    outline = np.array([(600 + 10 * x, 450 - 10 * y) for x, y in box])
    contour = edge_contour(lower_edge(0.4), outline, PX_PER_MM, opening=True)
    assert contour is not None
    assert contour.towards[:, 1] == pytest.approx(1.0, rel=0, abs=0.2)  # down, into the cut-out


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 239))
def test_runs_beyond_the_limit_are_found_wherever_they_lie(turn: int) -> None:
    contour = rim_contour(burred_hole())
    assert contour is not None
    turned = type(contour)(
        contour.subject, contour.places, contour.points_px, np.roll(contour.deviation_mm, turn), contour.towards,
        contour.px_per_mm, contour.limit_mm, contour.closed,
    )  # fmt: skip
    (run,) = beyond(turned)
    over = np.flatnonzero(turned.deviation_mm > LIMIT_MM)
    assert set(over) <= set(run.tolist())
    assert len(run) == len(over) + 2
    assert ((np.diff(run) % 240) == 1).all()


def test_the_exaggeration_keeps_the_drawing_within_its_bounds() -> None:
    contour = rim_contour(burred_hole())
    assert contour is not None
    times = exaggeration_for([contour], 30.0, 40.0)
    assert times * contour.deviation_mm.max() * contour.px_per_mm <= 40.0
    assert times == 10  # 0.258 mm at 10 px/mm is 2.6 px: 20 times would be 52 px


def test_the_scale_of_a_rim_is_that_of_the_photo() -> None:
    assert rim_px_per_mm(burred_hole()) == pytest.approx(PX_PER_MM, rel=0, abs=0.05)  # of a polygon with 60 corners


def test_an_enlarged_rim_shows_the_burr_thick_at_its_hour() -> None:
    pixels = np.asarray(rim_image(example_photo(), burred_hole())).astype(int)
    rows, columns = np.nonzero(np.abs(pixels - np.array(COLOURS["rework"])).max(axis=2) < 30)
    assert len(rows) > 50
    x, y = columns.mean() - TILE_PX / 2, rows.mean() - TILE_PX / 2
    assert math.atan2(x, -y) * 6 / math.pi == pytest.approx(BURR_HOUR, rel=0, abs=0.3)  # hours


def test_the_scale_bar_of_an_enlarged_rim_is_as_long_as_it_says() -> None:
    """1 mm of a rim 3.264 mm wide: the bar's white run in the tile's lowest tenth, against the hole's dark width."""
    pixels = np.asarray(rim_image(example_photo(), good_hole())).astype(int)
    hole_px = 420 / (2 * math.ceil(1.55 * 32.64 / 4) * 2) * 32.64
    lowest = (pixels[int(TILE_PX * 0.9) :, : TILE_PX // 2] > 250).all(axis=2)
    bar_px = lowest.sum(axis=1).max()
    assert bar_px / hole_px * 3.264 == pytest.approx(1.0, rel=0, abs=0.06)  # mm: the ends are 2 to 3 px wide


def test_a_rim_at_the_photos_border_is_shown_with_black_beyond_it() -> None:
    corner = good_hole().model_copy(update={"centre_px": (5.0, 5.0), "outline_px": ((-11, 5), (5, -11), (21, 5), (5, 21))})
    picture = np.asarray(rim_image(example_photo(), corner))
    assert picture.shape == (TILE_PX, TILE_PX, 3)
    assert (picture[:40, TILE_PX // 2 + 40] == 0).all()


@settings(max_examples=25, deadline=None)
@given(st.floats(-1, 1), st.floats(-1, 1))
def test_a_rim_lies_in_the_middle_of_its_picture_wherever_it_lies_between_pixels(x: float, y: float) -> None:
    """The dark hole's middle against the tile's: two tile px, where a photo px is 8 of them."""
    photo = np.full((200, 200, 3), METAL, np.uint8)
    centre = (100 + x, 90 + y)
    circle = circle_px((0.0, 0.0), 3.264)
    outline = tuple((px - 600 + centre[0], py - 450 + centre[1]) for px, py in circle)
    cv2.fillPoly(photo, [np.rint(np.array(outline) * 16).astype(np.int32)], (BACKDROP,) * 3, cv2.LINE_AA, 4)
    small = good_hole().model_copy(update={"centre_px": centre, "outline_px": outline})
    dark = np.asarray(rim_image(photo, small).convert("L"))[:360] < (METAL + BACKDROP) / 2
    grown = cv2.morphologyEx(dark.astype(np.uint8), cv2.MORPH_OPEN, np.ones((15, 15), np.uint8))
    rows, columns = np.nonzero(grown)
    assert np.asarray(rim_image(photo, small)).min(axis=2)[:, [0, -1]].min() > BACKDROP  # metal to both borders
    assert [columns.mean(), rows.mean()] == pytest.approx([(TILE_PX - 1) / 2] * 2, rel=0, abs=2.0)


def test_a_countersink_is_shown_to_its_outer_border() -> None:
    """A ring 2 mm wide round a hole of 3.264 mm: the tile then shows 1.2 times 7.264 mm, and the hole fills 0.37 of it."""
    ring = EdgeRing(kind="countersink", width=figure(2.0, 0.05), seen_share=1.0)
    dark = np.asarray(rim_image(example_photo(), good_hole().model_copy(update={"ring": ring})).convert("L")) < METAL / 2
    across = dark[TILE_PX // 2, TILE_PX // 4 : -TILE_PX // 4].sum()
    assert across / TILE_PX == pytest.approx(3.264 / (1.2 * 7.264), rel=0, abs=0.04)  # the rim's own dark line adds 6 px a side


def test_the_exaggeration_of_a_rim_is_the_largest_that_has_room() -> None:
    pictures = [np.asarray(rim_image(example_photo(), burred_hole(), "mm", times)) for times in (None, 2, 5)]
    assert (pictures[0] == pictures[1]).all()  # 0.25 mm at 83 px/mm: 5 times would be 0.25 of the tile
    assert (pictures[0] != pictures[2]).any()


def crowd(count: int) -> Inspection:
    holes = tuple(clean_hole().model_copy(update={"name": f"H{number}"}) for number in range(1, count + 1))
    return inspection(part("P1", holes, "rework"))


def test_a_sheet_of_sixty_rims_has_every_rim_and_stays_a_picture_that_a_phone_opens() -> None:
    picture = contact_sheet(example_photo(), crowd(60))
    assert max(picture.size) < 8000  # px
    assert picture.width >= 6 * TILE_PX


def test_a_sheet_without_rims_still_says_what_no_photo_shows() -> None:
    assert contact_sheet(example_photo(), inspection(part("P1", (), "measure by hand"))).height > 100


@pytest.mark.parametrize(("units", "width_pt"), [("mm", 595.3), ("in", 612.0)])  # A4, ISO 216; Letter, ANSI Y14.1
def test_the_pdf_sheet_has_pages_of_the_builders_paper_with_every_name_as_text(units: str, width_pt: float) -> None:
    crowded = crowd(20).model_copy(update={"units": units})
    with pypdfium2.PdfDocument(contact_sheet_pdf(example_photo(), crowded)) as document:
        texts = []
        for number in range(len(document)):
            page = document[number]
            assert page.get_width() == pytest.approx(width_pt, rel=0, abs=0.1)
            words = page.get_textpage()
            texts.append(words.get_text_bounded())
            words.close()
            page.close()
    assert len(texts) == 3
    assert all("fingernail" in text for text in texts)
    assert {f"H{number}" for number in range(1, 21)} <= set(re.findall(r"H\d+", " ".join(texts)))


def test_the_burr_of_the_example_is_as_high_as_its_finding_says() -> None:
    condition = burred_hole().condition
    assert condition is not None
    assert condition.protrusion.value == pytest.approx(BURR_MM, rel=0, abs=0.01)  # mm: on a waviness of 0.008
