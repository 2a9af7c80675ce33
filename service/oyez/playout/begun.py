"""Puts what has begun, and what was given up, back into the day's plan, so that it shows the whole day.

Planning leaves out what it may not change any more; people want to see it where it was. Computes only.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping

from oyez.planning.day import zone_ducks
from oyez.planning.ducking import Ducking
from oyez.planning.types import LeftOut, Plan, Play, Unplaced, ZoneDuck
from oyez.store.log_entries import LogEntry
from oyez.venue.facts import ClipFacts
from oyez.venue.models import Rule, VenueFile


def whole_day(plan: Plan, entries: Iterable[LogEntry], venue: VenueFile, facts: Mapping[str, ClipFacts]) -> Plan:
    """The plan with the day's log entries as plays (begun) or without a place (not sent)."""
    order = {rule.id: number for number, rule in enumerate(venue.rules)}
    rules = {rule.id: rule for rule in venue.rules}
    ducking = Ducking(venue, facts)
    planned = {play.id for play in plan.plays}
    plays, unplaced = list(plan.plays), {one.id: one for one in plan.unplaced}
    for entry in entries:
        if not plan.starts_ms <= entry.nominal_ms < plan.ends_ms or entry.id in planned:
            continue
        place = order.get(entry.rule or "", len(order))
        unplaced.pop(entry.id, None)
        if entry.outcome == "not_sent" or entry.planned_ms is None:
            unplaced[entry.id] = _unplaced(entry, place)
        else:
            plays.append(_play(entry, place, rules.get(entry.rule or ""), ducking))
    plays.sort(key=lambda p: (p.start_ms, p.order, p.nominal_ms, p.id))
    return dataclasses.replace(
        plan,
        plays=tuple(plays),
        unplaced=tuple(sorted(unplaced.values(), key=lambda u: (u.nominal_ms, u.order, u.id))),
        ducks=zone_ducks(venue, plays),
    )


def _play(entry: LogEntry, order: int, rule: Rule | None, ducking: Ducking) -> Play:
    assert entry.planned_ms is not None
    start_ms = entry.actual_ms if entry.actual_ms is not None else entry.planned_ms
    end_ms = entry.end_ms if entry.end_ms is not None else entry.planned_end_ms
    clips = tuple(dict.fromkeys(clip for clip, _ in entry.clips))
    chime = rule.chime if rule and rule.chime in clips else None
    return Play(
        id=entry.id,
        rule=entry.rule or "",
        title=entry.title,
        order=order,
        nominal_ms=entry.nominal_ms,
        start_ms=start_ms,
        end_ms=max(start_ms, end_ms if end_ms is not None else start_ms),
        latest_ms=max(entry.nominal_ms, entry.planned_ms),
        zones=entry.zones,
        priority=entry.priority or 0,
        chime=chime,
        clips=tuple(clip for clip in clips if clip != chime),
        reason=entry.reason or "on time",
        left_out=_left_out(entry),
        ducks=_ducks(entry, rule, ducking),
        event=entry.asked_by not in {None, "plan"},
    )


def _ducks(entry: LogEntry, rule: Rule | None, ducking: Ducking) -> dict[str, ZoneDuck]:
    """The ramps are the rule's as it stands now, the depth is the one that was played."""
    if rule is None:
        return {}
    found = {}
    for zone in entry.per_zone:
        try:
            duck = ducking.of(rule, zone.zone)
        except KeyError:  # the zone or the clip is no longer in the venue
            continue
        depth_db = duck.depth_db if zone.duck_depth_db is None else zone.duck_depth_db
        found[zone.zone] = dataclasses.replace(duck, depth_db=depth_db)
    return found


def _unplaced(entry: LogEntry, order: int) -> Unplaced:
    return Unplaced(
        id=entry.id,
        rule=entry.rule or "",
        title=entry.title,
        order=order,
        nominal_ms=entry.nominal_ms,
        zones=entry.zones,
        priority=entry.priority or 0,
        reason=entry.reason,
        left_out=_left_out(entry),
    )


def _left_out(entry: LogEntry) -> tuple[LeftOut, ...]:
    return tuple(LeftOut(zone=zone, reason=reason) for zone, reason in entry.left_out)
