"""A long FLAC file decoded in parts side by side. FLAC can be entered at any sample exactly, so the parts fit."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float32]

_PART_SAMPLES: Final = 1 << 20
_FEWEST_PARTS: Final = 8
_AT_ONCE: Final = 4


def worth_parting(frames: int, channels: int) -> bool:
    """Whether the file is long enough, and there is more than one core."""
    return frames * channels >= _FEWEST_PARTS * _PART_SAMPLES and (os.cpu_count() or 1) > 1


def parts(path: Path, frames: int, channels: int) -> Iterator[Samples]:
    """All of the file in order. A part that ends early is the last.

    returns  blocks of shape (frames, channels), float32
    Raises soundfile.LibsndfileError where it cannot be decoded. Once the iterator is closed its threads are gone.
    """
    step = _PART_SAMPLES // channels
    workers = min(_AT_ONCE, os.cpu_count() or 1)
    waiting: deque[Future[Samples]] = deque()
    starts = iter(range(0, frames, step))
    pool = ThreadPoolExecutor(workers, thread_name_prefix="flac")
    try:
        for start in starts:
            waiting.append(pool.submit(_part, path, start, step))
            if len(waiting) > workers:
                break
        at = 0
        while waiting:
            block = waiting.popleft().result()
            yield block
            at += len(block)
            if len(block) < min(step, frames - (at - len(block))):
                return
            for following in starts:
                waiting.append(pool.submit(_part, path, following, step))
                break
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _part(path: Path, start: int, frames: int) -> Samples:
    import soundfile

    class Forward(soundfile.SoundFile):  # type: ignore[misc]
        """Seeks once; soundfile would do so again after the read."""

        def seekable(self) -> bool:
            return False

    with Forward(os.fsencode(path)) as file:
        if start:
            file.seek(start)
        block: Samples = file.read(frames, dtype="float32", always_2d=True)
    return block
