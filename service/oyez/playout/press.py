"""What a person sets going or stops now: decided upon, begun at the engine, answered.

The engine's claim is what counts: it is on the disk before anything sounds. With the database gone a press works
all the same; the log follows when it is back.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from oyez.errors import Conflict, EngineGone, NotFound
from oyez.mixing.compose import cue_for
from oyez.mixing.programme import Cue, to_tree
from oyez.planning.day import operating_day
from oyez.planning.live import FADE_MS, event_for
from oyez.planning.types import Cut, Decision
from oyez.playout.around import decide_around, gone_reason
from oyez.playout.keeper import Keeper
from oyez.venue.models import VenueFile

FIRED_FALL_MS = 200
PRESS_MS = 2_000
_TRIES = 3


class PressLink(Protocol):
    """What is asked of the engine here (`playout.link.EngineLink`)."""

    def begin(self, cue: Mapping[str, Any], *, cuts: Sequence[Mapping[str, Any]] = ()) -> Mapping[str, Any]: ...
    def stop(
        self, play: str, *, by: str, zones: Sequence[str] | None = None, reason: str | None = None
    ) -> Mapping[str, Any]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Fired:
    """What a press led to: where and when it sounds, what it cut, and why then.

    start_ms, end_ms  as the engine took it
    cuts              what gives way for it, in which zones
    """

    id: str
    rule: str
    title: str
    start_ms: int
    end_ms: int
    zones: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    reason: str
    cuts: tuple[Cut, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped:
    id: str
    end_ms: int


class Press:
    """Presses are taken one at a time; the keeper's lock orders them."""

    def __init__(self, keeper: Keeper, link: PressLink) -> None:
        self._keeper = keeper
        self._link = link
        self._number = 0

    def fire(self, rule_id: str, *, by: str, zones: Sequence[str] | None) -> Fired:
        """See `Director.fire`."""
        keeper = self._keeper
        with keeper.lock:
            venue = keeper.need().venue
            rule = next((r for r in venue.rules if r.id == rule_id), None)
            if rule is None:
                raise NotFound(f"there is no rule '{rule_id}' in {venue.venue.name}")
            _check_zones(venue, zones)
            why = gone_reason(rule, keeper.gone)
            if why is not None:
                raise Conflict(f"'{rule.title}' cannot sound: {why}")
            decision, answer = self._begin(rule_id, by, None if zones is None else tuple(zones))
            play = decision.play
            assert play is not None
            for cut in decision.cuts:
                keeper.ledger.cut(cut.id, cut.zones, cut.at_ms + FADE_MS)
        start_ms = int(answer.get("start_ms", play.start_ms))
        return Fired(
            id=play.id,
            rule=play.rule,
            title=play.title,
            start_ms=start_ms,
            end_ms=int(answer.get("end_ms", start_ms + play.end_ms - play.start_ms)),
            zones=play.zones,
            left_out=tuple((left.zone, left.reason) for left in play.left_out),
            reason=decision.reason,
            cuts=decision.cuts,
        )

    def _begin(self, rule_id: str, by: str, zones: tuple[str, ...] | None) -> tuple[Decision, Mapping[str, Any]]:
        """Decide and begin. What the engine claimed in between is seen, and decided upon anew."""
        keeper, known = self._keeper, self._keeper.need()
        for left in reversed(range(_TRIES)):
            keeper.pull_now_or_later()
            now_ms = keeper.clock.now_ms()
            self._number += 1
            event = event_for(
                known.venue, rule_id, at_ms=now_ms, number=self._number, facts=known.facts, zones=zones
            )
            day = operating_day(known.venue, now_ms)
            live = keeper.live(now_ms)
            decision = decide_around(known.venue, day, known.facts, keeper.gone, live=live, event=event)
            if decision.play is None:
                keeper.note_now_or_never(
                    "not placed", decision.reason, play=event.id, rule=event.rule, asked_by=by
                )
                raise Conflict(decision.reason)
            cue = _at_once(cue_for(known.venue, decision.play, known.facts, asked_by=by), now_ms)
            cuts = [{"id": c.id, "zones": list(c.zones)} for c in decision.cuts]
            try:
                answer = self._link.begin(to_tree(cue), cuts=cuts)
            except Conflict:
                if not left:
                    raise
            except EngineGone:
                keeper.pull_now_or_later()
                if event.id in keeper.ledger:  # it did begin, only the answer was lost
                    return decision, {}
                raise
            else:
                keeper.pull_now_or_later()
                return decision, answer
        raise AssertionError

    def stop(self, occurrence_id: str, *, by: str) -> Stopped:
        """See `Director.stop_play`."""
        keeper = self._keeper
        with keeper.lock:
            keeper.need()
            keeper.stopped.add(occurrence_id)
            try:
                answer = self._link.stop(occurrence_id, by=by)
            except (NotFound, EngineGone):
                keeper.stopped.discard(occurrence_id)
                raise
        return Stopped(id=occurrence_id, end_ms=int(answer["end_ms"]))


def _at_once(cue: Cue, now_ms: int) -> Cue:
    """What was not planned cannot begin its fall earlier: it falls within FIRED_FALL_MS. The press itself, its
    way to the engine and the claim take a moment that the rule's own patience is not asked for.
    """
    zones = cue.zones
    if any(cue.start_ms - now_ms < zone.fall_ms for zone in zones):
        zones = tuple(dataclasses.replace(z, fall_ms=min(z.fall_ms, FIRED_FALL_MS)) for z in zones)
    return dataclasses.replace(cue, zones=zones, latest_ms=max(cue.latest_ms, cue.start_ms + PRESS_MS))


def _check_zones(venue: VenueFile, zones: Sequence[str] | None) -> None:
    if zones is None:
        return
    known = {"all", *(z.id for z in venue.zones), *(g.id for g in venue.groups)}
    for name in zones:
        if name not in known:
            raise NotFound(f"there is no zone or group '{name}' in {venue.venue.name}")
    if not zones:
        raise Conflict("no zone is chosen")
