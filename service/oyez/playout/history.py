"""The last seconds of every lane, for whoever follows the sound: listeners, recordings.

One writer (the audio thread: one copy a block), any number of readers with their own place. Nobody waits for
anybody: a reader that falls behind loses the oldest sound and is told how much.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Block = npt.NDArray[np.float32]


class History:
    """Frames are counted from 0 when it was made; `end` is the next to be written."""

    def __init__(self, *, lanes: int, frames: int) -> None:
        self._data = np.zeros((frames, lanes), dtype=np.float32)
        self._frames = frames
        self.end = 0

    @property
    def lanes(self) -> int:
        return self._data.shape[1]

    def push(self, block: Block) -> None:
        at = self.end % self._frames
        first = min(len(block), self._frames - at)
        self._data[at : at + first] = block[:first]
        self._data[: len(block) - first] = block[first:]
        self.end += len(block)

    def read(self, start: int, columns: list[int] | slice, *, at_most: int) -> Read:
        """Up to `at_most` frames from `start` on, as a copy; what was overwritten meanwhile is counted as lost."""
        end = self.end
        oldest = end - self._frames + _MARGIN
        lost = max(0, oldest - start)
        first = start + lost
        count = max(0, min(end - first, at_most))
        at = first % self._frames
        head = min(count, self._frames - at)
        out = np.concatenate((self._data[at : at + head, columns], self._data[: count - head, columns]))
        overwritten = max(0, self.end - self._frames - first)
        if overwritten:
            return Read(block=out[:0], next=first + count, lost=lost + count)
        return Read(block=out, next=first + count, lost=lost)


_MARGIN = 4800  # stay this far from where the writer is about to write


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """block (frames, columns) float32; `next` is where to go on; `lost` frames were gone before they were read."""

    block: Block
    next: int
    lost: int
