"""Asking the application without a network, its lifespan running; and a server on loopback where one is needed."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Iterator
from contextlib import AsyncExitStack, contextmanager
from typing import Any, Self

import httpx
import uvicorn
from fastapi import FastAPI


class Asking:
    """`get`, `post` and so on as httpx has them, each a request that looks as if it came from `client`."""

    def __init__(self, app: FastAPI, *, base_url: str, client: str, raises: bool = True) -> None:
        transport = httpx.ASGITransport(app, client=(client, 50000), raise_app_exceptions=raises)
        self._http = httpx.AsyncClient(transport=transport, base_url=base_url, follow_redirects=False)
        self._loop = asyncio.new_event_loop()
        self._app = app
        self._life = AsyncExitStack()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()

    def _do(self, coroutine: Any) -> Any:
        return asyncio.run_coroutine_threadsafe(coroutine, self._loop).result(60)

    def __enter__(self) -> Self:
        self._do(self._life.enter_async_context(self._app.router.lifespan_context(self._app)))
        return self

    def __exit__(self, *_: object) -> None:
        self._do(self._life.aclose())
        self.close()

    def close(self) -> None:
        self._do(self._http.aclose())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5)
        self._loop.close()

    def request(self, method: str, path: str, **how: Any) -> httpx.Response:
        content = how.get("content")
        if content is not None and not isinstance(content, bytes):
            how["content"] = _asynchronous(content)
        answer: httpx.Response = self._do(self._http.request(method, path, **how))
        return answer

    def get(self, path: str, **how: Any) -> httpx.Response:
        return self.request("GET", path, **how)

    def post(self, path: str, **how: Any) -> httpx.Response:
        return self.request("POST", path, **how)

    def put(self, path: str, **how: Any) -> httpx.Response:
        return self.request("PUT", path, **how)


async def _asynchronous(parts: Iterator[bytes]) -> Any:
    for part in parts:
        yield part


class Served:
    """A running server: `port`, and `seconds_to_end()` as SIGTERM would end it."""

    def __init__(self, app: FastAPI) -> None:
        from oyez.api.run import Server

        config = uvicorn.Config(
            app, host="127.0.0.1", port=0, log_level="error", ws="websockets-sansio", timeout_graceful_shutdown=1
        )
        self._server = Server(config, app)
        self._thread = threading.Thread(target=self._server.run, daemon=True)

    def start(self) -> None:
        self._thread.start()
        until = time.monotonic() + 10
        while not self._server.started:
            assert self._thread.is_alive(), "the server ended"
            assert time.monotonic() < until, "the server did not start"
            time.sleep(0.01)
        self.port: int = self._server.servers[0].sockets[0].getsockname()[1]

    def seconds_to_end(self) -> float:
        begun = time.monotonic()
        if self._thread.is_alive():
            self._server.handle_exit(15, None)
            self._thread.join(10)
        assert not self._thread.is_alive()
        return time.monotonic() - begun


@contextmanager
def served(app: FastAPI) -> Iterator[Served]:
    made = Served(app)
    made.start()
    try:
        yield made
    finally:
        made.seconds_to_end()
