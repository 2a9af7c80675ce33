"""The audio store: each piece of audio once, named by its content, whole or not there at all.

    ROOT/ab/abcdef....wav     48 kHz, 32-bit float, 1 or 2 channels, a plain WAV any tool reads (RF64 past 4 GB)
    ROOT/incoming/*.part      being written now; what a crash leaves there is swept away later

The name is the SHA-256 of b"1ch" or b"2ch" and then the raw little-endian float32 samples, interleaved: the same
sound has the same name whatever file it came from. A file is written under `incoming`, flushed to the disk, and
then renamed, so a crash leaves the whole clip or none. Knows nothing of the database, of decoding or of loudness.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import re
import secrets
import struct
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import numpy as np
import numpy.typing as npt

from oyez.errors import NotFound, WorkFailed

Samples = npt.NDArray[np.float32]

SAMPLE_RATE: Final = 48_000
HEADER_BYTES: Final = 128
_UNKNOWN_32 = 0xFFFF_FFFF
_NAME = re.compile(r"[0-9a-f]{64}")
_STALE_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """Audio that is in the store. `sha256` names it; frames at 48 kHz."""

    sha256: str
    frames: int
    channels: int

    @property
    def duration_ms(self) -> int:
        """Rounded half up to whole milliseconds."""
        return (self.frames * 1000 + SAMPLE_RATE // 2) // SAMPLE_RATE


def wav_header(frames: int, channels: int, sample_rate: int = SAMPLE_RATE) -> bytes:
    """The first 128 bytes of a float WAV, samples follow. RF64 (EBU Tech 3306) when 32 bits cannot count it."""
    data_bytes = frames * channels * 4
    riff_bytes = HEADER_BYTES - 8 + data_bytes
    large = riff_bytes >= _UNKNOWN_32
    fmt = struct.pack(
        "<HHIIHHH", 3, channels, sample_rate, sample_rate * channels * 4, channels * 4, 32, 0
    )  # 3: IEEE float
    parts = [
        b"RF64" if large else b"RIFF",
        struct.pack("<I", _UNKNOWN_32 if large else riff_bytes),
        b"WAVE",
        b"ds64" if large else b"JUNK",
        struct.pack("<I", 28),
        struct.pack("<QQQI", riff_bytes, data_bytes, frames, 0) if large else bytes(28),
        b"fmt " + struct.pack("<I", len(fmt)) + fmt,
        b"fact" + struct.pack("<II", 4, min(frames, _UNKNOWN_32)),
    ]
    so_far = sum(map(len, parts))
    filler = HEADER_BYTES - 8 - so_far - 8
    parts.append(b"JUNK" + struct.pack("<I", filler) + bytes(filler))
    parts.append(b"data" + struct.pack("<I", _UNKNOWN_32 if large else data_bytes))
    return b"".join(parts)


class Sound:
    """One stored clip, open for reading. Each `open` is independent; reading moves no shared position.

    frames, channels  of the audio at 48 kHz
    Safe to read from several threads; a read releases the interpreter and touches no lock.
    Close it, or use it as a context manager; closing twice is fine.
    """

    __slots__ = ("_fd", "channels", "frames", "sha256")

    def __init__(self, path: Path, sha256: str) -> None:
        try:
            self._fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        except FileNotFoundError:
            raise NotFound(f"audio {sha256[:12]}: not in the store") from None
        self.sha256 = sha256
        try:
            self.channels, self.frames = _read_header(self._fd, path)
        except BaseException:
            self.close()
            raise

    def read(self, start_frame: int, frames: int) -> Samples:
        """The samples [start_frame, start_frame + frames).

        returns  shape (frames, channels), float32, always whole: what lies outside the audio is zero
        """
        out = np.zeros((max(frames, 0), self.channels), dtype=np.float32)
        first = max(start_frame, 0)
        last = min(start_frame + frames, self.frames)
        if last > first:
            part = out[first - start_frame : last - start_frame]
            _read_into(self._fd, memoryview(part.data).cast("B"), HEADER_BYTES + first * self.channels * 4)
        return out

    def blocks(self, frames: int = 1 << 18) -> Iterator[Samples]:
        """All of it in order, in blocks of at most `frames`."""
        for start in range(0, self.frames, frames):
            yield self.read(start, min(frames, self.frames - start))

    def close(self) -> None:
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __del__(self) -> None:
        if getattr(self, "_fd", -1) >= 0:
            self.close()


class Writer:
    """Takes one piece of audio block by block; `commit` puts it into the store, anything else leaves nothing."""

    def __init__(self, store: AudioStore, channels: int) -> None:
        if channels not in {1, 2}:
            raise ValueError(f"the store keeps 1 or 2 channels, got {channels}")
        self._store = store
        self.channels = channels
        self.frames = 0
        self._digest = hashlib.sha256(f"{channels}ch".encode())
        self.path = store.incoming / f"{os.getpid()}-{secrets.token_hex(8)}.part"
        self._fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            _write_all(self._fd, bytes(HEADER_BYTES))
        except BaseException:
            self.drop()
            raise

    def push(self, samples: Samples) -> None:
        """Take the next samples: shape (frames, channels), float32, any length."""
        if samples.ndim != 2 or samples.shape[1] != self.channels:
            raise ValueError(f"expected (frames, {self.channels}) samples, got {samples.shape}")
        raw = np.ascontiguousarray(samples, dtype="<f4")
        if raw.size:
            view = memoryview(raw.data).cast("B")
            self._digest.update(view)
            _write_all(self._fd, view)
            self.frames += len(raw)

    def so_far(self) -> Sound:
        """What was pushed, open for reading before it is committed."""
        os.pwrite(self._fd, wav_header(self.frames, self.channels), 0)
        return Sound(self.path, self._digest.hexdigest())

    def commit(self) -> Stored:
        """Make it last: flush, rename, flush the folder. After this returns it survives a power cut."""
        sha256 = self._digest.hexdigest()
        stored = Stored(sha256=sha256, frames=self.frames, channels=self.channels)
        if self._store.has(sha256):
            os.utime(self._store.path_of(sha256))  # young again: nobody takes it for left over
            self.drop()
            return stored
        os.pwrite(self._fd, wav_header(self.frames, self.channels), 0)
        os.fsync(self._fd)
        target = self._store.path_of(sha256)
        if not target.parent.is_dir():
            target.parent.mkdir(exist_ok=True)
            _flush_folder(self._store.root)
        self.path.rename(target)
        _flush_folder(target.parent)
        os.close(self._fd)
        self._fd = -1
        return stored

    def drop(self) -> None:
        """Leave nothing behind. Does nothing after `commit`."""
        if self._fd >= 0:
            self.path.unlink(missing_ok=True)
            os.close(self._fd)
            self._fd = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.drop()


class AudioStore:
    """All stored audio under one folder. The folder is made when something is first written."""

    def __init__(self, root: Path) -> None:
        self.root = Path(root)

    @property
    def incoming(self) -> Path:
        return self.root / "incoming"

    def path_of(self, sha256: str) -> Path:
        """Where this audio lies or would lie. Raises NotFound for what is no SHA-256 name."""
        if not _NAME.fullmatch(sha256):
            raise NotFound(f"audio '{sha256[:80]}': a stored clip's name is 64 hexadecimal digits")
        return self.root / sha256[:2] / f"{sha256}.wav"

    def has(self, sha256: str) -> bool:
        """Whether it is there whole."""
        try:
            with self.open(sha256):
                return True
        except (NotFound, WorkFailed):
            return False

    def open(self, sha256: str) -> Sound:
        """Open for reading. Raises NotFound when it is not there, WorkFailed when the file is damaged."""
        return Sound(self.path_of(sha256), sha256)

    def put(self, samples: Samples) -> Stored:
        """Store samples of shape (frames, channels), 48 kHz float32. The same audio twice is stored once."""
        with self.writer(samples.shape[1]) as writer:
            writer.push(samples)
            return writer.commit()

    def writer(self, channels: int) -> Writer:
        """For audio that comes in blocks. Use as a context manager; nothing is kept without `commit`."""
        self.incoming.mkdir(parents=True, exist_ok=True)
        self.sweep()
        return Writer(self, channels)

    def sweep(self) -> int:
        """Remove what crashes left unfinished: parts over a minute old that no living writer holds."""
        removed = 0
        for part in self.incoming.glob("*.part"):
            with contextlib.suppress(FileNotFoundError, BlockingIOError, PermissionError):
                if time.time() - part.stat().st_mtime < _STALE_S:
                    continue
                fd = os.open(part, os.O_RDWR | os.O_CLOEXEC)
                try:
                    fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    part.unlink()
                    removed += 1
                finally:
                    os.close(fd)
        return removed

    def names(self) -> Iterator[str]:
        """The SHA-256 names of all stored audio."""
        for path in sorted(self.root.glob("[0-9a-f][0-9a-f]/*.wav")):
            if _NAME.fullmatch(path.stem):
                yield path.stem

    def remove(self, sha256: str) -> None:
        """Take it away. Sounds that are open go on reading."""
        path = self.path_of(sha256)
        path.unlink(missing_ok=True)
        for ending in (".json", ".picture.json"):  # what was measured and drawn of it
            path.with_suffix(ending).unlink(missing_ok=True)
        if path.parent.is_dir():
            _flush_folder(path.parent)


def _read_header(fd: int, path: Path) -> tuple[int, int]:
    """Channels and frames. Raises WorkFailed when it is not one of our files or has not its full length."""
    head = os.pread(fd, HEADER_BYTES, 0)
    if len(head) == HEADER_BYTES and head[:4] in {b"RIFF", b"RF64"}:
        channels = struct.unpack_from("<H", head, 58)[0]
        size_32 = struct.unpack_from("<I", head, HEADER_BYTES - 4)[0]
        data_bytes = struct.unpack_from("<Q", head, 28)[0] if head[:4] == b"RF64" else size_32
        frames = data_bytes // (4 * channels) if channels in {1, 2} else -1
        if frames >= 0 and head == wav_header(frames, channels):
            if os.fstat(fd).st_size == HEADER_BYTES + data_bytes:
                return channels, frames
            raise WorkFailed(f"{path}: the stored audio is damaged, {os.fstat(fd).st_size} bytes long")
    raise WorkFailed(f"{path}: this is not stored audio")


def _read_into(fd: int, view: memoryview, offset: int) -> None:
    done = 0
    while done < len(view):
        got = os.preadv(fd, [view[done:]], offset + done)
        if got == 0:
            raise WorkFailed("stored audio ended early")
        done += got


def _write_all(fd: int, data: bytes | memoryview) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(fd, view) :]


def _flush_folder(folder: Path) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
