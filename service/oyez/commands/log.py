"""Show or verify the log: what sounded, what did not and why, and what happened to the service.

  oyez log --from 2026-11-27 --until 2026-11-27     one operating day
  oyez log --zone foyer --csv > foyer.csv
  oyez log verify                                   is every record there, as it was written?

Dates are operating days, both included; without dates it is the whole log. `verify` ends with status 1 when the
log, or the journal of settings, is not what was written.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import sys
import time
from collections.abc import Mapping, Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from oyez.errors import InputError
from oyez.planning.time import day_span, operating_day, to_local
from oyez.settings import Settings, default_data_dir, use_packaged_zone_rules

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from oyez.store.chain import Head, Verified
    from oyez.store.log_entries import LogEntry, LogEvent
    from oyez.venue.models import VenueFile


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("do", nargs="?", choices=["verify"], help="verify the log instead of showing it")
    parser.add_argument("--from", dest="from_day", metavar="DATE", help="first operating day, like 2026-11-27")
    parser.add_argument("--until", dest="until_day", metavar="DATE", help="last operating day, included")
    parser.add_argument("--zone", metavar="ZONE", help="only what was for this zone")
    parser.add_argument("--venue", metavar="NAME", help="which venue, where the database holds several")
    parser.add_argument(
        "--data", type=Path, metavar="DIR", help="data folder; default: $OYEZ_DATA or the user's own"
    )
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="as JSON")
    form.add_argument("--csv", action="store_true", help="as CSV, a line an announcement")


def run(args: argparse.Namespace) -> int:
    from oyez.store.database import open_database
    from oyez.store.venues import find_venue, read_venue

    use_packaged_zone_rules()
    settings = Settings(data_dir=args.data or default_data_dir())
    from_day, until_day = _read_day("--from", args.from_day), _read_day("--until", args.until_day)
    if from_day and until_day and until_day < from_day:
        raise InputError(
            f"--until is {until_day}, before --from {from_day}; allowed is the same day or a later one"
        )
    if args.do == "verify" and args.csv:
        raise InputError("verify has no --csv; allowed is --json")
    database = open_database(settings, create=False)
    try:
        with database.read() as session:
            ref = find_venue(session, args.venue)
            if args.do == "verify":
                return _verify(session, ref.id, settings.data_dir, as_json=args.json)
            venue = read_venue(session, ref.id)
            from_ms = None if from_day is None else day_span(venue, from_day).start_ms
            until_ms = None if until_day is None else day_span(venue, until_day).end_ms
            return _show(session, ref.id, venue, args, (from_ms, until_ms))
    finally:
        database.close()


def _read_day(option: str, text: str | None) -> dt.date | None:
    if text is None:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{option} is '{text}', allowed are dates like 2026-11-27") from None


def _show(
    session: Session,
    venue_id: int,
    venue: VenueFile,
    args: argparse.Namespace,
    span_ms: tuple[int | None, int | None],
) -> int:
    from oyez.store import log
    from oyez.store.log_export import csv_text, entry_tree, event_tree

    from_ms, until_ms = span_ms
    entries = log.read(session, venue_id, from_ms=from_ms, until_ms=until_ms, zone=args.zone)
    if args.zone is not None and not entries and args.zone not in {z.id for z in venue.zones}:
        there = ", ".join(z.id for z in venue.zones)  # one that is no more is still asked for by its records
        raise InputError(f"--zone is '{args.zone}', allowed are the zones of {venue.venue.name}: {there}")
    events = log.read_events(session, venue_id, from_ms=from_ms, until_ms=until_ms)
    if args.json:
        tree = {
            "venue": venue.venue.name,
            "timezone": venue.venue.timezone,
            "entries": [entry_tree(entry) for entry in entries],
            "events": [event_tree(event) for event in events],
        }
        print(json.dumps(tree, indent=2, ensure_ascii=False))
    elif args.csv:
        zone = ZoneInfo(venue.venue.timezone)
        sys.stdout.write(csv_text(entries, zone, day_of=lambda ms: _day_of(venue, ms)))
    else:
        _print_table(venue, entries, events)
    return 0


def _print_table(venue: VenueFile, entries: Sequence[LogEntry], events: Sequence[LogEvent]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console()
    zone = ZoneInfo(venue.venue.timezone)
    names = {z.id: z.name for z in venue.zones}
    now_ms = time.time_ns() // 1_000_000
    console.print(Text(f"{venue.venue.name} (local time, {venue.venue.timezone})", "bold"))
    if not entries:
        console.print("Nothing was due.")
    for day, of_day in groupby(entries, lambda e: _day_of(venue, e.nominal_ms)):
        table = Table("When", "Late", "What", "Where", "Became", "Why", "Level", box=None, pad_edge=False)
        for entry in of_day:
            at_ms = next(ms for ms in (entry.actual_ms, entry.planned_ms, entry.nominal_ms) if ms is not None)
            table.add_row(
                _clock(zone, day, at_ms),
                _late(entry),
                Text(entry.title),
                Text(_where(venue, entry, names)),
                Text(_became(entry, names, now_ms)),
                Text(_why(entry)),
                _level(entry),
            )
        console.print(Text(f"\n{day:%A} {day.day} {day:%B %Y}", "bold"))
        console.print(table)
    if events:
        table = Table("When", "What", "Why", box=None, pad_edge=False)
        for event in events:
            day = _day_of(venue, event.at_ms)
            local = to_local(zone, event.at_ms)
            reason = Text(event.reason or "")
            table.add_row(f"{day:%a} {day.day} {day:%b} {local:%H:%M:%S}", Text(event.what), reason)
        console.print(Text("\nThe service", "bold"))
        console.print(table)


def _day_of(venue: VenueFile, at_ms: int) -> dt.date:
    """The operating day; of a record made while the machine's clock stood at its very beginning, the date."""
    try:
        return operating_day(venue, at_ms)
    except InputError:
        return dt.datetime.fromtimestamp(at_ms / 1000, tz=dt.UTC).date()


def _became(entry: LogEntry, names: Mapping[str, str], now_ms: int) -> str:
    if entry.outcome == "sounding" and entry.planned_ms is not None and entry.planned_ms > now_ms:
        return "waits to start"
    cut = [names.get(z.zone, z.zone) for z in entry.per_zone if z.outcome == "cut"]
    partly = f", cut in {', '.join(cut)}" if entry.outcome == "sent" and cut else ""
    return entry.outcome.replace("_", " ") + partly


def _clock(zone: ZoneInfo, day: dt.date, at_ms: int) -> str:
    """Local time; past midnight "Fri night (Sat 01:30:00)"."""
    local = to_local(zone, at_ms)
    clock = f"{local:%H:%M:%S}"
    return clock if local.date() == day else f"{day:%a} night ({local:%a} {clock})"


def _late(entry: LogEntry) -> str:
    if entry.lateness_ms is None:
        return "-"
    return "on time" if abs(entry.lateness_ms) < 50 else f"{entry.lateness_ms / 1000:.1f} s"


def _where(venue: VenueFile, entry: LogEntry, names: Mapping[str, str]) -> str:
    """Zones by name; a group, or all, in one word where it is exactly those."""
    wanted = set(entry.zones)
    groups = [g.id for g in venue.groups if set(g.zones) == wanted]
    zones = ", ".join(names.get(zone, zone) for zone in entry.zones) or "-"
    if len(wanted) > 2 and wanted == set(names):
        zones = "everywhere"
    elif len(wanted) > 2 and groups:
        zones = groups[0]
    return zones + "".join(f" (without {names.get(zone, zone)}: {why})" for zone, why in entry.left_out)


def _why(entry: LogEntry) -> str:
    asked = f"asked by {entry.asked_by}" if entry.asked_by not in {None, "plan"} else ""
    return "; ".join(part for part in (entry.reason, asked) if part)


def _level(entry: LogEntry) -> str:
    heard = [zone.loudness_lufs for zone in entry.per_zone if zone.loudness_lufs is not None]
    if not heard:
        return "-"
    low, high = min(heard), max(heard)
    return f"{low:.1f} LUFS" if high - low < 0.05 else f"{low:.1f} to {high:.1f} LUFS"


def _verify(session: Session, venue_id: int, data_dir: Path, *, as_json: bool) -> int:
    from oyez.store import journal, log
    from oyez.store.head import read_heads

    found = {
        "log": (log.verify(session, venue_id, kept := read_heads(data_dir, venue_id, "log")), kept),
        "journal": (journal.verify(session, venue_id, kept := read_heads(data_dir, venue_id, "journal")), kept),
    }
    if as_json:
        tree = {name: _verified_tree(verified, kept) for name, (verified, kept) in found.items()}
        print(json.dumps({"ok": all(v.ok for v, _ in found.values()), **tree}, indent=2))
    else:
        for name, words in (("log", "log"), ("journal", "settings journal")):
            print(_verified_line(words, found[name][0]))
    return 0 if all(verified.ok for verified, _ in found.values()) else 1


def _verified_tree(verified: Verified, kept: Sequence[Head] | None) -> dict[str, Any]:
    return {
        "ok": verified.ok,
        "records": verified.records,
        "first_bad": verified.first_bad,
        "reason": verified.reason,
        "head": {"number": verified.head.number, "hash": verified.head.hash},
        "kept": [{"number": h.number, "hash": h.hash} for h in kept or ()],
    }


def _verified_line(words: str, verified: Verified) -> str:
    if not verified.ok:
        return f"{words}: does not verify: {verified.reason}"
    last = f", the last is {verified.head.number} {verified.head.hash}" if verified.records else ""
    more = f" ({verified.reason})" if verified.reason and verified.records else ""
    records = "1 record" if verified.records == 1 else f"{verified.records} records, each"
    return f"{words}: {records} as it was written{last}{more}"
