"""What the meter does with blocks of any size, and with what is no ordinary programme."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oyez.loudness.meter import Meter, measure
from oyez.loudness.truepeak import interpolator, largest_gain, oversampling
from tests.loudness.programmes import bursts, music, noise, sine

LONG = bursts(100, 1, 2, 48_000)
SHORT = music(3.3, 2)


def pushed(samples, rate, cuts):
    meter = Meter(rate, samples.shape[1])
    at = 0
    for cut in sorted(cuts):
        meter.push(samples[at:cut])
        at = cut
    return meter.push(samples[at:])


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, len(LONG)), max_size=12))
def test_cutting_into_blocks_never_changes_the_result(cuts):
    assert pushed(LONG, 48_000, cuts).result() == WHOLE


WHOLE = measure(LONG, 48_000)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, 4000), max_size=8), st.sampled_from([8_000, 11_025, 22_050, 44_100]))
def test_cutting_into_blocks_never_changes_a_short_result(cuts, rate):
    samples = SHORT[:4000]
    assert pushed(samples, rate, cuts).result() == measure(samples, rate)


@pytest.mark.parametrize("block", [1, 7, 480, 4096])
def test_equal_blocks_give_the_result_of_the_whole(block):
    samples = SHORT[: 48_000 if block == 1 else len(SHORT)]
    meter = Meter(48_000, 2)
    for at in range(0, len(samples), block):
        meter.push(samples[at : at + block])
    assert meter.result() == measure(samples, 48_000)


def test_a_result_in_between_changes_nothing():
    meter = Meter(48_000, 2)
    meter.push(LONG[:1_000_000]).result()
    meter.series()
    assert meter.push(LONG[1_000_000:]).result() == WHOLE


def test_one_sample_more_or_less_is_noticed():
    assert measure(LONG[:-1], 48_000) != WHOLE


@pytest.mark.parametrize("scale_db", [-40.0, -12.0, 6.0])
def test_a_gain_moves_every_number_by_itself(scale_db):
    # property: loudness and peaks are relative; gates are not reached at these levels
    samples = music(20, 3)
    one, other = measure(samples, 48_000), measure(samples * np.float32(10 ** (scale_db / 20)), 48_000)
    for name in ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs", "true_peak_dbtp", "ungated_lufs"):
        assert getattr(other, name) - getattr(one, name) == pytest.approx(scale_db, abs=1e-4)
    assert other.loudness_range_lu == pytest.approx(one.loudness_range_lu, abs=1e-3)


def test_silence_has_no_numbers_and_says_so():
    found = measure(np.zeros((100_000, 2), np.float32), 48_000)
    assert found.integrated_lufs is found.true_peak_dbtp is found.sample_peak_dbfs is None
    assert found.notes == ("silence: there is nothing to measure",)


def test_nothing_at_all_is_said_to_be_empty():
    found = measure(np.zeros((0, 1), np.float32), 48_000)
    assert found.duration_s == 0.0
    assert found.notes == ("empty: there is nothing to measure",)


def test_under_400_ms_only_the_ungated_loudness_is_known():
    found = measure(noise(0.39, 4, 1, 48_000), 48_000)
    assert found.integrated_lufs is found.momentary_max_lufs is None
    assert found.ungated_lufs == pytest.approx(-17.5, abs=2.0)
    assert any("400 ms" in note for note in found.notes)


def test_400_ms_are_enough():
    found = measure(noise(0.4, 4, 1, 48_000), 48_000)
    assert found.integrated_lufs == pytest.approx(found.ungated_lufs, abs=1e-9)


def test_under_3_s_there_is_no_range():
    assert measure(noise(2.99, 5, 1, 48_000), 48_000).loudness_range_lu is None
    assert measure(noise(3.0, 5, 1, 48_000), 48_000).loudness_range_lu == 0.0


def test_nothing_over_the_absolute_gate_is_noted():
    found = measure(noise(2, 6, 1, 48_000, 1e-5), 48_000)
    assert found.integrated_lufs is None
    assert found.ungated_lufs < -70
    assert any("-70 LUFS" in note for note in found.notes)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("at", [0, 2_000_000, 4_799_999])
def test_one_sample_that_is_no_number_makes_all_unknown(bad, at):
    samples = LONG.copy()
    samples[at, 1] = bad
    found = measure(samples, 48_000)
    assert found.integrated_lufs is found.true_peak_dbtp is None
    assert "NaN or infinite" in found.notes[0]


def test_a_dc_offset_is_noted_and_does_not_count_for_loudness():
    samples = music(10, 7)
    found = measure(samples + np.float32(0.05), 48_000)
    assert found.integrated_lufs == pytest.approx(measure(samples, 48_000).integrated_lufs, abs=0.05)
    assert any("DC offset of -2" in note for note in found.notes)
    assert not any("DC" in note for note in measure(samples, 48_000).notes)


def test_clipped_material_is_noted_and_counted():
    clipped = np.clip(sine(100, 1, 48_000, peak=2.0), -1.0, 1.0)[:, None].astype(np.float32)
    notes = measure(clipped, 48_000).notes
    assert any(note.startswith("clipped") and "200 times" in note for note in notes)
    whole = sine(100, 1, 48_000, peak=0.999)[:, None].astype(np.float32)
    assert not any("clipped" in note for note in measure(whole, 48_000).notes)


def test_clipping_is_found_across_stretches_in_a_late_louder_part():
    samples = LONG.copy()
    samples[3_000_000:3_000_003, 0] = 1.5
    samples[1_000_000:1_000_004, 0] = 1.2  # lower, so not the peak
    assert any("clipped" in n and " 1 times" in n for n in measure(samples, 48_000).notes)


def test_silence_after_sound_costs_no_more_than_sound():
    # denormal numbers in the filters would make silence many times slower; here only that the result is right
    samples = np.concatenate([noise(1, 8, 1, 48_000), np.zeros((48_000 * 60, 1), np.float32)])
    assert measure(samples, 48_000).momentary_max_lufs == pytest.approx(
        measure(samples[:48_000], 48_000).momentary_max_lufs, abs=0.2
    )


@pytest.mark.parametrize(
    ("rate", "times"), [(8_000, 4), (48_000, 4), (95_999, 4), (96_000, 2), (191_999, 2), (192_000, 1)]
)
def test_oversampling_reaches_192_khz(rate, times):
    # BS.1770-5 Annex 2: at least 4 times at 48 kHz, 2 times at 96 kHz
    assert oversampling(rate) == times


@pytest.mark.parametrize("factor", [2, 4])
def test_the_interpolator_passes_low_tones_unchanged(factor):
    for taps in interpolator(factor):
        assert sum(taps) == pytest.approx(1.0, abs=0.003)
    assert largest_gain(factor) > 1.5


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_skipping_blocks_finds_the_same_true_peak_as_looking_everywhere(rate):
    # an independent interpolation of everything, in float64
    samples = noise(2, 9, 2, rate, 0.3) * np.linspace(0.5, 1.0, 2 * rate, dtype=np.float32)[:, None]
    factor = oversampling(rate)
    best = np.abs(samples).max()
    for taps in interpolator(factor):
        for channel in range(2):
            best = max(best, np.abs(np.convolve(samples[:, channel].astype(np.float64), taps[::-1])).max())
    assert measure(samples, rate).true_peak_dbtp == pytest.approx(20 * np.log10(best), abs=1e-5)


def test_the_true_peak_is_never_under_the_sample_peak():
    for seed in range(5):
        found = measure(noise(0.5, seed, 2, 48_000), 48_000)
        assert found.true_peak_dbtp >= found.sample_peak_dbfs


def test_the_end_of_the_audio_is_followed_by_silence_for_the_true_peak():
    # a full-scale step at the very end rings over
    samples = np.concatenate([np.zeros(100), np.ones(5)])[:, None].astype(np.float32)
    assert measure(samples, 48_000).true_peak_dbtp > 0.5


@pytest.mark.parametrize("shape", [(100,), (100, 3)])
def test_audio_of_another_shape_is_refused(shape):
    with pytest.raises(ValueError, match="expected"):
        Meter(48_000, 2).push(np.zeros(shape, np.float32))


def test_seven_channels_are_refused():
    with pytest.raises(ValueError, match="allowed are 1 to 6"):
        Meter(48_000, 7)


def test_every_kernel_is_compiled_for_one_signature_only():
    # another would be compiled in the middle of work: a read-only array, another layout or type
    from oyez.loudness import kernels, peak_kernels
    from oyez.loudness.meter import warm_up

    warm_up()
    fixed = LONG.copy()
    fixed.flags.writeable = False
    measure(fixed, 48_000)
    measure(np.asfortranarray(SHORT), 48_000)
    measure(SHORT[::2], 48_000)
    measure(SHORT.astype(np.float64), 48_000)
    for channels in range(1, 7):
        measure(noise(0.6, channels, channels, 96_000), 96_000)
    both = {**vars(kernels), **vars(peak_kernels)}
    loops = {name: loop for name, loop in both.items() if hasattr(loop, "signatures")}
    called = {name: len(loop.signatures) for name, loop in loops.items() if not name.startswith("_")}
    assert called == dict.fromkeys(called, 1)
    assert len(called) == 5
    assert all(len(loop.signatures) <= 1 for loop in loops.values())  # inner ones come with what was kept on disk
