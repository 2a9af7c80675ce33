"""Opening hours seen together: periods that overlap or cross `day_starts`, seasons and exceptions that compete.

Works on the clock face of an operating day alone; no calendar and no time zone.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

from oyez.venue.allowed import Place
from oyez.venue.finding import Finding
from oyez.venue.models import VenueFile, Week
from oyez.venue.units import DAY_NAMES, HOLIDAY, read_clock, read_period

DAY_S = 86_400


def period_span(text: str, day_starts_s: int) -> tuple[int, int]:
    """An opening period in seconds after `day_starts`, [start, end); an end past 86400 crosses the next one.

    text          "19:30-01:30"; the end is the next time the clock shows it after the start
    day_starts_s  seconds from midnight, 0 to 86399
    """
    period = read_period(text)
    start = (period.start - day_starts_s) % DAY_S
    length = period.end - period.start
    return start, start + (length if length > 0 else length + DAY_S)


def hours_findings(venue: VenueFile) -> Iterator[Finding]:
    day_starts_s = read_clock(venue.venue.day_starts).seconds
    weeks: list[tuple[Place, Week]] = [(("hours",), venue.hours)] if venue.hours is not None else []
    weeks += [(("hours_sets", i), week) for i, week in enumerate(venue.hours_sets)]
    weeks += [(("seasons", i), week) for i, week in enumerate(venue.seasons)]
    for place, week in weeks:
        for day in DAY_NAMES:
            yield from _periods((*place, day), week.periods(day), day_starts_s, venue)
        yield from _periods((*place, HOLIDAY), week.ho or (), day_starts_s, venue)
    for i, single in enumerate(venue.hours_except):
        at: Place = ("hours_except", i)
        yield from _periods((*at, "open"), single.open or (), day_starts_s, venue)
        if single.closed and single.open is not None:
            message = "has closed = true and open, allowed is one of them"
            yield Finding(place=(*at, "closed"), also=((*at, "open"),), message=message, code="open-and-closed")
        if not single.closed and single.open is None:
            message = 'is neither closed nor open, allowed is closed = true, or open = ["11:00-15:00"]'
            yield Finding(place=at, message=message, code="neither-open-nor-closed", lacking=True)
    yield from _seasons(venue)
    yield from _exceptions(venue)


def _periods(place: Place, periods: Sequence[str], day_starts_s: int, venue: VenueFile) -> Iterator[Finding]:
    starts: Place = ("venue", "day_starts")
    key = place[-1]
    spans = [(*period_span(text, day_starts_s), i, text) for i, text in enumerate(periods)]
    for _, end, i, text in spans:
        if end > DAY_S:
            message = f"{key} has '{text}', which crosses day_starts {venue.venue.day_starts}"
            message += "; allowed are periods that end by then, or another day_starts"
            yield Finding(place=(*place, i), also=(starts,), message=message, code="crosses-day-starts")
    for (start_a, end_a, i, a), (start_b, end_b, j, b) in combinations(spans, 2):
        if start_a < end_b and start_b < end_a:
            message = f"{key} has '{a}' and '{b}', which overlap; allowed are periods apart"
            yield Finding(place=(*place, j), also=((*place, i), starts), message=message, code="periods-overlap")


def _seasons(venue: VenueFile) -> Iterator[Finding]:
    for i, season in enumerate(venue.seasons):
        if season.from_date > season.until_date:
            message = f"never applies: from_date {season.from_date} is after until_date {season.until_date}"
            place: Place = ("seasons", i)
            also: tuple[Place, ...] = ((*place, "from_date"), (*place, "until_date"))
            yield Finding(place=place, also=also, message=message, code="dates-backwards", level="warning")
    for (i, a), (j, b) in combinations(enumerate(venue.seasons), 2):
        first, last = max(a.from_date, b.from_date), min(a.until_date, b.until_date)
        apart = a.from_date > a.until_date or b.from_date > b.until_date
        if a.hours == b.hours and first <= last and not apart:
            message = f"overlaps season {i + 1} of '{a.hours}' from {first} to {last}, allowed is one a day"
            also = tuple(("seasons", n, key) for n in (i, j) for key in ("hours", "from_date", "until_date"))
            yield Finding(place=("seasons", j, "from_date"), also=also, message=message, code="seasons-overlap")


def _exceptions(venue: VenueFile) -> Iterator[Finding]:
    """Without `hours` an exception counts for every set, so it competes with any other of its date."""
    for (i, a), (j, b) in combinations(enumerate(venue.hours_except), 2):
        if a.date == b.date and (a.hours == b.hours or a.hours is None or b.hours is None):
            named = a.hours or b.hours
            whose = f"the hours '{named}'" if named else "every set of hours"
            message = f"is the second for {b.date} and {whose}, after hours exception {i + 1}; allowed is one"
            also = tuple(("hours_except", n, key) for n in (i, j) for key in ("hours", "date"))
            yield Finding(place=("hours_except", j, "date"), also=also, message=message, code="exceptions-compete")
