"""From the energy of 10 ms bins to the numbers of a measurement: windows, gates, range. Plain numpy, no audio.

BS.1770-5 equations (2) to (7) and EBU Tech 3341/3342. Means are mean squares after K-weighting, summed over the
channels with their weights; an undefined result is None.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

BINS_PER_SECOND: Final = 100
MOMENTARY_BINS: Final = 40  # 400 ms
SHORT_TERM_BINS: Final = 300  # 3 s
ABSOLUTE_GATE_LUFS: Final = -70.0

_OFFSET_DB = -0.691  # equation (2)
_QUIETEST = 1e-20


def to_lufs(mean: float) -> float | None:
    """Loudness of a mean square, equation (2); None for nothing (under -200 LUFS)."""
    return _OFFSET_DB + 10.0 * math.log10(mean) if mean > _QUIETEST else None


def to_mean(lufs: float) -> float:
    """The mean square that has this loudness."""
    return math.pow(10.0, (lufs - _OFFSET_DB) / 10.0)


def sliding_means(energy: Floats, frames: npt.NDArray[np.int64], bins: int) -> Floats:
    """Mean square over every window of `bins` whole bins, a window a bin.

    energy, frames  (n,) of each 10 ms bin; `bins` is a multiple of ten
    returns         (max(0, n - bins + 1),)

    Each window is added up afresh, in tens: a running sum would keep the rounding of loud passages in quiet ones.
    """
    count = len(energy) - bins + 1
    if count <= 0:
        return np.zeros(0)

    def windowed(values: Floats) -> Floats:
        tens = values[: len(values) - 9].copy()
        for k in range(1, 10):
            tens += values[k : len(values) - 9 + k]
        total = tens[:count].copy()
        for k in range(10, bins, 10):
            total += tens[k : k + count]
        return total

    return windowed(energy) / windowed(frames.astype(np.float64))


def integrated(momentary: Floats) -> tuple[float | None, float | None]:
    """Gated loudness of the programme and its relative gate, both in LUFS.

    momentary  mean square of the 400 ms windows, one every 10 ms; every tenth is a gating block (75 % overlap)

    Both gates are strict (equation 7): a block counts when it is louder than -70 LUFS, and louder than 10 LU under
    the mean of those.
    """
    blocks = momentary[::10]
    above = blocks[blocks > to_mean(ABSOLUTE_GATE_LUFS)]
    if not len(above):
        return None, None
    gate = float(above.mean()) * 0.1  # -10 LU
    return to_lufs(float(above[above > gate].mean())), to_lufs(gate)


def loudness_range(short_term: Floats) -> float | None:
    """Loudness range in LU: 3 s blocks every second, gates -70 LUFS and -20 LU, 10th to 95th percentile.

    short_term  mean square of the 3 s windows, one every 10 ms
    The percentile is the nearest rank, index floor((n - 1) q + 0.5) (EBU Tech 3342 section 3.1); both gates
    let equal values in. None when no block passes.
    """
    blocks = short_term[::BINS_PER_SECOND]
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
