"""Two hours of stereo are measured and imported without being held in memory."""

from __future__ import annotations

import json
import os
import struct
import subprocess
import sys

import numpy as np
import pytest

RATE = 48_000


def long_file(path, seconds, seed=0):
    """16-bit stereo: noise in the first 5 s of every 10 min, else silence that takes no room on the disk."""
    data = seconds * RATE * 4
    head = b"RIFF" + struct.pack("<I", 36 + data) + b"WAVE"
    head += b"fmt " + struct.pack("<IHHIIHH", 16, 1, 2, RATE, RATE * 4, 4, 16) + b"data" + struct.pack("<I", data)
    burst = (np.random.default_rng(seed).standard_normal((5 * RATE, 2)) * 3000).astype("<i2").tobytes()
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + data)
        for start in range(0, seconds, 600):
            file.seek(len(head) + start * RATE * 4)
            file.write(burst)
    return path


BETWEEN = """
import os, subprocess, sys
process = subprocess.Popen(sys.argv[1:])
_, status, used = os.wait4(process.pid, 0)
print(used.ru_maxrss, file=sys.stderr)
sys.exit(os.waitstatus_to_exitcode(status))
"""


@pytest.fixture
def run(tmp_path, request):
    """Runs a command in a process of its own: (answer, most memory in MB). Nothing is known from earlier runs but
    the compiled kernels.
    """
    kernels = str(request.config.cache.mkdir("kernels"))
    environment = {**os.environ, "XDG_CACHE_HOME": str(tmp_path / "cache"), "NUMBA_CACHE_DIR": kernels}

    def run_one(*words):
        # Through a small process between: a child's peak counts from the size of the process it was forked from.
        done = subprocess.run(
            [sys.executable, "-S", "-c", BETWEEN, sys.executable, *map(str, words)],
            capture_output=True,
            env=environment,
            check=True,
        )
        return json.loads(done.stdout), int(done.stderr.splitlines()[-1]) / 1024

    return run_one


def test_measuring_two_hours_takes_under_200_mb(tmp_path, run):
    command = ("-m", "oyez.cli", "measure", "--json")
    run(*command, long_file(tmp_path / "first.wav", 10, 1))  # compiles, where that was not done yet
    (brief,), little = run(*command, long_file(tmp_path / "short.wav", 10))
    long = long_file(tmp_path / "long.wav", 7200)
    (entry,), much = run(*command, long)
    long.unlink()
    assert entry["duration_s"] == 7200.0
    assert entry["true_peak_dbtp"] == pytest.approx(brief["true_peak_dbtp"], abs=0.01)
    assert entry["integrated_lufs"] == pytest.approx(brief["integrated_lufs"], abs=0.5)
    assert little > 60  # the meter was at work
    assert much < 200
    assert much - little < 40  # the file's samples would be 2.8 GB


def test_importing_half_an_hour_takes_under_220_mb(tmp_path, run):
    half_hour = long_file(tmp_path / "half.wav", 1800)
    command = ("-m", "oyez.clips.worker", "--kind", "music", "--data", tmp_path / "data")
    run(*command, long_file(tmp_path / "first.wav", 10, 1))
    answer, much = run(*command, half_hour)
    assert answer["stored"]["frames"] == 1800 * RATE
    assert much < 220  # as float samples it is 690 MB
