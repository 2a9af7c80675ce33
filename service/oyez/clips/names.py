"""Names: what a file may be called, and the id a clip gets from it. A name is never used as a path."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection

from oyez.errors import ClipRefused

_LONGEST_ID = 64
_LONGEST_NAME = 255
# Controls, line and paragraph ends, and what stands for bytes that are no UTF-8: no title could hold them.
_UNPRINTED = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


def checked_name(name: str) -> str:
    """The name a file was given by whoever sent it. Raises ClipRefused where it leads somewhere else."""
    bad = not name or name in {".", ".."} or re.search(r"[/\\]", name) or _UNPRINTED.search(name)
    if bad or len(name) > _LONGEST_NAME:
        shown = _UNPRINTED.sub("?", name)[:80]
        why = f"is no file name, allowed are names without folders or controls of up to {_LONGEST_NAME} characters"
        raise ClipRefused(shown or "(no name)", why, "bad-name")
    return name


def clip_id_for(name: str, taken: Collection[str] = ()) -> str:
    """An id from a file name: lower case letters, digits and hyphens; a number behind it where it is taken.

    >>> clip_id_for("Closing in 15 Minutes.flac")
    'closing-in-15-minutes'
    >>> clip_id_for("Café.wav", {"cafe"})
    'cafe-2'
    """
    stem = name.rsplit("/", 1)[-1].rsplit("\\", 1)[-1]
    stem = stem.rsplit(".", 1)[0] if "." in stem[1:] else stem
    plain = unicodedata.normalize("NFKD", stem).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:_LONGEST_ID].strip("-") or "clip"
    wanted, number = slug, 1
    while wanted in taken:
        number += 1
        behind = f"-{number}"
        wanted = slug[: _LONGEST_ID - len(behind)].rstrip("-") + behind
    return wanted


def title_for(name: str) -> str:
    """A title from a file name, for people.

    >>> title_for("closing_in-15.flac")
    'Closing in 15'
    """
    stem = name.rsplit(".", 1)[0] if "." in name[1:] else name
    words = re.sub(r"[\s_-]+", " ", stem).strip()
    return (words[:1].upper() + words[1:])[:200] or "Clip"
