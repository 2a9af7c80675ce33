"""What differs between two venues, in words: "rule 'closing-15': priority 60 -> 70"."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from oyez.venue.allowed import quoted, shown
from oyez.venue.models import VenueFile
from oyez.venue.names import NOUNS

_DATED = {"seasons": ("hours", "from_date"), "hours_except": ("hours", "date")}
"""Entries without an id that go by their dates; a quiet window goes by its place in the file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """entry  what it is about: "rule 'closing-15'", "venue"
    text   what happens to it: "added", "priority 60 -> 70"
    """

    kind: Literal["added", "removed", "changed"]
    entry: str
    text: str

    def __str__(self) -> str:
        return f"{self.entry}: {self.text}"


def find_changes(before: VenueFile | None, after: VenueFile) -> tuple[Change, ...]:
    """Everything that replacing one venue by another changes, in the file's order. Empty when they are equal.

    before  None when there was no venue: then every entry is added
    """
    old = {} if before is None else _tree(before)
    return tuple(_changes(old, _tree(after)))


def _tree(venue: VenueFile) -> dict[str, Any]:
    return venue.model_dump(mode="json", by_alias=True)


def _changes(old: dict[str, Any], new: dict[str, Any]) -> Iterator[Change]:
    if not old:
        yield Change(kind="added", entry="venue", text=f"added, {quoted(new['venue']['name'])}")
    for table, value in new.items():
        if table == "format":
            continue
        if table in NOUNS:
            yield from _list_changes(table, old.get(table) or [], value)
        elif old:
            yield from _table_changes(table, old.get(table), value)


def _list_changes(table: str, old: list[dict[str, Any]], new: list[dict[str, Any]]) -> Iterator[Change]:
    before, after = _by_name(table, old), _by_name(table, new)
    for name in before:
        if name not in after:
            yield Change(kind="removed", entry=name, text="removed")
    for name, entry in after.items():
        if name not in before:
            yield Change(kind="added", entry=name, text="added")
        else:
            yield from _table_changes(name, before[name], entry)
    kept = [name for name in before if name in after]
    if kept != [name for name in after if name in before]:
        text = "order changed (it settles which of two equals goes first)"
        yield Change(kind="changed", entry=f"{NOUNS[table]}s", text=text)


def _by_name(table: str, entries: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    noun = NOUNS[table]
    named: dict[str, dict[str, Any]] = {}
    for i, entry in enumerate(entries):
        if "id" in entry:
            name = f"{noun} {quoted(entry['id'])}"
        elif table in _DATED:
            hours, date = (entry[key] for key in _DATED[table])
            name = f"{noun} of {'every set' if hours is None else quoted(hours)} on {date}"
        else:
            name = f"{noun} {i + 1}"
        named[name] = entry
    return named


def _table_changes(name: str, old: Any, new: Any) -> Iterator[Change]:
    """One change a key; an inner table that comes or goes is one change."""
    if old == new:
        return
    if old is None or new is None:
        kind: Literal["added", "removed"] = "added" if old is None else "removed"
        yield Change(kind=kind, entry=name, text=kind)
        return
    for key in new:
        yield from _value_changes(name, key, old.get(key), new[key])
    for key in old:
        if key not in new:
            yield Change(kind="changed", entry=name, text=f"{key} {_shown(old[key])} -> none")


def _value_changes(name: str, path: str, old: Any, new: Any) -> Iterator[Change]:
    if old == new:
        return
    if isinstance(old, dict) and isinstance(new, dict):
        for key in dict.fromkeys([*old, *new]):
            yield from _value_changes(name, f"{path}.{key}", old.get(key), new.get(key))
        return
    yield Change(kind="changed", entry=name, text=f"{path} {_shown(old)} -> {_shown(new)}")


def _shown(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, dict):
        given = ", ".join(f"{key} {_shown(inner)}" for key, inner in value.items() if inner not in (None, []))
        return given if len(given) <= 100 else given[:97] + "..."
    if isinstance(value, list):
        listed = ", ".join(_shown(item) for item in value) or "none"
        return listed if len(listed) <= 100 else listed[:97] + "..."
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return (
        value
        if isinstance(value, str) and value.isascii() and value.isprintable() and " " not in value
        else shown(value)
    )
