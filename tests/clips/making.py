"""Audio files of every kind, made when a test needs them."""

from __future__ import annotations

import subprocess
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import numpy.typing as npt
import soundfile

Samples = npt.NDArray[np.float32]

FFMPEG = imageio_ffmpeg.get_ffmpeg_exe()


def tone(
    seconds: float, rate: int = 48_000, *, hz: float = 440.0, peak: float = 0.3, channels: int = 1
) -> Samples:
    """A sine on every channel."""
    wave = peak * np.sin(2 * np.pi * hz / rate * np.arange(int(seconds * rate)))
    return np.repeat(wave[:, None], channels, axis=1).astype(np.float32)


def tones(seconds: float, rate: int, hz: list[float], peak: float = 0.3) -> Samples:
    """One sine a channel."""
    n = np.arange(int(seconds * rate))
    return np.stack([peak * np.sin(2 * np.pi * f / rate * n) for f in hz], axis=1).astype(np.float32)


def write(path: Path, samples: Samples, rate: int = 48_000, subtype: str | None = None) -> Path:
    soundfile.write(path, samples, rate, subtype=subtype)
    return path


def by_ffmpeg(source: Path, target: Path, *options: str) -> Path:
    subprocess.run(
        [FFMPEG, "-v", "error", "-nostdin", "-y", "-i", source, *options, target], check=True, capture_output=True
    )
    return target


def level_of(samples: npt.NDArray[np.floating], rate: int, hz: float) -> float:
    """Peak of the sine of this frequency in one channel, from the middle of it."""
    middle = samples[len(samples) // 4 : 3 * len(samples) // 4].astype(np.float64)
    n = np.arange(len(middle))
    window = np.hanning(len(middle))
    return float(2 * abs(np.sum(middle * window * np.exp(-2j * np.pi * hz / rate * n))) / window.sum())
