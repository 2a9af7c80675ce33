"""A sound card through PortAudio: its callback copies from a ring that the render thread fills.

The callback copies, counts and notes the time the converter will play its first frame. Where the ring has too
little it waits, at most while the device still has sound of its own; then silence goes out and is counted. The
card's clock is the pace of everything. PortAudio is imported only here, when a card is first opened, so that a
machine without it still plays into the silent output.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress
from time import monotonic, sleep
from typing import Any

import numpy as np

from oyez.playout.outputs.driver import Block, Heard, OutputLost, routing

RATE = 48_000
BLOCK = 480
STEADY = 5  # callbacks in a row whose times agree before the card counts as running
STEADY_S = 0.002
SETTLE_S = 4.0  # PulseAudio needs up to 2 s before its sink runs
SPARE_S = 0.02  # of sound that is left in the device when the callback stops waiting
LONGEST_WAIT_S = 0.2
LOST_S = 1.0  # without a callback for this long the card is gone


class Ring:
    """A ring of frames: one thread writes, the callback reads; both only move their own counter."""

    def __init__(self, frames: int, channels: int) -> None:
        self._data = np.zeros((frames, channels), dtype=np.float32)
        self._frames = frames
        self.written = 0
        self.read = 0

    @property
    def filled(self) -> int:
        return self.written - self.read

    @property
    def free(self) -> int:
        return self._frames - self.filled

    def span(self, start: int, frames: int) -> tuple[Block, Block]:
        """The one or two stretches that hold [start, start + frames)."""
        at = start % self._frames
        first = min(frames, self._frames - at)
        return self._data[at : at + first], self._data[: frames - first]

    def take(self, out: Block) -> int:
        """Copy what there is into `out` (frames, channels), zero the rest. Returns the frames copied."""
        have = min(len(out), self.filled)
        head, tail = self.span(self.read, have)
        out[: len(head)] = head
        out[len(head) : have] = tail
        out[have:] = 0.0
        self.read += have
        return have


class CardOutput:
    """One open card. Making it opens the device and waits until it runs; raises OutputLost, saying why.

    device   part of a device's name, any case; None is the system's own choice
    lanes    of the mixer, and `zones` the card's channels for each, counted from 1
    library  the sounddevice module, or what stands in for it
    """

    kind = "card"

    def __init__(
        self,
        *,
        id: str,  # noqa: A002
        device: str | None,
        channels: int | None,
        latency_s: float,
        lanes: Mapping[str, slice],
        zones: Mapping[str, Sequence[int]],
        library: Any = None,
    ) -> None:
        self.id = id
        self._sd = library if library is not None else import_portaudio()
        self.channels = channels or max((max(c) for c in zones.values()), default=2)
        self._zones = dict(zones)
        self._matrix = routing(lanes, self._zones, self.channels)
        self._ring = Ring(RATE, self.channels)
        self._taking = False
        self._preroll = 0
        self._delay_s = latency_s
        self._out_frames = 0
        self._period = BLOCK
        self._gaps = 0
        self._underflows = 0
        self._called_s = monotonic()
        self._note: tuple[int, float] | None = None  # (ring frame, monotonic time at the converter)
        self._trail: tuple[int, float] = (0, 0.0)  # (device frame, time at the converter), for settling
        index, self.name = find_device(self._sd, device, self.channels)
        try:
            self._stream = self._sd.RawOutputStream(
                samplerate=RATE,
                blocksize=0,
                device=index,
                channels=self.channels,
                dtype="float32",
                latency=latency_s,
                callback=self._callback,
            )
            self._stream.start()
        except Exception as error:
            raise OutputLost(f"sound card '{self.name}' cannot be opened: {_words(error)}") from error
        self._settle()

    @property
    def latency_s(self) -> float:
        """The device's own, as it last reported, and the ring's."""
        return self._delay_s + self.target_frames / RATE

    @property
    def target_frames(self) -> int:
        """How full the ring is kept: what one callback takes, and a block."""
        return self._period + BLOCK

    @property
    def xruns(self) -> int:
        return self._gaps + self._underflows

    def route(self, lanes: Mapping[str, slice]) -> None:
        """The zones' columns have moved."""
        self._matrix = routing(lanes, self._zones, self.channels)

    def start(self) -> float:
        """Fill the ring with silence once, then let the callback take from it."""
        self._preroll = self.target_frames
        self._ring.written = self._preroll
        frame, at_s = self._trail
        ahead = self._out_frames - frame + self._preroll
        self._taking = True
        return at_s + ahead / RATE

    def room(self) -> int:
        return self.target_frames - self._ring.filled

    def nap_s(self) -> float:
        return 0.002

    def write(self, lanes: Block) -> None:
        mixed = lanes @ self._matrix
        head, tail = self._ring.span(self._ring.written, len(mixed))
        np.clip(mixed[: len(head)], -1.0, 1.0, out=head)
        np.clip(mixed[len(head) :], -1.0, 1.0, out=tail)
        self._ring.written += len(mixed)

    def heard(self) -> Heard | None:
        note = self._note
        if note is None or not self._taking:
            return None
        return Heard(frame=note[0] - self._preroll, at_s=note[1], gaps=self._gaps)

    def lost(self, now_s: float) -> str | None:
        if now_s - self._called_s > LOST_S:
            return f"sound card '{self.name}' has stopped asking for sound"
        try:
            active = bool(self._stream.active)
        except Exception as error:  # noqa: BLE001 - PortAudio's own errors, whatever they are, mean the same here
            return f"sound card '{self.name}' is gone: {_words(error)}"
        return None if active else f"sound card '{self.name}' has stopped"

    def close(self) -> None:
        """Let the device go. PortAudio may hang on a card that was pulled out, so nobody waits for it."""
        closer = threading.Thread(target=self._close, name="card-closer", daemon=True)
        closer.start()
        closer.join(1.0)

    def _close(self) -> None:
        with suppress(Exception):
            self._stream.abort()
        with suppress(Exception):
            self._stream.close()

    def _callback(self, out: Any, frames: int, info: Any, status: Any) -> None:
        now_s = monotonic()
        block = np.frombuffer(out, dtype=np.float32).reshape(frames, self.channels)
        delay_s = info.outputBufferDacTime - info.currentTime
        if status:
            self._underflows += 1
        if self._taking:
            spare_s = min(delay_s - frames / RATE - SPARE_S, LONGEST_WAIT_S)
            while self._ring.filled < frames and monotonic() - now_s < spare_s:
                sleep(0.001)
            first = self._ring.read
            if self._ring.take(block) < frames:
                self._gaps += 1
            elif delay_s > 0.0:
                self._note = (first, now_s + delay_s)
        else:
            block[:] = 0.0
        if delay_s > 0.0:
            self._delay_s = delay_s
        self._trail = (self._out_frames, now_s + delay_s)
        self._out_frames += frames
        self._period = max(self._period, frames)
        self._called_s = now_s

    def _settle(self) -> None:
        """Wait until the device's times agree with its own rate (a sound server needs a while to get going)."""
        give_up_s = monotonic() + SETTLE_S
        seen: tuple[int, float] | None = None
        steady = 0
        while monotonic() < give_up_s:
            trail = self._trail
            if trail[1] > 0.0 and trail != seen:
                if seen is not None:
                    expected_s = seen[1] + (trail[0] - seen[0]) / RATE
                    steady = steady + 1 if abs(trail[1] - expected_s) < STEADY_S else 0
                seen = trail
                if steady >= STEADY:
                    return
            sleep(0.002)
        if self._out_frames == 0:
            self.close()
            raise OutputLost(f"sound card '{self.name}' opened but never asked for sound")


def import_portaudio() -> Any:
    """The sounddevice module, freshly looking at what is plugged in.

    Raises OutputLost when there is no PortAudio.
    """
    try:
        import sounddevice
    except (OSError, ImportError) as error:
        raise OutputLost(f"no sound library on this machine ({_words(error)}); install libportaudio2") from error
    with suppress(Exception):  # the device list is frozen when PortAudio starts: only starting it again renews it
        sounddevice._terminate()  # noqa: SLF001
    try:
        sounddevice._initialize()  # noqa: SLF001
    except Exception as error:
        raise OutputLost(f"PortAudio does not start: {_words(error)}") from error
    return sounddevice


def find_device(library: Any, wanted: str | None, channels: int) -> tuple[int, str]:
    """Index and full name of an output device: the first whose name holds `wanted`, else the system's own.

    Names, not numbers: numbers move when something is plugged in. Raises OutputLost, listing what there is.
    """
    devices = [d for d in library.query_devices() if d["max_output_channels"] > 0]
    if not devices:
        raise OutputLost("no sound hardware found")
    if wanted is None:
        default = library.default.device[1]
        chosen = next((d for d in devices if d["index"] == default), devices[0])
    else:
        named = [d for d in devices if wanted.casefold() in d["name"].casefold()]
        exact = [d for d in named if d["name"].casefold() == wanted.casefold()]
        if not named:
            there = ", ".join(f"'{d['name']}'" for d in devices)
            raise OutputLost(f"no such sound card: '{wanted}' is not there, there are {there}")
        chosen = (exact or named)[0]
    if chosen["max_output_channels"] < channels:
        raise OutputLost(
            f"sound card '{chosen['name']}' has {chosen['max_output_channels']} channels, {channels} are asked for"
        )
    return int(chosen["index"]), str(chosen["name"])


def _words(error: BaseException) -> str:
    return " ".join(str(error).split()) or type(error).__name__
