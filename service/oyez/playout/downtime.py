"""What fell into a time when the service was not running: when it last lived, and what it owes the log for that.

The sign of life is a small file in the data folder, written every few seconds and not forced to the disk: after a
power cut it may be a little old, which only makes the time looked through a little longer. Nothing is owed twice:
what the log knows in any way is passed over.
"""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

from oyez.planning.day import operating_day
from oyez.playout.around import plan_around
from oyez.playout.gather import Gathered
from oyez.playout.missed import Expected, expected_of
from oyez.store import journal, log
from oyez.venue.models import VenueFile
from oyez.venue.reader import read_venue

LONGEST_MS = 14 * 86_400_000
_NAME = "alive"


def note_alive(data_dir: Path, now_ms: int) -> None:
    """Say that the service lives. A disk that does not take it costs precision, no more."""
    fresh = data_dir / f"{_NAME}.{os.getpid()}.new"
    with suppress(OSError):
        fresh.write_text(json.dumps({"at_ms": now_ms}), encoding="ascii")
        fresh.replace(data_dir / _NAME)


def last_alive_ms(data_dir: Path) -> int | None:
    """When the service last said so; None when it never did, or the file cannot be read."""
    try:
        return int(json.loads((data_dir / _NAME).read_bytes())["at_ms"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def missed_between(
    session: Session, known: Gathered, since_ms: int, until_ms: int, reason: str
) -> tuple[dict[str, Any], ...]:
    """Records of kind unsent for what passed its latest start in (since_ms, until_ms] and is not in the log.

    What had a place gets `reason`; what had none, the plan's own. At most 14 days are looked through, each planned
    by the venue as it was designed then.
    """
    if until_ms <= since_ms:  # the clock stands before the last sign of life: it is the clock that is wrong
        return ()
    since_ms = max(since_ms, until_ms - LONGEST_MS)
    found: dict[str, Expected] = {}
    for from_ms, to_ms, venue in _designs(session, known, since_ms, until_ms):
        for one in _expected(known, venue, from_ms, to_ms):
            if from_ms < one.latest_ms <= to_ms:
                found[one.id] = one
    there = log.known(session, known.venue_id, found)
    owed = sorted((e for e in found.values() if e.id not in there), key=lambda e: (e.latest_ms, e.id))
    return tuple(e.unsent(at_ms=until_ms, reason=e.reason or reason) for e in owed)


def _expected(known: Gathered, venue: VenueFile, from_ms: int, to_ms: int) -> Iterator[Expected]:
    gone = {clip.id: f"clip '{clip.id}' has no audio" for clip in venue.clips if clip.id not in known.facts}
    day, last = operating_day(venue, from_ms), operating_day(venue, to_ms)
    while day <= last:
        yield from expected_of(venue, plan_around(venue, day, known.facts, gone))
        day += dt.timedelta(days=1)


def _designs(
    session: Session, known: Gathered, since_ms: int, until_ms: int
) -> Iterator[tuple[int, int, VenueFile]]:
    """Spans of the time, each with the venue as it was designed in it, by the settings journal."""
    from_ms, venue = since_ms, known.venue
    for change in journal.read(session, known.venue_id, from_ms=since_ms, until_ms=until_ms):
        before, after = _venue(change.before), _venue(change.after)
        if after is None:
            continue  # not a change of the whole venue
        if before is not None and change.at_ms > from_ms:
            yield from_ms, change.at_ms, before
        from_ms, venue = change.at_ms, after
    yield from_ms, until_ms, venue


def _venue(tree: Any) -> VenueFile | None:
    if not isinstance(tree, dict) or "rules" not in tree:
        return None
    return read_venue(json.dumps(tree), where="settings journal", syntax="json").venue
