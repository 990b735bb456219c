"""What pages are made of: shapes over the photo, sentences of a result, templates and their contexts."""

from __future__ import annotations

import re
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path
from typing import get_args

import pytest
from jinja2 import meta

from api import contexts, render
from api.contexts import Frame, Page, ResultPage, TroublePage
from api.overlay import first_view, overlay
from api.pages import heading
from api.result_view import Result, by_reason
from holeinspect.inspection import Inspection, JudgeNote
from holeinspect.records.photos import Target
from holeinspect.records.shapes import (
    NextStepKind,
    PartNew,
    PhotoShown,
    PhotoState,
    PieceState,
    Side,
    StandingReason,
    StandingShown,
)
from holeinspect.records.standing import standing
from holeinspect.report.budget import amounts
from holeinspect.rules import REASONS
from holeinspect.setup import Setup
from holeinspect.trade import fastener, fastener_names
from tests.bench_stubs import file_photo, stub_bench
from tests.example_inspection import example, good_example, good_hole, px

STATIC = Path(contexts.__file__).parent / "static"
PAGES: tuple[type, ...] = get_args(Page)
NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


def stands(inspection: Inspection) -> StandingShown:
    return standing(inspection, Setup(thickness=2.0), ())


def result(inspection: Inspection) -> Result:
    shown = PhotoShown.model_validate(
        {"id": 7, "piece": 1, "number": "HM-300", "serial": 1, "side": "A", "name": "hm300.jpg", "state": "measured",
         "place_in_queue": None, "attempts": 0, "error": None, "note": None, "set_aside": False, "taken_at": None,
         "received_at": NOON, "size_bytes": 1, "sha256": "0" * 64, "uploaded_sha256": "0" * 64, "inspections": 1,
         "measured_at": NOON, "standing": None}
    )  # fmt: skip
    return Result(inspection, stands(inspection), shown, ())


# --- over the photo ---


def test_every_hole_is_drawn_where_the_photo_shows_it_and_by_its_verdict() -> None:
    inspection = example()
    rims = overlay(inspection, stands(inspection)).rims
    assert [(rim.key, rim.kind) for rim in rims] == [("H1", "good"), ("H2", "rework"), ("H3", "hand")]
    assert rims[0].centre == px(-20.0, 0.0)
    assert rims[0].radius == pytest.approx(16.32, rel=0, abs=0.05)  # px: half of 3.264 mm at 10 px/mm, from a 60-gon
    assert rims[1].to_edge == (px(0.0, 11.0), px(0.0, 15.0))
    assert rims[1].told == "H2, rework: short edge"


def test_a_struck_hole_is_drawn_as_struck() -> None:
    inspection = example()
    now = stands(inspection)
    now.holes[1].struck = True
    assert overlay(inspection, now).rims[1].told == "H2, struck: not a hole"


def test_the_first_view_holds_every_part_and_stays_within_the_photo() -> None:
    left, top, width, height = first_view(example())
    (x0, y0), (x1, y1) = px(-30.0, 15.0), px(30.0, -15.0)
    assert 0 <= left < x0
    assert 0 <= top < y0
    assert x1 < left + width <= 1200
    assert y1 < top + height <= 900


# --- what is said of a result ---


def test_what_is_to_rework_is_told_apart_from_what_is_open() -> None:
    assert result(example()).verdict_in_words() == "To rework: short edge H2. Open: edge not in view H3."
    good = "The one hole meets every rule that was tried, by more than the uncertainty of the photo."
    assert result(good_example()).verdict_in_words() == good


def test_steps_come_by_urgency_rework_first() -> None:
    assert [(step.kind, step.subjects) for step in result(example()).steps()][:2] == [("rework", ("H2",)), ("hand", ("H3",))]


def test_reasons_come_in_the_order_of_their_registry() -> None:
    names = ["burr", "short edge", "undersize"]
    reasons = [StandingReason(name=name, subject="H1", sentence="", blocking=True) for name in names]
    assert list(by_reason(reasons)) == sorted(names, key=list(REASONS).index)


@pytest.mark.parametrize(
    ("reason", "told"),
    [
        ({"name": "short edge", "sentence": "edge distance 4 mm"}, "H2: short edge, edge distance 4 mm"),
        ({"name": "out of round", "sentence": "out of round by 0.1 mm"}, "H2: out of round by 0.1 mm"),
        ({"name": "burr", "sentence": "E1, 9 mm from K1: burr 1 mm", "place": "E1, 9 mm from K1"}, "E1, 9 mm from K1: burr 1 mm"),
    ],
)
def test_a_reason_says_nothing_twice(reason: dict[str, str], told: str) -> None:
    assert StandingReason.model_validate({"subject": "H2", "blocking": True} | reason).told == told


def test_a_budget_on_the_page_ends_with_the_figure_that_it_adds_up_to() -> None:
    name, lines = next(amounts(good_hole(), "mm"))
    assert name == "diameter"
    assert [line.u for line in lines] == ["8.4 µm", "6.3 µm", "10.5 µm"]  # 0.8, 0.6 and all of u = 0.0105 mm
    assert lines[-1].note == "3.264 ± 0.021 mm (k = 2)"


def test_every_fastener_that_the_pages_offer_can_be_read() -> None:
    names = fastener_names()
    assert {"1/8 rivet", "AN3", "M5", "#10 screw"} <= set(names)
    assert all(fastener(name).diameter_mm > 0 for name in names)


# --- templates and marks ---


@pytest.mark.parametrize("page", PAGES, ids=[page.__name__ for page in PAGES])
def test_a_template_uses_what_its_context_gives_and_nothing_else(page: type) -> None:
    wanted, own = set[str](), {"marks"}
    for name in [page.template, *_includes(page.template)]:  # type: ignore[attr-defined]
        source = (render.TEMPLATES / name).read_text(encoding="utf-8")
        wanted |= meta.find_undeclared_variables(render._environment.parse(source))
        own |= set(re.findall(r"{%-? (?:set|macro) (\w+)", source))
    assert wanted - own <= {field.name for field in fields(page)} | set(render.GLOBALS)
    assert {field.name for field in fields(page)} - {"frame"} <= wanted, "what no template uses is not given"


def _includes(name: str) -> set[str]:
    """Templates that a template draws in, and theirs."""
    found = set(re.findall(r'{%-? (?:include|import|extends) "([\w.]+)"', (render.TEMPLATES / name).read_text(encoding="utf-8")))
    return found.union(*(_includes(each) for each in found))


def test_the_result_page_says_what_the_photo_is_worth() -> None:
    note = JudgeNote(name="blur", level="doubt", sentence="The photo is soft.", advice="Hold the phone still.")
    seen = example()
    told = result(seen.model_copy(update={"photo": seen.photo.model_copy(update={"judged": (note,)})}))
    frame, drawn = Frame("x", "", "", "caution"), overlay(seen, told.standing)
    html = render.render(ResultPage(frame, "HM-300", told.photo, told, drawn, told.panel("H2"), (), "B", "", (), ()))
    assert "The photo is soft. Hold the phone still." in html
    assert "Photograph side B" in html


def test_every_state_and_step_has_its_mark() -> None:
    icons = set(re.findall(r'symbol id="(\w+)"', (STATIC / "icons.svg").read_text(encoding="utf-8")))
    kinds = [render.STATE_KINDS[state] for state in (*get_args(PieceState), *get_args(PhotoState))]
    kinds += [render.STEP_KINDS[kind] for kind in get_args(NextStepKind)]
    assert {render.ICONS.get(kind, kind) for kind in kinds} <= icons


def test_what_users_type_is_shown_as_text() -> None:
    html = render.render(TroublePage(Frame("x", "", "", "caution"), "<script>alert(1)</script>", "a & b"))
    assert "<script>alert(1)</script>" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
    assert "a &amp; b" in html


@pytest.mark.parametrize("file", sorted([*STATIC.iterdir(), *render.TEMPLATES.iterdir()]), ids=lambda file: file.name)
def test_no_page_asks_another_host_for_anything(file: Path) -> None:
    text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
    assert not re.search(r"https?:|//[a-z]+\.[a-z]", text)


# --- headings ---


@pytest.mark.parametrize(
    ("name", "quantity", "side", "told"),
    [
        ("Gusset", 2, "A", "HM-101 Gusset, piece 1 of 2, side A"),
        ("", 1, "B", "HM-101, side B"),
        ("", 2, None, "HM-101, piece 1 of 2, side not stated"),
    ],
)
def test_a_photo_is_headed_by_what_is_known_of_its_piece(
    tmp_path: Path, name: str, quantity: int, side: Side | None, told: str
) -> None:
    with stub_bench(tmp_path) as bench:
        part = bench.kit.add(PartNew(number="HM-101", name=name, thickness="3.2mm", quantity=quantity))
        photo = file_photo(bench, "good", Target(part.pieces[0].id, side))
        assert heading(bench, photo) == told
