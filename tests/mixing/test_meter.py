"""The output's meters against libebur128, and what they say when there is nothing to say."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from oyez.mixing.meter import K_WEIGHTING
from tests.mixing.world import (
    RATE,
    T0,
    Shelf,
    constant,
    cue,
    noise,
    offline,
    programme,
    source,
    tone,
    zone,
)

TABLES = json.loads((Path(__file__).parent.parent / "vectors" / "bs1770.json").read_text())


def test_the_weighting_is_the_standards_tables():
    # ITU-R BS.1770-5 Annex 1 Tables 1 and 2
    shelf = (1.53512485958697, -2.69169619940638, 1.19839281085285, -1.69065929318241, 0.73248077421585)
    high = (1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621)
    assert K_WEIGHTING[0] == pytest.approx(shelf, abs=1e-6)
    assert K_WEIGHTING[1] == pytest.approx(high, abs=1e-6)
    assert TABLES


def play(music, *, channels=2, seconds=10):
    shelf = Shelf(music=music)
    mixer = offline(shelf, programme(zone(channels=channels), sources=(source(shelf, "music"),)))
    return mixer, np.array(mixer.render(seconds * RATE))


def test_a_reference_tone_reads_what_the_standard_says():
    # BS.1770-5 Annex 1: a 997 Hz sine at 0 dBFS in one channel reads -3.01 LKFS; so -23 dBFS reads -26.01
    music = np.concatenate([tone(RATE, 997.0, peak=10 ** (-23 / 20)), np.zeros((RATE, 1), np.float32)], axis=1)
    mixer, _ = play(music)
    assert mixer.loudness("foyer", T0, T0 + 10 * RATE) == pytest.approx(-26.01, abs=0.02)
    # EBU Tech 3341 case 1: both channels at -23 dBFS read -23.0
    mixer, _ = play(tone(RATE, 1000.0, peak=10 ** (-23 / 20), channels=2))
    assert mixer.loudness("foyer", T0, T0 + 10 * RATE) == pytest.approx(-23.0, abs=0.05)
    assert mixer.short_term_lufs("foyer") == pytest.approx(-23.0, abs=0.05)


@pytest.mark.parametrize("more", [1, 256, 1_024, 4_799])
def test_the_live_level_is_there_wherever_a_block_of_sound_ends(more):
    # EBU Tech 3341 case 1; the engine's blocks do not end on tenths of a second
    mixer, _ = play(tone(RATE, 1000.0, peak=10 ** (-23 / 20), channels=2), seconds=4)
    mixer.render(more)
    assert mixer.short_term_lufs("foyer") == pytest.approx(-23.0, abs=0.05)


def test_it_agrees_with_libebur128_on_uneven_noise():
    pyebur128 = pytest.importorskip("pyebur128")
    steps = np.repeat(np.random.default_rng(3).choice([0.01, 0.1, 0.5], 40), RATE // 4)
    music = (noise(10 * RATE, 2, rms=0.2, seed=1) * steps[:, None]).astype(np.float32)
    mixer, heard = play(music)
    state = pyebur128.R128State(2, RATE, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(heard).ravel(), len(heard))
    wanted = pyebur128.get_loudness_global(state)
    assert mixer.loudness("foyer", T0, T0 + 10 * RATE) == pytest.approx(wanted, abs=0.1)


def test_a_play_is_measured_where_it_played():
    shelf = Shelf(words=tone(2 * RATE, 1000.0, peak=10 ** (-20 / 20)))
    mixer = offline(shelf, programme(zone(source=None)), cue(shelf, "words", at_ms=1_000))
    mixer.render(5 * RATE)
    inside = mixer.loudness("foyer", T0 + RATE, T0 + 3 * RATE)
    assert inside == pytest.approx(-23.0, abs=0.1)  # one channel: -3.01 dB
    assert mixer.loudness("foyer", T0 + 4 * RATE, T0 + 5 * RATE) is None


def test_what_is_not_known_is_none():
    mixer, _ = play(np.zeros((RATE, 1), dtype=np.float32), channels=1, seconds=4)
    assert mixer.loudness("foyer", T0, T0 + 4 * RATE) is None
    assert mixer.short_term_lufs("foyer") is None
    assert mixer.sample_peak_dbfs("foyer") is None
    assert mixer.loudness("foyer", T0 - 10 * RATE, T0 - 5 * RATE) is None
    assert mixer.loudness("foyer", T0 + 10 * RATE, T0 + 20 * RATE) is None


def test_under_400_ms_it_is_the_loudness_of_what_there_is():
    mixer, _ = play(tone(RATE, 1000.0, peak=0.1, channels=2), seconds=2)
    assert mixer.loudness("foyer", T0 + RATE, T0 + RATE + 9_600) == pytest.approx(-20.0, abs=0.1)


def test_the_peak_is_the_largest_sample_of_the_last_moments():
    music = constant(RATE, 0.01)
    music[RATE // 2] = -0.5
    mixer, _ = play(music, channels=1, seconds=1)
    mixer.render(RATE)
    assert mixer.sample_peak_dbfs("foyer") == pytest.approx(20 * math.log10(0.01), abs=0.01)
    position = (T0 + 2 * RATE) % RATE
    mixer.render((RATE // 2 - position) % RATE + 9_600)
    assert mixer.sample_peak_dbfs("foyer") == pytest.approx(20 * math.log10(0.5), abs=0.01)


def test_the_meters_are_kept_when_a_zone_comes():
    shelf = Shelf(music=tone(RATE, 1000.0, peak=0.1, channels=2))
    sources = (source(shelf, "music"),)
    mixer = offline(shelf, programme(zone("b", 2), sources=sources))
    mixer.render(4 * RATE)
    before = mixer.loudness("b", T0, T0 + 4 * RATE)
    mixer.set_programme(programme(zone("a", 1), zone("b", 2), sources=sources))
    mixer.render(4 * RATE)
    assert mixer.loudness("b", T0, T0 + 4 * RATE) == before
    assert mixer.loudness("b", T0, T0 + 8 * RATE) == pytest.approx(before, abs=0.02)
