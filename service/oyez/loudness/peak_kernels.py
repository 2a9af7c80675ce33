"""The compiled inner loops of the peaks: the largest sample of each block, clipped runs, the true peak.

Magnitudes are compared as the bits of the float: those of non-negative floats are ordered alike, and a maximum of
integers needs no assumption about NaN to be made in vectors. Indices are unsigned, as in `kernels`.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from oyez.loudness.compiled import compiled

Flat = npt.NDArray[np.float32]
Bits = npt.NDArray[np.int32]

BLOCK: Final = 32  # frames between which a true peak is looked for or passed over
_U = np.uint64
_MAGNITUDE = np.int32(0x7FFFFFFF)
_AT_ONCE = 2048


@compiled
def block_peaks(bits: Bits, width: int, peaks: Bits) -> int:
    """The largest magnitude of each block of `width` samples, as the bits of a float32; returns the largest.

    Infinity and NaN come out at 0x7F800000 and above.
    """
    largest = np.int32(0)
    for b in range(len(peaks)):
        top = np.int32(0)
        base = _U(b * width)
        for i in range(min(width, len(bits) - b * width)):
            value = bits[base + _U(i)] & _MAGNITUDE
            top = max(top, value)
        peaks[b] = top
        largest = max(largest, top)
    return int(largest)


@compiled
def runs_at_peak(  # noqa: PLR0917 - kernels take positions
    bits: Bits, channels: int, width: int, peaks: Bits, peak: np.int32, enough: int
) -> int:
    """How often three samples of a channel in a row are as large as the peak, a run counted once, up to `enough`.

    Runs across two blocks are seen in the second; the first block is the history of the stretch before.
    """
    found = 0
    for b in range(1, len(peaks)):
        if peaks[b] != peak:
            continue
        for i in range(b * width, min((b + 1) * width, len(bits))):
            if (
                (bits[i] & _MAGNITUDE) == peak
                and (bits[i - channels] & _MAGNITUDE) == peak
                and (bits[i - 2 * channels] & _MAGNITUDE) == peak
                and (bits[i - 3 * channels] & _MAGNITUDE) != peak
            ):
                found += 1
        if found >= enough:
            return enough
    return found


@compiled
def _between_4(  # noqa: PLR0917 - kernels take positions
    flat: Flat, channels: int, first: int, count: int, taps: Flat, out: Flat
) -> None:
    """The largest magnitude at a quarter, half and three quarters, for taps beginning at [first, first + count).

    taps (3, 6): with s, d the sum and difference of the samples that lie equally far from the middle, the two
    mirrored quarter phases are S + D and S - D, whose larger magnitude is |S| + |D|; the half phase is M.
    """
    q0, q1, q2, q3, q4, q5 = taps[0, 0], taps[0, 1], taps[0, 2], taps[0, 3], taps[0, 4], taps[0, 5]
    d0, d1, d2, d3, d4, d5 = taps[1, 0], taps[1, 1], taps[1, 2], taps[1, 3], taps[1, 4], taps[1, 5]
    h0, h1, h2, h3, h4, h5 = taps[2, 0], taps[2, 1], taps[2, 2], taps[2, 3], taps[2, 4], taps[2, 5]
    w = _U(channels)
    base = _U(first)
    for n in range(count):
        i = base + _U(n)
        x0, x11 = flat[i], flat[i + _U(11) * w]
        x1, x10 = flat[i + w], flat[i + _U(10) * w]
        x2, x9 = flat[i + _U(2) * w], flat[i + _U(9) * w]
        x3, x8 = flat[i + _U(3) * w], flat[i + _U(8) * w]
        x4, x7 = flat[i + _U(4) * w], flat[i + _U(7) * w]
        x5, x6 = flat[i + _U(5) * w], flat[i + _U(6) * w]
        s0, s1, s2, s3, s4, s5 = x0 + x11, x1 + x10, x2 + x9, x3 + x8, x4 + x7, x5 + x6
        quarter = q0 * s0 + q1 * s1 + q2 * s2 + q3 * s3 + q4 * s4 + q5 * s5
        half = h0 * s0 + h1 * s1 + h2 * s2 + h3 * s3 + h4 * s4 + h5 * s5
        skew = (
            d0 * (x0 - x11) + d1 * (x1 - x10) + d2 * (x2 - x9) + d3 * (x3 - x8) + d4 * (x4 - x7) + d5 * (x5 - x6)
        )
        outer = abs(quarter) + abs(skew)
        inner = abs(half)
        out[_U(n)] = outer if outer > inner else inner  # noqa: FURB136 - max() is not vectorised


@compiled
def _between_2(  # noqa: PLR0917 - kernels take positions
    flat: Flat, channels: int, first: int, count: int, taps: Flat, out: Flat
) -> None:
    """As `_between_4` at the half alone: taps (1, 12), 24 samples wide."""
    for n in range(count):
        out[_U(n)] = 0.0
    base = _U(first)
    for k in range(12):
        tap = taps[0, k]
        near, far = base + _U(k * channels), base + _U((23 - k) * channels)
        for n in range(count):
            out[_U(n)] += tap * (flat[near + _U(n)] + flat[far + _U(n)])


@compiled
def search_true_peak(  # noqa: PLR0917 - kernels take positions
    flat: Flat, channels: int, peaks: Flat, bound: np.float32, best: np.float32, taps: Flat
) -> np.float32:
    """The largest interpolated magnitude, or `best` if that is larger.

    peaks  the largest magnitude of each block; the taps of a block's positions reach into the next one only
    bound  how much larger than the samples an interpolated value can be

    Blocks near the loudest come first, so that most of the others can be passed over. Neighbours are taken
    together, up to _AT_ONCE values: a flattened programme is simply looked at everywhere.
    """
    width = BLOCK * channels
    quarter = len(taps) == 3
    span = (12 if quarter else 24) * channels
    ends = len(flat) - span + 1
    out = np.zeros(_AT_ONCE, dtype=np.float32)
    out_bits = out.view(np.int32)
    most = max(1, _AT_ONCE // width)
    loudest = np.float32(0.0)
    for b in range(len(peaks)):
        loudest = max(loudest, peaks[b])
    for least in (loudest * np.float32(0.9), np.float32(0.0)):
        b = 0
        while b < len(peaks) - 1:
            run = 0
            while (
                run < most
                and b + run < len(peaks) - 1
                and max(peaks[b + run], peaks[b + run + 1]) >= least
                and max(peaks[b + run], peaks[b + run + 1]) * bound > best
            ):
                run += 1
            if run == 0:
                b += 1
                continue
            first = b * width
            count = min(first + run * width, ends) - first
            b += run
            if count <= 0:
                continue
            if quarter:
                _between_4(flat, channels, first, count, taps, out)
            else:
                _between_2(flat, channels, first, count, taps, out)
            top = np.int32(0)
            for n in range(count):
                value = out_bits[_U(n)] & _MAGNITUDE
                top = max(top, value)
            out_bits[0] = top
            best = max(best, out[0])
    return best
