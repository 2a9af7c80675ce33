"""A clip's picture: read where it is kept, or made by a process of its own, a few at a time."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from oyez.clips.pictures import kept_picture
from oyez.errors import NotFound, WorkFailed
from oyez.loudness.picture import Picture
from oyez.settings import Settings

TIMEOUT_S: Final = 300.0
_AT_ONCE = threading.BoundedSemaphore(2)
_lock = threading.Lock()
_making: dict[str, threading.Lock] = {}


def picture_of(settings: Settings, digest: str, *, clip_id: str) -> Picture:
    """The picture of stored audio. Raises NotFound when the audio is gone, WorkFailed when it cannot be drawn."""
    audio = settings.audio / digest[:2] / f"{digest}.wav"
    if not audio.is_file():
        raise NotFound(f"clip '{clip_id}': its audio is not in the store, add its file again")
    found = kept_picture(audio)
    if found is None:
        with _alone(digest), _AT_ONCE:
            found = kept_picture(audio)  # someone else may have had it made meanwhile
            if found is None:
                _make(settings, digest, clip_id)
                found = kept_picture(audio)
    if found is None:
        raise WorkFailed(f"clip '{clip_id}': its picture cannot be kept beside its audio, is the disk full?")
    return found


def _make(settings: Settings, digest: str, clip_id: str) -> None:
    command = [sys.executable, "-m", "oyez.clips.traced", "--data", str(settings.data_dir), digest]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=TIMEOUT_S, check=False)
    except subprocess.TimeoutExpired as error:
        raise WorkFailed(f"clip '{clip_id}': drawing it took over {TIMEOUT_S:.0f} s") from error
    if done.returncode != 0:
        last = (done.stderr.strip().splitlines() or ["no answer"])[-1]
        raise WorkFailed(f"clip '{clip_id}': it cannot be drawn: {last}")


@contextmanager
def _alone(digest: str) -> Iterator[None]:
    """One at a time for one piece of audio."""
    with _lock:
        lock = _making.setdefault(digest, threading.Lock())
    with lock:
        yield
    with _lock:
        if not lock.locked():
            _making.pop(digest, None)
