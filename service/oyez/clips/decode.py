"""Reading audio files of any kind, in blocks: first libsndfile, then ffmpeg. Also to the form clips are stored in.

libsndfile (through soundfile) reads WAV, AIFF, FLAC, OGG, Opus and MP3; what it cannot read (M4A/AAC, WMA and
others) goes through the ffmpeg that the imageio-ffmpeg package brings.

Blocks are always (frames, channels) float32 in the order L R C LFE Ls Rs, whatever the file's own order.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
import numpy.typing as npt

from oyez.clips.containers import cut_short, is_mp3_without_count, missing_end
from oyez.clips.ffmpeg import open_by_ffmpeg
from oyez.clips.flac import parts, worth_parting
from oyez.errors import ClipRefused

Samples = npt.NDArray[np.float32]

STORE_RATE: Final = 48_000
BLOCK_FRAMES: Final = 1 << 16
MOST_CHANNELS: Final = 8

# Vorbis and Opus have their own order of channels (Vorbis I section 4.3.9, RFC 7845 section 5.1.1.2), which
# libsndfile hands through. Entry i: where the file keeps our channel i.
_OGG_ORDER: dict[int, tuple[int, ...]] = {
    3: (0, 2, 1),
    5: (0, 2, 1, 3, 4),
    6: (0, 2, 1, 5, 3, 4),
    7: (0, 2, 1, 6, 5, 3, 4),
    8: (0, 2, 1, 7, 5, 6, 3, 4),
}

_HALF_POWER = 0.7071  # ITU-R BS.775-4 Annex 4, as printed
_LEFT, _RIGHT = (1.0, 0.0), (0.0, 1.0)
_BOTH, _NONE = (_HALF_POWER, _HALF_POWER), (0.0, 0.0)
_LEFT_SIDE, _RIGHT_SIDE = (_HALF_POWER, 0.0), (0.0, _HALF_POWER)

# ITU-R BS.775-4 Annex 4 Table 2, downward mixing to 2/0: L' = L + 0.7071 C + 0.7071 Ls. The LFE channel is
# dropped. Further pairs behind (7.1) and one channel behind (6.1) are taken like surrounds.  # common practice
_FOLDS: dict[int, tuple[tuple[float, float], ...]] = {
    3: (_LEFT, _RIGHT, _BOTH),  # L R C
    4: (_LEFT, _RIGHT, _LEFT_SIDE, _RIGHT_SIDE),  # L R Ls Rs
    5: (_LEFT, _RIGHT, _BOTH, _LEFT_SIDE, _RIGHT_SIDE),  # L R C Ls Rs
    6: (_LEFT, _RIGHT, _BOTH, _NONE, _LEFT_SIDE, _RIGHT_SIDE),  # L R C LFE Ls Rs
    7: (_LEFT, _RIGHT, _BOTH, _NONE, (0.5, 0.5), _LEFT_SIDE, _RIGHT_SIDE),  # L R C LFE Cs Ls Rs
    8: (_LEFT, _RIGHT, _BOTH, _NONE, _LEFT_SIDE, _RIGHT_SIDE, _LEFT_SIDE, _RIGHT_SIDE),  # ... Lb Rb Ls Rs
}


class Source(Protocol):
    """An audio file that is open. promised_frames is what its header says, None when it does not say."""

    name: str
    form: str
    sample_rate: int
    channels: int
    promised_frames: int | None

    def blocks(self) -> Iterator[Samples]: ...


@contextlib.contextmanager
def open_source(path: Path, *, name: str | None = None) -> Iterator[Source]:
    """Open an audio file. `name` stands in messages.

    Raises ClipRefused, with a code: "missing", "empty", "truncated", "not-audio", "channels". A file may also
    turn out truncated while its blocks are read.
    """
    import soundfile

    class Forward(soundfile.SoundFile):  # type: ignore[misc]
        """Read from start to end: soundfile would seek after every block, which some formats cannot do."""

        def seekable(self) -> bool:
            return False

    shown = name or path.name
    try:
        size = path.stat().st_size if path.is_file() else -1
        if size > 0:
            with path.open("rb"):
                pass
    except OSError as error:
        raise ClipRefused(shown, f"cannot be read ({error.strerror})", "missing") from None
    if size < 0:
        raise ClipRefused(shown, "is a folder" if path.is_dir() else "there is no such file", "missing")
    if size == 0:
        raise ClipRefused(shown, "is empty", "empty")
    if short := missing_end(path):
        raise ClipRefused(shown, f"is truncated: {short}", "truncated")
    with contextlib.ExitStack() as stack:
        source: Source
        try:
            if loose := is_mp3_without_count(path):
                source = stack.enter_context(open_by_ffmpeg(path, shown, loose=loose))
            else:
                source = _SndfileSource(stack.enter_context(Forward(os.fsencode(path))), path, shown)
        except soundfile.LibsndfileError:
            source = stack.enter_context(open_by_ffmpeg(path, shown))
        if not 1 <= source.channels <= MOST_CHANNELS:
            raise ClipRefused(
                shown, f"has {source.channels} channels, allowed are 1 to {MOST_CHANNELS}", "channels"
            )
        yield source


def to_store_form(source: Source) -> Iterator[Samples]:
    """The source as clips are stored: 48 kHz, mono kept mono, more than two channels folded to stereo.

    Resampled by soxr at its very high quality; no sample is clipped.
    """
    import soxr

    folded = fold(source)
    if source.sample_rate == STORE_RATE:
        yield from folded
        return
    channels = min(source.channels, 2)
    stream = soxr.ResampleStream(source.sample_rate, STORE_RATE, channels, dtype="float32", quality="VHQ")
    for block in folded:
        out = stream.resample_chunk(block)
        if len(out):
            yield out.reshape(-1, channels)
    out = stream.resample_chunk(np.zeros((0, channels), dtype=np.float32), last=True)
    if len(out):
        yield out.reshape(-1, channels)


def fold(source: Source) -> Iterator[Samples]:
    """Blocks of one or two channels: more are folded by ITU-R BS.775."""
    if source.channels <= 2:
        yield from source.blocks()
        return
    matrix = np.array(_FOLDS[source.channels], dtype=np.float32)
    for block in source.blocks():
        yield block @ matrix


class _SndfileSource:
    def __init__(self, file: Any, path: Path, name: str) -> None:
        self.name = name
        self._path = path
        self.form = f"{file.format} {file.subtype}".replace("_", " ").lower()
        self.sample_rate = int(file.samplerate)
        self.channels = int(file.channels)
        self.promised_frames: int | None = int(file.frames) if 0 <= file.frames < 1 << 62 else None
        self._order = _OGG_ORDER.get(self.channels) if file.format == "OGG" else None
        self._file = file

    def blocks(self) -> Iterator[Samples]:
        import soundfile

        done = 0
        try:
            for block in self._raw_blocks():
                done += len(block)
                yield block if self._order is None else np.ascontiguousarray(block[:, self._order])
        except soundfile.LibsndfileError as error:
            if self.promised_frames is None:
                seconds, why = done / self.sample_rate, str(error).rstrip(".")
                raise ClipRefused(self.name, f"is damaged after {seconds:.1f} s: {why}", "truncated") from None
        if self.promised_frames is not None and done < self.promised_frames:
            raise cut_short(self.name, self.promised_frames / self.sample_rate, done / self.sample_rate)

    def _raw_blocks(self) -> Iterator[Samples]:
        """In the file's own order of channels."""
        frames = self.promised_frames
        if self._file.format == "FLAC" and frames is not None and worth_parting(frames, self.channels):
            yield from parts(self._path, frames, self.channels)
            return
        while len(block := self._file.read(BLOCK_FRAMES, dtype="float32", always_2d=True)):
            yield block
