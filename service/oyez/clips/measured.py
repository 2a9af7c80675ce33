"""Measuring files as they are, and stored audio, each once per content.

The result for stored audio lies beside it and is found again by its SHA-256. A stereo clip is also measured as a
mono zone plays it. What cannot be written is measured again next time.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import secrets
from pathlib import Path
from typing import Final

import numpy as np

from oyez.clips.ahead import ahead
from oyez.clips.decode import Source, open_source
from oyez.clips.store import SAMPLE_RATE, AudioStore, Sound
from oyez.clips.warmth import cache_dir, is_writable
from oyez.errors import ClipRefused
from oyez.loudness.types import Measurement

METER: Final = 1  # raise it when the meter's answers change: what was kept is then measured anew
_MINUS_3_DB = np.float32(0.5**0.5)


def measurement_of(store: AudioStore, sha256: str) -> Measurement:
    """The measurement of stored audio, from beside it or made now. Raises NotFound for no such audio."""
    kept = store.path_of(sha256).with_suffix(".json")
    found = _read(kept)
    if found is None:
        with store.open(sha256) as sound:
            found = measure_sound(sound)
        _write(kept, found)
    return found


def measure_sound(sound: Sound) -> Measurement:
    """Measure all of a sound, block by block."""
    from oyez.loudness.meter import Meter

    meter = Meter(SAMPLE_RATE, sound.channels)
    together = Meter(SAMPLE_RATE, 1) if sound.channels == 2 else None
    for block in sound.blocks():
        meter.push(block)
        if together is not None:
            together.push((block[:, :1] + block[:, 1:]) * _MINUS_3_DB)
    measured = meter.result()
    if together is None:
        return measured
    mono = together.result()
    loudness = mono.integrated_lufs if mono.integrated_lufs is not None else mono.ungated_lufs
    return dataclasses.replace(measured, mono_lufs=loudness, mono_true_peak_dbtp=mono.true_peak_dbtp)


def measurement_of_file(path: Path) -> Measurement:
    """As `measure_file`, once per content: found again in the user's cache by the SHA-256 of the file's bytes."""
    folder = cache_dir() / "measured"
    try:
        with path.open("rb") as file:
            name = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return measure_file(path)  # says what is wrong with it
    found = _read(folder / f"{name}.json")
    if found is None:
        found = measure_file(path)
        if is_writable(folder):
            _write(folder / f"{name}.json", found)
    return found


def measure_file(path: Path) -> Measurement:
    """Measure a file as it is: its own channels at its own rate, block by block.

    Raises ClipRefused for what cannot be read, and for a rate or a number of channels that no loudness is
    defined for.
    """
    from oyez.loudness.meter import Meter

    with open_source(path) as source:
        check_form(source)
        meter = Meter(source.sample_rate, source.channels)
        with ahead(source.blocks()) as blocks:
            for block in blocks:
                meter.push(block)
        return meter.result()


def check_form(source: Source) -> None:
    """Raises ClipRefused for a rate or a number of channels that no loudness is defined for."""
    from oyez.loudness.kweight import HIGHEST_RATE, LOWEST_RATE
    from oyez.loudness.meter import CHANNELS

    if source.channels not in CHANNELS:
        why = f"has {source.channels} channels, allowed are 1 to {max(CHANNELS)}"
        raise ClipRefused(source.name, why, "channels")
    if not LOWEST_RATE <= source.sample_rate <= HIGHEST_RATE:
        why = f"sample rate is {source.sample_rate} Hz, allowed are {LOWEST_RATE} to {HIGHEST_RATE} Hz"
        raise ClipRefused(source.name, why, "rate")


def measurement_tree(measured: Measurement) -> dict[str, object]:
    """As plain JSON values."""
    tree = dataclasses.asdict(measured)
    tree["notes"] = list(measured.notes)
    return tree


def read_measurement(tree: object) -> Measurement:
    """The inverse of `measurement_tree`. Raises ValueError on any misfit."""
    names = {f.name for f in dataclasses.fields(Measurement)}
    if not isinstance(tree, dict) or set(tree) != names:
        raise ValueError(f"a measurement has the keys {sorted(names)}")
    return Measurement(**{**tree, "notes": tuple(tree["notes"])})


def _read(kept: Path) -> Measurement | None:
    try:
        tree = json.loads(kept.read_text(encoding="utf-8"))
        if tree.pop("meter", None) == METER:
            return read_measurement(tree)
    except (OSError, ValueError, AttributeError, TypeError):
        pass  # unknown is measured
    return None


def _write(kept: Path, measured: Measurement) -> None:
    write_aside(kept, json.dumps({"meter": METER, **measurement_tree(measured)}))


def write_aside(target: Path, text: str) -> bool:
    """Write a file that can be made again: whole or not at all; False where it cannot be written."""
    part = target.with_name(f".{target.name}.{secrets.token_hex(4)}")
    try:
        part.write_text(text, encoding="utf-8")
        part.replace(target)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        return False
    return True
