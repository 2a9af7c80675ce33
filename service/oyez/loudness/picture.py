"""What a drawing of one piece of audio is made of: loudness, peaks and waveform over time. Values only, light.

`tracing` makes it from audio, `drawing` turns it into lines and words.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

COLUMNS_MOST: Final = 1200
"""A picture has fewer columns than this, however long the audio."""

ABSOLUTE_GATE_LUFS: Final = -70.0

Values = tuple[float | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """Audio in columns of equal width, each keeping its extremes; the last column may be shorter.

    duration_s            of the audio
    column_s              width of a column: 10 ms, 20 ms, 40 ms ...; column k begins at k * column_s
    wave_low, wave_high   lowest and highest sample over all channels, linear, 1.0 is full scale
    true_peak_dbtp        highest true peak over all channels; it may stand up to 32 samples before its column
    sample_peak_dbfs      highest sample peak; None, as for the true peak: nothing but zeros
    momentary_*_lufs      lowest and highest loudness of the 400 ms windows that end in the column
    short_term_*_lufs     the same for 3 s windows. Both None: no window ends there, or digital silence; only the
                          lowest None: digital silence is in it
    integrated_lufs, relative_gate_lufs, loudness_range_lu   of the whole; None: undefined
    """

    duration_s: float
    sample_rate: int
    channels: int
    column_s: float
    wave_low: tuple[float, ...]
    wave_high: tuple[float, ...]
    true_peak_dbtp: Values
    sample_peak_dbfs: Values
    momentary_low_lufs: Values
    momentary_high_lufs: Values
    short_term_low_lufs: Values
    short_term_high_lufs: Values
    integrated_lufs: float | None
    relative_gate_lufs: float | None
    loudness_range_lu: float | None

    @property
    def columns(self) -> int:
        return len(self.wave_low)

    @property
    def highest(self) -> tuple[float, float] | None:
        """The true peak in dBTP and where its column begins, in s; None for silence."""
        found = [(peak, -k) for k, peak in enumerate(self.true_peak_dbtp) if peak is not None]
        return (max(found)[0], -max(found)[1] * self.column_s) if found else None


def lifted(picture: Picture, lu: float) -> Picture:
    """The same sound from more loudspeaker channels: all loudness higher by `lu`, waveform and peaks as before."""

    def higher(value: float | None) -> float | None:
        return None if value is None else round(value + lu, 2)

    def all_higher(values: Values) -> Values:
        return tuple(map(higher, values))

    return dataclasses.replace(
        picture,
        momentary_low_lufs=all_higher(picture.momentary_low_lufs),
        momentary_high_lufs=all_higher(picture.momentary_high_lufs),
        short_term_low_lufs=all_higher(picture.short_term_low_lufs),
        short_term_high_lufs=all_higher(picture.short_term_high_lufs),
        integrated_lufs=higher(picture.integrated_lufs),
        relative_gate_lufs=higher(picture.relative_gate_lufs),
    )


def picture_tree(picture: Picture) -> dict[str, Any]:
    """As plain JSON values."""
    return dataclasses.asdict(picture)


def read_picture(tree: object) -> Picture:
    """The inverse of `picture_tree`, also of what went through JSON. Raises ValueError on any misfit."""
    names = {f.name for f in dataclasses.fields(Picture)}
    if not isinstance(tree, Mapping) or set(tree) != names:
        raise ValueError(f"a picture has the keys {sorted(names)}")
    values: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in tree.items()
    }
    series = [value for value in values.values() if isinstance(value, tuple)]
    if len(series) != _SERIES or len({len(value) for value in series}) != 1:
        raise ValueError("the series of a picture are of one length")
    return Picture(**values)


_SERIES = sum(str(f.type).startswith(("tuple", "Values")) for f in dataclasses.fields(Picture))
