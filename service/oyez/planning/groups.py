"""One priority solved piece by piece: only what really gets in each other's way is solved together.

Everyone starts as a group of one, at its earliest. Where plays of two groups are too close, or an hour holds too
many starts, the groups become one and are solved anew, until nobody is in anybody's way. Each group knows nothing
of the others, so its best is a bound for its members whatever the others do; where the bests of all groups fit
together, that is the best of all. Groups are first grown by a plain placement, so that the search runs on few.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from oyez.planning.board import HOUR_MS, Board
from oyez.planning.cluster import Bench, Member
from oyez.planning.search import Solution, place_in_order, solve


class Groups:
    """The members of one priority.

    starts  by member, None where there is no place
    proven  no plan does better
    """

    def __init__(self, board: Board, members: Sequence[Member]) -> None:
        self._board = board
        self._members = members
        self._group = list(range(len(members)))
        self._of: dict[int, list[int]] = {i: [i] for i in range(len(members))}
        self._unproven: set[int] = set()
        self.starts: list[int | None] = [m.first for m in members]
        self._on_line: dict[str, list[int]] = {}
        for i, m in enumerate(members):
            for line in m.job.lines:
                self._on_line.setdefault(line.zone, []).append(i)
        self._run()

    @property
    def proven(self) -> bool:
        return not self._unproven

    def unproven(self) -> list[int]:
        """Members of groups whose plan is the best found, without proof."""
        return sorted(i for g in self._unproven for i in self._of[g])

    def _run(self) -> None:
        self._grow(set(self._on_line))
        todo = {g for g, of in self._of.items() if len(of) > 1}
        while todo:
            changed: set[str] = set()
            for g in sorted(todo):
                changed |= self._solve(g, solve)
            todo = self._merge(changed)

    def _grow(self, lines: set[str]) -> None:
        while True:
            todo = self._merge(lines)
            if not todo:
                return
            lines = set()
            for g in sorted(todo):
                lines |= self._solve(g, place_in_order)

    def _solve(self, g: int, solver: Callable[[Bench], Solution]) -> set[str]:
        """Solve a group anew; returns the zones in which anything changed."""
        of = self._of[g]
        solution = solver(Bench(self._board, [self._members[i] for i in of]))
        if solution.proven:
            self._unproven.discard(g)
        else:
            self._unproven.add(g)
        changed: set[str] = set()
        for i, start in zip(of, solution.starts, strict=True):
            if self.starts[i] != start:
                self.starts[i] = start
                changed.update(line.zone for line in self._members[i].job.lines)
        return changed

    def _merge(self, lines: set[str]) -> set[int]:
        """Join groups that are in each other's way on these lines; returns those that grew."""
        grown: set[int] = set()
        for zone in sorted(lines):
            placed = sorted(
                (start, i) for i in self._on_line.get(zone, ()) if (start := self.starts[i]) is not None
            )
            before = -1
            for start, i in placed:
                m = self._members[i]
                if before >= 0:
                    b = self._members[before]
                    b_start = self.starts[before]
                    assert b_start is not None
                    if start < b_start + b.length + m.gap:
                        self._join(before, i, grown)
                        if start + m.length < b_start + b.length:
                            continue
                before = i
            if self._board.max_per_hour is not None:
                self._merge_full_hours(zone, placed, self._board.max_per_hour, grown)
        return {self._group[g] for g in grown}

    def _merge_full_hours(self, zone: str, placed: Sequence[tuple[int, int]], size: int, grown: set[int]) -> None:
        counted = [(start, i) for start, i in placed if self._members[i].counts]
        counted += [(at, -1) for at in self._board.lines[zone].capped]
        counted.sort()
        for n in range(len(counted) - size):
            if counted[n + size][0] - counted[n][0] < HOUR_MS:
                there = [i for _, i in counted[n : n + size + 1] if i >= 0 and self._members[i].capped]
                for i in there[1:]:
                    self._join(there[0], i, grown)

    def _join(self, a: int, b: int, grown: set[int]) -> None:
        x, y = self._group[a], self._group[b]
        if x == y:
            return
        if len(self._of[x]) < len(self._of[y]):
            x, y = y, x
        for i in self._of[y]:
            self._group[i] = x
        self._of[x] = sorted(self._of[x] + self._of.pop(y))
        self._unproven -= {x, y}
        grown.discard(y)
        grown.add(x)
