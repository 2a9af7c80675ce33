"""What the engine keeps on disk besides its journal: the programme, and a sign of life.

Both are replaced whole. The programme is flushed to the disk before anybody is told it was taken; the sign of life
is not, it is only ever read after the engine died on a machine that went on living.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from oyez.errors import InputError
from oyez.mixing.programme import Programme, from_tree, to_tree
from oyez.playout.journal import replace_file

EMPTY = Programme(
    venue="", timezone="UTC", revision=0, made_ms=0, until_ms=0, zones=(), sources=(), outputs=(), cues=()
)


class Memory:
    def __init__(self, folder: Path) -> None:
        self._programme = folder / "programme.json"
        self._life = folder / "heartbeat"

    def programme(self) -> tuple[Programme, str | None]:
        """The remembered programme, or an empty one and why. What cannot be read is put aside, not deleted."""
        try:
            tree = json.loads(self._programme.read_bytes())
            return read_programme(tree), None
        except FileNotFoundError:
            return EMPTY, None
        except (OSError, ValueError, InputError) as error:
            with suppress(OSError):
                self._programme.replace(self._programme.with_suffix(".unreadable"))
            return EMPTY, f"the remembered programme could not be read: {error}"

    def remember(self, programme: Programme) -> None:
        """On the disk when this returns. Raises OSError when it is not."""
        data = json.dumps(to_tree(programme), separators=(",", ":"), ensure_ascii=False)
        replace_file(self._programme, data.encode())

    def last_seen_ms(self) -> int | None:
        try:
            return int(json.loads(self._life.read_bytes())["utc_ms"])
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def live(self, utc_ms: int) -> None:
        """Say that the engine lives at this instant. A full disk costs only the precision of a crash's time."""
        fresh = self._life.with_name("heartbeat.new")
        with suppress(OSError):
            fresh.write_text(json.dumps({"utc_ms": utc_ms}), encoding="ascii")
            fresh.replace(self._life)


def read_programme(tree: Any) -> Programme:
    """Raises InputError when the tree is no programme."""
    if not isinstance(tree, Mapping):
        raise InputError(f"programme: expected an object, got {type(tree).__name__}")
    try:
        return from_tree(Programme, tree)
    except ValueError as error:
        raise InputError(str(error)) from error
