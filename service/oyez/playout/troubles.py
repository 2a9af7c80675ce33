"""What went wrong a little, told in time and not too often: xruns, late blocks, sound that was not there.

Values only: counters go in, now and then a sentence comes out.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

EVERY_S = 60.0
WORDS = {
    "xruns": "times the output ran dry",
    "starved": "frames of sound were not read in time",
    "mixer_faults": "blocks could not be mixed",
}


class Troubles:
    """The first trouble is told at once, what follows within a minute together at its end."""

    def __init__(self) -> None:
        self._told: dict[str, int] = {}
        self._told_s: float | None = None

    def push(self, counts: Mapping[str, int], now_s: float) -> tuple[str, dict[str, int]] | None:
        """Take in what was counted since the start, by the names of WORDS.

        Returns a sentence and what was added, or None when there is nothing to tell (yet).
        """
        added = {name: n - self._told.get(name, 0) for name, n in counts.items() if n > self._told.get(name, 0)}
        shrunk = {name: n for name, n in counts.items() if n < self._told.get(name, 0)}
        self._told.update(shrunk)  # another output counts from 0
        if not added or (self._told_s is not None and now_s - self._told_s < EVERY_S):
            return None
        self._told.update(counts)
        self._told_s = now_s
        return ", ".join(f"{n} {WORDS[name]}" for name, n in added.items()), added


def silence(state: Mapping[str, Any]) -> str:
    """Why nothing is heard, for a person: a card that is waited for, or none at all."""
    reason = str(state.get("silent_reason") or "no sound hardware")
    if any(o.get("kind") == "card" and o.get("health") == "waiting" for o in state.get("outputs") or ()):
        return f"{reason[:1].upper()}{reason[1:]}; playing silently until it opens"
    return f"Playing silently: {reason}"
