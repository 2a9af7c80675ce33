"""Show the private address at which a calendar program finds the plan, and make it.

  oyez feed                               the address, made on first use
  oyez feed --url https://sound.example   as others reach the service
  oyez feed --new                         another one: the old one is none any more
  oyez feed --off                         none

Who has the address can read the plan of the coming two weeks, and do nothing else. It needs no token.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from urllib.parse import urlsplit

from oyez.api.feeds import DAYS, FeedKey
from oyez.errors import InputError, NotFound, WorkFailed
from oyez.settings import Settings, default_data_dir


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--data", type=Path, metavar="DIR", help="data folder; default: $OYEZ_DATA or the user's own"
    )
    parser.add_argument(
        "--url",
        metavar="URL",
        default="http://127.0.0.1:8137",
        help="where the service is reached (default: %(default)s)",
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--new", action="store_true", help="make another address; the old one ends")
    what.add_argument("--off", action="store_true", help="take the address back")
    parser.add_argument("--json", action="store_true", help="as JSON")


def run(args: argparse.Namespace) -> int:
    settings = Settings(data_dir=args.data or default_data_dir())
    parts = urlsplit(args.url)
    if parts.scheme not in {"http", "https"} or not parts.netloc:
        raise InputError(f"--url is '{args.url}', allowed are addresses like https://sound.example")
    if not settings.data_dir.is_dir():
        raise NotFound(f"{settings.data_dir}: is no data folder; `oyez load FILE` or `oyez serve` makes one")
    key = FeedKey(settings.feed)
    try:
        if args.off:
            key.remove()
        path = None if args.off else key.renew() if args.new else key.address() or key.renew()
    except OSError as error:
        raise WorkFailed(f"{settings.feed}: cannot be written: {error.strerror}") from error
    address = None if path is None else args.url.rstrip("/") + path
    if args.json:
        print(json.dumps({"url": address, "days": DAYS}, indent=2))
    else:
        print(address or "The calendar has no address any more.")
    return 0
