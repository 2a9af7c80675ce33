"""Recurrence rules of RFC 5545 (section 3.3.10), read and unfolded period by period, never from the beginning.

Naive local datetimes in and out; which instants they are is `time.to_utc_ms`'s business. A window costs the
periods it touches, whatever lies before it: whether a day belongs to a rule is asked of the day itself. Only
COUNT has to be counted from DTSTART; that costs at most MAX_COUNT_STEPS steps (a step is one day or one minute
looked at), and a rule that has not given its last instance by then gives none after that point.

DTSTART is an instance only where the rule gives it. What the rule leaves open comes from DTSTART. An UNTIL that
is a date includes that whole day.
"""

from __future__ import annotations

import datetime as dt
import re
from calendar import isleap, monthrange
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

FREQUENCIES = ("YEARLY", "MONTHLY", "WEEKLY", "DAILY", "HOURLY", "MINUTELY", "SECONDLY")
YEARLY, MONTHLY, WEEKLY, DAILY, HOURLY, MINUTELY, SECONDLY = range(7)
WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
MAX_COUNT_STEPS = 200_000
ONE_DAY = dt.timedelta(days=1)
_LAST_YEAR = 9998

_RANGES = {  # part -> (lowest, highest, whether counting from the end is allowed)
    "BYSECOND": (0, 60, False),
    "BYMINUTE": (0, 59, False),
    "BYHOUR": (0, 23, False),
    "BYMONTHDAY": (1, 31, True),
    "BYYEARDAY": (1, 366, True),
    "BYWEEKNO": (1, 53, True),
    "BYMONTH": (1, 12, False),
    "BYSETPOS": (1, 366, True),
}
_WEEKDAY = re.compile(r"([+-]?\d{1,2})?(MO|TU|WE|TH|FR|SA|SU)")
_UNTIL = re.compile(r"(\d{4})(\d{2})(\d{2})(?:T(\d{2})(\d{2})(\d{2})(Z)?)?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Recurrence:
    """A rule as written. Empty means the part is absent.

    weekdays  (position, weekday): position 0 is every such weekday of the period, weekday 0 is Monday
    until     naive; of UTC when `until_utc`, else local
    """

    frequency: int
    interval: int = 1
    count: int | None = None
    until: dt.datetime | None = None
    until_utc: bool = False
    week_start: int = 0
    seconds: frozenset[int] = frozenset()
    minutes: frozenset[int] = frozenset()
    hours: frozenset[int] = frozenset()
    weekdays: frozenset[tuple[int, int]] = frozenset()
    month_days: frozenset[int] = frozenset()
    year_days: frozenset[int] = frozenset()
    weeks: frozenset[int] = frozenset()
    months: frozenset[int] = frozenset()
    positions: tuple[int, ...] = ()


def read_rrule(text: str) -> Recurrence:
    """Read "FREQ=MONTHLY;BYDAY=1FR". Raises ValueError, saying what is wrong and what is allowed."""
    parts: dict[str, str] = {}
    for item in text.strip().removeprefix("RRULE:").split(";"):
        name, equals, value = item.partition("=")
        name = name.strip().upper()
        if not equals or not value:
            raise ValueError(f"has the part '{item}', allowed are parts like FREQ=MONTHLY;BYDAY=1FR")
        if name in parts:
            raise ValueError(f"has {name} twice, allowed is once")
        parts[name] = value.strip().upper()
    frequency = parts.pop("FREQ", None)
    if frequency not in FREQUENCIES:
        raise ValueError(f"has FREQ {frequency or 'missing'}, allowed are {', '.join(FREQUENCIES)}")
    interval = _whole(parts, "INTERVAL")
    count = _whole(parts, "COUNT")
    until, until_utc = _read_until(parts.pop("UNTIL", None))
    week_start = parts.pop("WKST", "MO")
    if week_start not in WEEKDAYS:
        raise ValueError(f"has WKST {week_start}, allowed are {', '.join(WEEKDAYS)}")
    weekdays = frozenset(_weekday(item) for item in parts.pop("BYDAY", "").split(",") if item)
    numbers = {name: _numbers(name, parts.pop(name, "")) for name in _RANGES}
    if parts:
        raise ValueError(f"has the unknown part {next(iter(parts))}, allowed are those of RFC 5545")
    return Recurrence(
        frequency=FREQUENCIES.index(frequency),
        interval=interval or 1,
        count=count,
        until=until,
        until_utc=until_utc,
        week_start=WEEKDAYS.index(week_start),
        weekdays=weekdays,
        seconds=frozenset(numbers["BYSECOND"]) - {60},  # a leap second never comes on our clock
        minutes=frozenset(numbers["BYMINUTE"]),
        hours=frozenset(numbers["BYHOUR"]),
        month_days=frozenset(numbers["BYMONTHDAY"]),
        year_days=frozenset(numbers["BYYEARDAY"]),
        weeks=frozenset(numbers["BYWEEKNO"]),
        months=frozenset(numbers["BYMONTH"]),
        positions=tuple(sorted(set(numbers["BYSETPOS"]))),
    )


def _whole(parts: dict[str, str], name: str) -> int | None:
    value = parts.pop(name, None)
    if value is None:
        return None
    if not re.fullmatch(r"\d{1,7}", value) or int(value) < 1:
        raise ValueError(f"has {name} {value}, allowed are whole numbers from 1 to 9999999")
    return int(value)


def _numbers(name: str, value: str) -> list[int]:
    lowest, highest, from_end = _RANGES[name]
    found = []
    for item in value.split(",") if value else ():
        number = int(item) if re.fullmatch(r"[+-]?\d{1,3}", item) else None
        if number is None or not (lowest <= (abs(number) if from_end else number) <= highest):
            ends = f"{lowest} to {highest}" + (f" and -{highest} to -{lowest}" if from_end else "")
            raise ValueError(f"has {name} {item}, allowed are {ends}")
        found.append(number)
    return found


def _weekday(item: str) -> tuple[int, int]:
    found = _WEEKDAY.fullmatch(item.strip())
    position = int(found[1] or 0) if found else 0
    if not found or abs(position) > 53 or (found[1] and position == 0):
        raise ValueError(f"has BYDAY {item}, allowed are weekdays like FR, 1FR, -1SU")
    return position, WEEKDAYS.index(found[2])


def _read_until(text: str | None) -> tuple[dt.datetime | None, bool]:
    if text is None:
        return None, False
    found = _UNTIL.fullmatch(text)
    try:
        if not found:
            raise ValueError
        date = dt.datetime(int(found[1]), int(found[2]), int(found[3]))  # noqa: DTZ001
        if found[4] is None:
            return date + ONE_DAY - dt.timedelta(seconds=1), False
        return date.replace(hour=int(found[4]), minute=int(found[5]), second=int(found[6])), bool(found[7])
    except ValueError:
        raise ValueError(
            f"has UNTIL {text}, allowed are 20270131, 20270131T200000 (local) and 20270131T200000Z (UTC)"
        ) from None


def between(rule: Recurrence, start: dt.datetime, low: dt.datetime, high: dt.datetime) -> list[dt.datetime]:
    """Instances of the rule in [low, high), by the clock, ascending, each once. `start` is DTSTART.

    UNTIL is compared by the clock when it is local; one in UTC is the caller's to compare, on instants.
    """
    start = start.replace(microsecond=0)
    unfolding = _Unfolding(rule, start)
    last = dt.datetime.max  # noqa: DTZ901
    if rule.until is not None and not rule.until_utc:
        last = rule.until
    if rule.count is not None:
        counted = _last_counted(rule, start)
        if counted is None:
            return []
        last = min(last, counted)
    low = max(low, start)
    return [at for at in unfolding.touching(low, high) if low <= at < high and at <= last]


@lru_cache(maxsize=512)
def _last_counted(rule: Recurrence, start: dt.datetime) -> dt.datetime | None:
    """The COUNT-th instance, or the last one found within MAX_COUNT_STEPS; None when there is none at all."""
    assert rule.count is not None
    left, last = rule.count, None
    unfolding = _Unfolding(rule, start)
    for group in unfolding.groups(start, dt.datetime(_LAST_YEAR, 12, 31)):  # noqa: DTZ001
        for at in group:
            if at >= start:
                last = at
                left -= 1
                if left == 0:
                    return last
        if unfolding.steps >= MAX_COUNT_STEPS:
            return last
    return last


def counts_too_far(rule: Recurrence, start: dt.datetime) -> bool:
    """Whether COUNT reaches further than MAX_COUNT_STEPS allow, so that later instances are not given."""
    if rule.count is None:
        return False
    unfolding = _Unfolding(rule, start.replace(microsecond=0))
    left = rule.count
    for group in unfolding.groups(start, dt.datetime(_LAST_YEAR, 12, 31)):  # noqa: DTZ001
        left -= sum(at >= start for at in group)
        if left <= 0:
            return False
        if unfolding.steps >= MAX_COUNT_STEPS:
            return True
    return True


class _Unfolding:
    """A rule with what it leaves open taken from DTSTART, and the walk over its periods. Counts its steps."""

    def __init__(self, rule: Recurrence, start: dt.datetime) -> None:
        self.rule = rule
        self.start = start
        self.steps = 0
        self.months, self.month_days, self.weekdays = rule.months, rule.month_days, rule.weekdays
        names_day = bool(rule.weekdays or rule.month_days or rule.year_days)
        if rule.frequency == YEARLY and not names_day:
            if rule.weeks:
                self.weekdays = frozenset({(0, start.weekday())})
            else:
                self.months = rule.months or frozenset({start.month})
                self.month_days = frozenset({start.day})
        elif rule.frequency == MONTHLY and not names_day:
            self.month_days = frozenset({start.day})
        elif rule.frequency == WEEKLY and not names_day:
            self.weekdays = frozenset({(0, start.weekday())})
        if rule.frequency >= WEEKLY:  # positions mean something within a month or a year only
            self.weekdays = frozenset((0, weekday) for _, weekday in self.weekdays)
        self.plain_weekdays = {weekday for position, weekday in self.weekdays if position == 0}
        self.placed_weekdays = {(position, weekday) for position, weekday in self.weekdays if position}
        below = rule.frequency
        self.hours = sorted(rule.hours or (range(24) if below >= HOURLY else (start.hour,)))
        self.minutes = sorted(rule.minutes or (range(60) if below >= MINUTELY else (start.minute,)))
        self.seconds = sorted(rule.seconds or (range(60) if below >= SECONDLY else (start.second,)))
        self.within_month = rule.frequency == MONTHLY or bool(rule.months)

    def touching(self, low: dt.datetime, high: dt.datetime) -> Iterator[dt.datetime]:
        for group in self.groups(low, high):
            yield from group

    def groups(self, low: dt.datetime, high: dt.datetime) -> Iterator[list[dt.datetime]]:
        """Instances of each of the rule's periods that touch [low, high), in order, DTSTART's own first."""
        if self.rule.frequency >= HOURLY:
            return self._days_of_hours(low.date(), high)
        return self._periods(low.date(), high)

    def _periods(self, date: dt.date, high: dt.datetime) -> Iterator[list[dt.datetime]]:
        rule, start = self.rule, self.start.date()
        last = high.date()
        step = rule.interval
        if rule.frequency == YEARLY:
            year = start.year + -(-(date.year - start.year) // step) * step
            while year <= min(last.year, _LAST_YEAR):
                yield self._of_days(dt.date(year, 1, 1), 366 if isleap(year) else 365)
                year += step
        elif rule.frequency == MONTHLY:
            first = start.year * 12 + start.month - 1
            month = first + -(-(date.year * 12 + date.month - 1 - first) // step) * step
            while month <= min(last.year * 12 + last.month - 1, _LAST_YEAR * 12 + 11):
                year, of_year = divmod(month, 12)
                yield self._of_days(dt.date(year, of_year + 1, 1), monthrange(year, of_year + 1)[1])
                month += step
        else:
            length = 7 if rule.frequency == WEEKLY else 1
            first = start.toordinal()
            if length == 7:
                first -= (start.weekday() - rule.week_start) % 7
            jump = length * step
            ordinal = first + max(0, (date.toordinal() - first) // jump) * jump
            while ordinal <= min(last.toordinal(), dt.date(_LAST_YEAR, 12, 31).toordinal()):
                yield self._of_days(dt.date.fromordinal(ordinal), length)
                ordinal += jump

    def _of_days(self, first: dt.date, length: int) -> list[dt.datetime]:
        ordinal = first.toordinal()
        self.steps += length
        days = [d for d in map(dt.date.fromordinal, range(ordinal, ordinal + length)) if self._fits(d)]
        return self._chosen(
            [
                dt.datetime(d.year, d.month, d.day, hour, minute, second)  # noqa: DTZ001
                for d in days
                for hour in self.hours
                for minute in self.minutes
                for second in self.seconds
            ]
        )

    def _days_of_hours(self, date: dt.date, high: dt.datetime) -> Iterator[list[dt.datetime]]:
        if self._no_position_fits():
            return
        while date <= min(high.date(), dt.date(_LAST_YEAR, 12, 31)):
            self.steps += 1
            yield list(self._hours_of(date)) if self._fits(date) else []
            date += ONE_DAY

    def _no_position_fits(self) -> bool:
        """Whether BYSETPOS asks for more than an hour, minute or second has: then there is nothing to walk for."""
        size = {HOURLY: len(self.minutes) * len(self.seconds), MINUTELY: len(self.seconds), SECONDLY: 1}
        return bool(self.rule.positions) and min(map(abs, self.rule.positions)) > size[self.rule.frequency]

    def _hours_of(self, date: dt.date) -> Iterator[dt.datetime]:
        """Instances of one day of a rule that steps in hours, minutes or seconds by the clock."""
        rule, start = self.rule, self.start
        frequency, step = rule.frequency, rule.interval
        days = date.toordinal() - start.toordinal()
        midnight = dt.datetime(date.year, date.month, date.day)  # noqa: DTZ001
        for hour in self.hours:
            self.steps += 1
            hours = days * 24 + hour - start.hour
            if frequency == HOURLY:
                if hours % step == 0:
                    whole = [
                        midnight.replace(hour=hour, minute=m, second=s) for m in self.minutes for s in self.seconds
                    ]
                    yield from self._chosen(whole)
                continue
            for minute in self.minutes:
                self.steps += 1
                minutes = hours * 60 + minute - start.minute
                if frequency == MINUTELY:
                    if minutes % step == 0:
                        whole = [midnight.replace(hour=hour, minute=minute, second=s) for s in self.seconds]
                        yield from self._chosen(whole)
                    continue
                seconds = minutes * 60 - start.second
                for second in range(-seconds % step, 60, step):
                    if second in self.seconds:
                        yield from self._chosen([midnight.replace(hour=hour, minute=minute, second=second)])

    def _chosen(self, whole: list[dt.datetime]) -> list[dt.datetime]:
        positions = self.rule.positions
        if not positions:
            return whole
        size = len(whole)
        picked = {p - 1 if p > 0 else size + p for p in positions if abs(p) <= size}
        return [whole[i] for i in sorted(picked)]

    def _fits(self, date: dt.date) -> bool:
        if self.months and date.month not in self.months:
            return False
        if self.month_days:
            length = monthrange(date.year, date.month)[1]
            if date.day not in self.month_days and date.day - length - 1 not in self.month_days:
                return False
        if self.rule.year_days:
            length = 366 if isleap(date.year) else 365
            day = date.timetuple().tm_yday
            if day not in self.rule.year_days and day - length - 1 not in self.rule.year_days:
                return False
        if self.rule.weeks:
            number, weeks = _week_number(date, self.rule.week_start)
            if number not in self.rule.weeks and number - weeks - 1 not in self.rule.weeks:
                return False
        return not self.weekdays or date.weekday() in self.plain_weekdays or self._placed(date)

    def _placed(self, date: dt.date) -> bool:
        """Whether the day is the n-th such weekday of its month (or year), from either end."""
        if not self.placed_weekdays:
            return False
        weekday = date.weekday()
        if self.within_month:
            before, after = date.day - 1, monthrange(date.year, date.month)[1] - date.day
        else:
            before = date.timetuple().tm_yday - 1
            after = (365 if isleap(date.year) else 364) - before
        return (before // 7 + 1, weekday) in self.placed_weekdays or (
            -(after // 7) - 1,
            weekday,
        ) in self.placed_weekdays


def _week_number(date: dt.date, week_start: int) -> tuple[int, int]:
    """(week number, weeks of its year): week 1 is the first with at least four days in the year."""
    thursday = date + dt.timedelta(days=3 - (date.weekday() - week_start) % 7)  # the week's fourth day
    number = (thursday.timetuple().tm_yday - 1) // 7 + 1
    year_end = dt.date(thursday.year, 12, 28)  # always in the year's last week
    fourth = year_end + dt.timedelta(days=3 - (year_end.weekday() - week_start) % 7)
    return number, (fourth.timetuple().tm_yday - 1) // 7 + 1
