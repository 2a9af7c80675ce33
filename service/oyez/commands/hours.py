"""Take opening hours and exceptions over from a calendar file (.ics).

  oyez hours import season.ics --file quillfin.toml --dry-run    say what would be taken and what not
  oyez hours import season.ics --file quillfin.toml
  oyez hours import season.ics --hours cafe                      into the service's database, for the café's hours

An event of whole days that says closed closes those days; one with times that says open gives that day's opening
periods. What it says stands in its categories or its title. Everything else is listed with the reason why it was
not taken. An exception the venue has for a day is kept, unless --replace is given.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import sys
import time
from pathlib import Path
from typing import Any

from oyez.errors import InputError, VenueFaults, WorkFailed
from oyez.planning.day import operating_day
from oyez.planning.hours_import import HoursImport, hours_from
from oyez.settings import Settings, default_data_dir, use_packaged_zone_rules
from oyez.venue.models import HoursExcept, VenueFile

MAX_BYTES = 16 * 1024 * 1024
DEFAULT_DAYS = 400


def add_arguments(parser: argparse.ArgumentParser) -> None:
    doing = parser.add_subparsers(dest="doing", required=True, metavar="DOING")
    taking = doing.add_parser(
        "import",
        help="read opening hours from a calendar file",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    taking.add_argument("ics", type=Path, metavar="FILE", help="the calendar file, iCalendar (RFC 5545)")
    where = taking.add_mutually_exclusive_group()
    where.add_argument("--file", type=Path, metavar="VENUE", help="a venue file; default: the service's database")
    where.add_argument(
        "--data", type=Path, metavar="DIR", help="data folder; default: $OYEZ_DATA or the user's own"
    )
    taking.add_argument("--venue", metavar="NAME", help="which venue of the database, where it holds several")
    taking.add_argument(
        "--hours", metavar="SET", default="venue", help='whose hours: a set\'s id, "venue" (default) or "all" sets'
    )
    taking.add_argument("--from", dest="first", metavar="YYYY-MM-DD", help="first operating day; default: today's")
    taking.add_argument(
        "--until", metavar="YYYY-MM-DD", help=f"last operating day; default: {DEFAULT_DAYS} days on"
    )
    taking.add_argument(
        "--open", metavar="WORD", action="append", default=[], help="a further word for open (may be repeated)"
    )
    taking.add_argument(
        "--closed", metavar="WORD", action="append", default=[], help="a further word for closed (may be repeated)"
    )
    taking.add_argument("--replace", action="store_true", help="let it replace exceptions the venue has")
    taking.add_argument("--dry-run", action="store_true", help="say what would be taken, change nothing")
    taking.add_argument("--json", action="store_true", help="as JSON")


def run(args: argparse.Namespace) -> int:
    use_packaged_zone_rules()
    text = _text(args.ics)
    if args.file is not None:
        from oyez.clips.folder import open_venue

        venue = open_venue(args.file).venue
        found, hours = _read(args, venue, text)
        if found.taken and not args.dry_run:
            _into_file(args.file, venue, found, hours)
    else:
        found = _into_database(args, text)
    _report(args, found)
    return 0


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read: {getattr(error, 'strerror', None) or error}") from None
    if len(data) > MAX_BYTES:
        raise InputError(f"{path}: is larger than {MAX_BYTES // 2**20} MiB, which no calendar of hours is")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: is not UTF-8 text at byte {error.start}, which iCalendar is") from None


def _read(args: argparse.Namespace, venue: VenueFile, text: str) -> tuple[HoursImport, str | None]:
    known = ["venue", *(s.id for s in venue.hours_sets)]
    if args.hours != "all" and args.hours not in known:
        raise InputError(f"--hours is '{args.hours}', allowed are {', '.join([*known, 'all'])}")
    hours = None if args.hours == "all" else args.hours
    first = _date("--from", args.first) or operating_day(venue, time.time_ns() // 1_000_000)
    last = _date("--until", args.until) or first + dt.timedelta(days=DEFAULT_DAYS - 1)
    if not 0 <= (last - first).days < 4000:
        raise InputError(f"--until is {last}, allowed are {first} and up to 4000 days on")
    try:
        found = hours_from(
            venue,
            text,
            hours=hours,
            first=first,
            last=last,
            replace=args.replace,
            open_words=args.open,
            closed_words=args.closed,
        )
    except InputError as error:
        raise InputError(f"{args.ics}: {error}") from None
    return found, hours


def _date(option: str, text: str | None) -> dt.date | None:
    if text is None:
        return None
    try:
        date = dt.date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{option} is '{text}', allowed are dates like 2026-11-27") from None
    if not 1971 <= date.year <= 2199:
        raise InputError(f"{option} is {date}, allowed are 1971-01-01 to 2199-12-31")
    return date


def _into_file(path: Path, venue: VenueFile, found: HoursImport, hours: str | None) -> None:
    """Add to the venue file: at its end, so that all that stands in it stays as it was written.

    Where an exception is replaced, or the file is JSON, it is written anew as a whole: comments are lost, and that
    is said. Raises VenueFaults, with nothing written, if the venue would have a fault.
    """
    from oyez.venue.reader import read_venue
    from oyez.venue.writer import venue_tree, write_toml

    after = found.into(venue, hours)
    is_json = path.suffix.lower() == ".json"
    whole = json.dumps(venue_tree(after), indent=2, ensure_ascii=False) + "\n" if is_json else write_toml(after)
    text = whole
    if not is_json and not found.replaced:
        text = path.read_text(encoding="utf-8").rstrip("\n") + "\n" + _toml(found.taken)
        if read_venue(text, where=str(path), syntax="toml").venue != after:
            text = whole  # hours_except stands in line, or not at the file's own level
    if text is whole and not is_json:
        print(f"{path}: is written anew as a whole, without its comments", file=sys.stderr)
    reading = read_venue(text, where=str(path), syntax="json" if is_json else "toml")
    if reading.venue is None:
        raise VenueFaults(reading.faults)
    _write_whole(path, text)


def _toml(taken: tuple[HoursExcept, ...]) -> str:
    lines = []
    for entry in taken:
        lines += ["", "[[hours_except]]", f'date = "{entry.date}"']
        if entry.hours is not None:
            lines.append(f'hours = "{entry.hours}"')
        periods = ", ".join(f'"{text}"' for text in entry.open or ())
        lines.append("closed = true" if entry.closed else f"open = [{periods}]")
    return "\n".join(lines) + "\n"


def _write_whole(path: Path, text: str) -> None:
    """All of it or nothing: to a file beside it, synced, then put in its place."""
    import os
    import secrets

    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        with part.open("w", encoding="utf-8", newline="") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        part.chmod(path.stat().st_mode & 0o777)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise WorkFailed(f"{path}: cannot be written: {error.strerror}") from error


def _into_database(args: argparse.Namespace, text: str) -> HoursImport:
    """As one transaction, noted in the settings journal; a running service plans anew by itself."""
    from oyez.commands.load import user
    from oyez.store import loading, venues
    from oyez.store.database import open_database
    from oyez.venue.faults import find_faults

    settings = Settings(data_dir=args.data or default_data_dir())
    database = open_database(settings, create=False)
    try:
        with database.begin() as session:
            ref = venues.find_venue(session, args.venue)
            venue = venues.read_venue(session, ref.id)
            found, hours = _read(args, venue, text)
            if args.dry_run or not found.taken:
                return found
            after = found.into(venue, hours)
            faults = [f for f in find_faults(after) if f.level == "fault"]
            if faults:
                raise VenueFaults(faults)
            due = loading.prepare(session, after, ref)
            what = f"opening hours taken from {args.ics.name}"
            at_ms = time.time_ns() // 1_000_000
            loading.carry_out(session, due, slug=None, who=user(), origin="command line", what=what, at_ms=at_ms)
        loading.keep_journal_head(database, settings.data_dir, ref.id)
        return found
    finally:
        database.close()


def _report(args: argparse.Namespace, found: HoursImport) -> None:
    if args.json:
        print(json.dumps(_tree(args, found), indent=2, ensure_ascii=False))
        return
    for entry in found.taken:
        whose = "" if entry.hours == "venue" else f" ({entry.hours or 'every set'})"
        instead = ", instead of what the venue had" if entry.date in found.replaced else ""
        says = "closed" if entry.closed else ", ".join(entry.open or ())
        print(f"{entry.date:%a} {entry.date}: {says}{whose}{instead}")
    for lost in found.not_taken:
        print(f"not taken: {lost.what}: {lost.why}")
    same = found.as_usual + found.there
    also = f", {same} as the venue says already" if same else ""
    said = "would be taken, nothing was changed (dry run)" if args.dry_run else "taken"
    days = "1 day" if len(found.taken) == 1 else f"{len(found.taken) or 'no'} days"
    print(f"{args.ics}: {days} {said}{also}, {len(found.not_taken) or 'nothing'} not taken")


def _tree(args: argparse.Namespace, found: HoursImport) -> dict[str, Any]:
    return {
        "file": str(args.ics),
        "dry_run": args.dry_run,
        "taken": [e.model_dump(mode="json", exclude_none=True) for e in found.taken],
        "replaced": [date.isoformat() for date in found.replaced],
        "as_usual": found.as_usual,
        "there": found.there,
        "not_taken": [{"what": n.what, "why": n.why} for n in found.not_taken],
    }
