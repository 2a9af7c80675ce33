"""Plans a day around what cannot sound: a rule whose clip is gone takes no zone from others, and is listed.

There is never a chime without its words: one clip that is gone takes the whole play with it. Computes only.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Mapping

from oyez.planning.day import plan_day
from oyez.planning.live import decide
from oyez.planning.types import Decision, Live, Occurrence, Plan, Play, Unplaced
from oyez.venue.facts import ClipFacts
from oyez.venue.models import Rule, VenueFile

_SOME_MS = 1_000  # stands in for a duration nobody knows; what is given it never gets a place


def gone_reason(rule: Rule, gone: Mapping[str, str]) -> str | None:
    """Why the rule cannot sound, None when it can. `gone`: clip -> in words what is wrong with it."""
    wanted = dict.fromkeys([rule.chime, *rule.clips] if rule.chime else rule.clips)
    found = [gone[clip] for clip in wanted if clip in gone]
    return "; ".join(found) or None


def decide_around(
    venue: VenueFile,
    day: dt.date,
    facts: Mapping[str, ClipFacts],
    gone: Mapping[str, str],
    *,
    live: Live,
    event: Occurrence,
) -> Decision:
    """`planning.live.decide` among the rules that can sound; the event's own must be one of them."""
    rules = tuple(r for r in venue.rules if gone_reason(r, gone) is None)
    sound = venue.model_copy(update={"rules": rules})
    order = next(number for number, rule in enumerate(rules) if rule.id == event.rule)
    return decide(sound, day, facts, _for_rules(sound, live), dataclasses.replace(event, order=order))


def _for_rules(venue: VenueFile, live: Live) -> Live:
    """Its events with their rule's place in this venue; those of other rules are left out."""
    place = {rule.id: number for number, rule in enumerate(venue.rules)}
    events = tuple(dataclasses.replace(e, order=place[e.rule]) for e in live.events if e.rule in place)
    return dataclasses.replace(live, events=events)


def plan_around(
    venue: VenueFile,
    day: dt.date,
    facts: Mapping[str, ClipFacts],
    gone: Mapping[str, str],
    *,
    live: Live | None = None,
) -> Plan:
    """`planning.day.plan_day` of the rules that can sound; the others' occurrences are listed without a place."""
    reasons = {rule.id: reason for rule in venue.rules if (reason := gone_reason(rule, gone)) is not None}
    if not reasons:
        return plan_day(venue, day, facts, live=None if live is None else _for_rules(venue, live))
    order = {rule.id: place for place, rule in enumerate(venue.rules)}
    sound = venue.model_copy(update={"rules": tuple(r for r in venue.rules if r.id not in reasons)})
    silent = venue.model_copy(update={"rules": tuple(r for r in venue.rules if r.id in reasons)})
    plan = plan_day(sound, day, facts, live=None if live is None else _for_rules(sound, live))
    known = {**{clip: ClipFacts(duration_ms=_SOME_MS) for clip in gone}, **facts}
    only_done = None if live is None else dataclasses.replace(live, taken=(), events=())
    lost = plan_day(silent, day, known, live=only_done)
    silent_ones: list[Play | Unplaced] = [*lost.plays, *lost.unplaced]
    unplaced = [
        Unplaced(
            id=one.id,
            rule=one.rule,
            title=one.title,
            order=order[one.rule],
            nominal_ms=one.nominal_ms,
            zones=one.zones,
            priority=one.priority,
            reason=reasons[one.rule],
            left_out=one.left_out,
        )
        for one in silent_ones
    ]
    return dataclasses.replace(
        plan,
        plays=tuple(dataclasses.replace(p, order=order.get(p.rule, p.order)) for p in plan.plays),
        unplaced=tuple(
            sorted(
                [*(dataclasses.replace(u, order=order.get(u.rule, u.order)) for u in plan.unplaced), *unplaced],
                key=lambda u: (u.nominal_ms, u.order, u.id),
            )
        ),
    )
