"""What the renderer asks of the one output that sets the pace, and how zones reach its channels.

Values and a protocol only: opens nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from oyez.errors import WorkFailed

Block = npt.NDArray[np.float32]


class OutputLost(WorkFailed):
    """An output that cannot be opened or went away; the message is what a person should read."""

    code = "output-lost"


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """Frame `frame` (counted from the driver's first) is at the converter at `at_s` (monotonic).

    gaps  times the driver had to put silence between frames so far; after a new one old pairs say nothing
    """

    frame: int
    at_s: float
    gaps: int


class Driver(Protocol):
    """Takes blocks as fast as its clock lets it. One renderer thread calls `room`, `nap_s` and `write`."""

    id: str
    kind: str

    @property
    def latency_s(self) -> float:
        """From `write` to the converter, at most."""
        ...

    @property
    def xruns(self) -> int: ...

    def route(self, lanes: Mapping[str, slice]) -> None:
        """These are the columns of the blocks to come."""
        ...

    def start(self) -> float:
        """Begin taking blocks. Returns the monotonic time at which the first frame will be at the converter."""
        ...

    def room(self) -> int:
        """Frames it will take now without being ahead of itself."""
        ...

    def nap_s(self) -> float:
        """How long to wait before asking for room again."""
        ...

    def write(self, lanes: Block) -> None:
        """Take one block of shape (frames, lanes), which the caller then uses again."""
        ...

    def heard(self) -> Heard | None:
        """The latest pair for the clock, None before there is one."""
        ...

    def lost(self, now_s: float) -> str | None:
        """Why it no longer plays, None while it does."""
        ...

    def close(self) -> None: ...


def routing(lanes: Mapping[str, slice], zones: Mapping[str, Sequence[int]], channels: int) -> Block:
    """The matrix from mixer lanes to an output's channels.

    lanes     zone -> its columns in the mixer's blocks (one or two)
    zones     zone -> output channels counted from 1; a zone the mixer does not have is left out
    returns   shape (lanes, channels), float32
    A mono zone on two channels sounds from both; a stereo zone on one channel is (L+R) at -3 dB. Zones that share
    a channel add up. Raises OutputLost when a channel is past the output's last.
    """
    width = max((s.stop for s in lanes.values()), default=0)
    matrix = np.zeros((width, channels), dtype=np.float32)
    for zone, wanted in zones.items():
        if zone not in lanes:
            continue
        if max(wanted) > channels:
            raise OutputLost(f"zone '{zone}' asks for channel {max(wanted)}, the output has {channels}")
        columns = range(lanes[zone].start, lanes[zone].stop)
        if len(columns) == 2 and len(wanted) == 1:
            matrix[columns[0], wanted[0] - 1] += np.float32(0.5**0.5)
            matrix[columns[1], wanted[0] - 1] += np.float32(0.5**0.5)
        else:
            for index, channel in enumerate(wanted):
                matrix[columns[min(index, len(columns) - 1)], channel - 1] += np.float32(1.0)
    return matrix
