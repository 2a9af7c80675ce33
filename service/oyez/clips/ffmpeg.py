"""Decoding by ffmpeg, for what libsndfile cannot read. One process a file, gone when the block is left.

Run here and not through pydub, which wants ffprobe beside it (the imageio-ffmpeg package has none), holds the
whole file several times over, and clips float samples. ffmpeg may open this one file and nothing else: no network,
no playlists, no files named inside the file.
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
from typing import IO, Any, Final

import numpy as np
import numpy.typing as npt

from oyez.clips.containers import cut_short
from oyez.errors import ClipRefused

Samples = npt.NDArray[np.float32]

BLOCK_FRAMES: Final = 1 << 16
_TIMEOUT_S = 600.0

# What ffmpeg may take a file for: containers of sound, none that lead to other files.
_DEMUXERS = (
    "aac,ac3,aiff,amr,ape,asf,au,caf,dsf,dts,dtshd,eac3,flac,iff,matroska,mlp,mov,mp3,mpc,mpc8,ogg,oma,tak,"
    "truehd,tta,voc,w64,wav,wv"
)


@dataclass(slots=True)
class FfmpegSource:
    """A file that ffmpeg is decoding. promised_frames is what its header says, None when it does not say."""

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
            raise cut_short(self.name, promised_s, done / self.sample_rate)


@contextlib.contextmanager
def open_by_ffmpeg(path: Path, name: str, *, loose: bool = False) -> Iterator[FfmpegSource]:
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

        watch = threading.Timer(_TIMEOUT_S, too_slow)
        watch.daemon = True
        watch.start()

        def said() -> str:
            talk.seek(0)
            return talk.read(1 << 20).decode(errors="replace")

        def finish(done: int) -> float | None:
            status = process.wait()
            if late.is_set():
                raise ClipRefused(name, f"takes more than {_TIMEOUT_S:.0f} s to decode", "too-slow")
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
            source = FfmpegSource(
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
