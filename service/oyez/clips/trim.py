"""Silence at both ends of a clip: found with pydub, cut by ourselves in float (pydub would clip to 16 bits)."""

from __future__ import annotations

import warnings
from typing import Any, Final, Protocol

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float32]

_RATE = 48_000
_LOOK_S = 10
# common practice: what lies 50 dB under the clip's peak is its silence, and nothing over -45 dBFS ever is
_UNDER_PEAK_DB: Final = 50.0
_LOUDEST_DBFS: Final = -45.0
_QUIETEST_DBFS: Final = -80.0
_LEFT_STANDING_MS: Final = 30  # a cut keeps this much of the silence, so that no breath or fade is bitten off


class Readable(Protocol):
    frames: int
    channels: int

    def read(self, start_frame: int, frames: int) -> Samples: ...


def silence_at_ends(sound: Readable, peak_dbfs: float) -> tuple[int, int]:
    """(lead, tail) silence in ms, in steps of 10 ms; `peak_dbfs` is the clip's sample peak."""
    threshold = max(min(peak_dbfs - _UNDER_PEAK_DB, _LOUDEST_DBFS), _QUIETEST_DBFS)
    return _lead_ms(sound, threshold, backwards=False), _lead_ms(sound, threshold, backwards=True)


def kept_span(frames: int, lead_ms: int, tail_ms: int) -> tuple[int, int]:
    """The span [first, last) in frames that is left when the silence at the ends is cut."""
    first = max(0, lead_ms - _LEFT_STANDING_MS) * (_RATE // 1000)
    last = frames - max(0, tail_ms - _LEFT_STANDING_MS) * (_RATE // 1000)
    return (first, last) if first < last else (0, frames)


def _lead_ms(sound: Readable, threshold_dbfs: float, *, backwards: bool) -> int:
    segment, detect = _pydub()
    step = _LOOK_S * _RATE
    found_ms = 0
    for start in range(0, sound.frames, step):
        count = min(step, sound.frames - start)
        block = sound.read(sound.frames - start - count if backwards else start, count)
        if backwards:
            block = block[::-1]
        coarse = np.clip(np.rint(block * 32767.0), -32768, 32767).astype("<i2")
        piece = segment(data=coarse.tobytes(), sample_width=2, frame_rate=_RATE, channels=sound.channels)
        silent = int(detect(piece, silence_threshold=threshold_dbfs, chunk_size=10))
        found_ms += silent
        if silent * _RATE < count * 1000:
            break
    return min(found_ms, sound.frames * 1000 // _RATE)


def _pydub() -> tuple[Any, Any]:
    """Pydub warns while it is imported: about a missing ffmpeg, which is not used here, and about audioop."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from pydub import AudioSegment
        from pydub.silence import detect_leading_silence
    return AudioSegment, detect_leading_silence
