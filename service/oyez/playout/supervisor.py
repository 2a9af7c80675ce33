"""Starts the engine and the web process, watches both, ends both. Standard library only, and light.

The engine gets a session of its own and outlives us when asked to; an engine that already plays from the folder is
adopted. The web process ends when we are gone (it watches its parent). What dies is started again, with a pause
that grows while it keeps dying.
"""

from __future__ import annotations

import errno
import fcntl
import http.client
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO, Any

from oyez.errors import Conflict, EngineGone, OyezError, WorkFailed
from oyez.playout.link import EngineLink
from oyez.playout.troubles import silence
from oyez.settings import Settings

LOOK_S = 0.1
ASK_S = 2.0
ENGINE_READY_S = 60.0  # the first start compiles
WEB_READY_S = 30.0
VENUE_READY_S = 4.0
HANGS_S = 20.0
END_S = 1.6
ANSWER_S = 0.3  # to a question in between: nobody who wants to stop us waits for longer
LONGEST_PAUSE_S = 30.0
LIVED_S = 60.0
LOG_BYTES = 1024 * 1024
ROOM_BYTES = 64 * 1024  # so much must fit for anything to begin

Say = Callable[[str], None]


class Child:
    """One process of ours, started again when it ends. `command` is its command line without the interpreter."""

    def __init__(
        self, name: str, command: Sequence[str], *, log: Path | None, own_session: bool, say: Say
    ) -> None:
        self.name, self._command, self._log, self._own_session, self._say = name, command, log, own_session, say
        self.process: subprocess.Popen[bytes] | None = None
        self.log_from = 0  # where in its log the last start begins, in bytes
        self._pause_s = 0.5
        self._started_s = 0.0
        self._again_s = 0.0

    def start(self) -> None:
        self._started_s = time.monotonic()
        with _open_log(self._log) as log:
            self.log_from = log.tell() if self._log else 0
            self.process = subprocess.Popen(
                [sys.executable, "-m", *self._command],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=self._own_session,
            )

    @property
    def running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def keep(self) -> bool:
        """Start it again when it has ended and its pause is over. True when it was started."""
        if self.process is None or self.running:
            return False
        now_s = time.monotonic()
        if self._again_s == 0.0:
            if now_s - self._started_s > LIVED_S:
                self._pause_s = 0.5
            how = _how_it_ended(self.process.returncode)
            where = f"; see {self._log}" if self._log else ""
            self._say(f"The {self.name} has ended ({how}); starting it again in {self._pause_s:g} s{where}")
            self._again_s = now_s + self._pause_s
            self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)
            return False
        if now_s < self._again_s:
            return False
        self._again_s = 0.0
        self.start()
        return True

    def ask_to_end(self) -> None:
        if self.process is not None and self.running:
            self.process.terminate()

    def end(self, until_s: float) -> None:
        """SIGTERM, and SIGKILL when it is still there at `until_s` (monotonic)."""
        if self.process is None:
            return
        self.ask_to_end()
        with suppress(subprocess.TimeoutExpired):
            self.process.wait(max(0.0, until_s - time.monotonic()))
        if self.running:
            self.process.kill()
            with suppress(subprocess.TimeoutExpired):
                self.process.wait(1.0)


class Supervisor:
    """Runs until told to stop. `say` prints one line for a person."""

    def __init__(self, settings: Settings, *, keep_engine: bool, say: Say, hangs_s: float = HANGS_S) -> None:
        self.settings, self.keep_engine, self.say, self._hangs_s = settings, keep_engine, say, hangs_s
        self.link = EngineLink(settings, timeout_s=ANSWER_S)
        data = str(settings.data_dir)
        self.engine = Child(
            "engine",
            ["oyez.playout.engine", "--data", data],
            log=settings.engine / "engine.log",
            own_session=True,
            say=say,
        )
        self._stopping = False
        self._adopted: int | None = None
        self._silent: object = ""
        self._heard_s = time.monotonic()
        self._asked_s = 0.0
        self._answered = False  # since it was started
        self._port = settings.port

    @property
    def address(self) -> str:
        host = f"[{self.settings.host}]" if ":" in self.settings.host else self.settings.host
        return f"http://{host}:{self._port}"

    def stop(self) -> None:
        self._stopping = True

    def run(self) -> int:
        """Returns the exit status. Raises OyezError when it cannot start."""
        lock = hold_folder(self.settings)
        self._port = free_port(self.settings.host, self.settings.port)
        web = Child(
            "web process",
            [
                "oyez.api.run",
                *("--data", str(self.settings.data_dir)),
                *("--host", self.settings.host, "--port", str(self._port)),
                *("--parent", str(os.getpid())),
            ],
            log=None,
            own_session=False,
            say=self.say,
        )
        try:
            self._start_engine()
            if not self._stopping:
                web.start()
                self._wait_for_web(web)
                self._wait_for_venue()
            while not self._stopping:
                time.sleep(LOOK_S)
                self._watch_engine()
                web.keep()
        finally:
            until_s = time.monotonic() + END_S
            web.ask_to_end()
            self._end_engine(until_s)
            web.end(until_s)
            if not self.keep_engine:
                self.engine.end(until_s)
            os.close(lock)
        return 0

    def _start_engine(self) -> None:
        pid = self._engine_pid()
        if pid is not None:
            self._adopted = pid
            self.say(f"An engine is already playing (process {pid}); taking it over")
        else:
            if not any(self.settings.kernels.glob("**/*.nbc")):
                self.say("Starting the engine; the first start takes up to half a minute")
            self.engine.start()
            give_up_s = time.monotonic() + ENGINE_READY_S
            while self._engine_pid() is None and not self._stopping:
                if not self.engine.running:
                    log = self.settings.engine / "engine.log"
                    why = last_line(log, self.engine.log_from)
                    raise WorkFailed(f"the engine does not start: {why} (see {log})")
                if time.monotonic() > give_up_s:
                    raise WorkFailed(f"the engine does not answer after {ENGINE_READY_S:.0f} s")
                time.sleep(0.05)

    def _wait_for_web(self, web: Child) -> None:
        give_up_s = time.monotonic() + WEB_READY_S
        while not self._stopping and time.monotonic() < give_up_s:
            if not web.running:
                assert web.process is not None
                raise WorkFailed(f"the web process does not start ({_how_it_ended(web.process.returncode)})")
            if self._healthy():
                break
            time.sleep(0.05)
        if not self._stopping:
            self.say(f"Oyez is at {self.address}")

    def _wait_for_venue(self) -> None:
        """The web process gives the engine its programme within a moment, if there is one to give."""
        give_up_s = time.monotonic() + VENUE_READY_S
        while not self._stopping and time.monotonic() < give_up_s:
            with suppress(OyezError):
                state = self.link.state()
                if state["venue"] and not any(o["detail"] == "opening" for o in state["outputs"]):
                    break
            time.sleep(0.1)
        self._say_output()

    def _healthy(self) -> bool:
        connection = http.client.HTTPConnection(_dialled(self.settings.host), self._port, timeout=2.0)
        try:
            connection.request("GET", "/healthz")
            return connection.getresponse().status in {200, 503}  # 503: the web is there, it does not play yet
        except (OSError, http.client.HTTPException):
            return False
        finally:
            connection.close()

    def _engine_pid(self) -> int | None:
        try:
            pid = int(self.link.ask({"do": "hello"})["pid"])
        except EngineGone:
            return None
        self._heard_s, self._answered = time.monotonic(), True
        return pid

    def _watch_engine(self) -> None:
        if self._adopted is not None and not _lives(self._adopted):
            self.say("The engine has ended; starting another")
            self._adopted = None
            self.engine.start()
            self._heard_s, self._answered = time.monotonic(), False
        if self.engine.keep():
            self._heard_s, self._answered = time.monotonic(), False
        now_s = time.monotonic()
        if now_s - self._heard_s < ASK_S or not (self._adopted or self.engine.running):
            return
        if now_s - self._asked_s < ASK_S:
            return
        self._asked_s = now_s
        if self._say_output():
            self._heard_s, self._answered = now_s, True
        elif now_s - self._heard_s > (self._hangs_s if self._answered else ENGINE_READY_S):
            self._put_down()

    def _put_down(self) -> None:
        """An engine that has not answered for long is ended; its successor closes what it left open."""
        self.say(f"The engine has not answered for {time.monotonic() - self._heard_s:.0f} s; ending it")
        pid = self._adopted or (self.engine.process.pid if self.engine.process else None)
        if pid is not None:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self._heard_s = time.monotonic()

    def _say_output(self) -> bool:
        """Say where the sound goes, when that has changed. False when the engine does not answer."""
        try:
            state = self.link.state()
        except OyezError:
            return False
        now = (state["venue"], state["silent_reason"])
        if now != self._silent:
            self._silent = now
            venue, reason = now
            if not venue:
                self.say("No venue yet: put one in with `oyez load FILE`")
                return True
            self.say(f"Venue: {venue}")
            self.say(silence(state) if reason is not None else _playing(state))
            for output in state["outputs"]:
                if output["health"] == "unused":
                    self.say(f"Output {output['id']} is {output['detail']}")
        return True

    def _end_engine(self, until_s: float) -> None:
        """Ask it to fade and end, or leave it playing."""
        if self.keep_engine:
            self.say("The engine goes on playing")
            return
        with suppress(OyezError):
            self.link.shutdown()
        if self._adopted is not None:
            while _lives(self._adopted) and time.monotonic() < until_s:
                time.sleep(0.02)


def _playing(state: Mapping[str, Any]) -> str:
    on = [str(o["detail"]) for o in state["outputs"] if o["kind"] == "card" and o["health"] == "playing"]
    return "; ".join(f"{detail[:1].upper()}{detail[1:]}" for detail in on)


def hold_folder(settings: Settings) -> int:
    """Make the data folder and be the only `serve` on it. Raises Conflict or WorkFailed in one line."""
    try:
        settings.data_dir.mkdir(parents=True, exist_ok=True)
        settings.engine.mkdir(exist_ok=True, mode=0o700)
        lock = os.open(settings.serving, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except FileExistsError as error:
        inside = "" if str(error.filename) == str(settings.data_dir) else f"{Path(str(error.filename)).name} "
        raise WorkFailed(f"data folder {settings.data_dir}: {inside}is a file, needed is a folder") from error
    except OSError as error:
        raise WorkFailed(f"data folder {settings.data_dir}: {_why(error)}") from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(lock)
        raise Conflict(f"data folder {settings.data_dir}: another `oyez serve` already runs on it") from None
    try:
        with tempfile.TemporaryFile(dir=settings.data_dir) as room:
            room.write(bytes(ROOM_BYTES))
            room.flush()
            os.fsync(room.fileno())
    except OSError as error:
        os.close(lock)
        raise WorkFailed(f"data folder {settings.data_dir}: cannot be written: {_why(error)}") from error
    return lock


def _why(error: OSError) -> str:
    if error.errno in {errno.ENOSPC, errno.EDQUOT}:
        return f"{error.strerror}; make room there, then start again"
    return error.strerror or str(error)


def free_port(host: str, port: int) -> int:
    """The port, found free (0: any). Raises WorkFailed when it is taken or the host is not ours."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise WorkFailed(f"port {port} on {host}: {error.strerror}; choose another with --port") from error
        return int(probe.getsockname()[1])


def _dialled(host: str) -> str:
    return {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # noqa: S104 - where to ask, not where to listen


def _lives(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _how_it_ended(status: int) -> str:
    if status < 0:
        with suppress(ValueError):
            return signal.Signals(-status).name
    return f"status {status}"


def last_line(path: Path, start: int = 0) -> str:
    """The last line from `start` (in bytes) on: what the process that just ended had to say."""
    try:
        lines = path.read_bytes()[start:].decode("utf-8", errors="replace").strip().splitlines()
        room_bytes = shutil.disk_usage(path.parent).free
    except OSError as error:
        return f"its log cannot be read: {error.strerror}"
    if lines:
        return lines[-1]
    return "the disk is full" if room_bytes < ROOM_BYTES else "no reason given"


def _open_log(path: Path | None) -> IO[bytes]:
    """Appends to the log, the old one put aside when it has grown; without a path our own error output."""
    if path is None:
        return os.fdopen(os.dup(sys.stderr.fileno()), "wb")
    path.parent.mkdir(parents=True, exist_ok=True)
    with suppress(FileNotFoundError):
        if path.stat().st_size > LOG_BYTES:
            path.replace(path.with_suffix(".log.1"))
    return path.open("ab")
