"""The mat by the service: its print, and the readings of its check bars."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pypdfium2 as pdfium
import pytest

from api.access import Access
from holeinspect.scale.mat import PAGES
from holeinspect.scale.readings import DATA_VARIABLE, load_readings
from tests.bench_stubs import served, stub_bench


@pytest.fixture
def address(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path / "data"))
    with stub_bench(tmp_path / "bench") as bench, served(bench, Access()) as served_at:
        yield served_at


@pytest.mark.parametrize(("page", "size_mm"), [("a4", (210, 297)), ("letter", (215.9, 279.4))])  # ISO 216; ANSI Y14.1
def test_mat_is_printed_in_true_size(address: str, page: str, size_mm: tuple[float, float]) -> None:
    answer = httpx.get(f"{address}/api/v1/mat.pdf", params={"page": page, "window": "white"})
    width_pt, height_pt = pdfium.PdfDocument(answer.content)[0].get_size()
    assert (width_pt * 25.4 / 72, height_pt * 25.4 / 72) == pytest.approx(size_mm, rel=0, abs=0.01)


def test_readings_are_kept_for_later_photos_and_shown(address: str) -> None:
    along, across = PAGES["a4"].bars_mm
    said = {"along": f"{along - 0.5}mm", "across": f"{across + 0.2}mm"}
    kept = httpx.put(f"{address}/api/v1/mats/a4/readings", json=said).raise_for_status().json()
    assert (kept["read_along_mm"], kept["read_across_mm"]) == pytest.approx((along - 0.5, across + 0.2), rel=0, abs=1e-9)
    stored = load_readings("a4")
    assert stored is not None
    assert stored.along_mm == pytest.approx(along - 0.5, rel=0, abs=1e-9)
    assert kept in httpx.get(f"{address}/api/v1/mats").json()
    assert f"a4: {along - 0.5:.2f} mm along" in httpx.get(f"{address}/labels").text


def test_swapped_readings_are_refused_with_what_is_wrong(address: str) -> None:
    along, across = PAGES["letter"].bars_mm
    answer = httpx.put(f"{address}/api/v1/mats/letter/readings", json={"along": f"{across}mm", "across": f"{along}mm"})
    assert answer.status_code == 422
    assert "swapped" in answer.json()["detail"]
    assert load_readings("letter") is None
