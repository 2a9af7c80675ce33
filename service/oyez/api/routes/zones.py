"""The zones now, and their live sound."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Coroutine
from typing import Any

from fastapi import APIRouter, WebSocket, WebSocketDisconnect
from starlette.concurrency import run_in_threadpool

from oyez.api.ports import DirectorPort
from oyez.api.routes.common import Desk, Venue, check_zone, problems
from oyez.api.schemas import ZoneView
from oyez.api.views import zone_view
from oyez.errors import OyezError
from oyez.playout.link import Listening

router = APIRouter(prefix="/api/zones", tags=["zones"])

GONE = 1011
NO_SUCH_ZONE = 4404


@router.get("", responses=problems(409, 503))
def read(director: Desk, venue: Venue) -> list[ZoneView]:
    """Every zone: its music, what sounds in it, how loud."""
    return [zone_view(live, venue) for live in director.zones()]


@router.websocket("/{zone_id}/listen")
async def listen(socket: WebSocket, zone_id: str) -> None:
    """Live sound of one zone.

    First a JSON text `{"zone", "channels", "sample_rate", "format": "s16le", "first_frame_ms"}`, then binary
    messages of interleaved frames. Who reads too slowly loses the oldest sound.
    """
    director: DirectorPort = socket.app.state.director
    await socket.accept()
    try:
        venue = await run_in_threadpool(director.venue)
        if venue is None:
            await socket.close(NO_SUCH_ZONE, "there is no venue yet")
            return
        check_zone(venue, zone_id)
        await _until_first(_send(socket, director.listen(zone_id)), _left(socket), _closing(socket))
    except OyezError as error:
        with contextlib.suppress(RuntimeError, WebSocketDisconnect):
            await socket.close(NO_SUCH_ZONE if error.code == "not-found" else GONE, str(error)[:120])
    except WebSocketDisconnect:
        return
    else:
        with contextlib.suppress(RuntimeError, WebSocketDisconnect):
            await socket.close(1001)


async def _send(socket: WebSocket, stream: AsyncIterator[Listening | bytes]) -> None:
    async with contextlib.aclosing(stream) as parts:  # type: ignore[type-var]
        async for part in parts:
            if isinstance(part, bytes):
                await socket.send_bytes(part)
            else:
                await socket.send_json(
                    {
                        "zone": part.zone,
                        "channels": part.channels,
                        "sample_rate": part.sample_rate,
                        "format": "s16le",
                        "first_frame_ms": part.first_frame_ms,
                    }
                )


async def _left(socket: WebSocket) -> None:
    while (await socket.receive())["type"] != "websocket.disconnect":
        continue


async def _closing(socket: WebSocket) -> None:
    await socket.app.state.relay.closing.wait()


async def _until_first(*parts: Coroutine[Any, Any, None]) -> None:
    """Run all until one ends; the others are cancelled, the ended one's error is raised."""
    tasks = [asyncio.create_task(part) for part in parts]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
