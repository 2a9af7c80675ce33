"""Reading audio files of any kind, in blocks: first libsndfile, then ffmpeg. Also to the form clips are stored in.

libsndfile (through soundfile) reads WAV, AIFF, FLAC, OGG, Opus and MP3; what it cannot read (M4A/AAC, WMA and
others) goes through the ffmpeg that the imageio-ffmpeg package brings. It is run here and not through pydub, which
wants ffprobe beside it (that package has none), holds the whole file several times over, and clips float samples.
ffmpeg may open this one file and nothing else: no network, no playlists, no files named inside the file.

Blocks are always (frames, channels) float32 in the order L R C LFE Ls Rs, whatever the file's own order.
"""

from __future__ import annotations

import contextlib
import re
import struct
import subprocess
import tempfile
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final, Protocol

import numpy as np
import numpy.typing as npt

from oyez.clips.containers import is_mp3_without_count, missing_end
from oyez.errors import ClipRefused

Samples = npt.NDArray[np.float32]

STORE_RATE: Final = 48_000
BLOCK_FRAMES: Final = 1 << 16
MOST_CHANNELS: Final = 8
_FFMPEG_TIMEOUT_S = 600.0

# What ffmpeg may take a file for: containers of sound, none that lead to other files.
_DEMUXERS = (
    "aac,ac3,aiff,amr,ape,asf,au,caf,dsf,dts,dtshd,eac3,flac,iff,matroska,mlp,mov,mp3,mpc,mpc8,ogg,oma,tak,"
    "truehd,tta,voc,w64,wav,wv"
)

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
        raise ClipRefused(shown, "there is no such file", "missing")
    if size == 0:
        raise ClipRefused(shown, "is empty", "empty")
    if short := missing_end(path):
        raise ClipRefused(shown, f"is truncated: {short}", "truncated")
    with contextlib.ExitStack() as stack:
        source: Source
        try:
            if loose := is_mp3_without_count(path):
                source = stack.enter_context(_ffmpeg(path, shown, loose=loose))
            else:
                source = _SndfileSource(stack.enter_context(Forward(path)), shown)
        except soundfile.LibsndfileError:
            source = stack.enter_context(_ffmpeg(path, shown))
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
    def __init__(self, file: Any, name: str) -> None:
        self.name = name
        self.form = f"{file.format} {file.subtype}".replace("_", " ").lower()
        self.sample_rate = int(file.samplerate)
        self.channels = int(file.channels)
        self.promised_frames: int | None = int(file.frames) if 0 <= file.frames < 1 << 62 else None
        self._order = _OGG_ORDER.get(self.channels) if file.format == "OGG" else None
        self._file = file

    def blocks(self) -> Iterator[Samples]:
        import soundfile

        done = 0
        while True:
            try:
                block = self._file.read(BLOCK_FRAMES, dtype="float32", always_2d=True)
            except soundfile.LibsndfileError as error:
                if self.promised_frames is not None:
                    break
                why = str(error).rstrip(".")
                raise ClipRefused(
                    self.name, f"is damaged after {done / self.sample_rate:.1f} s: {why}", "truncated"
                ) from None
            if not len(block):
                break
            done += len(block)
            yield block if self._order is None else np.ascontiguousarray(block[:, self._order])
        if self.promised_frames is not None and done < self.promised_frames:
            raise _cut_short(self.name, self.promised_frames / self.sample_rate, done / self.sample_rate)


@dataclass(slots=True)
class _FfmpegSource:
    name: str
    form: str
    sample_rate: int
    channels: int
    promised_frames: int | None
    pipe: IO[bytes]
    finish: Any

    def blocks(self) -> Iterator[Samples]:
        width = self.channels * 4
        done = 0
        while data := self.pipe.read(BLOCK_FRAMES * width):
            whole = len(data) // width
            done += whole
            if whole:
                yield np.frombuffer(data, dtype="<f4", count=whole * self.channels).reshape(-1, self.channels)
        promised_s = self.finish(done)
        # A header of such files counts whole packets, and times are printed in hundredths.
        if promised_s is not None and done / self.sample_rate < promised_s - 0.25:
            raise _cut_short(self.name, promised_s, done / self.sample_rate)


@contextlib.contextmanager
def _ffmpeg(path: Path, name: str, *, loose: bool = False) -> Iterator[_FfmpegSource]:
    """Decode by ffmpeg into a float WAV on a pipe. The process is gone when the block is left.

    loose  the stream states no length and may have tags between its frames: neither is a fault
    """
    import imageio_ffmpeg

    command = [
        imageio_ffmpeg.get_ffmpeg_exe(),
        *("-nostdin", "-hide_banner", "-nostats", "-v", "info", *([] if loose else ["-xerror"])),
        *("-protocol_whitelist", "file", "-format_whitelist", _DEMUXERS),
        *("-i", f"file:{path.resolve()}", "-map", "0:a:0", "-map_metadata", "-1"),
        *("-c:a", "pcm_f32le", "-fflags", "+bitexact", "-f", "wav", "-"),
    ]
    with tempfile.TemporaryFile() as talk:
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=talk, cwd=tempfile.gettempdir()
        )
        pipe = process.stdout
        assert pipe is not None
        late = threading.Event()

        def too_slow() -> None:
            late.set()
            process.kill()

        watch = threading.Timer(_FFMPEG_TIMEOUT_S, too_slow)
        watch.daemon = True
        watch.start()

        def said() -> str:
            talk.seek(0)
            return talk.read(1 << 20).decode(errors="replace")

        def finish(done: int) -> float | None:
            status = process.wait()
            if late.is_set():
                raise ClipRefused(name, f"takes more than {_FFMPEG_TIMEOUT_S:.0f} s to decode", "too-slow")
            if status != 0:
                seconds = done / source.sample_rate
                raise ClipRefused(name, f"is damaged after {seconds:.1f} s: {_last_line(said())}", "truncated")
            return None if loose else _promised_s(said())

        try:
            header = _wav_pipe_header(pipe)
            if header is None:
                process.wait()
                if late.is_set():
                    finish(0)
                raise ClipRefused(name, "is not audio that can be read", "not-audio")
            rate, channels = header
            promised = None if loose else _promised_s(said())
            source = _FfmpegSource(
                name=name,
                form=_codec(said()),
                sample_rate=rate,
                channels=channels,
                promised_frames=None if promised is None else round(promised * rate),
                pipe=pipe,
                finish=finish,
            )
            yield source
        finally:
            watch.cancel()
            process.kill()
            process.wait()
            pipe.close()


def _wav_pipe_header(pipe: IO[bytes]) -> tuple[int, int] | None:
    """Rate and channels from the WAV header on the pipe, which is left at the first sample; None: no header."""
    if len(pipe.read(12)) < 12:
        return None
    found: tuple[int, int] | None = None
    while True:
        head = pipe.read(8)
        if len(head) < 8:
            return None
        name, length = struct.unpack("<4sI", head)
        if name == b"data":
            return found
        body = pipe.read(length + length % 2)
        if name == b"fmt ":
            channels, rate = struct.unpack_from("<HI", body, 2)
            found = (rate, channels)


def _promised_s(said: str) -> float | None:
    found = re.search(r"Duration: (\d+):(\d\d):(\d\d\.\d+)", said)
    return int(found[1]) * 3600 + int(found[2]) * 60 + float(found[3]) if found else None


def _codec(said: str) -> str:
    found = re.search(r"Audio: (\w+)", said)
    return found[1] if found else "unknown"


def _last_line(said: str) -> str:
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    told = next((line for line in lines if "rror" in line or "nvalid" in line), lines[-1] if lines else "")
    return re.sub(r"^(\[[^\]]*\]\s*)+", "", told)[:160].rstrip(".") or "ffmpeg gave up"


def _cut_short(name: str, promised_s: float, there_s: float) -> ClipRefused:
    return ClipRefused(
        name, f"is truncated: its header promises {promised_s:.1f} s, {there_s:.1f} s can be read", "truncated"
    )
