"""The mixer as the engine uses it: made with its kernels in the data folder, its audio from the store.

The one place of the engine that knows the mixer's own ways of being asked.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from oyez.clips.store import AudioStore
from oyez.clips.store import Sound as StoredSound
from oyez.mixing.programme import (
    SAMPLE_RATE as RATE,
)
from oyez.mixing.programme import (
    Cue,
    CueZone,
    Programme,
    Segment,
    SourceSetup,
    TrackSetup,
    ZoneSetup,
)
from oyez.playout.feeder import AHEAD_S
from oyez.playout.history import Block
from oyez.playout.memory import EMPTY
from oyez.playout.roster import FADE_MS

if TYPE_CHECKING:
    from oyez.mixing.mixer import Mixer


FETCHED_FRAMES = 10 * RATE


class Library:
    """The audio store as the mixer asks for it."""

    def __init__(self, audio: Path) -> None:
        self._store = AudioStore(audio)

    def sound(self, sha256: str) -> StoredSound:
        return self._store.open(sha256)


def warm_up(kernels: Path) -> None:
    """Compile what is not compiled yet, into a folder of the data folder. Seconds the first time, then moments."""
    kernels.mkdir(parents=True, exist_ok=True)
    os.environ.setdefault("NUMBA_CACHE_DIR", str(kernels))  # before the first kernel is imported
    from oyez.mixing.mixer import Mixer

    _warm(Mixer)


def make_mixer(programme: Programme, audio: Path, *, start_frame: int, kernels: Path | None = None) -> Mixer:
    """A mixer at `start_frame`, without cues. `kernels` warms it up first, where that was not done before."""
    if kernels is not None:
        warm_up(kernels)
    from oyez.mixing.mixer import Mixer

    return Mixer(programme, Library(audio), start_frame=start_frame)


class _Hum:
    """Sound for warming up: a second of nothing, in mono or stereo."""

    frames = RATE

    def __init__(self, channels: int) -> None:
        self.channels = channels

    def read(self, start_frame: int, frames: int) -> Block:
        del start_frame
        return np.zeros((frames, self.channels), dtype=np.float32)


class _Hums:
    def sound(self, name: str) -> _Hum:
        return _Hum(2 if name == "stereo" else 1)


def _warm(mixer: type[Mixer]) -> None:
    """Run every kernel once, so that none is compiled while something plays."""
    zones = tuple(
        ZoneSetup(
            id=name,
            name=name,
            channels=channels,
            source="hums",
            music_level_db=0.0,
            announce_level_db=0.0,
            level_db=0.0,
            highpass_hz=80.0,
            bands=(),
            ceiling_dbtp=-1.5,
            music=((-1000, 10_000),),
        )
        for name, channels in (("mono", 1), ("stereo", 2))
    )
    tracks = tuple(TrackSetup(title=n, sha256=n, frames=RATE, channels=1, gain_db=0.0) for n in ("mono", "stereo"))
    programme = dataclasses.replace(
        EMPTY, zones=zones, sources=(SourceSetup(id="hums", crossfade_frames=480, tracks=tracks),)
    )
    segments = tuple(
        Segment(clip=n, sha256=n, offset_frames=0, frames=RATE, channels=1, round=1) for n in ("mono", "stereo")
    )
    here = tuple(
        CueZone(zone=z.id, gains_db=(0.0, 0.0), depth_db=6.0, fall_ms=10, hold_ms=10, rise_ms=10, bridge_ms=10)
        for z in zones
    )
    cue = Cue(
        id="warm",
        rule=None,
        title="",
        priority=0,
        nominal_ms=0,
        start_ms=0,
        end_ms=1000,
        latest_ms=0,
        segments=segments,
        zones=here,
        left_out=(),
        reason="",
        asked_by="",
        after_cut="drop",
    )
    scratch = mixer(programme, _Hums(), start_frame=0)
    scratch.render(480)
    scratch.arm(cue)
    scratch.feed(2.0)
    for _ in range(20):
        scratch.render(480)
    scratch.cut("warm", None, scratch.open_frame)
    scratch.set_programme(dataclasses.replace(programme, zones=zones[:1]))
    for _ in range(20):
        scratch.render(480)
    scratch.loudness("mono", 0, scratch.position)


class Sound:
    """What roster, report and engine ask of the mixer."""

    def __init__(self, mixer: Mixer, audio: Path) -> None:
        self._mixer = mixer
        self._store = AudioStore(audio)

    @property
    def position(self) -> int:
        return self._mixer.position

    @property
    def open_frame(self) -> int:
        return self._mixer.open_frame

    @property
    def zones(self) -> frozenset[str]:
        return self._mixer.zones

    @property
    def starved(self) -> int:
        return self._mixer.starved

    def has(self, sha256: str) -> bool:
        return self._store.has(sha256)

    def feed(self, ahead_s: float) -> None:
        self._mixer.feed(ahead_s)

    def fetch(self, cue: Cue) -> None:
        self._mixer.keep((s.sha256, min(s.frames, FETCHED_FRAMES)) for s in cue.segments)
        self._mixer.feed(AHEAD_S)

    def arm(self, cue: Cue, start_frame: int) -> int:
        return self._mixer.arm(cue, start_frame)

    def cut(self, cue_id: str, zones: Sequence[str]) -> int:
        return self._mixer.cut(cue_id, tuple(zones), self._mixer.open_frame, fade_ms=FADE_MS)

    def loudness(self, zone: str, from_frame: int, until_frame: int) -> float | None:
        return self._mixer.loudness(zone, from_frame, until_frame)

    def short_term_lufs(self, zone: str) -> float | None:
        with suppress(KeyError):  # the zone left between two blocks
            return self._mixer.short_term_lufs(zone)
        return None

    def sample_peak_dbfs(self, zone: str) -> float | None:
        with suppress(KeyError):
            return self._mixer.sample_peak_dbfs(zone)
        return None

    def fault(self) -> str | None:
        """Why some audio cannot be read just now, None when all can."""
        fault = self._mixer.fault
        return None if fault is None else str(fault)

    def take(self, programme: Programme) -> None:
        """Give the mixer another programme; it goes over to it between two blocks."""
        self._mixer.set_programme(programme)
