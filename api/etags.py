"""Entity tags: an answer that has not changed is not sent again, and a change to what has changed meanwhile is refused."""

from __future__ import annotations

import hashlib

from fastapi import HTTPException, Request, Response
from fastapi.responses import FileResponse
from pydantic import BaseModel


def tag_of(shown: BaseModel) -> str:
    """The tag of a JSON answer."""
    return f'"{hashlib.sha256(shown.model_dump_json().encode()).hexdigest()[:32]}"'


def is_known(request: Request, tag: str) -> bool:
    """Whether the asker has this very version already (RFC 9110, 13.1.2)."""
    known = [entry.strip().removeprefix("W/") for entry in request.headers.get("if-none-match", "").split(",")]
    return tag in known or "*" in known


def unchanged(tag: str) -> Response:
    """The answer without content."""
    return Response(status_code=304, headers={"ETag": tag})


def check_match(request: Request, tag: str, what: str) -> None:
    """Refuse a change of another version than the asker has seen (RFC 9110, 13.1.1)."""
    wanted = request.headers.get("if-match")
    if wanted is not None and wanted.strip() != "*" and tag not in [entry.strip() for entry in wanted.split(",")]:
        raise HTTPException(412, f"{what} was changed meanwhile by someone else. Load it again, then make the change.")


def file_answer(request: Request, file: FileResponse) -> Response:
    """A file whose name says its content: kept by the browser for good."""
    tag = f'"{hashlib.sha256(str(file.path).encode()).hexdigest()[:32]}"'
    if is_known(request, tag):
        return unchanged(tag)
    file.headers["ETag"] = tag
    file.headers["Cache-Control"] = "private, no-cache"
    return file
