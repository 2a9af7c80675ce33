"""EBU Tech 3341 v4 (2023) section 2.9 Table 1: the minimum requirement signals, made from their recipes.

Cases 7 and 8 are programme files and cannot be made. Tolerances are the table's.
"""

from __future__ import annotations

import numpy as np
import pytest

from oyez.loudness import gates
from oyez.loudness.meter import Meter, measure
from tests.loudness.programmes import case, faded, peak_burst, sine, tone_segments, vectors

RATES = [44_100, 48_000, 96_000]
TOLERANCE = 0.1


def _within(found: float | None, wanted: float) -> bool:
    return found is not None and abs(found - wanted) <= TOLERANCE


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("number", [1, 2])
def test_cases_1_and_2_momentary_short_term_and_integrated(number, rate):
    recipe = case(number)
    meter = Meter(rate, 2).push(tone_segments(recipe["segments"], rate))
    series = meter.series()
    assert _within(meter.result().integrated_lufs, recipe["expected"]["I"])
    assert all(_within(v, recipe["expected"]["M"]) for v in series.momentary_lufs)
    assert all(_within(v, recipe["expected"]["S"]) for v in series.short_term_lufs)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("number", [3, 4, 5])
def test_cases_3_to_5_gating(number, rate):
    recipe = case(number)
    found = measure(tone_segments(recipe["segments"], rate), rate)
    assert _within(found.integrated_lufs, recipe["expected"]["I"])


@pytest.mark.parametrize("number", [3, 4])
def test_cases_3_and_4_fail_without_the_gates(number):
    recipe = case(number)
    found = measure(tone_segments(recipe["segments"], 48_000), 48_000)
    assert not _within(found.ungated_lufs, recipe["expected"]["I"])


@pytest.mark.parametrize("rate", RATES)
def test_case_6_surround(rate):
    recipe = case(6)
    tone = sine(1000, recipe["seconds"], rate)
    levels = recipe["levels_dBFS_peak"]
    samples = np.stack([tone * 10 ** (levels[name] / 20) for name in recipe["channel_order"]], axis=1)
    assert _within(measure(samples.astype(np.float32), rate).integrated_lufs, -23.0)


def test_case_6_with_surrounds_weighted_like_the_front_fails():
    recipe = case(6)
    levels = recipe["levels_dBFS_peak"].values()
    power = sum(10 ** (level / 10) / 2 for level in levels)
    assert not _within(-0.691 + 0.6977 + 10 * np.log10(power), -23.0)


@pytest.mark.parametrize("rate", RATES)
def test_case_9_short_term_is_constant_after_3_s(rate):
    recipe = case(9)
    series = Meter(rate, 2).push(tone_segments(recipe["segments"], rate)).series()
    assert all(_within(v, -23.0) for v in series.short_term_lufs)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("index", range(0, 20, 3))
def test_case_10_short_term_maximum_of_a_file(index, rate):
    recipe = case(10)["files"][index]
    found = measure(tone_segments(recipe["segments"], rate), rate)
    assert _within(found.short_term_max_lufs, -23.0)


@pytest.mark.parametrize("rate", RATES)
def test_case_11_successive_short_term_maxima(rate):
    recipe = case(11)
    series = Meter(rate, 2).push(tone_segments(recipe["segments"], rate)).series()
    for i, wanted in enumerate(recipe["expected"]["maxS_successive"]):
        # window k ends at 3 s + k / 100 s
        inside = series.short_term_lufs[max(0, i * 600 - 299) : (i + 1) * 600 - 299]
        assert _within(inside.max(), wanted)


@pytest.mark.parametrize("rate", RATES)
def test_case_12_momentary_is_constant_after_1_s(rate):
    recipe = case(12)
    series = Meter(rate, 2).push(tone_segments(recipe["segments"], rate)).series()
    assert all(_within(v, -23.0) for v in series.momentary_lufs[60:])


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("index", range(20))
def test_case_13_momentary_maximum_of_a_file(index, rate):
    recipe = case(13)["files"][index]
    found = measure(tone_segments(recipe["segments"], rate), rate)
    assert _within(found.momentary_max_lufs, -23.0)


def test_case_13_fails_when_momentary_is_evaluated_every_100_ms():
    worst = 0.0
    for recipe in case(13)["files"]:
        series = Meter(48_000, 2).push(tone_segments(recipe["segments"], 48_000)).series()
        worst = min(worst, series.momentary_lufs[::10].max() + 23.0)
    assert worst < -TOLERANCE


@pytest.mark.parametrize("rate", RATES)
def test_case_14_successive_momentary_maxima(rate):
    recipe = case(14)
    series = Meter(rate, 2).push(tone_segments(recipe["segments"], rate)).series()
    for i, wanted in enumerate(recipe["expected"]["maxM_successive"]):
        inside = series.momentary_lufs[max(0, i * 80 - 39) : (i + 1) * 80 - 39]
        assert _within(inside.max(), wanted)


PEAK_TONES = {15: (4, 0.0), 16: (4, 45.0), 17: (6, 60.0), 18: (8, 67.5), 19: (4, 45.0)}


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("number", PEAK_TONES)
def test_cases_15_to_19_true_peak_of_tones(number, rate):
    recipe = case(number)
    divisor, phase = PEAK_TONES[number]
    tone = faded(sine(rate / divisor, 1.0, rate, peak=recipe["amplitude_FFS"], phase_deg=phase), rate)
    found = measure(np.repeat(tone[:, None], 2, axis=1).astype(np.float32), rate).true_peak_dbtp
    wanted = recipe["expected"]["maxTP"]
    assert wanted - recipe["tolerance_minus"] <= found <= wanted + recipe["tolerance_plus"]


@pytest.mark.parametrize("number", [16, 19])
def test_cases_16_and_19_fail_on_the_sample_peak(number):
    recipe = case(number)
    tone = faded(sine(12_000, 1.0, 48_000, peak=recipe["amplitude_FFS"], phase_deg=45.0), 48_000)
    found = measure(tone[:, None].astype(np.float32), 48_000).sample_peak_dbfs
    assert found < recipe["expected"]["maxTP"] - recipe["tolerance_minus"]


@pytest.mark.parametrize("number", [20, 21, 22, 23])
def test_cases_20_to_23_true_peak_between_samples(number):
    recipe = case(number)
    found = measure(peak_burst(number - 20), 48_000).true_peak_dbtp
    assert -recipe["tolerance_minus"] <= found <= recipe["tolerance_plus"]


def test_case_22_fails_on_the_sample_peak():
    assert measure(peak_burst(2), 48_000).sample_peak_dbfs < -case(22)["tolerance_minus"]


def test_the_alignment_tone_reads_its_level():
    # Tech 3341 section 2.9: a 1 kHz stereo tone of -18 dBFS peak reads -18.0 LUFS
    wanted = vectors("ebu3341")["alignment_check"]["expected_LUFS"]
    found = measure(tone_segments([{"seconds": 5, "dBFS": -18}], 48_000), 48_000)
    assert _within(found.integrated_lufs, wanted)


def test_the_windows_are_400_ms_and_3_s():
    # Tech 3341 section 2.2
    assert gates.MOMENTARY_BINS * 10 == 400
    assert gates.SHORT_TERM_BINS * 10 == 3000
