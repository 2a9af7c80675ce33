"""The audio thread: pulls blocks from the mixer and hands them to the output that sets the pace.

Laws: it waits for no lock, writes no file and no log; others change what it does only through `call`, run between
two blocks. Mixer frames are named after the UTC instant at which they are meant to sound (ms * 48); when the
output changes, the frames that nobody could hear are rendered and let go, so that the music stays a function of
the time.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Mapping
from time import monotonic, perf_counter, sleep
from typing import Any, Protocol, TypeVar

import numpy as np

from oyez.errors import WorkFailed
from oyez.playout.clock import RATE, StreamClock
from oyez.playout.history import Block, History
from oyez.playout.outputs.driver import Driver

BLOCK = 480
HISTORY_S = 3.0
CATCH_UP_S = 5.0
FADE_FRAMES = 150 * RATE // 1000
TIMES_KEPT = 4096
ERRORS_IN_A_ROW = 100

T = TypeVar("T")


class MixerPort(Protocol):
    """What the renderer needs of the mixer."""

    @property
    def position(self) -> int: ...
    @property
    def lanes(self) -> Mapping[str, slice]: ...
    def render(self, frames: int) -> Block: ...


class Renderer:
    """Runs one mixer into one driver at a time.

    history    the last seconds of all lanes; replaced (with `lanes`) when the zones change
    rendered   blocks so far; late_blocks: those handed over after their time
    faults     of the mixer, each of which gives a block of silence
    """

    def __init__(self, mixer: MixerPort, clock: StreamClock, *, now_s: Callable[[], float] = monotonic) -> None:
        self.mixer = mixer
        self.clock = clock
        self._now_s = now_s
        self._calls: deque[Callable[[], None]] = deque()
        self._feed: tuple[Driver, int] | None = None
        self._gaps = -1
        self._fade_left: int | None = None
        self._times_s = np.zeros(TIMES_KEPT)
        self.rendered = 0
        self.late_blocks = 0
        self.faults = 0
        self.fault: str | None = None
        self._faults_in_a_row = 0
        self.faded = threading.Event()
        self._stopping = False
        self._thread: threading.Thread | None = None
        self.lanes: Mapping[str, slice] = mixer.lanes
        self.history = self._new_history()

    # -- asked for by other threads

    def call(self, work: Callable[[], T], *, timeout_s: float = 2.0) -> T:
        """Run `work` on the audio thread between two blocks and return its result (or raise its error)."""
        if self._thread is None or not self._thread.is_alive():
            return work()
        done = threading.Event()
        found: list[Any] = []

        def run() -> None:
            try:
                found.extend((work(), None))
            except Exception as error:  # noqa: BLE001 - handed to the caller below
                found.extend((None, error))
            done.set()

        self._calls.append(run)
        if not done.wait(timeout_s):
            raise WorkFailed("the audio thread did not answer in time")
        if found[1] is not None:
            raise found[1]
        result: T = found[0]
        return result

    def play_into(self, driver: Driver) -> None:
        """Change the output; the sound goes on where the time is."""
        self.call(lambda: self._switch(driver), timeout_s=10.0)

    def fade_out(self) -> int:
        """Fade everything out in 150 ms from the next block on. Returns the frame at which it is silent."""
        return self.call(self._start_fade)

    def catch_up(self, frames: int) -> None:
        """Render what nobody could hear and let it go, after the output has stood still for that long."""
        self.call(lambda: self._skip(frames), timeout_s=10.0)

    def observe(self) -> bool:
        """Let the clock look at the output. True when frames were lost since the last look."""
        feed = self._feed
        if feed is None:
            return False
        driver, base = feed
        heard = driver.heard()
        if heard is None or feed is not self._feed:
            return False
        if heard.gaps != self._gaps:
            first = self._gaps < 0
            self._gaps = heard.gaps
            self.clock.sample.anchor(base + heard.frame, heard.at_s)
            return not first
        return self.clock.sample.observe(base + heard.frame, heard.at_s)

    @property
    def driver(self) -> Driver | None:
        feed = self._feed
        return feed[0] if feed else None

    def block_times_ms(self) -> dict[str, float] | None:
        """Render time of a block over the last 40 s: p50, p99, max."""
        count = min(self.rendered, TIMES_KEPT)
        if not count:
            return None
        p50, p99, most = np.percentile(self._times_s[:count], (50, 99, 100)) * 1e3
        return {"p50": round(float(p50), 3), "p99": round(float(p99), 3), "max": round(float(most), 3)}

    def start(self) -> None:
        self._thread = threading.Thread(target=self._run, name="audio", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._stopping = True
        if self._thread is not None:
            self._thread.join(1.0)

    @property
    def alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    # -- on the audio thread

    def _run(self) -> None:
        while not self._stopping:
            nap_s = self.turn()
            if nap_s > 0.0:
                sleep(nap_s)

    def turn(self) -> float:
        """One round: what was asked for, then a block if the output has room. Returns how long to wait."""
        while self._calls:
            self._calls.popleft()()
        feed = self._feed
        if feed is None:
            return 0.005
        driver = feed[0]
        if driver.room() < BLOCK:
            return driver.nap_s()
        started_s = perf_counter()
        block = self._block(BLOCK)
        if self.lanes is not self.mixer.lanes:
            self._turn_to_lanes(driver)
        driver.write(block)
        self._times_s[self.rendered % TIMES_KEPT] = perf_counter() - started_s
        self.rendered += 1
        if self.clock.sample.monotonic_at(self.mixer.position) < self._now_s():
            self.late_blocks += 1
        return 0.0

    def _block(self, frames: int) -> Block:
        try:
            block = self.mixer.render(frames)
            self._faults_in_a_row = 0
        except Exception as error:
            self.faults += 1
            self._faults_in_a_row += 1
            self.fault = f"{type(error).__name__}: {error}"
            if self._faults_in_a_row > ERRORS_IN_A_ROW:
                raise
            block = np.zeros((frames, self.history.lanes), dtype=np.float32)
        if self._fade_left is not None:
            ramp = np.clip((self._fade_left - np.arange(frames)) / FADE_FRAMES, 0.0, 1.0)
            block = block * ramp[:, None].astype(np.float32)
            self._fade_left -= frames
            if self._fade_left <= 0:
                self.faded.set()
        if block.shape[1] == self.history.lanes:
            self.history.push(block)
        return block

    def _turn_to_lanes(self, driver: Driver) -> None:
        """The mixer has gone over to other zones: wire the output anew, and give followers a history as wide."""
        lanes = self.mixer.lanes
        if lanes != self.lanes:
            driver.route(lanes)
            self.lanes = lanes
            self.history = self._new_history()
        self.lanes = lanes

    def _new_history(self) -> History:
        width = max((s.stop for s in self.lanes.values()), default=0)
        return History(lanes=width, frames=int(HISTORY_S * RATE))

    def _skip(self, frames: int) -> None:
        feed = self._feed
        if feed is None or frames <= 0:
            return
        driver, base = feed
        at_s = self.clock.sample.monotonic_at(self.mixer.position)
        left = frames
        while left > 0:
            left -= len(self._block(min(left, BLOCK)))
        self.clock.sample.anchor(self.mixer.position, at_s)
        self._feed = (driver, base + frames)

    def _start_fade(self) -> int:
        if self._fade_left is None:
            self._fade_left = FADE_FRAMES
        return self.mixer.position + max(self._fade_left, 0)

    def _switch(self, driver: Driver) -> None:
        first_s = driver.start()
        base = round(self.clock.wall.utc_at(first_s) * RATE)
        behind = base - self.mixer.position
        if behind > CATCH_UP_S * RATE or -behind > CATCH_UP_S * RATE:
            base, behind = self.mixer.position, 0
        while behind > 0:
            behind -= len(self._block(min(behind, BLOCK)))
        self.clock.sample.forget()
        self.clock.sample.anchor(base, first_s)
        self._gaps = -1
        self._feed = (driver, base)
        self.lanes = self.mixer.lanes
        driver.route(self.lanes)
        width = max((s.stop for s in self.lanes.values()), default=0)
        silence = np.zeros((BLOCK, width), dtype=np.float32)
        while behind < 0:
            part = silence[: min(-behind, BLOCK)]
            driver.write(part)
            behind += len(part)
