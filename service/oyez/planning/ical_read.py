"""Events of an iCalendar file (RFC 5545), read with care: unfolded, their times made local, their repeats bounded.

Pure; the text comes from outside and is not trusted. What cannot be read is told, with its reason.
Repeats are asked of a span of days only, and only of rules that step in days or more.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from oyez.planning.ical_lines import EventLines, Line, plain_text, read_components
from oyez.planning.recurrence import DAILY, FREQUENCIES, between, counts_too_far, read_rrule
from oyez.planning.time import to_local, to_utc_ms

MAX_COUNT = 10_000  # a COUNT is counted from DTSTART on
MAX_REPEATS = 4_000  # instances of one event within the span asked for
_ONE = dt.timedelta(days=1)
_DATE_TIME = re.compile(r"(\d{4})(\d{2})(\d{2})(?:T(\d{2})(\d{2})(\d{2})(Z)?)?")
_DURATION = re.compile(
    r"([+-])?P(?:(\d{1,4})W|(?:(\d{1,4})D)?(?:T(?:(\d{1,5})H)?(?:(\d{1,6})M)?(?:(\d{1,7})S)?)?)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Instance:
    """One time of an event, by the venue's clock. `whole_days`: from and to are midnights, to is not included."""

    summary: str
    categories: tuple[str, ...]
    start: dt.datetime
    end: dt.datetime
    whole_days: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class NotTaken:
    """what  the event as its file calls it, with its time where that could be read"""

    what: str
    why: str


class _Unread(Exception):
    """Why an event is not taken."""


def read_events(
    ics: str, zone: ZoneInfo, first: dt.date, last: dt.date
) -> tuple[tuple[Instance, ...], tuple[NotTaken, ...]]:
    """Every instance of every event that touches the days from `first` to `last`, and what was not taken.

    zone   the venue's: times of other zones are turned into it, floating ones are its own
    Raises InputError when the text is no iCalendar at all.
    """
    events = list(read_components(ics))
    moved = _overrides(events, zone)
    found: list[Instance] = []
    lost: list[NotTaken] = []
    for event in events:
        try:
            found += _instances(event, zone, first, last, moved)
        except _Unread as error:
            lost.append(NotTaken(what=_called(event), why=str(error)))
    return tuple(found), tuple(lost)


def _called(event: EventLines) -> str:
    start = event.one("DTSTART")
    when = f" ({start.value})" if start is not None else f" (line {event.number})"
    return f"'{event.words('SUMMARY')[:60]}'{when}"


# ---- times (sections 3.3.4, 3.3.5, 3.3.6)


def _moment(line: Line, value: str, zone: ZoneInfo) -> tuple[dt.datetime, ZoneInfo | None, bool]:
    """(wall time as written, the zone it is written in (None: a date alone), whether it is a date)."""
    found = _DATE_TIME.fullmatch(value.strip())
    try:
        if not found:
            raise ValueError
        day = dt.datetime(int(found[1]), int(found[2]), int(found[3]))  # noqa: DTZ001 (wall time)
        if found[4] is None:
            return day, None, True
        second = min(int(found[6]), 59)  # section 3.3.12: a leap second is the second before it
        wall = day.replace(hour=int(found[4]), minute=int(found[5]), second=second)
    except ValueError:
        raise _Unread(f"{line.name} is '{value[:40]}', read are times like 20261127T174500") from None
    if not 1971 <= wall.year <= 9000:
        raise _Unread(f"{line.name} is in the year {wall.year}, read are 1971 to 9000")
    if found[7]:
        return wall, ZoneInfo("UTC"), False
    named = line.params.get("TZID")
    return wall, zone if named is None else _zone(named), False


def _zone(named: str) -> ZoneInfo:
    """The IANA zone of a TZID; some programs write a path before its name."""
    parts = named.strip("/").split("/")
    for keep in (len(parts), 3, 2, 1):
        try:
            return ZoneInfo("/".join(parts[-keep:]))
        except (ValueError, OSError, KeyError):
            continue
    raise _Unread(f"its time zone is '{named[:40]}', read are those of the IANA, like Europe/London")


def _to_venue(wall: dt.datetime, written: ZoneInfo | None, zone: ZoneInfo) -> dt.datetime:
    if written is None or written.key == zone.key:
        return wall
    return to_local(zone, to_utc_ms(written, wall)).replace(tzinfo=None)


def _length(event: EventLines, start: dt.datetime, written: ZoneInfo | None) -> dt.timedelta:
    """How long it lasts: by the clock for whole days, elapsed for times (section 3.8.2.5)."""
    end, duration = event.one("DTEND"), event.one("DURATION")
    if end is not None:
        wall, end_zone, is_date = _moment(end, end.value, written or ZoneInfo("UTC"))
        if is_date != (written is None):
            raise _Unread("has a date on one side and a time on the other")
        if written is None or end_zone is None:
            length = wall - start
        else:
            length = dt.timedelta(milliseconds=to_utc_ms(end_zone, wall) - to_utc_ms(written, start))
    elif duration is not None:
        found = _DURATION.fullmatch(duration.value)
        if not found or not any(found.groups()[1:]):
            raise _Unread(f"DURATION is '{duration.value[:40]}', read are durations like PT8H")
        weeks, days, hours, minutes, seconds = (int(part or 0) for part in found.groups()[1:])
        length = dt.timedelta(weeks=weeks, days=days, hours=hours, minutes=minutes, seconds=seconds)
        length = -length if found[1] == "-" else length
    else:
        length = _ONE if written is None else dt.timedelta()
    if length <= dt.timedelta():
        raise _Unread("does not end after it begins")
    return length


# ---- repeats (sections 3.8.4.4, 3.8.5)


def _overrides(events: Sequence[EventLines], zone: ZoneInfo) -> dict[str, set[dt.datetime]]:
    """UID -> instances (by the venue's clock) that an event of their own replaces."""
    found: dict[str, set[dt.datetime]] = {}
    for event in events:
        line = event.one("RECURRENCE-ID")
        if line is not None:
            try:
                wall, written, _ = _moment(line, line.value, zone)
                found.setdefault(event.words("UID"), set()).add(_to_venue(wall, written, zone))
            except _Unread:
                continue  # told when the event itself is read
    return found


def _instances(
    event: EventLines, zone: ZoneInfo, first: dt.date, last: dt.date, moved: dict[str, set[dt.datetime]]
) -> list[Instance]:
    line = event.one("DTSTART")
    if line is None:
        raise _Unread("has no DTSTART")
    own = event.one("RECURRENCE-ID")
    if own is not None:
        _moment(own, own.value, zone)
        if "RANGE" in own.params:
            raise _Unread("changes all its later repeats too (RANGE), which is not read")
    cancelled = event.words("STATUS").upper() == "CANCELLED"
    if cancelled and own is not None:
        return []  # this one repeat is off, as it says
    if cancelled:
        raise _Unread("is cancelled")
    start, written, is_date = _moment(line, line.value, zone)
    length = _length(event, start, written)
    low = dt.datetime.combine(first, dt.time()) - length - 2 * _ONE  # zones lie up to 26 h apart
    high = dt.datetime.combine(last, dt.time()) + 2 * _ONE
    walls = {start} if own is not None else _repeats(event, start, written, zone, (low, high))
    replaced = moved.get(event.words("UID"), set()) if own is None else set()
    found = []
    for wall in sorted(walls):
        local = _to_venue(wall, written, zone)
        end = local + length if written is None else _after(zone, written, wall, length)
        if local in replaced or end <= dt.datetime.combine(first, dt.time()) or local.date() > last + _ONE:
            continue
        found.append(
            Instance(
                summary=event.words("SUMMARY"),
                categories=tuple(
                    word.strip()
                    for c in event.lines.get("CATEGORIES", ())
                    for word in plain_text(c.value).split(",")
                ),
                start=local,
                end=end,
                whole_days=is_date,
            )
        )
    return found


def _after(zone: ZoneInfo, written: ZoneInfo, wall: dt.datetime, length: dt.timedelta) -> dt.datetime:
    """The venue's clock an elapsed length after a time."""
    at_ms = to_utc_ms(written, wall) + length // dt.timedelta(milliseconds=1)
    return to_local(zone, at_ms).replace(tzinfo=None)


def _repeats(
    event: EventLines,
    start: dt.datetime,
    written: ZoneInfo | None,
    zone: ZoneInfo,
    span: tuple[dt.datetime, dt.datetime],
) -> set[dt.datetime]:
    """Its starts within the span, by the clock it is written in: DTSTART, RRULE and RDATE without EXDATE."""
    low, high = span
    walls = {start}
    rules = event.lines.get("RRULE", [])
    if len(rules) > 1:
        raise _Unread("has more than one RRULE, read is one")
    if rules:
        walls |= set(_recurring(rules[0].value, start, written, low, high))
    for line in event.lines.get("RDATE", ()):
        if line.params.get("VALUE", "").upper() == "PERIOD":
            raise _Unread("has periods in RDATE, read are dates and times")
        walls |= {wall for wall, _ in _listed(line, written, zone, start.time())}
    out = {one for line in event.lines.get("EXDATE", ()) for one in _listed(line, written, zone, start.time())}
    times, days = {wall for wall, _ in out}, {wall.date() for wall, whole_day in out if whole_day}
    return {w for w in walls if w not in times and w.date() not in days and low <= w < high}


def _recurring(
    text: str, start: dt.datetime, written: ZoneInfo | None, low: dt.datetime, high: dt.datetime
) -> list[dt.datetime]:
    try:
        rule = read_rrule(text)
    except ValueError as error:
        raise _Unread(f"RRULE {error}") from None
    if rule.frequency > DAILY:
        raise _Unread(f"repeats {FREQUENCIES[rule.frequency]}, read are {', '.join(FREQUENCIES[: DAILY + 1])}")
    if (rule.count or 0) > MAX_COUNT or counts_too_far(rule, start):
        raise _Unread("has a COUNT that reaches further than is counted")
    found = between(rule, start, low, high)
    if rule.until is not None and rule.until_utc:
        if written is None:  # not allowed beside a date, but met: its date counts
            found = [wall for wall in found if wall.date() <= rule.until.date()]
        else:
            last_ms = int(rule.until.replace(tzinfo=dt.UTC).timestamp()) * 1000
            found = [wall for wall in found if to_utc_ms(written, wall) <= last_ms]
    if len(found) > MAX_REPEATS:
        raise _Unread(f"repeats more than {MAX_REPEATS} times in these days")
    return found


def _listed(
    line: Line, written: ZoneInfo | None, zone: ZoneInfo, at: dt.time
) -> Iterator[tuple[dt.datetime, bool]]:
    """The times of an RDATE or EXDATE by the clock the event is written in, and whether one names a whole day.

    A date beside an event with a time is not allowed, but met: it means that day at the event's own time.
    """
    for value in line.value.split(","):
        wall, own, is_date = _moment(line, value, zone)
        if written is None or (own is not None and own.key == written.key):
            yield wall, False
        elif is_date or own is None:
            yield dt.datetime.combine(wall.date(), at), True
        else:
            yield to_local(written, to_utc_ms(own, wall)).replace(tzinfo=None), False
