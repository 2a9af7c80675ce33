"""A real engine process on a folder of its own, and waiting with a limit."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

from oyez.mixing.programme import Cue, Programme, to_tree
from oyez.playout.link import EngineLink
from oyez.settings import Settings

T = TypeVar("T")


def soon(what: Callable[[], T], *, within_s: float = 10.0) -> T:
    """The first true answer; fails when there is none in time."""
    give_up_s = time.monotonic() + within_s
    while True:
        found = what()
        if found:
            return found
        assert time.monotonic() < give_up_s, "it did not happen in time"
        time.sleep(0.02)


def now_ms() -> int:
    return round(time.time() * 1000)


class RunningEngine:
    def __init__(self, settings: Settings, process: subprocess.Popen[bytes]) -> None:
        self.settings, self.process = settings, process
        self.link = EngineLink(settings)

    def give(self, programme: Programme) -> dict[str, Any]:
        return self.link.programme(to_tree(programme))

    def begin(self, cue: Cue, *cuts: dict[str, Any]) -> dict[str, Any]:
        return self.link.begin(to_tree(cue), cuts=cuts)

    def records(self, kind: str, play: str | None = None) -> list[dict[str, Any]]:
        return records(self.link, kind, play)

    def ended(self, play: str, *, within_s: float = 10.0) -> dict[str, Any]:
        return soon(lambda: self.records("end", play), within_s=within_s)[0]

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(5)

    def terminate(self) -> float:
        """SIGTERM; returns the seconds it took to end."""
        began_s = time.monotonic()
        self.process.terminate()
        self.process.wait(10)
        return time.monotonic() - began_s


def records(link: EngineLink, kind: str, play: str | None = None) -> list[dict[str, Any]]:
    found = [line["record"] for line in link.journal()["records"]]
    return [r for r in found if r["kind"] == kind and (play is None or r.get("id") == play)]


def start_engine(settings: Settings, **environment: str) -> RunningEngine:
    settings.engine.mkdir(parents=True, exist_ok=True)
    log = (settings.engine / "engine.log").open("ab")
    with log:
        process = subprocess.Popen(
            [sys.executable, "-m", "oyez.playout.engine", "--data", str(settings.data_dir)],
            stdout=log,
            stderr=log,
            env={**os.environ, **environment},
        )
    engine = RunningEngine(settings, process)

    def up() -> bool:
        assert process.poll() is None, (settings.engine / "engine.log").read_text()
        return engine.link.alive()

    soon(up, within_s=60.0)
    return engine


@contextmanager
def engine_on(settings: Settings, **environment: str) -> Iterator[RunningEngine]:
    engine = start_engine(settings, **environment)
    try:
        yield engine
    finally:
        if engine.process.poll() is None:
            engine.process.kill()
            engine.process.wait(5)
