"""The look-ahead limiter at the end of every zone: its numbers and its state. The loop is `endstage.limit`.

Method, for each zone, its channels linked:
1. The true peak between one sample and the next: the larger of two readings, the signal interpolated 8 times by a
   windowed sinc over 32 samples, and 4 times by the meter's own interpolator (ITU-R BS.1770-5 Annex 2 asks for at
   least 4 times; meters differ by some tenths of a dB on what is near half the sample rate). Where the samples
   under the interpolators are so small that no value can reach the ceiling, none is computed; the result is the
   same.
2. Where the peak is over the ceiling, the gain that brings it MARGIN_DB under it; one elsewhere.
3. The least gain within the window ahead, then up again by at most one in RELEASE_S (linear).
4. Two moving averages, so that the gain moves without a corner and is down before the peak comes.

Below the ceiling the signal passes unchanged, bit for bit: all gains are whole multiples of 2^-30 in exact sums,
and a gain that has come back is exactly one. Every zone has the same delay, LOOKAHEAD_FRAMES, limiting or not;
the mixer takes it out again.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from oyez.loudness.truepeak import interpolator, oversampling
from oyez.mixing.endstage import ONE, LimiterState
from oyez.mixing.programme import SAMPLE_RATE

REACH: Final = 16  # samples to each side of the interpolator
PHASES: Final = 8
_AVERAGE_1: Final = 113
_AVERAGE_2: Final = 112
LOOKAHEAD_FRAMES: Final = REACH + _AVERAGE_1 + _AVERAGE_2 - 1  # 240 frames, 5 ms
RELEASE_S: Final = 0.5
MARGIN_DB: Final = 0.2
SETTLE_S: Final = RELEASE_S + 2 * LOOKAHEAD_FRAMES / SAMPLE_RATE
"""From the last peak over the ceiling until everything passes unchanged again, at most."""

_KAISER_BETA: Final = 7.0


def interpolators() -> NDArray[np.float64]:
    """Taps of the values between two samples: 1/8 to 7/8 of the way by ours, 1/4 to 3/4 by the meter's.

    returns  shape (2 x REACH, values); tap t weighs the sample t - REACH + 1 from the first of the two
    """
    offset = np.arange(2 * REACH) - (REACH - 1)
    columns = []
    for phase in range(1, PHASES):
        at = phase / PHASES - offset
        window = np.i0(_KAISER_BETA * np.sqrt(np.maximum(0.0, 1.0 - (at / REACH) ** 2))) / np.i0(_KAISER_BETA)
        taps = np.sinc(at) * window
        columns.append(taps / taps.sum())
    for short in interpolator(oversampling(SAMPLE_RATE)):
        column = np.zeros(2 * REACH)
        column[REACH - len(short) // 2 : REACH + len(short) // 2] = short
        columns.append(column)
    return np.ascontiguousarray(np.array(columns).T)


def make_state(ceilings_dbtp: Sequence[float], lanes: int) -> LimiterState:
    """At rest: every gain is one."""
    zones = len(ceilings_dbtp)
    ceiling_db = np.array(ceilings_dbtp, dtype=np.float64)
    held = np.full((zones, 3), ONE, dtype=np.int64)
    held[:, 2] = 0
    sums = np.empty((zones, 2), dtype=np.int64)
    sums[:] = _AVERAGE_1 * ONE, _AVERAGE_2 * ONE
    return LimiterState(
        ceiling=10.0 ** (ceiling_db / 20.0),
        aim=10.0 ** ((ceiling_db - MARGIN_DB) / 20.0),
        busy=np.zeros(zones, dtype=np.int64),
        held=held,
        mins=np.full((zones, _AVERAGE_1 + _AVERAGE_2 + 1), ONE, dtype=np.int64),
        box1=np.full((zones, _AVERAGE_1), ONE, dtype=np.int64),
        box2=np.full((zones, _AVERAGE_2), ONE, dtype=np.int64),
        turns=np.zeros(zones, dtype=np.int64),
        sums=sums,
        largest=np.zeros(lanes),
    )


def take_over(new: LimiterState, zone: int, old: LimiterState, old_zone: int) -> None:
    """Go on in one zone where another state's zone stands; the ceiling stays the new one's."""
    for name in ("busy", "held", "mins", "box1", "box2", "turns", "sums"):
        getattr(new, name)[zone] = getattr(old, name)[old_zone]


RELEASE: Final = max(1, round(ONE / (RELEASE_S * SAMPLE_RATE)))
TAPS: Final = interpolators()
NORM: Final = max(1.0, float(np.abs(TAPS).sum(axis=0).max()))
