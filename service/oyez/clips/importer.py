"""From an audio file to a clip in the store: decoded, folded, resampled, checked, measured. All or nothing."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from oyez.clips.ahead import ahead
from oyez.clips.decode import Source, open_source, to_store_form
from oyez.clips.measured import measurement_of
from oyez.clips.names import checked_name
from oyez.clips.store import SAMPLE_RATE, AudioStore, Sound, Stored, Writer
from oyez.clips.trim import kept_span, silence_at_ends
from oyez.errors import ClipRefused
from oyez.loudness.types import Measurement

LIMIT_S: Final[dict[str, float]] = {"speech": 900.0, "chime": 900.0, "effect": 900.0, "music": 7200.0}
_LOWEST_RATE, _HIGHEST_RATE = 1_000, 768_000
_SILENT_DBFS = -70.0  # the absolute gate of BS.1770: what peaks under it is never heard
_COPY_FRAMES = 1 << 18


@dataclass(frozen=True, slots=True, kw_only=True)
class OriginalFile:
    """What was imported, as it came. `form` in words: "flac pcm 24", "aac"."""

    name: str
    form: str
    bytes: int
    sample_rate: int
    channels: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """A clip that is now in the store.

    lead_silence_ms, tail_silence_ms  silence at the ends of what came, in steps of 10 ms
    trimmed                           whether it was cut off (all but 30 ms on each side)
    """

    stored: Stored
    measurement: Measurement
    lead_silence_ms: int
    tail_silence_ms: int
    original: OriginalFile
    trimmed: bool = False


def import_audio(
    path: Path,
    store: AudioStore,
    *,
    kind: str = "speech",
    limit_s: float | None = None,
    trim: bool = False,
    name: str | None = None,
) -> Imported:
    """Import one file.

    kind     speech, chime, effect or music; decides the limit where `limit_s` is None: 15 min, music 2 h
    trim     cut the silence at both ends
    name     what the sender called the file; default the path's own name

    Raises ClipRefused, and leaves nothing in the store, for a file that is empty, truncated, silent, not audio,
    too long, or holds samples that are no numbers; and for a name with a folder in it.
    """
    shown = checked_name(path.name if name is None else name)
    limit = LIMIT_S[kind] if limit_s is None else limit_s
    with open_source(path, name=shown) as source:
        _check_header(source, limit)
        with store.writer(min(source.channels, 2)) as writer:
            peak = _fill(writer, source, limit)
            if writer.frames == 0:
                raise ClipRefused(shown, "is empty: there is no sound in it", "empty")
            peak_dbfs = 20.0 * float(np.log10(peak)) if peak > 0.0 else -np.inf
            if peak_dbfs < _SILENT_DBFS:
                raise ClipRefused(shown, f"is all silence: nothing in it is over {_SILENT_DBFS:g} dBFS", "silent")
            with writer.so_far() as sound:
                lead_ms, tail_ms = silence_at_ends(sound, peak_dbfs)
                first, last = kept_span(sound.frames, lead_ms, tail_ms) if trim else (0, sound.frames)
                cut = (first, last) != (0, sound.frames)
                stored = _copy(sound, store, first, last) if cut else writer.commit()
        original = OriginalFile(
            name=shown,
            form=source.form,
            bytes=path.stat().st_size,
            sample_rate=source.sample_rate,
            channels=source.channels,
        )
    return Imported(
        stored=stored,
        measurement=measurement_of(store, stored.sha256),
        lead_silence_ms=lead_ms,
        tail_silence_ms=tail_ms,
        original=original,
        trimmed=cut,
    )


def imported_tree(imported: Imported) -> dict[str, object]:
    """As plain JSON values."""
    tree = dataclasses.asdict(imported)
    tree["measurement"]["notes"] = list(imported.measurement.notes)
    return tree


def _check_header(source: Source, limit_s: float) -> None:
    if not _LOWEST_RATE <= source.sample_rate <= _HIGHEST_RATE:
        raise ClipRefused(
            source.name,
            f"sample rate is {source.sample_rate} Hz, allowed are {_LOWEST_RATE} to {_HIGHEST_RATE} Hz",
            "rate",
        )
    if source.promised_frames is not None:
        _check_length(source.name, source.promised_frames / source.sample_rate, limit_s)


def _check_length(name: str, seconds: float, limit_s: float) -> None:
    if seconds > limit_s + 0.0005:
        raise ClipRefused(name, f"is too long: {_minutes(seconds)}, allowed are {_minutes(limit_s)}", "too-long")


def _fill(writer: Writer, source: Source, limit_s: float) -> float:
    """Decode into the writer; returns the sample peak (linear)."""
    peak = 0.0
    with ahead(to_store_form(source)) as blocks:
        for block in blocks:
            top = float(np.abs(block).max(initial=0.0))
            if not np.isfinite(top):
                raise ClipRefused(source.name, "has samples that are no numbers (NaN or infinite)", "not-finite")
            peak = max(peak, top)
            writer.push(block)
            if writer.frames > limit_s * SAMPLE_RATE + SAMPLE_RATE:
                _check_length(source.name, writer.frames / SAMPLE_RATE, limit_s)
    _check_length(source.name, (writer.frames - 1) / SAMPLE_RATE, limit_s)
    return peak


def _copy(sound: Sound, store: AudioStore, first: int, last: int) -> Stored:
    with store.writer(sound.channels) as writer:
        for start in range(first, last, _COPY_FRAMES):
            writer.push(sound.read(start, min(_COPY_FRAMES, last - start)))
        return writer.commit()


def _minutes(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02} h" if hours else f"{minutes}:{rest:02} min"
