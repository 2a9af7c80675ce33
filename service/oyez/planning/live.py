"""While the day runs: what becomes of an event, what it cuts, and how a play that was cut starts again.

An event takes its place by the rules of the plan from its instant on. It ignores gaps and caps, and counts for
them. What it outranks is cut in the contested zones only; a live voice is cut by a live voice of higher priority
alone. Whole milliseconds; `live.now_ms` is the only clock.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from oyez.errors import NotFound
from oyez.planning.board import FOR_EVER
from oyez.planning.day import plan_day
from oyez.planning.hours import OperatingDay
from oyez.planning.length import play_length_ms, rounds_of
from oyez.planning.occurrences import Asking, leave_out
from oyez.planning.quiet import by_zone, quiet_spans
from oyez.planning.reasons import ON_TIME, span_words
from oyez.planning.time import operating_day
from oyez.planning.types import Cut, Decision, LeftOut, Live, Occurrence, Plan, Play, QuietSpan, Span, Taken
from oyez.venue.facts import ClipFacts
from oyez.venue.models import Rule, VenueFile

FADE_MS = 150
RESTART_WITHIN_MS = 60_000
HEARD_ENOUGH = 0.8  # of a round
_ROUNDS_OF_DOUBT = 6


def event_for(
    venue: VenueFile,
    rule_id: str,
    *,
    at_ms: int,
    number: int,
    facts: Mapping[str, ClipFacts],
    zones: tuple[str, ...] | None = None,
    holds: Iterable[QuietSpan] = (),
    live_voice: bool = False,
) -> Occurrence:
    """The occurrence of a rule that is fired at this instant.

    number  tells events of one rule and instant apart
    zones   zones or groups in place of the rule's own
    Zones not in service are left out, and those in which a quiet window bars it, unless it would have none left.
    Raises NotFound for an unknown rule, InputError for a clip of unknown duration.
    """
    order, rule = _rule(venue, rule_id)
    if zones is not None:
        rule = rule.model_copy(update={"zones": zones})
    day = OperatingDay(venue, operating_day(venue, at_ms))
    asking = Asking.of(day, rule, order, facts)
    staying, left_out = asking.zones, asking.out_of_service
    if rule.blocked_zones == "leave_out" and len(staying) > 1:
        quiet = by_zone(quiet_spans(day, holds))
        staying, blocked = leave_out(staying, rule.priority, at_ms, at_ms + asking.duration_ms, quiet)
        left_out = (*left_out, *blocked)
    ends_by_ms = None
    if rule.open_only and not day.opening(rule.hours).always:
        periods = day.opening(rule.hours).periods
        ends_by_ms = next((p.end_ms for p in periods if p.start_ms <= at_ms < p.end_ms), at_ms)
    return Occurrence(
        id=f"{rule.id}@{at_ms}!{number}",
        rule=rule.id,
        title=rule.title,
        order=order,
        nominal_ms=at_ms,
        latest_ms=min(at_ms + rule.patience_ms, asking.last_ms),
        duration_ms=asking.duration_ms,
        zones=staying,
        priority=rule.priority,
        blocked_zones=rule.blocked_zones,
        ends_by_ms=ends_by_ms,
        event=True,
        left_out=left_out,
        live_voice=live_voice,
    )


def events_for(
    venue: VenueFile,
    rule_id: str,
    *,
    at_ms: int,
    number: int,
    facts: Mapping[str, ClipFacts],
    zones: tuple[str, ...] | None = None,
    holds: Iterable[QuietSpan] = (),
    live_voice: bool = False,
) -> tuple[Occurrence, ...]:
    """What a press asks for: `event_for`, or with `together = false` one event a zone in service.

    Each of those takes its zone when it can; none is left out for a quiet window, it waits for its end like any
    play of one zone. Its id has "/ZONE" behind it. With no zone in service there is one event without zones.
    """
    _, rule = _rule(venue, rule_id)

    def event(asked: tuple[str, ...] | None) -> Occurrence:
        return event_for(
            venue,
            rule_id,
            at_ms=at_ms,
            number=number,
            facts=facts,
            zones=asked,
            holds=holds,
            live_voice=live_voice,
        )

    whole = event(zones)
    if rule.together or not whole.zones:
        return (whole,)
    in_service = {z.id for z in venue.zones if z.in_service}
    asked = venue.resolve(rule.zones if zones is None else zones)
    out = tuple(LeftOut(zone=z, reason="not in service") for z in asked if z not in in_service)
    return tuple(
        replace(whole, id=f"{whole.id}/{zone}", zones=(zone,), left_out=out)
        for zone in asked
        if zone in in_service
    )


def _rule(venue: VenueFile, rule_id: str) -> tuple[int, Rule]:
    for order, rule in enumerate(venue.rules):
        if rule.id == rule_id:
            return order, rule
    raise NotFound(f"rule is '{rule_id}', there is no such rule in {venue.venue.name}")


def outranks(event: Occurrence, sounding: Taken) -> bool:
    """Whether the event may cut it."""
    if sounding.live_voice and not event.live_voice:
        return False
    return event.priority > sounding.priority


def decide(
    venue: VenueFile, date: dt.date, facts: Mapping[str, ClipFacts], live: Live, event: Occurrence
) -> Decision:
    """Find the event its place now, and plan the rest of the day around it.

    What it outranks and still sounds at its start in a zone of its own is cut there FADE_MS earlier, so that the
    event starts when the fade has ended; what has not begun yet is cut before it begins. Everything else that
    sounds it waits for, until its latest start; for what has no end yet without a place, see `waits_until_ms`.
    """
    now_ms = live.now_ms
    asked = replace(live, events=(*(e for e in live.events if e.id != event.id), event))
    yielding = [t for t in live.taken if _end_ms(t) > now_ms and outranks(event, t) and _contested(t, event)]

    def planned(taken: tuple[Taken, ...]) -> tuple[Plan, Play | None]:
        plan = plan_day(venue, date, facts, live=replace(asked, taken=taken))
        return plan, next((p for p in plan.plays if p.id == event.id), None)

    soonest = {t: min(_end_ms(t), now_ms + FADE_MS) for t in yielding}
    plan, play = planned(_shortened(live.taken, event, soonest))
    for _ in range(_ROUNDS_OF_DOUBT):
        if play is None:
            break
        start_ms = play.start_ms
        cut = [t for t in yielding if _end_ms(t) > start_ms and t.start_ms < start_ms + event.duration_ms]
        if any(t.start_ms < now_ms for t in cut):
            start_ms = max(start_ms, now_ms + FADE_MS)
        plan, play = planned(_shortened(live.taken, event, dict.fromkeys(cut, start_ms)))
        if play is not None and play.start_ms == start_ms:
            at_ms = max(now_ms, start_ms - FADE_MS)
            cuts = tuple(Cut(id=t.id, zones=_contested(t, event), at_ms=at_ms) for t in cut)
            return Decision(plan=plan, play=play, cuts=cuts, reason=_words(play, cut, now_ms))
    if play is not None or yielding:  # nothing is cut for it; it waits like any other
        plan, play = planned(live.taken)
    if play is not None:
        return Decision(plan=plan, play=play, cuts=(), reason=_words(play, (), now_ms))
    reason = next((u.reason for u in plan.unplaced if u.id == event.id), "it has begun already")
    return Decision(plan=plan, play=None, cuts=(), reason=reason)


def _end_ms(taken: Taken) -> int:
    """When it ends as far as anyone knows: what is open-ended does not end by itself."""
    return FOR_EVER if taken.open_ended else taken.end_ms


def _contested(taken: Taken, event: Occurrence) -> tuple[str, ...]:
    return tuple(z for z in taken.zones if z in event.zones)


def _shortened(taken: Iterable[Taken], event: Occurrence, ends_ms: Mapping[Taken, int]) -> tuple[Taken, ...]:
    """What is taken when these plays end earlier in the zones they share with the event."""
    found: list[Taken] = []
    for t in taken:
        end_ms = ends_ms.get(t)
        if end_ms is None or end_ms >= _end_ms(t):
            found.append(t)
            continue
        shared = _contested(t, event)
        elsewhere = tuple(z for z in t.zones if z not in shared)
        if elsewhere:
            found.append(replace(t, zones=elsewhere))
        if end_ms > t.start_ms:
            found.append(replace(t, zones=shared, end_ms=end_ms, open_ended=False))
    return tuple(found)


def _words(play: Play, cut: Iterable[Taken], now_ms: int) -> str:
    titles = ", ".join(dict.fromkeys(f"'{t.title}'" for t in cut))
    when = "starts now" if play.start_ms - now_ms <= FADE_MS else f"starts in {span_words(play.start_ms - now_ms)}"
    if titles:
        return f"{when}; {titles} gives way"
    return when if when == "starts now" or play.reason == ON_TIME else f"{when}, {play.reason}"


def restart_for(
    venue: VenueFile, claim: Mapping[str, Any], end: Mapping[str, Any], facts: Mapping[str, ClipFacts]
) -> Occurrence | None:
    """`restart_of` for the log's two records of a play: what was claimed and how it ended.

    The zones that were cut start again together, counted from the first of them that was cut. None also for a
    rule that is no longer there.
    """
    cut = [z for z in end.get("per_zone") or () if z.get("outcome") == "cut"]
    rule_id, actual_ms = claim.get("rule"), end.get("actual_ms")
    if not cut or actual_ms is None or all(rule.id != rule_id for rule in venue.rules):
        return None
    ended_ms = [int(z["end_ms"]) for z in cut if z.get("end_ms") is not None] or [int(end["end_ms"])]
    return restart_of(
        venue,
        facts,
        cut_id=str(claim["id"]),
        rule_id=str(rule_id),
        nominal_ms=int(claim["nominal_ms"]),
        start_ms=int(actual_ms),
        length_ms=int(claim["planned_end_ms"]) - int(claim["planned_ms"]),
        cut_ms=max(int(actual_ms), min(ended_ms) - FADE_MS),
        zones=tuple(str(z["zone"]) for z in cut),
        event="!" in str(claim["id"]),
    )


def restart_of(
    venue: VenueFile,
    facts: Mapping[str, ClipFacts],
    *,
    cut_id: str,
    rule_id: str,
    nominal_ms: int,
    start_ms: int,
    length_ms: int,
    cut_ms: int,
    zones: tuple[str, ...],
    event: bool = False,
) -> Occurrence | None:
    """What a play that was cut in some zones becomes there: an occurrence to be placed, or None.

    nominal_ms, length_ms  of the play that was cut, as planned; it began at `start_ms`
    cut_ms                 when its fade began (or it crashed)
    event                  it was a person's, and keeps that right

    It starts within RESTART_WITHIN_MS of the cut, a rule that says a time not after its latest start. Rounds
    that were completed count, one heard to HEARD_ENOUGH is done; the chime sounds again. None when the rule says
    drop, nothing is left to play, its time is over or none of the zones is in service. What a person stopped is
    never given here.
    """
    order, rule = _rule(venue, rule_id)
    in_service = {z.id for z in venue.zones if z.in_service}
    staying = tuple(z for z in zones if z in in_service)
    rounds = _rounds_planned(rule, facts, length_ms)
    heard_ms = cut_ms - start_ms
    left = sum(heard_ms < r.start_ms + HEARD_ENOUGH * (r.end_ms - r.start_ms) for r in rounds)
    latest_ms = cut_ms + RESTART_WITHIN_MS
    if rule.says_time:
        latest_ms = min(latest_ms, nominal_ms + rule.patience_ms)
    if rule.when_cut == "drop" or left == 0 or latest_ms < cut_ms or not staying:
        return None
    return Occurrence(
        id=f"{cut_id}+1",
        rule=rule.id,
        title=rule.title,
        order=order,
        nominal_ms=cut_ms,
        latest_ms=latest_ms,
        duration_ms=play_length_ms(rule, facts, left),
        zones=staying,
        priority=rule.priority,
        blocked_zones=rule.blocked_zones,
        event=event,
        rounds=left,
    )


def _rounds_planned(rule: Rule, facts: Mapping[str, ClipFacts], length_ms: int) -> tuple[Span, ...]:
    """The rounds of a play of this length: one that was cut before may have fewer than the rule's."""
    for count in range(1, rule.repeat + 1):
        rounds = rounds_of(rule, facts, count)
        if rounds[-1].end_ms >= length_ms:
            return rounds
    return rounds_of(rule, facts)
