"""Local time and operating days. Wall time comes in, whole milliseconds of UTC go out; arithmetic is elapsed.

A local time that does not exist (clocks go forward) is read with the offset before the gap; one that exists
twice means the first (RFC 5545 section 3.3.5; `zoneinfo` with fold=0 does exactly this). Looks at no clock.
"""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from oyez.errors import InputError
from oyez.planning.types import Span
from oyez.venue.models import VenueFile
from oyez.venue.units import read_clock

_EPOCH = dt.datetime(1970, 1, 1)  # noqa: DTZ001  wall time, no zone on purpose
_EPOCH_UTC = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_MS = dt.timedelta(milliseconds=1)
FIRST_DATE = dt.date(1970, 1, 2)
LAST_DATE = dt.date(9998, 12, 30)


def to_utc_ms(zone: ZoneInfo, wall: dt.datetime) -> int:
    """The instant of a naive local time: in a gap with the offset before it, in a fold the first."""
    offset = wall.replace(tzinfo=zone, fold=0).utcoffset()
    assert offset is not None
    return (wall - _EPOCH) // _MS - offset // _MS


def to_local(zone: ZoneInfo, at_ms: int) -> dt.datetime:
    """The local time, with its offset, of an instant."""
    return (_EPOCH_UTC + at_ms * _MS).astimezone(zone)


def wall_time(day: dt.date, seconds: int) -> dt.datetime:
    """A naive local time: `seconds` after midnight by the clock, 86400 being the next midnight."""
    return dt.datetime(day.year, day.month, day.day) + dt.timedelta(seconds=seconds)  # noqa: DTZ001


def day_span(venue: VenueFile, date: dt.date) -> Span:
    """The operating day: from `day_starts` of the date (inclusive) to that of the next one (exclusive).

    Raises InputError for dates outside FIRST_DATE to LAST_DATE.
    """
    if not FIRST_DATE <= date <= LAST_DATE:
        raise InputError(f"date is {date}, allowed are {FIRST_DATE} to {LAST_DATE}")
    zone = ZoneInfo(venue.venue.timezone)
    starts_s = read_clock(venue.venue.day_starts).seconds
    return Span(
        start_ms=to_utc_ms(zone, wall_time(date, starts_s)),
        end_ms=to_utc_ms(zone, wall_time(date + dt.timedelta(days=1), starts_s)),
    )


def operating_day(venue: VenueFile, at_ms: int) -> dt.date:
    """The operating day an instant belongs to."""
    date = to_local(ZoneInfo(venue.venue.timezone), at_ms).date() + dt.timedelta(days=1)
    while day_span(venue, date).start_ms > at_ms:
        date -= dt.timedelta(days=1)
    return date
