"""The gain of a clip: targets by kind, ceiling, largest gain, the zone's format."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from oyez.loudness.gain import clip_gain, limiter_takes_lu, plain_gain, track_gain_db
from oyez.loudness.meter import measure
from oyez.loudness.types import Measurement
from tests.loudness.programmes import music

THREE = 10 * np.log10(2)


def measured(loudness=-20.0, peak=-10.0, channels=1, **more) -> Measurement:
    values = {
        "duration_s": 5.0,
        "sample_rate": 48_000,
        "channels": channels,
        "integrated_lufs": loudness,
        "ungated_lufs": loudness,
        "loudness_range_lu": 1.0,
        "momentary_max_lufs": loudness,
        "short_term_max_lufs": loudness,
        "true_peak_dbtp": peak,
        "sample_peak_dbfs": peak,
    }
    return Measurement(**values | more)


def gain(found, *, kind="speech", zone=1, channels=1, target=-18.0, ceiling=-1.5, largest=15.0):
    return clip_gain(
        found,
        kind=kind,
        target_lufs=target,
        ceiling_dbtp=ceiling,
        max_gain_db=largest,
        zone_channels=zone,
        channels=channels,
    )


@pytest.mark.parametrize(("kind", "wanted"), [("speech", 2.0), ("chime", -2.0), ("effect", -1.0), ("music", 0.0)])
def test_each_kind_has_its_own_target(kind, wanted):
    assert gain(measured(), kind=kind).gain_db == pytest.approx(wanted)


def test_a_mono_clip_in_a_stereo_zone_is_3_01_lu_louder():
    assert gain(measured(), zone=2).gain_db == pytest.approx(2.0 - THREE)


def test_a_stereo_clip_in_a_mono_zone_counts_as_its_measured_sum():
    found = measured(channels=2, mono_lufs=-23.0, mono_true_peak_dbtp=-12.0)
    assert gain(found, channels=2).gain_db == pytest.approx(5.0)


def test_without_a_measured_sum_the_worst_case_is_taken_and_said():
    found = gain(measured(channels=2, loudness=-30.0, peak=-10.0), channels=2, kind="effect")
    assert found.gain_db == pytest.approx(-1.5 - (-10.0 + THREE))
    assert any("in phase" in note for note in found.notes)


def test_the_sum_of_equal_channels_has_the_loudness_of_both():
    both = np.repeat(music(10, 1, 1), 2, axis=1)
    mono = (both.sum(axis=1, keepdims=True) * np.float32(0.5**0.5)).astype(np.float32)
    one, two = measure(mono, 48_000), measure(both, 48_000)
    assert one.integrated_lufs == pytest.approx(two.integrated_lufs, abs=1e-4)
    assert one.true_peak_dbtp == pytest.approx(two.true_peak_dbtp + THREE, abs=1e-3)


def test_the_ceiling_holds_a_chime_back_and_the_shortfall_is_told():
    found = gain(measured(loudness=-26.0, peak=-4.0), kind="chime")
    assert found.gain_db == pytest.approx(2.5)
    assert found.shortfall_lu == pytest.approx(1.5)
    assert found.limited_by_peak
    assert found.sounds_at_lufs == pytest.approx(-23.5)


def test_the_limiter_gives_speech_back_what_the_ceiling_holds():
    found = gain(measured(loudness=-22.0, peak=-3.0))
    assert found.gain_db == pytest.approx(4.0)
    assert not found.limited_by_peak
    assert found.shortfall_lu == pytest.approx(limiter_takes_lu(2.5, 19.0))
    assert found.sounds_at_lufs == pytest.approx(-18.0 - found.shortfall_lu)
    assert any("2.5 dB" in note for note in found.notes)


def test_the_limiter_gives_6_db_and_no_more():
    found = gain(measured(loudness=-30.0, peak=-3.0))
    assert found.gain_db == pytest.approx(1.5 + 6.0)
    assert found.shortfall_lu == pytest.approx(4.5 + limiter_takes_lu(6.0, 27.0))
    assert found.limited_by_peak


def test_what_the_limiter_takes_grows_with_the_peaks_and_with_how_many_there_are():
    overs = [limiter_takes_lu(over, 18.0) for over in (-3.0, 0.0, 1.0, 2.0, 4.0, 6.0)]
    assert overs[:2] == [0.0, 0.0]
    assert overs == sorted(overs)
    crests = [limiter_takes_lu(4.0, crest) for crest in (24.0, 20.0, 16.0, 12.0, 3.0)]
    assert crests == sorted(crests)
    assert crests[-1] == 4.0  # never more than what it holds down


def test_a_mono_clip_gives_the_limiter_the_same_work_in_both_kinds_of_zone():
    # the same signal from one loudspeaker or two: at the same gain the same peaks are held down
    one, two = gain(measured(-22.0, -3.0), target=-18.0), gain(measured(-22.0, -3.0), zone=2, target=-18.0 + THREE)
    assert one.gain_db == pytest.approx(two.gain_db)
    assert one.shortfall_lu == pytest.approx(two.shortfall_lu)


def test_more_than_the_largest_gain_is_never_given():
    found = gain(measured(loudness=-50.0, peak=-40.0))
    assert found.gain_db == 15.0
    assert found.shortfall_lu == pytest.approx(17.0)
    assert not found.limited_by_peak
    assert any("recorded too quietly" in note for note in found.notes)


def test_a_clip_too_short_for_a_block_takes_its_ungated_loudness_and_says_so():
    found = gain(measured(integrated_lufs=None, ungated_lufs=-25.0))
    assert found.gain_db == pytest.approx(7.0)
    assert any("ungated" in note for note in found.notes)


@pytest.mark.parametrize("unknown", [None, measured(loudness=None, peak=None)])
def test_what_is_unknown_plays_as_recorded_and_says_so(unknown):
    found = gain(unknown)
    assert (found.gain_db, found.sounds_at_lufs, found.shortfall_lu) == (0.0, None, 0.0)
    assert any("unknown" in note for note in found.notes)


def test_a_loud_clip_is_turned_down_without_remark():
    found = gain(measured(loudness=-10.0, peak=-0.1))
    assert found.gain_db == pytest.approx(-8.0)
    assert found.notes == ()


def test_a_track_is_levelled_to_its_own_target_without_a_limiter():
    assert track_gain_db(measured(channels=2), target_lufs=-20.0) == pytest.approx(0.0)
    assert track_gain_db(measured(channels=1), target_lufs=-20.0) == pytest.approx(-THREE)
    assert track_gain_db(measured(-30.0, -3.0, 2), target_lufs=-20.0) == pytest.approx(1.5)
    assert track_gain_db(measured(None, None, 2), target_lufs=-20.0) == 0.0


def test_the_gain_without_limiter_is_the_smaller_of_target_and_ceiling():
    found = plain_gain(-24.0, -3.0, target_lufs=-18.0, ceiling_dbtp=-1.5)
    assert (found.gain_db, found.limited_by_peak, found.shortfall_lu) == (1.5, True, 4.5)
    found = plain_gain(-17.0, -3.0, target_lufs=-18.0, ceiling_dbtp=-1.5)
    assert (found.gain_db, found.limited_by_peak, found.shortfall_lu) == (-1.0, False, 0.0)
    assert plain_gain(None, None, target_lufs=-18.0, ceiling_dbtp=-1.5).gain_db is None


@pytest.mark.parametrize("kind", ["chime", "effect", "music"])
def test_the_true_peak_after_the_gain_is_at_most_the_ceiling(kind):
    # measured again by the meter after the gain was applied
    samples = music(5, 3) * np.float32(0.2)
    first = dataclasses.replace(measure(samples, 48_000))
    found = gain(first, kind=kind, zone=2, channels=2, target=-5.0)
    after = measure(samples * np.float32(10 ** (found.gain_db / 20)), 48_000)
    assert after.true_peak_dbtp <= -1.5 + 1e-3
    assert after.integrated_lufs == pytest.approx(found.sounds_at_lufs, abs=0.01)
