"""One operating day and its opening periods: weeks, seasons, exceptions, and what `open` and `close` mean on it.

Reads nothing but the venue. A period's end is the next time the clock shows it after the start.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from oyez.planning.holidays import is_holiday
from oyez.planning.time import day_span, to_utc_ms, wall_time
from oyez.planning.types import Span
from oyez.venue.models import VenueFile, Week
from oyez.venue.units import DAY_NAMES, HOLIDAY, Day, read_clock, read_period, read_time
from oyez.venue.units import Anchor as AnchorTime

MINUTE_MS = 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """A set's opening periods of one operating day, by start. `always`: no hours are given, it never closes."""

    periods: tuple[Span, ...]
    always: bool = False


class OperatingDay:
    """One operating day of one venue, with the readings of times that depend on it."""

    def __init__(self, venue: VenueFile, date: dt.date) -> None:
        self.venue = venue
        self.date = date
        self.zone = ZoneInfo(venue.venue.timezone)
        self.span = day_span(venue, date)
        self.weekday: Day = DAY_NAMES[date.weekday()]
        self._starts_s = read_clock(venue.venue.day_starts).seconds
        self._holiday: bool | None = None
        self._openings: dict[str, Opening] = {}
        self._clocks: dict[int, int] = {}

    @property
    def holiday(self) -> bool:
        """Whether it is a public holiday of the venue. Raises InputError for a country without a calendar."""
        if self._holiday is None:
            self._holiday = is_holiday(self.venue.holidays, self.date)
        return self._holiday

    def clock(self, seconds: int) -> int:
        """Instant of a clock time: at or after `day_starts` on this date, an earlier one on the next.

        Never before the day begins: where the clocks go forward over `day_starts`, the day begins later by the
        clock than the gap ends, and what the clock shows in between counts as the day's beginning.
        """
        known = self._clocks.get(seconds)
        if known is None:
            read_ms = to_utc_ms(self.zone, wall_time(self._calendar(seconds), seconds))
            known = max(read_ms, self.span.start_ms)
            self._clocks[seconds] = known
        return known

    def _calendar(self, seconds: int) -> dt.date:
        return self.date if seconds >= self._starts_s else self.date + dt.timedelta(days=1)

    def opening(self, set_id: str) -> Opening:
        """Opening periods of the venue ("venue") or a named set on this day."""
        known = self._openings.get(set_id)
        if known is None:
            known = self._read_opening(set_id)
            self._openings[set_id] = known
        return known

    def _read_opening(self, set_id: str) -> Opening:
        texts = self._period_texts(set_id)
        if texts is None:
            return Opening(periods=(self.span,), always=True)
        spans = (self._period(text) for text in texts)
        return Opening(periods=tuple(sorted((s for s in spans if s.end_ms > s.start_ms), key=_by_start)))

    def _period_texts(self, set_id: str) -> tuple[str, ...] | None:
        """What holds on this day: an exception for the set, one for all sets, a season, the week.

        Season and week say by `ho` what holds on public holidays.
        """
        for wanted in (set_id, None):
            for entry in self.venue.hours_except:
                if entry.date == self.date and entry.hours == wanted:
                    return () if entry.closed else (entry.open or ())
        for season in self.venue.seasons:
            if season.hours == set_id and season.from_date <= self.date <= season.until_date:
                return self._of_week(season)
        week: Week | None = self.venue.hours
        if set_id != "venue":
            week = next(s for s in self.venue.hours_sets if s.id == set_id)
        return None if week is None else self._of_week(week)

    def _of_week(self, week: Week) -> tuple[str, ...]:
        return week.periods(self.weekday, holiday=week.ho is not None and self.holiday)

    def _period(self, text: str) -> Span:
        period = read_period(text)
        start_date = self._calendar(period.start)
        end_date = start_date if period.end > period.start else start_date + dt.timedelta(days=1)
        return Span(
            start_ms=self.clock(period.start),
            end_ms=max(to_utc_ms(self.zone, wall_time(end_date, period.end)), self.span.start_ms),
        )

    def instants(self, text: str, set_id: str) -> list[int]:
        """A time as written: one instant, or one for each opening period where it is an anchor."""
        time = read_time(text)
        if isinstance(time, AnchorTime):
            opening = self.opening(set_id)
            return [] if opening.always else [_moved(time, p) for p in opening.periods]
        return [self.clock(time.seconds)]

    def windows(self, start: str, end: str, set_id: str) -> list[Span]:
        """A window as written, read once for each opening period where an edge is an anchor.

        A window may come out empty or with its end before its start: then nothing is in it.
        """
        first, last = read_time(start), read_time(end)
        if not isinstance(first, AnchorTime) and not isinstance(last, AnchorTime):
            return [Span(start_ms=self.clock(first.seconds), end_ms=self.clock(last.seconds))]
        opening = self.opening(set_id)
        return (
            []
            if opening.always
            else [
                Span(
                    start_ms=_moved(first, p) if isinstance(first, AnchorTime) else self.clock(first.seconds),
                    end_ms=_moved(last, p) if isinstance(last, AnchorTime) else self.clock(last.seconds),
                )
                for p in opening.periods
            ]
        )

    def holds(
        self,
        days: Iterable[str] | None,
        from_date: dt.date | None,
        until_date: dt.date | None,
        except_dates: Iterable[dt.date],
        on_holidays: bool | None = None,
    ) -> bool:
        """Whether this operating day is among those meant (both dates included).

        days         weekdays, and "ho" for public holidays whatever their weekday
        on_holidays  False: never on those, True: on those alone
        """
        return (
            (days is None or self.weekday in days or (HOLIDAY in days and self.holiday))
            and (on_holidays is None or on_holidays == self.holiday)
            and (from_date is None or from_date <= self.date)
            and (until_date is None or self.date <= until_date)
            and self.date not in except_dates
        )


def _by_start(span: Span) -> tuple[int, int]:
    return span.start_ms, span.end_ms


def _moved(time: AnchorTime, period: Span) -> int:
    edge_ms = period.start_ms if time.edge == "open" else period.end_ms
    return edge_ms + time.offset_min * MINUTE_MS
