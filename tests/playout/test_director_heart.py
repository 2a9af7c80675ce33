"""The director with its heart beating, on the machine's own clock and from many threads."""

from __future__ import annotations

import datetime as dt
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from oyez.errors import Conflict
from oyez.playout.changes import Changes
from oyez.playout.heartbeat import Heartbeat
from oyez.playout.now import JumpWatch, SystemClock
from tests.planning.building import rule, venue
from tests.playout.director_fakes import FakeClock, World


def within(seconds: float, happened: Callable[[], bool]) -> bool:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if happened():
            return True
        time.sleep(0.02)
    return happened()


class RealTime(FakeClock):
    """The fake engine's clock, following the machine's."""

    def __init__(self) -> None:
        super().__init__(time.time_ns() // 1_000_000)

    def now_ms(self) -> int:
        self.ms = time.time_ns() // 1_000_000
        return self.ms

    def monotonic_s(self) -> float:
        return time.monotonic()


@pytest.fixture
def world(tmp_path: Path):
    zones = [f"zone-{n}" for n in range(8)]
    names = {z: rule(f"call-{z}", zones=[z], priority=80, length_s=0.2, wait_s=30) for z in zones}
    w = World(tmp_path, venue(*names.values(), zones=zones, gap_s=0.0), 0)
    w.clock = w.engine.clock = RealTime()
    w.new_director()
    w.director.start()
    yield w
    w.director.stop()
    w.close()


def test_a_venue_loaded_elsewhere_is_seen_within_two_seconds(world: World) -> None:
    soon = dt.datetime.now(dt.UTC) + dt.timedelta(minutes=10)
    world.load(venue(rule("rays", at=f"{soon:%H:%M}"), venue={"timezone": "UTC", "day_starts": "00:00"}))
    assert within(4, lambda: [r.id for r in world.director.venue().rules] == ["rays"])


def test_many_presses_from_many_threads_are_each_answered_and_logged_once(world: World) -> None:
    director, fired, refused = world.director, [], []

    def press(number: int) -> None:
        for _ in range(5):
            try:
                fired.append(director.fire(f"call-zone-{number}", by=f"desk {number}").id)
            except Conflict as error:
                refused.append(str(error))

    threads = [threading.Thread(target=press, args=(n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(fired) + len(refused) == 40
    assert refused == []
    assert len(set(fired)) == 40
    world.clock.now_ms()
    world.engine.turn()
    director.beat()
    assert sorted(e.id for e in director.entries()) == sorted(fired)
    assert director.verify_log().ok


def test_the_heartbeat_calls_often_at_the_day_and_at_once() -> None:
    beats, days = [], []
    heart = Heartbeat(SystemClock(), every={0.1: lambda: beats.append(1)}, at_day=lambda: days.append(1))
    heart.wake_at(time.time_ns() // 1_000_000 + 200)
    heart.start()
    try:
        assert within(3, lambda: len(beats) >= 3)
        assert within(3, lambda: len(days) == 1)
        heart.soon()
        assert within(3, lambda: len(days) == 2)
        heart.wake_at(0)  # already past: at once, not dropped
        assert within(3, lambda: len(days) == 3)
    finally:
        heart.stop()
    after = len(beats)
    time.sleep(0.3)
    assert len(beats) == after


def test_a_beat_that_hangs_is_said_once_in_our_words(caplog: pytest.LogCaptureFixture) -> None:
    go_on = threading.Event()
    heart = Heartbeat(SystemClock(), every={0.1: lambda: go_on.wait(10) and None}, at_day=lambda: None)
    assert heart.held_s is None
    heart.start()
    try:
        assert within(3, lambda: (heart.held_s or 0.0) > 0.5)  # due five times meanwhile
        assert [record.getMessage()[:23] for record in caplog.records] == ["The service is held up:"]
        go_on.set()
        assert within(3, lambda: heart.held_s is None)
        assert caplog.records[-1].getMessage().startswith("The service goes on, it was held up for ")
    finally:
        go_on.set()
        heart.stop()
    assert "maximum number of running instances" not in caplog.text


def test_being_held_up_is_in_the_state(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    assert world.director.health()["code"] == "silent"
    monkeypatch.setattr(Heartbeat, "held_s", 12.4)
    assert world.director.health()["code"] == "held-up"
    assert "has not ended for 12 s" in world.director.health()["sentence"]


def test_a_clock_set_back_does_not_stop_the_heartbeat() -> None:
    # the scheduler sleeps until a wall-clock time: with that far ahead, only the guard can wake it
    clock, beats = RealTime(), []
    clock.monotonic_s = lambda: time.monotonic() - clock.elapsed_s  # type: ignore[method-assign]
    heart = Heartbeat(clock, every={3600.0: lambda: beats.append(1), 0.2: lambda: None}, at_day=lambda: None)
    heart.start()
    try:
        job = heart._scheduler.get_job("every-0.2")
        job.modify(next_run_time=dt.datetime.now(dt.UTC) + dt.timedelta(hours=1))
        clock.elapsed_s += 3600.0
        assert within(
            4,
            lambda: (
                heart._scheduler.get_job("every-0.2").next_run_time
                < dt.datetime.now(dt.UTC) + dt.timedelta(minutes=1)
            ),
        )
    finally:
        heart.stop()


def test_slewing_is_no_jump_and_a_jump_is_told_once() -> None:
    clock = FakeClock(1_000_000)
    watch = JumpWatch(clock)
    for _ in range(100):
        clock.pass_ms(1000)
        clock.jump(5)  # 5 ms a second is slewing
        assert watch.look() == 0
    clock.jump(-3000)
    assert watch.look() == -3000
    assert watch.look() == 0
    assert watch.jumps == 1


def test_a_slow_listener_is_told_each_name_once() -> None:
    changes = Changes()
    heard = changes.subscribe()
    for _ in range(1000):
        changes.tell("log", "plan")
    assert [heard.get(0), heard.get(0), heard.get(0)] == ["log", "plan", None]


def test_a_closed_listener_waits_no_longer() -> None:
    changes = Changes()
    heard = changes.subscribe()
    threading.Timer(0.1, changes.close).start()
    begun = time.monotonic()
    assert heard.get(10) is None
    assert time.monotonic() - begun < 5
    changes.tell("log")
    assert heard.get(0) is None
