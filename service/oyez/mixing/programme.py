"""What the mixer is told: zones, sources, and cues at exact times. The seam between planning and sound.

The same programme drives a rendering into a file and the engine in real time; the engine keeps it as JSON in
its own folder, so that it goes on playing with nothing else alive. Values only, imports nothing heavy.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

SAMPLE_RATE = 48_000
FRAMES_PER_MS = SAMPLE_RATE // 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class BandSetup:
    hz: float
    gain_db: float
    q: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneSetup:
    """One zone's path. `music` are the spans (ms of UTC, half-open) in which its music plays."""

    id: str
    name: str
    channels: int
    source: str | None
    music_level_db: float
    announce_level_db: float
    level_db: float
    highpass_hz: float | None
    bands: tuple[BandSetup, ...]
    ceiling_dbtp: float
    music: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackSetup:
    title: str
    sha256: str
    frames: int
    channels: int
    gain_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceSetup:
    """Tracks in turn, each overlapping the next by `crossfade_frames`, round and round.

    The position at UTC millisecond t is (t * 48) modulo the length of one round: date and time alone decide.
    """

    id: str
    crossfade_frames: int
    tracks: tuple[TrackSetup, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """One clip (or chime) inside a cue, `offset_frames` after the cue's start."""

    clip: str
    sha256: str
    offset_frames: int
    frames: int
    channels: int
    round: int  # 0 for the chime, then 1, 2, ...


@dataclass(frozen=True, slots=True, kw_only=True)
class CueZone:
    """What one cue does in one zone.

    gains_db  one a segment, clip gain for this zone's format (announcement and zone levels come on top)
    depth_db, fall_ms, hold_ms, rise_ms, bridge_ms   the duck
    """

    zone: str
    gains_db: tuple[float, ...]
    depth_db: float
    fall_ms: int
    hold_ms: int
    rise_ms: int
    bridge_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """A play as the engine holds it. `id` is the occurrence's; the same id is never begun twice."""

    id: str
    rule: str | None
    title: str
    priority: int
    nominal_ms: int
    start_ms: int
    end_ms: int
    latest_ms: int
    segments: tuple[Segment, ...]
    zones: tuple[CueZone, ...]
    left_out: tuple[tuple[str, str], ...]  # (zone, reason)
    reason: str
    asked_by: str  # "plan", or who fired it
    after_cut: str  # "restart" or "drop"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputSetup:
    id: str
    kind: str  # "card" or "recording"
    device: str | None
    file: str | None
    channels: int | None
    latency_s: float
    zones: Mapping[str, tuple[int, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Programme:
    """Everything the engine needs until `until_ms`. `revision` rises with every programme made."""

    venue: str
    timezone: str
    revision: int
    made_ms: int
    until_ms: int
    zones: tuple[ZoneSetup, ...]
    sources: tuple[SourceSetup, ...]
    outputs: tuple[OutputSetup, ...]
    cues: tuple[Cue, ...]


T = TypeVar("T")


def to_tree(value: Any) -> Any:
    """A dataclass as plain JSON values; tuples become lists."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_tree(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {k: to_tree(v) for k, v in value.items()}
    if isinstance(value, (tuple, list, frozenset)):
        return [to_tree(v) for v in value]
    return value


def from_tree(cls: type[T], tree: Any) -> T:
    """The inverse of `to_tree` for the dataclasses of this module. Raises ValueError on any misfit."""
    made: T = _read(cls, tree, cls.__name__)
    return made


def _read(kind: Any, tree: Any, at: str) -> Any:
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        hints = get_type_hints(kind)
        if not isinstance(tree, dict) or set(tree) != set(hints):
            got = sorted(tree) if isinstance(tree, dict) else type(tree).__name__
            raise ValueError(f"{at}: expected the keys {sorted(hints)}, got {got}")
        return kind(**{name: _read(hint, tree[name], f"{at}.{name}") for name, hint in hints.items()})
    origin, args = get_origin(kind), get_args(kind)
    if origin in (typing.Union, types.UnionType):
        if tree is None:
            return None
        return _read(next(a for a in args if a is not type(None)), tree, at)
    if origin is tuple:
        if not isinstance(tree, list):
            raise ValueError(f"{at}: expected a list, got {type(tree).__name__}")
        if len(args) == 2 and args[1] is Ellipsis:
            return tuple(_read(args[0], item, at) for item in tree)
        if len(tree) != len(args):
            raise ValueError(f"{at}: expected {len(args)} values, got {len(tree)}")
        return tuple(_read(a, item, at) for a, item in zip(args, tree, strict=True))
    if origin is not None and isinstance(tree, dict):
        return {k: _read(args[1], v, f"{at}.{k}") for k, v in tree.items()}
    if kind is float and isinstance(tree, int) and not isinstance(tree, bool):
        return float(tree)
    if not isinstance(tree, kind) or (kind is int and isinstance(tree, bool)):
        raise ValueError(f"{at}: expected {kind.__name__}, got {type(tree).__name__}")
    return tree
