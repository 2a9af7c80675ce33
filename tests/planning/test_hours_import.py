"""Opening hours read from a calendar file: what is taken is what it says, and what is not taken is said with why.

The calendars are written by the `icalendar` package, apart from those whose point is how they are written.
"""

import datetime as dt
import time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from icalendar import Calendar, Event, vRecur

from oyez.errors import InputError
from oyez.planning.hours_import import HoursImport, hours_from
from oyez.planning.ical import plan_ics
from oyez.planning.ical_lines import MAX_EVENTS
from tests.planning.building import every_day, plan, rule, venue

FIRST, LAST = dt.date(2026, 11, 27), dt.date(2027, 12, 31)
LONDON = ZoneInfo("Europe/London")
OPEN = every_day("10:00-18:00")


def ics(*events: Event) -> str:
    calendar = Calendar()
    calendar.add("prodid", "-//Test//")
    calendar.add("version", "2.0")
    for number, event in enumerate(events):
        if "UID" not in event:
            event.add("uid", f"{number}@test")
        calendar.add_component(event)
    return calendar.to_ical().decode()


def event(summary: str, start, end=None, **more) -> Event:
    made = Event()
    made.add("summary", summary)
    made.add("dtstart", start)
    if end is not None:
        made.add("dtend", end)
    for name, value in more.items():
        made.add(name.replace("_", "-"), value)
    return made


def local(text: str, zone: ZoneInfo | None = LONDON) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=zone)


def read(*events: Event, v=None, hours="venue", **more) -> HoursImport:
    v = v or venue(rule("a", at="12:00"), hours=OPEN)
    return hours_from(v, ics(*events), hours=hours, first=FIRST, last=LAST, **more)


def taken(found: HoursImport) -> dict[str, list[str]]:
    return {e.date.isoformat(): list(e.open or ()) for e in found.taken}


def why(found: HoursImport) -> list[str]:
    return [n.why for n in found.not_taken]


# ---- what is taken


def test_whole_days_that_say_closed_are_closed():
    # RFC 5545 section 3.6.1: the end of an event of whole days is not included.
    found = read(event("Closed for the winter", dt.date(2027, 1, 4), dt.date(2027, 1, 7)))
    assert taken(found) == {"2027-01-04": [], "2027-01-05": [], "2027-01-06": []}
    assert all(e.closed for e in found.taken)
    assert found.not_taken == ()


def test_a_whole_day_without_an_end_is_one_day():
    assert taken(read(event("Closed", dt.date(2027, 1, 4)))) == {"2027-01-04": []}


def test_times_that_say_open_are_that_days_periods_in_order():
    found = read(
        event("Open late", local("2026-12-31T20:00"), local("2027-01-01T01:30")),
        event("Open", local("2026-12-31T10:00"), local("2026-12-31T16:00")),
    )
    assert taken(found) == {"2026-12-31": ["10:00-16:00", "20:00-01:30"]}


def test_periods_that_overlap_or_touch_are_one():
    found = read(
        event("Open", local("2026-12-05T10:00"), local("2026-12-05T13:00")),
        event("Open", local("2026-12-05T13:00"), local("2026-12-05T15:00")),
        event("Open", local("2026-12-05T14:00"), local("2026-12-05T19:00")),
    )
    assert taken(found) == {"2026-12-05": ["10:00-19:00"]}


def test_a_category_says_it_as_well_as_the_title_and_wins():
    found = read(
        event("Stock-taking", dt.date(2027, 1, 4), categories=["CLOSED"]),
        event("Open day of the aquarists", dt.date(2027, 1, 5), categories=["Closed"]),
        event("Winterpause", dt.date(2027, 1, 6)),
        closed_words=["winterpause"],
    )
    assert taken(found) == {"2027-01-04": [], "2027-01-05": [], "2027-01-06": []}


@pytest.mark.parametrize(
    ("start", "end", "periods"),
    [
        (local("2027-07-05T09:00", ZoneInfo("UTC")), local("2027-07-05T15:00", ZoneInfo("UTC")), ["10:00-16:00"]),
        (
            local("2027-07-05T05:00", ZoneInfo("America/New_York")),
            local("2027-07-05T11:00", ZoneInfo("UTC")),
            ["10:00-12:00"],
        ),
        (
            local("2027-07-05T10:00", None),
            local("2027-07-05T16:00", None),
            ["10:00-16:00"],
        ),  # floating: 3.3.5, form 1
    ],
)
def test_times_of_other_zones_become_the_venues(start, end, periods):
    assert taken(read(event("Open", start, end))) == {"2027-07-05": periods}


def test_an_hour_after_midnight_belongs_to_the_evening_before():
    found = read(event("Open", local("2026-12-06T00:30"), local("2026-12-06T03:00")))
    assert taken(found) == {"2026-12-05": ["00:30-03:00"]}


def test_repeats_run_by_the_clock_with_exceptions_and_single_changes():
    weekly = event(
        "Open",
        local("2027-03-20T11:00"),
        local("2027-03-20T15:00"),
        uid="w@test",
        rrule=vRecur({"freq": "weekly", "count": 4}),
    )
    weekly.add("exdate", local("2027-04-03T11:00"))
    moved = event(
        "Open",
        local("2027-04-10T12:00"),
        local("2027-04-10T14:00"),
        uid="w@test",
        recurrence_id=local("2027-04-10T11:00"),
    )
    # Saturdays 20 March to 10 April 2027; clocks change on 28 March.
    assert taken(read(weekly, moved)) == {
        "2027-03-20": ["11:00-15:00"],
        "2027-03-27": ["11:00-15:00"],
        "2027-04-10": ["12:00-14:00"],
    }


def test_a_cancelled_repeat_is_off():
    weekly = event("Closed", dt.date(2027, 1, 4), uid="w@test", rrule=vRecur({"freq": "weekly", "count": 3}))
    off = event(
        "Closed", dt.date(2027, 1, 11), uid="w@test", recurrence_id=dt.date(2027, 1, 11), status="CANCELLED"
    )
    assert taken(read(weekly, off)) == {"2027-01-04": [], "2027-01-18": []}


@pytest.mark.parametrize("until", ["20270118", "20270118T000000", "20270118T000000Z"])
def test_until_may_be_written_in_any_way_people_write_it(until):
    text = ics(event("Closed", dt.date(2027, 1, 4))).replace(
        "SUMMARY:Closed\r\n", f"SUMMARY:Closed\r\nRRULE:FREQ=WEEKLY;UNTIL={until}\r\n"
    )
    v = venue(rule("a", at="12:00"), hours=OPEN)
    found = hours_from(v, text, hours="venue", first=FIRST, last=LAST)
    assert list(taken(found)) == ["2027-01-04", "2027-01-11", "2027-01-18"]


def test_a_date_in_exdate_takes_that_days_time_out():
    text = ics(event("Open", local("2027-01-04T11:00"), local("2027-01-04T12:00"))).replace(
        "SUMMARY:Open\r\n", "SUMMARY:Open\r\nRRULE:FREQ=DAILY;COUNT=3\r\nEXDATE;VALUE=DATE:20270105\r\n"
    )
    found = hours_from(venue(hours=OPEN), text, hours="venue", first=FIRST, last=LAST)
    assert list(taken(found)) == ["2027-01-04", "2027-01-06"]


FEW = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))


@FEW
@given(
    date=st.dates(FIRST, LAST - dt.timedelta(days=2)),
    start=st.integers(0, 23 * 4),
    length=st.integers(1, 40),
)
def test_what_is_taken_opens_the_venue_exactly_then(date, start, length):
    wall = dt.datetime.combine(date, dt.time(5)) + dt.timedelta(minutes=15 * start)
    end = wall + dt.timedelta(minutes=15 * length)
    limit = dt.datetime.combine(date, dt.time(5)) + dt.timedelta(days=1)
    if end > limit:
        return
    v = venue(rule("a", fixed={"times": ["open", "close"]}), hours={})
    found = read(event("Open", wall.replace(tzinfo=None), end.replace(tzinfo=None)), v=v)
    day = plan(found.into(v, "venue"), date)
    assert [(p.start_ms, p.end_ms) for p in day.open["venue"]] in [[_span(wall, end)], [_elapsed(wall, end)]]


def _ms(wall: dt.datetime) -> int:
    return int(wall.replace(tzinfo=LONDON).timestamp()) * 1000


def _span(start: dt.datetime, end: dt.datetime) -> tuple[int, int]:
    return _ms(start), _ms(end)


def _elapsed(start: dt.datetime, end: dt.datetime) -> tuple[int, int]:
    """Across a clock change the end of a floating event is read as its length after the start."""
    return _ms(start), _ms(start) + int((end - start).total_seconds()) * 1000


# ---- what the venue says already


def test_days_as_usual_and_days_that_are_there_are_counted_and_not_added():
    v = venue(
        rule("a", at="12:00"), hours=OPEN, hours_except=[{"date": "2027-01-04", "hours": "venue", "closed": True}]
    )
    found = read(
        event("Closed", dt.date(2027, 1, 4)),
        event("Open", local("2027-01-05T10:00"), local("2027-01-05T18:00")),
        event("Open", local("2027-01-06T10:00"), local("2027-01-06T17:00")),
        v=v,
    )
    assert (found.there, found.as_usual, taken(found)) == (1, 1, {"2027-01-06": ["10:00-17:00"]})


def test_an_exception_of_the_venue_is_kept_unless_it_shall_be_replaced():
    v = venue(
        rule("a", at="12:00"),
        hours=OPEN,
        hours_except=[{"date": "2027-01-04", "hours": "venue", "open": ["11:00-12:00"]}],
    )
    kept = read(event("Closed", dt.date(2027, 1, 4)), v=v)
    assert (taken(kept), why(kept)) == ({}, ["the venue has another exception for that day: kept"])
    found = read(event("Closed", dt.date(2027, 1, 4)), v=v, replace=True)
    assert (taken(found), found.replaced) == ({"2027-01-04": []}, (dt.date(2027, 1, 4),))
    (entry,) = found.into(v, "venue").hours_except
    assert entry.closed


def test_an_exception_for_every_set_is_never_competed_with():
    v = venue(rule("a", at="12:00"), hours=OPEN, hours_except=[{"date": "2027-01-04", "open": ["11:00-12:00"]}])
    found = read(event("Closed", dt.date(2027, 1, 4)), v=v, replace=True)
    assert taken(found) == {}
    assert "for every set" in why(found)[0]


# ---- what is not taken


@pytest.mark.parametrize(
    ("made", "reason"),
    [
        (event("Staff party", dt.date(2027, 1, 4)), "says neither open nor closed"),
        (event("Reopening soon", dt.date(2027, 1, 4)), "says neither open nor closed"),
        (event("Open", dt.date(2027, 1, 4)), "is open on whole days: give it times"),
        (event("Closed", local("2027-01-04T12:00"), local("2027-01-04T14:00")), "is closed for a part of a day"),
        (event("Open", local("2027-01-04T12:00"), local("2027-01-04T12:00")), "does not end after it begins"),
        (event("Open", local("2027-01-04T12:00")), "does not end after it begins"),
        (event("Open", local("2027-01-04T20:00"), local("2027-01-05T06:00")), "goes on past the start of the"),
        (event("Open", local("2027-01-04T10:00"), local("2027-01-06T10:00")), "is open for more than a day"),
        (event("Closed", dt.date(2027, 1, 4), status="CANCELLED"), "is cancelled"),
        (event("Closed", dt.date(2027, 1, 4), rrule=vRecur({"freq": "hourly"})), "repeats HOURLY"),
        (event("Closed", dt.date(2027, 1, 4), rrule=vRecur({"freq": "daily", "count": 900000})), "has a COUNT"),
    ],
)  # fmt: skip
def test_what_is_not_taken_says_why(made, reason):
    found = read(made)
    assert taken(found) == {}
    (said,) = found.not_taken
    assert said.why.startswith(reason)


def test_a_day_said_to_be_closed_and_open_is_left_alone():
    found = read(
        event("Closed", dt.date(2027, 1, 4)), event("Open", local("2027-01-04T10:00"), local("2027-01-04T12:00"))
    )
    assert taken(found) == {}
    assert why(found) == ["is said to be closed and open: left as it is"]


def test_the_same_event_for_the_same_reason_is_told_once():
    found = read(event("Staff party", dt.date(2027, 1, 4), rrule=vRecur({"freq": "weekly", "count": 5})))
    assert [n.what for n in found.not_taken] == ["'Staff party' (2027-01-04 and 4 more)"]


def test_a_zone_that_is_none_of_the_ianas_is_told_and_a_path_before_one_is_read():
    text = ics(event("Open", local("2027-01-04T11:00"), local("2027-01-04T12:00")))
    v = venue(hours=OPEN)
    strange = hours_from(v, text.replace("Europe/London", "Sea Time"), hours="venue", first=FIRST, last=LAST)
    assert why(strange) == ["its time zone is 'Sea Time', read are those of the IANA, like Europe/London"]
    path = hours_from(
        v,
        text.replace("=Europe/London", "=/example.org/2026a/Europe/London"),
        hours="venue",
        first=FIRST,
        last=LAST,
    )
    assert taken(path) == {"2027-01-04": ["11:00-12:00"]}


def test_our_own_plan_is_no_opening_hours():
    v = venue(rule("a", at="12:00"), hours=OPEN)
    found = hours_from(v, plan_ics(v, [plan(v)]), hours="venue", first=FIRST, last=LAST)
    assert (found.taken, len(found.not_taken)) == ((), 1)


# ---- how files are written (RFC 5545 section 3.1), and files that are none

PLAIN = """\
BEGIN:VCALENDAR
VERSION:2.0
BEGIN:VEVENT
UID:1
DTSTART;VALUE=DATE:20270104
SUMMARY:Clo
 sed
END:VEVENT
END:VCALENDAR
"""


@pytest.mark.parametrize(
    "text",
    [
        PLAIN,
        PLAIN.replace("\n", "\r\n"),
        "\N{ZERO WIDTH NO-BREAK SPACE}" + PLAIN,
        PLAIN.replace("SUMMARY:", 'SUMMARY;LANGUAGE=en;X-A="a:b;c":'),
        PLAIN.replace("BEGIN:VEVENT\n", "BEGIN:VTIMEZONE\nTZID:X\nEND:VTIMEZONE\nBEGIN:VEVENT\n"),
        PLAIN.replace("END:VEVENT", "BEGIN:VALARM\nSUMMARY:Open\nEND:VALARM\nEND:VEVENT"),
        PLAIN.replace("VEVENT", "vevent").replace("SUMMARY", "summary"),
    ],
)
def test_a_file_is_read_however_it_is_folded_and_nested(text):
    found = hours_from(venue(hours=OPEN), text, hours="venue", first=FIRST, last=LAST)
    assert taken(found) == {"2027-01-04": []}


@pytest.mark.parametrize(
    "text",
    [
        "", "hello\n", "<html>\n", "BEGIN:VEVENT\nEND:VEVENT\n", PLAIN.replace("END:VCALENDAR\n", ""),
        PLAIN.replace("END:VEVENT", "END:VALARM"), PLAIN.replace("SUMMARY:Clo", "SUMMARY Clo"),
    ],
)  # fmt: skip
def test_what_is_no_calendar_is_refused_with_its_line(text):
    with pytest.raises(InputError, match=r"line \d|ends inside|is empty"):
        hours_from(venue(hours=OPEN), text, hours="venue", first=FIRST, last=LAST)


@given(text=st.text(st.sampled_from('BEGIN:VCALENDR\nT;="20270104/ '), max_size=200))
@settings(max_examples=200, deadline=None)
def test_any_text_is_read_or_refused_and_never_a_crash(text):
    try:
        hours_from(venue(hours=OPEN), text, hours="venue", first=FIRST, last=LAST)
    except InputError:
        return


@pytest.mark.parametrize(
    "line",
    [
        "RRULE:FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30",
        "RRULE:FREQ=DAILY;INTERVAL=1",
        "RRULE:FREQ=DAILY;COUNT=150000",
        "RRULE:FREQ=WEEKLY;BYHOUR=0,1,2,3,4,5,6,7,8,9,10,11;BYMINUTE=0,1,2,3,4,5,6,7,8,9;BYSECOND=0,1,2,3,4,5,6,7,8,9",
    ],
)
def test_a_repeat_that_never_ends_or_never_comes_costs_a_bounded_walk(line):
    text = PLAIN.replace("DTSTART;VALUE=DATE:20270104", f"DTSTART;VALUE=DATE:19800104\n{line}")
    before = time.process_time()
    hours_from(venue(hours=OPEN), text, hours="venue", first=FIRST, last=LAST)
    assert time.process_time() - before < 5


def test_more_events_than_any_calendar_of_hours_has_are_refused():
    one = "BEGIN:VEVENT\nEND:VEVENT\n"
    text = f"BEGIN:VCALENDAR\n{one * (MAX_EVENTS + 1)}END:VCALENDAR\n"
    with pytest.raises(InputError, match="more than 20000 events"):
        hours_from(venue(hours=OPEN), text, hours="venue", first=FIRST, last=LAST)
