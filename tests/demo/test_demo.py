"""`oyez demo` from its command line to the log, and with a sound card where there is one."""

from __future__ import annotations

import json
import os
import re
import selectors
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.playout.recorded import SoundServer, need, need_alsa_to_pulse

STARTS_S = 90.0
FIRST_CALL_S = 60.0


@dataclass
class Demo:
    process: subprocess.Popen[str]
    address: str
    said: str

    def ask(self, path: str) -> Any:
        with urllib.request.urlopen(self.address + path, timeout=5) as answer:
            return json.load(answer)


@contextmanager
def demo(data: Path, environment: Mapping[str, str]) -> Iterator[Demo]:
    """A running demo; what it said until it named its address, and the address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "oyez.cli", "demo", "--data", str(data), "--port", "0"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        bufsize=1,
        env={**os.environ, **environment},
    )
    try:
        assert process.stdout is not None
        said, give_up_s = "", time.monotonic() + STARTS_S
        with selectors.DefaultSelector() as waiting:
            waiting.register(process.stdout, selectors.EVENT_READ)
            while (found := re.search(r"Oyez is at (http\S+)", said)) is None:
                assert time.monotonic() < give_up_s, said
                if waiting.select(timeout=1.0):
                    line = process.stdout.readline()
                    assert line, said
                    said += line
        running = Demo(process, found[1], said)
        yield running
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            rest, _ = process.communicate(timeout=10)
        except subprocess.TimeoutExpired:
            process.kill()
            rest, _ = process.communicate(timeout=5)
    running.said += rest


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo") / "data"


def nowhere(tmp_path: Path) -> dict[str, str]:
    """An environment in which no sound server is to be found."""
    return {"HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path), "PULSE_SERVER": f"unix:{tmp_path}/none"}


def test_within_a_minute_of_the_start_a_call_is_in_the_log(data: Path, tmp_path: Path) -> None:
    with demo(data, nowhere(tmp_path)) as running:
        began_s = time.monotonic()
        assert "First start" in running.said
        assert running.ask("/healthz")["playing"] is True
        ended: list[dict[str, Any]] = []
        while not ended and time.monotonic() - began_s < FIRST_CALL_S:
            time.sleep(0.5)
            ended = [r["body"] for r in running.ask("/api/log")["records"] if r["kind"] == "end"]
    assert {e["outcome"] for e in ended} == {"sent"}
    assert running.process.returncode == 0
    assert "Traceback" not in running.said


def test_with_a_sound_card_the_ticket_hall_is_on_it(data: Path, tmp_path: Path) -> None:
    need("pulseaudio")
    need_alsa_to_pulse()
    server = SoundServer(tmp_path / "sound")
    try:
        with demo(data, server.environment) as running:
            assert "First start" not in running.said
            assert "plays silently" not in running.said
            give_up_s = time.monotonic() + 10
            while (health := running.ask("/healthz"))["code"] != "ok" and time.monotonic() < give_up_s:
                time.sleep(0.2)
            assert health["playing"] is True
            assert health["code"] == "ok", health
    finally:
        server.end()
