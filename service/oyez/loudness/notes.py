"""What a person should know beside the numbers of a measurement, in words."""

from __future__ import annotations

import math
from typing import Protocol

_OFFSET_DBFS = -40.0  # common practice: an offset under 1 % of full scale is harmless


class _Peaks(Protocol):
    @property
    def sample_peak(self) -> float: ...

    finite: bool
    clipped_runs: int


def notes_on(*, seconds: float, peaks: _Peaks, integrated_lufs: float | None, offset: float) -> tuple[str, ...]:
    """Notes in the order of their weight. `offset` is the largest mean of a channel, linear."""
    if seconds == 0.0:
        return ("empty: there is nothing to measure",)
    if not peaks.finite:
        return ("has samples that are no numbers (NaN or infinite): nothing is measured",)
    if peaks.sample_peak == 0.0:
        return ("silence: there is nothing to measure",)
    notes = []
    if seconds < 0.4:
        notes.append("shorter than 400 ms: no integrated loudness, the ungated loudness stands for it")
    elif integrated_lufs is None:
        notes.append("nothing is louder than -70 LUFS: no integrated loudness")
    if seconds < 3.0:
        notes.append("shorter than 3 s: no short-term loudness and no loudness range")
    if peaks.clipped_runs:
        runs = "1000 times or more" if peaks.clipped_runs >= 1000 else f"{peaks.clipped_runs} times"
        notes.append(f"clipped: stays at full scale for 3 samples or more, {runs}; its true peak may read low")
    if offset > 0.0 and (db := 20.0 * math.log10(offset)) > _OFFSET_DBFS:
        notes.append(f"has a DC offset of {db:.1f} dBFS")
    return tuple(notes)
