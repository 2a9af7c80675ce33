"""The music's way down and up again under announcements: one zone's gain in dB over time, as corner points.

What the plan shows and what the mixer plays is the same list of points. Touches no audio, clock or file, and
imports no kernel, so that the web process can use it.

The laws of the envelope:
- one play makes one trapezoid, linear in dB: 0 dB at start - fall, the full depth exactly at the start, held
  until end + hold, back at exactly 0 dB after the rise;
- where fewer than the bridge's milliseconds lie between the end of one rise and the beginning of the next
  play's fall (or they overlap), the music stays at the shallower of the two depths from the end of the one play
  to the start of the next; of two plays with different bridges the longer one counts;
- the gain is the lowest of all trapezoids and bridges: two voices do not duck twice;
- the order in which the plays are given is irrelevant.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from oyez.mixing.programme import FRAMES_PER_MS

Points = tuple[tuple[int, float], ...]

_LEVEL = 1e-9  # dB: what differs by less is the same level


@dataclass(frozen=True, slots=True, kw_only=True)
class DuckShape:
    """One play's duck in one zone. [start_ms, end_ms) is the play, `depth_db` is positive (6.0 is 6 dB down).

    bridges_back  False for a play that was not known of when the one before it ended: the music was on its way up
                  already, so there is no bridge to it
    Raises ValueError for an end before the start, a negative time or a depth that is not a number from 0 up.
    """

    start_ms: int
    end_ms: int
    depth_db: float
    fall_ms: int
    hold_ms: int
    rise_ms: int
    bridge_ms: int
    bridges_back: bool = True

    def __post_init__(self) -> None:
        if self.end_ms < self.start_ms:
            raise ValueError(f"the play ends at {self.end_ms} ms, before its start at {self.start_ms} ms")
        if not (math.isfinite(self.depth_db) and self.depth_db >= 0.0):
            raise ValueError(f"depth_db is {self.depth_db}, allowed are numbers from 0")
        for name in ("fall_ms", "hold_ms", "rise_ms", "bridge_ms"):
            if getattr(self, name) < 0:
                raise ValueError(f"{name} is {getattr(self, name)}, allowed are 0 and more")

    @property
    def begins_ms(self) -> int:
        return self.start_ms - self.fall_ms

    @property
    def returns_ms(self) -> int:
        return self.end_ms + self.hold_ms + self.rise_ms


@dataclass(frozen=True, slots=True)
class _Piece:
    """A straight piece of a trapezoid or a bridge over [from_ms, to_ms], to_ms > from_ms."""

    from_ms: int
    from_db: float
    to_ms: int
    to_db: float

    def at(self, ms: float) -> float:
        if ms == self.to_ms:
            return self.to_db
        return self.from_db + (self.to_db - self.from_db) * (ms - self.from_ms) / (self.to_ms - self.from_ms)

    @property
    def slope(self) -> float:
        return (self.to_db - self.from_db) / (self.to_ms - self.from_ms)


def corner_points(shapes: Iterable[DuckShape]) -> Points:
    """The envelope of one zone as (ms, dB), ascending, 0.0 dB before the first and after the last point.

    Every point lies on the envelope exactly. Where two slopes cross between two whole milliseconds, both of
    them become points (the corner between them is cut off by under a millisecond, towards the quieter side).
    A step (a fall or rise of 0 ms) is two points with one time, of which the later counts from that instant on.
    Points that lie on the straight line between their neighbours are left out; no plays give no points.
    """
    ordered = sorted(
        shapes,
        key=lambda s: (
            s.start_ms,
            s.end_ms,
            s.fall_ms,
            s.hold_ms,
            s.rise_ms,
            s.depth_db,
            s.bridge_ms,
            s.bridges_back,
        ),
    )
    clusters: list[list[DuckShape]] = []
    for shape in ordered:
        touching = [shape]
        while clusters and (
            shape.begins_ms <= max(s.returns_ms for s in clusters[-1]) or _bridged(clusters[-1][-1], shape)
        ):
            touching = clusters.pop() + touching
        clusters.append(touching)
    return _tidy([point for cluster in clusters for point in _envelope(cluster)])


def _bridged(first: DuckShape, then: DuckShape) -> bool:
    return then.bridges_back and then.begins_ms - first.returns_ms < max(first.bridge_ms, then.bridge_ms)


def _pieces(cluster: Sequence[DuckShape]) -> list[_Piece]:
    made = []
    for s in cluster:
        floor_db, held_ms = -float(s.depth_db), s.end_ms + s.hold_ms
        made.append(_Piece(s.begins_ms, 0.0, s.start_ms, floor_db))
        made.append(_Piece(s.start_ms, floor_db, held_ms, floor_db))
        made.append(_Piece(held_ms, floor_db, s.returns_ms, 0.0))
    for first, then in itertools.pairwise(cluster):
        if _bridged(first, then):
            level_db = -float(min(first.depth_db, then.depth_db))
            made.append(_Piece(first.end_ms, level_db, then.start_ms, level_db))
    return [p for p in made if p.to_ms > p.from_ms]


def _envelope(cluster: Sequence[DuckShape]) -> list[tuple[int, float]]:
    pieces = _pieces(cluster)
    if len(cluster) == 1:
        found = [point for p in pieces for point in ((p.from_ms, p.from_db), (p.to_ms, p.to_db))]
    else:
        edges = sorted({p.from_ms for p in pieces} | {p.to_ms for p in pieces})
        found = []
        for a, b in itertools.pairwise(edges):
            found.extend(_lowest([p for p in pieces if p.from_ms <= a and p.to_ms >= b], a, b))
    if not found:
        return []
    return [(found[0][0], 0.0), *found, (found[-1][0], 0.0)]


def _lowest(lines: Sequence[_Piece], a: int, b: int) -> list[tuple[int, float]]:
    """The lower edge of straight lines over [a, b]; without lines 0 dB."""
    if not lines:
        return [(a, 0.0), (b, 0.0)]
    now, line = a, _lowest_at(lines, a)
    points = [(a, line.at(a))]
    while now < b:
        crossing = math.inf
        for other in lines:
            if other.slope < line.slope - 1e-15:
                at = now + (other.at(now) - line.at(now)) / (line.slope - other.slope)
                crossing = min(crossing, at)
        if crossing >= b:
            points.append((b, line.at(b)))
            break
        before, after = max(now, math.floor(crossing + 1e-9)), max(now + 1, math.ceil(crossing - 1e-9))
        points.append((before, line.at(before)))
        now, line = after, _lowest_at(lines, after)
        points.append((after, line.at(after)))
    return points


def _lowest_at(lines: Sequence[_Piece], ms: int) -> _Piece:
    """The lowest line at an instant; of equal ones the one that is lower afterwards."""
    lowest_db = min(p.at(ms) for p in lines)
    return min((p for p in lines if p.at(ms) <= lowest_db + _LEVEL), key=lambda p: p.slope)


def _tidy(points: Sequence[tuple[int, float]]) -> Points:
    """Drop repeated points, what lies between two steps of one instant, and what lies on a straight line."""
    kept: list[tuple[int, float]] = []
    for ms, db in points:
        here = (ms, 0.0 if abs(db) < _LEVEL else db)
        if kept and kept[-1][0] == ms and abs(kept[-1][1] - here[1]) < _LEVEL:
            continue
        if len(kept) > 1 and kept[-1][0] == ms and kept[-2][0] == ms:
            kept.pop()
            if abs(kept[-1][1] - here[1]) < _LEVEL:
                continue
        while len(kept) > 1 and _straight(kept[-2], kept[-1], here):
            kept.pop()
        kept.append(here)
    while len(kept) > 1 and kept[0][1] == kept[1][1] == 0.0:
        kept.pop(0)
    while len(kept) > 1 and kept[-1][1] == kept[-2][1] == 0.0:
        kept.pop()
    return tuple(kept) if len(kept) > 1 else ()


def _straight(a: tuple[int, float], b: tuple[int, float], c: tuple[int, float]) -> bool:
    if a[0] == b[0] or b[0] == c[0]:
        return False
    return abs(a[1] + (c[1] - a[1]) * (b[0] - a[0]) / (c[0] - a[0]) - b[1]) < _LEVEL


def gain_db_at(points: Points, at_ms: float) -> float:
    """The envelope at one instant, in dB: what the plan's drawing and the log read."""
    index = bisect_right(points, at_ms, key=lambda p: p[0])
    if index in (0, len(points)):
        return points[-1][1] if points and index and points[-1][0] == at_ms else 0.0
    (a_ms, a_db), (b_ms, b_db) = points[index - 1], points[index]
    return a_db + (b_db - a_db) * (at_ms - a_ms) / (b_ms - a_ms)


def gain_db_of_frames(points: Points, frames: NDArray[Any]) -> NDArray[np.float64]:
    """The envelope at frames counted from 1970 at 48 kHz.

    frames   shape (n,), integers
    returns  shape (n,), dB, 0.0 outside the points; linear between them
    """
    level_db = np.zeros(len(frames))
    if not points:
        return level_db
    at = np.array([ms * FRAMES_PER_MS for ms, _ in points], dtype=np.int64)
    db = np.array([value for _, value in points])
    index = np.searchsorted(at, frames, side="right") - 1
    inside = (index >= 0) & (index < len(at) - 1)
    i = index[inside]
    level_db[inside] = db[i] + (db[i + 1] - db[i]) * (frames[inside] - at[i]) / (at[i + 1] - at[i])
    level_db[index == len(at) - 1] = db[-1]
    return level_db
