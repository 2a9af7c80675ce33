"""What the calendar shows to be doubtful: calls while closed, and two rules that say the same at the same time.

Looks at days from `today` on without planning them. Work is counted in days and pairs, never in time.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import combinations, islice
from zoneinfo import ZoneInfo

from oyez.errors import Fault, InputError
from oyez.planning.hours import OperatingDay
from oyez.planning.occurrences import nominals
from oyez.planning.time import LAST_DATE, to_local
from oyez.venue.models import Fixed, Rule, VenueFile
from oyez.venue.units import Anchor, read_time

LOOKED_DAYS = 14
CLOSED_DAYS = 400
MAX_LOOKS = 20_000  # rules times days looked at for calls while closed
MAX_PAIRS = 5_000  # pairs of rules of the same words that are held against each other
STAFF_MS = 2 * 3_600_000  # common practice: staff are in up to two hours before opening and after closing
SAME_TIME_MS = 60_000  # common practice: what is said again within a minute was said twice


def _warning(entry: str, message: str, code: str) -> Fault:
    return Fault(entry=entry, message=message, code=code, level="warning")


# ---- while closed


def closed_doubts(venue: VenueFile, today: dt.date) -> Iterator[Fault]:
    """Rules by the clock that fire when their hours are shut, beyond STAFF_MS of any opening."""
    rules = [by_clock for rule in venue.rules if (by_clock := _by_clock(venue, rule)) is not None]
    if not rules:
        return
    days = min(CLOSED_DAYS, max(7, MAX_LOOKS // len(rules)))
    first: dict[str, tuple[OperatingDay, int]] = {}
    count: dict[str, int] = defaultdict(int)
    for ahead in range(days):
        date = today + dt.timedelta(days=ahead)
        if date > LAST_DATE:
            break
        day = OperatingDay(venue, date)
        for rule in rules:
            periods = day.opening(rule.hours).periods
            for at_ms in _instants(day, rule):
                if all(at_ms < p.start_ms - STAFF_MS or at_ms > p.end_ms + STAFF_MS for p in periods):
                    first.setdefault(rule.id, (day, at_ms))
                    count[rule.id] += 1
    for rule_id, (day, at_ms) in first.items():
        times = "once" if count[rule_id] == 1 else f"{count[rule_id]} times"
        message = (
            f"fires while closed, {times} in the next {days} days, first on {day_words(day.zone, at_ms)}: give it "
            "open_only = true, leave those dates out, or give it hours of its own"
        )
        yield _warning(f"rule '{rule_id}'", message, "fires-while-closed")


def _by_clock(venue: VenueFile, rule: Rule) -> Rule | None:
    """The rule with its clock times alone; None where opening and closing are asked after already."""
    if rule.open_only or (rule.hours == "venue" and venue.hours is None):
        return None
    if rule.interval is not None:
        edges = (rule.interval.start, rule.interval.end)
        return None if any(isinstance(read_time(text), Anchor) for text in edges) else rule
    if rule.fixed is None or rule.fixed.rrule is not None:
        return rule if rule.fixed is not None else None
    clocks = tuple(text for text in rule.fixed.times if not isinstance(read_time(text), Anchor))
    fixed: Fixed = rule.fixed.model_copy(update={"times": clocks})
    return rule.model_copy(update={"fixed": fixed}) if clocks else None


def _instants(day: OperatingDay, rule: Rule) -> list[int]:
    try:
        return [n.at_ms for n in nominals(day, rule)]
    except InputError:
        return []  # too many a day, or a rule that cannot be read: told elsewhere


def day_words(zone: ZoneInfo, at_ms: int) -> str:
    """A local time with its day: "Friday 2026-12-25 at 09:35"."""
    local = to_local(zone, at_ms)
    return f"{local:%A} {local:%Y-%m-%d} at {local:%H:%M}"


# ---- said twice


def double_doubts(venue: VenueFile, today: dt.date) -> Iterator[Fault]:
    """Two rules of the same words in a zone they share, at the same time."""
    alike: dict[tuple[str, ...], list[Rule]] = defaultdict(list)
    for rule in venue.rules:
        if rule.fixed is not None or rule.interval is not None:
            alike[rule.clips].append(rule)
            alike["", rule.title.casefold()].append(rule)
    alike_pairs = (pair for rules in alike.values() for pair in combinations(rules, 2))
    pairs = {(a.id, b.id): (a, b) for a, b in islice(alike_pairs, MAX_PAIRS)}
    waiting = {
        names: (*pair, shared)
        for names, pair in pairs.items()
        if (shared := [z for z in venue.resolve(pair[0].zones) if z in venue.resolve(pair[1].zones)])
    }
    names_of = {z.id: z.name for z in venue.zones}
    for ahead in range(LOOKED_DAYS):
        date = today + dt.timedelta(days=ahead)
        if not waiting or date > LAST_DATE:
            break
        day = OperatingDay(venue, date)
        times: dict[str, list[int]] = {}
        for key, (a, b, shared) in list(waiting.items()):
            for rule in (a, b):
                if rule.id not in times:
                    times[rule.id] = _instants(day, rule)
            met = _meeting(times[a.id], times[b.id])
            if met is not None:
                del waiting[key]
                message = (
                    f"says the same as rule '{a.id}' in {names_of[shared[0]]} at the same time, first on "
                    f"{day_words(day.zone, met)}"
                )
                yield _warning(f"rule '{b.id}'", message, "said-twice")


def _meeting(one: Sequence[int], other: Sequence[int]) -> int | None:
    """The first time at which two ascending lists come within SAME_TIME_MS of each other."""
    i = j = 0
    while i < len(one) and j < len(other):
        if abs(one[i] - other[j]) <= SAME_TIME_MS:
            return min(one[i], other[j])
        i, j = (i + 1, j) if one[i] < other[j] else (i, j + 1)
    return None
