"""How much a request may hold: told from its header before a byte of it is read, and counted where it has none."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import HTTPException, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import Problem, problem_response
from holeinspect.records.kit_csv import LARGEST_BYTES

MULTIPART_BYTES = 100_000
"""What a multipart request holds besides its file."""
MEGA = 1_000_000


@dataclass(frozen=True, slots=True)
class Sizes:
    """Limits in bytes: of requests that bring a photo (their path), and of all others."""

    photo_path: str
    photo: int
    other: int = LARGEST_BYTES + MULTIPART_BYTES

    def of(self, request: Request) -> int:
        """The limit of a request."""
        return self.photo + MULTIPART_BYTES if request.url.path == self.photo_path else self.other


class SizeGate:
    """ASGI middleware that refuses what is too large with 413."""

    def __init__(self, app: ASGIApp, sizes: Sizes) -> None:
        self.app, self.sizes = app, sizes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or let through and count."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        limit, stated = self.sizes.of(request), request.headers.get("content-length", "0")
        if not stated.isascii() or not stated.isdecimal() or int(stated) > limit:
            problem = Problem(title="Content Too Large", status=413, detail=_sentence(limit))
            await problem_response(problem)(scope, receive, send)
            return
        await self.app(scope, _counted(receive, limit), send)


def _counted(receive: Receive, limit: int) -> Receive:
    read = 0

    async def counting() -> Message:
        nonlocal read
        message = await receive()
        read += len(message.get("body", b""))
        if read > limit:
            raise HTTPException(413, _sentence(limit))
        return message

    return counting


def _sentence(limit: int) -> str:
    return f"The request holds more than {limit / MEGA:.0f} MB. Send the phone's own photo, one at a time, or a shorter list."
