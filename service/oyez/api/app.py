"""The web application, put together. Nothing happens at import; the lifespan starts what must run and stops it."""

from __future__ import annotations

import hmac
import shutil
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from typing import Any

from fastapi import Depends, FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.staticfiles import StaticFiles
from fastapi.templating import Jinja2Templates
from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from oyez import __version__
from oyez.api import problems
from oyez.api.access import Access, read_token
from oyez.api.feeds import FeedKey
from oyez.api.ports import DirectorPort
from oyez.api.relay import Relay
from oyez.api.routes import ahead, clips, events, feeds, health, log, pages, plan, plays, rules, venue, zones
from oyez.api.routes.common import known_query
from oyez.api.schemas import Problem
from oyez.settings import Settings, folder

BODY_LIMIT = 256 * 1024

_ABOUT = (
    "Everything the page does goes through here. Fields that end in `_ms` are milliseconds of UTC since 1970, in "
    "`_at` ISO 8601 with the venue's offset, in `_db` decibels, in `_lufs` loudness (ITU-R BS.1770-5), in `_dbtp` "
    "true peak. Unknown fields are refused; errors are problem details (RFC 9457)."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Holder:
    """The token and the clock that sessions are reckoned by."""

    token: str
    now_ms: Any

    def holds(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), self.token.encode())


def create_app(settings: Settings, director: DirectorPort) -> FastAPI:
    """The application on this data folder. The director is started and stopped with it."""
    settings.data_dir.mkdir(parents=True, exist_ok=True)
    holder = Holder(token=read_token(settings.data_dir / "token"), now_ms=director.now_ms)

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        async with AsyncExitStack() as undo:
            shutil.rmtree(settings.data_dir / "spool", ignore_errors=True)
            await run_in_threadpool(director.start)
            undo.push_async_callback(run_in_threadpool, director.stop)
            app.state.relay = Relay(director.subscribe())
            undo.push_async_callback(run_in_threadpool, app.state.relay.close)
            undo.callback(app.state.relay.let_go)
            yield

    app = FastAPI(
        title="Oyez",
        version=__version__,
        description=_ABOUT,
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        separate_input_output_schemas=False,
    )
    app.state.settings = settings
    app.state.director = director
    app.state.access = holder
    app.state.feed = FeedKey(settings.feed)
    web = folder("web")
    app.state.templates = Jinja2Templates(directory=web / "templates")
    problems.install(app)
    for part in (health, plan, zones, ahead, rules, plays, clips, venue, log, events):
        app.include_router(part.router, dependencies=[Depends(known_query)], max_body_size=BODY_LIMIT)
    app.include_router(feeds.router, max_body_size=BODY_LIMIT)
    app.include_router(pages.router, max_body_size=BODY_LIMIT)
    app.mount("/static", StaticFiles(directory=web / "static"), name="static")
    app.add_middleware(HeadAsGet)
    app.add_middleware(problems.TooLargeInWords)
    app.add_middleware(Access, token=holder.token, now_ms=holder.now_ms, feed=app.state.feed)
    _document(app)
    return app


class HeadAsGet:
    """ASGI middleware: HEAD is answered as GET would be, without the content (RFC 9110, section 9.3.2)."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def send_head(message: Message) -> None:
            if message["type"] == "http.response.start":
                await send(message)
                await send({"type": "http.response.body", "body": b"", "more_body": False})

        if scope["type"] == "http" and scope["method"] == "HEAD":
            await self.app({**scope, "method": "GET"}, receive, send_head)
        else:
            await self.app(scope, receive, send)


def _document(app: FastAPI) -> None:
    """The OpenAPI document with our problems in place of the framework's own validation error."""

    def document() -> dict[str, Any]:
        if app.openapi_schema is None:
            made = get_openapi(
                title=app.title, version=app.version, description=app.description, routes=app.routes
            )
            schemas = made.setdefault("components", {}).setdefault("schemas", {})
            schemas.setdefault(
                Problem.__name__, Problem.model_json_schema(ref_template="#/components/schemas/{model}")
            )
            for name, inner in schemas[Problem.__name__].pop("$defs", {}).items():
                schemas.setdefault(name, inner)
            reference = {"$ref": f"#/components/schemas/{Problem.__name__}"}
            for methods in made["paths"].values():
                for operation in methods.values():
                    answer = operation["responses"].get("422")
                    if answer is not None:
                        answer["content"] = {problems.MEDIA_TYPE: {"schema": reference}}
            for unused in ("HTTPValidationError", "ValidationError"):
                schemas.pop(unused, None)
            app.openapi_schema = made
        return app.openapi_schema

    app.openapi = document  # type: ignore[method-assign]
