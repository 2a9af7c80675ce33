"""Which frame is which instant: crystals that are off, noise, lost frames, clocks that are set."""

from __future__ import annotations

import numpy as np
import pytest

from oyez.playout.clock import SLEW_S_PER_S, SampleClock, StreamClock, WallClock

RATE = 48_000


def follow(ppm: float, *, seconds: float, noise_s: float = 0.0) -> tuple[SampleClock, float]:
    """Look 20 times a second at a card that is off by ppm. Returns the clock and its true rate."""
    rate = RATE * (1.0 + ppm * 1e-6)
    noise = np.random.default_rng(3)
    clock = SampleClock()
    for n in range(1, round(seconds * 20) + 1):
        frame = n * RATE // 20
        clock.observe(frame, frame / rate + noise.normal(0.0, noise_s))
    return clock, rate


@pytest.mark.parametrize("ppm", [0.0, 200.0, -200.0, 451.0])
def test_a_crystal_that_is_off_is_learned(ppm: float):
    clock, rate = follow(ppm, seconds=120.0)
    frame = 130 * RATE
    assert abs(clock.monotonic_at(frame) - frame / rate) < 0.0002
    assert clock.drift_ppm == pytest.approx(ppm, abs=15.0)
    assert clock.slips == 0


def test_without_observing_the_same_crystal_would_be_milliseconds_off():
    """The twin: 200 ppm over 130 s are 26 ms."""
    clock, rate = follow(200.0, seconds=0.05)
    frame = 130 * RATE
    assert abs(clock.monotonic_at(frame) - frame / rate) > 0.02


def test_noise_of_a_millisecond_is_averaged_away():
    clock, rate = follow(100.0, seconds=120.0, noise_s=0.001)
    frame = 120 * RATE
    assert abs(clock.monotonic_at(frame) - frame / rate) < 0.0005


def test_frame_and_time_are_inverse():
    clock, _ = follow(200.0, seconds=10.0)
    for frame in (0, 12_345, 10 * RATE, 100 * RATE):
        assert clock.frame_at(clock.monotonic_at(frame)) == pytest.approx(frame, abs=1e-3)


def test_lost_frames_are_taken_in_at_once_and_one_outlier_is_not():
    clock, rate = follow(0.0, seconds=20.0)
    frame = 20 * RATE
    assert not clock.observe(frame + 2400, (frame + 2400) / rate + 0.5)
    for n in range(2, 6):
        clock.observe(frame + n * 2400, (frame + n * 2400) / rate)
    assert clock.slips == 0
    assert abs(clock.monotonic_at(frame) - frame / rate) < 0.0001
    found = [clock.observe(frame + n * 2400, (frame + n * 2400) / rate + 0.05) for n in range(6, 10)]
    assert found == [False, False, True, False]
    assert abs(clock.monotonic_at(frame + 24_000) - (frame + 24_000) / rate - 0.05) < 0.0001


def test_a_clock_that_is_set_is_followed_at_once_and_said():
    wall = WallClock(monotonic_s=0.0, utc_s=1000.0)
    assert wall.observe(monotonic_s=1.0, utc_s=1001.0) is None
    step = wall.observe(monotonic_s=2.0, utc_s=1002.0 + 3600.0)
    assert step is not None
    assert step.by_s == pytest.approx(3600.0)
    assert wall.utc_at(3.0) == pytest.approx(4603.0)


def test_a_clock_that_is_a_little_off_is_followed_slowly():
    wall = WallClock(monotonic_s=0.0, utc_s=1000.0)
    assert wall.observe(monotonic_s=1.0, utc_s=1001.03) is None
    assert wall.utc_at(1.0) == pytest.approx(1001.0 + SLEW_S_PER_S)
    for n in range(2, 60):
        wall.observe(monotonic_s=float(n), utc_s=1000.03 + n)
    assert wall.utc_at(60.0) == pytest.approx(1060.03, abs=1e-6)


def test_lag_says_how_late_a_frame_sounds():
    clock = StreamClock(WallClock(monotonic_s=0.0, utc_s=0.0))
    clock.sample.anchor(48_000, 1.25)
    assert clock.lag_ms(48_000) == pytest.approx(250.0)
    assert clock.frame_at(1250.0) == 48_000
