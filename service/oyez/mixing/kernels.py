"""The compiled loops of the mixer up to the zone's level, over [frames x lanes]. A lane: one channel of a zone.

Laws of the kernels, which everything that is promised about the mixer rests on:
- how a stretch of time is cut into blocks never changes a sample: what varies in time is a function of the frame's
  number since 1970, or is carried on sample by sample, and arithmetic is never reordered (no fastmath);
- no kernel allocates, and each is compiled for one signature (a test asserts it);
- filters carry their state in float64.

Columns of the music bus, three a source: left, right, and the mono sum by the mono law.
"""

# ruff: noqa: PLR0917 - kernels take positions

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final, NamedTuple, TypeVar

import numba
import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Samples = NDArray[np.float32]
Kernel = TypeVar("Kernel", bound=Callable[..., Any])

MONO_LAW: Final = math.sqrt(0.5)  # a mono zone plays (L + R) at -3 dB
FLUSH_EVERY: Final = 4096  # frames; on this grid of time what has rung out to nothing is set to nothing
NOTHING: Final = 1e-30
DB: Final = math.log(10.0) / 20.0
FAR: Final = 1 << 62


def exact(function: Kernel) -> Kernel:
    """Compile at first call, keep the result on disk, release the interpreter, keep IEEE arithmetic as written."""
    kernel: Any = numba.njit(cache=True, nogil=True, error_model="numpy")(function)
    made: Kernel = kernel
    return made


class Envelopes(NamedTuple):
    """One envelope a zone, by corner points in flat lists; zone z's are start[z] to start[z + 1].

    start  (zones + 1,); at (points,) frames since 1970, ascending; value (points,)
    """

    start: Ints
    at: Ints
    value: Floats


@exact
def add_track(
    bus: Floats,
    column: int,
    data: Samples,
    data_from: int,
    offset: int,
    frames: int,
    track_from: int,
    track_frames: int,
    crossfade: int,
    gain: float,
) -> None:
    """Add a stretch of a track to a source's three columns, with its gain and the crossfade at its ends.

    bus         (frames, 3 x sources)
    data        (n, 1 or 2); data[data_from] is the first frame used
    track_from  that frame's place in the track
    """
    stereo = data.shape[1] == 2
    for i in range(frames):
        at = track_from + i
        weight = gain
        if at < crossfade:
            weight *= math.sin(0.5 * math.pi * (at + 0.5) / crossfade)
        if at >= track_frames - crossfade:
            weight *= math.cos(0.5 * math.pi * (at - (track_frames - crossfade) + 0.5) / crossfade)
        left = weight * data[data_from + i, 0]
        right = weight * data[data_from + i, 1] if stereo else left
        bus[offset + i, column] += left
        bus[offset + i, column + 1] += right
        bus[offset + i, column + 2] += (left + right) * MONO_LAW if stereo else left


@exact
def add_speech(
    bus: Floats,
    data: Samples,
    data_from: int,
    offset: int,
    frames: int,
    first: int,
    lanes: Ints,
    channels: Ints,
    gains: Floats,
    cuts: Ints,
    fades: Ints,
) -> None:
    """Add a stretch of an announcement to its lanes.

    bus       (frames, lanes)
    first     the frame since 1970 of the stretch's start
    lanes     (k,) columns of the bus; channels (k,): 0 left, 1 right, 2 by the mono law
    gains     (k,) linear; cuts (k,) frame at which the fade-out begins; fades (k,) its frames
    """
    stereo = data.shape[1] == 2
    for i in range(frames):
        left = float(data[data_from + i, 0])
        right = float(data[data_from + i, 1]) if stereo else left
        mono = (left + right) * MONO_LAW if stereo else left
        for k in range(lanes.shape[0]):
            past = first + i - cuts[k]
            weight = gains[k]
            if past >= fades[k]:
                continue
            if past >= 0:
                weight *= 1.0 - float(past) / float(fades[k])
            sound = mono if channels[k] == 2 else (left if channels[k] == 0 else right)
            bus[offset + i, lanes[k]] += weight * sound


@exact
def _after(points: Envelopes, zone: int, frame: int) -> int:
    """The zone's first point after the frame."""
    low: int = points.start[zone]
    high: int = points.start[zone + 1]
    while low < high:
        middle = (low + high) // 2
        if points.at[middle] <= frame:
            low = middle + 1
        else:
            high = middle
    return low


@exact
def value_at(points: Envelopes, zone: int, frame: int) -> float:
    """One zone's envelope at one frame: linear between its points, 0.0 outside. Of two points with one time the
    later counts.
    """
    after = _after(points, zone, frame)
    begin, end = points.start[zone], points.start[zone + 1]
    if after == begin:
        return 0.0
    a = after - 1
    value: float = points.value[a]
    if after == end:
        return value if points.at[a] == frame else 0.0
    part = float(frame - points.at[a]) / float(points.at[after] - points.at[a])
    value += (points.value[after] - value) * part
    return value


@exact
def flat_until(points: Envelopes, zone: int, frame: int) -> int:
    """The frame up to which the zone's envelope keeps its value; `frame` itself where it moves."""
    after = _after(points, zone, frame)
    begin, end = points.start[zone], points.start[zone + 1]
    if after == end:
        return frame if end > begin and points.at[end - 1] == frame else FAR
    corner: int = points.at[after]
    return corner if after == begin or points.value[after] == points.value[after - 1] else frame


@exact
def envelopes(
    out: Floats,
    frames: int,
    first: int,
    duck: Envelopes,
    on: Envelopes,
    fix: Floats,
    fix_first: int,
    fix_frames: int,
) -> None:
    """The music's gain in every zone: duck (linear in dB) times on/off (linear).

    out      (frames, zones)
    fix      (2, zones) by how much (dB of the duck, gain of on/off) the envelopes jumped when they were last
             replaced; taken back evenly within `fix_frames` frames
    """
    zones = out.shape[1]
    if frames == 0:
        return
    for z in range(zones):
        out[0, z] = math.exp(value_at(duck, z, first) * DB) * value_at(on, z, first)
    for i in range(1, frames):
        for z in range(zones):
            out[i, z] = out[0, z]
    for z in range(zones):
        fixing = (fix[0, z] != 0.0 or fix[1, z] != 0.0) and first < fix_first + fix_frames
        flat = min(flat_until(duck, z, first), flat_until(on, z, first))
        if fixing or flat < first + frames:
            _moving(out, z, frames, first, duck, on, fix, fix_first, fix_frames)


@exact
def _moving(
    out: Floats,
    z: int,
    frames: int,
    first: int,
    duck: Envelopes,
    on: Envelopes,
    fix: Floats,
    fix_first: int,
    fix_frames: int,
) -> None:
    """`envelopes` of one zone where it does not keep still: from corner to corner of the two."""
    i = 0
    while i < frames:
        frame = first + i
        duck_until, duck_at, duck_frames, duck_base, duck_change = _stretch(duck, z, frame)
        on_until, on_at, on_frames, on_base, on_change = _stretch(on, z, frame)
        until = min(first + frames, duck_until, on_until)
        for now in range(frame, until):
            duck_db = duck_base + duck_change * (float(now - duck_at) / duck_frames)
            level = on_base + on_change * (float(now - on_at) / on_frames)
            if now < fix_first + fix_frames:
                left = 1.0 - float(now - fix_first) / float(fix_frames)
                duck_db += fix[0, z] * left
                level += fix[1, z] * left
            out[now - first, z] = math.exp(duck_db * DB) * level
        i += until - frame


@exact
def _stretch(points: Envelopes, zone: int, frame: int) -> tuple[int, int, float, float, float]:
    """The straight line the frame lies on: until when, since when, its frames, value at its start, change over it.
    The value anywhere on it is the very one that `value_at` gives.
    """
    after = _after(points, zone, frame)
    begin, end = points.start[zone], points.start[zone + 1]
    if after == begin:
        return (points.at[after] if begin < end else FAR), frame, 1.0, 0.0, 0.0
    a = after - 1
    if after == end:
        return (
            (frame + 1, frame, 1.0, points.value[a], 0.0) if points.at[a] == frame else (FAR, frame, 1.0, 0.0, 0.0)
        )
    length = float(points.at[after] - points.at[a])
    return points.at[after], points.at[a], length, points.value[a], points.value[after] - points.value[a]


@exact
def jumps(
    fix: Floats, frame: int, duck_before: Envelopes, on_before: Envelopes, duck: Envelopes, on: Envelopes
) -> None:
    """By how much the envelopes of the same zones jump at a frame when they are replaced: old minus new."""
    for z in range(fix.shape[1]):
        fix[0, z] = value_at(duck_before, z, frame) - value_at(duck, z, frame)
        fix[1, z] = value_at(on_before, z, frame) - value_at(on, z, frame)


@exact
def glide(out: Floats, frames: int, now: Floats, target: Floats, step: Floats) -> None:
    """Levels that move to their targets sample by sample. out (frames, 3, zones), the others (3, zones)."""
    for i in range(frames):
        for kind in range(3):
            for z in range(now.shape[1]):
                level, goal, by = now[kind, z], target[kind, z], step[kind, z]
                if level != goal:
                    level = min(goal, level + by) if by > 0.0 else max(goal, level + by)
                    now[kind, z] = level
                out[i, kind, z] = level


@exact
def lanes(
    y: Floats,
    head: int,
    frames: int,
    first: int,
    music: Floats,
    speech: Floats,
    gains: Floats,
    levels: Floats,
    zone_of: Ints,
    from_column: Ints,
    to_column: Ints,
    turned: int,
    turn: int,
    coefs: Floats,
    state: Floats,
) -> None:
    """Sum, filter and level every lane.

    y        (head + frames, lanes); rows from `head` on are written
    gains    (frames, zones) the music's envelope; levels (frames, 3, zones): music, announcements, zone
    columns  (lanes,) of the music bus, -1 for none; the music turns from one to the other within `turn` frames,
             of which `turned` have passed
    coefs    (sections, 5, lanes): b0 b1 b2 a1 a2; state (sections, 2, lanes), transposed direct form II
    """
    count = zone_of.shape[0]
    sections = coefs.shape[0]
    for i in range(frames):
        row = head + i
        weight = min(1.0, float(turned + i) / float(turn))
        for lane in range(count):
            z = zone_of[lane]
            sound = music[i, to_column[lane]] if to_column[lane] >= 0 else 0.0
            if weight != 1.0:
                before = music[i, from_column[lane]] if from_column[lane] >= 0 else 0.0
                sound = before + (sound - before) * weight
            y[row, lane] = sound * (levels[i, 0, z] * gains[i, z]) + speech[i, lane] * levels[i, 1, z]
        for s in range(sections):
            for lane in range(count):
                x = y[row, lane]
                out = coefs[s, 0, lane] * x + state[s, 0, lane]
                state[s, 0, lane] = coefs[s, 1, lane] * x - coefs[s, 3, lane] * out + state[s, 1, lane]
                state[s, 1, lane] = coefs[s, 2, lane] * x - coefs[s, 4, lane] * out
                y[row, lane] = out
        for lane in range(count):
            y[row, lane] *= levels[i, 2, zone_of[lane]]
        if (first + i) % FLUSH_EVERY == 0:
            for s in range(sections):
                for k in range(2):
                    for lane in range(count):
                        if abs(state[s, k, lane]) < NOTHING:
                            state[s, k, lane] = 0.0


@exact
def keep_tail(y: Floats, head: int, frames: int) -> None:
    """Move the newest `head` rows to the front, for the next block."""
    for row in range(head):
        for lane in range(y.shape[1]):
            y[row, lane] = y[row + frames, lane]
