"""The feeder: reads audio from the store ahead of the mixer, so that the audio thread never touches a file."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Protocol

AHEAD_S = 2.0
EVERY_S = 0.05


class FedMixer(Protocol):
    def feed(self, ahead_s: float) -> object: ...


class Feeder:
    """Calls `mixer.feed` every 50 ms on a thread of its own. `fault` is its last error in words, else None."""

    def __init__(self, mixer: FedMixer, *, failed: Callable[[str, BaseException], None]) -> None:
        self._mixer, self._failed = mixer, failed
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="feeder", daemon=True)
        self.fault: str | None = None

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(1.0)

    def _run(self) -> None:
        while not self._stop.wait(EVERY_S):
            try:
                self._mixer.feed(AHEAD_S)
                self.fault = None
            except Exception as error:  # noqa: BLE001 - a bad file must not end the reading of all the others
                words = f"{type(error).__name__}: {error}"
                if words != self.fault:
                    self._failed("feeder", error)
                self.fault = words
