"""The meter: audio in, one Measurement out (ITU-R BS.1770-5, EBU Tech 3341 and 3342). Pure: no file, no clock.

Audio is taken in pushes of any size and measured in stretches of fixed place, so how it was cut into pushes never
changes the result, and memory does not grow with the audio (it keeps 8 bytes for each 10 ms).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from oyez.loudness import gates, kernels, kweight
from oyez.loudness.notes import notes_on
from oyez.loudness.peaks import HISTORY, PeakSearch, to_db
from oyez.loudness.types import Measurement

Samples = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

CHANNELS: Final = frozenset(kweight.WEIGHTS)
_WARM_S = 0.1  # the filters forget their start: what is left of it after this is under -190 dB
_STRETCH_BYTES = 8 << 20
_WARM_FRAMES = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Loudness over time, for drawing: an entry every 10 ms, -inf where there is silence.

    momentary_lufs   400 ms windows, the first ends at 0.4 s
    short_term_lufs  3 s windows, the first ends at 3 s
    """

    momentary_lufs: Floats
    short_term_lufs: Floats
    relative_gate_lufs: float | None


class Meter:
    """Measures one piece of audio: push blocks, then ask for the result (at any time, as often as wanted).

    sample_rate  8000 to 192000 Hz
    channels     1 to 6, in the order L R C LFE Ls Rs (three: L R C; four: L R Ls Rs; five: L R C Ls Rs)
    Raises ValueError for what is outside these.

    Loudness is measured over the whole bins of 10 ms; what is left at the end counts for the peaks and the
    ungated loudness. Momentary and short-term loudness are evaluated every 10 ms (at 100 ms a meter fails case 13
    of Tech 3341). Samples beyond full scale are measured as they stand. One sample that is NaN or infinite makes
    the whole measurement unknown, with a note; a DC offset and clipping are noted too.
    """

    def __init__(self, sample_rate: int, channels: int) -> None:
        if channels not in CHANNELS:
            raise ValueError(f"{channels} channels, allowed are 1 to 6")
        shelf, highpass = kweight.shelf(sample_rate), kweight.highpass(sample_rate)
        self.sample_rate = sample_rate
        self.channels = channels
        self.frames = 0
        self._filters = np.array(
            [getattr(stage, name) for stage in (shelf, highpass) for name in ("b0", "b1", "b2", "a1", "a2")]
        )
        self._weights = np.array(kweight.WEIGHTS[channels])
        self._used = np.flatnonzero(self._weights)
        self._before = max(int(_WARM_S * sample_rate), HISTORY)
        # The parts of a stretch are whole seconds, so that the edges of the bins fall the same in each.
        parts = kernels.LANES // len(self._used)
        seconds = max(1, _STRETCH_BYTES // (4 * channels * sample_rate * parts)) * parts
        self._stretch = seconds * sample_rate
        self._edges = gates.bin_edges(0, seconds * gates.BINS_PER_SECOND, sample_rate)
        # The stretch being filled, behind the end of the one before it.
        self._buffer = np.zeros((self._before + self._stretch, channels), dtype=np.float32)
        self._filled = 0
        self._energy: list[Floats] = []
        self._sums = np.zeros(channels)
        self._peaks = PeakSearch(sample_rate, channels)

    def push(self, block: Samples) -> Self:
        """Take more audio: shape (frames, channels), float32, any number of frames."""
        if block.ndim != 2 or block.shape[1] != self.channels:
            raise ValueError(f"expected (frames, {self.channels}) samples, got {block.shape}")
        block = np.ascontiguousarray(block, dtype=np.float32)
        at, before, stretch = 0, self._before, self._stretch
        while at < len(block):
            if self._filled == 0 and at >= before and len(block) - at >= stretch and block.flags.writeable:
                # A whole stretch with what lies before it is already in one piece: no need to copy it. (A kernel
                # given a read-only array would be compiled once more.)
                self._take(block[at - before : at + stretch])
                at += stretch
                self._buffer[:before] = block[at - before : at]
                continue
            count = min(len(block) - at, stretch - self._filled)
            start = before + self._filled
            self._buffer[start : start + count] = block[at : at + count]
            self._filled += count
            at += count
            if self._filled == stretch:
                self._take(self._buffer)
                self._buffer[:before] = self._buffer[stretch:].copy()
                self._filled = 0
        self.frames += len(block)
        return self

    def result(self) -> Measurement:
        """What was measured so far; pushing may go on afterwards."""
        energy, sums, peaks = self._finish()
        seconds = self.frames / self.sample_rate
        if not peaks.finite or peaks.sample_peak == 0.0:
            return Measurement(
                duration_s=seconds,
                sample_rate=self.sample_rate,
                channels=self.channels,
                integrated_lufs=None,
                ungated_lufs=None,
                loudness_range_lu=None,
                momentary_max_lufs=None,
                short_term_max_lufs=None,
                true_peak_dbtp=None,
                sample_peak_dbfs=None,
                notes=notes_on(seconds=seconds, peaks=peaks, integrated_lufs=None, offset=0.0),
            )
        whole = self._whole_bins()
        rate = self.sample_rate
        loudest, blocks = gates.window_summary(energy[:whole], rate, gates.MOMENTARY_BINS, gates.BLOCK_STEP_BINS)
        loudest_3_s, long = gates.window_summary(
            energy[:whole], rate, gates.SHORT_TERM_BINS, gates.RANGE_STEP_BINS
        )
        integrated_lufs, _ = gates.integrated(blocks)
        return Measurement(
            duration_s=seconds,
            sample_rate=self.sample_rate,
            channels=self.channels,
            integrated_lufs=integrated_lufs,
            ungated_lufs=gates.to_lufs(float(energy.sum()) / self.frames),
            loudness_range_lu=gates.loudness_range(long),
            momentary_max_lufs=gates.to_lufs(loudest),
            short_term_max_lufs=gates.to_lufs(loudest_3_s),
            true_peak_dbtp=to_db(peaks.true_peak),
            sample_peak_dbfs=to_db(peaks.sample_peak),
            notes=notes_on(
                seconds=seconds,
                peaks=peaks,
                integrated_lufs=integrated_lufs,
                offset=float(np.abs(sums).max()) / self.frames,
            ),
        )

    def series(self) -> Series:
        """Loudness over time so far."""
        energy, _, _ = self._finish()
        whole, rate = self._whole_bins(), self.sample_rate
        momentary, short_term = (
            np.concatenate([np.zeros(0), *gates.sliding_means(energy[:whole], rate, bins)])
            for bins in (gates.MOMENTARY_BINS, gates.SHORT_TERM_BINS)
        )
        return Series(
            momentary_lufs=gates.to_lufs_each(momentary),
            short_term_lufs=gates.to_lufs_each(short_term),
            relative_gate_lufs=gates.integrated(momentary[:: gates.BLOCK_STEP_BINS])[1],
        )

    def _whole_bins(self) -> int:
        """How many bins end no later than the audio."""
        half = gates.BINS_PER_SECOND // 2
        return ((self.frames + 1) * gates.BINS_PER_SECOND - half - 1) // self.sample_rate

    def _take(self, frames: Samples) -> None:
        """Measure a full stretch; `frames` begins with what lies before it."""
        self._peaks.take(frames[self._before - HISTORY :], last=False)
        self._energy.append(self._energy_of(frames, len(self._edges) - 1, self._sums))

    def _energy_of(self, frames: Samples, bins: int, sums: Floats) -> Floats:
        """Energy of the first `bins` bins; adds to `sums`."""
        energy = np.zeros(bins)
        if bins and self._peaks.finite:
            parts = kernels.LANES // len(self._used)
            per_part = -(-bins // parts)
            if self.sample_rate % gates.BINS_PER_SECOND:  # bins are alike from second to second only
                per_part = -(-per_part // gates.BINS_PER_SECOND) * gates.BINS_PER_SECOND
            kernels.parted_energy(
                frames.reshape(-1),
                self.channels,
                self._used,
                self._before,
                self._before,
                gates.bin_edges(0, per_part, self.sample_rate),
                self._filters,
                self._weights,
                energy,
                sums,
            )
        return energy

    def _rest_of(self, frames: Samples, start: int, sums: Floats) -> float:
        """Energy from frame `start` to the end, less than a bin; adds to `sums`."""
        return kernels.plain_energy(
            frames.reshape(-1), self.channels, start, self._before, self._filters, self._weights, sums
        )

    def _finish(self) -> tuple[Floats, Floats, PeakSearch]:
        """Energy of every bin (the last may be short), sums of the samples, peaks; changes nothing."""
        peaks, sums, energy = self._peaks.copy(), self._sums.copy(), list(self._energy)
        held = self._buffer[: self._before + self._filled]
        peaks.take(held[self._before - HISTORY :], last=True)
        if self._filled and peaks.finite:
            bins = int(np.searchsorted(self._edges, self._filled, side="right")) - 1
            energy.append(self._energy_of(held, bins, sums))
            if int(self._edges[bins]) < self._filled:
                start = self._before + int(self._edges[bins])
                energy.append(np.array([self._rest_of(held, start, sums)]))
        return np.concatenate([*energy, np.zeros(0)]), sums, peaks


def measure(samples: Samples, sample_rate: int) -> Measurement:
    """Measure audio that is in memory: shape (frames, channels), float32. See Meter for what is allowed."""
    return Meter(sample_rate, samples.shape[1]).push(samples).result()


def warm_up() -> None:
    """Have every kernel compiled, or read from disk, before time counts. Seconds the very first time."""
    hot = np.tile(np.array([[0.0], [1.0], [1.0], [1.0], [-1.0]], dtype=np.float32), (_WARM_FRAMES, 1))
    for sample_rate in (48_000, 96_000):
        measure(hot, sample_rate)
