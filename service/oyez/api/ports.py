"""What the web pages ask of the service: the one seam between `api` and `playout.director`.

The director fulfils this protocol; tests put a fake in its place. Every method may be called from any thread
and may wait for the database or the engine, never for longer than a few seconds. Changes are committed before
a method returns. Errors are those of `oyez.errors`: NotFound for an unknown rule, play or zone, Conflict when
it cannot be done now (its message is the plain reason), EngineGone when the engine does not answer.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol

from oyez.planning.types import Plan
from oyez.venue.facts import ClipFacts
from oyez.venue.models import VenueFile

Topic = Literal["plan", "log", "state", "venue"]
Listener = Callable[[Topic, Mapping[str, Any]], None]


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
    """One zone now. `sounding` is the play's id, None when nothing speaks; `level_lufs` None when silent."""

    zone: str
    music: bool
    sounding: str | None
    title: str | None
    since_ms: int | None
    until_ms: int | None
    duck_db: float | None = None
    level_lufs: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Fired:
    """What a press led to. `start_ms` None when it found no place (then `reason` says why)."""

    id: str
    title: str
    start_ms: int | None
    end_ms: int | None
    zones: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEntry:
    """One record of the log. `body` is the record's tree (kinds claim, end, unsent, event)."""

    seq: int
    at_ms: int
    kind: str
    body: Mapping[str, Any]
    hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """good False: `first_bad_seq` and `reason` say where the chain breaks."""

    good: bool
    records: int
    first_bad_seq: int | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipEntry:
    """A clip with what is known of its audio; `facts` None when its audio is not stored."""

    id: str
    title: str
    kind: str
    facts: ClipFacts | None


class PcmStream(Protocol):
    """Live sound of one zone: 48 kHz, int16 little-endian, interleaved, in blocks of about 20 to 100 ms."""

    channels: int

    def blocks(self) -> AsyncIterator[bytes]: ...


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
    def fire(self, rule_id: str, *, asked_by: str) -> Fired: ...
    def stop_play(self, play_id: str, *, asked_by: str) -> str:
        """Fades it out everywhere, finally. Returns what happens, in words."""
        ...

    def log(self, *, from_ms: int | None, until_ms: int | None) -> Sequence[LogEntry]:
        """Records with from_ms <= at_ms < until_ms, oldest first."""
        ...

    def verify_log(self) -> Verified: ...
    def clips(self) -> Sequence[ClipEntry]: ...
    def add_clip(self, imported: Mapping[str, Any], *, clip_id: str, title: str, kind: str) -> ClipEntry: ...
    def audio_file(self, clip_id: str) -> Path: ...
    def subscribe(self, listener: Listener) -> Callable[[], None]:
        """`listener` is called from any thread at each change; returns the way to unsubscribe."""
        ...

    def listen(self, zone_id: str) -> PcmStream: ...
