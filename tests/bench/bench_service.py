"""Start-up times and memory of the whole service with the demo venue: `python tests/bench/bench_service.py`."""

from __future__ import annotations

import json
import os
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from pathlib import Path

OYEZ = [sys.executable, "-m", "oyez.cli"]
LONGEST_START_S = 120.0
SETTLES_S = 8.0


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def help_s() -> float:
    """Median of seven runs of `oyez --help`, by the installed command where there is one."""
    script = Path(sys.executable).with_name("oyez")
    command = [str(script), "--help"] if script.exists() else [*OYEZ, "--help"]
    took_s = []
    for _ in range(7):
        began = time.perf_counter()
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
        took_s.append(time.perf_counter() - began)
    return statistics.median(took_s)


def processes(data: Path) -> dict[int, str]:
    """Every process whose command line names the data folder."""
    found = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                words = (entry / "cmdline").read_bytes().decode(errors="replace").split("\0")
            except OSError:
                continue
            if str(data) in words:
                named = [w.rpartition(".")[2] for w in words if w.startswith("oyez.")]
                found[int(entry.name)] = " ".join(named) or "supervisor"
    return found


def pss_mb(pid: int) -> float:
    """Proportional set size: what is shared counts once over all who share it (proc_pid_smaps(5))."""
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii").splitlines():
        if line.startswith("Pss:"):
            return int(line.split()[1]) / 1024
    raise RuntimeError(f"process {pid}: no Pss")


def start(data: Path) -> tuple[subprocess.Popen[bytes], str]:
    """Run the demo until /healthz answers 200; returns the process and the address."""
    port = free_port()
    began = time.perf_counter()
    environment = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"}
    command = [*OYEZ, "demo", "--data", str(data), "--port", str(port)]
    talk = (data.parent / "talk.txt").open("ab")
    process = subprocess.Popen(command, stdout=talk, stderr=talk, env=environment)
    while time.perf_counter() - began < LONGEST_START_S:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/healthz", timeout=2) as answer:
                json.load(answer)
                return process, f"http://127.0.0.1:{port}"
        except (urllib.error.URLError, OSError):
            if process.poll() is not None:
                break
            time.sleep(0.05)
    process.kill()
    raise RuntimeError("the demo did not start:\n" + (data.parent / "talk.txt").read_text(encoding="utf-8"))


def stop(process: subprocess.Popen[bytes], data: Path) -> float:
    """SIGTERM; returns the seconds until no process of the data folder is left."""
    began = time.perf_counter()
    process.send_signal(signal.SIGTERM)
    process.wait(timeout=20)
    while processes(data) and time.perf_counter() - began < 20:
        time.sleep(0.02)
    took_s = time.perf_counter() - began
    for pid in processes(data):
        os.kill(pid, signal.SIGKILL)
    return took_s


def main() -> None:
    print(f"oyez --help                  {help_s():7.2f} s    (to reach: under 0.3 s)")
    with tempfile.TemporaryDirectory(prefix="oyez-bench-") as folder:
        data = Path(folder) / "data"
        began = time.perf_counter()
        process, _ = start(data)
        first_s = time.perf_counter() - began
        print(f"demo, first start            {first_s:7.2f} s    (under 30 s)")
        print(f"stopped after SIGTERM        {stop(process, data):7.2f} s    (under 2 s)")
        began = time.perf_counter()
        process, _ = start(data)
        second_s = time.perf_counter() - began
        print(f"demo, second start           {second_s:7.2f} s    (under 8 s)")
        time.sleep(SETTLES_S)
        each = {pid: (name, pss_mb(pid)) for pid, name in processes(data).items()}
        total = sum(mb for _, mb in each.values())
        for name, mb in sorted(each.values()):
            print(f"  memory of {name:<18} {mb:7.1f} MB")
        print(f"memory of all (PSS)          {total:7.1f} MB   (under 400 MB)")
        print(f"stopped after SIGTERM        {stop(process, data):7.2f} s    (under 2 s)")


if __name__ == "__main__":
    main()
