"""Keeps the engine's outputs: one sets the pace (the first card, else silence), recordings follow the sound.

Opening, losing and trying again happen on its own thread; the sound goes on in silence meanwhile, and
`silent_reason` says in plain words why. A second card is a second clock: it is refused here, and said.

An output's health: "playing"; "waiting" for a card that never opened yet; "lost" when it played and stopped, or
cannot be written; "unused" for what is not played at all.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from time import monotonic
from typing import Any

from oyez.mixing.programme import OutputSetup
from oyez.playout.outputs.card import CardOutput
from oyez.playout.outputs.driver import Driver, OutputLost
from oyez.playout.outputs.recording import Recording
from oyez.playout.outputs.silent import SilentOutput
from oyez.playout.renderer import Renderer

RETRY_S = 3.0
LOOK_EVERY_S = 0.1
NO_OUTPUT = "the venue names no sound card"
OPENING = "opening"

OpenCard = Callable[[OutputSetup, Mapping[str, slice]], Driver]
Tell = Callable[[str, str], None]


def open_card(setup: OutputSetup, lanes: Mapping[str, slice]) -> Driver:
    return CardOutput(
        id=setup.id,
        device=setup.device,
        channels=setup.channels,
        latency_s=setup.latency_s,
        lanes=lanes,
        zones=setup.zones,
    )


class OutputKeeper:
    """tell(what, reason) puts an event into the log."""

    def __init__(
        self,
        renderer: Renderer,
        *,
        recordings: Path,
        tell: Tell,
        utc_s: Callable[[], float],
        open_card: OpenCard = open_card,
    ) -> None:
        self._renderer, self._recordings_folder, self._tell = renderer, recordings, tell
        self._utc_s, self._open_card = utc_s, open_card
        self._wanted: tuple[OutputSetup, ...] = ()
        self._card: tuple[OutputSetup, Driver] | None = None
        self._recordings: dict[str, tuple[OutputSetup, Recording, object]] = {}
        self._refused: dict[str, str] = {}
        self._retry_s = 0.0
        self._lost: OutputSetup | None = None
        self.silent_reason: str | None = NO_OUTPUT
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="outputs", daemon=True)

    @property
    def silent(self) -> bool:
        return self._card is None

    def name(self) -> str:
        """Where the sound goes now, for the log."""
        card = self._card
        return card[0].id if card else "silent"

    def start(self, outputs: Sequence[OutputSetup]) -> None:
        """Open what is wanted before anything plays, then keep it from a thread."""
        self._wanted = tuple(outputs)
        self._renderer.play_into(SilentOutput())
        self._look()
        self._thread.start()

    def want(self, outputs: Sequence[OutputSetup]) -> None:
        """What is wanted from now on; opened and closed on the keeper's thread."""
        self._wanted = tuple(outputs)
        if self._card is None and self._wanted_card_id() is not None and self.silent_reason == NO_OUTPUT:
            self.silent_reason = OPENING

    def close(self) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(1.0)
        for _, recording, _ in self._recordings.values():
            recording.close()
        if self._card is not None:
            self._card[1].close()

    def state(self) -> list[dict[str, Any]]:
        """One entry an output, the pace-setting one first; the silent one stands where no card plays."""
        card, found = self._card, []
        if card is None:
            found.append(_entry("silent", "silent", "playing", self.silent_reason or "", 20.0, 0))
        for setup in self._wanted:
            if setup.kind == "card":
                found.append(self._card_state(setup))
            elif setup.id in self._recordings:
                recording = self._recordings[setup.id][1]
                found.append(_entry(setup.id, "recording", recording.health, recording.detail, None, 0))
            else:
                why = self._refused.get(setup.id)
                health = "waiting" if why is None else "lost"
                found.append(_entry(setup.id, "recording", health, why or "not started yet", None, 0))
        return found

    def _card_state(self, setup: OutputSetup) -> dict[str, Any]:
        card = self._card
        if card is not None and card[0].id == setup.id:
            driver = card[1]
            name = getattr(driver, "name", setup.id)
            return _entry(
                setup.id, "card", "playing", f"playing on '{name}'", driver.latency_s * 1000.0, driver.xruns
            )
        first = self._wanted_card_id()
        if setup.id == first:
            health = "lost" if self._is_lost(setup) else "waiting"
            return _entry(setup.id, "card", health, self.silent_reason or OPENING, None, 0)
        why = (
            f"not played: '{first}' sets the time, and two sound cards never keep the same; "
            f"give its zones to '{first}'"
        )
        return _entry(setup.id, "card", "unused", why, None, 0)

    def _is_lost(self, setup: OutputSetup) -> bool:
        """Whether that card played here before."""
        lost = self._lost
        return lost is not None and (lost.id, lost.device) == (setup.id, setup.device)

    def _wanted_card_id(self) -> str | None:
        return next((o.id for o in self._wanted if o.kind == "card"), None)

    def _run(self) -> None:
        while not self._stop.wait(LOOK_EVERY_S):
            self._look()

    def _look(self) -> None:
        with self._lock:
            wanted = next((o for o in self._wanted if o.kind == "card"), None)
            self._let_go(wanted)
            if wanted is None:
                self.silent_reason = NO_OUTPUT
            elif self._card is None and monotonic() >= self._retry_s:
                self._try(wanted)
            self._follow()

    def _let_go(self, wanted: OutputSetup | None) -> None:
        """Leave the card when it is gone or another is wanted; silence keeps the time."""
        if self._card is None:
            return
        setup, driver = self._card
        why = driver.lost(monotonic())
        if why is None and wanted is not None and _same_device(setup, wanted):
            self._card = (wanted, driver)
            return
        self._renderer.play_into(SilentOutput())
        self._card = None
        driver.close()
        if why is not None:
            self.silent_reason = why
            self._lost = setup
            self._retry_s = monotonic() + RETRY_S / 3
            self._tell("output lost", why)

    def _try(self, wanted: OutputSetup) -> None:
        try:
            driver = self._open_card(wanted, self._renderer.lanes)
        except OutputLost as error:
            if self.silent_reason != str(error):
                self.silent_reason = str(error)
                self._tell("output not opened", str(error))
            self._retry_s = monotonic() + RETRY_S
            return
        self._renderer.play_into(driver)
        self._card = (wanted, driver)
        self.silent_reason = None
        name = getattr(driver, "name", wanted.id)
        self._tell("output back" if self._is_lost(wanted) else "output opened", f"playing on '{name}'")
        self._lost = None

    def _follow(self) -> None:
        """Start, restart and end recordings as wanted; a new history (other zones) means a new file."""
        wanted = {o.id: o for o in self._wanted if o.kind == "recording"}
        history = self._renderer.history
        for name, (setup, recording, followed) in list(self._recordings.items()):
            if wanted.get(name) != setup or followed is not history:
                recording.close()
                del self._recordings[name]
        for name, setup in wanted.items():
            if name not in self._recordings:
                try:
                    made = Recording(
                        id=name,
                        folder=self._recordings_folder,
                        name=setup.file or name,
                        channels=setup.channels,
                        lanes=self._renderer.lanes,
                        zones=setup.zones,
                        history=history,
                        utc_s=self._utc_s,
                    )
                except OutputLost as error:
                    self._refused[name] = str(error)
                    continue
                self._refused.pop(name, None)
                self._recordings[name] = (setup, made, history)


def _same_device(a: OutputSetup, b: OutputSetup) -> bool:
    return (a.id, a.device, a.channels, a.latency_s, a.zones) == (b.id, b.device, b.channels, b.latency_s, b.zones)


def _entry(  # noqa: PLR0917 - a table's row
    id_: str, kind: str, health: str, detail: str, latency_ms: float | None, xruns: int
) -> dict[str, Any]:
    return {
        "id": id_,
        "kind": kind,
        "health": health,
        "detail": detail,
        "latency_ms": None if latency_ms is None else round(latency_ms, 2),
        "xruns": xruns,
    }
