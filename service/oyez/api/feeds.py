"""The secret of the calendar's private address: one in a data folder, made when asked for, read at each request.

Who has the address can read the plan of the venue that plays, and nothing else. A new secret ends the old address.
"""

from __future__ import annotations

import contextlib
import hmac
import os
import re
import secrets
from pathlib import Path

PREFIX = "/feeds/"
DAYS = 14
_PATH = re.compile(r"/feeds/([A-Za-z0-9_-]{43})/plan\.ics")


class FeedKey:
    """`path` is the file that holds the secret, mode 0600; without it there is no address."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def address(self) -> str | None:
        """The calendar's path on the service, None while there is none."""
        secret = self._read()
        return None if secret is None else f"{PREFIX}{secret}/plan.ics"

    def renew(self) -> str:
        """Make a new address, and return it. The old one is none any more."""
        part = self.path.with_name(f".{self.path.name}.{secrets.token_hex(4)}")
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        secret = secrets.token_urlsafe(32)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(secret + "\n")
            file.flush()
            os.fsync(file.fileno())
        part.replace(self.path)
        return f"{PREFIX}{secret}/plan.ics"

    def remove(self) -> None:
        with contextlib.suppress(FileNotFoundError):
            self.path.unlink()

    def opens(self, path: str) -> bool:
        """Whether a request's path is the address."""
        given, secret = _PATH.fullmatch(path), self._read()
        return given is not None and secret is not None and hmac.compare_digest(given[1], secret)

    def _read(self) -> str | None:
        try:
            secret = self.path.read_text(encoding="ascii").strip()
        except (OSError, UnicodeDecodeError):
            return None
        return secret if re.fullmatch(r"[A-Za-z0-9_-]{43}", secret) else None
