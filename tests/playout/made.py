"""Small programmes for the engine: a few zones with steady music, announcements that a matched filter finds."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from oyez.clips.store import AudioStore, Stored
from oyez.mixing.programme import Cue, CueZone, OutputSetup, Programme, Segment, SourceSetup, TrackSetup, ZoneSetup

RATE = 48_000
Samples = npt.NDArray[np.float32]


def chirp(seconds: float = 0.5, *, low_hz: float = 300.0, high_hz: float = 6000.0, level: float = 0.25) -> Samples:
    """A linear sweep, shape (frames, 1): its autocorrelation is one narrow peak."""
    t = np.arange(round(seconds * RATE)) / RATE
    phase = 2.0 * np.pi * (low_hz * t + (high_hz - low_hz) * t * t / (2.0 * seconds))
    return (level * np.sin(phase)).astype(np.float32)[:, None]


def tone(seconds: float, *, hz: float = 1000.0, level: float = 0.1) -> Samples:
    """A steady sine, shape (frames, 1), a whole number of periods long."""
    frames = round(round(seconds * hz) * RATE / hz)
    return (level * np.sin(2.0 * np.pi * hz * np.arange(frames) / RATE)).astype(np.float32)[:, None]


@dataclasses.dataclass(frozen=True, kw_only=True)
class Material:
    """What is in the store: music of one tone, a chirp to say, a chime."""

    music: Stored
    words: Stored
    chime: Stored


def stock(audio: Path) -> Material:
    store = AudioStore(audio)
    return Material(music=store.put(tone(20.0)), words=store.put(chirp()), chime=store.put(tone(0.3, hz=880.0)))


def zone(name: str, *, channels: int = 1, music: bool = True) -> ZoneSetup:
    return ZoneSetup(
        id=name,
        name=name.title(),
        channels=channels,
        source="house" if music else None,
        music_level_db=0.0,
        announce_level_db=0.0,
        level_db=0.0,
        highpass_hz=None,
        bands=(),
        ceiling_dbtp=-1.5,
        music=((0, 1 << 42),) if music else (),
    )


def cue(
    material: Material,
    name: str,
    start_ms: int,
    *,
    zones: Sequence[str] = ("foyer",),
    patience_ms: int = 1000,
    duration_ms: int = 500,
    repeat: int = 1,
    chime: bool = False,
    depth_db: float = 12.0,
    fall_ms: int = 200,
    hold_ms: int = 100,
    rise_ms: int = 300,
    bridge_ms: int = 500,
    priority: int = 60,
) -> Cue:
    """Says the chirp `repeat` times, 100 ms apart, in the given zones."""
    at = (len_ms(material.chime) + 100) * 48 if chime else 0
    segments = [
        Segment(clip="chime", sha256=material.chime.sha256, offset_frames=0, frames=material.chime.frames,
                channels=1, round=0)
    ] if chime else []  # fmt: skip
    for number in range(1, repeat + 1):
        segments.append(
            Segment(
                clip="words",
                sha256=material.words.sha256,
                offset_frames=at,
                frames=material.words.frames,
                channels=1,
                round=number,
            )
        )
        at += (duration_ms + 100) * 48
    return Cue(
        id=name,
        rule=name.partition("@")[0],
        title=f"Title of {name}",
        priority=priority,
        nominal_ms=start_ms,
        start_ms=start_ms,
        end_ms=start_ms + at // 48 - 100,
        latest_ms=start_ms + patience_ms,
        segments=tuple(segments),
        zones=tuple(
            CueZone(
                zone=z,
                gains_db=(0.0,) * len(segments),
                depth_db=depth_db,
                fall_ms=fall_ms,
                hold_ms=hold_ms,
                rise_ms=rise_ms,
                bridge_ms=bridge_ms,
            )
            for z in zones
        ),
        left_out=(),
        reason="on time",
        asked_by="plan",
        after_cut="drop",
    )


def len_ms(stored: Stored) -> int:
    return stored.frames * 1000 // RATE


def programme(
    material: Material,
    cues: Sequence[Cue] = (),
    *,
    zones: Sequence[ZoneSetup] | None = None,
    outputs: Sequence[OutputSetup] = (),
    revision: int = 1,
) -> Programme:
    return Programme(
        venue="Quillfin Aquarium",
        timezone="Europe/London",
        revision=revision,
        made_ms=0,
        until_ms=1 << 42,
        zones=tuple(zones if zones is not None else (zone("foyer"), zone("theatre", channels=2))),
        sources=(
            SourceSetup(
                id="house",
                crossfade_frames=0,
                tracks=(
                    TrackSetup(
                        title="Steady tone",
                        sha256=material.music.sha256,
                        frames=material.music.frames,
                        channels=1,
                        gain_db=0.0,
                    ),
                ),
            ),
        ),
        outputs=tuple(outputs),
        cues=tuple(cues),
    )
