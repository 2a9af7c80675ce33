"""A sound server of the test's own, its monitor recorded with a time for every frame, and what is found in it.

The server is PulseAudio with a null sink of eight channels; ALSA's default device leads there. It runs on a folder
of its own, is reached by its socket alone and is ended by its process.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from scipy import signal

RATE = 48_000
CHANNELS = 8
MAP = "front-left,front-right,rear-left,rear-right,front-center,lfe,side-left,side-right"
"""ALSA's own order of eight channels, so that nothing is moved on the way."""
LATENCY_MS = 2
Samples = npt.NDArray[np.float32]

PACKAGES = {"pulseaudio": "pulseaudio", "parec": "pulseaudio-utils", "pactl": "pulseaudio-utils"}


def need(*programs: str) -> None:
    """Skip, saying what to install, when a program is missing (in CI a skip is a failure)."""
    missing = [p for p in programs if shutil.which(p) is None]
    if missing:
        names = " ".join(dict.fromkeys(PACKAGES.get(p, p) for p in missing))
        pytest.skip(f"{', '.join(missing)} not found: apt-get install {names}")


def need_alsa_to_pulse() -> None:
    """ALSA's door to PulseAudio is a plug-in of its own, and so is PortAudio's library."""
    if not list(Path("/usr/lib").glob("*/alsa-lib/libasound_module_pcm_pulse.so")):
        pytest.skip("ALSA cannot reach PulseAudio: apt-get install libasound2-plugins")
    if not list(Path("/usr/lib").glob("*/libportaudio.so.2")):
        pytest.skip("PortAudio not found: apt-get install libportaudio2")


class SoundServer:
    """Started by making it; `environment` leads programs to it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        runtime = folder / "run"
        runtime.mkdir(parents=True)
        runtime.chmod(0o700)
        self.socket = runtime / "native"
        home = folder / "home"
        home.mkdir()
        (home / ".asoundrc").write_text("pcm.!default { type pulse }\nctl.!default { type pulse }\n")
        self.environment = {
            "HOME": str(home),
            "XDG_RUNTIME_DIR": str(runtime),
            "PULSE_RUNTIME_PATH": str(runtime),
            "PULSE_SERVER": f"unix:{self.socket}",
        }
        sink = (
            f"module-null-sink sink_name=hall channels={CHANNELS} rate={RATE} format=float32le channel_map={MAP}"
        )
        log = (folder / "pulseaudio.log").open("wb")
        self.process = subprocess.Popen(
            [
                "pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1",
                "--use-pid-file=no", "--disable-shm=yes",
                "-L", sink,
                "-L", f"module-native-protocol-unix socket={self.socket} auth-anonymous=1",
            ],
            env={**os.environ, **self.environment},
            stdout=subprocess.DEVNULL,
            stderr=log,
        )  # fmt: skip
        log.close()
        give_up_s = time.monotonic() + 15.0
        while not self.socket.exists():
            assert self.process.poll() is None, (folder / "pulseaudio.log").read_text()
            assert time.monotonic() < give_up_s, "PulseAudio made no socket"
            time.sleep(0.05)

    def end(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(5)


@dataclass
class Monitor:
    """What comes out of the sink, recorded from now on.

    Where a frame's time comes from: `parec` is asked for a latency of 2 ms, so the sink works in pieces of at most
    that. A piece arrives here no sooner than it was rendered; of all pieces the one that arrived soonest after its
    place in the stream tells when frame 0 was rendered, and what it is late by is the pipe's best case (well under
    1 ms). The sink renders at most one piece, 2 ms, before its own clock would play it. So the true instant lies
    between 1 ms before and 2 ms after the one that `utc_ms` gives: `UNCERTAIN_MS`.
    """

    UNCERTAIN_MS = 2.0

    server: SoundServer
    _chunks: list[bytes] = field(default_factory=list)
    _arrivals: list[tuple[float, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.process = subprocess.Popen(
            [
                "parec", "--device=hall.monitor", "--raw", "--format=float32le", f"--rate={RATE}",
                f"--channels={CHANNELS}", f"--channel-map={MAP}", f"--latency-msec={LATENCY_MS}",
            ],
            env={**os.environ, **self.server.environment},
            stdout=subprocess.PIPE,
        )  # fmt: skip
        self._utc_offset_s = time.time() - time.monotonic()
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        done = 0
        while True:
            chunk = os.read(self.process.stdout.fileno(), 1 << 16)
            arrived_s = time.monotonic()
            if not chunk:
                return
            done += len(chunk)
            self._chunks.append(chunk)
            self._arrivals.append((arrived_s, done // (4 * CHANNELS)))

    def end(self) -> None:
        """End the recorder; once is enough, twice does no harm."""
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait(5)
        self._thread.join(5)
        if self.process.stdout is not None:
            self.process.stdout.close()

    def stop(self) -> Recorded:
        self.end()
        data = b"".join(self._chunks)
        frames = len(data) // (4 * CHANNELS)
        samples = np.frombuffer(data[: frames * 4 * CHANNELS], dtype="<f4").reshape(frames, CHANNELS)
        settled = self._arrivals[len(self._arrivals) // 10 :]
        zero_s = min(arrived_s - count / RATE for arrived_s, count in settled)
        spread_ms = 1000.0 * (np.median([a - c / RATE for a, c in settled]) - zero_s)
        return Recorded(
            samples=samples, zero_ms=(zero_s + self._utc_offset_s) * 1000.0, spread_ms=float(spread_ms)
        )


@dataclass(frozen=True)
class Recorded:
    """samples (frames, 8); `zero_ms` is the UTC of frame 0, `spread_ms` how late a typical piece arrived."""

    samples: Samples
    zero_ms: float
    spread_ms: float

    def utc_ms(self, frame: float) -> float:
        return self.zero_ms + frame * 1000.0 / RATE

    def frame(self, utc_ms: float) -> int:
        return round((utc_ms - self.zero_ms) * RATE / 1000.0)


def find_all(channel: Samples, pattern: Samples, *, least: float = 0.5) -> list[int]:
    """Frames at which the pattern begins, by a matched filter (North 1943): normalised correlation over `least`.

    channel, pattern  shape (frames,). Peaks closer than half the pattern are one.
    """
    wanted = pattern.astype(np.float64)
    heard = channel.astype(np.float64)
    score = signal.correlate(heard, wanted, mode="valid", method="fft")
    power = (
        np.convolve(heard**2, np.ones(len(wanted)), mode="valid")
        if len(heard) < 4 * len(wanted)
        else _power(heard, len(wanted))
    )
    score /= np.sqrt(np.maximum(power, 1e-9) * np.sum(wanted**2))
    peaks, _ = signal.find_peaks(score, height=least, distance=len(wanted) // 2)
    return [int(p) for p in peaks]


def _power(heard: npt.NDArray[np.float64], width: int) -> npt.NDArray[np.float64]:
    total = np.concatenate(([0.0], np.cumsum(heard**2)))
    return total[width:] - total[:-width]


def tone_level_db(channel: Samples, hz: float, *, window_s: float = 0.02) -> npt.NDArray[np.float64]:
    """The level of one tone over time, dB of its amplitude, a value a frame.

    Moved down to 0 Hz and averaged over a Hann window of `window_s`, so what lies over 2 / window_s away is gone.
    """
    frames = np.arange(len(channel))
    base = channel.astype(np.float64) * np.exp(-2j * np.pi * hz * frames / RATE)
    window = signal.windows.hann(round(window_s * RATE))
    smooth = signal.fftconvolve(base, window / window.sum(), mode="same")
    return np.asarray(20.0 * np.log10(np.maximum(2.0 * np.abs(smooth), 1e-9)))


def points_db(points: Mapping[int, float] | list[tuple[int, float]], at_ms: float) -> float:
    """The plan's duck points read at an instant: linear between them, 0 dB outside."""
    listed = list(points.items()) if isinstance(points, Mapping) else points
    times = [float(ms) for ms, _ in listed]
    return float(np.interp(at_ms, times, [db for _, db in listed], left=0.0, right=0.0)) if listed else 0.0
