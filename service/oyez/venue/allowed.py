"""What a place of the venue file allows, in words and as an example, read off the models' own schema.

Touches nothing. One description serves every way in which a value can be wrong, so that `oyez check`, the API
and the page say the same, and never in the validation library's terms.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable
from functools import cache
from typing import Any

from oyez.venue.models import VenueFile

Place = tuple[str | int, ...]
"""Where in the tree, e.g. ("rules", 3, "fixed", "times", 0). Lists count from 0 here, from 1 in words."""

Schema = dict[str, Any]

STAND_IN_ID = "unreadable"


@cache
def _whole() -> Schema:
    return VenueFile.model_json_schema(by_alias=True)


def _opened(slot: Schema) -> Schema:
    """A schema with its reference followed and "or nothing" left out."""
    if "$ref" in slot:
        found: Schema = _whole()["$defs"][slot["$ref"].rpartition("/")[2]]
        return found
    some = [s for s in slot.get("anyOf", ()) if s.get("type") != "null"]
    return _opened(some[0]) if len(some) == 1 else slot


def slot_at(place: Place) -> Schema | None:
    """The schema of a place; None where the file has no such place."""
    slot = _opened(_whole())
    for step in place:
        if isinstance(step, int):
            inner = slot.get("items")
        elif "patternProperties" in slot:
            inner = next(iter(slot["patternProperties"].values()))
        else:
            inner = slot.get("properties", {}).get(step)
        if inner is None:
            return None
        slot = _opened(inner)
    return slot


def keys_at(place: Place) -> tuple[str, ...]:
    """The keys a table may have, in the file's order."""
    return tuple((slot_at(place) or {}).get("properties", {}))


def allowed(slot: Schema, got: object) -> str:
    """What is allowed there, as words that go on after "allowed are", fitted to what was found."""
    if "allowed" in slot:
        return str(slot["allowed"])
    if "anyOf" in slot:
        return " or ".join(allowed(s, got) for s in slot["anyOf"] if s.get("type") != "null")
    if "const" in slot:
        return shown(slot["const"])
    if "enum" in slot:
        return ", ".join(shown(value) for value in slot["enum"])
    kind = slot.get("type")
    if kind in {"integer", "number"}:
        least, most = _number(slot.get("minimum")), _number(slot.get("maximum"))
        fits = isinstance(got, (int, float) if kind == "number" else int) and not isinstance(got, bool)
        noun = "" if fits else "numbers " if kind == "number" else "whole numbers "
        return f"{noun}{least} to {most}" if least and most else f"{noun}from {least}" if least else noun.strip()
    if kind == "boolean":
        return "true, false"
    if kind == "array":
        return "lists" if not isinstance(got, list) else f"{_count(slot, 'minItems', 'maxItems')} values"
    if kind == "object":
        return "tables of keys and values"
    if slot.get("format") == "date":
        return "dates like 2026-12-24"
    if slot.get("format") == "date-time":
        return "local times like 2026-11-06T20:00:00"
    if "maxLength" not in slot:
        return "texts"
    return f"texts of {_count(slot, 'minLength', 'maxLength')} characters"


def example(slot: Schema) -> Any:
    """A value that is surely valid there, standing in for one that could not be read."""
    if "pattern" in slot:
        return STAND_IN_ID
    if "examples" in slot:
        return slot["examples"][0]
    if "anyOf" in slot:
        return example(slot["anyOf"][0])
    if "const" in slot:
        return slot["const"]
    if "enum" in slot:
        return slot["enum"][0]
    kind = slot.get("type")
    if kind in {"integer", "number"}:
        return slot.get("minimum", 1)
    if kind == "boolean":
        return False
    if kind == "array":
        return [example(_opened(slot["items"])) for _ in range(slot.get("minItems", 0))]
    if kind == "object":
        needed = slot.get("required", ())
        return {key: example(_opened(slot["properties"][key])) for key in needed}
    if slot.get("format") == "date":
        return "2000-01-01"
    if slot.get("format") == "date-time":
        return "2000-01-01T00:00:00"
    return "unreadable"


def shown(value: object) -> str:
    """A value as it would be written in the file, on one line and not longer than needed."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    text = json.dumps(value, ensure_ascii=False) if not isinstance(value, str) else quoted(value)
    return text if len(text) <= 80 else text[:77] + "..."


def quoted(text: str) -> str:
    """A text between quotes, line breaks and control characters made visible."""
    visible = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
    return f"'{visible if len(visible) <= 70 else visible[:67] + '...'}'"


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name most like a mistyped one, None when none is alike."""
    found = difflib.get_close_matches(name, list(known), n=1, cutoff=0.6)
    return found[0] if found else None


def _number(value: float | None) -> str | None:
    return None if value is None else f"{value:g}" if abs(value) < 1e6 else f"{value:.0f}"


def _count(slot: Schema, least: str, most: str) -> str:
    low, high = slot.get(least, 0), slot.get(most)
    if high is None:
        return f"{low} or more"
    return f"{low} to {high}"
