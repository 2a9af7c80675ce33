"""The lines and components of an iCalendar file (RFC 5545 sections 3.1, 3.4 and 3.6): unfolded, nested, bounded.

Knows no property's meaning. The text comes from outside and is not trusted.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from oyez.errors import InputError

MAX_LINES = 400_000
MAX_EVENTS = 20_000
_NAME = re.compile(r"[A-Za-z0-9-]+")
_PARAM = re.compile(r';([A-Za-z0-9-]+)=((?:"[^"]*"|[^";:,])*(?:,(?:"[^"]*"|[^";:,])*)*)')


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One content line: NAME;PARAM=VALUE:value."""

    name: str
    params: dict[str, str]
    value: str
    number: int


@dataclass(slots=True, kw_only=True)
class EventLines:
    """The content lines of one VEVENT by name. `number`: the line it begins on."""

    lines: dict[str, list[Line]] = field(default_factory=dict)
    number: int = 0

    def one(self, name: str) -> Line | None:
        found = self.lines.get(name)
        return found[0] if found else None

    def words(self, name: str) -> str:
        line = self.one(name)
        return "" if line is None else plain_text(line.value)


def _lines(ics: str) -> Iterator[Line]:
    raw = ics.removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if len(raw) > MAX_LINES:
        raise InputError(f"has {len(raw)} lines, allowed are {MAX_LINES}")
    number, whole, begun = 0, "", 0
    for number, line in enumerate([*raw, ""], 1):
        if line[:1] in {" ", "\t"} and begun:
            whole += line[1:]
            continue
        if whole.strip():
            yield _line(whole, begun)
        whole, begun = line, number


def _line(whole: str, number: int) -> Line:
    name = _NAME.match(whole)
    at = name.end() if name else 0
    params: dict[str, str] = {}
    while name and (param := _PARAM.match(whole, at)):
        params[param[1].upper()] = param[2].strip('"')
        at = param.end()
    if not name or whole[at : at + 1] != ":":
        raise InputError(
            f"line {number} is '{whole[:40]}', allowed are iCalendar lines (RFC 5545) like SUMMARY:Closed"
        )
    return Line(name=name[0].upper(), params=params, value=whole[at + 1 :].strip(), number=number)


def read_components(ics: str) -> Iterator[EventLines]:
    """The events of a calendar, in the file's order. Raises InputError, naming the line, when it is none."""
    inside: list[str] = []
    event: EventLines | None = None
    count, calendars = 0, 0
    for line in _lines(ics):
        if line.name == "BEGIN":
            if not inside and line.value.upper() != "VCALENDAR":
                raise InputError(f"line {line.number} begins {line.value[:40]}, allowed is BEGIN:VCALENDAR first")
            calendars += not inside
            inside.append(line.value.upper())
            if inside == ["VCALENDAR", "VEVENT"]:
                event = EventLines(number=line.number)
        elif line.name == "END":
            if not inside or inside[-1] != line.value.upper():
                awaited = f"END:{inside[-1]}" if inside else "BEGIN:VCALENDAR"
                raise InputError(f"line {line.number} is END:{line.value[:40]}, allowed is {awaited}")
            if inside == ["VCALENDAR", "VEVENT"] and event is not None:
                count += 1
                if count > MAX_EVENTS:
                    raise InputError(f"has more than {MAX_EVENTS} events, allowed are {MAX_EVENTS}")
                yield event
                event = None
            inside.pop()
        elif not inside:
            raise InputError(f"line {line.number} is {line.name}, allowed is BEGIN:VCALENDAR first")
        elif event is not None and len(inside) == 2:
            event.lines.setdefault(line.name, []).append(line)
    if not calendars:
        raise InputError("is empty, allowed are iCalendar files (RFC 5545), which begin with BEGIN:VCALENDAR")
    if inside:
        raise InputError(f"ends inside {inside[-1]}, allowed are whole files that end with END:VCALENDAR")


def plain_text(value: str) -> str:
    """A TEXT value without its escapes (section 3.3.11), on one line."""
    plain = re.sub(r"\\([\\;,nN])", lambda m: " " if m[1] in "nN" else m[1], value)
    return " ".join(plain.split())
