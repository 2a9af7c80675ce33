"""Something found wrong at a place of the tree, before it is given the name of its entry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from oyez.venue.allowed import Place


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """place    where it is said
    also     further places it depends on: when one of them could not be read, it is left unsaid
    lacking  it says that something is absent, so anything unreadable inside its places may be just that
    """

    place: Place
    message: str
    code: str
    level: Literal["fault", "warning"] = "fault"
    also: tuple[Place, ...] = ()
    lacking: bool = False
