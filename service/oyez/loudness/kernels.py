"""The compiled inner loops of the meter: K-weighted energy.

Samples come as one flat float32 array, frames interleaved; sums and filter states are float64. No result depends
on how the audio was cut into pushes: the meter calls these on stretches of fixed place.

How they are fast: a recursive filter cannot be vectorised along time, so LANES filters run side by side, on as
many parts of the stretch (and channels) at once, each warmed by what lies before its part. The samples of a tile
of frames are first laid out lane beside lane. Indices are unsigned: numba then leaves its check for negative ones
out, and the compiler makes vectors of the loops.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from oyez.loudness.compiled import compiled

Flat = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LANES: Final = 16
_TILE = 64
_U = np.uint64


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
