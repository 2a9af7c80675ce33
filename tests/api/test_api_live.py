"""What goes on for as long as a page is open: events and live sound, and how they end."""

from __future__ import annotations

import asyncio
import json
import threading
import time
from collections.abc import Iterator

import httpx
import numpy as np
import pytest
from fastapi import FastAPI
from websockets.exceptions import ConnectionClosed
from websockets.sync.client import connect

from oyez.api.relay import Relay
from oyez.api.routes.events import KEEP_ALIVE, stream
from oyez.playout.changes import Changes
from tests.api.asking import Served, served
from tests.api.fake_director import FakeDirector


def events(lines: Iterator[str]) -> Iterator[tuple[str, dict[str, int]]]:
    """As the WHATWG HTML standard reads an event stream (section 9.2.6): fields, then an empty line."""
    name, data = "", []
    for line in lines:
        if line == "":
            if data:
                yield name or "message", json.loads("\n".join(data))
            name, data = "", []
        elif not line.startswith(":"):
            field, _, value = line.partition(":")
            value = value.removeprefix(" ")
            if field == "event":
                name = value
            elif field == "data":
                data.append(value)


def test_a_change_reaches_an_open_page(app: FastAPI, director: FakeDirector) -> None:
    with (
        served(app) as server,
        httpx.stream("GET", f"http://127.0.0.1:{server.port}/api/events", timeout=10) as answer,
    ):
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert answer.headers["cache-control"] == "no-store"
        found = events(answer.iter_lines())
        name, data = next(found)
        assert name == "state"
        assert abs(data["now_ms"] - director.now_ms()) < 5000
        for topic in ("plan", "log", "venue"):
            director.tell(topic)
            assert next(found)[0] == topic


def test_silence_is_filled_with_comments_so_that_loss_shows(director: FakeDirector) -> None:
    async def listen() -> list[bytes]:
        changes = Changes()
        relay = Relay(changes.subscribe())
        parts = stream(director, relay, keep_alive_s=0.05)
        found = [await anext(parts), await anext(parts), await anext(parts)]
        changes.tell("plan", "log", "plan")
        found.append(await anext(parts))
        relay.let_go()
        found.extend([part async for part in parts])
        changes.close()
        return found

    found = asyncio.run(listen())
    assert found[1:3] == [KEEP_ALIVE, KEEP_ALIVE]
    assert b"event: plan" in b"".join(found[3:])


def test_a_page_that_left_is_forgotten(director: FakeDirector) -> None:
    async def leave() -> int:
        relay = Relay(Changes().subscribe())
        parts = stream(director, relay)
        await anext(parts)
        assert len(relay._listeners) == 1
        await parts.aclose()
        relay.let_go()
        return len(relay._listeners)

    assert asyncio.run(leave()) == 0


def test_a_listener_hears_a_head_and_then_sound(app: FastAPI) -> None:
    with served(app) as server, connect(f"ws://127.0.0.1:{server.port}/api/zones/ticket-hall/listen") as socket:
        head = json.loads(socket.recv(timeout=5))
        assert (head["zone"], head["channels"], head["sample_rate"]) == ("ticket-hall", 2, 48000)
        assert head["format"] == "s16le"
        samples = np.concatenate([np.frombuffer(socket.recv(timeout=5), "<i2") for _ in range(10)]).reshape(-1, 2)
        assert np.array_equal(samples[:, 0], samples[:, 1])
        # the fake plays a sine of 220 Hz: 48000 / 220 frames a period
        spectrum = np.abs(np.fft.rfft(samples[:, 0]))
        assert np.argmax(spectrum) * 48000 / len(samples) == pytest.approx(220, abs=48000 / len(samples))


def test_an_unknown_zone_ends_the_listening_with_a_reason(app: FastAPI) -> None:
    with (
        served(app) as server,
        connect(f"ws://127.0.0.1:{server.port}/api/zones/attic/listen") as socket,
        pytest.raises(ConnectionClosed) as closed,
    ):
        socket.recv(timeout=5)
    assert closed.value.rcvd is not None
    assert closed.value.rcvd.code == 4404
    assert "attic" in closed.value.rcvd.reason


def test_the_service_ends_within_a_second_with_pages_and_listeners_open(app: FastAPI) -> None:
    server = Served(app)
    server.start()
    base = f"127.0.0.1:{server.port}"
    opened, ended = threading.Event(), threading.Event()

    def page() -> None:
        with httpx.stream("GET", f"http://{base}/api/events", timeout=10) as answer:
            for _ in answer.iter_lines():
                opened.set()
        ended.set()

    reader = threading.Thread(target=page, daemon=True)
    reader.start()
    with connect(f"ws://{base}/api/zones/shop/listen") as socket:
        socket.recv(timeout=5)
        assert opened.wait(5)
        took_s = server.seconds_to_end()
        until = time.monotonic() + 5
        closed = False
        while not closed and time.monotonic() < until:
            try:
                socket.recv(timeout=5)
            except ConnectionClosed:
                closed = True
        assert closed
    assert took_s < 1.0
    assert ended.wait(5)
    reader.join(5)
