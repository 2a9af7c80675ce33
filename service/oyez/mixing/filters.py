"""Second-order sections: the zone's high-pass and parametric bands, as coefficients. No audio passes here.

A section is (b0, b1, b2, a1, a2) with a0 = 1. Equations: R. Bristow-Johnson, "Audio EQ Cookbook" (W3C note,
2021); its high-pass with Q = 1/sqrt(2) is the Butterworth filter of second order.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from oyez.mixing.programme import SAMPLE_RATE, ZoneSetup

Section = tuple[float, float, float, float, float]

FLAT: Section = (1.0, 0.0, 0.0, 0.0, 0.0)
SECTIONS = 6  # one high-pass and five bands
BUTTERWORTH_Q = math.sqrt(0.5)


def highpass(hz: float, q: float = BUTTERWORTH_Q, sample_rate: int = SAMPLE_RATE) -> Section:
    """12 dB an octave under `hz`; at `hz` the gain is q (-3.01 dB for Butterworth)."""
    w0 = _angle(hz, sample_rate)
    alpha = math.sin(w0) / (2.0 * q)
    cos = math.cos(w0)
    half = (1.0 + cos) / 2.0
    return _normal((half, -2.0 * half, half), (1.0 + alpha, -2.0 * cos, 1.0 - alpha))


def peaking(hz: float, gain_db: float, q: float, sample_rate: int = SAMPLE_RATE) -> Section:
    """`gain_db` at `hz`, 0 dB far away; the same q with the opposite gain undoes it. 0 dB is exactly flat."""
    if gain_db == 0.0:
        return FLAT
    w0 = _angle(hz, sample_rate)
    a = 10.0 ** (gain_db / 40.0)
    alpha = math.sin(w0) / (2.0 * q)
    cos = math.cos(w0)
    return _normal((1.0 + alpha * a, -2.0 * cos, 1.0 - alpha * a), (1.0 + alpha / a, -2.0 * cos, 1.0 - alpha / a))


def zone_sections(zone: ZoneSetup) -> tuple[Section, ...]:
    """The sections of one zone that do anything, high-pass first."""
    made = [highpass(zone.highpass_hz)] if zone.highpass_hz is not None else []
    made.extend(peaking(band.hz, band.gain_db, band.q) for band in zone.bands)
    return tuple(section for section in made if section != FLAT)


def gain_db_at(sections: Sequence[Section], hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gain in dB of sections in a row at frequencies: for drawing and for tests."""
    z = np.exp(-2j * np.pi * hz / SAMPLE_RATE)
    total = np.ones_like(z)
    for b0, b1, b2, a1, a2 in sections:
        total *= (b0 + b1 * z + b2 * z * z) / (1.0 + a1 * z + a2 * z * z)
    return np.asarray(20.0 * np.log10(np.abs(total)), dtype=np.float64)


def settling_s(sections: Sequence[Section], down_db: float = 200.0) -> float:
    """How long the slowest of the sections rings until it is `down_db` lower: the run-up a rendering needs."""
    longest_s = 0.0
    for _, _, _, a1, a2 in sections:
        radius = max(abs(root) for root in np.roots([1.0, a1, a2]))
        if radius > 0.0:
            longest_s = max(longest_s, down_db / (-20.0 * math.log10(radius)) / SAMPLE_RATE)
    return longest_s


def _angle(hz: float, sample_rate: int) -> float:
    if not 0.0 < hz < sample_rate / 2.0:
        raise ValueError(f"frequency is {hz} Hz, allowed are those between 0 and {sample_rate / 2.0} Hz")
    return 2.0 * math.pi * hz / sample_rate


def _normal(b: tuple[float, float, float], a: tuple[float, float, float]) -> Section:
    return (b[0] / a[0], b[1] / a[0], b[2] / a[0], a[1] / a[0], a[2] / a[0])
