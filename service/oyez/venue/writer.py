"""A venue written as a venue file. Reading it again gives the same venue; what is the default is left out."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from oyez.venue.models import VenueFile
from oyez.venue.names import NOUNS
from oyez.venue.units import WEEK_KEYS

_WIDTH = 115
_TABLES_INSIDE = ("eq", "duck", "fixed", "interval")
"""Inner tables written under a header of their own, [rules.fixed]; any other is written in line."""


def venue_tree(venue: VenueFile) -> dict[str, Any]:
    """The venue as the tree of its file (JSON's values only), without what is the default."""
    tree = venue.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    for table in ("hours_sets", "seasons"):
        if table in tree:
            tree[table] = [_days_last(entry) for entry in tree[table]]
    return {"format": venue.format, **{key: value for key, value in tree.items() if key != "format"}}


def _days_last(week: dict[str, Any]) -> dict[str, Any]:
    days = {key: value for key, value in week.items() if key in WEEK_KEYS}
    return {key: value for key, value in week.items() if key not in days} | days


def write_toml(venue: VenueFile) -> str:
    """The venue as TOML 1.0, in the style of the documentation: a blank line before each table."""
    return "\n".join(_lines(venue_tree(venue))) + "\n"


def _lines(tree: dict[str, Any]) -> Iterator[str]:
    for key, value in tree.items():
        if not isinstance(value, dict) and key not in NOUNS:
            yield f"{key} = {_value(value)}"
    for key, value in tree.items():
        if key in NOUNS:
            for entry in value:
                yield ""
                yield f"[[{key}]]"
                yield from _table(key, entry)
        elif isinstance(value, dict):
            yield ""
            yield f"[{key}]"
            yield from _table(key, value)


def _table(path: str, table: dict[str, Any]) -> Iterator[str]:
    inner = {key: value for key, value in table.items() if key in _TABLES_INSIDE and isinstance(value, dict)}
    for key, value in table.items():
        if key not in inner:
            yield from _key_lines(_key(key), value)
    for key, value in inner.items():
        yield f"[{path}.{key}]"
        yield from _table(f"{path}.{key}", value)


def _key_lines(key: str, value: Any) -> Iterator[str]:
    line = f"{key} = {_value(value)}"
    if len(line) <= _WIDTH or not isinstance(value, list):
        yield line
        return
    yield f"{key} = ["
    yield from (f"    {_value(item)}," for item in value)
    yield "]"


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(key)} = {_value(item)}" for key, item in value.items()) + "}"
    raise TypeError(f"{type(value).__name__} has no place in a venue file")


def _text(text: str) -> str:
    """A TOML basic string: JSON's escapes are TOML's, but TOML wants DEL escaped too."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(key: str) -> str:
    """Keys and ids are bare keys in TOML (A-Z a-z 0-9 _ -)."""
    bare = key.isascii() and key.replace("-", "").replace("_", "").isalnum()
    return key if bare else _text(key)
