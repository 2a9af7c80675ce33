"""Why a play is not on time or found no place, in plain words: what stood in its way, what would let it in."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from oyez.planning.board import FOR_EVER, HOUR_MS, Board, Job
from oyez.planning.time import to_local
from oyez.planning.types import Obstacle
from oyez.venue.models import Rule
from oyez.venue.units import to_ms

ON_TIME = "on time"
_SAYS_TIME_WAIT_MS = 60_000


def span_words(ms: int) -> str:
    """A length of time as people say it: "74 s", "0.4 s", "5 min 20 s"."""
    if ms < 120_000:
        return f"{ms / 1000:.3f}".rstrip("0").rstrip(".") + " s"
    minutes, rest_ms = divmod(-(-ms // 1000) * 1000, 60_000)
    if minutes >= 120:
        hours, minutes = divmod(minutes, 60)
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return f"{minutes} min {rest_ms // 1000} s" if rest_ms else f"{minutes} min"


@dataclass(frozen=True, slots=True, kw_only=True)
class Holder:
    """Who holds a zone, for words: `number` on the board -> title and priority.

    waits  it does not sound there, its place is only kept for it
    """

    title: str
    priority: int
    waits: bool = False


class Explainer:
    """Says why, against a board on which everything of the job's level and above is placed."""

    def __init__(
        self,
        board: Board,
        zone: ZoneInfo,
        zone_names: Mapping[str, str],
        holders: Mapping[int, Holder],
        *,
        day_ends_ms: int,
    ) -> None:
        self._board = board
        self._zone = zone
        self._names = zone_names
        self._holders = holders
        self._day_ends_ms = day_ends_ms

    def clock(self, at_ms: int) -> str:
        """Local time of the venue, with seconds only where there are some."""
        local = to_local(self._zone, at_ms)
        return f"{local:%H:%M:%S}" if local.second else f"{local:%H:%M}"

    def obstacles(self, job: Job, at_ms: int) -> tuple[Obstacle, ...]:
        """Everything that forbids a start at `at_ms`, zone by zone."""
        found: list[Obstacle] = []
        board, gap, end_ms = self._board, job.gap_ms, at_ms + job.length_ms
        for line in job.lines:
            found.extend(
                Obstacle(kind="quiet", zone=line.zone, start_ms=q.start_ms, end_ms=q.end_ms, what=q.label)
                for q in line.quiet
                if q.min_priority > job.occurrence.priority and q.start_ms < end_ms and at_ms < q.end_ms
            )
            i = bisect_right(line.ends, at_ms - gap)
            while i < len(line.ends) and line.starts[i] < end_ms + gap:
                if line.holders[i] != job.number:
                    holder = self._holders[line.holders[i]]
                    found.append(
                        Obstacle(
                            kind="kept" if holder.waits else "play", zone=line.zone,
                            start_ms=line.starts[i], end_ms=line.ends[i],
                            what=holder.title, priority=holder.priority,
                        )
                    )  # fmt: skip
                i += 1
            size = board.max_per_hour
            if job.capped and size is not None:
                others = list(line.capped)
                if job.start_ms is not None:
                    del others[bisect_left(others, job.start_ms)]
                i = bisect_left(others, at_ms)
                for k in range(max(0, i - size), min(i, len(others) - size) + 1):
                    low, high = others[k], others[k + size - 1]
                    if high - low < HOUR_MS and high - HOUR_MS < at_ms < low + HOUR_MS:
                        found.append(
                            Obstacle(
                                kind="cap", zone=line.zone, start_ms=low, end_ms=low + HOUR_MS, what=str(size)
                            )
                        )
                        break
        ends_by = job.occurrence.ends_by_ms
        if ends_by is not None and end_ms > ends_by:
            found.append(Obstacle(kind="closing", zone=None, start_ms=ends_by, end_ms=ends_by, what="closing"))
        return tuple(found)

    def _words(self, obstacles: Sequence[Obstacle], job: Job, at_ms: int) -> str:
        """Obstacles as one clause, the same thing in several zones said once."""
        grouped: dict[tuple[str, str, int, int], list[str]] = {}
        for o in obstacles:
            grouped.setdefault((o.kind, o.what, o.start_ms, o.end_ms), []).append(
                self._names.get(o.zone or "", "")
            )
        parts = []
        for (kind, what, start_ms, end_ms), zones in grouped.items():
            where = zones[0] if len(zones) == 1 else f"{zones[0]} and {len(zones) - 1} more"
            if kind == "quiet":
                parts.append(f"{what} in {where}")
            elif kind == "cap":
                parts.append(f"{where} has its {what} announcements an hour until {self.clock(end_ms)}")
            elif kind == "closing":
                parts.append(f"it could not end by {self.clock(end_ms)}, when it closes")
            elif kind == "kept":
                parts.append(f"until {self.clock(end_ms)} its place in {where} is kept for '{what}', which waits")
            elif start_ms > at_ms:
                parts.append(f"'{what}' starts in {where} at {self.clock(start_ms)}")
            elif end_ms > at_ms:
                parts.append(f"'{what}' sounds in {where} until {self.clock(end_ms)}")
            else:
                gap = span_words(job.gap_ms)
                parts.append(f"'{what}' ended in {where} at {self.clock(end_ms)} and {gap} must lie between")
        shown = parts[:3] + ([f"{len(parts) - 3} more"] if len(parts) > 3 else [])
        return "; ".join(shown)

    def late(self, job: Job, start_ms: int) -> tuple[str, tuple[Obstacle, ...]]:
        """Why a placed job starts after its nominal start."""
        late_ms = start_ms - job.occurrence.nominal_ms
        if late_ms == 0:
            return ON_TIME, ()
        late = f"{span_words(late_ms)} late"
        obstacles = self.obstacles(job, job.first_ms)
        if obstacles:
            return f"{late}: {self._words(obstacles, job, job.first_ms)}", obstacles
        if job.first_ms > job.occurrence.nominal_ms:
            return f"{late}: it could not be started at {self.clock(job.occurrence.nominal_ms)}", ()
        return f"{late}: given way to keep more announcements or less waiting", ()

    def lost(self, job: Job, rule: Rule | None) -> tuple[str, tuple[Obstacle, ...]]:
        """Why a job found no place, and the smallest change that would let it in, all else as placed."""
        o = job.occurrence
        if not o.zones:
            return "none of its zones is in service", ()
        if o.nominal_ms >= self._day_ends_ms:
            return f"its time is past the end of the operating day ({self.clock(self._day_ends_ms)})", ()
        if job.first_ms > o.latest_ms:
            return f"its latest start, {self.clock(o.latest_ms)}, has passed", ()
        obstacles = self.obstacles(job, job.first_ms)
        words = self._words(obstacles, job, job.first_ms)
        limit_ms = self._day_ends_ms - 1
        if o.ends_by_ms is not None:
            limit_ms = min(limit_ms, o.ends_by_ms - job.length_ms)
        later = self._board.earliest(job, job.first_ms, limit_ms)
        waits = f"waits at most {span_words(o.latest_ms - o.nominal_ms)}"
        if later is None:
            return f"{words}; {self._earlier(job, 'no room is left later that day')}", obstacles
        needed_ms = later - o.nominal_ms
        what = "the zone is" if len(o.zones) == 1 else "its zones are"
        free = f"{waits}, {what} free again after {span_words(needed_ms)}"
        if needed_ms <= longest_wait_ms(rule):
            step_s = 10 if needed_ms > 10_000 else 1
            wait_s = -(-needed_ms // (step_s * 1000)) * step_s
            longest_s = longest_wait_ms(rule) / 1000
            return f"{words}; {free}: give it `wait_s = {min(wait_s, longest_s):g}`", obstacles
        return f"{words}; {free}, longer than it may wait; {self._earlier(job, '', later)}", obstacles

    def _earlier(self, job: Job, otherwise: str, later: int | None = None) -> str:
        """The nearest free start before or after, as a suggestion."""
        nominal = job.occurrence.nominal_ms
        day_starts = nominal - 6 * HOUR_MS
        earlier = self._board.latest(job, min(nominal, job.last_ms), day_starts)
        ahead = FOR_EVER if later is None else later - nominal
        behind = FOR_EVER if earlier is None else nominal - earlier
        if ahead == behind == FOR_EVER:
            return otherwise or "no time near fits"
        if behind <= ahead:
            return f"it would fit {span_words(behind)} earlier"
        return f"it would fit {span_words(ahead)} later"


def longest_wait_ms(rule: Rule | None) -> int:
    """How long `wait_s` can make a rule wait at all."""
    if rule is None:
        return FOR_EVER
    longest = 86_400_000
    if rule.says_time:
        longest = min(longest, _SAYS_TIME_WAIT_MS)
    if rule.interval is not None:
        longest = min(longest, to_ms(rule.interval.every_min * 60.0) // 2)
    return longest
