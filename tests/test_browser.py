"""The pages in a real Chromium, on a bench whose measuring is a stand-in; one test measures a sample photo for real."""

from __future__ import annotations

import io
import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from itertools import count
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Browser, FilePayload, Locator, Page, Route, expect

from api.access import Access
from holeinspect.records.bench import Bench, BenchSettings, open_bench
from holeinspect.records.photos import Target
from holeinspect.records.shapes import PartNew, Side
from holeinspect.scale.mat import layout
from tests.bench_stubs import NO_PIECE, served, stub_bench, wait_for
from tests.browser import DESK, PHONE, Watch, chromium, middle, sideways_px, violations
from tests.example_inspection import example_photo

ROOT = Path(__file__).resolve().parent.parent
KEY = "a-key-for-tests"
LARGEST_PAGE_BYTES = 150_000
PATIENCE_MS = 20_000
"""For a loaded machine; nothing here takes a second but the one real inspection."""
expect.set_options(timeout=PATIENCE_MS)


@dataclass(frozen=True)
class Place:
    """A served bench with its address, and a part on it with the ids of its two pieces."""

    bench: Bench
    url: str
    number: str
    pieces: tuple[int, int]

    def measured(self, name: str, side: Side) -> int:
        """A photo of the first piece, measured."""
        return measured(self.bench, name, Target(self.pieces[0], side))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Bench, str]]:
    """One bench for all tests that mind only their own part: its worker starts once."""
    with stub_bench(tmp_path_factory.mktemp("bench")) as bench, served(bench, Access()) as url:
        yield bench, url


def part_on(bench: Bench, url: str, number: str) -> Place:
    first, second = bench.kit.add(PartNew(number=number, name="Gusset", thickness="3.2mm", quantity=2)).pieces
    return Place(bench, url, number, (first.id, second.id))


PART_NUMBERS = count(401)


@pytest.fixture
def place(service: tuple[Bench, str]) -> Place:
    """A part of one's own on the common bench."""
    return part_on(*service, f"HM-{next(PART_NUMBERS)}")


@pytest.fixture
def own_place(tmp_path: Path) -> Iterator[Place]:
    """A bench of one's own, for tests of what the whole kit shows."""
    with stub_bench(tmp_path) as bench, served(bench, Access()) as url:
        yield part_on(bench, url, "HM-101")


@pytest.fixture(params=[PHONE, DESK], ids=["phone", "desk"])
def size(request: pytest.FixtureRequest) -> tuple[int, int]:
    found: tuple[int, int] = request.param
    return found


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    with browser.new_context(viewport={"width": DESK[0], "height": DESK[1]}) as context:
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        yield page
        page.unroute_all(behavior="ignoreErrors")


DASHES = "line => getComputedStyle(line).strokeDasharray"


@cache
def picture(name: str) -> bytes:
    """The photo of the example inspection as JPEG, another file for each name."""
    data = io.BytesIO()
    Image.fromarray(example_photo()).save(data, "JPEG", comment=name.encode())
    return data.getvalue()


def file_photo(bench: Bench, name: str, target: Target = NO_PIECE) -> int:
    """A photo whose name says what the stand-in will find; its id."""
    return bench.photos.take_in(io.BytesIO(picture(name)), f"{name}.jpg", target).photo.id


def measured(bench: Bench, name: str, target: Target = NO_PIECE) -> int:
    """The same, once it is measured or has failed."""
    return wait_for(bench, file_photo(bench, name, target)).id


def photo(name: str) -> FilePayload:
    return {"name": f"{name}.jpg", "mimeType": "image/jpeg", "buffer": picture(name)}


def rim(page: Page, key: str) -> Locator:
    return page.locator(f".rim-link[data-key={key}]")


def view_box(page: Page, other_than: tuple[float, ...] = ()) -> tuple[float, ...]:
    """Left, top, width, height of the part of the photo in view, once it is another than before."""
    svg = page.locator("#stage svg")
    until = time.monotonic() + PATIENCE_MS / 1000
    while (now := tuple(map(float, (svg.get_attribute("viewBox") or "").split()))) == other_than:
        assert time.monotonic() < until, "the view stays as it is"
    return now


# --- every page ---

PAGES = ("/", "/?state=rework&q=HM", "/kit", "/kit/new", "/kit/parts/HM-101", "/pieces/{piece}", "/photo", "/photos/{rework}",
         "/photos/{rework}?hole=H2", "/photos/{failed}", "/photos/{lost}", "/labels", "/phone", "/pieces/999")  # fmt: skip


@pytest.fixture(scope="module")
def full_kit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """A bench with everything on it; the address and ids that the pages' addresses name."""
    with stub_bench(tmp_path_factory.mktemp("kit")) as bench, served(bench, Access()) as url:
        piece = part_on(bench, url, "HM-101").pieces[0]
        bench.kit.add(PartNew(number="HM-300", name="Tab", thickness="2mm", quantity=3, drawing="HM-D7", revision="C"))
        rework = measured(bench, "rework", Target(piece, "A"))
        measured(bench, "good", Target(piece, "B"))
        failed = measured(bench, "no mat", Target(piece, "A"))
        lost = measured(bench, "good but whose")
        yield {"url": url, "piece": str(piece), "rework": str(rework), "failed": str(failed), "lost": str(lost)}


@pytest.mark.parametrize("address", PAGES)
def test_a_page_is_accessible_light_and_its_own(
    browser: Browser, full_kit: dict[str, str], address: str, size: tuple[int, int]
) -> None:
    """WCAG 2.2 AA as far as axe-core checks it; no sideways scrolling; no error; nothing from elsewhere; under 150 kB."""
    with browser.new_context(viewport={"width": size[0], "height": size[1]}) as context:
        page = context.new_page()
        watch = Watch(page)
        page.goto(full_kit["url"] + address.format(**full_kit), wait_until="networkidle")
        assert violations(page) == []
        assert twice_named(page) == []
        assert sideways_px(page) <= 0
        assert [error for error in watch.errors if "404" not in error] == []
        assert watch.hosts() == {full_kit["url"].removeprefix("http://")}
        assert watch.weight_bytes() < LARGEST_PAGE_BYTES
        assert page.get_by_role("contentinfo").get_by_text("This tool informs; it does not approve.").is_visible()


def twice_named(page: Page) -> list[str]:
    """Ids that more than one element has; HTML allows one."""
    ids: list[str] = page.evaluate("[...document.querySelectorAll('[id]')].map(element => element.id)")
    return sorted({each for each in ids if ids.count(each) > 1})


@pytest.mark.parametrize("address", ["/", "/photo", "/photos/{rework}"])
def test_every_target_is_large_enough_for_a_thumb(browser: Browser, full_kit: dict[str, str], address: str) -> None:
    """44 px, as WCAG 2.1 asks at level AAA (2.5.5); links inside sentences and names in tables are exempt."""
    with browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]}) as context:
        page = context.new_page()
        page.goto(full_kit["url"] + address.format(**full_kit))
        targets = page.locator("button:visible, a.button:visible, nav a:visible, label.choice:visible, select:visible")
        heights = {target.inner_text(): (target.bounding_box() or {"height": 0})["height"] for target in targets.all()}
        assert {text: height for text, height in heights.items() if height < 44} == {}


def test_the_keyboard_reaches_the_page_past_the_way_to_other_pages(page: Page, full_kit: dict[str, str]) -> None:
    page.goto(full_kit["url"])
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Skip to the page")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#main")).to_be_focused()


def test_nothing_moves_for_people_who_ask_for_that(browser: Browser, place: Place) -> None:
    with browser.new_context(reduced_motion="reduce") as context:
        page = context.new_page()
        page.goto(f"{place.url}/photo")
        page.locator("#files").set_input_files([photo("slow good")])
        expect(page.locator(".stages li.now")).to_have_css("animation-name", "none")


def test_a_result_can_be_read_without_scripts(browser: Browser, full_kit: dict[str, str]) -> None:
    with browser.new_context(java_script_enabled=False) as context:
        page = context.new_page()
        page.goto(f"{full_kit['url']}/photos/{full_kit['rework']}")
        page.locator("#holes").get_by_role("link", name="H2").click()
        expect(page.locator("#figures")).to_contain_text("4.000 ± 0.040 mm")


# --- photo to verdict ---


def test_a_photo_goes_from_its_file_to_its_verdict(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/photo")
    page.get_by_label("Which piece").select_option(str(place.pieces[0]))
    page.get_by_label("Side A").check()
    with page.expect_file_chooser() as chooser:
        page.get_by_text("Choose photos").click()
    chooser.value.set_files([photo("rework")])
    job = page.locator(".job")
    expect(job).to_contain_text("rework")
    job.get_by_role("link", name="See the result").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(f"{place.number} Gusset, piece 1 of 2, side A")
    expect(page.get_by_label("Verdict", exact=True)).to_contain_text("short edge H2")


def test_progress_is_told_aloud(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/photo")
    page.get_by_label("Which piece").select_option(str(place.pieces[0]))
    page.locator("#files").set_input_files([photo("slow good")])
    expect(page.get_by_role("status").last).to_have_text("slow good.jpg: good")


def test_the_camera_is_asked_for_on_a_phone(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/photo")
    camera = page.get_by_label("Take a photo")
    assert (camera.get_attribute("capture"), camera.get_attribute("accept")) == ("environment", "image/*")


def test_several_photos_are_dropped_at_once_and_each_is_measured(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/photo?piece={place.pieces[0]}&side=B")
    drop = page.evaluate_handle(
        """photos => { const data = new DataTransfer();
        for (const [name, bytes] of photos) data.items.add(new File([new Uint8Array(bytes)], name, { type: "image/jpeg" }));
        return data; }""",
        [[f"good {n}.jpg", list(picture(f"good {n}"))] for n in range(5)],
    )
    page.dispatch_event("#drop", "drop", {"dataTransfer": drop})
    expect(page.locator(".job .word.good")).to_have_count(5)
    assert len(place.bench.pieces.get(place.pieces[0]).photos) == 5


def test_a_label_in_the_photo_says_which_piece_it_is(page: Page, place: Place) -> None:
    code = place.bench.pieces.get(place.pieces[1]).code
    page.goto(f"{place.url}/photo")
    page.get_by_label("Side A").check()
    page.locator("#files").set_input_files([photo(f"good {code}")])
    page.get_by_role("link", name="See the result").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(f"{place.number} Gusset, piece 2 of 2, side A")


def test_a_photo_of_an_unknown_piece_waits_for_a_person_to_say_it(page: Page, place: Place) -> None:
    lost = measured(place.bench, "good")
    page.goto(place.url)
    page.get_by_role("link", name=f"photo {lost}").click()
    page.wait_for_load_state()  # its scripts must be there before the form is sent
    page.get_by_label("Piece").select_option(str(place.pieces[1]))
    page.get_by_label("Side B").check()
    page.get_by_role("button", name="Put it there").click()
    expect(page.get_by_role("heading", level=1)).to_have_text(f"{place.number} Gusset, piece 2 of 2, side B")
    expect(page.get_by_label("Verdict", exact=True)).to_contain_text("good")


def test_a_failed_photo_says_what_to_do_and_is_kept(page: Page, place: Place) -> None:
    failed = place.measured("no mat", "A")
    page.goto(f"{place.url}/photos/{failed}")
    expect(page.locator(".note.bad").first).to_have_text("No mat is in no mat.jpg. Lay the part on it.")
    page.get_by_role("button", name="Measure it again").click()
    expect(page.locator(".note.bad").first).to_have_text("No mat is in no mat.jpg. Lay the part on it.")
    assert place.bench.photos.get(failed).inspections == 0
    assert page.get_by_role("link", name="Another photo").get_attribute("href") == f"/photo?piece={place.pieces[0]}&side=A"


def test_a_full_queue_is_waited_for(page: Page, place: Place) -> None:
    """503 with Retry-After, as the service answers it; the photo is sent again by itself."""
    refused: list[str] = []

    def refuse_once(route: Route) -> None:
        if refused:
            route.fallback()
            return
        refused.append(route.request.url)
        problem = '{"title": "Service Unavailable", "status": 503, "detail": "Too many photos wait."}'
        route.fulfill(status=503, headers={"Retry-After": "1"}, content_type="application/problem+json", body=problem)

    page.route("**/api/v1/photos", refuse_once)
    page.goto(f"{place.url}/photo?piece={place.pieces[0]}&side=A")
    page.locator("#files").set_input_files([photo("good")])
    expect(page.locator(".job")).to_contain_text("The queue is full. Sent again in 1 s")
    expect(page.locator(".job .word.good")).to_be_visible()


def test_a_photo_that_did_not_get_through_stays_and_can_be_sent_again(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/photo?piece={place.pieces[0]}&side=A")
    page.route("**/api/v1/photos", lambda route: route.abort("connectionfailed"))
    page.locator("#files").set_input_files([photo("good")])
    expect(page.locator(".job")).to_contain_text("It is still here. Check the network")
    page.unroute("**/api/v1/photos")
    page.get_by_role("button", name="Send again").click()
    expect(page.locator(".job .word.good")).to_be_visible()


def test_photos_sent_are_followed_again_when_the_page_comes_back(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/photo?piece={place.pieces[0]}&side=A")
    page.locator("#files").set_input_files([photo("rework")])
    expect(page.locator(".job .word.rework")).to_be_visible()
    page.goto(f"{place.url}/kit")
    page.go_back()
    expect(page.locator(".job .word.rework")).to_be_visible()


# --- the result ---


@pytest.fixture
def result(page: Page, place: Place) -> Page:
    page.goto(f"{place.url}/photos/{place.measured('rework', 'A')}")
    return page


def test_a_tap_on_a_hole_shows_its_figures_and_marks_its_row(result: Page) -> None:
    x, y = middle(rim(result, "H2").locator(".core"))
    result.mouse.click(x + 12, y + 8)  # beside it, as a finger does
    panel = result.locator("#figures")
    expect(panel.get_by_role("heading")).to_have_text("H2 rework")
    expect(panel).to_contain_text("edge distance 4.000 ± 0.040 mm, needed 6.53 mm (2 D)")
    expect(result.locator("tr[data-hole=H2]")).to_have_class("chosen")
    expect(rim(result, "H2")).to_have_attribute("aria-pressed", "true")
    expect(result.locator("#peek")).to_contain_text("H2 rework short edge. Diameter 3.264 ± 0.021, edge 4.000 ± 0.040.")


def test_the_rim_enlarged_and_its_chart_come_with_the_figures(result: Page) -> None:
    result.locator("#holes").get_by_role("link", name="H2").click()
    for name in ("The rim of H2, enlarged", "Deviation of the rim of H2 from its circle, round the clock"):
        image = result.get_by_alt_text(name)
        image.scroll_into_view_if_needed()
        expect(image).to_have_js_property("complete", True)
        assert image.evaluate("image => image.naturalWidth") > 100


def test_a_row_of_the_table_marks_its_rim(result: Page) -> None:
    result.locator("tr[data-hole=H3] td").first.click()
    expect(rim(result, "H3")).to_have_class(re.compile("chosen"))
    expect(result.locator("#panel-title")).to_contain_text("H3 measure by hand")


def test_the_keyboard_goes_from_hole_to_hole(result: Page) -> None:
    result.locator("#stage").focus()
    result.keyboard.press("Tab")
    expect(rim(result, "H1")).to_be_focused()
    result.keyboard.press("Enter")
    expect(result.locator("#panel-title")).to_contain_text("H1 good")
    result.keyboard.press("ArrowRight")
    expect(rim(result, "H2")).to_be_focused()
    expect(result.locator("#said")).to_have_text("H2, rework: short edge")
    result.keyboard.press("ArrowLeft")
    expect(result.locator("#panel-title")).to_contain_text("H1 good")


def test_verdicts_differ_over_the_photo_by_line_and_by_word(result: Page) -> None:
    names = [link.get_attribute("aria-label") for link in result.locator(".rim-link").all()]
    assert names == ["H1, good", "H2, rework: short edge", "H3, measure by hand: edge not in view"]
    assert rim(result, "H2").locator(".between").count() == 1  # two lines: one, parted by a line between
    dashes = [rim(result, key).locator(".core").evaluate(DASHES) for key in ("H1", "H3")]
    assert [dash == "none" for dash in dashes] == [True, False]


def test_lines_keep_their_width_however_far_the_photo_is_enlarged(result: Page) -> None:
    """Shapes that are used more than once take it from the attribute: style rules of the page do not reach into their copies."""
    effects = [shape.get_attribute("vector-effect") for shape in result.locator("#stage defs path").all()]
    assert effects == ["non-scaling-stroke"] * 3


def test_the_photo_is_enlarged_moved_and_shown_whole_by_keys_and_buttons(result: Page) -> None:
    result.locator("#stage").focus()
    before = view_box(result)
    result.keyboard.press("+")
    closer = view_box(result, other_than=before)
    assert closer[2] == pytest.approx(before[2] / 1.5, rel=0, abs=0.01)
    result.keyboard.press("ArrowRight")
    moved = view_box(result, other_than=closer)
    assert moved[0] > closer[0]
    result.get_by_role("button", name="Whole photo").click()
    x, y, width, height = view_box(result, other_than=moved)
    assert x <= 0
    assert x + width >= 1200  # px: the example's photo
    assert y + height >= 900


def test_the_point_under_the_wheel_stays_where_it_is(result: Page) -> None:
    result.locator("#stage").focus()
    x, y = middle(rim(result, "H2").locator(".core"))
    result.mouse.move(x, y)
    before = view_box(result)
    result.mouse.wheel(0, -300)
    assert view_box(result, other_than=before)[2] < before[2]
    assert middle(rim(result, "H2").locator(".core")) == pytest.approx((x, y), rel=0, abs=1.0)  # px of the screen


def test_two_fingers_enlarge_the_photo(browser: Browser, place: Place) -> None:
    done = place.measured("rework", "A")
    with browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]}, has_touch=True) as context:
        page = context.new_page()
        page.goto(f"{place.url}/photos/{done}")
        x, y = middle(page.locator("#stage"))
        before = first = view_box(page)
        fingers = context.new_cdp_session(page)
        for kind, apart in (("touchStart", 40), ("touchMove", 60), ("touchMove", 80), ("touchEnd", None)):
            points = [] if apart is None else [{"x": x - apart, "y": y, "id": 0}, {"x": x + apart, "y": y, "id": 1}]
            fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
            if kind == "touchMove":
                before = view_box(page, other_than=before)
        assert before[2] == pytest.approx(first[2] / 2, rel=0, abs=0.05 * first[2])  # the fingers end twice as far apart


def test_a_sharper_photo_comes_when_it_is_enlarged(result: Page) -> None:
    image = result.locator("#stage image")
    for _ in range(4):
        result.get_by_role("button", name="Closer").click()
    expect(image).to_have_attribute("href", re.compile(r"image\?width=1200$"))


def test_the_table_sorts_by_figures_and_says_so(result: Page) -> None:
    heading = result.locator("#holes th").filter(has_text="Edge distance")
    order = result.locator("#holes tbody th")
    heading.get_by_role("button").click()
    expect(heading).to_have_attribute("aria-sort", "ascending")
    expect(order).to_have_text(["H2", "H1", "H3"])  # what has no figure comes last
    heading.get_by_role("button").click()
    expect(heading).to_have_attribute("aria-sort", "descending")
    expect(order).to_have_text(["H1", "H2", "H3"])


def test_what_to_do_next_comes_in_order_of_urgency(result: Page) -> None:
    steps = result.locator("section", has_text="What to do next").last.locator(".steps > li")
    told = [" ".join(text.split()) for text in steps.all_inner_texts()]
    assert ["H2" in told[0], "measure by hand H3" in told[1], told[-2].startswith("side B")] == [True, True, True]
    assert "draw a fingernail outward across every rim" in told[-1]


# --- corrections ---


def said(page: Page, dialog: Locator, **fields: str) -> None:
    """Fill in a correction, with a name, and send it."""
    for label, text in fields.items():
        dialog.get_by_label(label.replace("_", " ")).fill(text)
    dialog.get_by_label("Your name").fill("Kim")
    with page.expect_navigation():
        dialog.locator("button.main").click()


def test_a_reading_by_hand_decides_what_the_photo_left_open(page: Page, place: Place) -> None:
    done = place.measured("by hand", "A")
    page.goto(f"{place.url}/photos/{done}?hole=H3")
    page.get_by_role("button", name="Add a reading").click()
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("A reading by hand: H3")
    dialog.get_by_text("edge distance", exact=True).click()
    said(page, dialog, Reading="12.1 mm")
    expect(page.locator("#panel-title")).to_contain_text("H3 good")
    expect(page.locator("#figures")).to_contain_text("The photo alone says: measure by hand")
    expect(page.locator("section", has_text="Corrections").last).to_contain_text("Kim,")
    assert place.bench.photos.get(done).standing.measured_verdict == "measure by hand"  # type: ignore[union-attr]


def test_a_false_hole_is_struck_and_brought_back(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/photos/{place.measured('rework', 'A')}?hole=H2")
    page.get_by_role("button", name="Not a hole").click()
    said(page, page.get_by_role("dialog"), What_it_is="an ink dot")
    expect(page.locator("#panel-title")).to_contain_text("struck: not a hole")
    expect(rim(page, "H2")).to_have_attribute("aria-label", "H2, struck: not a hole")
    page.get_by_role("button", name="It is a hole after all").click()
    said(page, page.get_by_role("dialog"), Why="looked again")
    expect(page.locator("#panel-title")).to_contain_text("H2 rework")


def test_a_fastener_is_named_for_a_hole(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/photos/{place.measured('good', 'A')}?hole=H1")
    page.get_by_role("button", name="Name the fastener").click()
    said(page, page.get_by_role("dialog"), Fastener="1/8 rivet")
    expect(page.locator("#figures")).to_contain_text("1/8 rivet")


def test_a_fingernail_that_catches_makes_rework(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/photos/{place.measured('good', 'A')}?hole=H1")
    page.get_by_role("button", name="Felt with a fingernail", exact=True).click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_text("It catches").click()
    said(page, dialog)
    expect(page.locator("#panel-title")).to_contain_text("H1 rework")


def test_a_verdict_is_overruled_only_with_a_reason_and_can_be_taken_back(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/photos/{place.measured('rework', 'A')}")
    page.get_by_role("button", name="Overrule the verdict on this photo").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("Your name").fill("Kim")
    dialog.locator("button.main").click()
    expect(dialog.locator(".note")).to_have_text("Fill in: Reason.")
    said(page, dialog, Reason="accepted by the kit maker in writing")
    expect(page.get_by_label("Verdict", exact=True)).to_contain_text("Corrected by hand. The photo alone says: rework.")
    page.get_by_role("button", name="Take it back").click()
    said(page, page.get_by_role("dialog"), Why="it was for another piece")
    expect(page.get_by_label("Verdict", exact=True)).to_contain_text("short edge H2")
    expect(page.locator("section", has_text="Corrections").last).to_contain_text("taken back")


def test_a_correction_that_cannot_be_read_says_why_and_stays_open(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/photos/{place.measured('rework', 'A')}?hole=H2")
    page.get_by_role("button", name="Name the fastener").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("Fastener").fill("a nail")
    dialog.get_by_label("Your name").fill("Kim")
    dialog.locator("button.main").click()
    expect(dialog.locator(".note")).to_contain_text("is no fastener in the tables")
    expect(dialog.locator(".note")).to_be_focused()
    page.keyboard.press("Escape")
    expect(dialog).to_be_hidden()


# --- rework loop and board ---


def test_rework_clears_what_was_found_until_both_sides_make_the_piece_ready(page: Page, place: Place) -> None:
    place.measured("rework", "A")
    piece = f"{place.url}/pieces/{place.pieces[0]}"
    page.goto(piece)
    expect(page.get_by_label("State")).to_contain_text("rework")
    place.measured("mended", "A")
    page.goto(piece)
    expect(page.locator(".story > li").nth(1)).to_contain_text("Cleared since photo 1")
    expect(page.locator(".story > li").nth(1).locator(".cleared").first).to_have_text("H2: short edge")
    expect(page.get_by_label("State")).to_contain_text("wants a photo")
    page.get_by_role("link", name="Photograph side B").click()
    expect(page.get_by_label("Side B")).to_be_checked()
    place.measured("mended on B", "B")
    page.goto(piece)
    expect(page.get_by_label("State")).to_contain_text("ready")


def test_a_photo_set_aside_decides_nothing(page: Page, place: Place) -> None:
    place.measured("rework", "A")
    page.goto(f"{place.url}/pieces/{place.pieces[0]}")
    page.get_by_role("button", name="Set this photo aside").click()
    expect(page.locator(".story")).to_contain_text("set aside: decides nothing")
    expect(page.get_by_label("State")).to_contain_text("wants a photo")


def test_the_board_counts_filters_and_says_what_is_next(page: Page, own_place: Place) -> None:
    place = own_place
    place.measured("rework", "A")
    page.goto(place.url)
    counts = [" ".join(text.split()) for text in page.locator(".counts a").all_inner_texts()]
    assert counts == ["1 wants a photo", "1 rework", "0 wants a reading", "0 ready"]
    expect(page.locator(".steps > li").first).to_contain_text("HM-101, piece 1")
    page.get_by_role("link", name="short edge 1").click()
    expect(page.locator("#pieces tbody tr")).to_have_count(1)
    page.get_by_role("link", name="Whole kit").click()
    page.get_by_label("Number, name or label").fill(place.bench.pieces.get(place.pieces[1]).code)
    page.get_by_role("button", name="Show").click()
    expect(page.locator("#pieces tbody th")).to_have_text(["HM-101, 2 of 2"])


def test_the_queue_is_seen_on_every_page(page: Page, place: Place) -> None:
    for number in range(3):
        file_photo(place.bench, f"slow good {number}", Target(place.pieces[0], "A"))
    page.goto(f"{place.url}/kit")
    expect(page.locator("#queue")).to_have_text(re.compile("1 being measured, [12] photos? waits?"))
    expect(page.locator("#queue")).to_have_text("No photo waits.")


# --- the kit list ---


def test_a_part_is_entered_with_all_its_fields_changed_and_taken_off(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/kit")
    page.get_by_role("link", name="Add a part").click()
    fields = {
        "Part number": "HM-205", "Name": "Lug", "Quantity": "2", "Thickness": '3/16"', "Material": "6061-T6", "Drawing": "HM-D9",
        "Revision": "A", "Fastener of all holes": "AN3", "Edge rule, in diameters": "1.7",
        "Single holes: fastener": "H3 = 1/8 rivet", "Single holes: edge rule": "H3 = 1.5", "Notes": "left and right differ",
    }  # fmt: skip
    for label, text in fields.items():
        page.get_by_label(label).fill(text)
    page.get_by_label("fraction").check()
    page.get_by_role("button", name="Save").click()
    expect(page.locator("form .note", has_text="Check that")).to_have_text(
        "Check that HM-D9, revision A is the drawing for your version of the part."
    )
    part = place.bench.kit.get("HM-205")
    assert (part.edge_rule, part.hole_fasteners, part.hole_rules) == (1.7, {"H3": "1/8 rivet"}, {"H3": 1.5})
    assert (part.drill_sets, len(part.pieces), part.notes) == (["fraction"], 2, "left and right differ")
    page.get_by_label("Quantity").fill("3")
    with page.expect_navigation():
        page.get_by_role("button", name="Save").click()
    assert len(place.bench.kit.get("HM-205").pieces) == 3
    page.get_by_role("button", name="Take it off the list").click()
    page.get_by_role("dialog").get_by_role("button", name="Take it off").click()
    expect(page.locator("tbody")).not_to_contain_text("HM-205")


def test_a_field_that_cannot_be_read_is_named_and_nothing_typed_is_lost(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/kit/new")
    page.get_by_label("Part number").fill("HM-206")
    page.get_by_label("Thickness").fill("3 furlongs")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#trouble")).to_contain_text("3 furlongs")
    expect(page.get_by_label("Part number")).to_have_value("HM-206")


CSV = b"number,name,thickness,quantity,colour\nHM-301,Rib,0.5mm,2,red\nHM-302,Tab,3 furlongs,1,red\nHM-303,Post,2mm,1,red\n"


def test_an_import_is_previewed_names_its_bad_rows_and_loses_no_good_one(page: Page, own_place: Place) -> None:
    place = own_place
    page.goto(f"{place.url}/kit")
    page.get_by_label("CSV file").set_input_files({"name": "kit.csv", "mimeType": "text/csv", "buffer": CSV})
    page.get_by_role("button", name="Preview").click()
    preview = page.locator("#preview")
    expect(preview).to_contain_text("New: HM-301, HM-303")
    expect(preview.locator("tr.bad-row")).to_contain_text("HM-302")
    expect(preview.locator("tr.bad-row")).to_contain_text("3 furlongs")
    expect(preview).to_contain_text("Columns that are not read: colour")
    assert [part.number for part in place.bench.kit.all()] == ["HM-101"]
    preview.get_by_role("button", name="Import 2 parts and leave the bad rows out").click()
    expect(preview.get_by_role("heading")).to_have_text("Imported")
    assert [part.number for part in place.bench.kit.all()] == ["HM-101", "HM-301", "HM-303"]


# --- labels, the mat and the phone ---


def test_readings_of_the_mats_bars_are_kept_and_wrong_ones_refused(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/labels")
    page.get_by_label("Mat on paper").select_option("letter")
    along, across = layout("letter").bars_mm
    page.get_by_label("Bar along measures").fill(f"{along / 2}mm")
    page.get_by_label("Bar across measures").fill(f"{across}mm")
    page.get_by_role("button", name="Keep the readings").click()
    expect(page.get_by_text("more than")).to_be_focused()
    page.get_by_label("Bar along measures").fill(f"{along + 0.3}mm")
    page.get_by_role("button", name="Keep the readings").click()
    expect(page.get_by_role("listitem").filter(has_text=f"letter: {along + 0.3:.2f} mm along")).to_be_visible()


def test_labels_are_printed_for_the_pieces_that_are_chosen(page: Page, place: Place) -> None:
    page.goto(f"{place.url}/labels")
    page.get_by_role("button", name="Choose none").click()
    expect(page.locator("#count")).to_have_text("Choose at least one piece.")
    page.get_by_label(f"2 of {place.number}").check()
    expect(page.locator("#count")).to_have_text("1 label")
    with page.expect_request("**/labels.pdf?**") as asked:
        page.get_by_role("button", name="Labels as PDF").click()
    assert asked.value.url.endswith(f"/api/v1/labels.pdf?page=a4&pieces={place.pieces[1]}")


def test_the_code_on_the_page_opens_the_phone_signed_in(browser: Browser, tmp_path: Path) -> None:
    with stub_bench(tmp_path) as bench:
        access = Access(KEY)
        with served(bench, access) as bare:
            url = f"{bare}/enter?key={KEY}"
        with served(bench, replace(access, lan_url=url)) as address, browser.new_context() as context:
            page = context.new_page()
            page.goto(address)
            expect(page.get_by_role("heading")).to_have_text("Sign in first")
            page.goto(f"{address}/enter?key={KEY}")
            expect(page.get_by_role("heading", level=1)).to_have_text("Board of the kit")
            page.goto(f"{address}/phone")
            shown = np.frombuffer(page.locator(".qr").screenshot(), np.uint8)
            picture = cv2.imdecode(shown, cv2.IMREAD_GRAYSCALE)
            assert picture is not None
            assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == url


# --- the whole way ---


def test_a_sample_photo_is_measured_for_real_and_its_result_drawn_over_it(page: Page, tmp_path: Path) -> None:
    sample = ROOT / "sample_images" / "hm106_adjuster_a4_black.jpg"
    with open_bench(BenchSettings(tmp_path, workers=1)) as bench, served(bench, Access()) as url:
        piece = bench.kit.add(PartNew(number="HM-106", name="Adjuster", thickness="2mm")).pieces[0]
        page.goto(f"{url}/photo?piece={piece.id}&side=A")
        page.locator("#files").set_input_files(sample)
        page.get_by_role("link", name="See the result").click()
        expect(page.get_by_label("Verdict", exact=True)).to_contain_text("rework")
        page.wait_for_load_state("load")  # the photo lies where it stays, and the scripts listen
        x, y = middle(rim(page, "H1").locator(".core"))
        page.mouse.click(x, y)
        expect(page.locator("#panel-title")).to_contain_text("H1 ")
        expect(page.get_by_alt_text("The rim of H1, enlarged")).to_have_js_property("naturalWidth", 420)
        assert light_inside(page, rim(page, "H1")) < 100  # code values: what is drawn lies over the dark bore in the photo


def light_inside(page: Page, drawn: Locator) -> float:
    """Median code value of the screen inside a rim that is drawn; a line across it does not matter."""
    x, y = middle(drawn.locator(".core"))
    data = page.screenshot(clip={"x": x - 8, "y": y - 8, "width": 16, "height": 16})
    shown = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert shown is not None
    return float(np.median(shown))
