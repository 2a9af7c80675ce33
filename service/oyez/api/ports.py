"""What the web pages ask of the service: the one seam between `api` and `playout.director`.

The director fulfils this protocol; tests put a fake in its place. Every method may be called from any thread
and may wait for the database or the engine, never for longer than a few seconds. Changes are committed before
a method returns. Errors are those of `oyez.errors`: NotFound for an unknown rule, play or zone, Conflict when
it cannot be done now (its message is the plain reason), EngineGone when the engine does not answer.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from oyez.planning.types import Plan
from oyez.playout.changes import Subscription
from oyez.playout.link import Listening
from oyez.store.chain import Verified
from oyez.store.log_entries import LogRecord
from oyez.venue.facts import ClipFacts
from oyez.venue.models import VenueFile


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """playing   the engine answers and follows the clock
    output    "card", "recording" or "silent"
    sentence  state in words for the top of the page: "All well", "No sound hardware: playing silently", ...
    code      stable word for the same: "ok", "silent", "engine-gone", "output-lost", "no-venue", ...
    engine    the engine's own numbers (xruns, revision, ...), as it gives them
    """

    playing: bool
    output: str
    sentence: str
    code: str
    engine: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneLive:
    """One zone now. `sounding` is the play's id, None when nothing speaks; `level_lufs` None when silent;
    `music` None when the engine does not say.
    """

    zone: str
    music: bool | None
    sounding: str | None
    title: str | None
    since_ms: int | None
    until_ms: int | None
    level_lufs: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fired:
    """What a press led to, as the engine took it."""

    id: str
    title: str
    start_ms: int
    end_ms: int
    zones: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipEntry:
    """A clip with what is known of its audio; `facts` None when its audio is not stored.

    lead_silence_ms, tail_silence_ms  silence at its ends, None when not known
    original                          name of the file it was taken from, None when not known
    """

    id: str
    title: str
    kind: str
    facts: ClipFacts | None
    lead_silence_ms: int | None = None
    tail_silence_ms: int | None = None
    original: str | None = None


class DirectorPort(Protocol):
    def start(self) -> None: ...
    def stop(self) -> None: ...
    def now_ms(self) -> int: ...
    def health(self) -> Health: ...
    def venue(self) -> VenueFile | None: ...
    def load_venue(self, venue: VenueFile, *, dry_run: bool, asked_by: str) -> Sequence[str]:
        """Changes in words, one a line; with `dry_run` nothing is changed."""
        ...

    def today(self) -> dt.date: ...
    def plan(self, date: dt.date) -> Plan:
        """Today's: what has begun is in it as it was, the rest as it stands now. Other days: as designed."""
        ...

    def zones(self) -> Sequence[ZoneLive]: ...
    def fire(self, rule_id: str, *, asked_by: str) -> Fired:
        """Raises Conflict with the plain reason when it finds no place."""
        ...

    def stop_play(self, play_id: str, *, asked_by: str) -> str:
        """Fades it out everywhere, finally. Returns what happens, in words."""
        ...

    def log(self, *, from_ms: int | None, until_ms: int | None) -> Sequence[LogRecord]:
        """Records of what was asked for (or happened) in [from_ms, until_ms), in the order they were added."""
        ...

    def verify_log(self) -> Verified: ...
    def clips(self) -> Sequence[ClipEntry]: ...
    def add_clip(
        self, imported: Mapping[str, Any], *, clip_id: str, title: str, kind: str, asked_by: str
    ) -> ClipEntry:
        """Enter a finished import. Refused (Conflict), audio that no clip has is taken out of the store again."""
        ...

    def subscribe(self) -> Subscription:
        """What changes, by name: "plan", "log", "state", "venue"."""
        ...

    def listen(self, zone_id: str) -> AsyncIterator[Listening | bytes]:
        """Live sound of one zone: its head first, then interleaved int16 little-endian frames."""
        ...
