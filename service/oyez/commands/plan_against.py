"""`oyez plan --against`: what a change to the venue would move, add or drop, as a table or JSON."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from itertools import groupby
from zoneinfo import ZoneInfo

from oyez.planning.compare import Difference, compare, counts, difference_tree
from oyez.planning.output import plain
from oyez.planning.time import to_local
from oyez.planning.types import Plan
from oyez.venue.models import VenueFile

CSV_COLUMNS = ("kind", "date", "rule", "title", "priority", "zones", "before", "after", "reason")


def show(
    venues: tuple[VenueFile, VenueFile], plans: Sequence[tuple[Plan, Plan]], *, form: str, against: str
) -> None:
    """Print what differs between the plans of each day.

    venues   the one there is, and the one it is held against
    form     "table", "json" or "csv"
    against  what the person called the other one
    """
    found = [d for before, after in plans for d in compare(before, after)]
    zone = ZoneInfo(venues[0].venue.timezone)
    if form == "json":
        tree = {
            "venue": venues[0].venue.name,
            "against": against,
            "from": plans[0][0].date.isoformat(),
            "until": plans[-1][0].date.isoformat(),
            "counts": counts(found),
            "differences": [difference_tree(d) for d in found],
        }
        sys.stdout.write(json.dumps(tree, ensure_ascii=False, indent=2) + "\n")
    elif form == "csv":
        _write_csv(found, zone)
    else:
        _print_table(venues, found, zone, against)


def _write_csv(found: Sequence[Difference], zone: ZoneInfo) -> None:
    import csv

    rows = csv.writer(sys.stdout)
    rows.writerow(CSV_COLUMNS)
    for d in found:
        times = [
            "" if at_ms is None else to_local(zone, at_ms).isoformat(timespec="milliseconds")
            for at_ms in (d.before_ms, d.after_ms)
        ]
        rows.writerow(
            [d.kind, d.date, d.rule, plain(d.title), d.priority, " ".join(d.zones), *times, plain(d.reason)]
        )


def _print_table(
    venues: tuple[VenueFile, VenueFile], found: Sequence[Difference], zone: ZoneInfo, against: str
) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console()
    if not found:
        console.print(f"Nothing differs: with {against} everything sounds as it does now.", markup=False)
        return
    names = {z.id: z.name for venue in reversed(venues) for z in venue.zones}
    for date, of_day in groupby(found, lambda d: d.date):
        console.print(Text(f"{date:%A} {date.day} {date:%B %Y}", "bold"))
        table = Table("", "What", "Where", "Now", "Then", "Why", box=None, pad_edge=False)
        for _, alike in groupby(of_day, lambda d: (d.kind, d.rule, d.before_ms, d.after_ms)):
            d, *more = alike  # zones that take an announcement one by one, in one line
            zones = dict.fromkeys(z for one in (d, *more) for z in one.zones)
            where = ", ".join(names[z] for z in zones) if len(zones) <= 3 else f"{len(zones)} zones"
            times = [_clock(zone, d, at_ms) for at_ms in (d.before_ms, d.after_ms)]
            table.add_row(d.kind, Text(d.title), Text(where), *times, Text(d.reason))
        console.print(table)
    said = ", ".join(f"{number} {kind}" for kind, number in counts(found).items() if number)
    console.print(said)


def _clock(zone: ZoneInfo, of: Difference, at_ms: int | None) -> str:
    """Local time; past midnight with the evening it belongs to."""
    if at_ms is None:
        return "-"
    local = to_local(zone, at_ms)
    return f"{local:%H:%M:%S}" if local.date() == of.date else f"{of.date:%a} night ({local:%a %H:%M:%S})"
