"""What a venue says that is legal but does nothing, or hardly what was meant. Refuses nothing; looks at no clock.

Looks HORIZON_DAYS ahead. Days are looked at once for all rules; a rule is done as soon as it has fired.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence

from oyez.errors import Fault, InputError
from oyez.planning.calendar_doubts import closed_doubts, double_doubts
from oyez.planning.doubts import message_doubts
from oyez.planning.forecast import plan_doubts
from oyez.planning.hours import OperatingDay
from oyez.planning.occurrences import nominals
from oyez.planning.recurrence import MAX_COUNT_STEPS, counts_too_far, read_rrule
from oyez.planning.time import LAST_DATE
from oyez.venue.facts import ClipFacts
from oyez.venue.models import Quiet, Rule, VenueFile

HORIZON_DAYS = 400


def find_warnings(
    venue: VenueFile, *, today: dt.date, facts: Mapping[str, ClipFacts] | None = None
) -> tuple[Fault, ...]:
    """Everything that is legal but useless, in the file's order: quiet windows, then rules, then zones.

    facts  by clip id; default what the venue says of durations. What only a plan shows is left unsaid where the
           duration of a clip that is planned is not known.
    """
    known = {c.id: ClipFacts(duration_ms=c.duration_ms) for c in venue.clips if c.duration_ms is not None}
    told = list(_rules(venue, today))
    silent = {w.entry for w in told}  # what never fires has no other fault worth telling
    for rule in venue.rules:
        told += message_doubts(venue, rule)
    more = [*closed_doubts(venue, today), *double_doubts(venue, today)]
    more += plan_doubts(venue, today, known if facts is None else {**known, **facts})
    told += [w for w in more if w.entry not in silent]
    order = {f"rule '{rule.id}'": number for number, rule in enumerate(venue.rules)}
    order |= {f"zone '{zone.id}'": len(order) + number for number, zone in enumerate(venue.zones)}
    return (*_quiet(venue, today), *sorted(told, key=lambda w: order[w.entry]))


def _warning(entry: str, message: str, code: str) -> Fault:
    return Fault(entry=entry, message=message, code=code, level="warning")


def _days(venue: VenueFile, today: dt.date) -> Iterator[OperatingDay]:
    for ahead in range(HORIZON_DAYS):
        date = today + dt.timedelta(days=ahead)
        if date > LAST_DATE:
            return
        yield OperatingDay(venue, date)


def _quiet(venue: VenueFile, today: dt.date) -> Iterator[Fault]:
    open_windows: dict[int, str] = {}
    waiting: dict[int, Quiet] = {}
    for i, entry in enumerate(venue.quiet):
        if entry.from_date and entry.until_date and entry.from_date > entry.until_date:
            open_windows[i] = f"never applies: from_date {entry.from_date} is after until_date {entry.until_date}"
        else:
            waiting[i] = entry
    backwards: set[int] = set()
    for day in _days(venue, today):
        for i, entry in list(waiting.items()):
            if not day.holds(entry.days, entry.from_date, entry.until_date, entry.except_dates, entry.on_holidays):
                continue
            windows = day.windows(entry.from_, entry.until, entry.hours)
            if any(w.end_ms > w.start_ms for w in windows):
                del waiting[i]
            elif windows:
                backwards.add(i)
        if not waiting:
            break
    for i, entry in enumerate(venue.quiet):
        if i in open_windows:
            yield _warning(f"quiet window {i + 1}", open_windows[i], "dates-backwards")
        elif i in backwards and i in waiting:
            message = f"never opens: it ends at {entry.until}, not after its start at {entry.from_}"
            yield _warning(f"quiet window {i + 1}", message, "window-backwards")
        elif i in waiting:
            yield _warning(f"quiet window {i + 1}", f"never opens in the next {HORIZON_DAYS} days", "never-opens")


def _rules(venue: VenueFile, today: dt.date) -> Iterator[Fault]:
    in_service = {z.id for z in venue.zones if z.in_service}
    said: dict[str, list[Fault]] = {rule.id: [] for rule in venue.rules}
    waiting: dict[str, Rule] = {}
    for rule in venue.rules:
        entry = f"rule '{rule.id}'"
        if not in_service.intersection(venue.resolve(rule.zones)):
            message = "cannot sound: none of its zones is in service"
            said[rule.id].append(_warning(entry, message, "no-zone-in-service"))
        when = rule.fixed or rule.interval
        if when is None:
            continue
        if when.from_date and when.until_date and when.from_date > when.until_date:
            message = f"never fires: from_date {when.from_date} is after until_date {when.until_date}"
            said[rule.id].append(_warning(entry, message, "dates-backwards"))
        elif _counts_too_far(rule):
            message = (
                f"has a COUNT that reaches further than {MAX_COUNT_STEPS} steps from dtstart, later dates are not "
                "given: give it UNTIL"
            )
            said[rule.id].append(_warning(entry, message, "count-too-far"))
        else:
            waiting[rule.id] = rule
    for rule_id, why in _never(venue, waiting, today).items():
        said[rule_id].append(why)
    for rule in venue.rules:
        yield from said[rule.id]


def _counts_too_far(rule: Rule) -> bool:
    if rule.fixed is None or rule.fixed.rrule is None or rule.fixed.dtstart is None:
        return False
    try:
        return counts_too_far(read_rrule(rule.fixed.rrule), rule.fixed.dtstart.replace(tzinfo=None))
    except ValueError:
        return False  # a fault, and told as one by whoever read the file


def _never(venue: VenueFile, rules: Mapping[str, Rule], today: dt.date) -> dict[str, Fault]:
    """Of the rules given, those that do not fire within the horizon, each with what is the matter."""
    waiting = dict(rules)
    shut: set[str] = set()  # fires, but never while open
    backwards: set[str] = set()
    found: dict[str, Fault] = {}
    for day in _days(venue, today):
        for rule_id, rule in list(waiting.items()):
            try:
                if nominals(day, rule):
                    del waiting[rule_id]
                    continue
                if (
                    rule.open_only
                    and rule_id not in shut
                    and nominals(day, rule.model_copy(update={"open_only": False}))
                ):
                    shut.add(rule_id)
            except InputError as error:
                del waiting[rule_id]
                message = str(error).removeprefix(f"rule '{rule_id}': ")
                found[rule_id] = _warning(f"rule '{rule_id}'", message, "too-many")
                continue
            if rule_id not in backwards and _backwards(day, rule):
                backwards.add(rule_id)
        if not waiting:
            break
    for rule_id, rule in waiting.items():
        if rule_id in shut:
            message, code = "never fires: its times all lie outside its opening hours (open_only)", "always-closed"
        elif rule_id in backwards and rule.interval is not None:
            message = (
                f"never fires: its window ends at {rule.interval.end}, before its start at {rule.interval.start}"
            )
            code = "window-backwards"
        else:
            message, code = f"does not fire in the next {HORIZON_DAYS} days", "never-fires"
        found[rule_id] = _warning(f"rule '{rule_id}'", message, code)
    return found


def _backwards(day: OperatingDay, rule: Rule) -> bool:
    interval = rule.interval
    if interval is None or not day.holds(
        interval.days, interval.from_date, interval.until_date, interval.except_dates, interval.on_holidays
    ):
        return False
    windows: Sequence[object] = [
        w for w in day.windows(interval.start, interval.end, rule.hours) if w.end_ms < w.start_ms
    ]
    return bool(windows)
