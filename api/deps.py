"""What handlers are given, as annotations that read like a sentence."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Path, Query, Request

from holeinspect.records.bench import Bench
from holeinspect.records.paging import MOST_PER_PAGE, PER_PAGE, Cut
from holeinspect.records.shapes import LARGEST_ID


def _bench(request: Request) -> Bench:
    bench: Bench = request.app.state.bench
    return bench


def _cut(
    page: Annotated[int, Query(ge=1, le=LARGEST_ID, description="Counts from 1.")] = 1,
    per_page: Annotated[int, Query(ge=1, le=MOST_PER_PAGE)] = PER_PAGE,
) -> Cut:
    return Cut(page, per_page)


BenchDep = Annotated[Bench, Depends(_bench)]
CutDep = Annotated[Cut, Depends(_cut)]
PhotoId = Annotated[int, Path(ge=1, le=LARGEST_ID, examples=[1])]
PieceId = Annotated[int, Path(ge=1, le=LARGEST_ID, examples=[1])]
