"""From a measured loudness to a gain: targets by kind, the ceiling, the zone's format. Light: no compiled code.

The loudness of a clip depends on how many loudspeaker channels will play it, so a gain belongs to a clip *and* a
zone format:
    mono clip in a stereo zone   the same sound from two channels: +3.01 LU, the same peak
    stereo clip in a mono zone   (L+R) at -3 dB, as measured when the clip was stored. Not measured: taken as the
                                 worst case, in phase, which keeps its loudness and raises its peak by 3.01 dB

A limiter is no free gain. Where it holds peaks down it takes loudness with them, so speech that is given 6 dB over
its ceiling sounds only 3 to 5 LU louder. `limiter_takes_lu` says how much is expected, and the loudness a clip
sounds at, and what it is short of its target, count it in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from oyez.loudness.types import ClipGain, Measurement

Kind = Literal["speech", "music", "chime", "effect"]

TWO_CHANNELS_DB: Final = 10.0 * math.log10(2.0)

# How far under the venue's target each kind sounds, in LU. Music as a clip keeps the distance of the two defaults
# (-18 and -20 LUFS).
UNDER_TARGET_LU: Final[dict[str, float]] = {"speech": 0.0, "chime": 4.0, "effect": 3.0, "music": 2.0}

# What the look-ahead limiter may take off the peaks of speech, in dB: what the ceiling holds back it gives back.
LIMITER_GIVES_DB: Final[dict[str, float]] = {"speech": 6.0, "chime": 0.0, "effect": 0.0, "music": 0.0}

# Of 48 sentences spoken by espeak-ng through the zone's own limiter, judged by libebur128
# (tests/loudness/test_give_back.py): within 0.35 LU up to 3 dB over the ceiling, 0.75 LU up to 6 dB.
_TAKES_LU: Final = 0.07  # at 1 dB over, of speech whose peaks stand _TYPICAL_LU over its loudness
_TAKES_POWER: Final = 1.9
_TYPICAL_LU: Final = 18.0
_WORTH_SAYING_LU: Final = 0.1
_TAKES_TENTH_LU: Final = 15.0  # peaks that stand this much higher are ten times rarer


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainGain:
    """A gain without a limiter: the smaller of target - loudness and ceiling - true peak."""

    gain_db: float | None
    limited_by_peak: bool
    shortfall_lu: float | None


def target_of(kind: str, target_lufs: float) -> float:
    """The loudness a clip of this kind is brought to where speech is brought to `target_lufs`."""
    return target_lufs - UNDER_TARGET_LU[kind]


def sounding(measured: Measurement, *, channels: int, zone_channels: int) -> tuple[float | None, float | None]:
    """(loudness in LUFS, true peak in dBTP) with 0 dB of gain in a zone of this many channels; None: unknown.

    A clip without integrated loudness (under 400 ms, or nothing over -70 LUFS) counts with its ungated loudness.
    """
    loudness = measured.integrated_lufs if measured.integrated_lufs is not None else measured.ungated_lufs
    peak = measured.true_peak_dbtp
    if loudness is None:
        return None, None
    if channels == 1 and zone_channels == 2:
        return loudness + TWO_CHANNELS_DB, peak
    if channels == 2 and zone_channels == 1:
        if measured.mono_lufs is not None:
            return measured.mono_lufs, measured.mono_true_peak_dbtp
        return loudness, None if peak is None else peak + TWO_CHANNELS_DB
    return loudness, peak


def limiter_takes_lu(over_db: float, crest_lu: float) -> float:
    """How much loudness the limiter is expected to take off speech, in LU (0.0 or more).

    over_db   by how much the true peak would stand over the ceiling
    crest_lu  true peak minus loudness of one loudspeaker's signal: the higher, the rarer the peaks
    """
    if over_db <= 0.0:
        return 0.0
    rarer = math.pow(10.0, (_TYPICAL_LU - crest_lu) / _TAKES_TENTH_LU)
    return min(over_db, _TAKES_LU * math.pow(over_db, _TAKES_POWER) * rarer)


def clip_gain(
    measured: Measurement | None,
    *,
    kind: Kind,
    target_lufs: float,
    ceiling_dbtp: float,
    max_gain_db: float,
    zone_channels: int,
    channels: int,
) -> ClipGain:
    """The gain of a clip in a zone of this format.

    target_lufs    the venue's target for speech; other kinds sound under it (UNDER_TARGET_LU)
    ceiling_dbtp   no true peak over it; for speech the zone's limiter may be given up to 6 dB more to hold down
    max_gain_db    more is never given: "recorded too quietly"
    channels       1 or 2, of the clip

    A clip that was not measured, or that is silent, plays as it is (0 dB), and a note says so.
    """
    loudness, peak = (None, None)
    if measured is not None:
        loudness, peak = sounding(measured, channels=channels, zone_channels=zone_channels)
    if measured is None or loudness is None:
        return ClipGain(
            gain_db=0.0,
            sounds_at_lufs=None,
            shortfall_lu=0.0,
            limited_by_peak=False,
            notes=("its loudness is unknown: it plays as recorded",),
        )
    notes = []
    if measured.integrated_lufs is None:
        notes.append("gain from the ungated loudness, there is no integrated one")
    if channels == 2 and zone_channels == 1 and measured.mono_lufs is None:
        notes.append("left and right taken as in phase, their sum was not measured")
    target = target_of(kind, target_lufs)
    gain = target - loudness
    if gain > max_gain_db:
        notes.append(f"recorded too quietly: needs {gain:.1f} dB, allowed are {max_gain_db:g} dB")
        gain = max_gain_db
    limited, taken = False, 0.0
    if peak is not None:
        room = ceiling_dbtp - peak
        gives = LIMITER_GIVES_DB[kind]
        if gain > room + gives:
            limited = True
            gain = room + gives
            notes.append(f"held {target - loudness - gain:.1f} dB back by its peaks")
        if gain > room:
            one_loudspeaker = loudness - (TWO_CHANNELS_DB if zone_channels == 2 else 0.0)
            taken = limiter_takes_lu(gain - room, peak - one_loudspeaker)
            said = f", which takes about {taken:.1f} LU off it" if taken >= _WORTH_SAYING_LU else ""
            notes.append(f"the limiter holds its peaks down by up to {gain - room:.1f} dB{said}")
    sounds_at = loudness + gain - taken
    return ClipGain(
        gain_db=gain,
        sounds_at_lufs=sounds_at,
        shortfall_lu=max(0.0, target - sounds_at),
        limited_by_peak=limited,
        notes=tuple(notes),
    )


def track_gain_db(
    measured: Measurement,
    *,
    target_lufs: float,
    ceiling_dbtp: float = -1.5,
    max_gain_db: float = 15.0,
    zone_channels: int = 2,
) -> float:
    """The gain of a music track: to its source's own target, no limiter, at most `max_gain_db`.

    One gain serves every zone of a source, so it is that of a stereo zone unless told otherwise. Unknown: 0 dB.
    """
    loudness, peak = sounding(measured, channels=measured.channels, zone_channels=zone_channels)
    if loudness is None:
        return 0.0
    gain = min(target_lufs - loudness, max_gain_db)
    return gain if peak is None else min(gain, ceiling_dbtp - peak)


def plain_gain(
    loudness_lufs: float | None, true_peak_dbtp: float | None, *, target_lufs: float, ceiling_dbtp: float
) -> PlainGain:
    """The gain a file by itself would get, without limiter and without a largest gain. None: unknown."""
    if loudness_lufs is None:
        return PlainGain(gain_db=None, limited_by_peak=False, shortfall_lu=None)
    wanted = target_lufs - loudness_lufs
    room = math.inf if true_peak_dbtp is None else ceiling_dbtp - true_peak_dbtp
    return PlainGain(
        gain_db=min(wanted, room), limited_by_peak=room < wanted, shortfall_lu=max(0.0, wanted - room)
    )
