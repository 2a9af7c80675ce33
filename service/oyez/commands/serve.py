"""Run the service: the engine that plays and the web process with its pages.

SIGTERM or Ctrl-C fades out in 150 ms, closes the log of what was playing and exits within 2 s. With
--keep-engine the engine goes on playing, and the next `oyez serve` takes it over.
"""

from __future__ import annotations

import argparse
import signal
from pathlib import Path

from oyez.errors import InputError
from oyez.playout.supervisor import Supervisor
from oyez.settings import Settings, default_data_dir


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--data", type=Path, default=None, help="the data folder (default: $OYEZ_DATA, else ~/.local/share/oyez)"
    )
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: this machine only)")
    parser.add_argument(
        "--port", type=int, default=8137, help="port of the pages (default: 8137; 0: any free one)"
    )
    parser.add_argument(
        "--keep-engine", action="store_true", help="leave the engine playing at the end, for the next `oyez serve`"
    )


def run(args: argparse.Namespace) -> int:
    if not 0 <= args.port <= 65535:
        raise InputError(f"--port is {args.port}, allowed are 0 to 65535")
    data: Path = args.data or default_data_dir()
    settings = Settings(data_dir=data.absolute(), host=args.host, port=args.port)
    return serve(settings, keep_engine=args.keep_engine)


def serve(settings: Settings, *, keep_engine: bool = False) -> int:
    """Run until SIGTERM or SIGINT."""
    supervisor = Supervisor(settings, keep_engine=keep_engine, say=lambda line: print(line, flush=True))
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, lambda *_: supervisor.stop())
    return supervisor.run()
