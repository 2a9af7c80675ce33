"""What the limiter gives speech back: 48 spoken sentences, by the gain a zone would use and through its end stage.

The judge is libebur128 (pyebur128), which is no part of the service: true peak and integrated loudness of what
comes out of the zone. `python -m tests.loudness.test_give_back` prints the table.
"""

from __future__ import annotations

import functools
import io
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest
import soundfile
import soxr

from oyez.loudness.gain import LIMITER_GIVES_DB, clip_gain
from oyez.loudness.meter import measure
from oyez.loudness.types import ClipGain, Measurement
from tests.mixing.world import RATE, Shelf, cue, programme, render, zone
from tests.playout.recorded import need

TARGET_LUFS, CEILING_DBTP, MOST_DB = -18.0, -1.5, 15.0
METER_DB = 0.1  # libebur128 reads a true peak from 4 times interpolation, as does ITU-R BS.1770-5 Annex 2
LEAD_MS = 100
PROMISE_LU = 0.35  # what loudness.gain says of itself; EBU R 128 allows a programme 0.5 LU beside its target

SENTENCES = (
    "The aquarium closes in fifteen minutes. Please make your way to the ticket hall.",
    "The rays are fed at the lagoon in five minutes.",
    "Would the owner of a blue bicycle please come to the coach bay.",
    "Please keep your hands off the glass, the fish can feel every knock.",
    "The seal show begins at three o'clock on the terrace. Seats are free.",
    "A child is waiting for his family at the desk in the ticket hall.",
    "The barnacle café takes its last orders now.",
    "Coach four leaves from the bay behind the shop in ten minutes. Thank you for your visit, and good night!",
)
VOICES = ("en-gb", "en-gb+f3", "en-us", "en-gb-scotland+m3", "en-gb-x-rp+f2", "en-us+m7")


@functools.cache
def spoken(words: str, voice: str, speed: int) -> np.ndarray:
    wav = subprocess.run(
        ["espeak-ng", "-v", voice, "-s", str(speed), "--stdout", words], check=True, capture_output=True
    ).stdout
    data, rate = soundfile.read(io.BytesIO(wav), dtype="float32")
    return np.clip(soxr.resample(data, rate, RATE), -1.0, 1.0).astype(np.float32)[:, None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Aired:
    """One sentence in one zone. `lufs`, `dbtp`: by libebur128, of what left the zone."""

    voice: str
    zone_channels: int
    measured: Measurement
    gain: ClipGain
    lufs: float
    dbtp: float


def by_libebur128(samples: np.ndarray) -> tuple[float, float]:
    import pyebur128

    channels = samples.shape[1]
    mode = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_TRUE_PEAK
    state = pyebur128.R128State(channels, RATE, mode)
    state.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
    peak = max(pyebur128.get_true_peak(state, c) for c in range(channels))
    return pyebur128.get_loudness_global(state), float(20 * np.log10(peak))


def gain_of(measured: Measurement, zone_channels: int) -> ClipGain:
    return clip_gain(
        measured,
        kind="speech",
        target_lufs=TARGET_LUFS,
        ceiling_dbtp=CEILING_DBTP,
        max_gain_db=MOST_DB,
        zone_channels=zone_channels,
        channels=1,
    )


def through_zone(samples: np.ndarray, gain_db: float, zone_channels: int) -> np.ndarray:
    """What leaves a flat zone without music while the clip plays: the clip by its gain, through the limiter."""
    shelf = Shelf(clip=samples)
    plan = programme(zone(channels=zone_channels, source=None, ceiling_dbtp=CEILING_DBTP))
    one = cue(shelf, "clip", at_ms=LEAD_MS, gains_db={"foyer": gain_db})
    first = LEAD_MS * RATE // 1000
    return render(shelf, plan, one, frames=first + len(samples))[first:]


@functools.cache
def aired() -> tuple[Aired, ...]:
    return tuple(_air())


def _air() -> Iterator[Aired]:
    for v, voice in enumerate(VOICES):
        for s, words in enumerate(SENTENCES):
            samples = spoken(words, voice, 130 + 10 * ((v + s) % 5))
            measured = measure(samples, RATE)
            for channels in (1, 2):
                gain = gain_of(measured, channels)
                lufs, dbtp = by_libebur128(through_zone(samples, gain.gain_db, channels))
                yield Aired(
                    voice=voice, zone_channels=channels, measured=measured, gain=gain, lufs=lufs, dbtp=dbtp
                )


def table(found: tuple[Aired, ...]) -> str:
    lines = ["voice              zone   crest  gain  over  said    got    off   short  dBTP"]
    for one in found:
        loudness, peak = one.measured.integrated_lufs, one.measured.true_peak_dbtp
        over = max(0.0, one.gain.gain_db - (CEILING_DBTP - peak))
        lines.append(
            f"{one.voice:<18} {'mono  ' if one.zone_channels == 1 else 'stereo'} {peak - loudness:5.1f} "
            f"{one.gain.gain_db:+6.1f} {over:4.1f} {one.gain.sounds_at_lufs:6.2f} {one.lufs:6.2f} "
            f"{one.lufs - one.gain.sounds_at_lufs:+5.2f} {one.gain.shortfall_lu:5.2f} {one.dbtp:6.2f}"
        )
    return "\n".join(lines)


@pytest.fixture(scope="module")
def sentences() -> tuple[Aired, ...]:
    need("espeak-ng")
    found = aired()
    assert len(found) == 2 * 48
    return found


def test_speech_that_the_limiter_holds_down_stays_under_the_ceiling(sentences):
    assert max(one.dbtp for one in sentences) <= CEILING_DBTP + METER_DB
    # the twin: without the limiter the same gains go over it
    bare = [one.measured.true_peak_dbtp + one.gain.gain_db for one in sentences if one.zone_channels == 1]
    assert sum(peak > CEILING_DBTP + METER_DB for peak in bare) > 0.7 * len(bare)


def test_speech_sounds_as_loud_as_its_gain_says(sentences):
    print(table(sentences))
    off = [one.lufs - one.gain.sounds_at_lufs for one in sentences]
    assert max(map(abs, off)) <= PROMISE_LU
    # the twin: loudness plus gain alone promises more than comes out
    bare = [one.lufs - (one.gain.sounds_at_lufs + one.gain.shortfall_lu) for one in sentences]
    assert min(bare) < -PROMISE_LU


def test_nothing_is_lost_where_the_peaks_stay_under_the_ceiling(sentences):
    free = [one for one in sentences if one.measured.true_peak_dbtp + one.gain.gain_db <= CEILING_DBTP]
    assert len(free) > 40
    assert (
        max(abs(one.lufs - one.gain.sounds_at_lufs) for one in free) < 0.02
    )  # libebur128's own agreement is 0.01
    assert all(one.gain.shortfall_lu == 0.0 for one in free)


def test_most_mono_clips_need_the_limiter_and_come_within_half_a_unit_by_it(sentences):
    mono = [one for one in sentences if one.zone_channels == 1]
    held = [one for one in mono if one.measured.true_peak_dbtp + one.gain.gain_db > CEILING_DBTP]
    assert len(held) > 0.7 * len(mono)
    assert all(abs(one.lufs - TARGET_LUFS) <= 0.5 for one in held)
    without = [CEILING_DBTP - one.measured.true_peak_dbtp + one.measured.integrated_lufs for one in held]
    assert np.mean([TARGET_LUFS - loudness for loudness in without]) > 1.0


@pytest.mark.parametrize("channels", [1, 2])
def test_other_voices_with_all_6_db_given_back_come_out_as_said(channels):
    """Sentences and voices the expectation was not made from, at the limiter's most."""
    need("espeak-ng")
    for voice, words in zip(("en-us+f4", "en-gb-x-gbcwmd", "en-029+m2", "en-gb+m5"), SENTENCES[::2], strict=True):
        samples = spoken(f"Attention, please. {words} Thank you.", voice, 155)
        measured = measure(samples, RATE)
        target = measured.integrated_lufs + 40.0  # far more than can be reached
        gain = clip_gain(
            measured,
            kind="speech",
            target_lufs=target,
            ceiling_dbtp=CEILING_DBTP,
            max_gain_db=60.0,
            zone_channels=channels,
            channels=1,
        )
        assert gain.gain_db == pytest.approx(CEILING_DBTP - measured.true_peak_dbtp + LIMITER_GIVES_DB["speech"])
        lufs, dbtp = by_libebur128(through_zone(samples, gain.gain_db, channels))
        assert dbtp <= CEILING_DBTP + METER_DB
        assert lufs == pytest.approx(gain.sounds_at_lufs, abs=1.0)
        assert gain.shortfall_lu == pytest.approx(target - gain.sounds_at_lufs)


if __name__ == "__main__":
    print(table(aired()))
