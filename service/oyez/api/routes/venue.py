"""The venue as designed: read it whole, replace it whole."""

from __future__ import annotations

import json
from typing import Annotated, Any

from fastapi import APIRouter, Body, Query, Request

from oyez.api.problems import fault_view
from oyez.api.routes.common import Desk, Venue, asker, problems
from oyez.api.schemas import Asker, VenueChange
from oyez.errors import VenueFaults
from oyez.venue.reader import read_venue
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


@router.put("", responses=problems(413, 422), max_body_size=VENUE_LIMIT)
def replace(
    director: Desk,
    request: Request,
    tree: Annotated[dict[str, Any], Body(description="The venue file's tree as JSON", examples=[EXAMPLE])],
    dry_run: Annotated[
        bool, Query(description="true: say what would change, and change nothing", examples=[True])
    ] = False,
    by: Annotated[Asker | None, Query(description="Who asks", examples=["Front desk"])] = None,
) -> VenueChange:
    """Put a venue in force, as one transaction. Every fault is listed, and with one fault nothing changes."""
    reading = read_venue(json.dumps(tree), where="the body", syntax="json")
    if reading.venue is None:
        raise VenueFaults([f for f in reading.findings if f.level == "fault"])
    changes = director.load_venue(reading.venue, dry_run=dry_run, asked_by=asker(request, by))
    warnings = [fault_view(f) for f in reading.findings if f.level == "warning"]
    return VenueChange(changes=list(changes), warnings=warnings, dry_run=dry_run)
