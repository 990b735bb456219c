"""Scripts, styles and icons of the pages, and how pages are sent."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fastapi.staticfiles import StaticFiles
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from api.problems import REST_PREFIX

STATIC_URL = "/static"
STATIC_FOLDER = Path(__file__).parent / "static"


class PageGZip(GZipMiddleware):
    """Compresses pages and their files; what REST sends are mostly photos, which are compressed already, and events."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer as the app does, compressed where the asker can read that."""
        if scope["type"] == "http" and scope["path"].startswith(REST_PREFIX):
            await self.app(scope, receive, send)
        else:
            await super().__call__(scope, receive, send)


class PageFiles(StaticFiles):
    """Browsers keep the files and ask each time whether they have changed, so that an update shows at once."""

    def __init__(self) -> None:
        super().__init__(directory=STATIC_FOLDER)

    def file_response(self, *args: Any, **kwargs: Any) -> Response:
        """The file, or that it has not changed."""
        response = super().file_response(*args, **kwargs)
        response.headers["Cache-Control"] = "no-cache"
        return response
