"""Rules to occurrences: the instants of one operating day at which each rule asks for its zones.

Whole milliseconds of UTC. Which zones take part is decided here, once, at the nominal time: those not in service
never do, and those with a quiet window over the nominal play are left out where the rule says so.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from oyez.errors import InputError
from oyez.planning.hours import OperatingDay
from oyez.planning.length import play_length_ms
from oyez.planning.recurrence import between, read_rrule
from oyez.planning.time import to_local, to_utc_ms
from oyez.planning.types import LeftOut, Occurrence, QuietSpan
from oyez.venue.facts import ClipFacts
from oyez.venue.models import Fixed, Interval, Rule
from oyez.venue.units import to_ms

MAX_A_DAY = 20_000  # occurrences of one rule; more is a slip of the pen, and would cost seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class Nominal:
    """A nominal start. `ends_by_ms`: the play must have ended by then (open_only)."""

    at_ms: int
    ends_by_ms: int | None = None


def nominals(day: OperatingDay, rule: Rule) -> tuple[Nominal, ...]:
    """The rule's nominal starts on this day, ascending, each instant once.

    Raises InputError when there are more than MAX_A_DAY or the RRULE cannot be read.
    """
    instants: list[int] = []
    if rule.fixed is not None:
        instants = _fixed(day, rule, rule.fixed)
    elif rule.interval is not None:
        instants = _interval(day, rule, rule.interval)
    found = sorted(set(instants))
    if len(found) > MAX_A_DAY:
        raise too_many(day, rule)
    if rule.open_only:
        opening = day.opening(rule.hours)
        if not opening.always:
            return tuple(
                Nominal(at_ms=at_ms, ends_by_ms=period.end_ms)
                for at_ms in found
                for period in opening.periods
                if period.start_ms <= at_ms < period.end_ms
            )
    return tuple(Nominal(at_ms=at_ms) for at_ms in found)


def too_many(day: OperatingDay, rule: Rule) -> InputError:
    return InputError(
        f"rule '{rule.id}': gives more than {MAX_A_DAY} occurrences on {day.date}, allowed are {MAX_A_DAY} a day"
    )


def _fixed(day: OperatingDay, rule: Rule, fixed: Fixed) -> list[int]:
    if fixed.rrule is not None:
        return _recurring(day, rule, fixed)
    if not day.holds(fixed.days, fixed.from_date, fixed.until_date, fixed.except_dates, fixed.on_holidays):
        return []
    return [at_ms for text in fixed.times for at_ms in day.instants(text, rule.hours)]


def _recurring(day: OperatingDay, rule: Rule, fixed: Fixed) -> list[int]:
    """The RRULE is of the calendar; its instants are sorted into operating days afterwards."""
    assert fixed.rrule is not None
    if fixed.dtstart is None:
        raise InputError(f"rule '{rule.id}': has an rrule without dtstart, give it one like 2026-11-06T20:00:00")
    start = fixed.dtstart
    if start.tzinfo is not None:
        start = start.astimezone(day.zone).replace(tzinfo=None)
    try:
        recurrence = read_rrule(fixed.rrule)
    except ValueError as error:
        raise InputError(f"rule '{rule.id}': rrule {error}") from None
    span, last_ms = day.span, None
    if fixed.on_holidays is not None and fixed.on_holidays != day.holiday:
        return []
    taken_out = {to_utc_ms(day.zone, wall) for wall in fixed.exdates}
    if recurrence.until is not None and recurrence.until_utc:
        last_ms = int(recurrence.until.replace(tzinfo=dt.UTC).timestamp()) * 1000
    # A gap moves a local time by its own length, at most a day (a zone that changed sides of the date line).
    low = to_local(day.zone, span.start_ms).replace(tzinfo=None) - dt.timedelta(days=1)
    high = to_local(day.zone, span.end_ms).replace(tzinfo=None) + dt.timedelta(days=1)
    found: list[int] = []
    for wall in between(recurrence, start, low, high):
        at_ms = to_utc_ms(day.zone, wall)
        if span.start_ms <= at_ms < span.end_ms and (last_ms is None or at_ms <= last_ms):
            found.append(at_ms)
            if len(found) > 2 * MAX_A_DAY:
                raise too_many(day, rule)
    added = (to_utc_ms(day.zone, wall) for wall in fixed.rdates)
    found.extend(at_ms for at_ms in added if span.start_ms <= at_ms < span.end_ms)
    # RFC 5545 section 3.8.5.1: what EXDATE names is taken out of what RRULE and RDATE give together.
    return [at_ms for at_ms in found if at_ms not in taken_out]


def _interval(day: OperatingDay, rule: Rule, interval: Interval) -> list[int]:
    if not day.holds(
        interval.days, interval.from_date, interval.until_date, interval.except_dates, interval.on_holidays
    ):
        return []
    step_ms = max(1, to_ms(interval.every_min * 60.0))
    found: list[int] = []
    for window in day.windows(interval.start, interval.end, rule.hours):
        if (window.end_ms - window.start_ms) // step_ms > MAX_A_DAY:
            raise too_many(day, rule)
        found.extend(range(window.start_ms, window.end_ms + 1, step_ms))
    return found


def occurrences(
    day: OperatingDay,
    facts: Mapping[str, ClipFacts],
    quiet: Mapping[str, Sequence[QuietSpan]],
) -> Iterator[Occurrence]:
    """Every occurrence of the day, rule by rule in the file's order. `quiet`: the day's spans by zone."""
    for order, rule in enumerate(day.venue.rules):
        if rule.fixed is None and rule.interval is None:
            continue
        starts = nominals(day, rule)
        if not starts:
            continue
        asking = Asking.of(day, rule, order, facts)
        for nominal in starts:
            yield from asking.at(nominal, quiet)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asking:
    """What all occurrences of one rule have in common."""

    rule: Rule
    order: int
    duration_ms: int
    zones: tuple[str, ...]
    out_of_service: tuple[LeftOut, ...]
    last_ms: int  # latest start the day itself allows

    @staticmethod
    def of(day: OperatingDay, rule: Rule, order: int, facts: Mapping[str, ClipFacts]) -> Asking:
        in_service = {z.id for z in day.venue.zones if z.in_service}
        asked = day.venue.resolve(rule.zones)
        return Asking(
            rule=rule,
            order=order,
            duration_ms=play_length_ms(rule, facts),
            zones=tuple(z for z in asked if z in in_service),
            out_of_service=tuple(LeftOut(zone=z, reason="not in service") for z in asked if z not in in_service),
            last_ms=day.span.end_ms - 1,
        )

    def at(self, nominal: Nominal, quiet: Mapping[str, Sequence[QuietSpan]]) -> Iterator[Occurrence]:
        """The rule's occurrence at one nominal start; zone by zone, one a zone."""
        name = f"{self.rule.id}@{nominal.at_ms}"
        if not self.rule.together and self.zones:
            for zone in self.zones:
                yield self._one(f"{name}/{zone}", nominal, (zone,), self.out_of_service)
            return
        zones, left_out = self.zones, self.out_of_service
        if self.rule.blocked_zones == "leave_out" and len(zones) > 1:
            zones, blocked = leave_out(
                zones, self.rule.priority, nominal.at_ms, nominal.at_ms + self.duration_ms, quiet
            )
            left_out = (*left_out, *blocked)
        yield self._one(name, nominal, zones, left_out)

    def _one(
        self, name: str, nominal: Nominal, zones: tuple[str, ...], left_out: tuple[LeftOut, ...]
    ) -> Occurrence:
        rule = self.rule
        return Occurrence(
            id=name,
            rule=rule.id,
            title=rule.title,
            order=self.order,
            nominal_ms=nominal.at_ms,
            latest_ms=min(nominal.at_ms + rule.patience_ms, self.last_ms),
            duration_ms=self.duration_ms,
            zones=zones,
            priority=rule.priority,
            blocked_zones=rule.blocked_zones,
            ends_by_ms=nominal.ends_by_ms,
            left_out=left_out,
        )


def leave_out(
    zones: tuple[str, ...],
    priority: int,
    start_ms: int,
    end_ms: int,
    quiet: Mapping[str, Sequence[QuietSpan]],
) -> tuple[tuple[str, ...], tuple[LeftOut, ...]]:
    """Zones that stay, and those in which a quiet window touches the play; where none would stay, all do."""
    blocked: dict[str, str] = {}
    for zone in zones:
        for span in quiet.get(zone, ()):
            if span.min_priority > priority and span.start_ms < end_ms and start_ms < span.end_ms:
                blocked[zone] = span.label
                break
    if not blocked or len(blocked) == len(zones):
        return zones, ()
    return (
        tuple(z for z in zones if z not in blocked),
        tuple(LeftOut(zone=z, reason=why) for z, why in blocked.items()),
    )
