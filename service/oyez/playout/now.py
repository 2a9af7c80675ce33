"""The web process's clock, as an argument: what time it is, and how much time really passed.

The wall clock can be set; the monotonic one cannot. Where the two disagree, the wall clock jumped.
"""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    def now_ms(self) -> int:
        """Whole milliseconds of UTC since 1970."""
        ...

    def monotonic_s(self) -> float:
        """Seconds since some fixed moment, never set."""
        ...


class SystemClock:
    """The machine's own clocks."""

    def now_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def monotonic_s(self) -> float:
        return time.monotonic()


class JumpWatch:
    """Tells a wall clock that was set from time that passed."""

    def __init__(self, clock: Clock, *, over_ms: int = 250) -> None:
        self._clock = clock
        self._over_ms = over_ms
        self._offset_ms = self._now()
        self.jumps = 0

    @property
    def drift_ms(self) -> int:
        """How far the wall clock is from where it would be by elapsed time since the last jump, in ms."""
        return round(self._now() - self._offset_ms)

    def look(self) -> int:
        """By how many ms the wall clock was set since the last look, 0 when it was not."""
        off_ms = self.drift_ms
        if abs(off_ms) <= self._over_ms:
            self._offset_ms += off_ms  # slewing: followed, no jump
            return 0
        self._offset_ms += off_ms
        self.jumps += 1
        return off_ms

    def _now(self) -> float:
        return self._clock.now_ms() - self._clock.monotonic_s() * 1000.0
