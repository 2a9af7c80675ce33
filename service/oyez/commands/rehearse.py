"""Render what a zone will sound like into a file, by the code that plays.

  oyez rehearse --file quillfin.toml --date 2026-11-27 --from 17:44:30 --until 17:47:00 --zone foyer out.wav
  oyez rehearse --date 2026-11-27 --from 17:44:30 --until 17:47:00 --zone foyer out.flac

Times are the venue's clock on that operating day; one before the day starts is after midnight. The file is 48 kHz,
24 bit, WAV or FLAC by its ending; its first sample is the instant of --from. Music stands where it will stand at
that date and time.
"""

from __future__ import annotations

import argparse
import datetime as dt
import errno
import json
import os
import secrets
import shutil
import sys
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from oyez.errors import InputError, WorkFailed
from oyez.settings import Settings, default_data_dir, use_packaged_zone_rules

if TYPE_CHECKING:
    from oyez.clips.store import AudioStore, Sound
    from oyez.loudness.types import Measurement
    from oyez.mixing.rehearsal import Rehearsal
    from oyez.planning.types import Plan
    from oyez.venue.facts import ClipFacts, TrackFacts
    from oyez.venue.models import VenueFile

FORMATS = {".wav": "WAV", ".flac": "FLAC"}
BITS = 24
LARGEST_WAV_BYTES = 4_294_000_000
DISK_FULL_BYTES = 1 << 20


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("out", type=Path, metavar="OUT", help="the file to write, ending in .wav or .flac")
    parser.add_argument("--file", type=Path, metavar="VENUE", help="a venue file; default: the service's database")
    parser.add_argument("--date", required=True, metavar="YYYY-MM-DD", help="operating day")
    parser.add_argument("--from", required=True, dest="from_", metavar="HH:MM[:SS]", help="first instant")
    parser.add_argument("--until", required=True, metavar="HH:MM[:SS]", help="first instant not rendered any more")
    parser.add_argument("--zone", required=True, metavar="ID", help="which zone")
    parser.add_argument("--venue", metavar="NAME", help="which venue of the database, where it holds several")
    parser.add_argument(
        "--data", type=Path, metavar="DIR", help="data folder; default: $OYEZ_DATA or the user's own"
    )
    parser.add_argument("--json", action="store_true", help="say what was rendered as JSON")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Site:
    """A venue with its audio. `gone`: clips without audio, in words."""

    venue: VenueFile
    facts: Mapping[str, ClipFacts]
    tracks: Mapping[str, Sequence[TrackFacts]]
    store: AudioStore
    gone: Mapping[str, str]


class _Library:
    def __init__(self, store: AudioStore) -> None:
        self._store = store

    def sound(self, sha256: str, /) -> Sound:
        return self._store.open(sha256)


def run(args: argparse.Namespace) -> int:
    from oyez.clips.warmth import use_kernel_cache

    use_packaged_zone_rules()
    use_kernel_cache()
    form = _form(args.out)
    date = _date(args.date)
    site = _from_file(args.file, args.zone) if args.file else _from_database(args)
    _known_zone(site.venue, args.zone)
    from_ms, until_ms = _span(site.venue, date, args.from_, args.until)
    started_s = time.monotonic()
    rehearsal = _rehearsal(site, date, args.zone, from_ms, until_ms)
    _fits(args.out, form, rehearsal)
    found = _write(args.out, form, rehearsal)
    took_s = time.monotonic() - started_s
    length_s = rehearsal.frames / 48_000
    print(
        f"{args.out}: {length_s:g} s in {took_s:.1f} s, {length_s / took_s:.0f} times real time", file=sys.stderr
    )
    tree = _tree(args, site.venue, rehearsal, found)
    if args.json:
        print(json.dumps(tree, indent=2, ensure_ascii=False, allow_nan=False))
    else:
        _print_table(site.venue, tree)
    return 0


# ---- what is asked for


def _form(out: Path) -> str:
    form = FORMATS.get(out.suffix.lower())
    if form is None:
        raise InputError(f"{out}: the name ends in '{out.suffix}', allowed are .wav and .flac")
    if out.is_dir():
        raise InputError(f"{out}: is a folder, a file is wanted")
    if not out.parent.is_dir():
        raise InputError(f"{out}: there is no folder {out.parent}")
    return form


def _date(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise InputError(f"--date is '{text}', allowed are dates like 2026-11-27") from None


def _known_zone(venue: VenueFile, zone: str) -> None:
    if zone not in {z.id for z in venue.zones}:
        allowed = ", ".join(z.id for z in venue.zones) or "none, the venue has no zones"
        raise InputError(f"--zone is '{zone}', the zones of {venue.venue.name} are: {allowed}")


def _span(venue: VenueFile, date: dt.date, from_: str, until: str) -> tuple[int, int]:
    """The stretch in ms of UTC. An `until` at the very time the day starts is the day's end."""
    from oyez.planning.day import day_span

    day = day_span(venue, date)
    from_ms, until_ms = _instant(venue, date, "--from", from_), _instant(venue, date, "--until", until)
    if until_ms == day.start_ms:
        until_ms = day.end_ms
    if until_ms <= from_ms:
        raise InputError(
            f"--until is {until}, which is not after --from {from_} on the operating day {date}, "
            f"which starts at {venue.venue.day_starts}"
        )
    return from_ms, until_ms


def _instant(venue: VenueFile, date: dt.date, option: str, text: str) -> int:
    from oyez.planning.time import to_utc_ms, wall_time
    from oyez.venue.units import read_clock

    try:
        seconds = read_clock(text).seconds
    except ValueError as error:
        raise InputError(f"{option} {error}") from None
    if seconds < read_clock(venue.venue.day_starts).seconds:
        date += dt.timedelta(days=1)
    return to_utc_ms(ZoneInfo(venue.venue.timezone), wall_time(date, seconds))


def _fits(out: Path, form: str, rehearsal: Rehearsal) -> None:
    size = rehearsal.frames * rehearsal.channels * BITS // 8
    if form == "WAV" and size > LARGEST_WAV_BYTES:
        raise InputError(f"{out}: {size / 1e9:.1f} GB, a WAV file holds 4.2 GB: render less, or into .flac")


# ---- where it comes from


def _from_file(path: Path, zone: str) -> _Site:
    """The venue with the audio that the zone can sound; of what only other zones hear, the lengths are enough."""
    from oyez.clips.facts import cache_store, file_facts, file_tracks
    from oyez.clips.folder import VenueFolder, open_venue

    folder = open_venue(path)
    for warning in folder.warnings:
        print(warning, file=sys.stderr)
    _known_zone(folder.venue, zone)
    store = cache_store()
    print("reading clips and music", file=sys.stderr)
    venue = folder.venue

    def part(**only: Any) -> VenueFolder:
        return VenueFolder(path=folder.path, venue=venue.model_copy(update=only))

    planned = [r for r in venue.rules if r.fixed or r.interval]
    here = tuple(r for r in planned if zone in venue.resolve(r.zones))
    elsewhere = tuple(r for r in planned if r not in here)
    return _Site(
        venue=venue,
        facts={
            **file_facts(part(rules=elsewhere), store, need_loudness=False),
            **file_facts(part(rules=here), store, need_loudness=True),
        },
        tracks=file_tracks(part(zones=(venue.zone(zone),)), store),
        store=store,
        gone={},
    )


def _from_database(args: argparse.Namespace) -> _Site:
    from oyez.clips.store import AudioStore
    from oyez.store import clips, venues
    from oyez.store.database import open_database

    settings = Settings(data_dir=args.data or default_data_dir())
    database = open_database(settings, create=False)
    try:
        with database.read() as session:
            ref = venues.find_venue(session, args.venue)
            venue, tracks = venues.read_venue(session, ref.id), clips.tracks(session, ref.id)
            facts = clips.facts(session, ref.id)
    finally:
        database.close()
    named = {c for r in venue.rules for c in (r.chime, *r.clips) if c}
    gone = {c: f"clip '{c}' has no audio" for c in sorted(named) if c not in facts or facts[c].sha256 is None}
    return _Site(venue=venue, facts=facts, tracks=tracks, store=AudioStore(settings.audio), gone=gone)


def _rehearsal(site: _Site, date: dt.date, zone: str, from_ms: int, until_ms: int) -> Rehearsal:
    """The day before still sounds into a day, the day after may already turn the music down."""
    from oyez.mixing.rehearsal import Rehearsal

    days = [date + dt.timedelta(days=n) for n in (-1, 0, 1)]
    return Rehearsal(
        site.venue,
        [_plan(site, day) for day in days],
        site.facts,
        site.tracks,
        _Library(site.store),
        zone=zone,
        from_ms=from_ms,
        until_ms=until_ms,
    )


def _plan(site: _Site, day: dt.date) -> Plan:
    from oyez.planning.day import plan_day

    if not site.gone:
        return plan_day(site.venue, day, site.facts)
    from oyez.playout.around import plan_around

    return plan_around(site.venue, day, site.facts, site.gone)


# ---- into the file


def _write(out: Path, form: str, rehearsal: Rehearsal) -> Measurement:
    """Write beside it and rename: there is the whole file or what was there before. Returns what it holds."""
    import soundfile
    from rich.console import Console
    from rich.progress import Progress

    from oyez.loudness.meter import Meter

    meter = Meter(48_000, rehearsal.channels)
    part = out.with_name(f".{out.name}.{os.getpid()}-{secrets.token_hex(4)}.part")
    try:
        with (
            Progress(console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()) as progress,
            soundfile.SoundFile(
                part, "w", samplerate=48_000, channels=rehearsal.channels, format=form, subtype="PCM_24"
            ) as file,
        ):
            task = progress.add_task("Rendering", total=rehearsal.frames)
            for block in rehearsal.blocks():
                whole = _rounded(block)
                file.write(whole)
                meter.push((whole / float(1 << 31)).astype("float32"))
                progress.advance(task, len(block))
        part.replace(out)
    except (OSError, soundfile.LibsndfileError) as error:
        why = getattr(error, "strerror", None) or getattr(error, "error_string", None) or str(error)
        if shutil.disk_usage(out.parent).free < DISK_FULL_BYTES:  # libsndfile says "System error" of all alike
            why = os.strerror(errno.ENOSPC)
        raise WorkFailed(f"{out}: cannot be written: {str(why).rstrip('.')}") from None
    finally:
        with suppress(OSError):
            part.unlink()
    return meter.result()


def _rounded(block: Any) -> Any:
    """To 24 bit by rounding (half to even), without dither, in the upper bits of 32."""
    import numpy as np

    steps = np.rint(block.astype(np.float64) * (1 << 23))
    return np.clip(steps, -(1 << 23), (1 << 23) - 1).astype(np.int32) << 8


# ---- what is said about it


def _tree(args: argparse.Namespace, venue: VenueFile, rehearsal: Rehearsal, found: Measurement) -> dict[str, Any]:
    plays = []
    for sounded in sorted(rehearsal.sounded, key=lambda s: s.cue.start_ms):
        cue, zone = sounded.cue, sounded.cue.zones[0]
        plays.append(
            {
                "rule": cue.rule,
                "title": cue.title,
                "nominal_ms": cue.nominal_ms,
                "start_ms": cue.start_ms,
                "end_ms": cue.end_ms,
                "clips": [
                    {"clip": s.clip, "gain_db": round(gain_db, 3)}
                    for s, gain_db in zip(cue.segments, zone.gains_db, strict=True)
                ],
                "duck_depth_db": zone.depth_db,
                "loudness_lufs": _round(sounded.loudness_lufs),
            }
        )
    return {
        "file": str(args.out),
        "venue": venue.venue.name,
        "zone": args.zone,
        "date": args.date,
        "timezone": venue.venue.timezone,
        "from_ms": rehearsal.from_ms,
        "until_ms": rehearsal.until_ms,
        "frames": rehearsal.frames,
        "sample_rate": 48_000,
        "channels": rehearsal.channels,
        "bits": BITS,
        "integrated_lufs": _round(found.integrated_lufs),
        "true_peak_dbtp": _round(found.true_peak_dbtp),
        "sample_peak_dbfs": _round(found.sample_peak_dbfs),
        "plays": plays,
    }


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def _print_table(venue: VenueFile, tree: Mapping[str, Any]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from oyez.planning.time import to_local

    console = Console()
    zone = ZoneInfo(venue.venue.timezone)
    loudness, peak = tree["integrated_lufs"], tree["true_peak_dbtp"]
    console.print(
        Text(
            f"{venue.zone(tree['zone']).name}: "
            + (f"{loudness:.1f} LUFS" if loudness is not None else "no loudness (silence, or under 0.4 s)")
            + (f", true peak {peak:.1f} dBTP" if peak is not None else "")
        )
    )
    if not tree["plays"]:
        console.print("No announcement sounds in it.")
        return
    table = Table("When", "What", "Music down by", "Loudness", box=None, pad_edge=False)
    for play in tree["plays"]:
        loud = play["loudness_lufs"]
        table.add_row(
            f"{to_local(zone, play['start_ms']):%H:%M:%S}",
            Text(play["title"]),
            f"{play['duck_depth_db']:.1f} dB",
            "-" if loud is None else f"{loud:.1f} LUFS",
        )
    console.print(table)
