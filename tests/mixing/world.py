"""A small world for the mixer's tests: sounds in memory, zones, cues, said in a few words."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from oyez.errors import NotFound
from oyez.mixing.mixer import Mixer
from oyez.mixing.programme import (
    BandSetup,
    Cue,
    CueZone,
    Programme,
    Segment,
    SourceSetup,
    TrackSetup,
    ZoneSetup,
)

RATE = 48_000
T0_MS = 1_795_800_000_000  # some instant
T0 = T0_MS * 48
ALWAYS = ((0, 1 << 44),)


class ArraySound:
    def __init__(self, samples: np.ndarray) -> None:
        self.samples = np.ascontiguousarray(samples, dtype=np.float32)
        self.frames, self.channels = self.samples.shape
        self.reads = 0

    def read(self, start: int, frames: int) -> np.ndarray:
        self.reads += 1
        out = np.zeros((frames, self.channels), dtype=np.float32)
        first, last = max(start, 0), min(start + frames, self.frames)
        if last > first:
            out[first - start : last - start] = self.samples[first:last]
        return out


class Shelf:
    """A library of arrays; what is not on it raises as the store does."""

    def __init__(self, **sounds: np.ndarray) -> None:
        self.sounds = {name: ArraySound(samples) for name, samples in sounds.items()}

    def sound(self, name: str) -> ArraySound:
        if name not in self.sounds:
            raise NotFound(f"audio {name}: not in the store")
        return self.sounds[name]


def noise(frames: int, channels: int = 1, *, rms: float = 0.05, seed: int = 1) -> np.ndarray:
    return (np.random.default_rng(seed).standard_normal((frames, channels)) * rms).astype(np.float32)


def tone(frames: int, hz: float, *, peak: float = 0.1, channels: int = 1) -> np.ndarray:
    wave = peak * np.sin(2 * np.pi * hz * np.arange(frames) / RATE)
    return np.repeat(wave[:, None], channels, axis=1).astype(np.float32)


def constant(frames: int, *values: float) -> np.ndarray:
    return np.tile(np.array(values, dtype=np.float32), (frames, 1))


def zone(name: str = "foyer", channels: int = 1, *, source: str | None = "house", **more) -> ZoneSetup:
    fields = {
        "id": name,
        "name": name,
        "channels": channels,
        "source": source,
        "music_level_db": 0.0,
        "announce_level_db": 0.0,
        "level_db": 0.0,
        "highpass_hz": None,
        "bands": (),
        "ceiling_dbtp": -1.5,
        "music": ALWAYS,
        **more,
    }
    fields["bands"] = tuple(BandSetup(hz=hz, gain_db=gain_db, q=q) for hz, gain_db, q in fields["bands"])
    return ZoneSetup(**fields)


def source(
    shelf: Shelf, *tracks: str, name: str = "house", crossfade: int = 0, gain_db: float = 0.0
) -> SourceSetup:
    return SourceSetup(
        id=name,
        crossfade_frames=crossfade,
        tracks=tuple(
            TrackSetup(
                title=t,
                sha256=t,
                frames=shelf.sounds[t].frames,
                channels=shelf.sounds[t].channels,
                gain_db=gain_db,
            )
            for t in tracks
        ),
    )


def programme(*zones: ZoneSetup, sources: tuple[SourceSetup, ...] = (), revision: int = 1) -> Programme:
    return Programme(
        venue="Quillfin Aquarium",
        timezone="Europe/London",
        revision=revision,
        made_ms=T0_MS,
        until_ms=T0_MS + 86_400_000,
        zones=zones,
        sources=sources,
        outputs=(),
        cues=(),
    )


def cue(
    shelf: Shelf,
    clip: str,
    *zones: str,
    at_ms: int,
    name: str | None = None,
    depth_db: float = 14.0,
    fall_ms: int = 600,
    hold_ms: int = 300,
    rise_ms: int = 1500,
    bridge_ms: int = 2000,
    gains_db: Mapping[str, float] | None = None,
) -> Cue:
    """One clip at `at_ms` after T0."""
    sound = shelf.sounds[clip]
    start = T0_MS + at_ms
    return Cue(
        id=name or f"{clip}@{at_ms}",
        rule=clip,
        title=clip,
        priority=60,
        nominal_ms=start,
        start_ms=start,
        end_ms=start + round(sound.frames / 48),
        latest_ms=start + 60_000,
        segments=(
            Segment(
                clip=clip, sha256=clip, offset_frames=0, frames=sound.frames, channels=sound.channels, round=1
            ),
        ),
        zones=tuple(
            CueZone(
                zone=z,
                gains_db=((gains_db or {}).get(z, 0.0),),
                depth_db=depth_db,
                fall_ms=fall_ms,
                hold_ms=hold_ms,
                rise_ms=rise_ms,
                bridge_ms=bridge_ms,
            )
            for z in (zones or ("foyer",))
        ),
        left_out=(),
        reason="on time",
        asked_by="plan",
        after_cut="drop",
    )


def offline(shelf: Shelf, plan: Programme, *cues: Cue, start_frame: int = T0) -> Mixer:
    mixer = Mixer(plan, shelf, start_frame=start_frame, offline=True)
    for one in cues:
        mixer.arm(one, join=True)
    return mixer


def render(shelf: Shelf, plan: Programme, *cues: Cue, frames: int, start_frame: int = T0) -> np.ndarray:
    return np.array(offline(shelf, plan, *cues, start_frame=start_frame).render(frames))


def to_24_bit(samples: np.ndarray) -> np.ndarray:
    return np.rint(samples.astype(np.float64) * (1 << 23)).astype(np.int64)
