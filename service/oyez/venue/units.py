"""How times are written in a venue file: clock times, anchors, opening periods, whole milliseconds.

Touches no clock and no time zone: what is read here is still "wall" time.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

Day = Literal["mo", "tu", "we", "th", "fr", "sa", "su"]
DayOrHoliday = Literal["mo", "tu", "we", "th", "fr", "sa", "su", "ho"]
DAY_NAMES: tuple[Day, ...] = ("mo", "tu", "we", "th", "fr", "sa", "su")
HOLIDAY: Literal["ho"] = "ho"
WEEK_KEYS: tuple[DayOrHoliday, ...] = (*DAY_NAMES, HOLIDAY)

_CLOCK = re.compile(r"(\d{2}):(\d{2})(?::(\d{2}))?")
_ANCHOR = re.compile(r"(open|close)(?:([+-])(\d{1,4}))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockTime:
    """A time on the clock. `seconds` counts from midnight, 0 to 86399."""

    seconds: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """An edge of the rule's opening hours, moved by elapsed minutes (negative is earlier)."""

    edge: Literal["open", "close"]
    offset_min: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """One opening period as written, both in seconds from midnight.

    The start is 0 to 86399; the end 1 to 86400 (`24:00`), and an end not after the start means
    the next time the clock shows it.
    """

    start: int
    end: int


def to_ms(seconds: float) -> int:
    """Seconds to whole milliseconds, rounded half up once, when read."""
    return int(seconds * 1000 + 0.5) if seconds >= 0 else -int(-seconds * 1000 + 0.5)


def read_clock(text: str) -> ClockTime:
    """Read "21:00" or "21:00:30". Raises ValueError, saying what is allowed."""
    found = _CLOCK.fullmatch(text)
    if found:
        hour, minute, second = int(found[1]), int(found[2]), int(found[3] or 0)
        if hour < 24 and minute < 60 and second < 60:
            return ClockTime(seconds=hour * 3600 + minute * 60 + second)
    raise ValueError(f"is '{text}', allowed are clock times from 00:00 to 23:59 (or with seconds, 21:00:30)")


def read_time(text: str) -> ClockTime | Anchor:
    """Read a clock time or an anchor: "21:00", "open", "open+10", "close-15" (minutes)."""
    found = _ANCHOR.fullmatch(text)
    if found:
        sign = -1 if found[2] == "-" else 1
        edge: Literal["open", "close"] = "open" if found[1] == "open" else "close"
        return Anchor(edge=edge, offset_min=sign * int(found[3] or 0))
    try:
        return read_clock(text)
    except ValueError:
        raise ValueError(
            f"is '{text}', allowed are clock times (21:00, 21:00:30) and open, close, open+10, close-15"
        ) from None


def read_period(text: str) -> Period:
    """Read "19:30-01:30"; the end may be 24:00. Raises ValueError, saying what is allowed."""
    start, dash, end = text.partition("-")
    try:
        if not dash:
            raise ValueError
        start_s = read_clock(start).seconds
        end_s = 86400 if end in {"24:00", "24:00:00"} else read_clock(end).seconds
        if end_s == 0:
            end_s = 86400
    except ValueError:
        raise ValueError(
            f"is '{text}', allowed are opening periods like 10:00-18:00 (24:00 is midnight)"
        ) from None
    return Period(start=start_s, end=end_s)
