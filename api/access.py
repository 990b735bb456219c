"""Who may use the service: everyone on this machine, or everyone on the network who has the key.

Beside the key stands what keeps other web sites from using a browser's access: the Host must be ours (a name that an attacker
rebinds to this address is not), and requests that change something must come from our own pages.
"""

from __future__ import annotations

import hmac
from collections.abc import Callable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import TypeAlias
from urllib.parse import urlsplit

from fastapi import Request, Response
from fastapi.responses import PlainTextResponse, RedirectResponse
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Receive, Scope, Send

from api.problems import REST_PREFIX, Problem, problem_response

COOKIE = "holeinspect_key"
COOKIE_S = 180 * 24 * 3600
"""How long a phone stays signed in: a kit takes months."""
ENTER = "/enter"
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
ENTER_SENTENCE = "Scan the code that holeinspect serve printed, or open the whole address it printed, with the key in it."

ShowRefusal: TypeAlias = Callable[[Request, Problem], Response]


@dataclass(frozen=True, slots=True)
class Access:
    """key: what everyone must show, and lan_url: the address that signs a phone in; None: only this machine is answered, by the
    names in hosts. With a key any host name will do, as a browser sends the cookie to its own host alone.
    """

    key: str | None = None
    lan_url: str | None = None
    hosts: tuple[str, ...] = LOOPBACK


class AccessGate:
    """ASGI middleware in front of everything; show: makes the page of a refusal."""

    def __init__(self, app: ASGIApp, access: Access, show: ShowRefusal | None = None) -> None:
        self.app, self.access, self.show = app, access, show

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, refuse, or let through."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        response = self._answer(request)
        await (response or self.app)(scope, receive, send)

    def _answer(self, request: Request) -> Response | None:
        """The gate's own answer; None lets the request through."""
        if self.access.key is None and _host(request.headers) not in self.access.hosts:
            return self._refuse(request, 421, "This service answers on this machine only. Open the address that it printed.")
        if self.access.key is not None and request.url.path == ENTER and request.method == "GET":
            return self._enter(request, self.access.key)
        if self.access.key is not None and not _has_key(request.headers, self.access.key):
            return self._refuse(request, 401, f"The key is missing or wrong. {ENTER_SENTENCE}")
        if request.method not in SAFE_METHODS and not _same_origin(request.headers):
            return self._refuse(request, 403, "Another web site asked for this change. Make it on holeinspect's own page.")
        return None

    def _enter(self, request: Request, key: str) -> Response:
        """Sign a browser in: the key moves from the address into a cookie that only this service sees."""
        if not _equal(request.query_params.get("key", ""), key):
            return self._refuse(request, 401, f"This key is not valid any more. {ENTER_SENTENCE}")
        target = request.query_params.get("to", "/")
        own = target.startswith("/") and not target.startswith(("//", "/\\"))
        response = RedirectResponse(target if own else "/", 303)
        response.set_cookie(COOKIE, key, max_age=COOKIE_S, httponly=True, samesite="strict", path="/")
        response.headers["Referrer-Policy"] = "no-referrer"
        return response

    def _refuse(self, request: Request, status: int, detail: str) -> Response:
        title = {401: "Unauthorized", 403: "Forbidden", 421: "Misdirected Request"}[status]
        problem = Problem(type="urn:holeinspect:no-access", title=title, status=status, detail=detail)
        headers = {"WWW-Authenticate": "Bearer"} if status == 401 else {}
        if request.url.path.startswith(REST_PREFIX):
            return problem_response(problem, headers)
        page = self.show(request, problem) if self.show else PlainTextResponse(detail, status)
        page.headers.update(headers)
        return page


def _host(headers: Headers) -> str:
    """The Host without its port."""
    host = headers.get("host", "").lower()
    return host.rsplit(":", 1)[0] if not host.endswith("]") else host


def _has_key(headers: Headers, key: str) -> bool:
    kind, _, shown = headers.get("authorization", "").partition(" ")
    if kind.lower() == "bearer" and _equal(shown.strip(), key):
        return True
    try:
        cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return False
    return cookie is not None and _equal(cookie.value, key)


def _equal(shown: str, key: str) -> bool:
    """In a time that does not tell how much of it is right."""
    return hmac.compare_digest(shown.encode(), key.encode())


def _same_origin(headers: Headers) -> bool:
    """Browsers say where a request comes from; other programs say nothing, and carry no cookie that could be misused."""
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    origin = headers.get("origin")
    return origin is None or urlsplit(origin).netloc.lower() == headers.get("host", "").lower()
