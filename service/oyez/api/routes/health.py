"""Is it well? /healthz for machines that watch, /api/health for the page."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Path, Response

from oyez import __version__
from oyez.api.problems import kind
from oyez.api.routes.common import Desk, problems
from oyez.api.schemas import HealthView, Problem, ReadyView
from oyez.api.wording import iso

router = APIRouter(tags=["health"])


@router.get("/healthz", responses={503: {"description": "It does not play", "model": ReadyView}})
def healthz(director: Desk, response: Response) -> ReadyView:
    """200 once it plays, 503 until then."""
    health = director.health()
    response.status_code = 200 if health.playing else 503
    return ReadyView(playing=health.playing, state=health.sentence, code=health.code, version=__version__)


@router.get("/api/health")
def health(director: Desk) -> HealthView:
    """State in words, the clock, the engine's numbers."""
    found, venue, now_ms = director.health(), director.venue(), director.now_ms()
    zone = ZoneInfo(venue.venue.timezone) if venue is not None else None
    return HealthView(
        playing=found.playing,
        state=found.sentence,
        code=found.code,
        version=__version__,
        output=found.output,
        now_ms=now_ms,
        now_at=iso(now_ms, zone) if zone is not None else iso(now_ms),
        timezone=venue.venue.timezone if venue is not None else None,
        zone_rules=_zone_rules(),
        engine=dict(found.engine),
    )


def _zone_rules() -> str:
    try:
        return version("tzdata")
    except PackageNotFoundError:
        return "the system's own"


@router.get("/api/problems/{code}", responses=problems(404))
def kind_of_problem(
    code: Annotated[str, Path(description="A problem's code", examples=["conflict"])],
) -> Problem:
    """What a kind of problem means."""
    status, title = kind(code)
    return Problem(
        type=f"/api/problems/{code}",
        title=title,
        status=status,
        detail="`detail` in an answer says what, which, got, allowed",
        code=code,
    )
