"""Times that English words name: "in fifteen minutes", "half past nine", "at 17:45". For warnings alone.

What is not understood is not said: a phrase that could mean something else counts as none.
"""

from __future__ import annotations

import re

_ONES = (
    "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
    "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen",
)  # fmt: skip
_TENS = {"twenty": 20, "thirty": 30, "forty": 40, "fifty": 50}
NUMBERS = {word: value for value, word in enumerate(_ONES)} | _TENS
NUMBERS |= {f"{tens} {one}": value + n for tens, value in _TENS.items() for n, one in enumerate(_ONES[1:10], 1)}

_WORDS = "|".join(sorted(NUMBERS, key=len, reverse=True))
_NUMBER = rf"(?:\d{{1,3}}|{_WORDS})"
_MINUTES = re.compile(rf"\b({_NUMBER})(?: more)? min(?:ute)?s?\b")
_HOURS = re.compile(rf"\b({_NUMBER}|an) hours?\b")
_PARTS = {
    re.compile(r"\bthree quarters of an hour\b"): 45,
    re.compile(r"\b(?:half an|a half) hour\b"): 30,
    re.compile(r"\b(?:a )?quarter of an hour\b"): 15,
}
_CLOCKS = (
    re.compile(r"\b(?:[01]?\d|2[0-3])[:.][0-5]\d\b"),
    re.compile(rf"\b{_NUMBER}(?: {_NUMBER})? (?:am|pm|a m|p m|o clock|oclock)\b"),
    re.compile(r"\b\d{1,2}(?:am|pm)\b"),
    re.compile(rf"\b(?:half past|quarter past|quarter to|{_NUMBER} past) {_NUMBER}\b"),
    re.compile(rf"\bat {_NUMBER} to {_NUMBER}\b"),  # without "at" it may be a range
    re.compile(r"\b(?:noon|midday|midnight)\b"),
)
_CLOSING = re.compile(r"\b(?:clos(?:e|es|ed|ing)|shut(?:s|ting)?)\b")
_OPENING = re.compile(r"\b(?:open(?:s|ing)?)\b")


def minutes_said(text: str) -> tuple[int, ...]:
    """Every length of time the words name, in minutes, in their order: "in half an hour" is 30."""
    plain = _plain(text)
    found: list[tuple[int, int]] = []
    for pattern, minutes in _PARTS.items():
        found += [(m.start(), minutes) for m in pattern.finditer(plain)]
        plain = pattern.sub(lambda m: " " * len(m[0]), plain)
    found += [(m.start(), _value(m[1])) for m in _MINUTES.finditer(plain)]
    found += [(m.start(), 60 * (1 if m[1] == "an" else _value(m[1]))) for m in _HOURS.finditer(plain)]
    return tuple(minutes for _, minutes in sorted(found))


def clock_said(text: str) -> str | None:
    """The first clock time the words name, as they name it; None when they name none."""
    plain = _plain(text)
    found = [m for pattern in _CLOCKS for m in pattern.finditer(plain)]
    return min(found, key=lambda m: m.start())[0] if found else None


def about_closing(text: str) -> bool:
    return _CLOSING.search(_plain(text)) is not None


def about_opening(text: str) -> bool:
    return _OPENING.search(_plain(text)) is not None


def _plain(text: str) -> str:
    """Small letters, hyphens and apostrophes as spaces, "p.m." as "pm"; one space between words."""
    small = re.sub(r"\b([ap])\.\s?m\b\.?", r"\1m", text.casefold())
    return re.sub(r"[\s\-\N{EN DASH}\N{HYPHEN}'\N{RIGHT SINGLE QUOTATION MARK},]+", " ", small)


def _value(word: str) -> int:
    return int(word) if word.isdigit() else NUMBERS[word]
