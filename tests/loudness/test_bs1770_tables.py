"""ITU-R BS.1770-5: coefficients, weights and the anchor level, as printed in Annex 1."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from oyez.loudness.kweight import Biquad, highpass, shelf
from oyez.loudness.meter import measure
from tests.loudness.programmes import sine, vectors

STANDARD = vectors("bs1770")


def _rows(stage: Biquad) -> tuple[list[float], list[float]]:
    return [stage.b0, stage.b1, stage.b2], [1.0, stage.a1, stage.a2]


@pytest.mark.parametrize(
    ("make", "table"), [(shelf, "stage1_shelf"), (highpass, "stage2_rlb_highpass")], ids=["table 1", "table 2"]
)
def test_the_filters_at_48_khz_are_the_printed_ones(make, table):
    # BS.1770-5 Annex 1, Tables 1 and 2; the prototype must give them back to 1e-6
    printed = STANDARD["k_weighting_48k"][table]
    b, a = _rows(make(48_000))
    assert b == pytest.approx(printed["b"], abs=1e-6)
    assert a == pytest.approx(printed["a"], abs=1e-6)


def test_the_filters_at_another_rate_are_not_the_printed_ones():
    printed = STANDARD["k_weighting_48k"]["stage1_shelf"]
    b, _ = _rows(shelf(44_100))
    assert b != pytest.approx(printed["b"], abs=1e-3)


def test_the_filters_at_44100_hz_agree_with_a_second_derivation():
    # computed: the same prototype through scipy, numerator of the high-pass held at [1, -2, 1]
    second = STANDARD["rederived_other_rates"]["44100"]
    b1, a1 = _rows(shelf(44_100))
    b2, a2 = _rows(highpass(44_100))
    assert [*b1, *a1, *b2, *a2] == pytest.approx(
        [*second["b1"], *second["a1"], *second["b2"], *second["a2"]], abs=1e-9
    )


@pytest.mark.parametrize("hz", [25, 100, 500, 997, 1000, 2000, 4000, 8000, 10000, 16000])
def test_the_weighting_curve_at_48_khz(hz):
    # computed by scipy from the printed tables
    sos = np.array([[*_rows(s)[0], *_rows(s)[1]] for s in (shelf(48_000), highpass(48_000))])
    _, h = scipy.signal.sosfreqz(sos, worN=[hz], fs=48_000)
    assert 20 * np.log10(abs(h[0])) == pytest.approx(
        STANDARD["k_gain_dB_computed_scipy_1.17.1"][str(hz)], abs=1e-3
    )


@pytest.mark.parametrize("rate", [8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 192_000])
def test_the_weighting_is_the_same_curve_at_every_rate(rate):
    # Against the curve at 48 kHz from 100 Hz to an eighth of the rate. The bilinear transform bends the shelf's
    # slope: 0.1 dB at usual rates, more where the slope comes near half the rate.
    hz = np.geomspace(100, min(rate / 8, 4_000), 50)

    def curve(at_rate):
        sos = np.array([[*_rows(s)[0], *_rows(s)[1]] for s in (shelf(at_rate), highpass(at_rate))])
        return 20 * np.log10(abs(scipy.signal.sosfreqz(sos, worN=hz, fs=at_rate)[1]))

    assert curve(rate) == pytest.approx(curve(48_000), abs=0.1 if rate >= 32_000 else 0.7)


@pytest.mark.parametrize("rate", [7_999, 192_001, 0])
def test_a_rate_outside_the_range_is_refused(rate):
    with pytest.raises(ValueError, match="allowed are 8000 to 192000"):
        shelf(rate)


@pytest.mark.parametrize("channel", [0, 1, 2])
def test_a_full_scale_997_hz_sine_in_one_front_channel_reads_minus_3_01(channel):
    # BS.1770-5 Annex 1: "a 0 dB FS, 997 Hz sine wave applied to the left, centre or right channel input gives
    # -3.01 LKFS"
    samples = np.zeros((48_000 * 5, 3), dtype=np.float32)
    samples[:, channel] = sine(997, 5, 48_000)
    assert measure(samples, 48_000).integrated_lufs == pytest.approx(-3.01, abs=0.005)


def test_a_1000_hz_sine_does_not_read_minus_3_01():
    samples = sine(1500, 5, 48_000)[:, None].astype(np.float32)
    assert measure(samples, 48_000).integrated_lufs != pytest.approx(-3.01, abs=0.05)


@pytest.mark.parametrize(
    ("channels", "channel", "weight"),
    [(6, 4, 1.41), (6, 5, 1.41), (5, 3, 1.41), (4, 2, 1.41), (4, 3, 1.41), (6, 2, 1.0), (2, 1, 1.0)],
)
def test_a_channel_counts_with_its_weight(channels, channel, weight):
    # BS.1770-5 Annex 1 Table 3: L R C 1.0, Ls Rs 1.41
    samples = np.zeros((48_000 * 2, channels), dtype=np.float32)
    samples[:, channel] = sine(997, 2, 48_000)
    assert measure(samples, 48_000).integrated_lufs == pytest.approx(-3.0103 + 10 * np.log10(weight), abs=0.005)


def test_the_lfe_channel_does_not_count_for_loudness_but_for_the_peak():
    # BS.1770-5 Annex 1: the LFE channel is not included; contract: true peak over all channels
    samples = np.zeros((48_000 * 2, 6), dtype=np.float32)
    samples[:, 3] = sine(50, 2, 48_000, peak=0.5)
    found = measure(samples, 48_000)
    assert found.integrated_lufs is None
    assert found.true_peak_dbtp == pytest.approx(-6.02, abs=0.05)


def test_two_equal_channels_are_3_01_lu_louder_than_one():
    one = sine(997, 2, 48_000, peak=0.1)[:, None].astype(np.float32)
    two = np.repeat(one, 2, axis=1)
    louder = measure(two, 48_000).integrated_lufs - measure(one, 48_000).integrated_lufs
    assert louder == pytest.approx(10 * np.log10(2), abs=1e-6)
