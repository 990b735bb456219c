"""Reads the tables that come with the package.

Every row says its source, how its figures are known and, under `confirmed`, whether they were seen in a document or
follow from a definition. A figure that is not confirmed may be shown; it never condemns a hole by itself.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib import resources
from typing import TypeAlias

Row: TypeAlias = dict[str, str]


@cache
def rows(table: str) -> tuple[Row, ...]:
    """The rows of data/<table>.csv in their order, all cells text."""
    text = (resources.files("holeinspect.trade") / "data" / f"{table}.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))


def is_confirmed(row: Row) -> bool:
    """Whether the row's figures may decide a verdict."""
    return row["confirmed"] == "yes"
