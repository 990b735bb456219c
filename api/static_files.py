"""Scripts, styles and icons of the pages."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fastapi.staticfiles import StaticFiles
from starlette.responses import Response

STATIC_URL = "/static"
STATIC_FOLDER = Path(__file__).parent / "static"


class PageFiles(StaticFiles):
    """Browsers keep the files and ask each time whether they have changed, so that an update shows at once."""

    def __init__(self) -> None:
        super().__init__(directory=STATIC_FOLDER)

    def file_response(self, *args: Any, **kwargs: Any) -> Response:
        """The file, or that it has not changed."""
        response = super().file_response(*args, **kwargs)
        response.headers["Cache-Control"] = "no-cache"
        return response
