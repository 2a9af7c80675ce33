"""Venues for the tests, said in a few words, and an independent check that a plan breaks no rule."""

from __future__ import annotations

import datetime as dt
import itertools
from zoneinfo import ZoneInfo

from oyez.planning.day import plan_day
from oyez.planning.types import Plan
from oyez.venue.facts import ClipFacts
from oyez.venue.models import Rule, VenueFile
from oyez.venue.units import to_ms

FRIDAY = dt.date(2026, 11, 27)
LONDON = ZoneInfo("Europe/London")
HOUR_MS = 3_600_000
WEEK = ("mo", "tu", "we", "th", "fr", "sa", "su")


def every_day(*periods: str) -> dict[str, list[str]]:
    return {day: list(periods) for day in WEEK}


def rule(name: str, *, length_s: float = 10.0, zones=("foyer",), priority: int = 40, **more) -> dict:
    """A rule with a clip of its own of that length; `at` is short for fixed times."""
    at = more.pop("at", None)
    if at is not None:
        more["fixed"] = {"times": [at] if isinstance(at, str) else list(at)}
    return {
        "id": name, "title": name, "clips": [f"{name}-clip"], "zones": list(zones), "priority": priority,
        "_length_s": length_s, **more,
    }  # fmt: skip


def venue(*rules: dict, zones=("foyer", "theatre", "cafe"), gap_s: float = 3.0, **parts) -> VenueFile:
    """A venue in London with these rules. Zones are ids or whole entries; `venue` may override its settings."""
    written = [dict(r) for r in rules]
    lengths = {r["id"]: r.pop("_length_s") for r in written}
    clips = [
        {"id": f"{name}-clip", "file": f"{name}.wav", "title": name, "duration_ms": to_ms(length)}
        for name, length in lengths.items()
    ]
    settings = {"name": "Quillfin Aquarium", "timezone": "Europe/London", "gap_s": gap_s} | parts.pop("venue", {})
    tree = {
        "format": 1,
        "venue": settings,
        "duck": {"depth_db": 12.0},
        "zones": [z if isinstance(z, dict) else {"id": z, "name": z.title()} for z in zones],
        "clips": clips + parts.pop("clips", []),
        "rules": written,
        **parts,
    }
    return VenueFile.model_validate(tree)


def facts_of(v: VenueFile) -> dict[str, ClipFacts]:
    return {c.id: ClipFacts(duration_ms=c.duration_ms) for c in v.clips}


def plan(v: VenueFile, date: dt.date = FRIDAY, **more) -> Plan:
    return plan_day(v, date, facts_of(v), **more)


def at(text: str, *, zone: ZoneInfo = LONDON, date: dt.date = FRIDAY) -> int:
    """ "13:30" or "13:30:05" of a calendar date, in ms of UTC; "+1 01:30" is the next date."""
    days, _, clock = text.rpartition(" ")
    parts = [int(p) for p in clock.split(":")]
    wall = dt.datetime.combine(date + dt.timedelta(days=int(days or 0)), dt.time(*parts), tzinfo=zone)
    return int(wall.timestamp()) * 1000


def starts(p: Plan, name: str, *, zone: ZoneInfo = LONDON) -> list[str]:
    """Local start times of a rule's plays, to the millisecond where there are some."""
    found = []
    for play in p.plays:
        if play.rule == name:
            local = dt.datetime.fromtimestamp(play.start_ms // 1000, tz=zone)
            rest = play.start_ms % 1000
            found.append(f"{local:%H:%M:%S}" + (f".{rest:03d}" if rest else ""))
    return found


def lost(p: Plan, name: str) -> list:
    return [u for u in p.unplaced if u.rule == name]


def broken(v: VenueFile, p: Plan) -> list[str]:
    """Every rule of "Who gets the zone" that the plan breaks, in words. Written apart from the planner."""
    found = []
    rules: dict[str, Rule] = {r.id: r for r in v.rules}
    gap_ms = to_ms(v.venue.gap_s)
    for play in p.plays:
        if play.start_ms < play.nominal_ms:
            found.append(f"{play.id} starts early")
        if play.start_ms > min(play.nominal_ms + rules[play.rule].patience_ms, p.ends_ms - 1):
            found.append(f"{play.id} starts after its latest start")
        if rules[play.rule].open_only and p.open[rules[play.rule].hours]:
            within = any(
                o.start_ms <= play.nominal_ms < o.end_ms and play.end_ms <= o.end_ms
                for o in p.open[rules[play.rule].hours]
            )
            if not within:
                found.append(f"{play.id} is not inside its opening period")
        found += [
            f"{play.id} sounds in {quiet.label} of {quiet.zone}"
            for quiet in p.quiet
            if quiet.zone in play.zones
            and quiet.min_priority > play.priority
            and play.start_ms < quiet.end_ms
            and quiet.start_ms < play.end_ms
        ]
    for zone in v.zones:
        there = sorted((q for q in p.plays if zone.id in q.zones), key=lambda q: q.start_ms)
        if there and not zone.in_service:
            found.append(f"{zone.id} is out of service and has plays")
        for a, b in itertools.pairwise(there):
            if b.start_ms < a.end_ms + gap_ms:
                found.append(f"{a.id} and {b.id} are too close in {zone.id}")
        if v.limits.max_per_hour is not None:
            capped = [q.start_ms for q in there if q.priority < v.limits.cap_below]
            n = v.limits.max_per_hour
            found += [
                f"more than {n} starts within an hour in {zone.id}"
                for i in range(len(capped) - n)
                if capped[i + n] - capped[i] < HOUR_MS
            ]
    return found
