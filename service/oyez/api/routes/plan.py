"""A day: the plan, what happened of it, and what the drawing needs."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from fastapi import APIRouter, Query

from oyez.api.routes.common import Desk, Venue, problems
from oyez.api.schemas import PlanView
from oyez.api.views import plan_view
from oyez.errors import InputError

router = APIRouter(prefix="/api/plan", tags=["plan"])

FIRST, LAST = dt.date(1970, 1, 2), dt.date(2199, 12, 31)


@router.get("", responses=problems(409, 422))
def read(
    director: Desk,
    venue: Venue,
    date: Annotated[
        dt.date | None,
        Query(description="Operating day, ISO 8601 date; default the one now", examples=["2026-11-27"]),
    ] = None,
) -> PlanView:
    """The plan of an operating day with what has happened so far."""
    today = director.today()
    day = today if date is None else date
    if not FIRST <= day <= LAST:
        raise InputError(f"date is {day}, allowed are {FIRST} to {LAST}")
    plan = director.plan(day)
    log = director.log(from_ms=plan.starts_ms, until_ms=plan.ends_ms)
    return plan_view(plan, venue, log, today=today.isoformat(), now_ms=director.now_ms())
