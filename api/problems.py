"""Every error as one body (RFC 9457, application/problem+json): what, why, what to do. Pages show the same text."""

from __future__ import annotations

import errno
import logging
from collections.abc import Callable, Mapping
from http import HTTPStatus
from typing import Any, TypeAlias

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from holeinspect.errors import (
    HoleinspectError,
    NoSuchRecord,
    QueueFull,
    RecordConflict,
    ServiceError,
)

MEDIA_TYPE = "application/problem+json"
STATUSES: Mapping[type[HoleinspectError], int] = {
    NoSuchRecord: 404,
    RecordConflict: 409,
    QueueFull: 503,
    ServiceError: 500,
    HoleinspectError: 422,
}
"""Status of an error: of the nearest of its classes that stands here."""
REST_PREFIX = "/api/"

log = logging.getLogger(__name__)


class FieldProblem(BaseModel):
    """What is wrong with one field of a request."""

    where: str
    what: str


class Problem(BaseModel):
    """An error (RFC 9457). detail: a sentence with the way out."""

    type: str = Field(default="about:blank", examples=["urn:holeinspect:no-such-record"])
    title: str = Field(examples=["Not Found"])
    status: int = Field(examples=[404])
    detail: str = Field(examples=["There is no piece 12. Look it up in the kit list."])
    errors: list[FieldProblem] = []


ShowPage: TypeAlias = Callable[[Request, Problem], Response]


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The error answers of a route, for its OpenAPI."""
    content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    return {status: {"model": Problem, "description": HTTPStatus(status).phrase, "content": content} for status in statuses}


def install(app: FastAPI, show_page: ShowPage | None = None) -> None:
    """Turn all errors of the app into problems; those of pages are shown by show_page."""

    def answer(request: Request, problem: Problem, headers: Mapping[str, str] | None = None) -> Response:
        if show_page is not None and not request.url.path.startswith(REST_PREFIX):
            response = show_page(request, problem)
            response.headers.update(headers or {})
            return response
        return problem_response(problem, headers)

    def known(request: Request, error: Exception) -> Response:
        assert isinstance(error, HoleinspectError)
        headers = {"Retry-After": str(error.retry_s)} if isinstance(error, QueueFull) else None
        return answer(request, problem_of(error), headers)

    def invalid(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        return answer(request, _invalid(error))

    def http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        return answer(request, _problem(error.status_code, str(error.detail)), error.headers)

    def disk(request: Request, error: Exception) -> Response:
        assert isinstance(error, OSError)
        log.error("%s %s", request.method, request.url.path, exc_info=error)
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            return answer(
                request, _problem(507, "The disk of the data folder is full, so nothing more is kept. Make room on it.")
            )
        return answer(request, _unknown())

    def unknown(request: Request, error: Exception) -> Response:
        log.error("%s %s", request.method, request.url.path, exc_info=error)
        return answer(request, _unknown())

    app.add_exception_handler(HoleinspectError, known)
    app.add_exception_handler(RequestValidationError, invalid)
    app.add_exception_handler(HTTPException, http)
    app.add_exception_handler(OSError, disk)
    app.add_exception_handler(Exception, unknown)


def problem_response(problem: Problem, headers: Mapping[str, str] | None = None) -> Response:
    """The answer that carries the problem."""
    return JSONResponse(problem.model_dump(), problem.status, dict(headers or {}), MEDIA_TYPE)


def problem_of(error: HoleinspectError) -> Problem:
    """A known error as a problem."""
    status = next(STATUSES[kind] for kind in type(error).__mro__ if kind in STATUSES)
    words = "".join(f"-{letter.lower()}" if letter.isupper() else letter for letter in type(error).__name__).strip("-")
    return _problem(status, str(error), f"urn:holeinspect:{words}")


def _problem(status: int, detail: str, kind: str = "about:blank") -> Problem:
    return Problem(type=kind, title=HTTPStatus(status).phrase, status=status, detail=detail)


def _invalid(error: RequestValidationError) -> Problem:
    fields = [
        FieldProblem(where=".".join(str(step) for step in entry["loc"]), what=str(entry["msg"]).removeprefix("Value error, "))
        for entry in error.errors()
    ]
    told = "; ".join(f"{field.where}: {field.what}" for field in fields)
    problem = _problem(422, f"The request cannot be read: {told}.".replace("..", "."), "urn:holeinspect:invalid-request")
    return problem.model_copy(update={"errors": fields})


def _unknown() -> Problem:
    return _problem(500, "This is a fault of holeinspect. Its window says more; what was acknowledged before is kept.")
