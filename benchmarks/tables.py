"""Tables of figures: printed by rich, written into a page of the docs between two markers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.table import Table as RichTable

NARROW = 120
"""Columns of a terminal that is no terminal: a log or a pipe."""


@dataclass(frozen=True, slots=True)
class Table:
    """A title, the columns' names and rows of text."""

    title: str
    columns: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]

    @property
    def markdown(self) -> str:
        """As a section of a Markdown page."""
        lines = [self.columns, ("---",) * len(self.columns), *self.rows]
        return f"### {self.title}\n\n" + "\n".join(f"| {' | '.join(line)} |" for line in lines) + "\n"


def show(tables: Sequence[Table]) -> None:
    """Print the tables."""
    console = Console()
    if not console.is_terminal:
        console = Console(width=NARROW)
    for table in tables:
        drawn = RichTable(title=table.title, title_justify="left")
        for name in table.columns:
            drawn.add_column(name)
        for row in table.rows:
            drawn.add_row(*row)
        console.print(drawn)


def write(page: Path, name: str, command: str, tables: Sequence[Table]) -> None:
    """Replace what stands between the page's markers `name` by the command and its tables.

    Raises ValueError where the page has no such markers.
    """
    begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
    text = page.read_text(encoding="utf-8")
    if begin not in text or end not in text:
        raise ValueError(f"{page} has no markers {begin} and {end}: add them where the figures belong.")
    before, after = text.split(begin)[0], text.split(end)[1]
    figures = "\n".join(table.markdown for table in tables)
    page.write_text(f"{before}{begin}\n\n    {command}\n\n{figures}\n{end}{after}", encoding="utf-8")
