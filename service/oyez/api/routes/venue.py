"""The venue as designed: read it whole, replace it whole."""

from __future__ import annotations

import dataclasses
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request

from oyez.api.ports import DirectorPort
from oyez.api.problems import fault_view
from oyez.api.routes.common import Desk, Venue, asker, facts_of, problems
from oyez.api.schemas import Asker, VenueChange
from oyez.errors import Fault, InputError, VenueFaults
from oyez.planning.day import operating_day
from oyez.planning.warnings import find_warnings
from oyez.venue.reader import Reading, read_venue
from oyez.venue.writer import venue_tree

router = APIRouter(prefix="/api/venue", tags=["venue"])

VENUE_LIMIT = 4 * 1024 * 1024

EXAMPLE = {
    "format": 1,
    "venue": {"name": "Quillfin Aquarium", "timezone": "Europe/London"},
    "zones": [{"id": "foyer", "name": "Foyer", "channels": 2}],
}


@router.get("", responses=problems(409))
def read(venue: Venue) -> dict[str, Any]:
    """The venue file's tree as JSON: seconds in `_s`, dB in `_db`, LUFS in `_lufs`."""
    return venue_tree(venue)


async def _text(request: Request) -> str:
    """The body as it was sent: read like a file, it is refused in the words that the file would be."""
    try:
        return (await request.body()).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("the body is not UTF-8 text, allowed is JSON in UTF-8") from None


BODY = {
    "required": True,
    "description": "The venue file's tree as JSON",
    "content": {"application/json": {"schema": {"type": "object"}, "example": EXAMPLE}},
}


@router.put("", responses=problems(413, 422), max_body_size=VENUE_LIMIT, openapi_extra={"requestBody": BODY})
def replace(
    director: Desk,
    request: Request,
    text: Annotated[str, Depends(_text)],
    dry_run: Annotated[
        bool, Query(description="true: say what would change, and change nothing", examples=[True])
    ] = False,
    by: Annotated[Asker | None, Query(description="Who asks", examples=["Front desk"])] = None,
) -> VenueChange:
    """Put a venue in force, as one transaction. Every fault is listed, and with one fault nothing changes."""
    reading = read_venue(text, where="the body", syntax="json")
    if reading.venue is None:
        raise VenueFaults([f for f in reading.findings if f.level == "fault"])
    changes = director.load_venue(reading.venue, dry_run=dry_run, asked_by=asker(request, by))
    warnings = [fault_view(f) for f in (*reading.findings, *_useless(reading, director))]
    return VenueChange(changes=list(changes), warnings=warnings, dry_run=dry_run)


def _useless(reading: Reading, director: DirectorPort) -> list[Fault]:
    """What the calendar and the plans of the coming days show to be doubtful, beyond what the body alone shows."""
    assert reading.venue is not None
    told = {f.entry for f in reading.findings if f.code == "dates-backwards"}
    today = operating_day(reading.venue, director.now_ms())
    found = find_warnings(reading.venue, today=today, facts=facts_of(director, reading.venue))
    return [dataclasses.replace(f, where="the body") for f in found if f.entry not in told]
