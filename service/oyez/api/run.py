"""`python -m oyez.api.run --data DIR --host H --port P --parent PID`: the web process.

One process, one event loop. It ends on SIGTERM within a second even with open streams, and by itself when its
parent is gone. The engine plays on either way.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import os
import signal
import socket
import sys
import tempfile
from pathlib import Path
from types import FrameType

from oyez.settings import Settings, use_packaged_zone_rules

use_packaged_zone_rules()

import uvicorn  # noqa: E402
from fastapi import FastAPI  # noqa: E402

from oyez.api.access import is_loopback  # noqa: E402
from oyez.api.app import create_app  # noqa: E402
from oyez.errors import OyezError  # noqa: E402

_LOOK_S = 0.25


class Server(uvicorn.Server):
    """Ends open streams first, so that nobody has to be waited for."""

    def __init__(self, config: uvicorn.Config, app: FastAPI) -> None:
        super().__init__(config)
        self._app = app

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:  # noqa: ARG002 - as uvicorn calls it
        """However often it comes (Ctrl-C reaches the whole terminal, then the supervisor asks too) it ends once.

        The signal is not raised again afterwards: it was obeyed.
        """
        relay = getattr(self._app.state, "relay", None)
        if relay is not None:
            relay.let_go_soon()
        self.should_exit = True


async def _serve(server: Server, listening: socket.socket, parent: int | None) -> None:
    serving = asyncio.create_task(server.serve([listening]))
    while not serving.done():
        if parent is not None and os.getppid() != parent:
            server.handle_exit(signal.SIGTERM, None)
            parent = None
        await asyncio.wait({serving}, timeout=_LOOK_S)
    await serving


def bind(host: str, port: int) -> socket.socket:
    """A socket on the address. Raises OSError."""
    made = socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((host, port))
    except OSError:
        made.close()
        raise
    return made


def build(settings: Settings) -> FastAPI:
    """The application with the real director on this data folder."""
    from oyez.api.desk import Desk
    from oyez.playout.director import Director
    from oyez.playout.link import EngineLink
    from oyez.playout.now import SystemClock
    from oyez.store.database import open_database

    database, link = open_database(settings, within_service=True), EngineLink(settings)
    director = Director(settings, database, link, SystemClock())
    return create_app(settings, Desk(settings, database, link, director))


def entrance(app: FastAPI, host: str, port: int) -> str:
    """The address that lets another machine's browser in."""
    name = socket.gethostname() if host in {"0.0.0.0", "::"} else host  # noqa: S104 - only read here
    shown = f"[{name}]" if ":" in name else name
    return f"http://{shown}:{port}/enter?token={app.state.access.token}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--parent", type=int, default=None)
    args = parser.parse_args()
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    settings = Settings(data_dir=args.data, host=args.host, port=args.port)
    try:
        listening = bind(args.host, args.port)
    except OSError as error:
        sys.stderr.write(f"cannot listen at {args.host}, port {args.port}: {error.strerror}\n")
        return 1
    spool = settings.data_dir / "spool"
    spool.mkdir(parents=True, exist_ok=True)
    tempfile.tempdir = str(settings.data_dir)  # uploads are held where the audio goes, not in a small /tmp
    try:
        app = build(settings)
    except OyezError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_status
    if not is_loopback(args.host):
        sys.stdout.write(f"From another machine: {entrance(app, args.host, args.port)}\n")
        sys.stdout.flush()
    config = uvicorn.Config(
        app,
        host=args.host,
        port=args.port,
        loop="asyncio",
        log_level="warning",
        proxy_headers=False,
        server_header=False,
        timeout_graceful_shutdown=1,
        ws="websockets-sansio",
        ws_max_size=64 * 1024,
    )
    server = Server(config, app)
    asyncio.run(_serve(server, listening, args.parent))
    return 0 if server.started else 1


if __name__ == "__main__":
    sys.exit(main())
