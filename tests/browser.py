"""A real headless Chromium for the tests of the pages, and what is watched in it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Locator, Page, Response, sync_playwright

QUIET = (
    "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--disable-default-apps", "--disable-domain-reliability", "--metrics-recording-only",
)  # fmt: skip
"""No call of the browser's own leaves the machine."""
PHONE, DESK = (390, 844), (1440, 900)
WCAG = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")
"""Rules of axe-core: WCAG 2.2, levels A and AA, and what its makers advise beyond."""
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")


@contextmanager
def chromium() -> Iterator[Browser]:
    """The machine's Chromium; the test is skipped where there is none."""
    found = next(filter(None, map(shutil.which, NAMES)), None)
    if found is None:
        pytest.skip(f"No Chromium on this machine: none of {', '.join(NAMES)} is there.")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=found, args=list(QUIET))
        yield browser
        browser.close()


@dataclass
class Watch:
    """What a page did beside what was asked: errors, and what it fetched."""

    page: Page
    errors: list[str] = field(default_factory=list)
    responses: list[Response] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("console", lambda told: self.errors.append(told.text) if told.type == "error" else None)
        self.page.on("response", lambda response: self.responses.append(response))

    def hosts(self) -> set[str]:
        return {urlsplit(response.url).netloc for response in self.responses}

    def weight_bytes(self) -> int:
        """All that was fetched besides photos and what is cut out of them, uncompressed."""
        parts_of_photos = ("/image", "/rim.png", "/events")
        kept = [answer for answer in self.responses if answer.status == 200]
        return sum(len(answer.body()) for answer in kept if not any(part in answer.url for part in parts_of_photos))


def violations(page: Page) -> list[str]:
    """What axe-core has against the page as it is now: rule, and the elements."""
    found = Axe().run(page, options={"runOnly": list(WCAG)}).response["violations"]
    return [f"{rule['id']}: {[node['html'][:120] for node in rule['nodes']]}" for rule in found]


def sideways_px(page: Page) -> int:
    """How much wider than the window the page is."""
    return int(page.evaluate("document.documentElement.scrollWidth - window.innerWidth"))


def middle(locator: Locator) -> tuple[float, float]:
    """The middle of an element, in px of the window."""
    locator.scroll_into_view_if_needed()
    box = locator.bounding_box()
    assert box is not None, "the element is shown"
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
