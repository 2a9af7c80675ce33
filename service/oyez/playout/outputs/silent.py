"""The output of a machine without sound hardware: keeps time by the monotonic clock and lets the sound go.

Frame n is "at the converter" at start + n / 48000, by absolute deadlines, so no error adds up. Touches no device.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from time import monotonic

from oyez.playout.outputs.driver import Block, Heard

RATE = 48_000
LEAD_S = 0.02  # how far ahead of its time a block is asked for
GIVE_UP_S = 1.0  # further behind than this (a machine that slept) is a gap, not something to catch up


class SilentOutput:
    id = "silent"
    kind = "silent"

    def __init__(self, *, clock: Callable[[], float] = monotonic) -> None:
        self._clock = clock
        self._start_s = 0.0
        self._written = 0
        self._gaps = 0

    @property
    def latency_s(self) -> float:
        return LEAD_S

    @property
    def xruns(self) -> int:
        return self._gaps

    def route(self, lanes: Mapping[str, slice]) -> None:
        """Nothing to wire."""

    def start(self) -> float:
        self._start_s = self._clock() + LEAD_S
        self._written = 0
        return self._start_s

    def room(self) -> int:
        behind_s = self._clock() + LEAD_S - self._due_s()
        if behind_s > GIVE_UP_S:
            self._start_s += behind_s
            self._gaps += 1
            behind_s = 0.0
        return int(behind_s * RATE) + 480 if behind_s >= 0.0 else 0

    def nap_s(self) -> float:
        return min(max(self._due_s() - LEAD_S - self._clock(), 0.0005), 0.02)

    def write(self, lanes: Block) -> None:
        self._written += len(lanes)

    def heard(self) -> Heard | None:
        return Heard(frame=self._written, at_s=self._due_s(), gaps=self._gaps)

    def lost(self, now_s: float) -> str | None:
        del now_s
        return None

    def close(self) -> None:
        """Nothing to give back."""

    def _due_s(self) -> float:
        return self._start_s + self._written / RATE
