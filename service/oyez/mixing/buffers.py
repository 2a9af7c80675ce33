"""Sound held in memory for the mixer, in pieces: filled by a thread that may wait for the disk, read by one that
may not. The reading side only looks into a dictionary; what is not there yet is silence, counted by the mixer.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from oyez.errors import OyezError

PIECE_FRAMES: Final = 1 << 16  # 1.4 s
_OPEN_SOUNDS: Final = 64

Piece = tuple[str, int]  # identity of the audio, number of the piece


class SoundReader(Protocol):
    """One piece of stored audio, 48 kHz."""

    @property
    def frames(self) -> int: ...
    @property
    def channels(self) -> int: ...
    def read(self, start_frame: int, frames: int, /) -> NDArray[np.float32]: ...


class Library(Protocol):
    """Where the audio is. `sound` raises an OyezError or OSError when it is not there."""

    def sound(self, sha256: str, /) -> Any: ...


class Reserve:
    """The pieces held now. `stock` is for one thread at a time, `piece` for any.

    fault  what went wrong with the last piece that could not be read, None when all could
    """

    __slots__ = ("_library", "_pieces", "_sounds", "fault")

    def __init__(self, library: Library) -> None:
        self._library = library
        self._pieces: dict[Piece, NDArray[np.float32]] = {}
        self._sounds: dict[str, SoundReader] = {}
        self.fault: Exception | None = None

    def piece(self, sha256: str, number: int) -> NDArray[np.float32] | None:
        """Frames [number x PIECE_FRAMES, (number + 1) x PIECE_FRAMES), shape (PIECE_FRAMES, 1 or 2), or None."""
        return self._pieces.get((sha256, number))

    def stock(self, wanted: Iterable[Piece]) -> int:
        """Hold exactly these pieces: read what is missing, in the order given, and let go of the rest.

        Returns how many were read. One that cannot be read is left out and tried again next time; see `fault`.
        """
        keep = dict.fromkeys(wanted)
        self.fault = None
        count = 0
        for sha256, number in keep:
            if (sha256, number) in self._pieces:
                continue
            try:
                samples = self._sound(sha256).read(number * PIECE_FRAMES, PIECE_FRAMES)
            except (OyezError, OSError) as error:
                self._sounds.pop(sha256, None)
                self.fault = error
                continue
            self._pieces[sha256, number] = np.require(samples, dtype=np.float32, requirements=["C", "W", "O"])
            count += 1
        for held in [p for p in self._pieces if p not in keep]:
            del self._pieces[held]
        return count

    def _sound(self, sha256: str) -> SoundReader:
        found = self._sounds.pop(sha256, None) or self._library.sound(sha256)
        self._sounds[sha256] = found  # last used last
        if len(self._sounds) > _OPEN_SOUNDS:
            del self._sounds[next(iter(self._sounds))]
        return found


def pieces_of(sha256: str, from_frame: int, until_frame: int) -> list[Piece]:
    """The pieces that hold [from_frame, until_frame) of one sound."""
    if until_frame <= from_frame:
        return []
    return [(sha256, n) for n in range(from_frame // PIECE_FRAMES, (until_frame - 1) // PIECE_FRAMES + 1)]
