"""The demo's music and chimes, composed here as notes and played by `synth`. Writes no file."""

from __future__ import annotations

import numpy as np
from synth import Audio, Mix, bass, bell, finished, hertz, keys, pad, pluck, room

BELL = ((1.0, 1.0, 0.55), (2.0, 0.45, 0.4), (3.01, 0.16, 0.25), (4.2, 0.06, 0.12))
GONG = (
    (1.0, 1.0, 1.5),
    (1.48, 0.5, 1.2),
    (2.09, 0.45, 0.9),
    (2.76, 0.22, 0.6),
    (3.43, 0.12, 0.4),
    (4.9, 0.05, 0.2),
)


def chime(notes: tuple[str, ...], *, every_s: float, last_s: float) -> Audio:
    """Bell tones one after the other, mono."""
    length_s = every_s * (len(notes) - 1) + last_s
    mix = Mix(length_s)
    for index, note in enumerate(notes):
        mix.add(bell(hertz(note), length_s - index * every_s, BELL), index * every_s, gain=0.5)
    return finished(mix.samples[:, 0], peak_dbfs=-6.0, fade_in_s=0.002, fade_out_s=0.3)


def gong() -> Audio:
    """One low, soft stroke, stereo."""
    mix = Mix(2.6)
    mix.add(bell(hertz("g3"), 2.6, GONG), 0.0, gain=0.4, place=-0.25)
    mix.add(bell(hertz("g3") * 1.003, 2.6, GONG), 0.0, gain=0.4, place=0.25)
    return finished(mix.samples, peak_dbfs=-6.0, fade_in_s=0.004, fade_out_s=0.6)


def slow_tide() -> Audio:
    """House: long chords and a slow broken chord above them, 66 beats a minute."""
    beat_s = 60 / 66
    chords = (
        ("d2", ("d3", "a3", "f#4", "c#5")),
        ("b2", ("b2", "f#3", "d4", "a4")),
        ("g2", ("g2", "d3", "b3", "f#4")),
        ("a2", ("a2", "e3", "b3", "d4")),
        ("d2", ("d3", "a3", "e4", "f#4")),
        ("e2", ("e3", "b3", "g4", "d5")),
    )
    mix = Mix(2 * len(chords) * 4 * beat_s + 2.5)
    for turn in range(2):
        for index, (root, tones) in enumerate(chords):
            at_s = (turn * len(chords) + index) * 4 * beat_s
            mix.add(bass(hertz(root), 4 * beat_s), at_s, gain=0.20)
            for place, tone in zip((-0.6, 0.5, -0.2, 0.3), tones, strict=True):
                mix.add(pad(hertz(tone), 4 * beat_s + 1.2, detune_hz=0.7), at_s, gain=0.085, place=place)
            order = (0, 2, 1, 3, 2, 1, 3, 2) if turn == 0 else (3, 1, 2, 0, 3, 2, 1, 2)
            for step, which in enumerate(order):
                note_s = at_s + step * beat_s / 2
                sound = pluck(hertz(tones[which]) * 2, 1.8)
                mix.add(sound, note_s, gain=0.10, place=0.55 * np.sin(step * 1.1))
    return finished(
        room(mix.samples, tail_s=2.2, wet=0.35, seed=11), peak_dbfs=-6.0, fade_in_s=0.8, fade_out_s=3.0
    )


def lantern_drift() -> Audio:
    """House: a rocking six-eight figure, 54 dotted beats a minute."""
    eighth_s = 60 / 54 / 3
    bars = (
        ("f2", ("f3", "c4", "a4", "e5", "a4", "c4"), "g5"),
        ("d2", ("d3", "a3", "f4", "c5", "f4", "a3"), "a5"),
        ("bb2", ("bb2", "f3", "d4", "a4", "d4", "f3"), "f5"),
        ("c2", ("c3", "g3", "e4", "bb4", "e4", "g3"), "e5"),
        ("a2", ("a2", "e3", "c4", "g4", "c4", "e3"), "c5"),
        ("d2", ("d3", "a3", "f4", "e5", "f4", "a3"), "f5"),
        ("g2", ("g2", "d3", "bb3", "f4", "bb3", "d3"), "d5"),
        ("c2", ("c3", "g3", "d4", "bb4", "d4", "g3"), "c5"),
    )
    bar_s = 12 * eighth_s
    mix = Mix(len(bars) * bar_s + eighth_s * 6 + 2.5)
    for index, (root, figure, lead) in enumerate(bars):
        at_s = index * bar_s
        mix.add(bass(hertz(root), bar_s / 2), at_s, gain=0.12)
        mix.add(bass(hertz(root), bar_s / 2), at_s + bar_s / 2, gain=0.1)
        for step in range(12):
            sound = pluck(hertz(figure[step % 6]), 1.6)
            mix.add(sound, at_s + step * eighth_s, gain=0.13, place=-0.5 + step % 6 / 5)
        mix.add(pad(hertz(lead) / 2, bar_s, detune_hz=0.9), at_s, gain=0.08, place=-0.3)
        mix.add(bell(hertz(lead), 2.4, BELL), at_s + 6 * eighth_s, gain=0.06, place=0.4)
    mix.add(bass(hertz("f2"), 2.4), len(bars) * bar_s, gain=0.2)
    for place, tone in zip((-0.5, 0.0, 0.5), ("f3", "c4", "a4"), strict=True):
        mix.add(pluck(hertz(tone), 2.4), len(bars) * bar_s, gain=0.13, place=place)
    return finished(room(mix.samples, tail_s=1.8, wet=0.3, seed=12), peak_dbfs=-6.0, fade_in_s=0.4, fade_out_s=3.0)


def low_water_tea() -> Audio:
    """Café: gently swung chords with a walking bass, 92 beats a minute."""
    beat_s = 60 / 92
    bars = (
        (("bb3", "d4", "f4", "a4"), ("bb1", "d2", "f2", "d2"), "d5"),
        (("g3", "bb3", "d4", "f4"), ("g2", "f2", "d2", "f2"), "bb4"),
        (("c4", "eb4", "g4", "bb4"), ("c2", "eb2", "g2", "eb2"), "g4"),
        (("f3", "a3", "eb4", "g4"), ("f2", "eb2", "c2", "a1"), "c5"),
        (("bb3", "d4", "f4", "a4"), ("bb1", "c2", "d2", "f2"), "f5"),
        (("eb4", "g4", "bb4", "d5"), ("eb2", "d2", "c2", "bb1"), "g5"),
        (("c4", "eb4", "g4", "bb4"), ("c2", "d2", "eb2", "g2"), "eb5"),
        (("f3", "a3", "eb4", "g4"), ("f2", "a2", "c2", "a1"), "c5"),
    )
    bar_s = 4 * beat_s
    mix = Mix(2 * len(bars) * bar_s + 2.2)
    for turn in range(2):
        for index, (chord, walk, lead) in enumerate(bars):
            at_s = (turn * len(bars) + index) * bar_s
            for beat, note in enumerate(walk):
                mix.add(bass(hertz(note), beat_s * 0.95), at_s + beat * beat_s, gain=0.11)
            for offset_s, length_s in ((0.0, 1.6), (beat_s * 1.66, 0.8), (beat_s * 3.0, 0.7)):
                for place, tone in zip((-0.5, -0.2, 0.2, 0.5), chord, strict=True):
                    mix.add(keys(hertz(tone), length_s), at_s + offset_s, gain=0.055, place=place)
            for offset_s in (beat_s, beat_s * 2.66) if turn else (beat_s * 2.0,):
                mix.add(keys(hertz(lead), 1.2), at_s + offset_s, gain=0.085, place=0.25)
    return finished(room(mix.samples, tail_s=1.1, wet=0.2, seed=13), peak_dbfs=-6.0, fade_in_s=0.2, fade_out_s=3.0)


def window_seat() -> Audio:
    """Café: a small waltz, 104 beats a minute."""
    beat_s = 60 / 104
    bars = (
        ("g2", ("b3", "d4", "f#4"), ("d5", "", "b4")),
        ("e2", ("b3", "d4", "g4"), ("g5", "", "")),
        ("a2", ("c4", "e4", "g4"), ("e5", "f#5", "g5")),
        ("d2", ("c4", "f#4", "a4"), ("a5", "", "")),
        ("b2", ("a3", "d4", "f#4"), ("f#5", "", "d5")),
        ("e2", ("g3", "b3", "d4"), ("b4", "", "")),
        ("c2", ("e4", "g4", "b4"), ("e5", "d5", "c5")),
        ("d2", ("c4", "f#4", "a4"), ("d5", "", "")),
    )
    bar_s = 3 * beat_s
    mix = Mix(3 * len(bars) * bar_s + 2.6)
    for turn in range(3):
        for index, (root, chord, tune) in enumerate(bars):
            at_s = (turn * len(bars) + index) * bar_s
            mix.add(bass(hertz(root), bar_s * 0.9), at_s, gain=0.14)
            for beat in (1, 2):
                for place, tone in zip((-0.45, 0.0, 0.45), chord, strict=True):
                    mix.add(pluck(hertz(tone), 0.9), at_s + beat * beat_s, gain=0.075, place=place)
            for beat, note in enumerate(tune):
                if note and turn != 1:
                    mix.add(keys(hertz(note), 1.5), at_s + beat * beat_s, gain=0.12, place=0.15)
                elif note:
                    mix.add(bell(hertz(note), 1.8, BELL), at_s + beat * beat_s, gain=0.09, place=-0.2)
    mix.add(bass(hertz("g2"), 2.4), 3 * len(bars) * bar_s, gain=0.14)
    for place, tone in zip((-0.4, 0.0, 0.4), ("b3", "d4", "g4"), strict=True):
        mix.add(keys(hertz(tone), 2.4), 3 * len(bars) * bar_s, gain=0.08, place=place)
    return finished(
        room(mix.samples, tail_s=1.3, wet=0.22, seed=14), peak_dbfs=-6.0, fade_in_s=0.2, fade_out_s=2.4
    )
