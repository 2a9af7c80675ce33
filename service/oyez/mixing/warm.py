"""Have every kernel of the mixer compiled (or read from disk) before the first block that must be in time."""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from oyez.mixing.mixer import Mixer
from oyez.mixing.programme import Cue, CueZone, Programme, Segment, SourceSetup, TrackSetup, ZoneSetup

_FRAMES = 4800


class _Silence:
    frames = _FRAMES
    channels = 1

    def read(self, _start_frame: int, frames: int, /) -> NDArray[np.float32]:
        return np.zeros((frames, self.channels), dtype=np.float32)


class _Library:
    def sound(self, _sha256: str, /) -> _Silence:
        return _Silence()


@functools.cache
def warm_up() -> None:
    """Play silence through everything once: music, an announcement, a change. Some seconds the very first time,
    a fraction of one when the kernels are on disk, nothing when they are there already.
    """
    zone = ZoneSetup(
        id="zone",
        name="Zone",
        channels=1,
        source="source",
        music_level_db=0.0,
        announce_level_db=0.0,
        level_db=0.0,
        highpass_hz=100.0,
        bands=(),
        ceiling_dbtp=-1.0,
        music=((0, 1000),),
    )
    track = TrackSetup(title="track", sha256="track", frames=_FRAMES, channels=1, gain_db=0.0)
    programme = Programme(
        venue="",
        timezone="UTC",
        revision=0,
        made_ms=0,
        until_ms=1000,
        zones=(zone,),
        sources=(SourceSetup(id="source", crossfade_frames=10, tracks=(track,)),),
        outputs=(),
        cues=(),
    )
    cue = Cue(
        id="cue",
        rule=None,
        title="",
        priority=0,
        nominal_ms=10,
        start_ms=10,
        end_ms=60,
        latest_ms=10,
        segments=(Segment(clip="", sha256="clip", offset_frames=0, frames=2400, channels=1, round=1),),
        zones=(
            CueZone(zone="zone", gains_db=(0.0,), depth_db=6.0, fall_ms=10, hold_ms=0, rise_ms=10, bridge_ms=0),
        ),
        left_out=(),
        reason="",
        asked_by="",
        after_cut="drop",
    )
    mixer = Mixer(programme, _Library(), start_frame=0, offline=True)
    mixer.arm(cue, join=True)
    mixer.render(2 * _FRAMES)
    mixer.set_programme(programme)
    mixer.render(_FRAMES)
