"""Measure the loudness of audio files (ITU-R BS.1770-5, EBU R 128), as they are: own rate, own channels.

  oyez measure closing.flac
  oyez measure --target -16 --dual-mono clips/*.wav
  oyez measure --json closing.flac
  oyez measure --plot closing.svg closing.flac

The gain shown is the one that brings the file to the target without its true peak going over the ceiling; it is
worked out without a limiter. Channels are taken in the order L R C LFE Ls Rs. A plot is of one file: its momentary
and short-term loudness over time, the integrated loudness, its gate, the waveform and its peaks.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from oyez.clips.warmth import use_kernel_cache
from oyez.commands.shown import plain
from oyez.errors import ClipRefused, InputError, WorkFailed
from oyez.loudness.gain import TWO_CHANNELS_DB, plain_gain
from oyez.loudness.types import Measurement


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    parser.add_argument("--target", type=_level(-70, 0), default=-18.0, metavar="LUFS", help="default -18")
    parser.add_argument(
        "--ceiling", type=_level(-30, 0), default=-1.5, metavar="DBTP", help="highest true peak; default -1.5"
    )
    parser.add_argument(
        "--dual-mono", action="store_true", help="a mono file will sound from two channels: +3.01 LU"
    )
    parser.add_argument(
        "--plot", type=Path, metavar="OUT", help="also draw it, of one FILE, into an .svg or .png file"
    )
    parser.add_argument("--json", action="store_true", help="as JSON, a list with an entry a file")


def run(args: argparse.Namespace) -> int:
    if args.plot is not None:
        _check_plot(args.plot, args.files)
    use_kernel_cache()
    rows = _measure_all(args.files, show=not args.json and sys.stderr.isatty())
    entries = [_entry(row, args) for row in rows]
    if args.plot is not None and rows[0].error is None:
        _plot(args.files[0], args.plot, dual_mono=args.dual_mono)
    if args.json:
        print(json.dumps(entries, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        _print_table(entries, args)
    return 1 if any("error" in entry for entry in entries) else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    file: Path
    measured: Measurement | None = None
    error: str | None = None


def _measure_all(files: Sequence[Path], *, show: bool) -> list[_Row]:
    """Every file, on all cores, in the order given."""
    import os
    from concurrent.futures import ThreadPoolExecutor

    from rich.console import Console
    from rich.progress import Progress

    with (
        Progress(console=Console(stderr=True), transient=True, disable=not show) as progress,
        ThreadPoolExecutor(max_workers=min(len(files), os.cpu_count() or 1)) as pool,
    ):
        task = progress.add_task("Measuring", total=len(files))
        rows = []
        for row in pool.map(_measure_one, files):
            rows.append(row)
            progress.advance(task)
    return rows


def _measure_one(path: Path) -> _Row:
    from oyez.clips.measured import measurement_of_file

    try:
        return _Row(file=path, measured=measurement_of_file(path))
    except ClipRefused as error:
        return _Row(file=path, error=error.why)
    except OSError as error:
        return _Row(file=path, error=f"cannot be read: {error.strerror}")


def _entry(row: _Row, args: argparse.Namespace) -> dict[str, Any]:
    found = row.measured
    if found is None:
        return {"file": str(row.file), "error": row.error}
    louder = TWO_CHANNELS_DB if args.dual_mono and found.channels == 1 else 0.0

    def lufs(value: float | None) -> float | None:
        return None if value is None else value + louder

    loudness = found.integrated_lufs if found.integrated_lufs is not None else found.ungated_lufs
    gain = plain_gain(lufs(loudness), found.true_peak_dbtp, target_lufs=args.target, ceiling_dbtp=args.ceiling)
    notes = list(found.notes)
    if found.integrated_lufs is None and gain.gain_db is not None:
        notes.append("gain from the ungated loudness")
    if louder:
        notes.append("counted as two equal channels")
    if gain.limited_by_peak:
        notes.append(f"its peaks keep it {gain.shortfall_lu:.1f} LU under the target")
    return {
        "file": str(row.file),
        "duration_s": found.duration_s,
        "sample_rate": found.sample_rate,
        "channels": found.channels,
        "integrated_lufs": lufs(found.integrated_lufs),
        "ungated_lufs": lufs(found.ungated_lufs),
        "loudness_range_lu": found.loudness_range_lu,
        "momentary_max_lufs": lufs(found.momentary_max_lufs),
        "short_term_max_lufs": lufs(found.short_term_max_lufs),
        "true_peak_dbtp": found.true_peak_dbtp,
        "sample_peak_dbfs": found.sample_peak_dbfs,
        "gain_db": gain.gain_db,
        "limited_by_peak": gain.limited_by_peak,
        "shortfall_lu": gain.shortfall_lu,
        "notes": notes,
    }


def _check_plot(out: Path, files: Sequence[Path]) -> None:
    if out.suffix.lower() not in {".svg", ".png"}:
        raise InputError(f"--plot {out}: ends in '{out.suffix}', allowed are .svg and .png")
    if len(files) > 1:
        raise InputError(f"--plot {out}: {len(files)} files, a picture is drawn of one: name one FILE")
    if out.resolve() == files[0].resolve():
        raise InputError(f"--plot {out}: is the file to be measured, name another for its picture")


def _plot(file: Path, out: Path, *, dual_mono: bool) -> None:
    """Draw one file, whole or not at all. Raises WorkFailed where the picture cannot be written."""
    import secrets

    from oyez.clips.traced import picture_of_file
    from oyez.loudness.drawing import draw
    from oyez.loudness.picture import lifted

    picture = picture_of_file(file)
    if dual_mono and picture.channels == 1:
        picture = lifted(picture, TWO_CHANNELS_DB)
    drawing = draw(picture, title=file.name)
    if out.suffix.lower() == ".svg":
        from oyez.loudness.svg import to_svg

        data = to_svg(drawing).encode()
    else:
        from oyez.clips.raster import to_png

        data = to_png(drawing)
    part = out.with_name(f".{out.name}.{secrets.token_hex(4)}")
    try:
        part.write_bytes(data)
        part.replace(out)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise WorkFailed(f"--plot {out}: cannot be written: {error.strerror}") from error
    print(f"{out}: drawn", file=sys.stderr)


_COLUMNS = (
    ("s", "duration_s"),
    ("LUFS", "integrated_lufs"),
    ("LRA", "loudness_range_lu"),
    ("max M", "momentary_max_lufs"),
    ("max S", "short_term_max_lufs"),
    ("dBTP", "true_peak_dbtp"),
    ("gain", "gain_db"),
    ("short", "shortfall_lu"),
)


def _print_table(entries: Sequence[dict[str, Any]], args: argparse.Namespace) -> None:
    """The numbers as a table; under it each note once, with the files it is about."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console()
    title = f"Target {args.target:g} LUFS, ceiling {args.ceiling:g} dBTP; gain without a limiter (dB)"
    table = Table(title=title, title_justify="left", box=None, pad_edge=False)
    table.add_column("File", overflow="fold", min_width=12)
    for heading, _ in _COLUMNS:
        table.add_column(heading, justify="right", no_wrap=True)
    said: dict[str, list[str]] = {}
    for entry in entries:
        if "error" in entry:
            table.add_row(Text(plain(entry["file"])), *["-"] * len(_COLUMNS))
            said.setdefault(entry["error"], []).append(entry["file"])
            continue
        cells = ["-" if entry[key] is None else f"{entry[key] + 0.0:.1f}" for _, key in _COLUMNS]
        table.add_row(Text(plain(entry["file"])), *cells)
        for note in entry["notes"]:
            said.setdefault(note, []).append(entry["file"])
    console.print(table)
    for note, files in said.items():
        console.print(Text(f"{', '.join(map(plain, files))}: {note}"), soft_wrap=True)


def _level(lowest: float, highest: float) -> Any:
    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not lowest <= value <= highest:
            raise argparse.ArgumentTypeError(f"is '{text}', allowed are {lowest:g} to {highest:g}")
        return value

    return read
