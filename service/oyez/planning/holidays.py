"""Public holidays: a country's and region's, from the `holidays` package's own tables, and a venue's listed dates.

A date here is an operating day. The package is imported only where a country is named.
"""

from __future__ import annotations

import datetime as dt
from functools import lru_cache

from oyez.errors import InputError
from oyez.venue.models import Holidays


def is_holiday(given: Holidays, date: dt.date) -> bool:
    """Whether the date is a public holiday of the venue: its country's and its own dates, without the excepted.

    Raises InputError for a country or region without a calendar.
    """
    if date in given.except_dates:
        return False
    if date in given.dates:
        return True
    return given.country is not None and date in _of_year(given.country, given.subdiv, date.year)


def are_given(given: Holidays) -> bool:
    return given.country is not None or bool(given.dates)


def wrong_place(country: str, subdiv: str | None) -> tuple[str, str] | None:
    """What is wrong with a country and region as (key, message), None when they have a calendar."""
    regions = _places().get(country)
    if regions is None:
        some = [c for c in sorted(_places()) if c[0] == country[:1]]
        named = ", ".join(some) or "GB, FR, US"
        return "country", f"is '{country}', which has no calendar of holidays; there are {named}"
    if subdiv is not None and subdiv not in regions:
        known = ", ".join(regions[:20]) + (f" and {len(regions) - 20} more" if len(regions) > 20 else "")
        hint = f"allowed are {known}" if regions else "allowed is none: the country has one calendar"
        return "subdiv", f"is '{subdiv}', {hint}"
    return None


@lru_cache(maxsize=1)
def _places() -> dict[str, tuple[str, ...]]:
    import holidays

    return {
        code: tuple(regions)
        for code, regions in holidays.list_supported_countries(include_aliases=False).items()
        if len(code) == 2
    }


@lru_cache(maxsize=256)
def _of_year(country: str, subdiv: str | None, year: int) -> frozenset[dt.date]:
    """Days off of the public calendar, the days in lieu of a weekend's included."""
    import holidays

    wrong = wrong_place(country, subdiv)
    if wrong is not None:
        raise InputError(f"holidays: {wrong[0]} {wrong[1]}")
    return frozenset(holidays.country_holidays(country, subdiv=subdiv, years=year))
