"""What waits for a play of unknown length, such as a live page: nobody knows yet when its zones are free again.

The day is placed as if that play were not there, and whoever asks for one of its zones gives its place back and
waits. So the plays of all other zones stay where they are to the millisecond, and the places of those that wait
are kept free there: a lesser announcement does not slip in and delay them once more. Looks at no clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from oyez.planning.board import Board, Job
from oyez.planning.types import Obstacle, Taken


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What becomes of one occurrence that met a play without an end.

    until_ms  the last start left to it, None: it waits no longer
    """

    until_ms: int | None
    reason: str
    obstacles: tuple[Obstacle, ...]


class Waiting:
    """The plays without an end of one day, and what they make of the occurrences that ask for their zones."""

    def __init__(self, taken: Iterable[Taken], *, now_ms: int | None) -> None:
        self._open = [t for t in taken if t.open_ended]
        started = max((t.start_ms for t in self._open), default=0)
        self._now_ms = started if now_ms is None else now_ms
        self._last: dict[int, int | None] = {}

    def of(self, zones: Iterable[str]) -> list[Taken]:
        """Those that hold one of the zones."""
        if not self._open:
            return []
        asked = set(zones)
        return [t for t in self._open if asked.intersection(t.zones)]

    def not_before(self, zones: Iterable[str], not_before_ms: int | None) -> int | None:
        """The earliest start to look for: what waits keeps the place it would have had."""
        there = self.of(zones)
        if not there or not_before_ms is None:
            return not_before_ms
        return min(not_before_ms, *(t.start_ms for t in there))

    def look(self, board: Board, job: Job) -> None:
        """Note the last start the job could ever have, while only what is fixed is on the board."""
        if self.of(job.occurrence.zones):
            possible = job.lines and job.first_ms <= job.last_ms
            self._last[job.number] = board.latest(job, job.last_ms, job.first_ms) if possible else None

    def verdict(self, job: Job, names: Mapping[str, str], clock: Callable[[int], str]) -> Verdict | None:
        """None where nothing without an end stands in its way: its place or its loss is what it is."""
        there = self.of(job.occurrence.zones)
        last_ms = self._last.get(job.number)
        if last_ms is None:
            return None
        would_ms = last_ms if job.start_ms is None else job.start_ms
        if all(would_ms + job.length_ms + job.gap_ms <= t.start_ms for t in there):  # over before any begins
            return None
        obstacles = tuple(
            Obstacle(
                kind="play",
                zone=zone,
                start_ms=t.start_ms,
                end_ms=max(t.end_ms, self._now_ms),
                what=t.title,
                priority=t.priority,
            )
            for t in there
            for zone in job.occurrence.zones
            if zone in t.zones
        )
        who = " and ".join(_held(t, job, names) for t in there)
        if last_ms < self._now_ms:
            had = f"{who} had no end yet at {clock(last_ms)}, when it could have started last"
            return Verdict(until_ms=None, reason=had, obstacles=obstacles)
        has = "has" if len(there) == 1 else "have"
        waits = f"waits for {who}, which {has} no end yet; it may start until {clock(last_ms)}"
        return Verdict(until_ms=last_ms, reason=waits, obstacles=obstacles)


def _held(taken: Taken, job: Job, names: Mapping[str, str]) -> str:
    zones = [names.get(zone, zone) for zone in job.occurrence.zones if zone in taken.zones]
    more = f" and {len(zones) - 1} more" if len(zones) > 1 else ""
    return f"'{taken.title}' in {zones[0]}{more}"
