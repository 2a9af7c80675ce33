"""Sample clock and wall clock: which frame is at the converter at which instant of UTC.

Two separate things are followed. The card's crystal: pairs (frame, monotonic time at the converter) go through a
second-order loop that learns offset and rate. The wall clock: monotonic time plus an offset, watched for steps.
Neither ever moves the sound; they move only the answer to "which frame is that instant", so starts follow the
corrected clock and the music never jumps. Reads no clock itself: times come in as arguments.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

RATE = 48_000
MAX_DRIFT_PPM = 1000.0  # a skew of 451 ppm has been met in the field; +/-500 ppm would be nearly too small
SLIP_S = 0.004  # further off than this, three times in a row: frames were lost, not a drift
SLIPS = 3
STEP_S = 0.05  # the wall clock is corrected by slewing below this, and taken over at once above it
SLEW_S_PER_S = 0.001


class SampleClock:
    """Frame <-> monotonic seconds at the converter.

    observe   one pair; the first anchors. Bandwidth starts at 0.5 Hz and narrows to 0.02 Hz in half a minute.
    drift_ppm how much faster than nominal the card runs
    slips     times the mapping had to be set anew because frames were lost
    """

    def __init__(self) -> None:
        self._line = (0, 0.0, 1.0 / RATE)  # frame, its time, seconds a frame: one tuple, swapped whole
        self._anchored = False
        self._settled_s = 0.0
        self._off: list[float] = []
        self.slips = 0

    @property
    def anchored(self) -> bool:
        return self._anchored

    @property
    def drift_ppm(self) -> float:
        return (1.0 / (self._line[2] * RATE) - 1.0) * 1e6

    def anchor(self, frame: int, at_s: float) -> None:
        """Set the mapping outright, keeping what is known of the rate."""
        self._line = (frame, at_s, self._line[2])
        self._anchored = True
        self._off.clear()

    def forget(self) -> None:
        """Another device: nothing is known of its rate."""
        self._line = (self._line[0], self._line[1], 1.0 / RATE)
        self._settled_s = 0.0
        self._anchored = False
        self._off.clear()

    def observe(self, frame: int, at_s: float) -> bool:
        """Take one pair in. Returns True when the mapping had to be set anew (frames were lost)."""
        if not self._anchored:
            self.anchor(frame, at_s)
            return False
        last_frame, _, period_s = self._line
        if frame <= last_frame:
            return False
        expected_s = self.monotonic_at(frame)
        error_s = at_s - expected_s
        if abs(error_s) > SLIP_S:
            self._off.append(error_s)
            if len(self._off) < SLIPS:
                return False
            self.slips += 1
            self.anchor(frame, at_s)
            return True
        self._off.clear()
        span_s = (frame - last_frame) / RATE
        self._settled_s += span_s
        bandwidth_hz = max(0.02, 0.5 / (1.0 + self._settled_s))
        pull = 2.0 * math.pi * bandwidth_hz * span_s
        if self._settled_s > 1.0:
            limit_s = MAX_DRIFT_PPM * 1e-6 / RATE
            period_s += min(1.0, pull) * 2.0 * math.pi * bandwidth_hz * error_s / RATE
            period_s = min(max(period_s, 1.0 / RATE - limit_s), 1.0 / RATE + limit_s)
        self._line = (frame, expected_s + min(1.0, math.sqrt(2.0) * pull) * error_s, period_s)
        return False

    def monotonic_at(self, frame: float) -> float:
        at_frame, at_s, period_s = self._line
        return at_s + (frame - at_frame) * period_s

    def frame_at(self, at_s: float) -> float:
        at_frame, line_s, period_s = self._line
        return at_frame + (at_s - line_s) / period_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The system's clock was set: by_s > 0 forwards."""

    by_s: float


class WallClock:
    """Monotonic seconds <-> UTC seconds, from pairs read together."""

    def __init__(self, *, monotonic_s: float, utc_s: float) -> None:
        self._offset_s = utc_s - monotonic_s
        self._seen_s = monotonic_s

    @property
    def offset_s(self) -> float:
        return self._offset_s

    def observe(self, *, monotonic_s: float, utc_s: float) -> Step | None:
        """Follow the system's clock: slowly when it is a little off, at once (a Step) when it was set."""
        error_s = (utc_s - monotonic_s) - self._offset_s
        elapsed_s = max(0.0, monotonic_s - self._seen_s)
        self._seen_s = monotonic_s
        if abs(error_s) > STEP_S:
            self._offset_s += error_s
            return Step(by_s=error_s)
        most_s = SLEW_S_PER_S * elapsed_s
        self._offset_s += min(max(error_s, -most_s), most_s)
        return None

    def utc_at(self, monotonic_s: float) -> float:
        return monotonic_s + self._offset_s

    def monotonic_at(self, utc_s: float) -> float:
        return utc_s - self._offset_s


class StreamClock:
    """Both together: mixer frames <-> ms of UTC at the converter.

    A mixer frame is nominally utc_ms * 48; `lag_ms` is how far the stream has drifted from that, positive when the
    frame named T sounds after T.
    """

    def __init__(self, wall: WallClock) -> None:
        self.wall = wall
        self.sample = SampleClock()

    def utc_ms_at(self, frame: float) -> float:
        return self.wall.utc_at(self.sample.monotonic_at(frame)) * 1000.0

    def frame_at(self, utc_ms: float) -> int:
        return round(self.sample.frame_at(self.wall.monotonic_at(utc_ms / 1000.0)))

    def lag_ms(self, frame: int) -> float:
        return self.utc_ms_at(frame) - frame * 1000.0 / RATE
