"""The plan as a calendar at a private address, and that address: shown, made anew, taken back."""

from __future__ import annotations

import datetime as dt
import hashlib
from typing import cast

from fastapi import APIRouter, Depends, Request, Response

from oyez.api.feeds import DAYS, FeedKey
from oyez.api.routes.common import Desk, Venue, known_query, problems
from oyez.api.schemas_ahead import FeedView
from oyez.planning.ical import plan_ics

router = APIRouter(tags=["calendar"])


def _key(request: Request) -> FeedKey:
    return cast("FeedKey", request.app.state.feed)


@router.get("/feeds/{secret}/plan.ics", include_in_schema=False)
def calendar(request: Request, director: Desk, venue: Venue, secret: str) -> Response:  # noqa: ARG001 - `access` checked it
    """The plan from today on, for a calendar program (RFC 5545)."""
    today = director.today()
    plans = [director.plan(today + dt.timedelta(days=ahead)) for ahead in range(DAYS)]
    body = plan_ics(venue, plans).encode()
    tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    headers = {"etag": tag, "cache-control": "private, no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    headers["content-disposition"] = 'inline; filename="plan.ics"'
    return Response(body, media_type="text/calendar; charset=utf-8", headers=headers)


@router.get("/api/feed", dependencies=[Depends(known_query)])
def show(request: Request) -> FeedView:
    """The calendar's private address, null while there is none. It needs no token: who has it reads the plan."""
    return FeedView(path=_key(request).address(), days=DAYS)


@router.post("/api/feed", status_code=201, dependencies=[Depends(known_query)], responses=problems(403))
def renew(request: Request) -> FeedView:
    """Make a private address, or a new one: then the old one is none any more."""
    return FeedView(path=_key(request).renew(), days=DAYS)


@router.delete("/api/feed", dependencies=[Depends(known_query)], responses=problems(403))
def remove(request: Request) -> FeedView:
    """Take the private address back: calendars that subscribed to it get nothing any more."""
    _key(request).remove()
    return FeedView(path=None, days=DAYS)
