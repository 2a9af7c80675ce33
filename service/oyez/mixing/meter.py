"""What every zone's output really was: short-term loudness, sample peak, and the loudness of any stretch of it.

The mixer fills it (the loop is `endstage.meter`) in blocks of 100 ms on a fixed grid of time; other threads read.
Loudness by ITU-R BS.1770-5: K-weighted mean square summed over the zone's channels, 400 ms blocks every 100 ms,
gates at -70 LUFS and 10 LU under the mean. Kept for KEPT_S; older than that is unknown.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from oyez.loudness.kweight import Biquad, highpass, shelf
from oyez.mixing.endstage import MeterState
from oyez.mixing.programme import SAMPLE_RATE

BLOCK_FRAMES: Final = SAMPLE_RATE // 10
KEPT_S: Final = 20 * 60
_KEPT: Final = KEPT_S * 10
_SHORT_TERM: Final = 30  # blocks: 3 s, EBU Tech 3341
_GATING: Final = 4  # blocks: 400 ms
_ABSOLUTE_LUFS: Final = -70.0


def _row(biquad: Biquad) -> tuple[float, float, float, float, float]:
    return (biquad.b0, biquad.b1, biquad.b2, biquad.a1, biquad.a2)


K_WEIGHTING: Final = np.array([_row(shelf(SAMPLE_RATE)), _row(highpass(SAMPLE_RATE))])


class OutputMeter:
    """Meters of some zones, in lane order. `first_frame` is where the output begins, `end_frame` how far it is."""

    __slots__ = ("_index", "end_frame", "first_frame", "state")

    def __init__(self, zones: Sequence[str], lanes: int, first_frame: int) -> None:
        self._index = {zone: i for i, zone in enumerate(zones)}
        self.state = MeterState(
            filters=np.zeros((2, 2, lanes)),
            energy=np.zeros(lanes),
            peak=np.zeros(lanes),
            energies=np.zeros((_KEPT, len(zones))),
            peaks=np.zeros((_KEPT, len(zones))),
        )
        self.first_frame = first_frame
        self.end_frame = first_frame

    def take_over(self, other: OutputMeter, lanes: Mapping[int, int]) -> None:
        """Go on with what another meter knows of the same zones; `lanes` maps lanes here to lanes there."""
        for zone, here in self._index.items():
            there = other._index.get(zone)
            if there is not None:
                self.state.energies[:, here] = other.state.energies[:, there]
                self.state.peaks[:, here] = other.state.peaks[:, there]
        for here, there in lanes.items():
            self.state.filters[:, :, here] = other.state.filters[:, :, there]
            self.state.energy[here] = other.state.energy[there]
            self.state.peak[here] = other.state.peak[there]
        self.first_frame = other.first_frame
        self.end_frame = other.end_frame

    def short_term_lufs(self, zone: str) -> float | None:
        """Loudness of the last 3 s; None for silence (under -70 LUFS) or before there are 3 s."""
        end = self.end_frame - self.end_frame % BLOCK_FRAMES  # the newest whole block, wherever a block ends now
        blocks = self._blocks(zone, end - _SHORT_TERM * BLOCK_FRAMES, end)
        if len(blocks) < _SHORT_TERM:
            return None
        level = _lufs(float(blocks.mean()))
        return level if level is not None and level > _ABSOLUTE_LUFS else None

    def sample_peak_dbfs(self, zone: str, last_s: float = 0.3) -> float | None:
        """Largest sample of the last moments; None for digital silence."""
        span = range(*self._span(self.end_frame - round(last_s * SAMPLE_RATE), self.end_frame))
        column = self._index[zone]
        largest = max((float(self.state.peaks[block % _KEPT, column]) for block in span), default=0.0)
        return 20.0 * math.log10(largest) if largest > 0.0 else None

    def loudness(self, zone: str, from_frame: int, until_frame: int) -> float | None:
        """Gated loudness of [from_frame, until_frame), LUFS, of the 100 ms blocks that begin in it.

        Under 400 ms it is the ungated loudness of what there is. None where nothing passes the gates or it is
        not known (any more).
        """
        blocks = self._blocks(zone, from_frame, until_frame)
        if len(blocks) == 0:
            return None
        if len(blocks) < _GATING:
            return _lufs(float(blocks.mean()))
        gating = np.convolve(blocks, np.full(_GATING, 1.0 / _GATING), mode="valid")
        gating = gating[gating > _energy(_ABSOLUTE_LUFS)]
        if len(gating) == 0:
            return None
        relative = float(gating.mean()) * 0.1  # -10 LU
        return _lufs(float(gating[gating > relative].mean()))

    def _span(self, from_frame: int, until_frame: int) -> tuple[int, int]:
        """Whole blocks that begin in the stretch and are known."""
        last = min(-(-until_frame // BLOCK_FRAMES), self.end_frame // BLOCK_FRAMES)
        known = max(from_frame, self.first_frame, (last - _KEPT + 1) * BLOCK_FRAMES)
        return -(-known // BLOCK_FRAMES), last

    def _blocks(self, zone: str, from_frame: int, until_frame: int) -> NDArray[np.float64]:
        first, last = self._span(from_frame, until_frame)
        numbers = np.arange(first, max(first, last)) % _KEPT
        return np.asarray(self.state.energies[numbers, self._index[zone]])


def _lufs(energy: float) -> float | None:
    """BS.1770-5 eq. (2), all weights 1."""
    return -0.691 + 10.0 * math.log10(energy) if energy > 0.0 else None


def _energy(lufs: float) -> float:
    return float(10.0 ** ((lufs + 0.691) / 10.0))
