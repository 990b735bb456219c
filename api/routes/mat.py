"""The scale mat: its print, and what its check bars measure. The readings belong to this machine, as on the command line."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Path, Response

from api.problems import documented
from holeinspect.records.shapes import MatReadings, MatShown
from holeinspect.scale.mat import PAGES, layout
from holeinspect.scale.readings import load_readings, save_readings
from holeinspect.scale.sheet import mat_pdf
from holeinspect.units import to_mm

router = APIRouter(tags=["mat"])
PageName = Literal["a4", "letter", "a3", "11x17"]


def mats() -> list[MatShown]:
    """Every mat with its readings."""
    return [_shown(page) for page in PAGES]


@router.get("/mats")
def list_mats() -> list[MatShown]:
    """The papers that the mat can be printed on, with the readings of their check bars."""
    return mats()


@router.get("/mat.pdf", responses=documented(422) | {200: {"content": {"application/pdf": {}}}}, response_class=Response)
def print_mat(page: PageName = "a4", window: Literal["black", "white", "open"] = "black") -> Response:
    """The mat to print at 100 %, without fitting to the page."""
    headers = {"Content-Disposition": f'inline; filename="mat-{page}-{window}.pdf"'}
    return Response(mat_pdf(layout(page, window)), media_type="application/pdf", headers=headers)


@router.put("/mats/{page}/readings", responses=documented(422))
def keep_readings(page: Annotated[PageName, Path()], read: MatReadings) -> MatShown:
    """Keep what the check bars of that paper's mat measure; later photos use it."""
    save_readings(page, to_mm(read.along), to_mm(read.across))
    return _shown(page)


def _shown(page: str) -> MatShown:
    along_mm, across_mm = PAGES[page].bars_mm
    read = load_readings(page)
    return MatShown(
        page=page,
        along_mm=along_mm,
        across_mm=across_mm,
        read_along_mm=read.along_mm if read else None,
        read_across_mm=read.across_mm if read else None,
        measured_on=read.measured_on if read else None,
    )
