"""Errors on their way out: RFC 9457 problem details, and the one table that knows both trees.

    {"type": "/api/problems/conflict", "title": ..., "status": 409, "detail": ..., "instance": "/api/...",
     "code": "conflict", "faults": [...]}

`detail` is the message the command line prints for the same mistake.
"""

from __future__ import annotations

import http
import logging
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from fastapi.routing import APIRoute
from starlette.exceptions import HTTPException
from starlette.middleware.body_limit import MAX_BODY_SIZE_SCOPE_KEY
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from oyez import errors
from oyez.api.schemas import FaultView, Problem
from oyez.api.wording import request_fault

logger = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"

# The nearest class in an error's family decides.
STATUS: dict[type[errors.OyezError], tuple[int, str]] = {
    errors.InputError: (422, "The request is wrong"),
    errors.VenueFaults: (422, "The venue has faults"),
    errors.ClipRefused: (422, "The file cannot become a clip"),
    errors.NotFound: (404, "There is no such thing"),
    errors.NotAllowed: (403, "This is not allowed"),
    errors.TooLarge: (413, "The body is too large"),
    errors.Conflict: (409, "It cannot be done as things stand"),
    errors.WorkFailed: (500, "The work could not be done"),
    errors.EngineGone: (503, "The engine does not answer"),
}

# What HTTP itself can say; the code stands in the problem's `code` and in its type.
HTTP_CODES: dict[int, tuple[str, str]] = {
    400: ("bad-request", "The request is wrong"),
    401: ("who-are-you", "A token is needed"),
    403: ("not-allowed", "This is not allowed"),
    404: ("not-found", "There is no such thing"),
    405: ("method", "This cannot be done here"),
    406: ("not-acceptable", "This form is not offered"),
    413: ("too-large", "The body is too large"),
    415: ("media-type", "This kind of body is not read here"),
    422: ("bad-input", "The request is wrong"),
    500: ("work-failed", "The work could not be done"),
    503: ("engine-gone", "The engine does not answer"),
}


# Why a file cannot become a clip (`ClipRefused.code`), each a kind of problem of its own.
CLIP_CODES = {
    "bad-name": "The file's name cannot be used",
    "channels": "The file has too many channels",
    "empty": "The file is empty",
    "missing": "The file is not there",
    "not-audio": "The file is not audio that can be read",
    "not-finite": "The file has samples that are no numbers",
    "rate": "The file's sample rate is out of range",
    "silent": "The file is all silence",
    "too-long": "The file is too long",
    "too-slow": "The file takes too long to read",
    "truncated": "The file is damaged or cut short",
}


def kind(code: str) -> tuple[int, str]:
    """Status and title of a kind of problem. Raises NotFound for a code that no answer has."""
    known = {code: (status, title) for status, (code, title) in HTTP_CODES.items()}
    known |= {cls.code: answer for cls, answer in STATUS.items() if cls is not errors.ClipRefused}
    known |= {code: (STATUS[errors.ClipRefused][0], title) for code, title in CLIP_CODES.items()}
    if code not in known:
        raise errors.NotFound(
            f"problem '{code[:80]}': there is no such kind, there are {', '.join(sorted(known))}"
        )
    return known[code]


def problem(
    status: int,
    *,
    code: str,
    title: str,
    detail: str,
    instance: str | None = None,
    faults: Iterable[FaultView] = (),
    headers: Mapping[str, str] | None = None,
) -> JSONResponse:
    body = Problem(
        type=f"/api/problems/{quote(code)}",
        title=title,
        status=status,
        detail=detail,
        instance=instance,
        code=code,
        faults=list(faults),
    )
    content = body.model_dump(mode="json", exclude_none=True)
    return JSONResponse(content, status, headers=dict(headers or {}), media_type=MEDIA_TYPE)


def of_error(error: errors.OyezError, instance: str | None = None) -> JSONResponse:
    """An error of the tree as its problem; the nearest class in STATUS decides."""
    status, title = next(STATUS[cls] for cls in type(error).__mro__ if cls in STATUS)
    faults = [fault_view(f) for f in error.faults] if isinstance(error, errors.VenueFaults) else []
    if status >= 500:
        logger.warning("%s: %s", error.code, error)
    return problem(status, code=error.code, title=title, detail=str(error), instance=instance, faults=faults)


def fault_view(fault: errors.Fault) -> FaultView:
    return FaultView(
        entry=fault.entry, message=fault.message, code=fault.code, level=fault.level, where=fault.where
    )


def of_status(
    status: int, detail: str | None, instance: str | None, headers: Mapping[str, str] | None = None
) -> JSONResponse:
    code, title = HTTP_CODES.get(status, ("error", http.HTTPStatus(status).phrase))
    return problem(status, code=code, title=title, detail=detail or title, instance=instance, headers=headers)


def _ranges(request: Request) -> dict[str, tuple[Any, Any]]:
    """Lowest and highest allowed value of each of the route's parameters, from the documentation's own schema."""
    route = request.scope.get("route")
    found: dict[str, tuple[Any, Any]] = {}
    if isinstance(route, APIRoute):
        for field in (*route.dependant.query_params, *route.dependant.path_params):
            limits = {type(m).__name__: m for m in field.field_info.metadata}
            if "Ge" in limits and "Le" in limits:
                found[field.alias] = (limits["Ge"].ge, limits["Le"].le)
    return found


def _words_for(exc: HTTPException, request: Request) -> str:
    if exc.status_code == 404 and exc.detail == "Not Found":
        return f"there is nothing at {request.url.path}"
    if exc.status_code == 405:
        allowed = (exc.headers or {}).get("Allow") or "another method"
        return f"{request.method} cannot be done at {request.url.path}, allowed are {allowed}"
    if exc.status_code == 413:
        limit = request.scope.get(MAX_BODY_SIZE_SCOPE_KEY)
        return "the body is too large" + (f", allowed are {limit} bytes" if limit else "")
    return str(exc.detail)


class TooLargeInWords:
    """ASGI middleware: the framework's own bare 413 becomes a problem like every other."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        replaced = False

        async def send_in_words(message: Message) -> None:
            nonlocal replaced
            if message["type"] == "http.response.start" and message["status"] == 413 and not _is_problem(message):
                replaced = True
                limit = scope.get(MAX_BODY_SIZE_SCOPE_KEY)
                words = "the body is too large" + (f", allowed are {limit} bytes" if limit else "")
                await of_status(413, words, scope["path"])(scope, receive, send)
            elif not replaced:
                await send(message)

        await self.app(scope, receive, send_in_words)


def _is_problem(message: Message) -> bool:
    return (b"content-type", MEDIA_TYPE.encode()) in message["headers"]


def install(app: FastAPI) -> None:
    """Make every error of this app a problem."""

    @app.exception_handler(errors.OyezError)
    async def on_error(request: Request, exc: errors.OyezError) -> JSONResponse:
        return of_error(exc, request.url.path)

    @app.exception_handler(RequestValidationError)
    async def on_invalid(request: Request, exc: RequestValidationError) -> JSONResponse:
        ranges = _ranges(request)
        seen: Sequence[tuple[str, str]] = [request_fault(e, ranges) for e in exc.errors()]
        faults = [FaultView(entry=entry, message=text, code="bad-input", level="fault") for entry, text in seen]
        return problem(
            422,
            code="bad-input",
            title="The request is wrong",
            detail="; ".join(text for _, text in seen),
            instance=request.url.path,
            faults=faults,
        )

    @app.exception_handler(HTTPException)
    async def on_http(request: Request, exc: HTTPException) -> JSONResponse:
        return of_status(exc.status_code, _words_for(exc, request), request.url.path, exc.headers)

    @app.exception_handler(Exception)
    async def on_anything(request: Request, exc: Exception) -> JSONResponse:
        logger.error("%s %s failed", request.method, request.url.path, exc_info=exc)
        return of_status(500, "something went wrong in the service; its log has the details", request.url.path)
