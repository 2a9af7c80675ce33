"""`oyez serve` as a process: starting, watching, ending, taking over."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from oyez.playout.link import EngineLink
from oyez.playout.supervisor import Child, Supervisor, last_line
from oyez.settings import Settings
from tests.playout.running import soon


def children(pid: int) -> dict[str, int]:
    """Processes started by one: last word of their module -> process id (proc(5))."""
    found = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with suppress(OSError, IndexError):
                if int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1]) == pid:
                    words = (entry / "cmdline").read_bytes().decode().split("\0")
                    found.update({w: int(entry.name) for w in words if w.startswith("oyez.")})
    return found


def lives(pid: int) -> bool:
    """Whether it runs; one that has ended and was not yet collected does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


class Service:
    """One `oyez serve`. What it started is ended with it, by process."""

    def __init__(self, settings: Settings, kernels: Path, talk: Path, *options: str) -> None:
        self.settings, self._talk = settings, talk
        self.link = EngineLink(settings)
        with talk.open("wb") as file:
            self.process = subprocess.Popen(
                [
                    sys.executable,
                    "-m",
                    "oyez.cli",
                    "serve",
                    "--data",
                    str(settings.data_dir),
                    "--port",
                    "0",
                    *options,
                ],
                stdout=file,
                stderr=file,
                env={**os.environ, "NUMBA_CACHE_DIR": str(kernels)},
            )
        self.seen: set[int] = set()

    @property
    def talk(self) -> str:
        return self._talk.read_text()

    def up(self) -> str:
        """Wait until it says where it is; returns the address."""

        def address() -> re.Match[str] | None:
            assert self.process.poll() is None, self.talk
            return re.search(r"http://\S+", self.talk)

        found = soon(address, within_s=60.0)
        assert found is not None
        self.note()
        return found[0]

    def note(self) -> None:
        self.seen.update(children(self.process.pid).values())
        with suppress(Exception):
            self.seen.add(int(self.link.ask({"do": "hello"})["pid"]))

    def child(self, module: str) -> int:
        return soon(lambda: children(self.process.pid).get(module), within_s=20.0) or 0

    def terminate(self) -> float:
        self.note()
        began_s = time.monotonic()
        self.process.terminate()
        self.process.wait(10)
        return time.monotonic() - began_s

    def clean_up(self) -> None:
        self.note()
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(5)
        for pid in self.seen:
            if lives(pid):
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)


class Services:
    def __init__(self, settings: Settings, kernels: Path, folder: Path) -> None:
        self._settings, self._kernels, self._folder = settings, kernels, folder
        self.made: list[Service] = []

    def start(self, *options: str) -> Service:
        talk = self._folder / f"talk-{len(self.made)}.txt"
        self.made.append(Service(self._settings, self._kernels, talk, *options))
        return self.made[-1]


@pytest.fixture
def services(settings: Settings, kernels: Path, tmp_path: Path) -> Iterator[Services]:
    made = Services(settings, kernels, tmp_path)
    yield made
    for service in made.made:
        service.clean_up()


def test_it_starts_answers_and_ends_within_two_seconds_with_everything_it_started(services: Services):
    service = services.start()
    address = service.up()
    with urllib.request.urlopen(f"{address}/healthz", timeout=5) as answer:
        assert answer.status == 200
        assert isinstance(json.load(answer), dict)
    engine, web = service.child("oyez.playout.engine"), service.child("oyez.api.run")
    soon(lambda: "No venue yet" in service.talk, within_s=10.0)
    assert service.terminate() < 2.0
    assert service.process.returncode == 0
    assert not lives(engine)
    assert not lives(web)


def test_what_dies_is_started_again_and_the_engine_plays_on_without_the_web(services: Services):
    service = services.start()
    address = service.up()
    engine, web = service.child("oyez.playout.engine"), service.child("oyez.api.run")
    boot = service.link.state()["boot"]
    os.kill(web, signal.SIGKILL)
    soon(lambda: children(service.process.pid).get("oyez.api.run", web) != web, within_s=10.0)
    assert service.link.state()["boot"] == boot
    service.note()

    def answers() -> bool:
        with suppress(OSError):
            return bool(urllib.request.urlopen(f"{address}/healthz", timeout=5).close() is None)
        return False

    soon(answers, within_s=20.0)
    os.kill(engine, signal.SIGKILL)
    again = soon(lambda: service.link.alive() and service.link.state(), within_s=20.0)
    assert again["boot"] != boot
    assert "The web process has ended (SIGKILL); starting it again in 0.5 s" in service.talk
    assert "The engine has ended (SIGKILL); starting it again in 0.5 s" in service.talk
    service.note()


def test_an_engine_that_was_left_playing_is_taken_over(services: Services):
    first = services.start("--keep-engine")
    first.up()
    boot = first.link.state()["boot"]
    assert first.terminate() < 2.0
    assert first.link.state()["boot"] == boot
    assert "The engine goes on playing" in first.talk
    second = services.start()
    second.up()
    assert "An engine is already playing" in second.talk
    assert second.link.state()["boot"] == boot
    assert "oyez.playout.engine" not in children(second.process.pid)
    assert second.terminate() < 2.0
    assert not second.link.alive()


def test_killed_itself_it_leaves_the_engine_playing_and_no_web(services: Services):
    first = services.start()
    first.up()
    boot, web = first.link.state()["boot"], first.child("oyez.api.run")
    first.note()
    first.process.kill()
    first.process.wait(5)
    soon(lambda: not lives(web), within_s=5.0)
    assert first.link.state()["boot"] == boot


def test_an_engine_that_hangs_is_ended_and_another_started(
    settings: Settings, kernels: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(kernels))
    said: list[str] = []
    supervisor = Supervisor(
        Settings(data_dir=settings.data_dir, port=0), keep_engine=False, say=said.append, hangs_s=1.0
    )
    runs = threading.Thread(target=supervisor.run, daemon=True)
    runs.start()
    try:
        soon(lambda: any("No venue" in line for line in said), within_s=60.0)
        before = supervisor.link.ask({"do": "hello"}, timeout_s=2.0)
        os.kill(before["pid"], signal.SIGSTOP)
        soon(lambda: any("has not answered for" in line for line in said), within_s=15.0)
        soon(lambda: supervisor.link.alive() and not lives(before["pid"]), within_s=20.0)
        assert supervisor.link.ask({"do": "hello"}, timeout_s=2.0)["boot"] != before["boot"]
    finally:
        supervisor.stop()
        runs.join(10.0)
    assert not runs.is_alive()


def test_a_second_service_on_the_folder_is_refused_in_one_line(services: Services, settings: Settings):
    services.start().up()
    second = services.start()
    assert second.process.wait(10) == 1
    assert second.talk.splitlines() == [
        f"data folder {settings.data_dir}: another `oyez serve` already runs on it"
    ]


@pytest.mark.parametrize("inside", ["", "engine"])
def test_a_file_in_a_folders_place_is_refused_in_one_line(services: Services, settings: Settings, inside: str):
    path = settings.data_dir / inside
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("")
    service = services.start()
    assert service.process.wait(10) == 1
    what = f"{inside} " if inside else ""
    assert service.talk == f"data folder {settings.data_dir}: {what}is a file, needed is a folder\n"


def test_a_folder_that_takes_nothing_more_is_refused_in_one_line(settings: Settings):
    # a limit on a file's size (setrlimit(2)) stands in for a full disk: the first write is refused just so
    code = (
        "import resource, sys; from oyez.cli import main; "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000)); "
        "sys.exit(main(['serve', '--port', '0', '--data', sys.argv[1]]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(settings.data_dir)],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert done.returncode == 1
    assert done.stderr == f"data folder {settings.data_dir}: cannot be written: File too large\n"


def test_what_an_earlier_engine_said_is_not_the_reason_why_this_one_ended(tmp_path: Path):
    log = tmp_path / "engine.log"
    log.write_text("old trouble\n")
    child = Child("engine", ["oyez.no_such"], log=log, own_session=False, say=print)
    child.start()
    assert child.process is not None
    child.process.wait(10)
    assert child.log_from == len("old trouble\n")
    assert "No module named" in last_line(log, child.log_from)
    assert last_line(log, log.stat().st_size) == "no reason given"


def test_a_port_that_is_taken_is_refused_in_one_line(services: Services):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        service = services.start("--port", str(port))
        assert service.process.wait(10) == 1
    assert service.talk.splitlines() == [
        f"port {port} on 127.0.0.1: Address already in use; choose another with --port"
    ]
    assert not service.link.alive()


@pytest.mark.parametrize(
    ("options", "status", "words"),
    [
        (("--port", "70000"), 2, "--port is 70000, allowed are 0 to 65535"),
        (("--data", "/proc/nowhere"), 1, "data folder /proc/nowhere: No such file or directory"),
        (("--host", "203.0.113.9"), 1, "Cannot assign requested address"),  # RFC 5737: nobody's address
    ],
)
def test_a_wrong_command_line_is_one_line(services: Services, options: tuple[str, ...], status: int, words: str):
    service = services.start(*options)
    assert service.process.wait(10) == status
    assert words in service.talk
    assert len(service.talk.splitlines()) == 1
