"""What planning takes and gives. All `_ms` are whole milliseconds of UTC since 1970, spans are half-open."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    zone: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Obstacle:
    """One thing that stood in the way of a start: the span it holds, in one zone (None: in all).

    kind      "play", "kept" (the place of a play that waits), "quiet", "cap" or "closing"
    what      the play's title, the window's label, the cap's number
    priority  of the play
    """

    kind: str
    zone: str | None
    start_ms: int
    end_ms: int
    what: str
    priority: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """One time at which a rule asks for the zones.

    id         stable: "RULE@NOMINAL_MS", with "/ZONE" behind it when zones take it one by one;
               for an event "RULE@NOMINAL_MS!N" where N tells events of one instant apart
    order      place of the rule in the file (ties)
    latest_ms  latest allowed start
    ends_by_ms the play must have ended by then (open_only), None when nothing asks for it
    event      a person's: ignores gaps and caps, counts for them
    live_voice someone talks: never cut by a recording
    rounds     rounds left to play when it starts again after a cut; None means all the rule asks for
    """

    id: str
    rule: str
    title: str
    order: int
    nominal_ms: int
    latest_ms: int
    duration_ms: int
    zones: tuple[str, ...]
    priority: int
    blocked_zones: str = "leave_out"
    ends_by_ms: int | None = None
    event: bool = False
    left_out: tuple[LeftOut, ...] = ()
    live_voice: bool = False
    rounds: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneDuck:
    """The duck one play asks of one zone's music; times in whole ms."""

    depth_db: float
    fall_ms: int
    hold_ms: int
    rise_ms: int
    bridge_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Play:
    """An occurrence that got its zones. `reason`: "on time", or in plain words why it is where it is."""

    id: str
    rule: str
    title: str
    order: int
    nominal_ms: int
    start_ms: int
    end_ms: int
    latest_ms: int
    zones: tuple[str, ...]
    priority: int
    chime: str | None
    clips: tuple[str, ...]
    reason: str
    left_out: tuple[LeftOut, ...] = ()
    ducks: Mapping[str, ZoneDuck] = field(default_factory=dict)
    event: bool = False
    live_voice: bool = False
    rounds: int | None = None
    obstacles: tuple[Obstacle, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Unplaced:
    """An occurrence that found no place, with what stood in its way and what would have let it in.

    waits_until_ms  it waits for a play without an end, and may start until then; None: it has no place for good
    """

    id: str
    rule: str
    title: str
    order: int
    nominal_ms: int
    zones: tuple[str, ...]
    priority: int
    reason: str
    left_out: tuple[LeftOut, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()
    waits_until_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class QuietSpan:
    """A quiet window of one zone, resolved: [start_ms, end_ms)."""

    zone: str
    start_ms: int
    end_ms: int
    min_priority: int
    music_off: bool
    label: str  # in words, e.g. "quiet 13:30-14:00"
    who: str | None = None  # who made it by hand; None: it was designed


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    start_ms: int
    end_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One operating day of one venue: [starts_ms, ends_ms).

    plays      sorted by start, then the rule's place in the file
    ducks      zone -> corner points (ms, dB) of the music gain; only zones with plays
    music      zone -> spans in which its music plays (hours, on, quiet windows with music off)
    quiet      the day's quiet windows by zone, for drawing
    open       hours set -> opening periods, "venue" is the venue's own
    proven     priority -> no plan airs more of it, or as many with less lateness, given the priorities above;
               False: it is the best found
    """

    venue: str
    date: dt.date
    timezone: str
    starts_ms: int
    ends_ms: int
    plays: tuple[Play, ...]
    unplaced: tuple[Unplaced, ...]
    ducks: Mapping[str, tuple[tuple[int, float], ...]]
    music: Mapping[str, tuple[Span, ...]]
    quiet: tuple[QuietSpan, ...]
    open: Mapping[str, tuple[Span, ...]]
    proven: Mapping[int, bool] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A play that began (or ran) before now: it holds its zones and is never changed by planning.

    `id` is the occurrence's, which is therefore not planned again. The end is the planned one while it
    sounds, the true one afterwards.

    open_ended  nobody knows yet when it ends (a live page); `end_ms` is then only "not before". It holds its
                zones until it is given again with its true end
    """

    id: str
    rule: str
    title: str
    start_ms: int
    end_ms: int
    zones: tuple[str, ...]
    priority: int
    live_voice: bool = False
    open_ended: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Live:
    """What the running service knows beyond the venue file, as of `now_ms`.

    taken    plays of this day and the day before that have begun or ended
    done     ids of occurrences that are finished or were given up: never planned again
    events   asked for by a person or restarted after a cut, not yet begun; they are placed with the rest
    holds    quiet windows made by hand
    skips    ids of occurrences skipped by hand: listed without a place, and take none
    """

    now_ms: int
    taken: tuple[Taken, ...] = ()
    done: frozenset[str] = frozenset()
    events: tuple[Occurrence, ...] = ()
    holds: tuple[QuietSpan, ...] = ()
    skips: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """A play that gives way: faded out from `at_ms` in these zones only; elsewhere it goes on."""

    id: str
    zones: tuple[str, ...]
    at_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What becomes of an event: its play (None: it found no place) and what is cut for it.

    plan    the rest of the day around it; plays that were cut are not in it
    reason  in words for who asked
    """

    plan: Plan
    play: Play | None
    cuts: tuple[Cut, ...]
    reason: str
