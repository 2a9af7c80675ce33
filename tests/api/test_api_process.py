"""The web process as it is started: it ends when told, and when whoever started it is gone."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import httpx
from fastapi import FastAPI

from oyez.api.run import entrance

PARENT = """
import os, subprocess, sys
child = subprocess.Popen([sys.executable, "-m", "oyez.api.run", *sys.argv[1:], "--parent", str(os.getpid())])
print(child.pid, flush=True)
sys.stdin.read()
os._exit(0)
"""


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port: int = found.getsockname()[1]
        return port


def answers(port: int) -> bool:
    try:
        # 503: there is neither venue nor engine, but the process answers
        return httpx.get(f"http://127.0.0.1:{port}/healthz", timeout=2).status_code == 503
    except httpx.HTTPError:
        return False


def seconds_until(what: Callable[[], bool], *, within_s: float) -> float:
    begun = time.monotonic()
    while not what():
        assert time.monotonic() - begun < within_s, "it did not happen in time"
        time.sleep(0.02)
    return time.monotonic() - begun


def arguments(folder: Path, port: int) -> list[str]:
    return ["--data", str(folder), "--host", "127.0.0.1", "--port", str(port)]


def test_it_ends_within_a_second_of_sigterm_with_a_page_open(tmp_path: Path) -> None:
    port = free_port()
    with subprocess.Popen([sys.executable, "-m", "oyez.api.run", *arguments(tmp_path, port)]) as process:
        seconds_until(lambda: answers(port), within_s=20)
        with httpx.stream("GET", f"http://127.0.0.1:{port}/api/events", timeout=10) as events:
            next(events.iter_lines())
            begun = time.monotonic()
            process.send_signal(signal.SIGTERM)
            process.wait(5)
            assert time.monotonic() - begun < 1.0
    assert process.returncode == 0


def test_it_ends_by_itself_when_its_parent_is_gone(tmp_path: Path) -> None:
    port = free_port()
    with subprocess.Popen(
        [sys.executable, "-c", PARENT, *arguments(tmp_path, port)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as parent:
        seconds_until(lambda: answers(port), within_s=20)
        assert parent.stdin is not None
        parent.stdin.close()
        parent.wait(5)
        seconds_until(lambda: not answers(port), within_s=3)


def test_it_carries_no_decoder_no_compiler_and_no_sound_card(tmp_path: Path) -> None:
    script = """
import sys
from pathlib import Path
from oyez.api.run import build
from oyez.settings import Settings
app = build(Settings(data_dir=Path(sys.argv[1])))
app.openapi()
print(*sorted({"numba", "scipy", "sounddevice", "soundfile", "pydub", "soxr"} & set(sys.modules)))
"""
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path)], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == ""


def test_a_port_that_is_taken_ends_it_with_a_status(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = subprocess.run(
            [sys.executable, "-m", "oyez.api.run", *arguments(tmp_path, port)],
            capture_output=True,
            text=True,
            check=False,
            timeout=30,
        )
    assert done.returncode == 1
    assert done.stderr == f"cannot listen at 127.0.0.1, port {port}: Address already in use\n"


def test_the_way_in_from_another_machine_names_host_and_token(app: FastAPI) -> None:
    token = app.state.access.token
    assert entrance(app, "192.0.2.7", 8137) == f"http://192.0.2.7:8137/enter?token={token}"
    assert entrance(app, "2001:db8::7", 8137) == f"http://[2001:db8::7]:8137/enter?token={token}"
    assert entrance(app, "0.0.0.0", 80).startswith(f"http://{socket.gethostname()}:80/enter")
