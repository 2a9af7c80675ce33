"""Log entries as JSON trees and as CSV (RFC 4180). Formats only: reads no table and writes no file."""

from __future__ import annotations

import csv
import dataclasses
import datetime as dt
import io
from collections.abc import Callable, Iterable
from typing import Any
from zoneinfo import ZoneInfo

from oyez.store.log_entries import LogEntry, LogEvent

COLUMNS = (
    "day",
    "rule",
    "title",
    "priority",
    "outcome",
    "reason",
    "nominal",
    "planned",
    "actual",
    "end",
    "lateness_s",
    "zones",
    "left_out",
    "asked_by",
    "gain_db",
    "duck_depth_db",
    "loudness_lufs",
    "rounds_done",
    "clips",
    "id",
)
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def entry_tree(entry: LogEntry) -> dict[str, Any]:
    """One entry as plain JSON values: `left_out` as [{zone, reason}], `clips` as [{clip, sha256}]."""
    return {
        **dataclasses.asdict(entry),
        "zones": list(entry.zones),
        "numbers": list(entry.numbers),
        "left_out": [{"zone": zone, "reason": reason} for zone, reason in entry.left_out],
        "clips": [{"clip": clip, "sha256": sha256} for clip, sha256 in entry.clips],
        "per_zone": [dataclasses.asdict(zone) for zone in entry.per_zone],
    }


def event_tree(event: LogEvent) -> dict[str, Any]:
    return {**dataclasses.asdict(event), "detail": dict(event.detail)}


def iso(ms: int | None, zone: ZoneInfo) -> str:
    """Local time with offset, to the millisecond; empty when not known."""
    if ms is None:
        return ""
    return dt.datetime.fromtimestamp(ms / 1000, tz=dt.UTC).astimezone(zone).isoformat(timespec="milliseconds")


def csv_text(entries: Iterable[LogEntry], zone: ZoneInfo, *, day_of: Callable[[int], dt.date]) -> str:
    """A line an entry, local times with offset, several zones' values as "zone value; zone value".

    day_of  operating day of an instant
    Text that a spreadsheet would read as a formula is led by an apostrophe; numbers are left alone.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for entry in entries:
        writer.writerow([_cell(value) for value in _values(entry, zone, day_of)])
    return out.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, str) and value.startswith(_FORMULA):
        return "'" + value
    return "" if value is None else value


def _values(entry: LogEntry, zone: ZoneInfo, day_of: Callable[[int], dt.date]) -> list[Any]:
    def by_zone(name: str) -> str:
        found = [(z.zone, getattr(z, name)) for z in entry.per_zone]
        return "; ".join(f"{z} {value:.1f}" for z, value in found if value is not None)

    return [
        day_of(entry.nominal_ms).isoformat(),
        entry.rule,
        entry.title,
        entry.priority,
        entry.outcome,
        entry.reason,
        iso(entry.nominal_ms, zone),
        iso(entry.planned_ms, zone),
        iso(entry.actual_ms, zone),
        iso(entry.end_ms, zone),
        None if entry.lateness_ms is None else entry.lateness_ms / 1000,
        "; ".join(entry.zones),
        "; ".join(f"{z}: {reason}" for z, reason in entry.left_out),
        entry.asked_by,
        by_zone("gain_db"),
        by_zone("duck_depth_db"),
        by_zone("loudness_lufs"),
        entry.rounds_done,
        "; ".join(f"{clip} {sha256}" if sha256 else clip for clip, sha256 in entry.clips),
        entry.id,
    ]
