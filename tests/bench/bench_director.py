"""The director on the demo venue (a dozen zones), with an engine that makes no sound and answers at once.

planning the running day              under 50 ms
pull, two plans, compose and send     shown: what a change of the venue costs
a press, answered                     shown: decided, claimed, in the log (the disk's flush included)
a beat with nothing new               shown: what each second costs
today's whole plan after 4 hours      under 150 ms
verifying the log                     shown, a thousand records
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from oyez.settings import folder
from oyez.store import log
from oyez.venue.reader import read_venue
from tests.planning.building import FRIDAY, at
from tests.playout.director_fakes import World

RUNS = 15


def took_ms(do: Callable[[], object]) -> float:
    began = time.perf_counter()
    do()
    return (time.perf_counter() - began) * 1000


def median_ms(do: Callable[[], object], runs: int = RUNS) -> float:
    return statistics.median(took_ms(do) for _ in range(runs))


def line(what: str, ms: float, reach: str = "") -> None:
    print(f"{what:<44} {ms:8.1f} ms  {reach}")


def main() -> None:
    text = (folder("demo_clips") / "quillfin.toml").read_text(encoding="utf-8")
    venue = read_venue(text, where="quillfin.toml", syntax="toml").venue
    assert venue is not None
    with tempfile.TemporaryDirectory() as data:
        w = World(Path(data), venue, at("09:00"))
        line("start: gather, plan, send, first record", took_ms(w.open))
        keeper = w.director.keeper
        plan = w.director.plan(FRIDAY)
        print(f"{len(venue.zones)} zones, {len(venue.rules)} rules, {len(plan.plays)} plays today")
        line(
            "planning the running day",
            median_ms(lambda: keeper.plan_for(FRIDAY, keeper.live(w.clock.ms))),
            "under 50 ms",
        )

        def send_anew() -> None:
            keeper._sender.to = None
            keeper.refresh()

        line("pull, two plans, compose and send", median_ms(send_anew))
        line("the same with nothing new to send", median_ms(keeper.refresh))
        line("a beat with nothing new", median_ms(w.director.beat))
        w.director._follow = lambda: None  # in the service the plan follows in the heartbeat's thread
        presses = []
        for _ in range(10):
            w.run(60, step_ms=5000)
            presses.append(took_ms(lambda: w.director.fire("lost-child", by="bench")))
        line("a press, answered (median)", statistics.median(presses))
        line("a press, answered (most)", max(presses))
        w.run(4 * 3600)
        keeper.refresh()
        line("today's whole plan after 4 hours", took_ms(lambda: w.director.plan(FRIDAY)), "under 150 ms")
        with w.database.begin() as session:
            for number in range(1000):
                log.append(session, w.director.venue_id, {"kind": "event", "what": "bench", "at_ms": number})
        line("verifying the log, a thousand records", took_ms(w.director.verify_log))
        w.close()


if __name__ == "__main__":
    main()
