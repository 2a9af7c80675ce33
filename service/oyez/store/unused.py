"""Takes out audio that nothing uses: stored by an import whose end was never entered, because it was killed.

Careful, for what is taken out is gone: nothing that a table names or the engine holds, nothing younger than a day
(its import may still run), and nothing stored after the database last took audio in. The last keeps the audio of
what was entered later when an older copy of the database was put back, and all of it beside an empty one.
"""

from __future__ import annotations

import re
import time
from contextlib import suppress

from sqlalchemy import func, select

from oyez.clips.store import AudioStore
from oyez.settings import Settings
from oyez.store.clips import audio_in_use
from oyez.store.database import Database
from oyez.store.tables import AudioRow

UNUSED_S = 86_400.0
MOST = 500
_NAME = re.compile(r"(?<![0-9a-f])[0-9a-f]{64}(?![0-9a-f])")


def sweep_unused(database: Database, settings: Settings, *, now_s: float | None = None) -> int:
    """Remove at most MOST pieces of audio; returns how many went.

    now_s  seconds since 1970, for the age of files; default the clock
    Raises WorkFailed when the database cannot be read, OSError when a folder or the engine's programme cannot.
    """
    before_s = (time.time() if now_s is None else now_s) - UNUSED_S
    with database.read() as session:
        known = audio_in_use(session) | frozenset(session.scalars(select(AudioRow.sha256)))
        last_ms = session.scalar(select(func.max(AudioRow.added_ms)))
    if last_ms is None:
        return 0
    before_s = min(before_s, last_ms / 1000)
    store, removed = AudioStore(settings.audio), 0
    unknown = [sha256 for sha256 in store.names() if sha256 not in known]
    if not unknown:
        return 0
    held = _held_by_engine(settings)
    for sha256 in unknown:
        if removed == MOST:
            break
        with suppress(FileNotFoundError):
            if sha256 not in held and store.path_of(sha256).stat().st_mtime < before_s:
                store.remove(sha256)
                removed += 1
    return removed


def _held_by_engine(settings: Settings) -> frozenset[str]:
    """Whatever looks like a piece of audio's name in the engine's remembered programmes, readable or put aside."""
    found: set[str] = set()
    for path in settings.engine.glob("programme.*"):
        found.update(_NAME.findall(path.read_text(encoding="utf-8", errors="replace")))
    return frozenset(found)
