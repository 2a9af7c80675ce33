"""From the energy of 10 ms bins to the numbers of a measurement: windows, gates, range. Plain numpy, no audio.

BS.1770-5 equations (2) to (7) and EBU Tech 3341/3342. Means are mean squares after K-weighting, summed over the
channels with their weights; an undefined result is None.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Frames = npt.NDArray[np.int64]

BINS_PER_SECOND: Final = 100
MOMENTARY_BINS: Final = 40  # 400 ms
SHORT_TERM_BINS: Final = 300  # 3 s
BLOCK_STEP_BINS: Final = 10  # of the gating blocks: 100 ms
RANGE_STEP_BINS: Final = 100  # of the windows that make the range: 1 s
ABSOLUTE_GATE_LUFS: Final = -70.0
PIECE: Final = 60_000

_OFFSET_DB = -0.691  # equation (2)
_QUIETEST = 1e-20


def to_lufs(mean: float) -> float | None:
    """Loudness of a mean square, equation (2); None for nothing (under -200 LUFS)."""
    return _OFFSET_DB + 10.0 * math.log10(mean) if mean > _QUIETEST else None


def to_mean(lufs: float) -> float:
    """The mean square that has this loudness."""
    return math.pow(10.0, (lufs - _OFFSET_DB) / 10.0)


def bin_edges(first: int, last: int, sample_rate: int) -> Frames:
    """The frame at which each of the bins [first, last) begins, and the end of the last: (last - first + 1,).

    Where 10 ms is no whole number of samples the edges are rounded, so that bins differ by one sample.
    """
    half = BINS_PER_SECOND // 2
    return (np.arange(first, last + 1, dtype=np.int64) * sample_rate + half) // BINS_PER_SECOND


def sliding_means(energy: Floats, sample_rate: int, bins: int) -> Iterator[Floats]:
    """Mean square over every window of `bins` whole bins, a window a bin, in pieces of at most PIECE.

    energy   (n,) of each 10 ms bin; `bins` is a multiple of ten
    returns  pieces that together have max(0, n - bins + 1) values

    Each window is added up afresh, in tens: a running sum would keep the rounding of loud passages in quiet ones.
    In pieces, so that the windows of two hours are never held all at once.
    """
    count = len(energy) - bins + 1
    for start in range(0, count, PIECE):
        stop = min(start + PIECE, count)
        part = energy[start : stop + bins - 1]
        tens = part[: len(part) - 9].copy()
        for k in range(1, 10):
            tens += part[k : len(part) - 9 + k]
        total = tens[: stop - start].copy()
        for k in range(10, bins, 10):
            total += tens[k : k + stop - start]
        frames = bin_edges(start + bins, stop + bins - 1, sample_rate) - bin_edges(start, stop - 1, sample_rate)
        yield total / frames


def window_summary(energy: Floats, sample_rate: int, bins: int, every: int) -> tuple[float, Floats]:
    """The largest mean square of all windows (0.0 where there is none), and that of every `every`th window.

    `every` divides PIECE.
    """
    largest, chosen = 0.0, [np.zeros(0)]
    for means in sliding_means(energy, sample_rate, bins):
        largest = max(largest, float(means.max()))
        chosen.append(means[::every].copy())
    return largest, np.concatenate(chosen)


def integrated(blocks: Floats) -> tuple[float | None, float | None]:
    """Gated loudness of the programme and its relative gate, both in LUFS.

    blocks  mean square of the gating blocks: 400 ms windows, one every 100 ms (75 % overlap)

    Both gates are strict (equation 7): a block counts when it is louder than -70 LUFS, and louder than 10 LU under
    the mean of those.
    """
    above = blocks[blocks > to_mean(ABSOLUTE_GATE_LUFS)]
    if not len(above):
        return None, None
    gate = float(above.mean()) * 0.1  # -10 LU
    return to_lufs(float(above[above > gate].mean())), to_lufs(gate)


def loudness_range(blocks: Floats) -> float | None:
    """Loudness range in LU: 3 s blocks every second, gates -70 LUFS and -20 LU, 10th to 95th percentile.

    blocks  mean square of the 3 s windows, one every second
    The percentile is the nearest rank, index floor((n - 1) q + 0.5) (EBU Tech 3342 section 3.1); both gates
    let equal values in. None when no block passes.
    """
    above = blocks[blocks >= to_mean(ABSOLUTE_GATE_LUFS)]
    if not len(above):
        return None
    kept = np.sort(above[above >= float(above.mean()) * 0.01])  # -20 LU
    low, high = (kept[math.floor((len(kept) - 1) * q + 0.5)] for q in (0.10, 0.95))
    return 10.0 * math.log10(float(high) / float(low))


def to_lufs_each(means: Floats) -> Floats:
    """Loudness of each mean square; -inf for nothing."""
    out = np.full(len(means), -np.inf)
    heard = means > _QUIETEST
    out[heard] = _OFFSET_DB + 10.0 * np.log10(means[heard])
    return out
