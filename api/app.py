"""The app: routes, errors, access; on a bench that is open."""

from __future__ import annotations

from importlib.metadata import version

from fastapi import FastAPI

from api import pages, problems
from api.access import Access, AccessGate
from api.routes import mat, parts, photos, pieces, service
from api.sizes import SizeGate, Sizes
from api.static_files import STATIC_URL, PageFiles, PageGZip
from holeinspect.records.bench import Bench

REST = "/api/v1"
DESCRIPTION = (
    "Parts of a kit, photos of their pieces, what each photo shows, and what persons say about it. Every error is a problem "
    "after RFC 9457. The tool informs; it does not approve: the plans, the kit maker's manual and the applicable regulations "
    "come first, and a licensed inspector or the responsible builder decides."
)


def create_app(bench: Bench, access: Access) -> FastAPI:
    """The app of an open bench; whoever opened the bench closes it."""
    app = FastAPI(
        title="holeinspect",
        version=version("holeinspect"),
        description=DESCRIPTION,
        docs_url=None,  # its page loads scripts from elsewhere, and this works without a network
        redoc_url=None,
        openapi_url=f"{REST}/openapi.json",
    )
    app.state.bench, app.state.access = bench, access
    problems.install(app, pages.trouble)
    for resource in (parts, pieces, photos, mat, service):
        app.include_router(resource.router, prefix=REST)
    app.include_router(pages.router)
    app.mount(STATIC_URL, PageFiles())
    app.add_middleware(SizeGate, sizes=Sizes(f"{REST}/photos", bench.settings.limit_bytes))
    app.add_middleware(PageGZip)
    app.add_middleware(AccessGate, access=access, show=pages.refusal)
    return app
