"""The plan of one operating day: rules in, plays with their ducks and reasons out.

A pure function of its inputs; the clock is `live.now_ms`, where there is one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence

from oyez.mixing.duck import DuckShape, corner_points
from oyez.planning.byhand import barred
from oyez.planning.ducking import Ducking
from oyez.planning.hours import OperatingDay
from oyez.planning.music import music_spans
from oyez.planning.occurrences import occurrences
from oyez.planning.place import Placed, place
from oyez.planning.quiet import by_zone, quiet_spans
from oyez.planning.time import day_span, operating_day
from oyez.planning.types import Live, Occurrence, Plan, Play, Unplaced
from oyez.venue.facts import ClipFacts
from oyez.venue.models import VenueFile

__all__ = ["day_span", "operating_day", "plan_day"]


def plan_day(venue: VenueFile, date: dt.date, facts: Mapping[str, ClipFacts], *, live: Live | None = None) -> Plan:
    """The plan of one operating day.

    facts  by clip id; the duration of every clip of a planned rule must be known
    live   what the running service knows: what is taken stays, nothing starts before `now_ms`
    Raises InputError for a date out of range, a clip of unknown duration, a rule with too many occurrences.
    """
    day = OperatingDay(venue, date)
    quiet = quiet_spans(day, live.holds if live else ())
    in_zone = by_zone(quiet)
    wanted, out = barred(venue, date, _wanted(occurrences(day, facts, in_zone), live), live)
    placement = place(
        venue,
        day.span,
        wanted,
        in_zone,
        taken=live.taken if live else (),
        not_before_ms=live.now_ms if live else None,
    )
    placed = placement.placed
    ducking = Ducking(venue, facts)
    place_of = {z.id: i for i, z in enumerate(venue.zones)}
    plays = [_play(venue, p, ducking) for p in placed if p.start_ms is not None]
    plays.sort(key=lambda p: (p.start_ms, p.order, p.nominal_ms, place_of[p.zones[0]], p.id))
    unplaced = [_unplaced(p) for p in placed if p.start_ms is None]
    unplaced += [_unplaced(Placed(occurrence=o, start_ms=None, reason=reason)) for o, reason in out]
    unplaced.sort(key=lambda u: (u.nominal_ms, u.order, [place_of[z] for z in u.zones[:1]], u.id))
    sets = ["venue", *(s.id for s in venue.hours_sets)]
    return Plan(
        venue=venue.venue.name,
        date=date,
        timezone=venue.venue.timezone,
        starts_ms=day.span.start_ms,
        ends_ms=day.span.end_ms,
        plays=tuple(plays),
        unplaced=tuple(unplaced),
        ducks=zone_ducks(venue, plays),
        music=music_spans(day, in_zone),
        quiet=quiet,
        open={name: day.opening(name).periods for name in sets},
        proven=placement.proven,
    )


def _wanted(found: Iterable[Occurrence], live: Live | None) -> list[Occurrence]:
    """What is still to be placed: without what is taken or done, with a person's events."""
    if live is None:
        return list(found)
    settled = live.done | {t.id for t in live.taken}
    return [o for o in (*found, *live.events) if o.id not in settled]


def _play(venue: VenueFile, placed: Placed, ducking: Ducking) -> Play:
    o, start_ms = placed.occurrence, placed.start_ms
    assert start_ms is not None
    rule = venue.rules[o.order]
    return Play(
        id=o.id,
        rule=o.rule,
        title=o.title,
        order=o.order,
        nominal_ms=o.nominal_ms,
        start_ms=start_ms,
        end_ms=start_ms + o.duration_ms,
        latest_ms=o.latest_ms,
        zones=o.zones,
        priority=o.priority,
        chime=rule.chime,
        clips=rule.clips,
        reason=placed.reason,
        left_out=o.left_out,
        ducks={zone: ducking.of(rule, zone) for zone in o.zones},
        event=o.event,
        live_voice=o.live_voice,
        rounds=o.rounds,
        obstacles=placed.obstacles,
    )


def _unplaced(placed: Placed) -> Unplaced:
    o = placed.occurrence
    return Unplaced(
        id=o.id,
        rule=o.rule,
        title=o.title,
        order=o.order,
        nominal_ms=o.nominal_ms,
        zones=o.zones,
        priority=o.priority,
        reason=placed.reason,
        left_out=o.left_out,
        obstacles=placed.obstacles,
        waits_until_ms=placed.waits_until_ms,
    )


def zone_ducks(venue: VenueFile, plays: Sequence[Play]) -> dict[str, tuple[tuple[int, float], ...]]:
    """The music gain's corner points (ms, dB) of every zone that has plays, in the file's order of zones."""
    shapes: dict[str, list[DuckShape]] = {}
    for play in plays:
        for zone, duck in play.ducks.items():
            shapes.setdefault(zone, []).append(
                DuckShape(
                    start_ms=play.start_ms,
                    end_ms=play.end_ms,
                    depth_db=duck.depth_db,
                    fall_ms=duck.fall_ms,
                    hold_ms=duck.hold_ms,
                    rise_ms=duck.rise_ms,
                    bridge_ms=duck.bridge_ms,
                )
            )
    return {z.id: corner_points(shapes[z.id]) for z in venue.zones if z.id in shapes}
