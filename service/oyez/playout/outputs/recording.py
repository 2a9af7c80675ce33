"""A recording: follows the sound and writes it as 32-bit float WAV, on a thread of its own.

DIR/recordings/NAME-20261127T174430123Z.wav, a new file at each start and before a file grows past 2 GiB. The
header is brought up to date every few seconds, so what a crash leaves plays in any tool. A disk that is full or
slow costs the recording, counted and said, never the sound; the last 200 MB of a disk are left to the log.
"""

from __future__ import annotations

import datetime as dt
import os
import shutil
import struct
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from time import monotonic

import numpy as np

from oyez.playout.history import History
from oyez.playout.outputs.driver import routing

RATE = 48_000
HEADER_BYTES = 56
LARGEST_BYTES = 2 * 1024**3 - 2**20
LEAVE_FREE_BYTES = 200 * 1024**2
HEADER_EVERY_S = 2.0
RETRY_S = 5.0


def header(frames: int, channels: int) -> bytes:
    """A WAV header for 32-bit float: RIFF with `fmt ` (format 3, IEEE float), `fact` and `data` chunks."""
    data_bytes = frames * channels * 4
    fmt = struct.pack("<HHIIHH", 3, channels, RATE, RATE * channels * 4, channels * 4, 32)
    return (
        b"RIFF" + struct.pack("<I", HEADER_BYTES - 8 + data_bytes) + b"WAVE"
        b"fmt " + struct.pack("<I", len(fmt)) + fmt +
        b"fact" + struct.pack("<II", 4, frames) +
        b"data" + struct.pack("<I", data_bytes)
    )  # fmt: skip


class Recording:
    """Follows a History from now on until closed. `health` is "playing" or "lost", `detail` says what."""

    kind = "recording"

    def __init__(
        self,
        *,
        id: str,  # noqa: A002
        folder: Path,
        name: str,
        channels: int | None,
        lanes: Mapping[str, slice],
        zones: Mapping[str, Sequence[int]],
        history: History,
        utc_s: Callable[[], float],
        free_bytes: Callable[[Path], int] | None = None,
    ) -> None:
        self.id = id
        self.channels = channels or max((max(c) for c in zones.values()), default=1)
        self._matrix = routing(lanes, zones, self.channels)
        self._folder, self._stem = folder, Path(name).name.removesuffix(".wav") or id
        self._history, self._utc_s = history, utc_s
        self._free_bytes = free_bytes or (lambda path: shutil.disk_usage(path).free)
        self._next = history.end
        self._file: int | None = None
        self._frames = 0
        self._header_s = 0.0
        self._retry_s = 0.0
        self.path: Path | None = None
        self.fault: str | None = None
        self.lost_frames = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"recording-{id}", daemon=True)
        self._thread.start()

    @property
    def health(self) -> str:
        return "playing" if self.fault is None else "lost"

    @property
    def detail(self) -> str:
        if self.fault is not None:
            return self.fault
        lost = f", {self.lost_frames / RATE:.1f} s lost" if self.lost_frames else ""
        return f"recording into {self.path.name if self.path else self._stem}{lost}"

    def close(self) -> None:
        """Write what there is, finish the header, close the file."""
        self._stop.set()
        self._thread.join(2.0)

    def _run(self) -> None:
        while not self._stop.wait(0.1):
            self._follow()
        self._follow()
        try:
            self._finish()
        except OSError as error:
            self.fault = f"the recording could not be finished: {error.strerror}"

    def _follow(self) -> None:
        read = self._history.read(self._next, slice(None), at_most=4 * RATE)
        self._next = read.next
        self.lost_frames += read.lost
        if not len(read.block):
            return
        try:
            if self._file is None:
                if monotonic() < self._retry_s:
                    self.lost_frames += len(read.block)
                    return
                self._open()
            self._write(np.ascontiguousarray(read.block @ self._matrix, dtype="<f4").tobytes(), len(read.block))
            self.fault = None
        except OSError as error:
            self.lost_frames += len(read.block)
            self.fault = f"not recording: {error.strerror or error}"
            self._retry_s = monotonic() + RETRY_S
            self._abandon()

    def _open(self) -> None:
        self._folder.mkdir(parents=True, exist_ok=True)
        self._check_room()
        stamp = dt.datetime.fromtimestamp(self._utc_s(), dt.UTC).strftime("%Y%m%dT%H%M%S%f")[:-3] + "Z"
        self.path = self._folder / f"{self._stem}-{stamp}.wav"
        self._file = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o640)
        self._frames = 0
        os.pwrite(self._file, header(0, self.channels), 0)
        self._header_s = monotonic()

    def _write(self, data: bytes, frames: int) -> None:
        assert self._file is not None
        at = HEADER_BYTES + self._frames * self.channels * 4
        done = 0
        while done < len(data):
            done += os.pwrite(self._file, data[done:], at + done)
        self._frames += frames
        if monotonic() - self._header_s > HEADER_EVERY_S:
            os.pwrite(self._file, header(self._frames, self.channels), 0)
            self._header_s = monotonic()
            self._check_room()
        if at + len(data) > LARGEST_BYTES:
            self._finish()

    def _check_room(self) -> None:
        if self._free_bytes(self._folder) < LEAVE_FREE_BYTES:
            raise OSError(28, f"under {LEAVE_FREE_BYTES // 1024**2} MB free, kept for the log")

    def _finish(self) -> None:
        if self._file is not None:
            os.pwrite(self._file, header(self._frames, self.channels), 0)
            os.close(self._file)
            self._file = None

    def _abandon(self) -> None:
        try:
            self._finish()
        except OSError as error:
            self.fault = f"not recording: {error.strerror or error}"
            if self._file is not None:
                os.close(self._file)
            self._file = None
