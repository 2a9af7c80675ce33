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
from oyez.planning.live import FADE_MS, events_for
from oyez.planning.types import Cut, Decision, Play
from oyez.playout.around import decide_around, gone_reason
from oyez.playout.keeper import Keeper
from oyez.venue.models import Rule, VenueFile

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

    start_ms, end_ms  as the engine took it; of plays zone by zone the first start and the last end
    left_out          zones in which it will not sound, each with the reason
    cuts              what gives way for it, in which zones
    id, ids           its plays: one, or with `together = false` one a zone; `id` then stands for all of them
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
    ids: tuple[str, ...]


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
        self._of: dict[str, tuple[str, ...]] = {}  # what stands for the plays of one press, where it has several

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
            begun, refused = self._begin_all(venue, rule, by, None if zones is None else tuple(zones))
            ids = tuple(play.id for play, _, _ in begun)
            open_ones = keeper.ledger.open()
            self._of = {one: of for one, of in self._of.items() if open_ones.intersection(of)}
            name = ids[0]
            if len(ids) > 1:
                name = name.rpartition("/")[0]
                self._of[name] = ids
        decisions = [decision for _, decision, _ in begun]
        spans = [_span(play, answer) for play, _, answer in begun]
        left_out = [(left.zone, left.reason) for play, _, _ in begun for left in play.left_out]
        return Fired(
            id=name,
            rule=rule.id,
            title=rule.title,
            start_ms=min(start_ms for start_ms, _ in spans),
            end_ms=max(end_ms for _, end_ms in spans),
            zones=tuple(zone for play, _, _ in begun for zone in play.zones),
            left_out=tuple(dict.fromkeys([*left_out, *refused])),
            reason="; ".join(dict.fromkeys(decision.reason for decision in decisions)),
            cuts=tuple(cut for decision in decisions for cut in decision.cuts),
            ids=ids,
        )

    def _begin_all(
        self, venue: VenueFile, rule: Rule, by: str, zones: tuple[str, ...] | None
    ) -> tuple[list[_Begun], list[tuple[str, str]]]:
        """Begin its play, or one a zone; and the zones where it found no place, with the reason.

        Raises what kept the first from beginning when none begins.
        """
        begun: list[_Begun] = []
        refused: list[tuple[str, str]] = []
        first: Conflict | EngineGone | None = None
        for asked in _portions(venue, rule, zones):
            try:
                decision, answer = self._begin(rule.id, by, asked)
            except (Conflict, EngineGone) as error:
                first = first or error
                refused.extend((zone, str(error)) for zone in asked or ())
                continue
            play = decision.play
            assert play is not None
            for cut in decision.cuts:
                self._keeper.ledger.cut(cut.id, cut.zones, cut.at_ms + FADE_MS)
            begun.append((play, decision, answer))
        if not begun and first is not None:
            raise first
        return begun, refused

    def _begin(self, rule_id: str, by: str, zones: tuple[str, ...] | None) -> tuple[Decision, Mapping[str, Any]]:
        """Decide and begin. What the engine claimed in between is seen, and decided upon anew."""
        keeper, known = self._keeper, self._keeper.need()
        for left in reversed(range(_TRIES)):
            keeper.pull_now_or_later()
            now_ms = keeper.clock.now_ms()
            self._number += 1
            event = events_for(
                known.venue, rule_id, at_ms=now_ms, number=self._number, facts=known.facts, zones=zones
            )[0]  # of one zone, where each zone takes it when it can
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
            ends_ms: list[int] = []
            first: NotFound | EngineGone | None = None
            for one in self._of.get(occurrence_id, (occurrence_id,)):
                keeper.stopped.add(one)
                try:
                    ends_ms.append(int(self._link.stop(one, by=by)["end_ms"]))
                except (NotFound, EngineGone) as error:
                    keeper.stopped.discard(one)
                    first = first or error
            if not ends_ms and first is not None:
                raise first
        return Stopped(id=occurrence_id, end_ms=max(ends_ms))


_Begun = tuple[Play, Decision, Mapping[str, Any]]


def _span(play: Play, answer: Mapping[str, Any]) -> tuple[int, int]:
    """Start and end as the engine took it."""
    start_ms = int(answer.get("start_ms", play.start_ms))
    return start_ms, int(answer.get("end_ms", start_ms + play.end_ms - play.start_ms))


def _portions(venue: VenueFile, rule: Rule, zones: tuple[str, ...] | None) -> Sequence[tuple[str, ...] | None]:
    """What is asked for at a time: all zones, or with `together = false` each that is in service."""
    if rule.together:
        return [zones]
    in_service = {z.id for z in venue.zones if z.in_service}
    alone = [(z,) for z in venue.resolve(rule.zones if zones is None else zones) if z in in_service]
    return alone or [zones]


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
