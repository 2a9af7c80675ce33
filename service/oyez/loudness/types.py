"""What a measurement is and what gain follows from it. Values only; imports nothing heavy."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """Loudness of one piece of audio, its own channels at its own rate (ITU-R BS.1770-5, EBU Tech 3341/3342).

    Nothing known is None (silence, under 400 ms, under 3 s for the range), with a sentence in `notes`.
    ungated_lufs  loudness of all there is without gates; the fallback for clips under one block
    mono_lufs, mono_true_peak_dbtp  of a stereo clip as a mono zone plays it, (L+R) at -3 dB; None when that
                  was not measured (then the worst case is taken) or there is nothing to measure
    """

    duration_s: float
    sample_rate: int
    channels: int
    integrated_lufs: float | None
    ungated_lufs: float | None
    loudness_range_lu: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None
    mono_lufs: float | None = None
    mono_true_peak_dbtp: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipGain:
    """The gain of one clip in one zone format, and what it leads to.

    gain_db          to apply; may exceed what the ceiling allows by what the limiter gives back (speech)
    sounds_at_lufs   loudness expected in the zone after gain and limiter; None when nothing was measured
    shortfall_lu     how far under its target that is, 0.0 when it reaches it
    limited_by_peak  the ceiling, not the target, decided
    """

    gain_db: float
    sounds_at_lufs: float | None
    shortfall_lu: float
    limited_by_peak: bool
    notes: tuple[str, ...] = ()
