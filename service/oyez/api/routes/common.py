"""What several routes need: the director, the venue in force, who asks, which problems may come back."""

from __future__ import annotations

from typing import Annotated, Any, cast

from fastapi import Depends, Request
from fastapi.routing import APIRoute
from starlette.requests import HTTPConnection

from oyez.api.ports import DirectorPort
from oyez.api.problems import HTTP_CODES, MEDIA_TYPE
from oyez.api.schemas import Problem
from oyez.errors import Conflict, InputError, NotFound
from oyez.venue.allowed import quoted
from oyez.venue.facts import ClipFacts
from oyez.venue.models import VenueFile


def _director(connection: HTTPConnection) -> DirectorPort:
    return cast("DirectorPort", connection.app.state.director)


Desk = Annotated[DirectorPort, Depends(_director)]


def _venue(director: Desk) -> VenueFile:
    venue = director.venue()
    if venue is None:
        raise Conflict("there is no venue yet: load one with `oyez load FILE`, or PUT /api/venue")
    return venue


Venue = Annotated[VenueFile, Depends(_venue)]


def facts_of(director: DirectorPort, venue: VenueFile) -> dict[str, ClipFacts]:
    """What is known of the venue's clips: of the audio stored under the same id, else the duration it says."""
    stored = {c.id: c.facts for c in director.clips() if c.facts is not None}
    said = {c.id: ClipFacts(duration_ms=c.duration_ms) for c in venue.clips if c.duration_ms is not None}
    return {c.id: facts for c in venue.clips if (facts := stored.get(c.id) or said.get(c.id)) is not None}


def asker(request: Request, by: str | None) -> str:
    """Who is written into the log: the name given, else the address asked from."""
    if by is not None and by.strip():
        return by.strip()
    return f"someone at {request.client.host}" if request.client is not None else "someone"


def known_query(request: HTTPConnection) -> None:
    """Refuses a query parameter that the route does not have: a misspelt filter must not look like an answer."""
    route = request.scope.get("route")
    if not isinstance(route, APIRoute):
        return
    known = [field.alias for field in route.dependant.query_params]
    for name in request.query_params:
        if name not in known:
            allowed = f"allowed are {', '.join(known)}" if known else "none are allowed here"
            raise InputError(f"{quoted(name)[1:-1]} is unknown here, {allowed}")


async def known_form(request: Request) -> None:
    """The same for a form's fields; the framework has read the form by then."""
    route = request.scope.get("route")
    if isinstance(route, APIRoute):
        known = [field.alias for field in route.dependant.body_params]
        given = [name for name, _ in (await request.form()).multi_items()]
        for name in given:
            if name not in known:
                raise InputError(f"{quoted(name)[1:-1]} is unknown here, allowed are {', '.join(known)}")
            if given.count(name) > 1:
                raise InputError(f"{name} is given {given.count(name)} times, allowed is once")


def check_zone(venue: VenueFile, zone_id: str) -> None:
    if all(z.id != zone_id for z in venue.zones):
        raise NotFound(f"there is no zone '{zone_id}', there are {', '.join(z.id for z in venue.zones)}")


def problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The documentation of a route's problems."""
    return {
        status: {
            "description": HTTP_CODES[status][1] if status in HTTP_CODES else "It cannot be done now",
            "content": {MEDIA_TYPE: {"schema": {"$ref": f"#/components/schemas/{Problem.__name__}"}}},
        }
        for status in statuses
    }
