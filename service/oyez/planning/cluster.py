"""Announcements of one priority that can touch each other, cut out of the day as a small problem of its own.

What higher priorities hold and the quiet windows are already in each member's spans of allowed starts, so that the
members have only each other to mind (and, for the hourly cap, the starts that are there). Whole milliseconds.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass

from oyez.planning.board import HOUR_MS, Board, Job


@dataclass(slots=True, eq=False)
class Member:
    """A job in its cluster. Starts are allowed in [lows[i], highs[i]] for each i; `lows[0]` is its earliest."""

    job: Job
    lows: list[int]
    highs: list[int]
    length: int
    gap: int
    capped: bool
    counts: bool
    lines: tuple[int, ...] = ()

    @property
    def first(self) -> int:
        return self.lows[0]

    @property
    def last(self) -> int:
        return self.highs[-1]

    def allowed(self, t: int) -> int | None:
        """The first allowed start at or after t, as far as higher priorities and quiet windows go."""
        i = bisect_left(self.highs, t)
        if i == len(self.highs):
            return None
        return max(t, self.lows[i])


def member_of(board: Board, job: Job) -> Member | None:
    """The job with its allowed starts; None when there is none at all."""
    if not job.lines or job.first_ms > job.last_ms:
        return None
    lows: list[int] = []
    highs: list[int] = []
    t = job.first_ms
    for start, end in board.forbidden(job, job.first_ms, job.last_ms):
        if start > t:
            lows.append(t)
            highs.append(min(start - 1, job.last_ms))
        t = max(t, end)
        if t > job.last_ms:
            break
    if t <= job.last_ms:
        lows.append(t)
        highs.append(job.last_ms)
    if not lows:
        return None
    return Member(job, lows, highs, job.length_ms, job.gap_ms, job.capped, job.counts)


def _capped_together(
    there: Sequence[int], members: Sequence[Member], fixed: Sequence[int], size: int
) -> Iterator[tuple[int, int]]:
    """Pairs that could lie in one hour with more starts than the cap allows; `fixed` are starts that are there.

    An hour beginning at x can hold a start in [first, last] when first - HOUR < x <= last.
    """
    edges = [(members[i].first - HOUR_MS, 1, i) for i in there] + [(members[i].last, 0, i) for i in there]
    edges += [(at - HOUR_MS, 1, -1) for at in fixed] + [(at, 0, -1) for at in fixed]
    edges.sort()
    active: dict[int, None] = {}
    others, over = 0, False
    for _, opens, i in edges:
        if i < 0:
            others += 1 if opens else -1
        elif opens:
            active[i] = None
        else:
            del active[i]
        if len(active) + others <= size:
            over = False
        elif opens and active:
            first = next(iter(active))
            for other in [i] if over and i >= 0 else list(active):
                if other != first:
                    yield first, other
            over = True


@dataclass(frozen=True, slots=True)
class Score:
    """Smaller is better: lost announcements first, then the total lateness of those that have a place."""

    lost: int
    late_ms: int


def better(a: Score, b: Score) -> bool:
    """Whether a is strictly better than b."""
    return (a.lost, a.late_ms) < (b.lost, b.late_ms)


class Bench:
    """The members of one cluster on lines of their own, put and taken in any order. Counts its steps."""

    def __init__(self, board: Board, members: Sequence[Member]) -> None:
        zones = list(dict.fromkeys(line.zone for m in members for line in m.job.lines))
        place = {zone: i for i, zone in enumerate(zones)}
        for m in members:
            m.lines = tuple(place[line.zone] for line in m.job.lines)
        self.members = list(members)
        self.nominals = [m.job.occurrence.nominal_ms for m in members]
        self.size: int | None = None
        self.fixed: list[list[int]] = [[] for _ in zones]
        if board.max_per_hour is not None and members[0].capped and self._may_overfill(board, zones):
            self.size = board.max_per_hour
            low = min(m.first for m in members) - HOUR_MS
            high = max(m.last for m in members) + HOUR_MS
            self.fixed = [[at for at in board.lines[zone].capped if low < at < high] for zone in zones]
        self.steps = 0
        self.clear()

    def shape(self) -> tuple[int, Hashable]:
        """(base, shape): clusters of one shape differ only by when they are, and have the same plans."""
        base = min(m.first for m in self.members)
        members = tuple(
            (
                tuple([t - base for t in m.lows]),
                tuple([t - base for t in m.highs]),
                m.length,
                m.gap,
                m.capped,
                m.counts,
                m.lines,
                nominal - base,
            )
            for m, nominal in zip(self.members, self.nominals, strict=True)
        )
        fixed = tuple(tuple([t - base for t in line]) for line in self.fixed)
        return base, (members, self.size, fixed)

    def _may_overfill(self, board: Board, zones: Sequence[str]) -> bool:
        """Whether the cap could bind here at all; where it cannot, it is not looked at."""
        assert board.max_per_hour is not None
        for place, zone in enumerate(zones):
            there = [i for i, m in enumerate(self.members) if m.counts and place in m.lines]
            pairs = _capped_together(there, self.members, board.lines[zone].capped, board.max_per_hour)
            if next(pairs, None) is not None:
                return True
        return False

    def clear(self) -> None:
        self.starts: list[list[int]] = [[] for _ in self.fixed]
        self.ends: list[list[int]] = [[] for _ in self.fixed]
        self.held: list[list[int]] = [[] for _ in self.fixed]
        self.capped: list[list[int]] = [list(at) for at in self.fixed]
        self.at: list[int | None] = [None] * len(self.members)

    def put(self, i: int, t: int) -> None:
        m = self.members[i]
        self.at[i] = t
        end = t + m.length
        for line in m.lines:
            starts = self.starts[line]
            k = bisect_left(starts, t)
            starts.insert(k, t)
            self.ends[line].insert(k, end)
            self.held[line].insert(k, i)
            if m.counts:
                capped = self.capped[line]
                capped.insert(bisect_left(capped, t), t)

    def take(self, i: int) -> None:
        m, t = self.members[i], self.at[i]
        assert t is not None
        self.at[i] = None
        for line in m.lines:
            k = bisect_left(self.starts[line], t)
            del self.starts[line][k], self.ends[line][k], self.held[line][k]
            if m.counts:
                del self.capped[line][bisect_left(self.capped[line], t)]

    def earliest(self, i: int, from_ms: int) -> int | None:
        """The first start at or after `from_ms` that everything there allows."""
        self.steps += 1
        m = self.members[i]
        length, gap, size = m.length, m.gap, self.size if m.capped else None
        t = from_ms
        while True:
            allowed = m.allowed(t)
            if allowed is None:
                return None
            t = allowed
            for line in m.lines:
                ends, starts = self.ends[line], self.starts[line]
                k = bisect_right(ends, t - gap)
                while k < len(ends) and starts[k] < t + length + gap:
                    t = ends[k] + gap
                    k += 1
                if size is not None:
                    capped = self.capped[line]
                    count = len(capped)
                    if count >= size:
                        k = bisect_left(capped, t)
                        for n in range(max(0, k - size), min(k, count - size) + 1):
                            low, high = capped[n], capped[n + size - 1]
                            if high - low < HOUR_MS and high - HOUR_MS < t < low + HOUR_MS:
                                t = low + HOUR_MS
            if t == allowed:
                return t

    def met(self, i: int, t: int, rank: Callable[[int], int]) -> list[int]:
        """Whom i would have to push aside to start at t; where an hour is full, those of lowest rank first."""
        m = self.members[i]
        found: dict[int, None] = {}
        for line in m.lines:
            starts, ends = self.starts[line], self.ends[line]
            k = bisect_right(ends, t - m.gap)
            while k < len(ends) and starts[k] < t + m.length + m.gap:
                found[self.held[line][k]] = None
                k += 1
            if m.capped and self.size is not None:
                self._met_by_cap(line, t, found, rank)
        return list(found)

    def _met_by_cap(self, line: int, t: int, found: dict[int, None], rank: Callable[[int], int]) -> None:
        assert self.size is not None
        around = [
            (at, k)
            for at, k in zip(self.starts[line], self.held[line], strict=True)
            if t - HOUR_MS < at < t + HOUR_MS and self.members[k].counts and k not in found
        ]
        starts = sorted(
            [at for at, _ in around] + [at for at in self.fixed[line] if t - HOUR_MS < at < t + HOUR_MS]
        )
        around.sort(key=lambda pair: (rank(pair[1]), pair))
        for at, k in around:
            if not any(
                starts[n + self.size - 1] - starts[n] < HOUR_MS
                and starts[n + self.size - 1] - HOUR_MS < t < starts[n] + HOUR_MS
                for n in range(len(starts) - self.size + 1)
            ):
                break
            found[k] = None
            starts.remove(at)

    def score(self) -> Score:
        lost, late_ms = 0, 0
        for t, nominal in zip(self.at, self.nominals, strict=True):
            if t is None:
                lost += 1
            else:
                late_ms += t - nominal
        return Score(lost, late_ms)
