"""Gives the engine its programme: the plans composed with clips and gains, when it says something new.

Decides nothing of the plans. Not thread-safe by itself: the keeper's lock orders the calls.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from oyez.errors import InputError
from oyez.mixing.compose import compose, cue_for
from oyez.mixing.programme import Programme, to_tree
from oyez.planning.types import Plan, Play
from oyez.playout.gather import Gathered


class ProgrammeLink(Protocol):
    """What is asked of the engine here (`playout.link.EngineLink`)."""

    def programme(self, programme: Mapping[str, Any]) -> Mapping[str, Any]: ...


class Sender:
    """to  boot of the engine that has the last programme, None before the first"""

    def __init__(self, link: ProgrammeLink) -> None:
        self.to: str | None = None
        self._link = link
        self._sent: Programme | None = None

    def send(
        self,
        known: Gathered,
        plans: Sequence[Plan],
        state: Mapping[str, Any],
        *,
        now_ms: int,
        silent: Callable[[str, str], None],
    ) -> bool:
        """Give the engine of this state the programme, unless it is the one it has; False then.

        silent  told of each play that cannot be composed, with the reason: it must not take the others with it
        Raises EngineGone.
        """
        boot = str(state.get("boot"))
        revision = 1 + max(self._sent.revision if self._sent else 0, int(state.get("revision") or 0))
        made = _composed(known, plans, revision, now_ms, silent)
        if self._sent is not None and self.to == boot and _same(made, self._sent):
            return False
        self._link.programme(to_tree(made))
        self._sent, self.to = made, boot
        return True


def _composed(
    known: Gathered, plans: Sequence[Plan], revision: int, now_ms: int, silent: Callable[[str, str], None]
) -> Programme:
    try:
        return compose(known.venue, plans, known.facts, known.tracks, revision=revision, made_ms=now_ms)
    except InputError:
        good = [
            dataclasses.replace(plan, plays=tuple(p for p in plan.plays if _can_sound(known, p, silent)))
            for plan in plans
        ]
    return compose(known.venue, good, known.facts, known.tracks, revision=revision, made_ms=now_ms)


def _can_sound(known: Gathered, play: Play, silent: Callable[[str, str], None]) -> bool:
    try:
        cue_for(known.venue, play, known.facts, asked_by="plan")
    except InputError as error:
        silent(play.id, str(error))
        return False
    return True


def _same(one: Programme, other: Programme) -> bool:
    return dataclasses.replace(one, revision=0, made_ms=0) == dataclasses.replace(other, revision=0, made_ms=0)
