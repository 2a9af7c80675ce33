"""Public holidays seen together: a calendar that there is, and `ho` and `on_holidays` that can mean something.

Which countries have a calendar is known by the planner's tables alone; they are asked only where one is named.
"""

from __future__ import annotations

from collections.abc import Iterator

from oyez.venue.allowed import Place
from oyez.venue.finding import Finding
from oyez.venue.models import Fixed, Interval, Quiet, VenueFile, Week
from oyez.venue.units import HOLIDAY


def holiday_findings(venue: VenueFile) -> Iterator[Finding]:
    given = venue.holidays
    if given.country is not None:
        from oyez.planning.holidays import wrong_place

        wrong = wrong_place(given.country, given.subdiv)
        if wrong is not None:
            key, message = wrong
            also: tuple[Place, ...] = (("holidays", "country"), ("holidays", "subdiv"))
            said = f"{key} {message}"
            yield Finding(place=("holidays", key), also=also, message=said, code="unknown-holidays")
    elif given.subdiv is not None:
        message = f"subdiv is '{given.subdiv}' without a country, allowed is one beside a country"
        place: Place = ("holidays", "subdiv")
        yield Finding(place=place, message=message, code="subdiv-alone", lacking=True)
    none_given = given.country is None and not given.dates
    for at, what in _uses(venue):
        if none_given:
            message = f"{what} means public holidays, but the venue has none: give [holidays] a country or dates"
            yield Finding(
                place=at, also=(("holidays",),), message=message, code="no-holidays", level="warning", lacking=True
            )
    for at, span in _spans(venue):
        if span.on_holidays is False and HOLIDAY in (span.days or ()):
            message = "has 'ho' in days, which never holds with on_holidays = false"
            also = ((*at, "on_holidays"),)
            yield Finding(place=(*at, "days"), also=also, message=message, code="ho-never", level="warning")


def _spans(venue: VenueFile) -> Iterator[tuple[Place, Fixed | Interval | Quiet]]:
    for i, quiet in enumerate(venue.quiet):
        yield ("quiet", i), quiet
    for i, rule in enumerate(venue.rules):
        if rule.fixed is not None:
            yield ("rules", i, "fixed"), rule.fixed
        if rule.interval is not None:
            yield ("rules", i, "interval"), rule.interval


def _uses(venue: VenueFile) -> Iterator[tuple[Place, str]]:
    weeks: list[tuple[Place, Week]] = [] if venue.hours is None else [(("hours",), venue.hours)]
    weeks += [(("hours_sets", i), week) for i, week in enumerate(venue.hours_sets)]
    weeks += [(("seasons", i), week) for i, week in enumerate(venue.seasons)]
    for at, week in weeks:
        if week.ho is not None:
            yield (*at, HOLIDAY), HOLIDAY
    for at, span in _spans(venue):
        if HOLIDAY in (span.days or ()):
            yield (*at, "days"), f"'{HOLIDAY}' in days"
        elif span.on_holidays is not None:
            yield (*at, "on_holidays"), "on_holidays"
