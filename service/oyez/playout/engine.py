"""The engine process: `python -m oyez.playout.engine --data DIR`. Plays what it holds, with nobody else alive.

Threads: "audio" renders; "feeder" reads files ahead; "outputs" opens and keeps devices; "control" answers the
socket; the main thread is the scheduler and waits for signals. One engine a folder: it holds DIR/engine/lock.
It imports neither the web nor the database.
"""

from __future__ import annotations

import argparse
import dataclasses
import faulthandler
import fcntl
import gc
import os
import signal
import sys
import threading
import time
import traceback
import uuid
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from oyez.errors import Conflict, InputError, NotFound, OyezError
from oyez.mixing.programme import FRAMES_PER_MS, Cue, Programme, from_tree
from oyez.playout import records
from oyez.playout.clock import RATE, StreamClock, WallClock
from oyez.playout.control import Control
from oyez.playout.feeder import AHEAD_S, Feeder
from oyez.playout.journal import Journal
from oyez.playout.listen import stream_zone
from oyez.playout.memory import Memory, read_programme
from oyez.playout.outputs.keeper import OpenCard, OutputKeeper, open_card
from oyez.playout.renderer import CATCH_UP_S, Renderer
from oyez.playout.report import Report
from oyez.playout.roster import Roster
from oyez.playout.sound import Sound, make_mixer, warm_up
from oyez.playout.troubles import Troubles
from oyez.settings import Settings

TURN_S = 0.02
LIFE_EVERY_S = 0.5
REMAP_MS = 50.0
CATCH_UP_FROM_MS = 100.0
COLLECT_EVERY_S = 30.0
COLLECT_ALL_EVERY_S = 3600.0


def hold_lock(folder: Path) -> int:
    """Take the folder's engine lock for as long as the process lives. Raises Conflict, naming who holds it."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    handle = os.open(folder / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        holder = os.pread(handle, 32, 0).decode(errors="replace").strip() or "unknown"
        os.close(handle)
        raise Conflict(f"an engine (process {holder}) already plays from {folder.parent}") from None
    os.ftruncate(handle, 0)
    os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
    return handle


class Engine:
    """All parts of one engine, wired. `run` returns when it was asked to stop and all is written down."""

    def __init__(
        self,
        settings: Settings,
        *,
        monotonic: Callable[[], float] = time.monotonic,
        utc: Callable[[], float] = time.time,
        open_card: OpenCard = open_card,
    ) -> None:
        self.settings = settings
        self.monotonic, self._utc = monotonic, utc
        self.boot = str(uuid.uuid4())
        self.started_ms = round(utc() * 1000)
        self._lock = hold_lock(settings.engine)
        self.journal = Journal(settings.engine, boot=self.boot)
        self.memory = Memory(settings.engine)
        self._stopping = threading.Event()
        self._stop_reason = "the service was stopped"
        self._programme_lock = threading.Lock()
        self._close_old_claims()
        self.programme, unreadable = self.memory.programme()
        self.clock = StreamClock(WallClock(monotonic_s=monotonic(), utc_s=utc()))
        self.shift_ms = 0
        warm_up(settings.kernels)
        start_frame = round(self.now_ms() * FRAMES_PER_MS)  # not before: the first start compiles for seconds
        mixer = make_mixer(shifted(self.programme, 0), settings.audio, start_frame=start_frame)
        self.clock.sample.anchor(start_frame, monotonic())
        self.renderer = Renderer(mixer, self.clock, now_s=monotonic)
        self.sound = Sound(mixer, settings.audio)
        self.feeder = Feeder(mixer, failed=self.note_failure)
        self.outputs = OutputKeeper(
            self.renderer,
            recordings=settings.recordings,
            tell=self.tell,
            utc_s=lambda: self.now_ms() / 1000.0,
            open_card=open_card,
        )
        self.roster = Roster(
            journal=self.journal,
            clock=self.clock,
            sound=self.sound,
            now_ms=self.now_ms,
            output=self.outputs.name,
        )
        self.report = Report(self)
        self._troubles = Troubles()
        if unreadable:
            self.tell("programme unreadable", unreadable)

    def now_ms(self) -> float:
        return (
            self.clock.wall.utc_at(self.monotonic()) * 1000.0 if hasattr(self, "clock") else self._utc() * 1000.0
        )

    def tell(self, what: str, reason: str, **more: Any) -> None:
        """An event for the log. A full disk loses it, and the state says so."""
        with suppress(OSError):
            self.journal.append(records.event(what, reason, at_ms=round(self.now_ms()), **more))

    def note_failure(self, where: str, error: BaseException) -> None:
        """A defect or a bad file, for whoever reads engine.log."""
        stamp = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
        sys.stderr.write(f"{stamp} {where}: {error!r}\n")
        traceback.print_exception(error, file=sys.stderr)

    # -- life

    def run(self) -> int:
        """Play until stopped. Returns the process's exit status."""
        self.roster.replace(self.programme.cues)
        self.sound.feed(AHEAD_S)
        self.feeder.start()
        self.outputs_start()
        control = Control(
            self.settings.engine,
            answers={
                "hello": self._hello,
                "state": self.report.state,
                "programme": self._programme,
                "begin": self._begin,
                "stop": self._stop,
                "journal": self._journal,
                "journal-taken": self._journal_taken,
                "shutdown": self._shutdown,
            },
            streams={"listen": self._listen},
            fault=self.note_failure,
        )
        self.tell("engine started", f"process {os.getpid()}", output=self.outputs.name())
        try:
            return self._keep_going()
        finally:
            control.close()
            self._end()

    def outputs_start(self) -> None:
        _quieten_collector()
        self.renderer.start()
        self.outputs.start(self.programme.outputs)

    def stop(self, reason: str = "the service was stopped") -> None:
        """Ask it to end; `run` fades out and returns."""
        self._stop_reason = reason
        self._stopping.set()

    def _keep_going(self) -> int:
        life_s = 0.0
        collect_s = full_s = self.monotonic()
        while not self._stopping.wait(TURN_S):
            now_s = self.monotonic()
            self.turn(now_s)
            if now_s - life_s >= LIFE_EVERY_S:
                life_s = now_s
                self.memory.live(round(self.now_ms()))
                self._tell_troubles(now_s)
            if now_s - collect_s >= COLLECT_EVERY_S:
                collect_s = now_s
                gc.collect(1)  # what is older was frozen at the start or is hardly garbage: once an hour is enough
            if now_s - full_s >= COLLECT_ALL_EVERY_S:
                full_s = now_s
                gc.collect()
            if not self.renderer.alive:
                self._stop_reason = f"the mixer failed: {self.renderer.fault}"
                sys.stderr.write(f"{self._stop_reason}\n")
                return 1
        return 0

    def _tell_troubles(self, now_s: float) -> None:
        driver = self.renderer.driver
        counts = {
            "xruns": driver.xruns if driver else 0,
            "starved": self.sound.starved,
            "mixer_faults": self.renderer.faults,
        }
        told = self._troubles.push(counts, now_s)
        if told is not None:
            self.tell("xruns", told[0], **told[1])

    def turn(self, now_s: float) -> None:
        """One round of the scheduler: clocks, then cues."""
        step = self.clock.wall.observe(monotonic_s=now_s, utc_s=self._utc())
        if step is not None:
            self.tell(
                "clock stepped", f"the system clock was set by {step.by_s:+.3f} s", by_ms=round(step.by_s * 1e3)
            )
        if self.renderer.observe():
            self._after_gap()
        if abs(self.clock.lag_ms(self.sound.position) - self.shift_ms) > REMAP_MS:
            self._remap()
        self.roster.turn(int(self.clock.sample.frame_at(now_s)))

    def _after_gap(self) -> None:
        """Frames were lost: a long gap is skipped, so that the stream is where the time is; a short one is not."""
        behind_ms = self.clock.lag_ms(self.sound.position) - self.shift_ms
        if CATCH_UP_FROM_MS < behind_ms < CATCH_UP_S * 1000.0:
            self.renderer.catch_up(round(behind_ms * FRAMES_PER_MS))

    def _remap(self) -> None:
        """Tell the mixer its zones' music hours in its own count of frames."""
        with self._programme_lock:
            self.shift_ms = round(self.clock.lag_ms(self.sound.position))
            self._give(self.programme)

    def _end(self) -> None:
        """Fade, write the ends, let go. Under 2 s, whatever the output does."""
        if self.renderer.alive:
            silent_frame = self.renderer.fade_out()
            self.renderer.faded.wait(0.5)
            left_s = self.clock.sample.monotonic_at(silent_frame) - self.monotonic()
            time.sleep(min(max(left_s, 0.0), 0.6))
        else:
            silent_frame = self.sound.position
        self.roster.stop_all(self._stop_reason, silent_frame)
        self.tell("engine stopped", self._stop_reason)
        self.memory.live(round(self.now_ms()))
        self.outputs.close()
        self.renderer.stop()
        self.feeder.stop()
        self.journal.close()

    def _close_old_claims(self) -> None:
        """What an engine that died was playing: closed as cut, at the last instant it is known to have lived."""
        at_ms = round(self._utc() * 1000)
        seen_ms = self.memory.last_seen_ms()
        for claimed in self.journal.open_claims():
            closed = records.closed_after_stop(dict(claimed), last_seen_ms=seen_ms, at_ms=at_ms)
            self.journal.append(closed)

    # -- what can be asked

    def _hello(self, _asked: Mapping[str, Any]) -> dict[str, Any]:
        return {"boot": self.boot, "pid": os.getpid(), "revision": self.programme.revision}

    def _programme(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        programme = read_programme(asked["programme"])
        with self._programme_lock:
            self.memory.remember(programme)
            self._give(programme)
            self.programme = programme
            already = self.roster.replace(programme.cues)
            self.outputs.want(programme.outputs)
        return {"revision": programme.revision, "accepted": len(programme.cues) - len(already), "already": already}

    def _give(self, programme: Programme) -> None:
        self.sound.take(shifted(programme, self.shift_ms))
        self.sound.feed(AHEAD_S)

    def _begin(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        try:
            cue = from_tree(Cue, asked["cue"])
        except ValueError as error:
            raise InputError(str(error)) from error
        play = self.roster.begin(cue, [dict(c) for c in asked.get("cuts", ())])
        return {"id": cue.id, "start_ms": play.cue.start_ms, "end_ms": play.cue.end_ms, "seq": play.seq}

    def _stop(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        zones = asked.get("zones")
        end_ms = self.roster.stop(
            str(asked["id"]),
            by=str(asked["by"]),
            zones=None if zones is None else [str(z) for z in zones],
            reason=asked.get("reason"),
        )
        return {"id": asked["id"], "end_ms": end_ms}

    def _journal(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        lines, more = self.journal.since(int(asked.get("since", 0)), int(asked.get("limit", 1000)))
        return {"records": [line.tree for line in lines], "last_seq": self.journal.last_seq, "more": more}

    def _journal_taken(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        self.journal.take(int(asked["through"]), now_ms=round(self.now_ms()))
        return {"through": self.journal.taken}

    def _shutdown(self, asked: Mapping[str, Any]) -> dict[str, Any]:
        self.stop(str(asked.get("reason") or "the service was stopped"))
        return {}

    def _listen(self, link: Any, asked: Mapping[str, Any]) -> None:
        if not self.renderer.alive:
            raise NotFound("the engine is not playing yet")
        stream_zone(link, self.renderer, str(asked["zone"]))


def shifted(programme: Programme, shift_ms: int) -> Programme:
    """The programme as the mixer takes it: music hours in its own count of frames. The cues are the roster's.

    shift_ms  how much later than its name a mixer frame sounds
    """
    zones = tuple(
        dataclasses.replace(z, music=tuple((a - shift_ms, b - shift_ms) for a, b in z.music))
        for z in programme.zones
    )
    return dataclasses.replace(programme, zones=zones if shift_ms else programme.zones, cues=())


def _quieten_collector() -> None:
    """What exists now lives as long as the process: keep the collector off it, and off the audio thread's back."""
    gc.collect()
    gc.freeze()
    gc.disable()
    sys.setswitchinterval(0.001)


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m oyez.playout.engine", description=__doc__.splitlines()[0])
    parser.add_argument("--data", type=Path, required=True, help="the service's data folder")
    args = parser.parse_args(argv)
    faulthandler.enable()
    settings = Settings(data_dir=args.data.absolute())
    try:
        engine = Engine(settings)
    except OyezError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_status
    except OSError as error:
        sys.stderr.write(f"{error.filename or settings.engine}: {error.strerror}\n")
        return 1
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: engine.stop())
    with suppress(PermissionError, OSError):
        os.setpriority(os.PRIO_PROCESS, 0, -5)
    status = engine.run()
    sys.stderr.flush()
    os._exit(status)  # threads that hang in a device's driver must not keep the process


assert RATE == 1000 * FRAMES_PER_MS

if __name__ == "__main__":
    sys.exit(main())
