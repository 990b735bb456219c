"""The kit list as CSV: there and back, and what is wrong with it."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holeinspect.errors import SetupError
from holeinspect.records.bench import Bench
from holeinspect.records.kit_csv import COLUMNS, FORMULA_SIGNS, is_same, read_kit, write_kit
from holeinspect.records.shapes import PartNew, PartShown
from tests.bench_stubs import stub_bench


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with stub_bench(tmp_path) as bench:
        yield bench


def as_shown(part: PartNew) -> PartShown:
    known = part.model_dump() | {"thickness_mm": 1.0, "changed_at": datetime.now(UTC), "drawing_note": "", "pieces": []}
    return PartShown.model_validate(known)


letters = st.characters(exclude_categories=["C", "Zl", "Zp"])
lines = st.text(letters, max_size=30).map(lambda text: " ".join(text.split()))
numbers = st.text(st.characters(exclude_categories=["C", "Z"], exclude_characters="/"), min_size=1, max_size=12)
parts = st.builds(
    PartNew,
    number=numbers,
    name=lines,
    quantity=st.integers(1, 9),
    material=lines,
    thickness=st.sampled_from(["3.2mm", '1/8"', "0.032in", '1 1/4"']),
    drawing=lines,
    revision=lines,
    fastener=st.sampled_from([None, "1/8 rivet", "AN3", "3/16 bolt"]),
    drill_sets=st.lists(st.sampled_from(["number", "letter", "fraction", "metric"]), unique=True),
    edge_rule=st.sampled_from([None, 1.5, 2.0]),
    hole_rules=st.dictionaries(st.sampled_from(["H1", "H2", "P2.H10"]), st.sampled_from([1.5, 2.25])),
    hole_fasteners=st.dictionaries(st.sampled_from(["H1", "H3"]), st.sampled_from(["AN3", "#10 screw"])),
    burr_limit=st.sampled_from([None, "0.1mm"]),
    notes=st.text(st.one_of(letters, st.just("\n")), max_size=40).map(str.strip),
)


@settings(max_examples=50, deadline=None)
@given(st.lists(parts, max_size=4, unique_by=lambda part: part.number))
def test_a_list_that_was_written_reads_back_the_same(kit: list[PartNew]) -> None:
    table = read_kit(io.BytesIO(write_kit([as_shown(part) for part in kit]).encode()))
    assert [row.bad for row in table.rows] == [None] * len(kit)
    assert all(row.part is not None and is_same(as_shown(part), row.part) for row, part in zip(table.rows, kit, strict=True))
    assert [row.part.number for row in table.rows if row.part] == [part.number for part in kit]


@settings(max_examples=50, deadline=None)
@given(parts)
def test_no_cell_is_a_formula_to_a_spreadsheet(part: PartNew) -> None:
    rows = list(csv.reader(io.StringIO(write_kit([as_shown(part)]))))
    assert not [cell for cell in rows[1] if cell.startswith(FORMULA_SIGNS)]


LIST = '''number,name,quantity,thickness,fastener,colour
HM-101,Gusset,2,3.2mm,1/8 rivet,red
HM-102,Lug,none,3.2mm,,
HM-103,Tab,1,3 furlongs,,
,Rib,1,1mm,,
HM-104,Base,1,"1/8""",AN3,

HM-105,Cover,1,1mm,a nail,
HM-101,Gusset again,1,3.2mm,,
HM-106,Adjuster,1,2mm,,,,too much
'''


def test_bad_rows_are_named_and_good_ones_taken(bench: Bench) -> None:
    preview = bench.kit.import_csv(io.BytesIO(LIST.encode()), dry_run=True)
    assert bench.kit.all() == []
    done = bench.kit.import_csv(io.BytesIO(LIST.encode()), dry_run=False)
    assert done.added == preview.added == ["HM-101", "HM-104"]
    assert done.ignored_columns == ["colour"]
    assert [(row.row, row.number) for row in done.bad] == [
        (3, "HM-102"), (4, "HM-103"), (5, ""), (8, "HM-105"), (9, "HM-101"), (10, "HM-106"),
    ]  # fmt: skip
    assert done.bad[1].problems[0].startswith("thickness: '3 furlongs' is no length. Write it like 3.2 mm")
    assert done.bad[4].problems == ["number: it stands in row 2 already."]
    assert [part.number for part in bench.kit.all()] == ["HM-101", "HM-104"]


def test_an_import_changes_what_differs_and_leaves_the_rest(bench: Bench) -> None:
    bench.kit.import_csv(io.BytesIO(LIST.encode()), dry_run=False)
    changed = LIST.replace("HM-101,Gusset,2", "HM-101,Gusset,3")
    done = bench.kit.import_csv(io.BytesIO(changed.encode()), dry_run=False)
    assert (done.added, done.changed, done.same) == ([], ["HM-101"], ["HM-104"])
    assert len(bench.kit.get("HM-101").pieces) == 3


def test_exporting_and_importing_changes_nothing(bench: Bench) -> None:
    bench.kit.import_csv(io.BytesIO(LIST.encode()), dry_run=False)
    done = bench.kit.import_csv(io.BytesIO(bench.kit.export_csv().encode()), dry_run=False)
    assert (done.added, done.changed, done.same, done.bad) == ([], [], ["HM-101", "HM-104"], [])


@pytest.mark.parametrize(
    "as_spreadsheets_write_it",
    [
        lambda text: text.encode("utf-8-sig"),
        lambda text: text.replace(",", ";").encode(),
        lambda text: text.replace(",", "\t").replace("\n", "\r\n").encode(),
        lambda text: text.encode("cp1252"),
    ],
)
def test_lists_are_read_as_spreadsheets_write_them(as_spreadsheets_write_it: Any) -> None:
    table = read_kit(io.BytesIO(as_spreadsheets_write_it("Number,Name,Thickness\nHM-1,Tür,2mm\n")))
    assert [(row.part.number, row.part.name) for row in table.rows if row.part] == [("HM-1", "Tür")]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "names no column number and no thickness"),
        (b"name,thickness\n", "names no column number"),
        (b"number,thickness,number\n", "names number twice"),
        (b"PK\x03\x04\0\0", "The list is no text"),
        (b'number,thickness\n"HM-1,2mm\n', "cannot be read as CSV"),
        (b"x" * 2_000_001, "more than 2 MB"),
    ],
)
def test_what_is_no_kit_list_is_refused(content: bytes, sentence: str) -> None:
    with pytest.raises(SetupError, match=sentence):
        read_kit(io.BytesIO(content))


def test_every_field_of_a_part_has_its_column() -> None:
    assert set(COLUMNS) == set(PartNew.model_fields)
