"""What an entry of the venue file is called when something is said about it: "rule 'closing-15'", "zone 3"."""

from __future__ import annotations

from typing import Any

from oyez.venue.allowed import Place, quoted

NOUNS = {
    "hours_sets": "hours set",
    "seasons": "season",
    "hours_except": "hours exception",
    "quiet": "quiet window",
    "sources": "source",
    "zones": "zone",
    "groups": "group",
    "clips": "clip",
    "rules": "rule",
    "outputs": "output",
}
"""The file's lists, each with the noun for one of its entries."""


def entry_name(tree: Any, place: Place) -> str:
    """The entry a place lies in: by its id where it has one, else by its number; a plain table by its name.

    tree  the file as parsed, or the venue itself
    """
    if len(place) < 2:
        return ""
    table, number = place[0], place[1]
    if table not in NOUNS or not isinstance(number, int):
        return str(table)
    noun = NOUNS[str(table)]
    try:
        entry = _inside(tree, str(table))[number]
    except (LookupError, TypeError):
        return f"{noun} {number + 1}"
    name = _inside(entry, "id")
    return f"{noun} {quoted(name)}" if isinstance(name, str) and name else f"{noun} {number + 1}"


def path_words(place: Place) -> str:
    """Where inside its entry a place lies: "fixed.times value 2", "eq.bands value 1, hz"."""
    inner = place if len(place) < 2 else place[2:] if isinstance(place[1], int) else place[1:]
    words = ""
    for step in inner:
        if isinstance(step, int):
            words += f" value {step + 1}"
        elif not words:
            words = step
        else:
            words += (", " if words[-1].isdigit() else ".") + step
    return words


def _inside(value: Any, key: str) -> Any:
    return value.get(key) if isinstance(value, dict) else getattr(value, key, None)
