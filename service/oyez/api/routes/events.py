"""Changes as they happen: one server-sent event each, and a comment every ten seconds: silence means loss."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import StreamingResponse

from oyez.api.ports import DirectorPort
from oyez.api.relay import Relay

router = APIRouter(prefix="/api/events", tags=["events"])

KEEP_ALIVE_S = 10.0
KEEP_ALIVE = b": still here\n\n"
RETRY = b"retry: 2000\n\n"

_EXAMPLE = 'event: plan\ndata: {"now_ms":1795801500000}\n\n: still here\n\n'


def frame(name: str, now_ms: int) -> bytes:
    data = json.dumps({"now_ms": now_ms}, separators=(",", ":"))
    return f"event: {name}\ndata: {data}\n\n".encode()


@router.get(
    "",
    response_class=StreamingResponse,
    responses={
        200: {
            "description": "Events `plan`, `log`, `state` and `venue`: what to ask for again. Their data is "
            '`{"now_ms": the service\'s clock in milliseconds of UTC}`. A comment every 10 s.',
            "content": {"text/event-stream": {"example": _EXAMPLE}},
        }
    },
)
async def events(request: Request) -> StreamingResponse:
    """Server-sent events."""
    director: DirectorPort = request.app.state.director
    relay: Relay = request.app.state.relay
    return StreamingResponse(stream(director, relay), media_type="text/event-stream")


async def stream(
    director: DirectorPort, relay: Relay, *, keep_alive_s: float = KEEP_ALIVE_S
) -> AsyncIterator[bytes]:
    """The bytes of one page's stream, until it leaves or the service closes."""
    with relay.listener() as listener:
        yield RETRY + frame("state", director.now_ms())
        while not relay.closing.is_set():
            names = await listener.get(keep_alive_s)
            if names:
                yield b"".join(frame(name, director.now_ms()) for name in names)
            elif not relay.closing.is_set():
                yield KEEP_ALIVE
