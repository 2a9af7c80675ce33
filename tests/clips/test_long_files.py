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


def long_file(path, seconds):
    """16-bit stereo: noise in the first 5 s of every 10 min, else silence that takes no room on the disk."""
    data = seconds * RATE * 4
    head = b"RIFF" + struct.pack("<I", 36 + data) + b"WAVE"
    head += b"fmt " + struct.pack("<IHHIIHH", 16, 1, 2, RATE, RATE * 4, 4, 16) + b"data" + struct.pack("<I", data)
    burst = (np.random.default_rng(0).standard_normal((5 * RATE, 2)) * 3000).astype("<i2").tobytes()
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + data)
        for start in range(0, seconds, 600):
            file.seek(len(head) + start * RATE * 4)
            file.write(burst)
    return path


def run(*words):
    """(answer, most memory in MB) of one command in a process of its own."""
    process = subprocess.Popen([sys.executable, *map(str, words)], stdout=subprocess.PIPE)
    answer = process.stdout.read()
    process.stdout.close()
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, answer
    return json.loads(answer), used.ru_maxrss / 1024


@pytest.fixture(scope="module")
def short(tmp_path_factory):
    return long_file(tmp_path_factory.mktemp("short") / "short.wav", 10)


@pytest.fixture(scope="module")
def long(tmp_path_factory):
    path = long_file(tmp_path_factory.mktemp("long") / "long.wav", 7200)
    yield path
    path.unlink()


def test_measuring_two_hours_takes_under_200_mb(short, long):
    command = ("-m", "oyez.cli", "measure", "--json")
    run(*command, short)  # compiles, where that was not done yet
    (brief,), little = run(*command, short)
    (entry,), much = run(*command, long)
    assert entry["duration_s"] == 7200.0
    assert entry["true_peak_dbtp"] == pytest.approx(brief["true_peak_dbtp"], abs=0.01)
    assert entry["integrated_lufs"] == pytest.approx(brief["integrated_lufs"], abs=0.5)
    assert much < 200
    assert much - little < 40  # the file's samples would be 2.8 GB


def test_importing_half_an_hour_takes_under_220_mb(tmp_path, short):
    half_hour = long_file(tmp_path / "half.wav", 1800)
    command = ("-m", "oyez.clips.worker", "--kind", "music", "--data", tmp_path / "data")
    run(*command, short)
    answer, much = run(*command, half_hour)
    assert answer["stored"]["frames"] == 1800 * RATE
    assert much < 220  # as float samples it is 690 MB
