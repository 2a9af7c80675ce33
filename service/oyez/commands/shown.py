"""Names for a terminal. Standard library only."""

from __future__ import annotations

from pathlib import Path


def plain(name: str | Path) -> str:
    r"""A file's name with all signs in it printable: controls and bytes that are no text as \x9b, \udcff."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in str(name))
