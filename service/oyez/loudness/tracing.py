"""From audio to its picture, in one pass with the meter. Pure: no file, no clock.

Columns start at 10 ms. When there are too many of them neighbours are put together, two by two, so that memory and
size are bounded and nothing that stands out is lost: extremes are kept, never averaged.
"""

from __future__ import annotations

import math
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from oyez.loudness import gates
from oyez.loudness.meter import Meter, Samples, Series
from oyez.loudness.peaks import HISTORY, PeakSearch
from oyez.loudness.picture import COLUMNS_MOST, Picture, Values
from oyez.loudness.types import Measurement

_PER_SECOND: Final = gates.BINS_PER_SECOND


class Tracer:
    """Measures and traces one piece of audio: push blocks, then ask for the result and the picture.

    sample_rate, channels  as for the meter. How the audio was cut into pushes changes nothing.
    """

    def __init__(self, sample_rate: int, channels: int) -> None:
        self._meter = Meter(sample_rate, channels)
        self._rate, self._channels = sample_rate, channels
        self._bins = 1  # of 10 ms, in a column
        self._low: list[float] = []
        self._high: list[float] = []
        self._true: list[float] = []
        self._before = np.zeros((HISTORY, channels), dtype=np.float32)
        self._begin()

    def push(self, block: Samples) -> Self:
        """Take more audio: shape (frames, channels), float32, any number of frames."""
        self._meter.push(block)
        at = 0
        while at < len(block):
            count = min(len(block) - at, self._wanted() - self._frames)
            self._take(block[at : at + count], last=False)
            at += count
            if self._frames == self._wanted():
                self._close()
        return self

    def result(self) -> Measurement:
        return self._meter.result()

    def picture(self) -> Picture:
        """Ends the audio: afterwards nothing more may be pushed."""
        self._take(np.zeros((0, self._channels), dtype=np.float32), last=True)
        if self._frames:
            self._close()
        elif self._true:
            self._true[-1] = max(self._true[-1], self._peaks.true_peak)
        measured, series = self._meter.result(), self._meter.series()
        columns = len(self._low)
        momentary = _extremes(series.momentary_lufs, gates.MOMENTARY_BINS, self._bins, columns)
        short_term = _extremes(series.short_term_lufs, gates.SHORT_TERM_BINS, self._bins, columns)
        known = measured.integrated_lufs is not None
        return Picture(
            duration_s=measured.duration_s,
            sample_rate=self._rate,
            channels=self._channels,
            column_s=self._bins / _PER_SECOND,
            wave_low=tuple(round(value, 5) for value in self._low),
            wave_high=tuple(round(value, 5) for value in self._high),
            true_peak_dbtp=tuple(map(_db, self._true)),
            sample_peak_dbfs=tuple(_db(max(-low, high)) for low, high in zip(self._low, self._high, strict=True)),
            momentary_low_lufs=momentary[0],
            momentary_high_lufs=momentary[1],
            short_term_low_lufs=short_term[0],
            short_term_high_lufs=short_term[1],
            integrated_lufs=measured.integrated_lufs,
            relative_gate_lufs=_gate(series) if known else None,
            loudness_range_lu=measured.loudness_range_lu,
        )

    def _wanted(self) -> int:
        """Frames of the column being filled; edges are rounded where 10 ms is no whole number of samples."""
        first, last = (self._edge((len(self._low) + k) * self._bins) for k in (0, 1))
        return last - first

    def _edge(self, bins: int) -> int:
        return (bins * self._rate + _PER_SECOND // 2) // _PER_SECOND

    def _begin(self) -> None:
        """The column being filled."""
        self._frames = 0
        self._column_low, self._column_high = np.inf, -np.inf
        self._peaks = PeakSearch(self._rate, self._channels)

    def _take(self, piece: Samples, *, last: bool) -> None:
        """More of the column being filled; `last`: the audio ends with it."""
        if not np.isfinite(piece).all():
            piece = np.nan_to_num(piece, nan=0.0, posinf=0.0, neginf=0.0)
        behind = np.concatenate([self._before, piece])
        self._peaks.take(behind, last=last)
        self._before = behind[-HISTORY:].copy()
        self._frames += len(piece)
        self._column_low = min(self._column_low, float(piece.min(initial=np.inf)))
        self._column_high = max(self._column_high, float(piece.max(initial=-np.inf)))

    def _close(self) -> None:
        self._low.append(self._column_low)
        self._high.append(self._column_high)
        self._true.append(self._peaks.true_peak)
        if len(self._low) >= COLUMNS_MOST:
            self._low = list(map(min, self._low[::2], self._low[1::2]))
            self._high = list(map(max, self._high[::2], self._high[1::2]))
            self._true = list(map(max, self._true[::2], self._true[1::2]))
            self._bins *= 2
        self._begin()


def _gate(series: Series) -> float | None:
    return None if series.relative_gate_lufs is None else round(series.relative_gate_lufs, 2)


def _extremes(lufs: npt.NDArray[np.float64], window_bins: int, bins: int, columns: int) -> tuple[Values, Values]:
    """Lowest and highest of the windows that end in each column; window i ends with bin i + window_bins - 1."""
    first = window_bins - 1
    room = np.full(columns * bins, np.inf)
    room[first : first + len(lufs)] = lufs
    low = room.reshape(columns, bins).min(axis=1) if columns else room
    room[np.isposinf(room)] = -np.inf
    high = room.reshape(columns, bins).max(axis=1) if columns else room
    return tuple(map(_level, low)), tuple(map(_level, high))


def _level(value: float) -> float | None:
    return round(float(value), 2) if math.isfinite(value) else None


def _db(linear: float) -> float | None:
    return round(20.0 * math.log10(linear), 2) if linear > 0.0 else None
