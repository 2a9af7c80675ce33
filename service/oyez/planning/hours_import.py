"""Opening hours out of a calendar's events: which operating days are closed, and when others are open.

    whole days that say closed              those days are closed
    a time that says open, closed nowhere   that day's opening periods are these and no others

Anything else is not taken, and said with its reason: nothing is guessed. Pure.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal
from zoneinfo import ZoneInfo

from oyez.planning.hours import OperatingDay
from oyez.planning.ical_read import Instance, NotTaken, read_events
from oyez.planning.time import to_utc_ms
from oyez.venue.hours import DAY_S, period_span
from oyez.venue.models import HoursExcept, VenueFile
from oyez.venue.units import read_clock

CLOSED_WORDS = ("closed", "closure", "shut", "not open")
OPEN_WORDS = ("open", "opening", "opens", "open hours")
_MIDNIGHT = dt.time()
_ONE = dt.timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class HoursImport:
    """What a calendar gives.

    taken      exceptions to add, by date
    replaced   dates whose exception of the venue they replace (only where that was asked for)
    as_usual   days that the venue's own hours give already
    there      days whose exception the venue has already
    not_taken  the rest, each with its reason
    """

    taken: tuple[HoursExcept, ...]
    replaced: tuple[dt.date, ...]
    as_usual: int
    there: int
    not_taken: tuple[NotTaken, ...]

    def into(self, venue: VenueFile, hours: str | None) -> VenueFile:
        """The venue with the exceptions in it, those replaced taken out."""
        kept = tuple(e for e in venue.hours_except if not (e.date in self.replaced and e.hours == hours))
        return venue.model_copy(update={"hours_except": (*kept, *self.taken)})


def hours_from(
    venue: VenueFile,
    ics: str,
    *,
    hours: str | None,
    first: dt.date,
    last: dt.date,
    replace: bool = False,
    open_words: Sequence[str] = (),
    closed_words: Sequence[str] = (),
) -> HoursImport:
    """Read the exceptions to a set's hours from an iCalendar text.

    hours        the set; "venue" is the venue's own, None every set
    first, last  operating days looked at, both included
    replace      let what the calendar says of a day replace an exception the venue has for it
    *_words      further words, of other languages say, beside OPEN_WORDS and CLOSED_WORDS
    Raises InputError when the text is no iCalendar.
    """
    zone = ZoneInfo(venue.venue.timezone)
    instances, lost = read_events(ics, zone, first, last + _ONE)
    not_taken = list(lost)
    words = {"closed": (*CLOSED_WORDS, *closed_words), "open": (*OPEN_WORDS, *open_words)}
    closed: dict[dt.date, Instance] = {}
    opened: dict[dt.date, list[str]] = defaultdict(list)
    starts = read_clock(venue.venue.day_starts).seconds
    for one in instances:
        said = _says(one, words)
        whole = _whole_days(one)
        if said is None:
            not_taken.append(_not(one, "says neither open nor closed"))
        elif said == "closed" and whole is None:
            not_taken.append(_not(one, "is closed for a part of a day: write when it is open instead"))
        elif said == "open" and whole is not None:
            not_taken.append(_not(one, "is open on whole days: give it times"))
        elif whole is not None:
            closed |= dict.fromkeys(whole, one)
        else:
            day, period, why = _period(one, starts)
            if why is not None:
                not_taken.append(_not(one, why))
            elif first <= day <= last:
                opened[day].append(period)
    days = _days(closed, opened, starts, not_taken)
    wanted = {day: periods for day, periods in sorted(days.items()) if first <= day <= last}
    return _against(venue, hours, wanted, replace=replace, not_taken=_once(not_taken))


def _says(one: Instance, words: Mapping[str, Sequence[str]]) -> Literal["open", "closed"] | None:
    """What a category says in so many words, else the summary; where it says both, closed."""
    for texts in (one.categories, (one.summary,)):
        for kind in ("closed", "open"):
            if any(_has(text, word) for text in texts for word in words[kind]):
                return "closed" if kind == "closed" else "open"
    return None


def _has(text: str, word: str) -> bool:
    return re.search(rf"(?<!\w){re.escape(word.casefold())}(?!\w)", text.casefold()) is not None


def _not(one: Instance, why: str) -> NotTaken:
    when = f"{one.start:%Y-%m-%d}" if one.whole_days else f"{one.start:%Y-%m-%d %H:%M}"
    return NotTaken(what=f"'{one.summary[:60]}' ({when})", why=why)


def _once(found: Iterable[NotTaken]) -> tuple[NotTaken, ...]:
    """The same event for the same reason once, with how often it came."""
    number: dict[tuple[str, str], list[NotTaken]] = defaultdict(list)
    for one in found:
        number[one.what.rpartition(" (")[0], one.why].append(one)
    return tuple(
        same[0]
        if len(same) == 1
        else NotTaken(what=f"{same[0].what[:-1]} and {len(same) - 1} more)", why=same[0].why)
        for same in number.values()
    )


def _whole_days(one: Instance) -> list[dt.date] | None:
    """The dates of an event of whole days, from midnight to midnight by the clock; None for any other."""
    if not one.whole_days and (one.start.time() != _MIDNIGHT or one.end.time() != _MIDNIGHT):
        return None
    count = (one.end.date() - one.start.date()).days
    return [one.start.date() + n * _ONE for n in range(min(count, 4000))]


def _period(one: Instance, day_starts_s: int) -> tuple[dt.date, str, str | None]:
    """(operating day, opening period, why it is none)."""
    start_s = one.start.hour * 3600 + one.start.minute * 60 + one.start.second
    day = one.start.date() if start_s >= day_starts_s else one.start.date() - _ONE
    if one.end - one.start > _ONE:
        return day, "", "is open for more than a day: write one event a day"
    text = f"{_clock(one.start)}-{_clock(one.end) if one.end.time() != _MIDNIGHT else '24:00'}"
    if period_span(text, day_starts_s)[1] > DAY_S:
        starts = f"{day_starts_s // 3600:02d}:{day_starts_s // 60 % 60:02d}"
        return day, "", f"goes on past the start of the operating day ({starts})"
    return day, text, None


def _clock(time: dt.datetime) -> str:
    return f"{time:%H:%M:%S}" if time.second else f"{time:%H:%M}"


def _days(
    closed: Mapping[dt.date, Instance],
    opened: Mapping[dt.date, Sequence[str]],
    day_starts_s: int,
    not_taken: list[NotTaken],
) -> dict[dt.date, tuple[str, ...]]:
    """Each day's periods, () where it is closed. A day that is said to be both is left alone."""
    found: dict[dt.date, tuple[str, ...]] = {}
    for day in {*closed, *opened}:
        if day in closed and day in opened:
            not_taken.append(NotTaken(what=f"{day}", why="is said to be closed and open: left as it is"))
        elif day in closed:
            found[day] = ()
        else:
            found[day] = _joined(opened[day], day_starts_s)
    not_taken.sort(key=lambda n: (n.what, n.why))
    return found


def _joined(periods: Iterable[str], day_starts_s: int) -> tuple[str, ...]:
    """Periods in order, those that overlap or touch made one."""
    spans: list[tuple[int, int]] = []
    for start, end in sorted(period_span(text, day_starts_s) for text in periods):
        if spans and start <= spans[-1][1]:
            spans[-1] = spans[-1][0], max(spans[-1][1], end)
        else:
            spans.append((start, end))
    return tuple(
        f"{_of_seconds(start + day_starts_s)}-{_of_seconds(end + day_starts_s, end=True)}" for start, end in spans
    )


def _of_seconds(seconds: int, *, end: bool = False) -> str:
    if end and seconds % DAY_S == 0:
        return "24:00"
    hours, rest = divmod(seconds % DAY_S, 3600)
    minutes, rest = divmod(rest, 60)
    return f"{hours:02d}:{minutes:02d}" + (f":{rest:02d}" if rest else "")


def _against(
    venue: VenueFile,
    hours: str | None,
    wanted: Mapping[dt.date, tuple[str, ...]],
    *,
    replace: bool,
    not_taken: Sequence[NotTaken],
) -> HoursImport:
    """What of these days the venue does not say already."""
    taken: list[HoursExcept] = []
    replaced: list[dt.date] = []
    left = list(not_taken)
    as_usual = there = 0
    for day, periods in wanted.items():
        own = [e for e in venue.hours_except if e.date == day and e.hours == hours]
        competing = [
            e for e in venue.hours_except if e.date == day and e.hours != hours and None in (e.hours, hours)
        ]
        made = HoursExcept(date=day, hours=hours, closed=not periods, open=periods or None)
        if own and _periods(own[0]) == periods:
            there += 1
        elif competing:
            whose = "every set" if competing[0].hours is None else f"the set '{competing[0].hours}'"
            left.append(NotTaken(what=f"{day}", why=f"the venue has an exception for {whose} on that day: kept"))
        elif own and not replace:
            left.append(NotTaken(what=f"{day}", why="the venue has another exception for that day: kept"))
        elif own:
            replaced.append(day)
            taken.append(made)
        elif _usual(venue, hours, day, periods):
            as_usual += 1
        else:
            taken.append(made)
    return HoursImport(
        taken=tuple(taken), replaced=tuple(replaced), as_usual=as_usual, there=there, not_taken=tuple(left)
    )


def _periods(entry: HoursExcept) -> tuple[str, ...]:
    return () if entry.closed else (entry.open or ())


def _usual(venue: VenueFile, hours: str | None, day: dt.date, periods: tuple[str, ...]) -> bool:
    """Whether the set's week or season gives these hours on that day; never for every set at once."""
    if hours is None:
        return False
    operating = OperatingDay(venue, day)
    opening = operating.opening(hours)
    if opening.always:
        return False
    spans = [(p.start_ms, p.end_ms) for p in opening.periods]
    return spans == [_span(operating, text) for text in periods]


def _span(day: OperatingDay, text: str) -> tuple[int, int]:
    starts_s = read_clock(day.venue.venue.day_starts).seconds
    start, end = period_span(text, starts_s)
    midnight = dt.datetime.combine(day.date, _MIDNIGHT)
    walls = (midnight + dt.timedelta(seconds=starts_s + s) for s in (start, end))
    begins, ends = (to_utc_ms(day.zone, wall) for wall in walls)
    return begins, ends
