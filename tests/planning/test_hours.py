"""Opening hours, anchors and quiet windows: each sentence of the documentation's "Time" as a table."""

import datetime as dt

import pytest

from oyez.planning.hours import OperatingDay
from oyez.planning.music import music_spans
from oyez.planning.quiet import by_zone, quiet_spans
from tests.planning.building import FRIDAY, HOUR_MS, at, every_day, plan, rule, starts, venue

NEXT = dt.timedelta(days=1)


def periods(v, date=FRIDAY, name="venue"):
    return [(p.start_ms, p.end_ms) for p in OperatingDay(v, date).opening(name).periods]


def with_hours(hours, **more):
    return venue(rule("welcome"), hours=hours, **more)


@pytest.mark.parametrize(
    ("text", "start", "end"),
    [
        ("10:00-18:00", "10:00", "18:00"),
        ("19:30-01:30", "19:30", "+1 01:30"),  # the end is the next such time after the start
        ("19:30-24:00", "19:30", "+1 00:00"),
        ("01:00-04:30", "+1 01:00", "+1 04:30"),  # before day_starts: the night that follows
        ("05:00-05:00", "05:00", "+1 05:00"),
    ],
)
def test_a_period_starts_at_its_clock_time_and_ends_when_the_clock_next_shows_the_end(text, start, end):
    assert periods(with_hours(every_day(text))) == [(at(start), at(end))]


def test_the_week_s_day_is_that_of_the_operating_day():
    v = with_hours({"fr": ["19:30-01:30"]})
    assert periods(v) == [(at("19:30"), at("+1 01:30"))]
    assert periods(v, FRIDAY + NEXT) == []  # Saturday 01:30 was Friday's


def test_without_hours_a_venue_is_always_open():
    v = venue(rule("welcome"))
    opening = OperatingDay(v, FRIDAY).opening("venue")
    assert opening.always
    assert periods(v) == [(at("05:00"), at("+1 05:00"))]


def test_a_season_replaces_a_week_between_two_dates_both_included():
    season = {"from_date": "2026-11-27", "until_date": "2026-11-28", **every_day("11:00-16:00")}
    v = with_hours(every_day("10:00-18:00"), seasons=[season])
    found = [periods(v, FRIDAY + n * NEXT)[0][0] % (24 * HOUR_MS) // HOUR_MS for n in (-1, 0, 1, 2)]
    assert found == [10, 11, 11, 10]


def test_an_exception_wins_over_a_season_and_without_a_set_holds_for_every_set():
    season = {"from_date": "2026-11-01", "until_date": "2026-12-31", **every_day("11:00-16:00")}
    v = with_hours(
        every_day("10:00-18:00"),
        hours_sets=[{"id": "cafe", **every_day("09:00-17:30")}],
        seasons=[season],
        hours_except=[{"date": FRIDAY.isoformat(), "open": ["12:00-13:00"]}],
    )
    assert periods(v) == periods(v, name="cafe") == [(at("12:00"), at("13:00"))]


def test_an_exception_for_one_set_leaves_the_others():
    v = with_hours(
        every_day("10:00-18:00"),
        hours_sets=[{"id": "cafe", **every_day("09:00-17:30")}],
        hours_except=[{"date": FRIDAY.isoformat(), "hours": "cafe", "closed": True}],
    )
    assert periods(v) == [(at("10:00"), at("18:00"))]
    assert periods(v, name="cafe") == []


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("09:00", ["09:00"]),
        ("04:59", ["+1 04:59"]),  # earlier than day_starts: the next calendar day
        ("05:00", ["05:00"]),
        ("open", ["10:00", "19:30"]),  # once for each opening period
        ("open+10", ["10:10", "19:40"]),
        ("close-15", ["17:45", "+1 01:15"]),
        ("close", ["18:00", "+1 01:30"]),
    ],
)
def test_a_time_is_read_as_a_clock_time_or_once_for_each_opening_period(text, wanted):
    v = with_hours({"fr": ["10:00-18:00", "19:30-01:30"]})
    assert OperatingDay(v, FRIDAY).instants(text, "venue") == [at(w) for w in wanted]


def test_on_a_closed_day_anchors_give_nothing():
    v = with_hours({"fr": []})
    day = OperatingDay(v, FRIDAY)
    assert day.instants("close-15", "venue") == []
    assert day.windows("open", "close", "venue") == []
    assert day.instants("09:00", "venue") == [at("09:00")]


def test_offsets_are_elapsed_minutes_over_a_clock_change():
    sunday = dt.date(2026, 10, 25)  # London goes back at 02:00, tz_facts.json
    v = with_hours(every_day("00:30-04:00"), venue={"day_starts": "00:00"})
    (start, end), day = periods(v, sunday)[0], OperatingDay(v, sunday)
    assert end - start == 4.5 * HOUR_MS
    assert day.instants("close-180", "venue") == [end - 3 * HOUR_MS]
    # the twin: by the clock it would be 01:00, an hour earlier (or its repetition)
    assert day.instants("01:00", "venue") == [end - 4 * HOUR_MS]


def quiet(**entry):
    return {"zones": ["theatre"], "min_priority": 80, **entry}


def spans(v, date=FRIDAY):
    return [(q.zone, q.start_ms, q.end_ms) for q in quiet_spans(OperatingDay(v, date))]


@pytest.mark.parametrize(
    ("entry", "wanted"),
    [
        (quiet(**{"from": "13:30", "until": "14:00"}), [("13:30", "14:00")]),
        (quiet(**{"from": "open+10", "until": "close-15"}), [("10:10", "17:45"), ("19:40", "+1 01:15")]),
        (
            quiet(**{"from": "open", "until": "14:00"}),
            [("10:00", "14:00")],
        ),  # the evening's would end before it starts
        (quiet(**{"from": "14:00", "until": "13:30"}), []),
        (quiet(**{"from": "23:00", "until": "01:00"}), [("23:00", "+1 01:00")]),
        (quiet(**{"from": "13:30", "until": "14:00", "days": ["sa"]}), []),
        (quiet(**{"from": "13:30", "until": "14:00", "until_date": "2026-11-26"}), []),
        (quiet(**{"from": "13:30", "until": "14:00", "from_date": "2026-11-28"}), []),
        (quiet(**{"from": "13:30", "until": "14:00", "except_dates": ["2026-11-27"]}), []),
    ],
)
def test_quiet_windows_on_days_and_dates(entry, wanted):
    v = with_hours({"fr": ["10:00-18:00", "19:30-01:30"]}, quiet=[entry])
    assert spans(v) == [("theatre", at(a), at(b)) for a, b in wanted]


def test_quiet_windows_name_groups_and_say_their_times():
    v = venue(
        rule("welcome"),
        groups=[{"id": "public", "zones": ["theatre", "foyer"]}],
        quiet=[{"zones": ["public"], "from": "13:30", "until": "14:00", "min_priority": 50}],
    )
    assert [(q.zone, q.label) for q in quiet_spans(OperatingDay(v, FRIDAY))] == [
        ("foyer", "quiet 13:30-14:00"),
        ("theatre", "quiet 13:30-14:00"),
    ]


def test_music_plays_in_the_zone_s_hours_and_not_in_quiet_windows_that_turn_it_off():
    v = venue(
        rule("welcome"),
        hours=every_day("10:00-18:00"),
        hours_sets=[{"id": "cafe", **every_day("09:00-17:30")}],
        sources=[{"id": "house", "folder": "music"}],
        zones=[
            {"id": "foyer", "name": "Foyer", "source": "house"},
            {"id": "theatre", "name": "Theatre", "source": "house"},
            {"id": "cafe", "name": "Café", "source": "house", "hours": "cafe"},
            {"id": "shop", "name": "Shop", "source": "house", "on": False},
            {"id": "bay", "name": "Bay"},
        ],
        quiet=[
            {"zones": ["theatre"], "from": "13:30", "until": "14:00", "min_priority": 80, "music": "off"},
            {"zones": ["foyer"], "from": "13:30", "until": "14:00", "min_priority": 80},
        ],
    )
    day = OperatingDay(v, FRIDAY)
    music = music_spans(day, by_zone(quiet_spans(day)))
    assert {zone: [(s.start_ms, s.end_ms) for s in of] for zone, of in music.items()} == {
        "foyer": [(at("10:00"), at("18:00"))],
        "theatre": [(at("10:00"), at("13:30")), (at("14:00"), at("18:00"))],
        "cafe": [(at("09:00"), at("17:30"))],
        "shop": [],
        "bay": [],
    }


# London, 29 March 2026: 01:00 GMT is 02:00 BST. RFC 5545 section 3.3.5: 01:30 is read as 01:30 GMT, which is
# 02:30 BST.
GAP_DAY = dt.date(2026, 3, 29)


def gap_day(starts: str, date: dt.date = GAP_DAY) -> OperatingDay:
    return OperatingDay(venue(venue={"day_starts": starts}), date)


def clock_s(text: str) -> int:
    hours, minutes = text.split(":")
    return int(hours) * 3600 + int(minutes) * 60


def test_where_day_starts_falls_into_the_gap_no_clock_time_lies_before_the_day():
    day = gap_day("01:30")
    assert day.span.start_ms == at("02:30", date=GAP_DAY)
    for text in ("01:30", "01:45", "02:00", "02:15", "02:30", "02:45", "23:00", "01:00", "01:29"):
        assert day.span.start_ms <= day.clock(clock_s(text)) < day.span.end_ms, text
    assert day.clock(clock_s("02:15")) == day.span.start_ms
    assert day.clock(clock_s("02:45")) == at("02:45", date=GAP_DAY)


def test_without_a_gap_at_day_starts_a_clock_time_stays_what_it_is():
    """The twin: the same times the day before, and with a day that starts before the gap."""
    before = gap_day("01:30", GAP_DAY - dt.timedelta(days=1))
    assert before.clock(clock_s("02:15")) == at("02:15", date=GAP_DAY - dt.timedelta(days=1))
    assert before.clock(clock_s("01:29")) == at("02:29", date=GAP_DAY)  # in the gap, and still of that day
    assert before.clock(clock_s("01:29")) < before.span.end_ms
    assert gap_day("00:30").clock(clock_s("02:15")) == at("02:15", date=GAP_DAY)


def test_a_rule_just_after_such_a_gap_is_planned_within_its_day():
    v = venue(rule("early", at=["02:00", "02:15", "02:45"]), venue={"day_starts": "01:30"})
    p = plan(v, GAP_DAY)
    assert p.unplaced == ()
    assert starts(p, "early") == ["02:30:00", "02:45:00"]
    assert p.plays[0].start_ms == p.starts_ms


def test_opening_hours_around_such_a_gap_do_not_begin_before_the_day():
    v = venue(venue={"day_starts": "01:30"}, hours={"su": ["02:00-02:20", "02:40-04:00"]})
    spans = OperatingDay(v, GAP_DAY).opening("venue").periods
    assert [(s.start_ms, s.end_ms) for s in spans] == [(at("02:40", date=GAP_DAY), at("04:00", date=GAP_DAY))]
