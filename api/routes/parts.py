"""The kit list."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, Response, UploadFile

from api.deps import BenchDep, CutDep
from api.etags import check_match, is_known, tag_of, unchanged
from api.problems import documented
from holeinspect.records.shapes import ImportShown, PageOf, PartChange, PartNew, PartShown

router = APIRouter(tags=["kit list"])
Number = Annotated[str, Path(min_length=1, max_length=60, examples=["HM-101"])]


@router.get("/parts")
def list_parts(bench: BenchDep, cut: CutDep) -> PageOf[PartShown]:
    """The parts of the kit with their pieces, by part number."""
    return bench.kit.page(cut)


@router.post("/parts", status_code=201, responses=documented(409, 422))
def add_part(bench: BenchDep, new: PartNew, response: Response) -> PartShown:
    """Add a part; each of its pieces gets a record and a label code of its own."""
    part = bench.kit.add(new)
    response.headers["Location"] = f"/api/v1/parts/{part.number}"
    response.headers["ETag"] = tag_of(part)
    return part


@router.get("/parts.csv", responses={200: {"content": {"text/csv": {}}}}, response_class=Response)
def export_parts(bench: BenchDep) -> Response:
    """The kit list as CSV; importing it again changes nothing."""
    headers = {"Content-Disposition": 'attachment; filename="kit.csv"'}
    return Response(bench.kit.export_csv(), media_type="text/csv; charset=utf-8", headers=headers)


@router.post("/parts/import", responses=documented(413, 422))
def import_parts(
    bench: BenchDep,
    file: UploadFile,
    dry_run: Annotated[bool, Query(description="Read and report only.")] = True,
) -> ImportShown:
    """Import a kit list from CSV: good rows are taken, bad ones are named with what is wrong."""
    return bench.kit.import_csv(file.file, dry_run=dry_run)


@router.get("/parts/{number}", responses=documented(404) | {304: {"description": "Not changed."}}, response_model=PartShown)
def show_part(bench: BenchDep, number: Number, request: Request, response: Response) -> PartShown | Response:
    """One part with its pieces."""
    part = bench.kit.get(number)
    tag = tag_of(part)
    if is_known(request, tag):
        return unchanged(tag)
    response.headers["ETag"] = tag
    return part


@router.patch("/parts/{number}", responses=documented(404, 409, 412, 422))
def change_part(bench: BenchDep, number: Number, change: PartChange, request: Request, response: Response) -> PartShown:
    """Change what is given; where that changes the measuring, the part's photos are measured again."""
    check_match(request, tag_of(bench.kit.get(number)), f"Part {number}")
    part = bench.kit.change(number, change)
    response.headers["ETag"] = tag_of(part)
    return part


@router.delete("/parts/{number}", status_code=204, responses=documented(404, 409))
def remove_part(bench: BenchDep, number: Number) -> None:
    """Take a part off the list; refused where it has photos, as records are never lost."""
    bench.kit.remove(number)
