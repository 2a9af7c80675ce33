"""The plan as iCalendar (RFC 5545): one event an announcement, for a calendar program. Looks at no clock.

    VCALENDAR
    ├── VTIMEZONE    the venue's zone, its changes over the days shown (made from `zoneinfo`)
    └── VEVENT       UID stable: the occurrence and the venue; LOCATION: the zones. Zones that take an
                     occurrence one by one at the same instant share an event

The same plans give the same bytes: DTSTAMP is the beginning of the operating day a play belongs to. Times are
local with TZID; in the hour that the clock shows twice the second time around they are UTC, as a local time
there means the first (section 3.3.5). Whole seconds: a start is rounded down, an end up.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import unicodedata
from collections.abc import Iterator, Sequence
from zoneinfo import ZoneInfo

from oyez.planning.time import to_local, to_utc_ms
from oyez.planning.types import Plan, Play
from oyez.venue.models import VenueFile
from oyez.venue.priority import step_of

PRODUCT = "-//Oyez//Plan of announcements//EN"
MAX_OCTETS = 75  # section 3.1
_HOUR_MS = 3_600_000
_LOOK_BACK_DAYS = 800  # most zones that change at all change within two years


def plan_ics(venue: VenueFile, plans: Sequence[Plan]) -> str:
    """A calendar of the plays of one or several days, lines ended by CRLF and folded at 75 octets.

    plans  of this venue, in the order of their dates, at least one
    What found no place is not in it: it will not be heard.
    """
    zone = ZoneInfo(venue.venue.timezone)
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        f"PRODID:{PRODUCT}",
        "CALSCALE:GREGORIAN",
        f"NAME:{text(venue.venue.name)}",  # RFC 7986 section 5.1
        "REFRESH-INTERVAL;VALUE=DURATION:PT1H",  # RFC 7986 section 5.7
        *_timezone(zone, plans[0].starts_ms, plans[-1].ends_ms),
    ]
    names = {z.id: z.name for z in venue.zones}
    domain = calendar_name(venue.venue.name)
    for plan in plans:
        for uid, plays in _gathered(plan.plays):
            lines += _event(plays, plan, zone, names, f"{text(uid)}@{domain}")
    lines.append("END:VCALENDAR")
    return "".join(f"{folded}\r\n" for line in lines for folded in [fold(line)])


def calendar_name(venue_name: str) -> str:
    """A name for a venue that is stable, plain ASCII, and another for another venue: it ends every UID."""
    plain = unicodedata.normalize("NFKD", venue_name).encode("ascii", "ignore").decode("ascii").lower()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:40].strip("-") or "venue"
    return f"{slug}-{hashlib.sha256(venue_name.encode()).hexdigest()[:8]}"


def text(value: str) -> str:
    """A TEXT value, escaped (section 3.3.11); control characters other than line ends have no place in one."""
    kept = "".join(c for c in value.replace("\r\n", "\n") if c in "\n\t" or unicodedata.category(c) != "Cc")
    return kept.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def fold(line: str) -> str:
    """A content line folded so that no line has more than 75 octets, no character cut in two (section 3.1)."""
    if len(line.encode()) <= MAX_OCTETS:
        return line
    parts: list[str] = []
    part, size = "", 0
    for char in line:
        octets = len(char.encode())
        if size + octets > MAX_OCTETS:
            parts.append(part)
            part, size = " ", 1
        part, size = part + char, size + octets
    parts.append(part)
    return "\r\n".join(parts)


def _gathered(plays: Sequence[Play]) -> Iterator[tuple[str, list[Play]]]:
    """The plays of one occurrence that sound at the same time, under one name, in order of start.

    The earliest of an occurrence whose zones take it one by one goes by the occurrence, a later one by its zone.
    """
    groups: dict[tuple[str, int, int], list[Play]] = {}
    for play in plays:
        groups.setdefault((play.id.partition("/")[0], play.start_ms, play.end_ms), []).append(play)
    named: set[str] = set()
    for (occurrence, _, _), same in groups.items():
        yield same[0].id if occurrence in named else occurrence, same
        named.add(occurrence)


def _event(plays: Sequence[Play], plan: Plan, zone: ZoneInfo, names: dict[str, str], uid: str) -> Iterator[str]:
    play = plays[0]
    step = step_of(play.priority)
    sounding = {z for one in plays for z in one.zones}
    where = ", ".join(name for z, name in names.items() if z in sounding)
    reasons = dict.fromkeys(one.reason for one in plays)
    words = f"Priority {play.priority} ({step.name})."
    words += "".join(f" {reason[:1].upper()}{reason[1:]}." for reason in reasons)
    left_out = dict.fromkeys((left.zone, left.reason) for one in plays for left in one.left_out)
    words += "".join(f"\nWithout {names.get(name, name)}: {reason}." for name, reason in left_out)
    yield "BEGIN:VEVENT"
    yield f"UID:{uid}"
    yield f"DTSTAMP:{_utc(plan.starts_ms)}"
    yield f"DTSTART{_local(zone, play.start_ms // 1000 * 1000)}"
    yield f"DTEND{_local(zone, -(-play.end_ms // 1000) * 1000)}"
    yield f"SUMMARY:{text(play.title)}"
    yield f"LOCATION:{text(where)}"
    yield f"DESCRIPTION:{text(words)}"
    yield f"CATEGORIES:{text(step.name)}"
    yield "TRANSP:TRANSPARENT"  # nobody is busy because an announcement sounds
    yield "END:VEVENT"


def _utc(at_ms: int) -> str:
    return f"{to_local(_UTC, at_ms):%Y%m%dT%H%M%SZ}"


_UTC = ZoneInfo("UTC")


def _local(zone: ZoneInfo, at_ms: int) -> str:
    """The rest of a DTSTART or DTEND line: local with TZID, or UTC where local would mean another instant."""
    local = to_local(zone, at_ms)
    wall = local.replace(tzinfo=None)
    if to_utc_ms(zone, wall) != at_ms:
        return f":{_utc(at_ms)}"
    return f";TZID={zone.key}:{wall:%Y%m%dT%H%M%S}"


def _timezone(zone: ZoneInfo, from_ms: int, until_ms: int) -> Iterator[str]:
    """VTIMEZONE (section 3.6.5) with every change of offset in the span and the last one before it."""
    yield "BEGIN:VTIMEZONE"
    yield f"TZID:{zone.key}"
    onsets = list(_onsets(zone, from_ms, until_ms))
    if not onsets:
        offset = _offset(zone, from_ms)
        yield from _observance(zone, from_ms, "19700101T000000", offset, offset)
    for at_ms in onsets:
        before, after = _offset(zone, at_ms - 1), _offset(zone, at_ms)
        onset = to_local(_UTC, at_ms + before // dt.timedelta(milliseconds=1))
        yield from _observance(zone, at_ms, f"{onset:%Y%m%dT%H%M%S}", before, after)
    yield "END:VTIMEZONE"


def _observance(
    zone: ZoneInfo, at_ms: int, onset: str, before: dt.timedelta, after: dt.timedelta
) -> Iterator[str]:
    local = to_local(zone, at_ms)
    kind = "DAYLIGHT" if local.dst() else "STANDARD"
    yield f"BEGIN:{kind}"
    yield f"DTSTART:{onset}"  # the wall clock as it stood until then
    yield f"TZOFFSETFROM:{_offset_text(before)}"
    yield f"TZOFFSETTO:{_offset_text(after)}"
    yield f"TZNAME:{text(local.tzname() or zone.key)}"
    yield f"END:{kind}"


def _onsets(zone: ZoneInfo, from_ms: int, until_ms: int) -> list[int]:
    """Instants at which the offset changes: all within the span, and the last before it where one is near."""
    day = 24 * _HOUR_MS
    found: list[int] = []
    at_ms = max(0, from_ms - _LOOK_BACK_DAYS * day)
    while at_ms < until_ms:
        next_ms = min(at_ms + day, until_ms)
        found += _changes(zone, at_ms, next_ms)
        at_ms = next_ms
    before = [at for at in found if at <= from_ms]
    return before[-1:] + [at for at in found if at > from_ms]


def _changes(zone: ZoneInfo, low_ms: int, high_ms: int) -> list[int]:
    """The first millisecond of the new offset in (low_ms, high_ms], at most a day long; none has two changes."""
    if _offset(zone, low_ms) == _offset(zone, high_ms):
        return []
    while high_ms - low_ms > 1:
        middle_ms = (low_ms + high_ms) // 2
        if _offset(zone, middle_ms) == _offset(zone, low_ms):
            low_ms = middle_ms
        else:
            high_ms = middle_ms
    return [high_ms]


def _offset(zone: ZoneInfo, at_ms: int) -> dt.timedelta:
    offset = to_local(zone, at_ms).utcoffset()
    assert offset is not None
    return offset


def _offset_text(offset: dt.timedelta) -> str:
    """Written +0100, with seconds only where there are some (section 3.3.14)."""
    seconds = int(offset.total_seconds())
    sign, seconds = "-" if seconds < 0 else "+", abs(seconds)
    hours, rest = divmod(seconds, 3600)
    minutes, rest = divmod(rest, 60)
    return f"{sign}{hours:02d}{minutes:02d}" + (f"{rest:02d}" if rest else "")
