"""A small synthesiser: notes, chimes and a room, in plain numpy.

Everything is computed from its arguments alone, so that the same script gives the same samples. Writes no file.
Audio is float64, shape (frames,) for one voice and (frames, 2) for a mix, at 48 kHz.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

RATE = 48_000
Audio = NDArray[np.float64]

_STEPS = {"c": 0, "d": 2, "e": 4, "f": 5, "g": 7, "a": 9, "b": 11}


def hertz(note: str) -> float:
    """The frequency of a note such as "a4" (440 Hz), "f#3" or "bb2", equal temperament."""
    name, octave = note[:-1], int(note[-1])
    step = _STEPS[name[0]] + name.count("#") - name[1:].count("b")
    return float(440.0 * 2.0 ** ((step - 9) / 12 + octave - 4))


def envelope(length_s: float, *, attack_s: float, release_s: float, decay_s: float | None = None) -> Audio:
    """Shape (frames,), 0 to 1: a raised-cosine rise, an optional exponential decay, a raised-cosine release."""
    frames = round(length_s * RATE)
    t = np.arange(frames) / RATE
    shape = np.ones(frames) if decay_s is None else np.exp(-t / decay_s)
    rise = min(round(attack_s * RATE), frames)
    shape[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / max(rise, 1))
    fall = min(round(release_s * RATE), frames)
    shape[frames - fall :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fall) / max(fall, 1))
    return shape


def bell(note_hz: float, length_s: float, partials: tuple[tuple[float, float, float], ...]) -> Audio:
    """A struck sound: partials are (ratio, amplitude, decay_s)."""
    t = np.arange(round(length_s * RATE)) / RATE
    sound = np.zeros(t.size)
    for ratio, amplitude, decay_s in partials:
        sound += amplitude * np.exp(-t / decay_s) * np.sin(2 * np.pi * note_hz * ratio * t)
    return sound * envelope(length_s, attack_s=0.004, release_s=min(0.4, length_s / 3))


def pluck(note_hz: float, length_s: float) -> Audio:
    """A soft plucked string: nine harmonics, the higher the sooner gone."""
    partials = tuple((float(n), 1.0 / n**1.3, 0.9 / n**0.6) for n in range(1, 10))
    return bell(note_hz, length_s, partials)


def keys(note_hz: float, length_s: float) -> Audio:
    """A mellow electric-piano tone by frequency modulation, 1:1 with a faint 1:14 tine."""
    t = np.arange(round(length_s * RATE)) / RATE
    index = 1.9 * np.exp(-t / 0.5)
    body = np.sin(2 * np.pi * note_hz * t + index * np.sin(2 * np.pi * note_hz * t))
    tine = 0.1 * np.exp(-t / 0.12) * np.sin(2 * np.pi * note_hz * 7 * t)
    return (body + tine) * envelope(length_s, attack_s=0.006, release_s=0.15, decay_s=1.1)


def pad(note_hz: float, length_s: float, *, detune_hz: float) -> Audio:
    """A slow string-like chord tone: five harmonics, each a pair `detune_hz` apart."""
    t = np.arange(round(length_s * RATE)) / RATE
    sound = np.zeros(t.size)
    for n in range(1, 6):
        for side in (-0.5, 0.5):
            sound += np.sin(2 * np.pi * (note_hz * n + side * detune_hz * n**0.5) * t + n + side) / n**2.0
    return 0.5 * sound * envelope(length_s, attack_s=min(0.9, length_s / 3), release_s=min(1.3, length_s / 3))


def bass(note_hz: float, length_s: float) -> Audio:
    t = np.arange(round(length_s * RATE)) / RATE
    sound = np.sin(2 * np.pi * note_hz * t) + 0.35 * np.sin(4 * np.pi * note_hz * t) * np.exp(-t / 0.4)
    return sound * envelope(length_s, attack_s=0.012, release_s=0.12, decay_s=1.6)


class Mix:
    """A stereo track that notes are laid into."""

    def __init__(self, length_s: float) -> None:
        self.samples = np.zeros((round(length_s * RATE), 2))

    def add(self, sound: Audio, at_s: float, *, gain: float, place: float = 0.0) -> None:
        """Lay a voice at a time; `place` runs from -1 (left) to 1 (right), equal power. What overhangs is cut."""
        start = round(at_s * RATE)
        piece = sound[: max(0, len(self.samples) - start)]
        angle = (place + 1) * np.pi / 4
        self.samples[start : start + piece.size, 0] += gain * np.cos(angle) * np.sqrt(2) * piece
        self.samples[start : start + piece.size, 1] += gain * np.sin(angle) * np.sqrt(2) * piece


def room(mix: Audio, *, tail_s: float, wet: float, seed: int) -> Audio:
    """Add a room: each side convolved with its own decaying noise (60 dB in `tail_s`), same length as given."""
    noise = np.random.default_rng(seed)
    frames = round(tail_s * RATE)
    decay = 10.0 ** (-3.0 * np.arange(frames) / frames)
    size = 1 << int(len(mix) + frames - 1).bit_length()
    out = mix.copy()
    for side in range(2):
        tail = noise.standard_normal(frames) * decay
        tail = np.convolve(tail, np.ones(6) / 6, mode="same")  # a duller room is a kinder one
        tail /= np.sqrt(np.sum(tail**2))
        wetted = np.fft.irfft(np.fft.rfft(mix[:, side], size) * np.fft.rfft(tail, size), size)[: len(mix)]
        out[:, side] += wet * wetted
    return out


def finished(mix: Audio, *, peak_dbfs: float, fade_in_s: float, fade_out_s: float) -> Audio:
    """Fade both ends and set the sample peak."""
    shape = envelope(len(mix) / RATE, attack_s=fade_in_s, release_s=fade_out_s)
    shaped = mix * (shape[:, None] if mix.ndim == 2 else shape)
    return np.asarray(shaped * (10.0 ** (peak_dbfs / 20) / np.max(np.abs(shaped))))
