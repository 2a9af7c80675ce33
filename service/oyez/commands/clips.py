"""Add audio files as clips, or list the clips there are.

  oyez clips add closing-15.flac welcome.m4a
  oyez clips add --kind chime --trim chimes/*.wav
  oyez clips list --json

What libsndfile or ffmpeg can read is taken, at any rate and depth; more than two channels are folded to stereo.
A file that cannot become a clip is named with its reason and leaves nothing behind; the others are still taken.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from oyez.clips.warmth import use_kernel_cache
from oyez.commands.shown import plain
from oyez.errors import ClipRefused, OyezError, WorkFailed
from oyez.loudness.gain import clip_gain
from oyez.loudness.types import ClipGain
from oyez.settings import Settings, default_data_dir

if TYPE_CHECKING:
    from oyez.clips.importer import Imported
    from oyez.clips.store import AudioStore
    from oyez.store.clips import Audio
    from oyez.store.database import Database
    from oyez.store.venues import VenueRef
    from oyez.venue.models import VenueFile


def add_arguments(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(dest="action", required=True, metavar="add | list")
    add = actions.add_parser("add", help="add audio files as clips")
    add.add_argument("files", nargs="+", type=Path, metavar="FILE")
    add.add_argument(
        "--kind", choices=["speech", "chime", "effect", "music"], default="speech", help="default speech"
    )
    add.add_argument("--trim", action="store_true", help="cut the silence at both ends")
    add.add_argument(
        "--longest", type=_minutes, metavar="MIN", help="longest allowed, in minutes; default 15, music 120"
    )
    listed = actions.add_parser("list", help="list the clips there are")
    for action in (add, listed):
        action.add_argument("--data", type=Path, metavar="DIR", help="data folder; default: the user's own")
        action.add_argument("--venue", metavar="ID", help="which venue, where the database holds several")
        action.add_argument("--json", action="store_true", help="as JSON")


def _minutes(text: str) -> float:
    """Minutes as seconds."""
    try:
        minutes = float(text)
    except ValueError:
        minutes = 0.0
    if not 0.0 < minutes <= 240.0:
        raise argparse.ArgumentTypeError(f"is '{text}', allowed are minutes up to 240")
    return minutes * 60.0


def run(args: argparse.Namespace) -> int:
    from oyez.store.database import open_database

    settings = Settings(data_dir=args.data or default_data_dir())
    database = open_database(settings, create=False)
    use_kernel_cache(settings.kernels)
    try:
        return _add(args, settings, database) if args.action == "add" else _list(args, database)
    finally:
        database.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Outcome:
    """What became of one file: `audio` and `clip_id` where it was taken or was there already, else `why`."""

    file: Path
    clip_id: str | None = None
    audio: Audio | None = None
    there_already: bool = False
    trimmed: bool = False
    why: str | None = None
    code: str | None = None


def _add(args: argparse.Namespace, settings: Settings, database: Database) -> int:
    from oyez.clips.store import AudioStore
    from oyez.store.venues import find_venue, read_venue

    with database.read() as session:
        ref = find_venue(session, args.venue)
        venue = read_venue(session, ref.id)
    store = AudioStore(settings.audio)
    outcomes = list(_take_all(args, store, database, ref))
    if args.json:
        print(json.dumps([_outcome_tree(o, args.kind, venue) for o in outcomes], indent=2, ensure_ascii=False))
    else:
        _print_outcomes(outcomes, args.kind, venue)
    return 1 if any(o.why for o in outcomes) else 0


def _take_all(
    args: argparse.Namespace, store: AudioStore, database: Database, ref: VenueRef
) -> Iterator[_Outcome]:
    """Decode on all cores; enter into the database one by one, in the order given."""
    import os
    from concurrent.futures import ThreadPoolExecutor

    from rich.console import Console
    from rich.progress import Progress

    def decode(path: Path) -> Imported | ClipRefused | WorkFailed:
        from oyez.clips.importer import import_audio

        try:
            return import_audio(path, store, kind=args.kind, limit_s=args.longest, trim=args.trim)
        except (ClipRefused, WorkFailed) as error:
            return error
        except OSError as error:
            return WorkFailed(f"could not be stored: {error.strerror}")

    show = not args.json and sys.stderr.isatty()
    with (
        Progress(console=Console(stderr=True), transient=True, disable=not show) as progress,
        ThreadPoolExecutor(max_workers=min(len(args.files), os.cpu_count() or 1)) as pool,
    ):
        task = progress.add_task("Adding clips", total=len(args.files))
        for path, found in zip(args.files, pool.map(decode, args.files), strict=True):
            if isinstance(found, ClipRefused):
                yield _Outcome(file=path, why=found.why, code=found.code)
            elif isinstance(found, WorkFailed):
                yield _Outcome(file=path, why=str(found), code=found.code)
            else:
                yield _enter(path, found, args.kind, store=store, database=database, ref=ref)
            progress.advance(task)


def _enter(
    path: Path, imported: Imported, kind: str, *, store: AudioStore, database: Database, ref: VenueRef
) -> _Outcome:
    import getpass

    from oyez.clips.importer import imported_tree
    from oyez.store.entering import enter_clip

    try:
        entered = enter_clip(
            database,
            store,
            ref.id,
            imported_tree(imported),
            kind=kind,
            who=f"command line ({getpass.getuser()})",
            origin="command",
            at_ms=time.time_ns() // 1_000_000,
            data_dir=database.path.parent,
        )
    except OyezError as error:
        return _Outcome(file=path, why=str(error), code=error.code)
    return _Outcome(
        file=path,
        clip_id=entered.stored.clip.id,
        audio=entered.stored.audio,
        there_already=entered.there_already,
        trimmed=imported.trimmed,
    )


def _list(args: argparse.Namespace, database: Database) -> int:
    from oyez.store.clips import list_clips
    from oyez.store.venues import find_venue, read_venue

    with database.read() as session:
        ref = find_venue(session, args.venue)
        venue = read_venue(session, ref.id)
        clips = list_clips(session, ref.id)
    if args.json:
        trees = []
        for there in clips:
            tree = {"id": there.clip.id, "title": there.clip.title, "kind": there.clip.kind}
            trees.append(tree | _audio_tree(there.audio, there.clip.kind, venue, there.clip.duration_ms))
        print(json.dumps(trees, indent=2, ensure_ascii=False))
        return 0
    if not clips:
        print("There are no clips yet; `oyez clips add FILE...` adds some.", file=sys.stderr)
        return 0
    _print_clips([(c.clip.id, c.clip.kind, c.audio) for c in clips], venue)
    return 0


def _gains(audio: Audio, kind: Any, venue: VenueFile) -> dict[int, ClipGain]:
    """The clip's gain for each zone format of the venue (both where there are no zones yet)."""
    formats = sorted({zone.channels for zone in venue.zones}) or [1, 2]
    return {
        channels: clip_gain(
            audio.measurement,
            kind=kind,
            target_lufs=venue.venue.target_lufs,
            ceiling_dbtp=venue.venue.ceiling_dbtp,
            max_gain_db=venue.venue.max_gain_db,
            zone_channels=channels,
            channels=audio.channels,
        )
        for channels in formats
    }


def _audio_tree(audio: Audio | None, kind: str, venue: VenueFile, stated_ms: int | None = None) -> dict[str, Any]:
    if audio is None:
        return {"duration_ms": stated_ms, "sha256": None}
    measured = audio.measurement
    return {
        "duration_ms": audio.duration_ms if stated_ms is None else stated_ms,
        "sha256": audio.sha256,
        "channels": audio.channels,
        "integrated_lufs": measured.integrated_lufs,
        "loudness_range_lu": measured.loudness_range_lu,
        "true_peak_dbtp": measured.true_peak_dbtp,
        "lead_silence_ms": audio.lead_silence_ms,
        "tail_silence_ms": audio.tail_silence_ms,
        "original": {"name": audio.original_name, "format": audio.original_format},
        "gains": [
            {"zone_channels": channels, **dataclasses.asdict(gain), "notes": list(gain.notes)}
            for channels, gain in _gains(audio, kind, venue).items()
        ],
        "notes": list(measured.notes),
    }


def _outcome_tree(outcome: _Outcome, kind: str, venue: VenueFile) -> dict[str, Any]:
    if outcome.why is not None:
        return {"file": str(outcome.file), "taken": False, "error": outcome.why, "code": outcome.code}
    tree = {
        "file": str(outcome.file),
        "taken": not outcome.there_already,
        "id": outcome.clip_id,
        "trimmed": outcome.trimmed,
    }
    return tree | _audio_tree(outcome.audio, kind, venue)


def _print_outcomes(outcomes: Sequence[_Outcome], kind: str, venue: VenueFile) -> None:
    from rich.console import Console
    from rich.text import Text

    console = Console()
    taken = [(o.clip_id or "", kind, o.audio) for o in outcomes if o.audio is not None]
    if taken:
        _print_clips(taken, venue)
    new = sum(o.audio is not None and not o.there_already for o in outcomes)
    for outcome in outcomes:
        if outcome.there_already:
            console.print(
                Text(f"{plain(outcome.file)}: is already there as clip '{outcome.clip_id}'"), soft_wrap=True
            )
    refused = [o for o in outcomes if o.why is not None]
    console.print(Text(f"{new} of {len(outcomes)} files taken" + (", not taken:" if refused else ".")))
    for outcome in refused:
        console.print(Text(f"{plain(outcome.file)}: {outcome.why}", "red"), soft_wrap=True)


def _print_clips(clips: Sequence[tuple[str, str, Audio | None]], venue: VenueFile) -> None:
    """One line a clip; silence at its start and end in s; gains for each zone format; notes below."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console()
    title = f"Gain in dB by zone format, to {venue.venue.target_lufs:g} LUFS; short of it in LU; silent ends in s"
    table = Table(title=title, title_justify="left", box=None, pad_edge=False)
    table.add_column("Clip", overflow="fold", min_width=12)
    table.add_column("Kind")
    gains = [_gains(audio, kind, venue) if audio is not None else {} for _, kind, audio in clips]
    formats = sorted({channels for found in gains for channels in found})
    words = {1: "mono", 2: "stereo"}
    headings = ["s", "ch", "LUFS", "dBTP", "silent"]
    headings += [words[f] for f in formats] + ["short"]
    for heading in headings:
        table.add_column(heading, justify="right", no_wrap=True)
    said: dict[str, list[str]] = {}
    for (clip_id, kind, audio), found in zip(clips, gains, strict=True):
        if audio is None:
            table.add_row(Text(clip_id), kind, *["-"] * len(headings))
            said.setdefault("its audio is not in the store", []).append(clip_id)
            continue
        loudness, peak = audio.measurement.integrated_lufs, audio.measurement.true_peak_dbtp
        table.add_row(
            Text(clip_id),
            kind,
            f"{audio.duration_ms / 1000:.1f}",
            str(audio.channels),
            "-" if loudness is None else f"{loudness:.1f}",
            "-" if peak is None else f"{peak:.1f}",
            f"{audio.lead_silence_ms / 1000:.1f}+{audio.tail_silence_ms / 1000:.1f}",
            *(f"{found[f].gain_db:+.1f}" for f in formats),
            f"{max(gain.shortfall_lu for gain in found.values()):.1f}",
        )
        for channels, gain in found.items():
            for note in gain.notes:
                said.setdefault(f"{note} ({words[channels]} zones)", []).append(clip_id)
    console.print(table)
    for note, ids in said.items():
        console.print(Text(f"{', '.join(ids)}: {note}"), soft_wrap=True)
