"""The best plan of a cluster: partial plans are carried forward in time, those that another makes useless dropped.

A label is a partial plan: who is still to be placed, the earliest start each of them has left, how many are lost,
how late the placed ones are and, where the hourly cap can bind, each zone's latest starts. Of two labels with the
same members left, one that is no worse in all of that makes the other useless. From a label, look at the member
that could be over first, and at all that could start before that and share lines with it, directly or through each
other: in a best plan one of these is placed next, at its earliest (what could be placed before it would be among
them). Under the cap a start is felt for an hour, so then "before that" is an hour. Who can no longer start in time
is lost.

Exact while no more than `width` labels wait with the same number of members left; beyond that the best are kept,
and the result is a good plan without proof. Steps are counted, time is not.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections.abc import Sequence
from dataclasses import dataclass

from oyez.planning.board import HOUR_MS
from oyez.planning.cluster import Bench, Score, better

Recent = tuple[tuple[int, ...], ...]  # a line: its latest starts, ascending


@dataclass(frozen=True, slots=True)
class Swept:
    """starts    a plan strictly better than the one to beat, None when none was found
    finished  nothing does better than this, or than the one to beat
    """

    starts: tuple[int | None, ...] | None
    score: Score
    finished: bool


@dataclass(slots=True)
class _Label:
    left: int  # bits: members still to be placed
    at: tuple[int, ...]  # earliest start each has left; meaningless for those not left
    lost: int
    late: int
    floor: int  # late, and what those left will be late at least
    recent: Recent
    before: _Label | None
    placed: int
    start: int


def sweep(bench: Bench, beat: Score, width: int) -> Swept:
    """Look for something strictly better than `beat`."""
    return _Sweep(bench, beat, width).run()


class _Sweep:
    def __init__(self, bench: Bench, beat: Score, width: int) -> None:
        members = bench.members
        self.bench = bench
        self.beat = beat
        self.best = beat
        self.best_label: _Label | None = None
        self.width = width
        self.count = len(members)
        self.lengths = [m.length + m.gap for m in members]
        self.lines = [sum(1 << line for line in m.lines) for m in members]
        self.sharing = [
            [k for k in range(self.count) if k != i and self.lines[i] & self.lines[k]] for i in range(self.count)
        ]
        self.waiting: list[dict[int, list[_Label]]] = [{} for _ in range(self.count + 1)]

    def run(self) -> Swept:
        count = self.count
        firsts = tuple(m.first for m in self.bench.members)
        recent: Recent = tuple(() for _ in self.bench.fixed)
        late_ms = sum(firsts) - sum(self.bench.nominals)
        self._keep(_Label((1 << count) - 1, firsts, 0, 0, late_ms, recent, None, -1, 0))
        finished = True
        for size in range(count, 0, -1):
            labels = [x for same in self.waiting[size].values() for x in same if self._promises(x.lost, x.floor)]
            self.waiting[size] = {}
            if len(labels) > self.width:
                labels.sort(key=lambda x: (x.lost, x.floor, x.late))
                del labels[self.width :]
                finished = False
            for label in labels:
                self._carry_on(label)
        if self.best_label is None:
            return Swept(None, self.best, finished)
        starts: list[int | None] = [None] * count
        step: _Label | None = self.best_label
        while step is not None and step.placed >= 0:
            starts[step.placed] = step.start
            step = step.before
        assert better(self.best, self.beat)
        return Swept(tuple(starts), self.best, finished)

    def _promises(self, lost: int, floor: int) -> bool:
        return (lost, floor) < (self.best.lost, self.best.late_ms)

    def _carry_on(self, label: _Label) -> None:
        left, at = label.left, label.at
        rest = [i for i in range(self.count) if left >> i & 1]
        over, soonest = min([(at[i] + self.lengths[i], i) for i in rest])
        if self.bench.size is not None:
            over = max(over, at[soonest] + HOUR_MS)
        for i in self._connected(soonest, [i for i in rest if at[i] < over]):
            child = self._place(label, i)
            if child is None:
                continue
            if child.left == 0:
                self.best, self.best_label = Score(child.lost, child.late), child
            else:
                self._keep(child)

    def _place(self, label: _Label, i: int) -> _Label | None:
        """The label with i placed at its earliest; None when it cannot lead to anything better."""
        bench, left, start = self.bench, label.left & ~(1 << i), label.at[i]
        bench.steps += 1
        free = start + self.lengths[i]
        recent = label.recent
        if bench.size is not None and bench.members[i].counts:
            recent = tuple(
                (*starts, start)[-bench.size :] if self.lines[i] >> line & 1 else starts
                for line, starts in enumerate(recent)
            )
        at, lost, floor = list(label.at), label.lost, label.floor
        for k in self.sharing[i]:
            if not left >> k & 1:
                continue
            if at[k] < free or bench.size is not None:
                later = self._earliest(k, max(at[k], free), recent)
                if later is None:
                    left &= ~(1 << k)
                    lost += 1
                    floor -= at[k] - bench.nominals[k]
                else:
                    floor += later - at[k]
                    at[k] = later
        if not self._promises(lost, floor):
            return None
        late = label.late + start - bench.nominals[i]
        return _Label(left, tuple(at), lost, late, floor, recent, label, i, start)

    def _earliest(self, k: int, t: int, recent: Recent) -> int | None:
        member, size = self.bench.members[k], self.bench.size
        while True:
            n = bisect_left(member.highs, t)
            if n == len(member.highs):
                return None
            t = max(t, member.lows[n])
            if size is None or not member.capped:
                return t
            before = t
            for line in member.lines:
                t = _after_full_hours(recent[line], self.bench.fixed[line], size, t)
            if t == before:
                return t

    def _connected(self, first: int, able: Sequence[int]) -> list[int]:
        """Those of `able` that share lines with `first`, directly or through each other."""
        lines = self.lines
        reach, chosen, others = lines[first], [first], [i for i in able if i != first]
        grown = True
        while grown and others:
            grown, still = False, []
            for i in others:
                if lines[i] & reach:
                    chosen.append(i)
                    reach |= lines[i]
                    grown = True
                else:
                    still.append(i)
            others = still
        return chosen

    def _keep(self, child: _Label) -> None:
        """Add a label unless another makes it useless; drop those it makes useless."""
        waiting = self.waiting[child.left.bit_count()]
        same = waiting.get(child.left)
        if same is None:
            waiting[child.left] = [child]
            return
        left = [i for i in range(self.count) if child.left >> i & 1]
        if any(_dominates(other, child, left) for other in same):
            return
        same[:] = [other for other in same if not _dominates(child, other, left)]
        same.append(child)


def _after_full_hours(recent: Sequence[int], fixed: Sequence[int], size: int, t: int) -> int:
    """The first start at or after t that makes no hour hold more than `size` starts."""
    if not fixed:
        return max(t, recent[-size] + HOUR_MS) if len(recent) >= size else t
    starts = list(recent)
    for at in fixed:
        if t - HOUR_MS < at:
            insort(starts, at)
    for n in range(len(starts) - size + 1):
        low, high = starts[n], starts[n + size - 1]
        if high - low < HOUR_MS and high - HOUR_MS < t < low + HOUR_MS:
            t = low + HOUR_MS
    return t


def _dominates(a: _Label, b: _Label, left: Sequence[int]) -> bool:
    if (a.lost, a.late) > (b.lost, b.late):
        return False
    for i in left:
        if a.at[i] > b.at[i]:
            return False
    for x, y in zip(a.recent, b.recent, strict=True):
        if len(x) > len(y) or any(p > q for p, q in zip(reversed(x), reversed(y), strict=False)):
            return False
    return True
