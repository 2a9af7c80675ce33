"""The rules: what each is about, and firing one by hand."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Path, Request

from oyez.api.routes.common import Desk, Venue, asker, problems
from oyez.api.schemas import FiredView, FireRequest, RuleView
from oyez.api.views import fired_view, rule_view
from oyez.errors import NotFound

router = APIRouter(prefix="/api/rules", tags=["rules"])


@router.get("", responses=problems(409, 503))
def read(director: Desk, venue: Venue) -> list[RuleView]:
    """Every rule in the file's order, with its next start today."""
    plan, live, now_ms = director.plan(director.today()), director.zones(), director.now_ms()
    return [rule_view(rule, venue, plan, live, now_ms) for rule in venue.rules]


@router.post("/{rule_id}/fire", responses=problems(404, 409, 422, 503))
def fire(
    director: Desk,
    venue: Venue,
    request: Request,
    rule_id: Annotated[str, Path(description="A rule's id in the venue file", examples=["closing-15"])],
    asked: Annotated[FireRequest, Body(examples=[{"by": "Front desk"}])] = FireRequest(),  # noqa: B008
) -> FiredView:
    """Play a rule now, by its priority. The answer says where and when; 409 says why not."""
    if all(r.id != rule_id for r in venue.rules):
        raise NotFound(f"there is no rule '{rule_id}'")
    fired = director.fire(rule_id, asked_by=asker(request, asked.by))
    return fired_view(fired, venue, now_ms=director.now_ms())
