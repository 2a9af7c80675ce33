"""Sample peak, true peak and clipping of audio that comes in stretches. Pure; the loops are in `peak_kernels`."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from oyez.loudness import peak_kernels
from oyez.loudness.truepeak import LENGTH, interpolator, largest_gain, oversampling

Samples = npt.NDArray[np.float32]

# Frames of the stretch before that a stretch must bring along: one block holds the taps' reach.
HISTORY: Final = peak_kernels.BLOCK
_INFINITE_BITS = 0x7F800000
_CLIP_BITS = int(np.float32(10 ** (-0.2 / 20)).view(np.int32))  # common practice: -0.2 dBFS and up is full scale
_ENOUGH_RUNS = 1000


class PeakSearch:
    """The peaks of everything taken so far.

    sample_peak, true_peak  linear, over all channels; 0.0 for silence
    clipped_runs            runs of three samples and more that stay at a full-scale sample peak (counted to 1000)
    finite                  False once a sample was NaN or infinite; nothing further is looked at
    """

    def __init__(self, sample_rate: int, channels: int) -> None:
        factor = oversampling(sample_rate)
        self._factor = factor
        self._channels = channels
        self._reach = LENGTH // factor  # taps of a phase
        # A little above the exact bound: the taps are float32.
        self._bound = np.float32(largest_gain(factor) * 1.0001)
        self._taps = _folded(factor)
        self._peak_bits = 0
        self._between = np.float32(0.0)
        self.clipped_runs = 0
        self.finite = True

    def copy(self) -> PeakSearch:
        other = object.__new__(PeakSearch)
        other.__dict__.update(self.__dict__)
        return other

    @property
    def sample_peak(self) -> float:
        return float(np.int32(self._peak_bits).view(np.float32))

    @property
    def true_peak(self) -> float:
        return max(self.sample_peak, float(self._between))

    def take(self, frames: Samples, *, last: bool) -> None:
        """Look at frames[HISTORY:]; the HISTORY frames before are the end of what was taken last (zeros at first).

        frames  shape (HISTORY + n, channels), float32, contiguous
        last    the audio ends here: it is followed by silence
        """
        if last:
            frames = np.concatenate([frames, np.zeros((self._reach, self._channels), dtype=np.float32)])
        flat = frames.reshape(-1)
        width = peak_kernels.BLOCK * self._channels
        bits = flat.view(np.int32)
        peaks = np.zeros(-(-len(flat) // width) + 1, dtype=np.int32)
        largest = peak_kernels.block_peaks(bits, width, peaks)
        if largest >= _INFINITE_BITS:
            self.finite = False
        if not self.finite:
            return
        if largest > self._peak_bits:
            self._peak_bits = largest
            self.clipped_runs = 0
        if largest == self._peak_bits and largest >= _CLIP_BITS and self.clipped_runs < _ENOUGH_RUNS:
            found = peak_kernels.runs_at_peak(bits, self._channels, width, peaks, np.int32(largest), _ENOUGH_RUNS)
            self.clipped_runs = min(self.clipped_runs + found, _ENOUGH_RUNS)
        if self._factor > 1 and largest > 0:
            self._between = peak_kernels.search_true_peak(
                flat, self._channels, peaks.view(np.float32), self._bound, np.float32(self.true_peak), self._taps
            )


def to_db(linear: float) -> float | None:
    """None for zero."""
    return 20.0 * math.log10(linear) if linear > 0.0 else None


def _folded(factor: int) -> Samples:
    """The interpolator's taps with equal ones put together, as the kernels want them."""
    phases = np.array(interpolator(factor), dtype=np.float64)
    if factor == 4:
        first, half, third = phases
        rows = [(first + third)[:6] / 2.0, (first - third)[:6] / 2.0, half[:6]]
        return np.array(rows, dtype=np.float32)
    if factor == 2:
        return phases[:, :12].astype(np.float32)
    return np.zeros((1, 1), dtype=np.float32)
