"""The log: read it, take it away as CSV, see whether its chain holds."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from oyez.api.routes.common import Desk, Venue, check_zone, problems
from oyez.api.schemas import LogPage, VerifiedView
from oyez.api.views import log_view
from oyez.errors import InputError
from oyez.planning.day import operating_day
from oyez.store.log_entries import LogRecord, merge
from oyez.store.log_export import COLUMNS, csv_text
from oyez.venue.models import VenueFile

router = APIRouter(prefix="/api/log", tags=["log"])

CSV = "text/csv"

Instant = dt.datetime


def _ms(instant: Instant | None, name: str) -> int | None:
    if instant is None:
        return None
    if instant.tzinfo is None:
        raise InputError(
            f"{name} is {instant.isoformat()}, allowed are times with their offset, like 2026-11-27T20:30:00+00:00"
        )
    return round(instant.timestamp() * 1000)


def _concerns(record: LogRecord, zone: str | None, rule: str | None) -> bool:
    zones = {*record.body.get("zones", ()), *(z["zone"] for z in record.body.get("per_zone", ()))}
    return (zone is None or zone in zones) and (rule is None or record.body.get("rule") == rule)


@router.get(
    "",
    response_model=LogPage,
    responses={200: {"content": {CSV: {"example": ",".join(COLUMNS)}}}, **problems(404, 406, 409, 422)},
)
def read(  # noqa: PLR0917 - the framework calls it by name
    director: Desk,
    venue: Venue,
    request: Request,
    since: Annotated[
        Instant | None,
        Query(
            alias="from", description="First instant, ISO 8601 with offset", examples=["2026-11-27T05:00:00+00:00"]
        ),
    ] = None,
    until: Annotated[
        Instant | None,
        Query(description="First instant after, ISO 8601 with offset", examples=["2026-11-28T05:00:00+00:00"]),
    ] = None,
    zone: Annotated[str | None, Query(description="Only this zone's, by id", examples=["foyer"])] = None,
    rule: Annotated[str | None, Query(description="Only this rule's, by id", examples=["closing-15"])] = None,
    kind: Annotated[
        Literal["claim", "end", "unsent", "event"] | None, Query(description="Only this kind", examples=["end"])
    ] = None,
    after: Annotated[int, Query(ge=0, le=2**53, description="Only records after this number", examples=[0])] = 0,
    limit: Annotated[int, Query(ge=1, le=5000, description="At most so many records", examples=[500])] = 500,
    as_: Annotated[
        Literal["json", "csv"] | None,
        Query(alias="format", description="Default: as Accept says", examples=["csv"]),
    ] = None,
) -> Response | LogPage:
    """Records oldest first as JSON, or a line a play as CSV (`format=csv` or `Accept: text/csv`)."""
    if zone is not None:
        check_zone(venue, zone)
    from_ms, until_ms = _ms(since, "from"), _ms(until, "until")
    found = [r for r in director.log(from_ms=from_ms, until_ms=until_ms) if _concerns(r, zone, rule)]
    zone_rules = ZoneInfo(venue.venue.timezone)
    if as_ == "csv" or (as_ is None and _wants_csv(request)):
        return _csv(found, venue)
    found = [r for r in found if r.number > after and (kind is None or r.kind == kind)]
    return LogPage(records=[log_view(r, zone_rules) for r in found[:limit]], more=len(found) > limit)


def _wants_csv(request: Request) -> bool:
    accept = request.headers.get("accept", "")
    return CSV in accept and "application/json" not in accept


def _csv(found: list[LogRecord], venue: VenueFile) -> Response:
    text = csv_text(merge(found), ZoneInfo(venue.venue.timezone), day_of=lambda ms: operating_day(venue, ms))
    headers = {"content-disposition": 'attachment; filename="oyez-log.csv"'}
    return Response(text, media_type=CSV, headers=headers)


@router.get("/verify", responses=problems(503))
def verify(director: Desk) -> VerifiedView:
    """Read the whole chain and say whether it holds."""
    found = director.verify_log()
    return VerifiedView(
        good=found.ok,
        records=found.records,
        first_bad=found.first_bad,
        reason=found.reason or "the whole chain holds",
    )
