"""What already holds the zones, and where in time a play still fits.

One line a zone: plays (sorted, never overlapping), quiet windows, and the starts that count for the hourly cap.
Everything that forbids a start is a span of starts, so that asking costs a few bisections a zone. Whole ms.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from oyez.planning.types import Occurrence, QuietSpan

HOUR_MS = 3_600_000
FOR_EVER = 1 << 60


class Line:
    """One zone. `starts`, `ends`, `holders` run in parallel; `capped` are starts under the cap, sorted."""

    __slots__ = ("capped", "ends", "holders", "quiet", "starts", "zone")

    def __init__(self, zone: str, quiet: Sequence[QuietSpan]) -> None:
        self.zone = zone
        self.quiet = quiet
        self.starts: list[int] = []
        self.ends: list[int] = []
        self.holders: list[int] = []
        self.capped: list[int] = []

    def put(self, start_ms: int, end_ms: int, holder: int) -> None:
        i = bisect_left(self.starts, start_ms)
        self.starts.insert(i, start_ms)
        self.ends.insert(i, end_ms)
        self.holders.insert(i, holder)

    def take(self, start_ms: int) -> None:
        i = bisect_left(self.starts, start_ms)
        del self.starts[i], self.ends[i], self.holders[i]


@dataclass(slots=True, kw_only=True, eq=False)
class Job:
    """An occurrence on the board: an integer problem. Starts lie in [first_ms, last_ms]."""

    number: int
    occurrence: Occurrence
    lines: tuple[Line, ...]
    first_ms: int
    last_ms: int
    length_ms: int
    gap_ms: int
    counts: bool  # its start counts for the cap
    capped: bool  # it must itself keep to the cap
    quiet: tuple[tuple[list[int], list[int]], ...] = ()  # a line: starts and ends of the windows that bind it
    start_ms: int | None = None


class Board:
    """All lines of a day."""

    def __init__(
        self,
        zones: Iterable[str],
        quiet: Mapping[str, Sequence[QuietSpan]],
        *,
        gap_ms: int,
        max_per_hour: int | None,
        cap_below: int,
    ) -> None:
        self.lines = {zone: Line(zone, quiet.get(zone, ())) for zone in zones}
        self.gap_ms = gap_ms
        self.max_per_hour = max_per_hour
        self.cap_below = cap_below
        self._binding: dict[tuple[str, int], tuple[list[int], list[int]]] = {}

    def job(self, number: int, occurrence: Occurrence, *, not_before_ms: int | None = None) -> Job:
        last_ms = occurrence.latest_ms
        if occurrence.ends_by_ms is not None:
            last_ms = min(last_ms, occurrence.ends_by_ms - occurrence.duration_ms)
        first_ms = occurrence.nominal_ms
        if not_before_ms is not None:
            first_ms = max(first_ms, not_before_ms)
        counts = self.max_per_hour is not None and occurrence.priority < self.cap_below
        return Job(
            number=number,
            occurrence=occurrence,
            lines=tuple(self.lines[z] for z in occurrence.zones),
            first_ms=first_ms,
            last_ms=last_ms,
            length_ms=occurrence.duration_ms,
            gap_ms=0 if occurrence.event else self.gap_ms,
            counts=counts,
            capped=counts and not occurrence.event,
            quiet=tuple(self._quiet(z, occurrence.priority) for z in occurrence.zones),
        )

    def _quiet(self, zone: str, priority: int) -> tuple[list[int], list[int]]:
        """Starts and ends of the windows that bind this priority, merged where they touch or overlap."""
        key = (zone, priority)
        known = self._binding.get(key)
        if known is None:
            spans = sorted((q.start_ms, q.end_ms) for q in self.lines[zone].quiet if q.min_priority > priority)
            known = ([], [])
            for start_ms, end_ms in spans:
                if known[1] and start_ms <= known[1][-1]:
                    known[1][-1] = max(known[1][-1], end_ms)
                else:
                    known[0].append(start_ms)
                    known[1].append(end_ms)
            self._binding[key] = known
        return known

    def put(self, job: Job, start_ms: int) -> None:
        job.start_ms = start_ms
        for line in job.lines:
            line.put(start_ms, start_ms + job.length_ms, job.number)
            if job.counts:
                line.capped.insert(bisect_left(line.capped, start_ms), start_ms)

    def take(self, job: Job) -> None:
        """Undo `put`."""
        assert job.start_ms is not None
        for line in job.lines:
            line.take(job.start_ms)
            if job.counts:
                del line.capped[bisect_left(line.capped, job.start_ms)]
        job.start_ms = None

    def earliest(self, job: Job, from_ms: int, last_ms: int | None = None) -> int | None:
        """The first start at or after `from_ms` that everything on the board allows, None past `last_ms`."""
        t, last = from_ms, job.last_ms if last_ms is None else last_ms
        length, gap = job.length_ms, job.gap_ms
        size = self.max_per_hour if job.capped else None
        settled, i_line, lines = 0, 0, job.lines
        width = len(lines)
        while settled < width:  # until every line in a row has left `t` where it is
            if t > last:
                return None
            line, before = lines[i_line], t
            starts, ends = line.starts, line.ends
            i = bisect_right(ends, t - gap)
            while i < len(ends) and starts[i] < t + length + gap:
                t = ends[i] + gap
                i += 1
            quiet_starts, quiet_ends = job.quiet[i_line]
            if quiet_ends:
                i = bisect_right(quiet_ends, t)
                while i < len(quiet_ends) and quiet_starts[i] < t + length:
                    t = quiet_ends[i]
                    i += 1
            if size is not None:
                capped = line.capped
                if len(capped) >= size:
                    i = bisect_left(capped, t)
                    for k in range(max(0, i - size), min(i, len(capped) - size) + 1):
                        low, high = capped[k], capped[k + size - 1]
                        if high - low < HOUR_MS and high - HOUR_MS < t < low + HOUR_MS:
                            t = low + HOUR_MS
            settled = settled + 1 if t == before else 0
            if settled:
                i_line = (i_line + 1) % width
        return t if t <= last else None

    def forbidden(self, job: Job, low_ms: int, high_ms: int) -> list[tuple[int, int]]:
        """Spans [a, b) of forbidden starts that touch [low_ms, high_ms], merged and sorted."""
        found: list[tuple[int, int]] = []
        length, gap = job.length_ms, job.gap_ms
        size = self.max_per_hour if job.capped else None
        for line, (quiet_starts, quiet_ends) in zip(job.lines, job.quiet, strict=True):
            starts, ends = line.starts, line.ends
            i = bisect_right(ends, low_ms - gap)
            while i < len(ends) and starts[i] < high_ms + length + gap:
                found.append((starts[i] - length - gap + 1, ends[i] + gap))
                i += 1
            i = bisect_right(quiet_ends, low_ms)
            while i < len(quiet_ends) and quiet_starts[i] < high_ms + length:
                found.append((quiet_starts[i] - length + 1, quiet_ends[i]))
                i += 1
            if size is not None:
                capped = line.capped
                k = max(0, bisect_right(capped, low_ms - HOUR_MS) - size)
                while k + size <= len(capped) and capped[k + size - 1] - HOUR_MS < high_ms:
                    low, high = capped[k], capped[k + size - 1]
                    if high - low < HOUR_MS and low + HOUR_MS > low_ms:
                        found.append((high - HOUR_MS + 1, low + HOUR_MS))
                    k += 1
        found.sort()
        merged: list[tuple[int, int]] = []
        for start, end in found:
            if merged and start <= merged[-1][1]:
                if end > merged[-1][1]:
                    merged[-1] = (merged[-1][0], end)
            else:
                merged.append((start, end))
        return merged

    def latest(self, job: Job, before_ms: int, low_ms: int) -> int | None:
        """The last start at or before `before_ms` that the board allows, None under `low_ms`."""
        t = before_ms
        for start, end in reversed(self.forbidden(job, low_ms, before_ms)):
            if start <= t < end:
                t = start - 1
        return t if t >= low_ms else None
