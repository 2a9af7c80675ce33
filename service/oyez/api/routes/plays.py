"""What sounds now can be stopped."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Path, Request

from oyez.api.routes.common import Desk, asker, problems
from oyez.api.schemas import FireRequest, StoppedView

router = APIRouter(prefix="/api/plays", tags=["plays"])


@router.post("/{play_id:path}/stop", responses=problems(404, 409, 422, 503))
def stop(
    director: Desk,
    request: Request,
    play_id: Annotated[
        str,
        Path(description="A play's id: the rule, an @, its nominal start", examples=["closing-15@1795801500000"]),
    ],
    asked: Annotated[FireRequest, Body(examples=[{"by": "Front desk"}])] = FireRequest(),  # noqa: B008
) -> StoppedView:
    """Fade a play out in 150 ms, everywhere and finally. Its log says who stopped it."""
    return StoppedView(id=play_id, sentence=director.stop_play(play_id, asked_by=asker(request, asked.by)))
