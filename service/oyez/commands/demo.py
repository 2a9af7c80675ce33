"""Run the service on a ready-made venue, the Quillfin Aquarium, set around the present minute.

The first start measures the clips and compiles, which takes up to half a minute; later ones take seconds. Ctrl-C
ends it. The folder keeps the log; delete it to begin anew.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from pathlib import Path

from oyez.errors import InputError
from oyez.settings import Settings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--data", type=Path, default=None, help="the demo's own data folder (default: ~/.local/share/oyez-demo)"
    )
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default: this machine only)")
    parser.add_argument(
        "--port", type=int, default=8137, help="port of the pages (default: 8137; 0: any free one)"
    )


def run(args: argparse.Namespace) -> int:
    from oyez.commands.serve import serve
    from oyez.playout.supervisor import free_port, hold_folder

    if not 0 <= args.port <= 65535:
        raise InputError(f"--port is {args.port}, allowed are 0 to 65535")
    data: Path = args.data or default_demo_dir()
    settings = Settings(data_dir=data.absolute(), host=args.host, port=args.port)
    os.close(hold_folder(settings))  # what would prevent the service is said before half a minute of work
    free_port(settings.host, settings.port)
    command = [sys.executable, "-m", "oyez.demo.prepare", "--data", str(settings.data_dir)]
    status = subprocess.run(command, check=False).returncode
    return serve(settings) if status == 0 else status


def default_demo_dir() -> Path:
    """$XDG_DATA_HOME/oyez-demo, else ~/.local/share/oyez-demo."""
    base = os.environ.get("XDG_DATA_HOME")
    return (Path(base) if base else Path.home() / ".local" / "share") / "oyez-demo"
