"""Photos: upload, progress, pictures, results, corrections."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import APIRouter, Depends, File, Form, Path, Query, Request, Response, UploadFile
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import FileResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent

from api.deps import BenchDep, CutDep, PhotoId
from api.etags import file_answer, is_known, unchanged
from api.problems import documented
from holeinspect.inspection import Inspection
from holeinspect.records.photos import Target
from holeinspect.records.shapes import (
    LARGEST_ID,
    CorrectionNew,
    CorrectionShown,
    PageOf,
    PhotoChange,
    PhotoShown,
    Side,
    StepShown,
)

router = APIRouter(tags=["photos"])


def _known(bench: BenchDep, photo: PhotoId) -> int:
    """Refuses an unknown photo while an answer can still be refused: a stream has begun with its first line."""
    return bench.photos.get(photo).id


KnownPhoto = Annotated[int, Depends(_known)]
JPEG: dict[int | str, dict[str, Any]] = {200: {"content": {"image/jpeg": {}}}, 304: {"description": "Not changed."}}
PNG: dict[int | str, dict[str, Any]] = {200: {"content": {"image/png": {}}}, 304: {"description": "Not changed."}}
SVG: dict[int | str, dict[str, Any]] = {200: {"content": {"image/svg+xml": {}}}, 304: {"description": "Not changed."}}
PartName = Annotated[str, Path(max_length=20, examples=["P1"], description="As in the inspection.")]
HoleName = Annotated[str, Path(max_length=20, examples=["H1"], description="As in the inspection.")]
HOLE = "/photos/{photo}/parts/{part}/holes/{hole}"
WIDEST_PX = 20_000


@router.post(
    "/photos",
    status_code=201,
    responses=documented(404, 413, 422, 503, 507) | {200: {"model": PhotoShown, "description": "This photo is known already."}},
)
def add_photo(
    bench: BenchDep,
    response: Response,
    file: Annotated[UploadFile, File(description="As the phone wrote it: JPEG, HEIC, PNG, TIFF or WebP.")],
    piece: Annotated[int | None, Form(ge=1, le=LARGEST_ID, description="Left out: the label in the photo says it.")] = None,
    side: Annotated[Side | None, Form(description="Which side is up.")] = None,
) -> PhotoShown:
    """Take in a photo and queue it. The same file for the same piece and side again is answered with 200 and the same photo."""
    stored = bench.photos.take_in(file.file, file.filename or "photo", Target(piece, side))
    response.status_code = 201 if stored.new else 200
    response.headers["Location"] = f"/api/v1/photos/{stored.photo.id}"
    return stored.photo


@router.get("/photos")
def list_photos(bench: BenchDep, cut: CutDep) -> PageOf[PhotoShown]:
    """All photos, newest first."""
    return bench.photos.page(cut)


@router.get("/photos/{photo}", responses=documented(404, 422))
def show_photo(bench: BenchDep, photo: PhotoId) -> PhotoShown:
    """One photo: where it belongs, how far the queue has come with it, and what stands of it."""
    return bench.photos.get(photo)


@router.patch("/photos/{photo}", responses=documented(404, 409, 422))
def change_photo(bench: BenchDep, photo: PhotoId, change: PhotoChange) -> PhotoShown:
    """Say which piece and side a photo shows, or set it aside."""
    return bench.photos.change(photo, change)


@router.post("/photos/{photo}/inspection", status_code=202, responses=documented(404, 409, 422, 503))
def measure_again(bench: BenchDep, photo: PhotoId) -> PhotoShown:
    """Measure a photo again, with the settings of its part as they are now; what it found before stays in the records."""
    return bench.photos.measure_again(photo)


@router.get(
    "/photos/{photo}/inspection",
    responses=documented(404, 422) | {304: {"description": "Not changed."}},
    response_model=Inspection,
)
def show_inspection(bench: BenchDep, photo: PhotoId, request: Request) -> Response:
    """The newest inspection of a photo, as it was measured."""
    result = bench.photos.result(photo)
    tag = f'"{result.sha256[:32]}"'
    if is_known(request, tag):
        return unchanged(tag)
    return Response(result.json, media_type="application/json", headers={"ETag": tag})


@router.get("/photos/{photo}/events", response_class=EventSourceResponse, responses=documented(404, 422))
async def follow_photo(bench: BenchDep, photo: KnownPhoto) -> AsyncIterator[ServerSentEvent]:
    """Server-sent events named `step`, each with a StepShown, until the photo is measured or has failed."""
    async with bench.progress.watch(photo) as steps:
        now: StepShown | None = await run_in_threadpool(bench.photos.step_now, photo)
        while now is not None:
            yield ServerSentEvent(data=now, event="step")
            if now.state in ("measured", "failed"):
                return
            now = await steps.get()


@router.get("/photos/{photo}/image", responses=documented(404, 422) | JPEG, response_class=FileResponse)
def show_image(
    bench: BenchDep,
    photo: PhotoId,
    request: Request,
    width: Annotated[
        int | None, Query(ge=1, le=WIDEST_PX, description="In pixels, at least; half the photo's if left out.")
    ] = None,
) -> Response:
    """The photo upright as JPEG, without data about it."""
    return file_answer(request, FileResponse(bench.views.image(photo, width), media_type="image/jpeg"))


@router.get("/photos/{photo}/picture", responses=documented(404, 422) | JPEG, response_class=FileResponse)
def show_picture(bench: BenchDep, photo: PhotoId, request: Request) -> Response:
    """The marked picture: the parts with figures and verdicts."""
    return file_answer(request, FileResponse(bench.views.marked(photo), media_type="image/jpeg"))


@router.get(f"{HOLE}/rim.png", responses=documented(404, 422) | PNG, response_class=FileResponse)
def show_rim(bench: BenchDep, photo: PhotoId, part: PartName, hole: HoleName, request: Request) -> Response:
    """The rim of one hole enlarged, with its contour drawn by its deviation."""
    return file_answer(request, FileResponse(bench.views.rim(photo, part, hole), media_type="image/png"))


@router.get(f"{HOLE}/chart.svg", responses=documented(404, 422) | SVG, response_class=FileResponse)
def show_chart(bench: BenchDep, photo: PhotoId, part: PartName, hole: HoleName, request: Request) -> Response:
    """Deviation of one hole's rim from its circle, round the clock: 12 is up in the photo."""
    return file_answer(request, FileResponse(bench.views.chart(photo, part, hole), media_type="image/svg+xml"))


@router.get("/photos/{photo}/corrections", responses=documented(404, 422))
def list_corrections(bench: BenchDep, photo: PhotoId) -> list[CorrectionShown]:
    """What persons said about the photo, oldest first."""
    return bench.corrections.of(photo)


@router.post("/photos/{photo}/corrections", status_code=201, responses=documented(404, 409, 422))
def add_correction(bench: BenchDep, photo: PhotoId, new: CorrectionNew) -> CorrectionShown:
    """Name a fastener, strike a hole, add a reading by hand, override a verdict, or withdraw one of these."""
    return bench.corrections.add(photo, new)
