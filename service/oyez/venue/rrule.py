"""The text of an RRULE (RFC 5545, section 3.3.10) checked part by part. Works out no instants."""

from __future__ import annotations

import datetime as dt
import re

from oyez.venue.allowed import nearest, quoted

FREQS = ("SECONDLY", "MINUTELY", "HOURLY", "DAILY", "WEEKLY", "MONTHLY", "YEARLY")
WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")

# name: (least, most, may count from the end). A leap second (BYSECOND=60) is left out: no clock here shows it.
_LISTS = {
    "BYSECOND": (0, 59, False),
    "BYMINUTE": (0, 59, False),
    "BYHOUR": (0, 23, False),
    "BYMONTHDAY": (1, 31, True),
    "BYYEARDAY": (1, 366, True),
    "BYWEEKNO": (1, 53, True),
    "BYMONTH": (1, 12, False),
    "BYSETPOS": (1, 366, True),
}
PARTS = ("FREQ", "UNTIL", "COUNT", "INTERVAL", *_LISTS, "BYDAY", "WKST")

# "The BYxxx rule part MUST NOT be specified when the FREQ rule part is set to ..."
_NOT_WITH = {
    "BYMONTHDAY": {"WEEKLY"},
    "BYYEARDAY": {"DAILY", "WEEKLY", "MONTHLY"},
    "BYWEEKNO": set(FREQS) - {"YEARLY"},
}
_DAY = re.compile(r"([+-]?\d{1,2})?(MO|TU|WE|TH|FR|SA|SU)")
_UNTIL = re.compile(r"(\d{8})(?:T(\d{6})Z?)?")


def rrule_faults(text: str) -> list[str]:
    """Everything wrong with an RRULE's text, each as words that follow the key's name; empty when it is sound.

    text  "FREQ=MONTHLY;BYDAY=1FR", without "RRULE:" before it; letters in either case
    """
    if text.upper().startswith("RRULE:"):
        return ["starts with 'RRULE:', allowed is what stands behind it"]
    found: list[str] = []
    parts: dict[str, str] = {}
    for piece in text.upper().split(";"):
        name, equals, value = piece.partition("=")
        if not equals or not value:
            found.append(f"has the part {quoted(piece)}, allowed are parts like FREQ=WEEKLY with ; between them")
        elif name not in PARTS:
            near = nearest(name, PARTS)
            hint = f"the nearest allowed is {near}" if near else f"allowed are {', '.join(PARTS)}"
            found.append(f"has the unknown part {quoted(name)}, {hint}")
        elif name in parts:
            found.append(f"has {name} twice, allowed is once")
        else:
            parts[name] = value
            found += _value_faults(name, value)
    return found + _together(parts)


def _value_faults(name: str, value: str) -> list[str]:
    if name == "FREQ":
        if value in FREQS:
            return []
        return [f"has FREQ={value[:40]}, allowed are {', '.join(FREQS)}"]
    if name in {"COUNT", "INTERVAL"}:
        if value.isascii() and value.isdigit() and len(value) <= 6 and int(value) >= 1:
            return []
        return [f"has {name}={value[:40]}, allowed are whole numbers from 1 to 999999"]
    if name == "WKST":
        return [] if value in WEEKDAYS else [f"has WKST={value[:40]}, allowed are {', '.join(WEEKDAYS)}"]
    if name == "UNTIL":
        return [] if _until(value) else [f"has UNTIL={value[:40]}, allowed are 20261231, 20261231T235900(Z)"]
    if name == "BYDAY":
        return [
            f"has the BYDAY {quoted(one)}, allowed are {', '.join(WEEKDAYS)}, numbered like 1FR or -1FR"
            for one in value.split(",")
            if not _day(one)
        ]
    least, most, from_end = _LISTS[name]
    shape = re.compile(r"[+-]?\d{1,3}" if from_end else r"\d{1,3}")
    may = f"{least} to {most}" + (f" and -{most} to -{least}" if from_end else "")
    return [
        f"has the {name} {quoted(one)}, allowed are {may}"
        for one in value.split(",")
        if not shape.fullmatch(one) or not least <= abs(int(one)) <= most
    ]


def _day(text: str) -> bool:
    found = _DAY.fullmatch(text)
    return bool(found) and (found is not None and (found[1] is None or 1 <= abs(int(found[1])) <= 53))


def _until(text: str) -> bool:
    found = _UNTIL.fullmatch(text)
    if not found:
        return False
    try:
        dt.datetime.strptime(found[1] + (found[2] or "000000"), "%Y%m%d%H%M%S")  # noqa: DTZ007 (a shape, no instant)
    except ValueError:
        return False
    return True


def _together(parts: dict[str, str]) -> list[str]:
    """What RFC 5545 forbids between parts."""
    found = []
    freq = parts.get("FREQ")
    if freq is None:
        found.append("has no FREQ, it must say how often: " + ", ".join(f"FREQ={f}" for f in FREQS[3:]))
    if "COUNT" in parts and "UNTIL" in parts:
        found.append("has COUNT and UNTIL, allowed is one of them")
    found += [
        f"has {name} with FREQ={freq}, which RFC 5545 does not allow"
        for name, never in _NOT_WITH.items()
        if name in parts and freq in never
    ]
    numbered = any(day[:1] in "+-0123456789" for day in parts.get("BYDAY", "MO").split(",") if day)
    if numbered and freq is not None and (freq not in {"MONTHLY", "YEARLY"} or "BYWEEKNO" in parts):
        found.append("has a numbered BYDAY, allowed only with FREQ=MONTHLY, or FREQ=YEARLY without BYWEEKNO")
    if "BYSETPOS" in parts and not any(name.startswith("BY") for name in parts if name != "BYSETPOS"):
        found.append("has BYSETPOS alone, allowed is beside another BY... part")
    return found
