"""The bench's pages in a real Chromium: weight, time until usable, time from a file to its verdict; and pictures of them.

    python benchmarks/pages.py [--count 5] [--pictures docs]

A demo kit (the invented Heron trailer mast) is measured from the sample photos. `--pictures` writes the four main pages at a
phone's and a desk's size. Needs Chromium and the development packages.
"""

from __future__ import annotations

import io
import json
import shutil
import socket
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Thread
from typing import Annotated

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # run as a script, it needs the tables beside it

import typer
import uvicorn
from PIL import Image
from playwright.sync_api import Browser, Page, Response, sync_playwright

from api.access import Access
from api.app import create_app
from benchmarks.tables import Table, show
from holeinspect.inspection import Inspection
from holeinspect.records.bench import Bench, BenchSettings, open_bench
from holeinspect.records.photos import Target
from holeinspect.records.shapes import CorrectionNew, PartNew, Side

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "sample_images"
SIZES = {"phone": (390, 844), "desk": (1440, 900)}
PICTURE_KB = 200
"""No picture is larger."""
QUALITIES = (88, 82, 76, 70, 62, 54)
OF_PHOTOS = ("/image", "/rim.png")
"""Addresses of photos and of what is cut out of them."""
PATIENCE_MS = 180_000
QUIET = ("--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update",
         "--disable-sync", "--disable-default-apps", "--disable-domain-reliability")  # fmt: skip
KIT = (
    PartNew(number="HM-101", name="Gusset", quantity=2, material="6061-T6", thickness="3.2mm", drawing="HM-D1", revision="B"),
    PartNew(number="HM-106", name="Slotted adjuster", quantity=2, material="6061-T6", thickness="2mm", drawing="HM-D4"),
    PartNew(number="HM-107", name="Load washer", quantity=4, material="6061-T6", thickness="3.2mm", pitch_rule=1.2),
    PartNew(number="HM-109", name="Bracket", quantity=2, material="5052-H32", thickness="2mm", drawing="HM-D6", revision="A"),
    PartNew(number="HM-105", name="Cover", quantity=1, material="5052-H32", thickness="0.8mm", drawing="HM-D3"),
)
Shown = tuple[str, str, int, Side]
PHOTOS: tuple[Shown, ...] = (
    ("hm106_adjuster_a4_black", "HM-106", 1, "A"),
    ("hm109_bracket_a4_open", "HM-109", 1, "A"),
    ("hm109_bracket_a4_white", "HM-109", 1, "A"),
    ("hm101_gusset_a4_black", "HM-101", 1, "A"),
    ("hm101_gusset_a4_card", "HM-101", 1, "B"),
    ("hm107_washer_a4_black", "HM-107", 1, "A"),
)
"""Photo, part, serial, side: in the order in which they are taken."""
LOOKED_AT = ("hm106_adjuster_a4_black", "H1")
"""Photo and hole of the picture of the result page."""
FRESH = "hm105_cover_letter_black"
"""Photo for the time from a file to its verdict."""


@dataclass(frozen=True, slots=True)
class Kit:
    """A served demo kit: ids of its pieces by part and serial, and of its photos by their sample."""

    bench: Bench
    url: str
    pieces: dict[tuple[str, int], int]
    photos: dict[str, int]

    @property
    def sent(self) -> str:
        """The first photos as the photo page remembers that it has sent them, as JSON."""
        return json.dumps([{"id": self.photos[sample], "name": f"{sample}.jpg"} for sample, *_ in PHOTOS[:2]])

    @property
    def addresses(self) -> dict[str, str]:
        """The four main pages."""
        result = f"/photos/{self.photos[LOOKED_AT[0]]}?hole={LOOKED_AT[1]}"
        photo = f"/photo?piece={self.pieces['HM-106', 2]}&side=A"
        return {"board": "/", "photo": photo, "result": result, "piece": f"/pieces/{self.pieces['HM-109', 1]}"}


@contextmanager
def served(bench: Bench) -> Iterator[str]:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        server = uvicorn.Server(uvicorn.Config(create_app(bench, Access()), log_level="error", lifespan="off"))
        thread = Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
        bench.progress.close()
        server.should_exit = True
        thread.join()


@contextmanager
def demo_kit(folder: Path) -> Iterator[Kit]:
    """The kit list with its photos measured."""
    with open_bench(BenchSettings(folder)) as bench, served(bench) as url:
        pieces = {(part.number, piece.serial): piece.id for new in KIT for part in [bench.kit.add(new)] for piece in part.pieces}
        photos = {}
        for sample, number, serial, side in PHOTOS:
            with (SAMPLES / f"{sample}.jpg").open("rb") as file:
                photos[sample] = bench.photos.take_in(file, f"{sample}.jpg", Target(pieces[number, serial], side)).photo.id
        while (queue := bench.queue()).queued or queue.measuring:
            time.sleep(0.1)
        yield Kit(bench, url, pieces, photos)


@contextmanager
def chromium() -> Iterator[Browser]:
    found = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=list(QUIET))
        yield browser
        browser.close()


@contextmanager
def window(browser: Browser, size: str) -> Iterator[Page]:
    width, height = SIZES[size]
    with browser.new_context(viewport={"width": width, "height": height}) as context:
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        yield page


def usable(browser: Browser, address: str, size: str) -> tuple[float, int]:
    """Seconds until the scripts of a page opened afresh have run, and bytes fetched besides photos, uncompressed."""
    fetched: list[Response] = []
    with window(browser, size) as page:
        page.on("response", lambda response: fetched.append(response))
        page.goto(address, wait_until="load")
        done_ms = page.evaluate("performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd")
        weight = sum(len(answer.body()) for answer in fetched if not any(part in answer.url for part in OF_PHOTOS))
    return done_ms / 1000, weight


def page_table(browser: Browser, kit: Kit, count: int) -> Table:
    rows = []
    for name, address in kit.addresses.items():
        tried = [usable(browser, kit.url + address, "phone") for _ in range(count)]
        soonest, weight = min(seconds for seconds, _ in tried), max(weight for _, weight in tried)
        rows.append((name, f"{soonest:.2f} s", f"{weight / 1000:.0f} kB"))
    return Table(f"Pages at phone size, best of {count}", ("page", "usable after", "weight without photos"), rows)


def verdict_table(browser: Browser, kit: Kit, count: int) -> Table:
    """A 12-megapixel photo on loopback: from the file chosen to the verdict on the page, and the measuring alone."""
    rows = []
    with window(browser, "phone") as page:
        page.goto(f"{kit.url}/photo?piece={kit.pieces['HM-105', 1]}&side=A")
        for turn in range(count):
            file = kit.bench.settings.folder / f"{turn}.jpg"
            file.write_bytes((SAMPLES / f"{FRESH}.jpg").read_bytes() + turn.to_bytes(2, "big"))  # another file each time
            began = time.perf_counter()
            page.locator("#files").set_input_files(file)
            page.locator(".job", has_text=f"{turn}.jpg").get_by_role("link", name="See the result").wait_for()
            seconds = time.perf_counter() - began
            newest = kit.bench.pieces.get(kit.pieces["HM-105", 1]).photos[-1].photo.id
            measuring = Inspection.model_validate_json(kit.bench.photos.result(newest).json).seconds
            rows.append((str(turn + 1), f"{seconds:.2f} s", f"{measuring:.2f} s", f"{seconds - measuring:.2f} s"))
    return Table("From file to verdict", ("try", "file chosen to verdict shown", "measuring", "difference"), rows)


def save_small(shown: bytes, target: Path) -> None:
    """As JPEG of the best quality that stays under the limit."""
    picture = Image.open(io.BytesIO(shown)).convert("RGB")
    for quality in QUALITIES:
        data = io.BytesIO()
        picture.save(data, "JPEG", quality=quality, optimize=True)
        if data.tell() <= PICTURE_KB * 1000:
            break
    target.write_bytes(data.getvalue())


def picture(browser: Browser, kit: Kit, folder: Path) -> None:
    """The four main pages at both sizes, as a person sees them on opening."""
    for size in SIZES:
        for name, address in kit.addresses.items():
            with window(browser, size) as page:
                page.add_init_script(f"sessionStorage.setItem('photos', JSON.stringify({kit.sent}))")
                page.goto(kit.url + address, wait_until="networkidle")
                save_small(page.screenshot(), folder / f"page_{name}_{size}.jpg")


def main(
    count: Annotated[int, typer.Option(min=1, help="Tries; the best counts.")] = 5,
    pictures: Annotated[Path | None, typer.Option(help="Write pictures of the pages into this folder.")] = None,
) -> None:
    """Measure the pages, and picture them if asked."""
    with tempfile.TemporaryDirectory() as folder, demo_kit(Path(folder)) as kit, chromium() as browser:
        kit.bench.corrections.add(
            kit.photos[LOOKED_AT[0]],
            CorrectionNew(kind="fastener", who="builder", subject="H4", fastener="4.8mm"),
        )
        if pictures is not None:
            picture(browser, kit, pictures)
        show([page_table(browser, kit, count), verdict_table(browser, kit, count)])


if __name__ == "__main__":
    typer.run(main)
