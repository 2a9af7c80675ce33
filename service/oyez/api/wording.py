"""Words for people: times with their offset, what happened to a play, what is wrong with a request.

Pure: no clock, no request. A reason that planning or the engine gave is passed on unchanged.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any
from zoneinfo import ZoneInfo

from oyez.store.log_entries import LogEntry, LogEvent
from oyez.venue.allowed import quoted

_ALLOWED = {
    "greater_than": ("gt", "more than {}"),
    "greater_than_equal": ("ge", "{} or more"),
    "less_than": ("lt", "less than {}"),
    "less_than_equal": ("le", "{} or less"),
}
_TYPES = {
    "int_parsing": "whole numbers",
    "int_type": "whole numbers",
    "int_from_float": "whole numbers",
    "float_parsing": "numbers",
    "float_type": "numbers",
    "finite_number": "finite numbers",
    "bool_parsing": "true and false",
    "bool_type": "true and false",
    "string_type": "texts",
    "string_unicode": "whole characters",
    "list_type": "lists",
    "tuple_type": "lists",
    "dict_type": "tables",
    "model_attributes_type": "tables",
    "model_type": "tables",
    "date_from_datetime_parsing": "dates like 2026-11-27",
    "date_parsing": "dates like 2026-11-27",
    "date_type": "dates like 2026-11-27",
    "datetime_parsing": "times like 2026-11-27T20:30:00+00:00",
    "datetime_from_date_parsing": "times like 2026-11-27T20:30:00+00:00",
    "timezone_aware": "times with their offset, like 2026-11-27T20:30:00+00:00",
}


def iso(ms: int, zone: ZoneInfo | dt.timezone = dt.UTC) -> str:
    """ISO 8601 with offset and milliseconds, in the venue's own time."""
    return dt.datetime.fromtimestamp(ms / 1000, tz=zone).isoformat(timespec="milliseconds")


def clock(ms: int, zone: ZoneInfo | dt.timezone) -> str:
    """Local clock time to the second, as a person reads it."""
    return dt.datetime.fromtimestamp(ms // 1000, tz=zone).strftime("%H:%M:%S")


def listed(names: Sequence[str]) -> str:
    """Names as in a sentence: "Foyer", "Foyer and Shop", "Foyer, Shop and Theatre"."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _got(value: Any) -> str:
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if value is None or isinstance(value, (int, float)):
        return "nothing" if value is None else str(value)
    return "a list" if isinstance(value, (list, tuple)) else "a table"


def _range(error: Mapping[str, Any], fields: Mapping[str, tuple[Any, Any]], name: str) -> str:
    low, high = fields.get(name, (None, None))
    if low is not None and high is not None:
        return f"{low} to {high}"
    key, pattern = _ALLOWED[error["type"]]
    return pattern.format(error["ctx"][key])


def request_fault(
    error: Mapping[str, Any], ranges: Mapping[str, tuple[Any, Any]] | None = None
) -> tuple[str, str]:
    """One validation error as (entry, message): ("limit", "limit is 0, allowed are 1 to 5000").

    `ranges` maps a field's name to its lowest and highest value, where both are known.
    """
    place = [quoted(str(part))[1:-1] for part in error["loc"] if part not in {"body", "query", "path", "header"}]
    name = ".".join(place) or "the body"
    kind, got = error["type"], _got(error.get("input"))
    if kind == "missing":
        return name, f"{name} is missing"
    if kind == "extra_forbidden":
        return name, f"{name} is unknown here"
    if kind == "json_invalid":
        return "the body", "the body is not JSON"
    if isinstance(error.get("input"), bytes):
        return "the body", "the body is not said to be JSON, allowed is the content type application/json"
    if kind == "value_error" and "UploadFile" in str(error["ctx"]["error"]):
        return name, f"{name} is a text, allowed is a file with its name"
    if kind in _ALLOWED:
        return name, f"{name} is {got}, allowed are {_range(error, ranges or {}, place[-1] if place else '')}"
    if kind in _TYPES:
        return name, f"{name} is {got}, allowed are {_TYPES[kind]}"
    if kind in {"literal_error", "enum"}:
        return name, f"{name} is {got}, allowed are {error['ctx']['expected']}"
    if kind == "string_too_long":
        return name, f"{name} is too long, allowed are {error['ctx']['max_length']} characters"
    if kind == "string_too_short":
        return name, f"{name} is too short, at least {error['ctx']['min_length']} characters are needed"
    if kind == "string_pattern_mismatch":
        return name, f"{name} is {got}, allowed are texts that match {error['ctx']['pattern']}"
    if kind == "value_error":
        return name, f"{name} {error['ctx']['error']}"
    return name, f"{name} is {got}: {error['msg']}"


def happened(entry: LogEntry, names: Mapping[str, str], zone: ZoneInfo | dt.timezone, *, now_ms: int) -> str:
    """One sentence for the log of a day: what became of it, where, and why not."""

    def where(outcome: str) -> list[str]:
        return [names.get(z.zone, z.zone) for z in entry.per_zone if z.outcome == outcome]

    everywhere = listed([names.get(z, z) for z in entry.zones])
    why = f": {entry.reason}" if entry.reason else ""
    if entry.outcome == "sounding" and entry.planned_ms is not None and entry.planned_ms > now_ms:
        return f"Starts at {clock(entry.planned_ms, zone)} in {everywhere}{why}"
    if entry.outcome == "sounding":
        return f"Sounding in {everywhere}"
    if entry.outcome == "not_sent":
        return f"Not sent{why}"
    if entry.outcome == "cut":
        at = f" at {clock(entry.end_ms, zone)}" if entry.end_ms is not None else ""
        text = f"Cut{at} in {listed(where('cut')) or everywhere}"
        if where("sent"):
            text += f"; sent whole to {listed(where('sent'))}"
        return text + why
    text = f"Sent to {listed(where('sent')) or everywhere}"
    missed = [*where("cut"), *where("not_sent")]
    if missed:
        return f"{text}; not whole in {listed(missed)}{why}"
    if entry.lateness_ms is not None and entry.lateness_ms >= 1000:
        text += f", {entry.lateness_ms // 1000} s late"
    return text


def event_words(event: LogEvent) -> str:
    what = event.what.replace("-", " ")
    return f"{what[:1].upper()}{what[1:]}" + (f": {event.reason}" if event.reason else "")
