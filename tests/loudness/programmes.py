"""Signals to measure: the standards' own, made from their recipes, and programmes of several kinds."""

from __future__ import annotations

import functools
import json
import shutil
import subprocess
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.signal
import soundfile
import soxr

Samples = npt.NDArray[np.float32]

VECTORS = Path(__file__).parent.parent / "vectors"


@functools.cache
def vectors(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((VECTORS / f"{name}.json").read_text())
    return found


def case(number: int, name: str = "ebu3341") -> dict[str, Any]:
    return next(c for c in vectors(name)["cases"] if c["case"] == number)


def tone_segments(
    segments: Iterable[Mapping[str, Any]], rate: int, hz: float = 1000.0, channels: int = 2
) -> Samples:
    """Segments of a sine with one running phase, `dBFS` its peak level, None for silence."""
    gains = [
        np.full(round(s["seconds"] * rate), 0.0 if s["dBFS"] is None else 10 ** (s["dBFS"] / 20)) for s in segments
    ]
    gain = np.concatenate(gains)
    tone = gain * np.sin(2 * np.pi * hz / rate * np.arange(len(gain)))
    return np.repeat(tone[:, None], channels, axis=1).astype(np.float32)


def sine(
    hz: float, seconds: float, rate: int, *, peak: float = 1.0, phase_deg: float = 0.0
) -> npt.NDArray[np.float64]:
    n = np.arange(round(seconds * rate))
    return peak * np.sin(2 * np.pi * hz / rate * n + np.deg2rad(phase_deg))


def faded(signal: npt.NDArray[np.float64], rate: int, seconds: float = 0.01) -> npt.NDArray[np.float64]:
    """Raised-cosine fades at both ends."""
    count = round(seconds * rate)
    ramp = 0.5 * (1 - np.cos(np.pi * np.arange(count) / count))
    out = signal.copy()
    out[:count] *= ramp
    out[-count:] *= ramp[::-1]
    return out


def peak_burst(offset: int) -> Samples:
    """Tech 3341 cases 20 to 23: one period of fs/4 at 1.00 inside fs/6 at 0.50, made at 4 fs and decimated."""
    fast = 192_000
    periods = 1000
    before = 0.5 * np.sin(2 * np.pi * np.arange(24 * periods) / 24)
    inside = np.sin(2 * np.pi * np.arange(16) / 16)
    whole = faded(np.concatenate([before, inside, before]), fast)
    taps = scipy.signal.firwin(241, 0.9 * 24_000, window=("kaiser", 8.0), fs=fast)
    low = np.convolve(whole, taps, mode="same")
    return np.repeat(low[offset::4, None], 2, axis=1).astype(np.float32)


@functools.cache
def spoken(words: str, voice: str = "en-gb", speed: int = 160) -> Samples:
    """Speech at 48 kHz, mono: by espeak-ng where it is installed, else syllables of filtered noise and pulses."""
    if shutil.which("espeak-ng"):
        wav = subprocess.run(
            ["espeak-ng", "-v", voice, "-s", str(speed), "--stdout", words], check=True, capture_output=True
        ).stdout
        data, rate = soundfile.read(__import__("io").BytesIO(wav), dtype="float32")
        return soxr.resample(data, rate, 48_000).astype(np.float32)[:, None]
    return syllables(len(words) * 0.07, seed=len(words))


def syllables(seconds: float, seed: int) -> Samples:
    """Something like speech: voiced and unvoiced syllables with pauses, at 48 kHz, mono."""
    random = np.random.default_rng(seed)
    pieces = []
    while sum(map(len, pieces)) < seconds * 48_000:
        count = int(random.uniform(0.08, 0.25) * 48_000)
        pitch = random.uniform(90, 220)
        source = scipy.signal.sawtooth(2 * np.pi * pitch / 48_000 * np.arange(count))
        if random.random() < 0.3:
            source = random.standard_normal(count)
        formants = scipy.signal.sosfilt(
            scipy.signal.butter(
                2, [random.uniform(250, 700), random.uniform(1200, 3500)], "band", fs=48_000, output="sos"
            ),
            source,
        )
        pieces.append(formants * np.hanning(count) * random.uniform(0.1, 0.6))
        pieces.append(np.zeros(int(random.uniform(0.01, 0.3) * 48_000)))
    return np.concatenate(pieces)[: int(seconds * 48_000), None].astype(np.float32)


def music(seconds: float, seed: int, channels: int = 2, rate: int = 48_000) -> Samples:
    """Decaying chords over a beat, panned."""
    random = np.random.default_rng(seed)
    out = np.zeros((int(seconds * rate), channels))
    beat = int(0.4 * rate)
    for start in range(0, len(out), beat):
        count = min(2 * beat, len(out) - start)
        t = np.arange(count) / rate
        for _ in range(4):
            hz = 110 * 2 ** (random.integers(0, 36) / 12)
            note = np.sin(2 * np.pi * hz * t) * np.exp(-3 * t) * random.uniform(0.02, 0.2)
            out[start : start + count] += note[:, None] * random.uniform(0.2, 1.0, channels)
        drum = random.standard_normal(count) * np.exp(-60 * t) * random.uniform(0.05, 0.4)
        out[start : start + count] += drum[:, None]
    return out.astype(np.float32)


def noise(seconds: float, seed: int, channels: int, rate: int, level: float = 0.1) -> Samples:
    random = np.random.default_rng(seed)
    return (level * random.standard_normal((int(seconds * rate), channels))).astype(np.float32)


def bursts(seconds: float, seed: int, channels: int, rate: int) -> Samples:
    """Noise that comes and goes, from loud to under the gates."""
    out = noise(seconds, seed, channels, rate, 0.2)
    random = np.random.default_rng(seed + 1)
    at = 0
    while at < len(out):
        count = int(random.uniform(0.2, 4.0) * rate)
        out[at : at + count] *= 10 ** (random.uniform(-70, 0) / 20)
        at += count
    return out
