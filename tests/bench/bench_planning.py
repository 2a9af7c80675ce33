"""What planning costs: the demo day, wide days with little or much in each other's way, a year, and CP-SAT's time.

  python tests/bench/bench_planning.py

Prints numbers and asserts nothing: they depend on the machine and on what else it does. Processor time, the best
of some runs. "placing" is clusters, search and proof alone; "whole plan" adds rules, reasons and ducks. CP-SAT
gets JUDGE_S a priority of the wide day and JUDGE_SMALL_S of a small one: where it was stopped there, the ratio is
a floor.
"""

# ruff: noqa: E402  the path comes first

from __future__ import annotations

import datetime as dt
import gc
import math
import random
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from oyez.planning import search
from oyez.planning.day import plan_day
from oyez.planning.hours import OperatingDay
from oyez.planning.occurrences import occurrences
from oyez.planning.place import place
from oyez.planning.quiet import by_zone, quiet_spans
from oyez.settings import use_packaged_zone_rules
from oyez.venue.facts import ClipFacts
from oyez.venue.models import VenueFile
from oyez.venue.reader import read_venue
from tests.planning.building import FRIDAY, facts_of, plan, rule, venue
from tests.planning.crowded import crowded_day, packed_day
from tests.planning.judge import judge, levels, ours

JUDGE_S = 5.0
JUDGE_SMALL_S = 0.5
SPARSE = (500, 1_000, 2_000, 5_000, 10_000, 20_000)
CHART_WIDTH = 60

T = TypeVar("T")


def timed(run: Callable[[], T], runs: int = 3) -> tuple[float, T]:
    """Processor seconds of the fastest run, and what it gave."""
    best, found = math.inf, None
    for _ in range(runs):
        search._KNOWN.clear()  # every run works for itself
        began = time.process_time()
        found = run()
        best = min(best, time.process_time() - began)
    assert found is not None
    return best, found


def wide_day(occurrences_wanted: int, zones: int = 32, *, capped: bool = False, seed: int = 1) -> VenueFile:
    """A whole day of interval rules in 32 zones: some meet, most do not, as in a large venue."""
    r = random.Random(seed)
    names = [f"z{i}" for i in range(zones)]
    made, total = [], 0
    while total < occurrences_wanted:
        every_min = r.choice([20, 30, 40, 60])
        first = r.randrange(0, 60)
        count = (17 * 60 - first) // every_min + 1
        made.append(
            rule(
                f"r{len(made)}",
                length_s=r.choice([6, 8, 10, 12]),
                zones=r.sample(names, r.choice([1, 1, 1, 2, 4])),
                priority=r.choice([20, 40, 40, 60]),
                interval={"every_min": every_min, "start": f"06:{first:02d}", "end": "23:00"},
            )
        )
        total += count
    limits = {"max_per_hour": 12, "cap_below": 50} if capped else {}
    return venue(*made, zones=names, limits=limits)


def placing(v: VenueFile) -> Callable[[], object]:
    day = OperatingDay(v, FRIDAY)
    quiet = by_zone(quiet_spans(day))
    wanted = list(occurrences(day, facts_of(v), quiet))
    return lambda: place(v, day.span, wanted, quiet)


def sparse_day(occurrences_wanted: int) -> VenueFile:
    """As many zones as it takes for each to sound some 3 % of the day, whatever the size: two, and one for 50."""
    return wide_day(occurrences_wanted, 2 + occurrences_wanted // 50)


def n_log_n(count: int) -> float:
    return count * math.log2(count)


def growth(points: list[tuple[int, float]]) -> float:
    """How much faster than n log n the time grew from the smallest size to the largest; 1 is exactly that."""
    (small, at_first), (large, at_last) = points[0], points[-1]
    return (at_last / at_first) / (n_log_n(large) / n_log_n(small))


def chart(points: list[tuple[int, float]]) -> str:
    """Time against size, a line a size: `#` up to the time, `|` where n log n through the smallest size lies.

    points  (occurrences, seconds); both are drawn in equal ratios, so that n log n runs nearly straight
    """
    small, at_first = points[0]
    lines = [at_first * n_log_n(count) / n_log_n(small) for count, _ in points]
    low = math.log(min(at_first, *lines) / 2)
    high = math.log(max(*lines, *(took for _, took in points)))
    rows = []
    for (count, took), expected in zip(points, lines, strict=True):
        length, mark = (round(CHART_WIDTH * (math.log(s) - low) / (high - low)) for s in (took, expected))
        bar = list(("#" * length).ljust(CHART_WIDTH + 1))
        bar[mark] = "|"
        rows.append(f"  {count:>6}  {''.join(bar)} {took * 1e3:7.1f} ms, n log n {expected * 1e3:7.1f} ms")
    return "\n".join(rows)


def draw_sparse() -> None:
    points, collected = [], []
    for wanted in SPARSE:
        v = sparse_day(wanted)
        day = OperatingDay(v, FRIDAY)
        count = sum(1 for _ in occurrences(day, facts_of(v), {}))
        run = placing(v)
        collected.append((count, timed(run, 5)[0]))
        gc.collect()
        gc.disable()  # its walks over all that lives grow with the process, not with the work
        points.append((count, timed(run, 5)[0]))
        gc.enable()
    print("sparse days, placing, garbage collector paused: time against size, in equal ratios;")
    print("| is n log n through the smallest")
    print(chart(points))
    line("   growth over n log n, smallest to largest", growth(points), "x", "goal 1")
    line("   the same with the garbage collector at work", growth(collected), "x")


def line(what: str, value: float, unit: str, goal: str = "") -> None:
    print(f"{what:<66} {value:9.1f} {unit:<3} {goal}", flush=True)


def main() -> None:
    use_packaged_zone_rules()
    text = (ROOT / "demo_clips" / "quillfin.toml").read_text(encoding="utf-8")
    demo = read_venue(text, where="quillfin.toml", syntax="toml").venue
    assert demo is not None
    facts = {c.id: ClipFacts(duration_ms=c.duration_ms or 6_000) for c in demo.clips}
    took, p = timed(lambda: plan_day(demo, FRIDAY, facts))
    line(f"demo day, whole plan ({len(p.plays)} plays)", took * 1e3, "ms", "goal 50")
    year = [FRIDAY + dt.timedelta(days=n) for n in range(365)]
    took, _ = timed(lambda: [plan_day(demo, d, facts) for d in year], 1)
    line("demo venue, a year of whole plans", took, "s", "goal 5")
    for wanted, goal in ((500, ""), (2_000, "goal 100"), (5_000, ""), (20_000, "goal 1500")):
        v = wide_day(wanted)
        p = plan(v)
        count = len(p.plays) + len(p.unplaced)
        late = sum(q.start_ms > q.nominal_ms for q in p.plays)
        took, _ = timed(placing(v))
        what = f"{count} occurrences in 32 zones ({late} late, {len(p.unplaced)} lost)"
        line(f"{what}, placing", took * 1e3, "ms", goal)
        whole, _ = timed(lambda v=v: plan(v), 1)
        line("   whole plan", whole * 1e3, "ms")
        line("   placing, microseconds per n log2 n", took * 1e6 / (count * math.log2(count)), "us")
    draw_sparse()
    v = wide_day(2_000, capped=True)
    took, p = timed(placing(v), 1)
    line("2,000 occurrences with a cap of 12 an hour, placing", took * 1e3, "ms", "goal 2000")
    for seed in (0, 1, 2, 3):
        v = packed_day(seed)
        took, p = timed(lambda v=v: plan(v), 1)
        began = time.process_time()
        verdict = judge(v, p, 40, seconds=max(1.0, took), hint=False)
        judged = time.process_time() - began
        what = f"packed day {seed}{' with a cap' if v.limits.max_per_hour else ''}: {ours(p, 40)[0]} aired"
        line(f"{what}; CP-SAT alone in {judged:.1f} s {verdict.placed}", took * 1e3, "ms")
    mine, theirs = 0.0, 0.0
    for seed in range(40):
        v = crowded_day(seed)
        took, p = timed(lambda v=v: plan(v), 1)
        mine += took
        began = time.process_time()
        for level in levels(p):
            judge(v, p, level, seconds=JUDGE_SMALL_S, hint=False)
        theirs += time.process_time() - began
    line("40 small crowded days: CP-SAT's processor time over ours", theirs / mine, "x")
    v = wide_day(2_000)
    took, p = timed(placing(v))
    whole, proven = plan(v), True
    began = time.process_time()
    for level in levels(whole):
        proven = judge(v, whole, level, seconds=JUDGE_S, hint=False).optimal and proven
    line(
        f"2,000 occurrences: CP-SAT's processor time over ours{'' if proven else ', stopped at its limit'}",
        (time.process_time() - began) / took,
        "x",
        "goal 50",
    )


if __name__ == "__main__":
    main()
