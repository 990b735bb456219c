"""Labels, the build log, and the service itself."""

from __future__ import annotations

from importlib.metadata import version
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Response

from api.deps import BenchDep
from api.problems import documented
from holeinspect.inspection import SCHEMA_VERSION
from holeinspect.records.shapes import LARGEST_ID, HealthShown

router = APIRouter(tags=["service"])
PieceIds = Annotated[
    list[Annotated[int, Query(ge=1, le=LARGEST_ID)]] | None, Query(description="May be repeated; all if left out.")
]


PDF = documented(404, 422) | {200: {"content": {"application/pdf": {}}}}


@router.get("/labels.pdf", responses=PDF, response_class=Response)
def print_labels(bench: BenchDep, pieces: PieceIds = None, page: Literal["a4", "letter"] = "a4") -> Response:
    """A sheet of part labels to print at 100 %: number, name, serial, and the code that a photo is recognised by."""
    headers = {"Content-Disposition": 'inline; filename="labels.pdf"'}
    return Response(bench.labels(pieces, page), media_type="application/pdf", headers=headers)


@router.get("/build-log.pdf", responses=PDF, response_class=Response)
def print_build_log(bench: BenchDep, pieces: PieceIds = None, page: Literal["a4", "letter"] = "a4") -> Response:
    """The records of pieces to print or file: state, photos, corrections, and what was measured on each side."""
    headers = {"Content-Disposition": 'inline; filename="build-log.pdf"'}
    return Response(bench.build_log(pieces, page), media_type="application/pdf", headers=headers)


@router.get("/health")
def show_health(bench: BenchDep) -> HealthShown:
    """That the service and its database answer."""
    return HealthShown(status="ok", version=version("holeinspect"), schema_version=SCHEMA_VERSION, measured=bench.measured())
