"""The pages. They hold words and places; everything that moves comes from /api."""

from __future__ import annotations

import datetime as dt
from typing import Any, cast

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from fastapi.templating import Jinja2Templates
from starlette.responses import RedirectResponse, Response

from oyez.api.access import COOKIE, SESSION_MS, make_session
from oyez.api.problems import of_status
from oyez.api.reference import reference
from oyez.api.routes.clips import UPLOAD_LIMIT
from oyez.api.routes.common import Desk
from oyez.errors import NotFound

router = APIRouter(include_in_schema=False)


def _templates(request: Request) -> Jinja2Templates:
    return cast("Jinja2Templates", request.app.state.templates)


def _page(request: Request, desk: Desk, name: str, **more: Any) -> Response:
    """A page with its head: the venue, its time zone, the service's state."""
    venue = desk.venue()
    health = desk.health()
    words: dict[str, Any] = {
        "page": name,
        "venue": venue.venue.name if venue is not None else None,
        "timezone": venue.venue.timezone if venue is not None else "UTC",
        "state": health.sentence,
        "code": health.code,
        **more,
    }
    return _templates(request).TemplateResponse(request, f"{name}.html", words)


@router.get("/", response_class=HTMLResponse)
def today(request: Request, director: Desk) -> Response:
    return _page(request, director, "today", date=None)


@router.get("/day/{date}", response_class=HTMLResponse)
def day(request: Request, director: Desk, date: str) -> Response:
    try:
        found = dt.date.fromisoformat(date)
    except ValueError:
        raise NotFound(f"there is no day '{date}', days are written like 2026-11-27") from None
    return _page(request, director, "today", date=found.isoformat())


@router.get("/clips", response_class=HTMLResponse)
def clips(request: Request, director: Desk) -> Response:
    return _page(request, director, "clips", upload_mb=UPLOAD_LIMIT // (1 << 20))


@router.get("/enter")
def enter(request: Request, token: str = "") -> Response:
    """Trade the token for a session cookie."""
    access = request.app.state.access
    if not access.holds(token):
        return of_status(403, "this is not the service's token", request.url.path)
    answer = RedirectResponse("/", 303)
    answer.set_cookie(
        COOKIE,
        make_session(access.token, access.now_ms()),
        max_age=SESSION_MS // 1000,
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
        path="/",
    )
    return answer


@router.get("/api/docs", response_class=HTMLResponse)
def docs(request: Request) -> Response:
    """The API's reference, made from its own OpenAPI document."""
    return _templates(request).TemplateResponse(
        request, "reference.html", {"api": reference(request.app.openapi())}
    )
