"""Other meters on generated programmes: libebur128 (through pyebur128) first, pyloudnorm second."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import soxr

from oyez.loudness.meter import measure
from tests.loudness.programmes import Samples, bursts, music, noise, spoken, syllables

pyebur128 = pytest.importorskip("pyebur128", reason="needs pyebur128: pip install 'oyez[dev]' (up to Python 3.12)")

WORDS = "Good evening. The aquarium closes in fifteen minutes, please make your way to the main entrance."


def at_rate(samples: Samples, rate: int) -> Samples:
    return samples if rate == 48_000 else soxr.resample(samples, 48_000, rate).astype(np.float32)


def spread(samples: Samples, channels: int, seed: int) -> Samples:
    """One channel on several, at different levels."""
    levels = np.random.default_rng(seed).uniform(0.1, 1.0, channels)
    return (samples * levels).astype(np.float32)


def still(seconds: int, channels: int) -> Samples:
    return np.zeros((seconds * 48_000, channels), np.float32)


PROGRAMMES = {
    "speech, 48 kHz mono": (48_000, lambda: spoken(WORDS)),
    "speech, 48 kHz stereo": (48_000, lambda: spread(spoken(WORDS, "en-us", 140), 2, 1)),
    "speech, 22.05 kHz mono": (22_050, lambda: at_rate(spoken(WORDS, "en-gb", 180), 22_050)),
    "speech, 16 kHz mono": (16_000, lambda: at_rate(spoken(WORDS, "en-us", 120), 16_000)),
    "speech, 44.1 kHz 5.1": (44_100, lambda: at_rate(spread(spoken(WORDS, "de"), 6, 2), 44_100)),
    "speech, 96 kHz stereo": (96_000, lambda: at_rate(spread(spoken(WORDS, "fr"), 2, 3), 96_000)),
    "syllables, 48 kHz mono": (48_000, lambda: syllables(20, 4)),
    "syllables, 32 kHz stereo": (32_000, lambda: at_rate(spread(syllables(20, 5), 2, 5), 32_000)),
    "syllables, 8 kHz mono": (8_000, lambda: at_rate(syllables(20, 6), 8_000)),
    "music, 48 kHz stereo": (48_000, lambda: music(30, 7)),
    "music, 44.1 kHz stereo": (44_100, lambda: music(30, 8, rate=44_100)),
    "music, 48 kHz 5.1": (48_000, lambda: music(20, 9, 6)),
    "music, 96 kHz stereo": (96_000, lambda: music(15, 10, rate=96_000)),
    "music, 192 kHz mono": (192_000, lambda: music(8, 11, 1, rate=192_000)),
    "music, 32 kHz quad": (32_000, lambda: music(20, 12, 4, rate=32_000)),
    "flattened, 48 kHz stereo": (48_000, lambda: np.clip(music(20, 13) * 8, -0.98, 0.98)),
    "flattened, 44.1 kHz mono": (44_100, lambda: np.clip(music(20, 14, 1, rate=44_100) * 20, -0.7, 0.7)),
    "noise, 48 kHz stereo": (48_000, lambda: noise(20, 15, 2, 48_000)),
    "noise, 44.1 kHz mono": (44_100, lambda: noise(20, 16, 1, 44_100)),
    "noise, 96 kHz 5.1": (96_000, lambda: noise(8, 17, 6, 96_000)),
    "noise, 16 kHz five channels": (16_000, lambda: noise(20, 18, 5, 16_000)),
    "noise beyond full scale": (48_000, lambda: noise(10, 19, 2, 48_000, 1.0)),
    "bursts, 48 kHz stereo": (48_000, lambda: bursts(60, 20, 2, 48_000)),
    "bursts, 44.1 kHz mono": (44_100, lambda: bursts(60, 21, 1, 44_100)),
    "bursts, 22.05 kHz stereo": (22_050, lambda: bursts(60, 22, 2, 22_050)),
    "bursts, 32 kHz 5.1": (32_000, lambda: bursts(40, 23, 6, 32_000)),
    "bursts, 96 kHz mono": (96_000, lambda: bursts(30, 24, 1, 96_000)),
    "speech and silence": (48_000, lambda: np.concatenate([spoken(WORDS), still(10, 1), spoken(WORDS)])),
    "silence and one burst": (48_000, lambda: np.concatenate([still(4, 2), noise(2, 25, 2, 48_000)])),
    "half a second": (48_000, lambda: noise(0.5, 26, 1, 48_000)),
    "a long stretch and a bit": (48_000, lambda: music(95.137, 27)),
}


def by_libebur128(samples: Samples, rate: int) -> tuple[float, float, float]:
    """(integrated LUFS, range LU, true peak dBTP)"""
    mode = pyebur128.MeasurementMode
    state = pyebur128.R128State(samples.shape[1], rate, mode.MODE_I | mode.MODE_LRA | mode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(samples).reshape(-1), len(samples))
    peak = max(pyebur128.get_true_peak(state, c) for c in range(samples.shape[1]))
    return pyebur128.get_loudness_global(state), pyebur128.get_loudness_range(state), 20 * np.log10(peak)


@pytest.mark.parametrize("name", PROGRAMMES)
def test_libebur128_reads_the_same(name):
    rate, make = PROGRAMMES[name]
    samples = make()
    found = measure(samples, rate)
    integrated, width, peak = by_libebur128(samples, rate)
    assert found.integrated_lufs == pytest.approx(integrated, abs=0.01)
    assert (found.loudness_range_lu or 0.0) == pytest.approx(width, abs=0.05)
    assert found.true_peak_dbtp == pytest.approx(peak, abs=0.1)


def test_libebur128_does_not_read_the_same_after_a_change_of_0_02_db():
    samples = music(30, 7)
    integrated, _, _ = by_libebur128(samples * np.float32(10 ** (0.02 / 20)), 48_000)
    assert measure(samples, 48_000).integrated_lufs != pytest.approx(integrated, abs=0.01)


@pytest.mark.parametrize("name", [n for n in PROGRAMMES if "48 kHz" in n and "5.1" not in n])
def test_pyloudnorm_reads_the_same_within_0_05_lu(name):
    # Its "DeMan" filters are the ones of the standard; its default ones read 0.04 LU low at 1 kHz.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import pyloudnorm
    rate, make = PROGRAMMES[name]
    samples = make()
    other = pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(samples.astype(np.float64))
    assert measure(samples, rate).integrated_lufs == pytest.approx(other, abs=0.05)
