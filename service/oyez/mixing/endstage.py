"""The compiled loops at the end of every zone: limiter and meter. The laws are those of `kernels`."""

# ruff: noqa: PLR0917 - kernels take positions

from __future__ import annotations

import math
from typing import Final, NamedTuple

from oyez.mixing.kernels import NOTHING, Floats, Ints, Samples, exact

ONE: Final = 1 << 30
"""The limiter counts gains in 2^-30, so that sums are exact and a gain that has come back is exactly one."""


class LimiterState(NamedTuple):
    """What the limiter of each zone carries from sample to sample.

    ceiling, aim       (zones,) linear
    busy               (zones,) frames until nothing is left of gains under one
    held               (zones, 3) gain before smoothing, least gain in sight, for how long that stays in sight
    mins, box1, box2   (zones, n) rings; turns (zones,) their common counter; sums (zones, 2) of the boxes
    largest            (lanes,) the largest sample in sight, found anew for each block
    """

    ceiling: Floats
    aim: Floats
    busy: Ints
    held: Ints
    mins: Ints
    box1: Ints
    box2: Ints
    turns: Ints
    sums: Ints
    largest: Floats


@exact
def limit(
    out: Samples,
    y: Floats,
    frames: int,
    lane_from: Ints,
    state: LimiterState,
    taps: Floats,
    norm: float,
    reach: int,
    release: int,
) -> None:
    """Hold every zone's true peak under its ceiling; its lanes share one gain. See `limiter` for the method.

    out        (frames, lanes)
    y          (head + frames, lanes), the newest row last; it is read `head` rows back
    lane_from  (zones + 1,) first lane of each zone
    taps       (2 x reach, phases) the interpolator, which gives at most `norm` times the largest sample under it
    """
    head = y.shape[0] - frames
    window, n1, n2 = state.mins.shape[1], state.box1.shape[1], state.box2.shape[1]
    largest = state.largest
    for lane in range(largest.shape[0]):
        largest[lane] = 0.0
    for row in range(head - 2 * reach + 1, head + frames):
        for lane in range(largest.shape[0]):
            sound = abs(y[row, lane])
            largest[lane] = max(largest[lane], sound)
    for i in range(frames):
        for lane in range(largest.shape[0]):
            out[i, lane] = y[i, lane]
    for z in range(lane_from.shape[0] - 1):
        begin, end = lane_from[z], lane_from[z + 1]
        safe = state.ceiling[z] / norm
        loud = False
        for lane in range(begin, end):
            loud = loud or largest[lane] > safe
        if not loud and state.busy[z] == 0:
            continue
        loud_row = _last_loud_row(y, head - 2 * reach + 1, head, begin, end, safe)
        for i in range(frames):
            newest = head + i
            for lane in range(begin, end):
                if abs(y[newest, lane]) > safe:
                    loud_row = newest
            centre = newest - reach
            gain = ONE
            if loud_row >= centre - reach + 1:
                peak = 0.0
                for lane in range(begin, end):
                    peak = max(peak, _peak(y, centre, lane, taps, reach))
                if peak > state.ceiling[z]:
                    gain = math.floor(state.aim[z] / peak * ONE)
            factor = _smooth(state, z, gain, release, window, n1, n2)
            for lane in range(begin, end):
                out[i, lane] = y[i, lane] * factor


@exact
def _last_loud_row(y: Floats, first: int, until: int, begin: int, end: int, over: float) -> int:
    """The last of the rows [first, until) with a sample over a magnitude in the lanes; -1 for none."""
    found = -1
    for row in range(first, until):
        for lane in range(begin, end):
            if abs(y[row, lane]) > over:
                found = row
    return found


@exact
def _peak(y: Floats, centre: int, lane: int, taps: Floats, reach: int) -> float:
    """The largest magnitude between one sample (included) and the next."""
    largest: float = abs(y[centre, lane])
    for p in range(taps.shape[1]):
        total = 0.0
        for t in range(2 * reach):
            total += taps[t, p] * y[centre - reach + 1 + t, lane]
        largest = max(largest, abs(total))
    return largest


@exact
def _smooth(state: LimiterState, z: int, gain: int, release: int, window: int, n1: int, n2: int) -> float:
    """Take one wanted gain; give the gain for the sample at the other end of the window."""
    held, turn = state.held, state.turns[z]
    # the least gain within the window
    state.mins[z, turn % window] = gain
    held[z, 2] -= 1
    if gain <= held[z, 1]:
        held[z, 1] = gain
        held[z, 2] = window
    elif held[z, 2] <= 0:
        least, age = gain, 0
        for k in range(1, window):
            other = state.mins[z, (turn - k) % window]
            if other < least:
                least, age = other, k
        held[z, 1] = least
        held[z, 2] = window - age
    # down at once, up slowly
    held[z, 0] = min(held[z, 1], held[z, 0] + release)
    # two moving averages, exact in whole numbers
    k1, k2 = turn % n1, turn % n2
    state.sums[z, 0] += held[z, 0] - state.box1[z, k1]
    state.box1[z, k1] = held[z, 0]
    mean = state.sums[z, 0] // n1
    state.sums[z, 1] += mean - state.box2[z, k2]
    state.box2[z, k2] = mean
    state.turns[z] = turn + 1
    if held[z, 0] < ONE:
        state.busy[z] = window + n1 + n2
    elif state.busy[z] > 0:
        state.busy[z] -= 1
    factor: float = float(state.sums[z, 1]) / float(n2 * ONE)
    return factor


class MeterState(NamedTuple):
    """What the meters carry on, and what they have kept.

    filters          (2, 2, lanes) of the K-weighting
    energy, peak     (lanes,) of the block of time under way
    energies, peaks  (kept, zones) rings by the block's number (frame // block): mean square summed over channels,
                     largest sample
    """

    filters: Floats
    energy: Floats
    peak: Floats
    energies: Floats
    peaks: Floats


@exact
def meter(
    out: Samples, frames: int, first: int, lane_from: Ints, coefs: Floats, state: MeterState, block: int
) -> None:
    """K-weighted energy and sample peak of every zone's output.

    out    (frames, lanes), `first` the frame since 1970 of its first row
    coefs  (2, 5): b0 b1 b2 a1 a2 of the two stages
    """
    kept = state.energies.shape[0]
    count = out.shape[1]
    filters, energy, peak = state.filters, state.energy, state.peak
    for i in range(frames):
        for lane in range(count):
            x = float(out[i, lane])
            peak[lane] = max(peak[lane], abs(x))
            mid = coefs[0, 0] * x + filters[0, 0, lane]
            filters[0, 0, lane] = coefs[0, 1] * x - coefs[0, 3] * mid + filters[0, 1, lane]
            filters[0, 1, lane] = coefs[0, 2] * x - coefs[0, 4] * mid
            heard = coefs[1, 0] * mid + filters[1, 0, lane]
            filters[1, 0, lane] = coefs[1, 1] * mid - coefs[1, 3] * heard + filters[1, 1, lane]
            filters[1, 1, lane] = coefs[1, 2] * mid - coefs[1, 4] * heard
            energy[lane] += heard * heard
        frame = first + i
        if (frame + 1) % block == 0:
            at = (frame // block) % kept
            for z in range(lane_from.shape[0] - 1):
                total = 0.0
                largest = 0.0
                for lane in range(lane_from[z], lane_from[z + 1]):
                    total += energy[lane]
                    largest = max(largest, peak[lane])
                    energy[lane] = 0.0
                    peak[lane] = 0.0
                state.energies[at, z] = total / block
                state.peaks[at, z] = largest
            for s in range(2):
                for k in range(2):
                    for lane in range(count):
                        if abs(filters[s, k, lane]) < NOTHING:
                            filters[s, k, lane] = 0.0
