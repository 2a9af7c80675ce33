"""The compiled inner loops of the meter: K-weighted energy, sample peak, true peak.

Samples come as one flat float32 array, frames interleaved; sums and filter states are float64. No result depends
on how the audio was cut into pushes: the meter calls these on stretches of fixed place.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from oyez.loudness.compiled import compiled, compiled_finite

Flat = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bits = npt.NDArray[np.int32]

LANES = 8
BLOCK = 32


@compiled
def weighted_energy(  # noqa: PLR0917 - kernels take positions
    flat: Flat,
    channels: int,
    edges: Ints,
    warm: int,
    filters: Floats,
    weights: Floats,
    energy: Floats,
    sums: Floats,
) -> None:
    """Add the K-weighted energy of each bin, summed over channels with their weights.

    flat     interleaved samples
    edges    (bins + 1,) frame at which each bin begins, and the end of the last
    warm     frames before a stretch from which the filters start at rest
    filters  b0 b1 b2 a1 a2 of the shelf, then of the high-pass
    energy   (bins,) is written
    sums     (channels,) of the samples as they are, is added to
    """
    bins = len(edges) - 1
    b0, b1, b2, a1, a2 = filters[0], filters[1], filters[2], filters[3], filters[4]
    c1, c2 = filters[8], filters[9]
    for k in range(bins):
        energy[k] = 0.0
    for channel in range(channels):
        weight = weights[channel]
        if weight == 0.0:
            continue
        s1 = s2 = t1 = t2 = 0.0
        for n in range(max(0, edges[0] - warm), edges[0]):
            x = np.float64(flat[n * channels + channel])
            y = b0 * x + s1
            s1 = b1 * x - a1 * y + s2
            s2 = b2 * x - a2 * y
            z = y + t1
            t1 = -2.0 * y - c1 * z + t2
            t2 = y - c2 * z
        for k in range(bins):
            total = 0.0
            plain = 0.0
            for n in range(edges[k], edges[k + 1]):
                x = np.float64(flat[n * channels + channel])
                y = b0 * x + s1
                s1 = b1 * x - a1 * y + s2
                s2 = b2 * x - a2 * y
                z = y + t1
                t1 = -2.0 * y - c1 * z + t2
                t2 = y - c2 * z
                total += z * z
                plain += x
            sums[channel] += plain
            energy[k] += weight * total
            if abs(s1) + abs(s2) + abs(t1) + abs(t2) < 1e-30:  # no denormal numbers in silence
                s1 = s2 = t1 = t2 = 0.0


@compiled
def block_peaks(bits: Bits, width: int, peaks: Bits) -> int:
    """The largest magnitude of each block of `width` samples, as the bits of a float32; returns the largest.

    The bits of non-negative floats order like the floats; infinity and NaN come out at 0x7F800000 and above.
    """
    largest = np.int32(0)
    blocks = len(peaks)
    for b in range(blocks):
        top = np.int32(0)
        for i in range(b * width, min((b + 1) * width, len(bits))):
            top = max(top, bits[i] & np.int32(0x7FFFFFFF))
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
    mask = np.int32(0x7FFFFFFF)
    for b in range(1, len(peaks)):
        if peaks[b] != peak:
            continue
        for i in range(b * width, min((b + 1) * width, len(bits))):
            if (
                (bits[i] & mask) == peak
                and (bits[i - channels] & mask) == peak
                and (bits[i - 2 * channels] & mask) == peak
                and (bits[i - 3 * channels] & mask) != peak
            ):
                found += 1
        if found >= enough:
            return enough
    return found


@compiled_finite
def _largest_4(flat: Flat, channels: int, first: int, last: int, taps: Flat) -> np.float32:
    """The largest magnitude interpolated at a quarter, half and three quarters, taps beginning at [first, last).

    taps (3, 6): with s, d the sum and difference of the samples that lie equally far from the middle, the two
    mirrored quarter phases are S + D and S - D, whose larger magnitude is |S| + |D|; the half phase is M.
    """
    best = np.float32(0.0)
    end = 11 * channels
    for i in range(first, last):
        quarter = np.float32(0.0)
        skew = np.float32(0.0)
        half = np.float32(0.0)
        for k in range(6):
            near = flat[i + k * channels]
            far = flat[i + end - k * channels]
            both = near + far
            quarter += taps[0, k] * both
            skew += taps[1, k] * (near - far)
            half += taps[2, k] * both
        best = max(best, abs(quarter) + abs(skew), abs(half))
    return best


@compiled_finite
def _largest_2(flat: Flat, channels: int, first: int, last: int, taps: Flat) -> np.float32:
    """As `_largest_4` at the half alone: taps (1, 12), 24 samples wide."""
    best = np.float32(0.0)
    end = 23 * channels
    for i in range(first, last):
        half = np.float32(0.0)
        for k in range(12):
            half += taps[0, k] * (flat[i + k * channels] + flat[i + end - k * channels])
        best = max(best, abs(half))
    return best


@compiled_finite
def search_true_peak(  # noqa: PLR0917 - kernels take positions
    flat: Flat, channels: int, peaks: Flat, bound: np.float32, best: np.float32, taps: Flat
) -> np.float32:
    """The largest interpolated magnitude, or `best` if that is larger.

    peaks  the largest magnitude of each block; the taps of a block's positions reach into the next one only
    bound  how much larger than the samples an interpolated value can be

    Blocks near the loudest come first, so that most of the others can be passed over.
    """
    width = BLOCK * channels
    quarter = len(taps) == 3
    span = (12 if quarter else 24) * channels
    ends = len(flat) - span + 1
    loudest = np.float32(0.0)
    for b in range(len(peaks)):
        loudest = max(loudest, peaks[b])
    for least in (loudest * np.float32(0.9), np.float32(0.0)):
        for b in range(len(peaks) - 1):
            local = max(peaks[b], peaks[b + 1])
            if local < least or local * bound <= best:
                continue
            first = b * width
            last = min(first + width, ends)
            if quarter:
                best = max(best, _largest_4(flat, channels, first, last, taps))
            else:
                best = max(best, _largest_2(flat, channels, first, last, taps))
    return best
