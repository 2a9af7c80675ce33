"""Show the plan of a day: what will be heard when and where, what found no place, and why.

  oyez plan                                        today, from the service's database
  oyez plan --file quillfin.toml --date 2026-11-27
  oyez plan --file quillfin.toml --json > plan.json
  oyez plan --date 2026-11-27 --until 2026-12-03   a week; as JSON a list, a plan a day
  oyez plan --why closing-15@17:45                 why it is where it is, and every way to change that, tried out
  oyez plan --against changed.toml                 what a changed venue file would move, add or drop
  oyez plan --until 2026-12-24 --ics > plan.ics    for a calendar program

Without --date it is today's operating day of the venue. Audio files are needed only where the venue file gives
no duration_ms, or for automatic ducking.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from oyez.errors import InputError
from oyez.planning.day import operating_day, plan_day
from oyez.planning.output import plan_json, plans_csv, plans_json
from oyez.planning.time import to_local
from oyez.planning.types import LeftOut, Plan, Play
from oyez.settings import Settings, default_data_dir, use_packaged_zone_rules
from oyez.venue.facts import ClipFacts
from oyez.venue.models import Clip, VenueFile

if TYPE_CHECKING:
    from oyez.clips.folder import VenueFolder


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--file", type=Path, metavar="VENUE", help="a venue file; default: the service's database")
    parser.add_argument("--date", metavar="YYYY-MM-DD", help="operating day; default: today's")
    parser.add_argument(
        "--until", metavar="YYYY-MM-DD", help="last operating day of several; default: --date alone"
    )
    parser.add_argument(
        "--against", type=Path, metavar="OTHER", help="show what this other venue file would make different"
    )
    parser.add_argument(
        "--why", metavar="RULE@TIME", help="why this one is where it is (RULE@TIME/ZONE for one zone of several)"
    )
    parser.add_argument("--venue", metavar="NAME", help="which venue of the database, where it holds several")
    parser.add_argument(
        "--data", type=Path, metavar="DIR", help="data folder; default: $OYEZ_DATA or the user's own"
    )
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="as JSON")
    form.add_argument("--csv", action="store_true", help="as CSV, a line an announcement")
    form.add_argument("--ics", action="store_true", help="as iCalendar, an event an announcement")


def run(args: argparse.Namespace) -> int:
    use_packaged_zone_rules()
    wanted, last = _read_date("--date", args.date), _read_date("--until", args.until)
    venue, facts = _from_file(args.file) if args.file else _from_database(args)
    date = wanted or operating_day(venue, time.time_ns() // 1_000_000)
    dates = _dates(date, last)
    plans = [_plan(venue, day, facts) for day in dates]
    if args.why is not None:
        if args.csv or args.ics or last is not None or args.against is not None:
            raise InputError("--why answers about one day: leave out --until, --against, --csv and --ics")
        from oyez.commands import plan_why

        plan_why.show(venue, facts, plans[0], args.why, as_json=args.json)
    elif args.ics:
        from oyez.planning.ical import plan_ics

        if args.against is not None:
            raise InputError("--ics with --against: a difference is no calendar, allowed are --json and --csv")
        sys.stdout.write(plan_ics(venue, plans))
    elif args.against is not None:
        from oyez.commands import plan_against

        other, other_facts = _from_file(args.against)
        pairs = [(plan, _plan(other, plan.date, other_facts)) for plan in plans]
        form = "json" if args.json else "csv" if args.csv else "table"
        plan_against.show((venue, other), pairs, form=form, against=str(args.against))
    elif args.json:
        sys.stdout.write(plan_json(plans[0]) if last is None else plans_json(plans))
    elif args.csv:
        sys.stdout.write(plans_csv(plans))
    else:
        for number, plan in enumerate(plans):
            if number:
                print()
            _print_table(venue, plan)
    return 0


MOST_DAYS = 400


def _dates(first: dt.date, last: dt.date | None) -> list[dt.date]:
    """Every date from the first to the last."""
    if last is None:
        return [first]
    count = (last - first).days + 1
    if not 1 <= count <= MOST_DAYS:
        limit = first + dt.timedelta(days=min(MOST_DAYS - 1, (dt.date.max - first).days))
        raise InputError(f"--until is {last}, allowed are {first} to {limit} ({MOST_DAYS} days)")
    return [first + dt.timedelta(days=n) for n in range(count)]


def _read_date(option: str, text: str | None) -> dt.date | None:
    if text is None:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{option} is '{text}', allowed are dates like 2026-11-27") from None


def _from_database(args: argparse.Namespace) -> tuple[VenueFile, Mapping[str, ClipFacts]]:
    from oyez.store import clips, venues
    from oyez.store.database import open_database

    database = open_database(Settings(data_dir=args.data or default_data_dir()), create=False)
    try:
        with database.read() as session:
            ref = venues.find_venue(session, args.venue)
            return venues.read_venue(session, ref.id), clips.facts(session, ref.id)
    finally:
        database.close()


def _plan(venue: VenueFile, date: dt.date, facts: Mapping[str, ClipFacts]) -> Plan:
    """The plan; a rule whose clip has no audio in the database is listed without a place."""
    planned = [r for r in venue.rules if r.fixed or r.interval]
    gone = {c for r in planned for c in (r.chime, *r.clips) if c and c not in facts}
    if not gone:
        return plan_day(venue, date, facts)
    from oyez.playout.around import plan_around

    return plan_around(venue, date, facts, {c: f"clip '{c}' has no audio" for c in sorted(gone)})


def _from_file(path: Path) -> tuple[VenueFile, Mapping[str, ClipFacts]]:
    """The venue and what is known of its clips; audio is opened only where it is needed."""
    from oyez.clips.folder import open_venue

    folder = open_venue(path)
    for warning in folder.warnings:
        print(warning, file=sys.stderr)
    venue = folder.venue
    planned = [r for r in venue.rules if r.fixed or r.interval]
    used = {c for r in planned for c in (r.chime, *r.clips) if c}
    depths = {(r.duck and r.duck.depth_db) or venue.duck.depth_db for r in planned}
    return venue, _facts(folder, [c for c in venue.clips if c.id in used], automatic="auto" in depths)


def _facts(folder: VenueFolder, clips: Sequence[Clip], *, automatic: bool) -> dict[str, ClipFacts]:
    known = {c.id: ClipFacts(duration_ms=c.duration_ms) for c in clips if c.duration_ms is not None}
    if automatic:
        missing = [c for c in clips if c.id in known and not folder.clip_path(c).is_file()]
        for clip in missing:
            print(
                f"{folder.path}: clip '{clip.id}': {clip.file} is not there; automatic ducking assumes that it "
                "reaches its target loudness",
                file=sys.stderr,
            )
        wanted = [c for c in clips if c not in missing]
    else:
        wanted = [c for c in clips if c.id not in known]
    if wanted:
        from oyez.clips.facts import cache_store, file_facts
        from oyez.clips.folder import VenueFolder

        part = VenueFolder(path=folder.path, venue=folder.venue.model_copy(update={"clips": tuple(wanted)}))
        known.update(file_facts(part, cache_store(), need_loudness=automatic))
    return known


def _print_table(venue: VenueFile, plan: Plan) -> None:
    """The plan for people: local times, the zone named once, the evening's name after midnight."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console()
    zone = ZoneInfo(plan.timezone)
    names = {z.id: z.name for z in venue.zones}
    console.print(
        Text(
            f"{plan.venue}, {plan.date:%A} {plan.date.day} {plan.date:%B %Y} (local time, {plan.timezone})", "bold"
        )
    )
    if plan.plays:
        table = Table("When", "What", "Where", "Priority", "Why then", box=None, pad_edge=False, expand=False)
        for play, zones in _together(plan.plays):
            where = _places(venue, zones, names) + _left_words(play.left_out, names)
            table.add_row(
                day_time(plan, zone, play.start_ms),
                Text(play.title),
                Text(where),
                str(play.priority),
                Text(play.reason),
            )
        console.print(table)
    else:
        console.print("Nothing is planned on this day.")
    if plan.unplaced:
        console.print(Text(f"\n{len(plan.unplaced)} found no place", "bold"))
        table = Table("Wanted", "What", "Where", "Priority", "Why not", box=None, pad_edge=False)
        for lost in plan.unplaced:
            where = _places(venue, lost.zones, names) + _left_words(lost.left_out, names)
            table.add_row(
                day_time(plan, zone, lost.nominal_ms),
                Text(lost.title),
                Text(where),
                str(lost.priority),
                Text(lost.reason),
            )
        console.print(table)
    searched = [str(level) for level, proven in plan.proven.items() if not proven]
    if searched:
        console.print(
            f"\nPriority {', '.join(searched)}: the best plan found; that none is better is not proven.",
            highlight=False,
        )


def _together(plays: Sequence[Play]) -> Iterator[tuple[Play, tuple[str, ...]]]:
    """Plays of one occurrence that takes its zones one by one, in one line where nothing differs but the zone."""
    for _, alike in groupby(plays, lambda p: (p.start_ms, p.rule, p.nominal_ms, p.reason, p.left_out)):
        first, *rest = alike
        yield first, tuple(zone for play in (first, *rest) for zone in play.zones)


def day_time(plan: Plan, zone: ZoneInfo, at_ms: int) -> str:
    """Local time; past midnight "Fri night (Sat 01:30:00)", so that the evening it belongs to is plain."""
    local = to_local(zone, at_ms)
    clock = f"{local:%H:%M:%S}" if at_ms % 1000 == 0 else f"{local:%H:%M:%S}.{local.microsecond // 1000:03d}"
    return clock if local.date() == plan.date else f"{plan.date:%a} night ({local:%a} {clock})"


def _places(venue: VenueFile, zones: Sequence[str], names: Mapping[str, str]) -> str:
    """Zones by name; a group, or all, in one word where it is exactly those."""
    if len(zones) > 2:
        if len(zones) == len(venue.zones):
            return "everywhere"
        for group in venue.groups:
            if set(venue.resolve((group.id,))) == set(zones):
                return group.id
    return ", ".join(names[z] for z in zones) or "-"


def _left_words(left_out: Sequence[LeftOut], names: Mapping[str, str]) -> str:
    return "".join(f" (without {names[left.zone]}: {left.reason})" for left in left_out)
