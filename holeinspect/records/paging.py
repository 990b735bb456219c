"""Long lists a page at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from holeinspect.records.shapes import PageOf

PER_PAGE, MOST_PER_PAGE = 50, 200
Item = TypeVar("Item")


@dataclass(frozen=True, slots=True)
class Cut:
    """Which page of a list; pages count from 1."""

    page: int = 1
    per_page: int = PER_PAGE

    @property
    def start(self) -> int:
        """Index of its first item."""
        return (self.page - 1) * self.per_page


def page_of(items: Sequence[Item], cut: Cut) -> PageOf[Item]:
    """The page of a whole list."""
    return page_with(items[cut.start : cut.start + cut.per_page], len(items), cut)


def page_with(items: Sequence[Item], total: int, cut: Cut) -> PageOf[Item]:
    """The page that holds these items of a list of so many."""
    pages = max(1, -(-total // cut.per_page))
    return PageOf(items=list(items), page=cut.page, pages=pages, total=total, per_page=cut.per_page)
