from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pypdfium2 as pdfium
from PIL import Image

from holeinspect.records.shapes import PartShown, PieceShown
from holeinspect.report.build_log import LoggedPiece, LoggedSide, build_log_pdf
from tests.example_inspection import example

MAY = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)


def reason(name: str, subject: str) -> dict[str, Any]:
    return {"name": name, "subject": subject, "sentence": f"{name} there", "blocking": True}


def photo(number: int, side: str, verdict: str, reasons: list[dict[str, Any]]) -> dict[str, Any]:
    standing = {"verdict": verdict, "measured_verdict": verdict, "holes": [], "reasons": reasons, "readings_wanted": []}
    return {"id": number, "piece": 1, "number": "HM-300", "serial": 2, "side": side, "name": f"photo{number}.jpg",
            "state": "measured", "place_in_queue": None, "attempts": 0, "error": None, "note": None, "set_aside": False,
            "taken_at": None, "received_at": MAY, "size_bytes": 1, "sha256": "0" * 64, "uploaded_sha256": "0" * 64,
            "inspections": 1, "measured_at": MAY, "standing": standing}  # fmt: skip


def logged(folder: Path) -> LoggedPiece:
    """A tab that lost a burr between two photos, with a correction on the second."""
    burrs = [reason("burr", "H1"), reason("burr", "H2")]
    short = [reason("short edge", "H2")]
    first = {"photo": photo(1, "A", "rework", burrs + short), "found": burrs + short, "new": [], "cleared": [],
             "compared_with": None, "counts": False}  # fmt: skip
    second = {"photo": photo(2, "A", "rework", short), "found": short, "new": [], "cleared": burrs, "compared_with": 1,
              "counts": True}  # fmt: skip
    correction = {"kind": "override", "who": "the builder", "verdict": "good", "reason": "allowed by the drawing", "id": 1,
                  "photo": 2, "inspection": 2, "made_at": MAY, "sentence": "the builder calls it good: allowed by the drawing",
                  "withdrawn": True, "lost": False}  # fmt: skip
    piece = PieceShown.model_validate({
        "id": 1, "number": "HM-300", "name": "Tab & plate", "serial": 2, "of": 3, "code": "ABCDEFGH23", "state": "rework",
        "why": ["Side B has not been photographed."], "reasons": ["short edge"], "sides_wanted": ["B"], "waiting": 0, "failed": 0,
        "photos": [first, second], "corrections": [correction], "drawing_note": "", "notes": ""})  # fmt: skip
    part = PartShown.model_validate({
        "number": "HM-300", "name": "Tab & plate", "quantity": 3, "material": "2024-T3", "thickness": "2 mm", "thickness_mm": 2.0,
        "drawing": "HM-D7", "revision": "C", "notes": "", "changed_at": MAY, "drawing_note": "", "pieces": []})  # fmt: skip
    picture = folder / "marked.jpg"
    Image.new("RGB", (2000, 1200), (120, 120, 120)).save(picture)
    return LoggedPiece(piece, part, (LoggedSide(example(side="A").model_dump_json(), picture),))


def pages(pdf: bytes) -> list[str]:
    return [" ".join(page.get_textpage().get_text_bounded().split()) for page in pdfium.PdfDocument(pdf)]


def test_log_tells_state_photos_corrections_and_figures_of_each_piece(tmp_path: Path) -> None:
    overview, *rest = pages(build_log_pdf([logged(tmp_path)], MAY, "a4"))
    told = " ".join(rest)
    assert "1 piece, 0 ready" in overview
    assert "HM-300, 2 of 3 Tab & plate HM-D7 rev. C rework side A: 2026-05-04 09:30" in overview
    for words in ("Side B has not been photographed.", "Label ABCDEFGH23. Material 2024-T3. Thickness 2 mm. Drawing HM-D7 rev. C",
                  "burr: H1, H2", "allowed by the drawing (withdrawn)", "Side A, as measured", "4.000 ± 0.040"):  # fmt: skip
        assert words in told


def test_every_piece_begins_on_a_page_of_its_own(tmp_path: Path) -> None:
    several = pages(build_log_pdf([logged(tmp_path)] * 3, MAY, "letter"))
    assert sum(page.count("HM-300, 2 of 3: Tab & plate") for page in several) == 3


def test_log_of_no_piece_says_so() -> None:
    assert "0 pieces, 0 ready" in pages(build_log_pdf([], MAY, "a4"))[0]


def test_pictures_are_no_larger_than_paper_shows(tmp_path: Path) -> None:
    one, two = (len(build_log_pdf([logged(tmp_path)] * n, MAY, "a4")) for n in (1, 2))
    assert two - one < 150_000  # bytes; an even picture of 1417 px and a page of text
