"""Stand-ins at the engine's edges: a clock that is moved by hand, a sound library without hardware.

The fakes keep the manners of what they stand for: PortAudio's stream calls back with a buffer, a time and a
status; the simulated card has a crystal of its own that may run fast or slow.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from oyez.playout.outputs.driver import Heard

RATE = 48_000
Samples = npt.NDArray[np.float32]


class FakeClock:
    """Monotonic seconds and UTC, moved by hand. `set_utc` is somebody setting the system's clock."""

    def __init__(self, *, utc_s: float = 1_800_000_000.0) -> None:
        self.now_s = 1000.0
        self._utc_offset_s = utc_s - self.now_s

    def monotonic(self) -> float:
        return self.now_s

    def utc(self) -> float:
        return self.now_s + self._utc_offset_s

    def pass_(self, seconds: float) -> None:
        self.now_s += seconds

    def set_utc(self, by_s: float) -> None:
        self._utc_offset_s += by_s


class SimulatedCard:
    """A driver on a fake clock whose crystal is off by `ppm`; keeps everything that reached its converter.

    Its converter plays frame n at start + n / (48000 * (1 + ppm / 1e6)); it asks for sound `lead_s` ahead. `stall`
    makes it stand still, as a card does that was starved.
    """

    id = "card"
    kind = "card"

    def __init__(
        self, clock: FakeClock, *, ppm: float = 0.0, lead_s: float = 0.05, jitter_s: float = 0.0, channels: int = 1
    ) -> None:
        self._clock, self._lead_s, self._jitter_s = clock, lead_s, jitter_s
        self.rate = RATE * (1.0 + ppm * 1e-6)
        self._start_s = 0.0
        self._written = 0
        self._gaps = 0
        self._noise = np.random.default_rng(7)
        self.blocks: list[tuple[float, Samples]] = []
        self.channels = channels
        self.why_lost: str | None = None

    @property
    def latency_s(self) -> float:
        return self._lead_s

    @property
    def xruns(self) -> int:
        return self._gaps

    def route(self, lanes: Mapping[str, slice]) -> None:
        """Keeps every lane as it comes."""

    def start(self) -> float:
        self._start_s = self._clock.monotonic() + self._lead_s
        return self._start_s

    def due_s(self, frame: int) -> float:
        return self._start_s + frame / self.rate

    def room(self) -> int:
        return int((self._clock.monotonic() + self._lead_s - self.due_s(self._written)) * self.rate) + 480

    def nap_s(self) -> float:
        return 0.001

    def write(self, lanes: Samples) -> None:
        self.blocks.append((self.due_s(self._written), lanes.copy()))
        self._written += len(lanes)

    def heard(self) -> Heard | None:
        noise_s = self._noise.normal(0.0, self._jitter_s) if self._jitter_s else 0.0
        return Heard(frame=self._written, at_s=self.due_s(self._written) + noise_s, gaps=self._gaps)

    def stall(self, seconds: float) -> None:
        self._start_s += seconds
        self._gaps += 1

    def lost(self, now_s: float) -> str | None:
        del now_s
        return self.why_lost

    def close(self) -> None:
        """Nothing to give back."""

    def first_sound_s(self, lane: int, *, over: float, after_s: float = 0.0) -> float | None:
        """When the first sample over a level reached the converter, monotonic seconds."""
        for at_s, block in self.blocks:
            if at_s + len(block) / self.rate <= after_s:
                continue
            loud = np.flatnonzero(np.abs(block[:, lane]) > over)
            for index in loud:
                if at_s + index / self.rate >= after_s:
                    return at_s + float(index) / self.rate
        return None


@dataclass
class _Info:
    """PortAudio's PaStreamCallbackTimeInfo, the parts that are read."""

    currentTime: float  # noqa: N815
    outputBufferDacTime: float  # noqa: N815


@dataclass
class FakePortAudio:
    """Stands for the sounddevice module: devices by name, streams that call back in real time from a thread.

    `refuses` makes opening fail with that message; `unplugged` makes open streams fall silent, as cards do.
    """

    devices: list[dict[str, Any]] = field(
        default_factory=lambda: [
            {"index": 0, "name": "Hall Interface, USB Audio", "max_output_channels": 8},
            {"index": 1, "name": "Built-in Speaker", "max_output_channels": 2},
        ]
    )
    latency_s: float = 0.03
    period: int = 960
    refuses: str | None = None
    unplugged: bool = False
    heard: list[Samples] = field(default_factory=list)
    opened: list[Any] = field(default_factory=list)

    @property
    def default(self) -> Any:
        return type("default", (), {"device": (-1, 1)})

    def query_devices(self) -> list[dict[str, Any]]:
        return self.devices

    def RawOutputStream(self, **how: Any) -> FakeStream:  # noqa: N802
        if self.refuses:
            raise RuntimeError(self.refuses)
        self.opened.append(how["device"])
        return FakeStream(self, channels=how["channels"], callback=how["callback"])


class FakeStream:
    def __init__(self, library: FakePortAudio, *, channels: int, callback: Callable[..., None]) -> None:
        self._library, self._channels, self._callback = library, channels, callback
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    @property
    def active(self) -> bool:
        return self._thread.is_alive()

    def start(self) -> None:
        self._thread.start()

    def abort(self) -> None:
        self._stop.set()

    def close(self) -> None:
        self._stop.set()
        self._thread.join(1.0)

    def _run(self) -> None:
        begun_s, frames = time.monotonic(), 0
        while not self._stop.is_set():
            if not self._library.unplugged:
                buffer = bytearray(self._library.period * self._channels * 4)
                dac_s = begun_s + frames / RATE + self._library.latency_s
                self._callback(buffer, self._library.period, _Info(time.monotonic(), dac_s), 0)
                self._library.heard.append(np.frombuffer(bytes(buffer), np.float32).reshape(-1, self._channels))
            frames += self._library.period
            self._stop.wait(max(0.0, begun_s + frames / RATE - time.monotonic()))
