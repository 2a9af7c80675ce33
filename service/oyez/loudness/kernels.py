"""The compiled inner loops of the meter: K-weighted energy, sample peak, true peak.

Samples come as one flat float32 array, frames interleaved; sums and filter states are float64. No result depends
on how the audio was cut into pushes: the meter calls these on stretches of fixed place.

How they are fast: a recursive filter cannot be vectorised along time, so LANES filters run side by side, on as
many parts of the stretch (and channels) at once, each warmed by what lies before its part. The samples of a tile
of frames are first laid out lane beside lane. Indices are unsigned: numba then leaves its check for negative ones
out, and the compiler makes vectors of the loops. What is compared as a magnitude is compared as the bits of the
float: those of non-negative floats are ordered alike, and a maximum of integers needs no assumption about NaN.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from oyez.loudness.compiled import compiled

Flat = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bits = npt.NDArray[np.int32]

LANES: Final = 16
BLOCK: Final = 32  # frames between which a true peak is looked for or passed over
_TILE = 64
_U = np.uint64
_MAGNITUDE = np.int32(0x7FFFFFFF)
_AT_ONCE = 2048


@compiled
def _filter_tile(tile: Flat, states: Floats, frames: int, filters: Floats) -> None:
    """Run `frames` frames of a tile through every lane's filters.

    states  six rows of LANES: two states of the shelf, two of the high-pass, sum of squares, sum of samples
    """
    b0, b1, b2, a1, a2 = filters[0], filters[1], filters[2], filters[3], filters[4]
    c1, c2 = filters[8], filters[9]
    for step in range(frames // 4):
        base = _U(step * LANES * 4)
        for i in range(LANES):
            lane = _U(i)
            s1, s2 = states[lane], states[_U(LANES) + lane]
            t1, t2 = states[_U(2 * LANES) + lane], states[_U(3 * LANES) + lane]
            squares, plain = states[_U(4 * LANES) + lane], states[_U(5 * LANES) + lane]
            for k in range(4):
                x = np.float64(tile[base + _U(k * LANES) + lane])
                y = b0 * x + s1
                s1 = b1 * x - a1 * y + s2
                s2 = b2 * x - a2 * y
                z = y + t1
                t1 = t2 - 2.0 * y - c1 * z
                t2 = y - c2 * z
                squares += z * z
                plain += x
            states[lane], states[_U(LANES) + lane] = s1, s2
            states[_U(2 * LANES) + lane], states[_U(3 * LANES) + lane] = t1, t2
            states[_U(4 * LANES) + lane], states[_U(5 * LANES) + lane] = squares, plain
    for step in range(frames // 4 * 4, frames):
        base = _U(step * LANES)
        for i in range(LANES):
            lane = _U(i)
            x = np.float64(tile[base + lane])
            y = b0 * x + states[lane]
            states[lane] = b1 * x - a1 * y + states[_U(LANES) + lane]
            states[_U(LANES) + lane] = b2 * x - a2 * y
            z = y + states[_U(2 * LANES) + lane]
            states[_U(2 * LANES) + lane] = states[_U(3 * LANES) + lane] - 2.0 * y - c1 * z
            states[_U(3 * LANES) + lane] = y - c2 * z
            states[_U(4 * LANES) + lane] += z * z
            states[_U(5 * LANES) + lane] += x


@compiled
def _fill_tile(  # noqa: PLR0917 - kernels take positions
    flat: Flat, channels: int, first: int, part: int, parts: int, used: Ints, frames: int, tile: Flat
) -> None:
    """Lay `frames` frames of each part, from frame `first` of the part on, lane beside lane; zeros past the end.

    part  frames from one part's start to the next's; `used` the channels that count
    """
    end = len(flat) // channels
    pairs = channels == 2 and len(used) == 2
    flat_pairs = flat[: len(flat) // 2 * 2].view(np.int64)
    tile_pairs = tile.view(np.int64)
    for p in range(parts):
        at = first + p * part
        there = max(0, min(frames, end - at))
        if pairs:
            source, target = _U(at), _U(p)
            for _ in range(there):
                tile_pairs[target] = flat_pairs[source]
                source += _U(1)
                target += _U(LANES // 2)
        else:
            for c in range(len(used)):
                source, target = _U(at * channels + used[c]), _U(p * len(used) + c)
                for _ in range(there):
                    tile[target] = flat[source]
                    source += _U(channels)
                    target += _U(LANES)
        for n in range(there, frames):
            for c in range(len(used)):
                tile[n * LANES + p * len(used) + c] = 0.0


@compiled
def parted_energy(  # noqa: PLR0917 - kernels take positions
    flat: Flat,
    channels: int,
    used: Ints,
    start: int,
    warm: int,
    edges: Ints,
    filters: Floats,
    weights: Floats,
    energy: Floats,
    sums: Floats,
) -> None:
    """K-weighted energy of each bin, summed over channels with their weights, the parts side by side.

    flat     interleaved samples, `start` the frame of the first bin; `warm` frames before it are there
    used     the channels that count; there are LANES // len(used) parts
    edges    (bins of a part + 1,) frame, in its part, at which each bin begins, and the end of the last
    filters  b0 b1 b2 a1 a2 of the shelf, then of the high-pass
    weights  (channels,)
    energy   (bins,) is written; the last parts may be short or empty
    sums     (channels,) of the samples as they are, is added to
    """
    parts = LANES // len(used)
    part = edges[-1]
    per_part = len(edges) - 1
    states = np.zeros(6 * LANES)
    tile = np.zeros(_TILE * LANES, dtype=np.float32)
    for k in range(-1, per_part):
        first = edges[k] if k >= 0 else -warm
        last = edges[k + 1] if k >= 0 else 0
        while first < last:
            count = min(_TILE, last - first)
            _fill_tile(flat, channels, start + first, part, parts, used, count, tile)
            _filter_tile(tile, states, count, filters)
            first += count
        for p in range(parts):
            total = 0.0
            for c in range(len(used)):
                lane = p * len(used) + c
                total += weights[used[c]] * states[4 * LANES + lane]
                if k >= 0 and p * per_part + k < len(energy):
                    sums[used[c]] += states[5 * LANES + lane]
                states[4 * LANES + lane] = 0.0
                states[5 * LANES + lane] = 0.0
            if k >= 0 and p * per_part + k < len(energy):
                energy[p * per_part + k] = total
        for i in range(4 * LANES):  # no denormal numbers in silence: they are a hundred times slower
            if abs(states[i]) < 1e-30:
                states[i] = 0.0


@compiled
def plain_energy(  # noqa: PLR0917 - kernels take positions
    flat: Flat, channels: int, start: int, warm: int, filters: Floats, weights: Floats, sums: Floats
) -> float:
    """As `parted_energy`, for all from `start` to the end as one bin, one channel after the other."""
    b0, b1, b2, a1, a2 = filters[0], filters[1], filters[2], filters[3], filters[4]
    c1, c2 = filters[8], filters[9]
    energy = 0.0
    for channel in range(channels):
        if weights[channel] == 0.0:
            continue
        s1 = s2 = t1 = t2 = 0.0
        squares = plain = 0.0
        for n in range(start - warm, len(flat) // channels):
            x = np.float64(flat[n * channels + channel])
            y = b0 * x + s1
            s1 = b1 * x - a1 * y + s2
            s2 = b2 * x - a2 * y
            z = y + t1
            t1 = t2 - 2.0 * y - c1 * z
            t2 = y - c2 * z
            if n >= start:
                squares += z * z
                plain += x
        energy += weights[channel] * squares
        sums[channel] += plain
    return energy


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
