"""What planning costs: the demo day, wide days with little or much in each other's way, a year, and CP-SAT's time.

  python tests/bench/bench_planning.py

Prints numbers and asserts nothing: they depend on the machine and on what else it does. Processor time, the best
of some runs. "placing" is clusters, search and proof alone; "whole plan" adds rules, reasons and ducks.
"""

# ruff: noqa: E402  the path comes first

from __future__ import annotations

import datetime as dt
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
            judge(v, p, level, seconds=5, hint=False)
        theirs += time.process_time() - began
    line("40 small crowded days: CP-SAT's processor time over ours", theirs / mine, "x")
    v = wide_day(2_000)
    took, p = timed(placing(v))
    whole = plan(v)
    began = time.process_time()
    for level in levels(whole):
        judge(v, whole, level, seconds=60, hint=False)
    line(
        "2,000 occurrences: CP-SAT's processor time over ours",
        (time.process_time() - began) / took,
        "x",
        "goal 50",
    )


if __name__ == "__main__":
    main()
