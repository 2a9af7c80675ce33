"""The best places for one cluster: most announcements, then the least lateness, then the first one found.

Orders are tried, the first being the documented one (nominal start, place in the file, id); placing every member
in an order at its earliest is enough, for the best plan is reached by the order of its own starts. A result that
loses nothing and lets nobody wait longer than it must is proven at once. Else partial plans are carried forward in
time (`labels`), which proves most clusters; what is left is searched by pulling lost and late ones before what
they meet, and carried forward once more with what that found as the bound. All work is counted in steps, never in
time, so that the result is the same on every machine. Of equally good plans the first one found stays.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass

from oyez.planning.cluster import Bench, Member, Score, better
from oyez.planning.labels import sweep

SEARCH_STEPS = 60_000  # a step is one look for an earliest start
WIDTH = 120  # labels of one size carried on at first, see `labels`
LABELS = 12_000  # over the members, carried on at second
CAPPED_LABELS = 30_000  # over the members squared, under a cap
LARGE = 150  # members; more are not carried forward, only searched
RESTLESS = 150  # moves without a better plan before worse ones are let through


@dataclass(frozen=True, slots=True)
class Solution:
    """Starts by member, None where there is no place. `proven`: no plan does better."""

    starts: tuple[int | None, ...]
    score: Score
    proven: bool


_Key = Callable[[Member], tuple[int, ...]]
_ORDERS: tuple[_Key, ...] = (
    lambda m: (m.last,),
    lambda m: (m.first + m.length,),
    lambda m: (m.last + m.length,),
    lambda m: (m.length * len(m.lines), m.first),
    lambda m: (m.last - m.first, m.first),
    lambda m: (len(m.lines), m.first, m.length),
)


_KNOWN: dict[Hashable, Solution] = {}  # shape -> its solution, starts counted from the base
_REMEMBERED = 4_096


def solve(bench: Bench) -> Solution:
    """The best found for a cluster; the members come in the documented order.

    What was solved before is remembered by its shape: interval rules meet each other in the same way again and
    again, and a day that is planned anew is mostly the day it was. The answer is the same with or without.
    """
    base, shape = bench.shape()
    known = _KNOWN.get(shape)
    if known is not None:
        return Solution(tuple(None if t is None else t + base for t in known.starts), known.score, known.proven)
    found = search(bench)
    if len(_KNOWN) >= _REMEMBERED:
        _KNOWN.clear()
    _KNOWN[shape] = Solution(
        tuple(None if t is None else t - base for t in found.starts), found.score, found.proven
    )
    return found


def search(bench: Bench) -> Solution:
    """`solve` without memory."""
    members = bench.members
    count = len(members)
    floor = Score(0, sum(m.first for m in members) - sum(bench.nominals))
    best = _listed(bench, range(count))
    if best.score == floor:
        return Solution(best.starts, best.score, proven=True)
    for key in _ORDERS:
        found = _listed(bench, sorted(range(count), key=lambda i: (*key(members[i]), i)))
        best = _better(best, found)
        if best.score == floor:
            return Solution(best.starts, best.score, proven=True)
    if count > LARGE:
        best = _better(best, _pull(bench, best, floor))
        return Solution(best.starts, best.score, proven=best.score == floor)
    widths: tuple[int, ...] = (WIDTH, max(WIDTH, LABELS // count))
    if bench.size is not None:
        widths = (max(CAPPED_LABELS // (count * count), 4),)
    for width in widths:
        swept = sweep(bench, best.score, width)
        if swept.starts is not None:
            best = Solution(swept.starts, swept.score, proven=False)
        if swept.finished:
            return Solution(best.starts, best.score, proven=True)
    pulled = _pull(bench, best, floor)
    if not better(pulled.score, best.score):
        return best
    swept = sweep(bench, pulled.score, widths[-1])
    best = pulled if swept.starts is None else Solution(swept.starts, swept.score, proven=False)
    return Solution(best.starts, best.score, proven=swept.finished or best.score == floor)


def place_in_order(bench: Bench) -> Solution:
    """Everyone at the earliest start left, in the documented order. Not proven, and not searched for better."""
    return _listed(bench, range(len(bench.members)))


def _better(best: Solution, found: Solution) -> Solution:
    return found if better(found.score, best.score) else best


def _listed(bench: Bench, order: Sequence[int]) -> Solution:
    """Each in turn at the earliest start that the ones before it leave."""
    bench.clear()
    for i in order:
        t = bench.earliest(i, bench.members[i].first)
        if t is not None:
            bench.put(i, t)
    return Solution(tuple(bench.at), bench.score(), proven=False)


def _pull(bench: Bench, best: Solution, floor: Score) -> Solution:
    """Local search: a lost or late member takes a start it wants, what stands there is placed anew after it."""
    members = bench.members
    _take_over(bench, best)
    score, idle, draw = best.score, 0, _Draw(len(members))
    limit = bench.steps + SEARCH_STEPS
    while bench.steps < limit and score != floor:
        lost = [i for i, t in enumerate(bench.at) if t is None]
        late = [i for i, t in enumerate(bench.at) if t is not None and t > members[i].first]
        pool = lost if lost and (not late or draw(3)) else late
        before = _move(bench, pool[draw(len(pool))], draw, lost)
        after = bench.score()
        slack = 0 if idle < RESTLESS else draw(30_000)
        if after.lost < score.lost or (after.lost == score.lost and after.late_ms <= score.late_ms + slack):
            score = after
            if better(score, best.score):
                best, idle = Solution(tuple(bench.at), score, proven=False), 0
        else:
            _restore(bench, before)
        idle += 1
        if idle >= 4 * RESTLESS:
            _take_over(bench, best)
            score, idle = best.score, 0
    return best


def _take_over(bench: Bench, solution: Solution) -> None:
    bench.clear()
    for i, t in enumerate(solution.starts):
        if t is not None:
            bench.put(i, t)


def _move(bench: Bench, i: int, draw: _Draw, lost: Sequence[int]) -> dict[int, int | None]:
    """Place i where it wants and what it meets after it; returns who was touched, and where they were."""
    m = bench.members[i]
    before: dict[int, int | None] = {i: bench.at[i]}
    if bench.at[i] is not None:
        bench.take(i)
    wish = _wish(bench, i, draw, before[i])
    met = bench.met(i, wish, _rank(bench, wish, draw))
    for k in met:
        before[k] = bench.at[k]
        bench.take(k)
    t = bench.earliest(i, wish)
    if t is not None:
        bench.put(i, t)
    if draw(2):
        met.sort(key=lambda k: (bench.members[k].last, k))
    for k in (*met, *lost):
        if bench.at[k] is None:
            t = bench.earliest(k, bench.members[k].first)
            if t is not None:
                before.setdefault(k, None)
                bench.put(k, t)
    _close_up(bench, before, m.lines)
    return before


def _wish(bench: Bench, i: int, draw: _Draw, was: int | None) -> int:
    """Its earliest start, or one beside a play that stands between that and where it was (or its latest)."""
    m = bench.members[i]
    if draw(3) == 0:
        return m.first
    until = m.last if was is None else was
    found = [m.first]
    for line in m.lines:
        starts, ends = bench.starts[line], bench.ends[line]
        k = bisect_right(ends, m.first - m.gap)
        while k < len(ends) and starts[k] < until + m.length + m.gap:
            found += [ends[k] + m.gap, starts[k] - m.gap - m.length]
            k += 1
    allowed = (m.allowed(max(t, m.first)) for t in found)
    good = [t for t in allowed if t is not None and t <= until]
    return good[draw(len(good))]


def _rank(bench: Bench, wish: int, draw: _Draw) -> Callable[[int], int]:
    """Who gives way first where an hour is full: the nearest, the one that waits longest, or anyone."""
    kind, turn = draw(3), draw(1009)
    if kind == 0:
        return lambda k: abs((bench.at[k] or 0) - wish)
    if kind == 1:
        return lambda k: bench.nominals[k] - (bench.at[k] or 0)
    return lambda k: (k * 7919 + turn) % 1009


def _close_up(bench: Bench, before: dict[int, int | None], lines: Sequence[int]) -> None:
    """Late members beside what was moved come as early as they can, in the order of their starts."""
    touched = {line for k in before for line in bench.members[k].lines} | set(lines)
    late = [
        (t, k)
        for k, t in enumerate(bench.at)
        if t is not None and t > bench.members[k].first and touched.intersection(bench.members[k].lines)
    ]
    for t, k in sorted(late):
        bench.take(k)
        earlier = bench.earliest(k, bench.members[k].first)
        assert earlier is not None
        if earlier < t:
            before.setdefault(k, t)
        bench.put(k, earlier)


def _restore(bench: Bench, before: dict[int, int | None]) -> None:
    for k in before:
        if bench.at[k] is not None:
            bench.take(k)
    for k, t in before.items():
        if t is not None:
            bench.put(k, t)


class _Draw:
    """Numbers that look random and are the same everywhere (a linear congruential generator, modulus 2**31)."""

    def __init__(self, seed: int) -> None:
        self._state = seed * 2_654_435_761 + 12_345

    def __call__(self, below: int) -> int:
        self._state = (1_103_515_245 * self._state + 12_345) & 0x7FFFFFFF
        return (self._state >> 8) % below
