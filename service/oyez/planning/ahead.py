"""Looking ahead: a rule's next times while it is typed, and what saving it would do to the days to come.

Pure; looks at no clock. A rule that never fires costs MAX_DAYS days looked at, and no more.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from oyez.errors import InputError
from oyez.planning.compare import Difference, compare, newly_lost
from oyez.planning.day import operating_day, plan_day
from oyez.planning.hours import OperatingDay
from oyez.planning.occurrences import nominals
from oyez.planning.recurrence import HOURLY, between, read_rrule
from oyez.planning.time import LAST_DATE
from oyez.planning.types import Plan, Unplaced
from oyez.venue.facts import ClipFacts
from oyez.venue.models import Rule, VenueFile

MAX_DAYS = 4_000  # eleven years: ten times of a yearly rule
_CHUNK_DAYS = 400
Planner = Callable[[VenueFile, dt.date], Plan]


@dataclass(frozen=True, slots=True, kw_only=True)
class NextTime:
    """One coming nominal start, and the operating day it belongs to."""

    at_ms: int
    date: dt.date


def next_times(venue: VenueFile, rule: Rule, from_ms: int, count: int = 10) -> tuple[NextTime, ...]:
    """The rule's next nominal starts at or after an instant, at most `count`; fewer where it gives no more.

    rule  need not be one of the venue's: it may be typed just now. A manual rule has none.
    Raises InputError for an RRULE that cannot be read, more occurrences a day than allowed.
    """
    found: list[NextTime] = []
    if rule.fixed is None and rule.interval is None:
        return ()
    first = operating_day(venue, from_ms)
    for date in _dates(rule, first):
        day = OperatingDay(venue, date)
        found += [NextTime(at_ms=n.at_ms, date=date) for n in nominals(day, rule) if n.at_ms >= from_ms]
        if len(found) >= count:
            break
    return tuple(sorted(found, key=lambda n: n.at_ms)[:count])


def _dates(rule: Rule, first: dt.date) -> Iterator[dt.date]:
    """Operating days on which the rule could fire, ascending, up to MAX_DAYS ahead."""
    last = min(LAST_DATE, first + dt.timedelta(days=min(MAX_DAYS, (LAST_DATE - first).days)))
    if rule.fixed is not None and rule.fixed.rrule is not None:
        yield from _recurring_dates(rule, first, last)
        return
    when = rule.fixed or rule.interval
    assert when is not None
    date = first if when.from_date is None else max(first, when.from_date)
    if when.until_date is not None:
        last = min(last, when.until_date)
    while date <= last:
        yield date
        date += dt.timedelta(days=1)


def _recurring_dates(rule: Rule, first: dt.date, last: dt.date) -> Iterator[dt.date]:
    """Days near an instance: a whole stretch is unfolded at once, so that a yearly rule costs years, not days."""
    fixed = rule.fixed
    assert fixed is not None
    assert fixed.rrule is not None
    if fixed.dtstart is None:
        raise InputError(f"rule '{rule.id}': has an rrule without dtstart, give it one like 2026-11-06T20:00:00")
    try:
        recurrence = read_rrule(fixed.rrule)
    except ValueError as error:
        raise InputError(f"rule '{rule.id}': rrule {error}") from None
    one = dt.timedelta(days=1)
    start, done = first, first
    while start <= last:
        end = min(last, start + dt.timedelta(days=_CHUNK_DAYS if recurrence.frequency < HOURLY else 1))
        low, high = (dt.datetime.combine(d, dt.time()) for d in (start - one, end + one))
        walls = {wall.date() for wall in between(recurrence, fixed.dtstart, low, high)}
        walls |= {wall.date() for wall in fixed.rdates if low <= wall < high}
        near = {wall + dt.timedelta(days=n) for wall in walls for n in (-1, 0, 1)}
        for date in sorted(d for d in near if done <= d <= min(end, last)):
            yield date
            done = date + one
        start = end + one
        done = max(done, start)


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflicts:
    """What a rule, new or changed, does to the days looked at.

    lost         its own occurrences without a place
    late         its own plays that start later than they ask for; `before_ms` is the nominal start
    others       what changes for the plays of other rules
    others_lost  occurrences of other rules that lose their place to it
    """

    days: int
    lost: tuple[Unplaced, ...]
    late: tuple[Difference, ...]
    others: tuple[Difference, ...]
    others_lost: tuple[Unplaced, ...]


def with_rule(venue: VenueFile, rule: Rule) -> VenueFile:
    """The venue with the rule in the place of the one of its id, or at the end."""
    if any(r.id == rule.id for r in venue.rules):
        return venue.model_copy(update={"rules": tuple(rule if r.id == rule.id else r for r in venue.rules)})
    return venue.model_copy(update={"rules": (*venue.rules, rule)})


def conflicts(
    venue: VenueFile,
    rule: Rule,
    facts: Mapping[str, ClipFacts],
    from_date: dt.date,
    days: int = 7,
    *,
    planner: Planner | None = None,
) -> Conflicts:
    """What saving the rule would do on `days` operating days from `from_date` on.

    facts    by clip id, as for `plan_day`
    planner  plans a venue's day; default `plan_day` with these facts
    """
    plan_of = planner or (lambda of, date: plan_day(of, date, facts))
    after_venue = with_rule(venue, rule)
    lost: list[Unplaced] = []
    late: list[Difference] = []
    others: list[Difference] = []
    others_lost: list[Unplaced] = []
    for ahead in range(days):
        date = from_date + dt.timedelta(days=ahead)
        if date > LAST_DATE:
            break
        before, after = plan_of(venue, date), plan_of(after_venue, date)
        lost += [u for u in after.unplaced if u.rule == rule.id]
        late += [
            Difference(
                kind="moved",
                date=date,
                rule=p.rule,
                title=p.title,
                priority=p.priority,
                zones=p.zones,
                before_ms=p.nominal_ms,
                after_ms=p.start_ms,
                reason=p.reason,
            )
            for p in after.plays
            if p.rule == rule.id and p.start_ms > p.nominal_ms
        ]
        others += [d for d in compare(before, after) if d.rule != rule.id]
        others_lost += [u for u in newly_lost(before, after) if u.rule != rule.id]
    return Conflicts(
        days=days, lost=tuple(lost), late=tuple(late), others=tuple(others), others_lost=tuple(others_lost)
    )
