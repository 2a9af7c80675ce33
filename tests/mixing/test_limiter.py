"""The limiter: never over its ceiling by an independent meter, and not there at all below it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from oyez.mixing.limiter import LOOKAHEAD_FRAMES, NORM, SETTLE_S, TAPS, interpolators
from tests.mixing.world import RATE, Shelf, noise, programme, render, source, tone, zone

FRAMES = 3 * RATE
CEILING_DBTP = -1.5


def through(samples: np.ndarray, *, ceiling_dbtp: float = CEILING_DBTP) -> np.ndarray:
    """One zone of the samples' format that plays them once, from its first frame on."""
    shelf = Shelf(music=samples)
    plan = programme(zone(channels=samples.shape[1], ceiling_dbtp=ceiling_dbtp), sources=(source(shelf, "music"),))
    first = (10**10 // len(samples)) * len(samples)
    return render(shelf, plan, frames=len(samples), start_frame=first)


def true_peak_dbtp(samples: np.ndarray, factor: int = 8) -> float:
    """By scipy's polyphase resampler, so by another interpolator than the limiter's. The ends are faded, where the
    cut into a piece would make a click of its own.
    """
    raised = signal.resample_poly(faded(samples).astype(float), factor, 1, axis=0)
    return float(20 * np.log10(np.abs(raised).max()))


def faded(samples: np.ndarray) -> np.ndarray:
    """With 10 ms of fade at both ends."""
    ramp = np.minimum(1.0, np.minimum(np.arange(len(samples)), np.arange(len(samples))[::-1]) / 480)
    return (samples * ramp[:, None]).astype(np.float32)


def inter_sample_tone(amplitude: float) -> np.ndarray:
    """fs/4 at 45 degrees: the samples lie 3.01 dB under the true peak (EBU Tech 3341 case 16 and 19)."""
    n = np.arange(FRAMES)
    return (amplitude * np.sin(np.pi / 2 * n + np.pi / 4))[:, None].astype(np.float32)


def bursts(seed: int) -> np.ndarray:
    """Noise with words of very different level, two channels."""
    steps = np.repeat(np.random.default_rng(seed).choice([0.05, 0.3, 1.0, 2.5], FRAMES // 2400), 2400)
    return (noise(FRAMES, 2, rms=0.3, seed=seed) * steps[:, None]).astype(np.float32)


HOT = {
    "noise": noise(FRAMES, 2, rms=0.5, seed=3),
    "bursts": bursts(4),
    "low tone": tone(FRAMES, 50.0, peak=1.6),
    "high tone": tone(FRAMES, 15_000.0, peak=1.4),
    "between samples": inter_sample_tone(1.4),
    "square": np.sign(tone(FRAMES, 220.0, peak=1.0)) * np.float32(0.98),
    "clicks": np.where(np.arange(FRAMES) % 4801 == 7, 1.9, 0.0)[:, None].astype(np.float32),
}


@pytest.mark.parametrize("name", HOT)
def test_true_peaks_stay_under_the_ceiling(name):
    hot = HOT[name]
    assert true_peak_dbtp(hot) > CEILING_DBTP + 1.0
    assert true_peak_dbtp(through(hot)) <= CEILING_DBTP


@pytest.mark.parametrize("name", HOT)
def test_a_second_meter_agrees(name):
    """libebur128's true peak (ITU-R BS.1770 annex 2, 4 times)."""
    pyebur128 = pytest.importorskip("pyebur128")
    held = through(HOT[name])
    channels = held.shape[1]
    state = pyebur128.R128State(channels, RATE, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(faded(held).ravel(), len(held))
    peak = max(pyebur128.get_true_peak(state, c) for c in range(channels))
    assert 20 * np.log10(peak) <= CEILING_DBTP


@pytest.mark.parametrize("ceiling_dbtp", [-12.0, -6.0, 0.0])
def test_the_ceiling_is_the_zones_own(ceiling_dbtp):
    peak = true_peak_dbtp(through(HOT["bursts"], ceiling_dbtp=ceiling_dbtp))
    assert ceiling_dbtp - 0.5 < peak <= ceiling_dbtp


def test_below_the_ceiling_every_bit_passes():
    quiet = noise(FRAMES, 2, rms=0.12, seed=5)
    quiet *= 10 ** ((CEILING_DBTP - 0.01 - true_peak_dbtp(quiet, 16)) / 20)
    assert np.array_equal(through(quiet), quiet)
    # the twin: 0.2 dB more and it acts
    louder = (quiet * np.float32(10 ** (0.2 / 20))).astype(np.float32)
    assert not np.array_equal(through(louder), louder)


def test_it_is_itself_again_after_its_stated_release():
    samples = noise(FRAMES, 1, rms=0.05, seed=6)
    samples[RATE] = 1.8
    held = through(samples)
    changed = np.flatnonzero(held[:, 0] != samples[:, 0])
    assert changed.min() >= RATE - LOOKAHEAD_FRAMES
    assert changed.max() > RATE + LOOKAHEAD_FRAMES
    assert changed.max() <= RATE + SETTLE_S * RATE


def test_the_gain_moves_without_a_jump():
    samples = tone(FRAMES, 1000.0, peak=0.3)
    samples[RATE : RATE + 4800] *= 5.0
    gain = through(samples)[:, 0] / np.where(np.abs(samples[:, 0]) > 0.02, samples[:, 0], np.nan)
    steps = np.abs(np.diff(20 * np.log10(gain)))
    assert np.nanmax(steps) < 0.15
    assert np.nanmin(gain) < 0.6


def test_both_channels_of_a_zone_are_turned_down_together():
    samples = np.concatenate([tone(FRAMES, 300.0, peak=0.2), tone(FRAMES, 300.0, peak=1.8)], axis=1)
    held = through(samples)
    loud = np.abs(samples[:, 0]) > 0.05
    assert np.abs(held[loud, 0] / held[loud, 1] - 0.2 / 1.8).max() < 1e-6
    assert np.abs(held[loud, 0]).max() < 0.15


def test_the_interpolators_pass_dc_and_read_a_tone_where_they_say():
    assert interpolators()[:, :7].sum(axis=0) == pytest.approx(1.0, abs=1e-12)
    assert interpolators()[:, 7:].sum(axis=0) == pytest.approx(1.0, abs=0.02)
    assert np.abs(TAPS).sum(axis=0).max() == pytest.approx(NORM)
    n = np.arange(64)
    for hz, places in ((3_000.0, [*np.arange(1, 8) / 8, 0.25, 0.5, 0.75]), (18_000.0, np.arange(1, 8) / 8)):
        for taps, place in zip(interpolators().T, places, strict=False):
            wanted = np.sin(2 * np.pi * hz / RATE * (30 + place) + 0.3)
            wave = np.sin(2 * np.pi * hz / RATE * n + 0.3)
            assert np.dot(taps, wave[30 - 15 : 30 + 17]) == pytest.approx(wanted, abs=0.02)
