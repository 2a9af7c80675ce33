"""Rules to occurrences: each sentence of the documentation's "Time" about rules."""

import datetime as dt
import itertools

import pytest

from oyez.errors import InputError
from oyez.planning.hours import OperatingDay
from oyez.planning.length import play_length_ms
from oyez.planning.occurrences import nominals
from tests.planning.building import (
    FRIDAY,
    HOUR_MS,
    LONDON,
    at,
    every_day,
    facts_of,
    lost,
    plan,
    rule,
    starts,
    venue,
)


def times(v, date=FRIDAY, name=None):
    wanted = v.rule(name) if name else v.rules[0]
    return [n.at_ms for n in nominals(OperatingDay(v, date), wanted)]


def interval(every_min, start, end, **more):
    return {"interval": {"every_min": every_min, "start": start, "end": end, **more}}


def test_a_split_friday_has_two_closing_calls():
    v = venue(rule("closing-15", at="close-15"), hours={"fr": ["10:00-18:00", "19:30-01:30"]})
    assert times(v) == [at("17:45"), at("+1 01:15")]


def test_an_interval_includes_the_end_of_its_window():
    v = venue(rule("hands-off", **interval(40, "10:00", "12:00")))
    assert times(v) == [at("10:00"), at("10:40"), at("11:20"), at("12:00")]


def test_an_interval_stops_before_an_end_it_does_not_meet():
    v = venue(rule("hands-off", **interval(40, "10:00", "11:59")))
    assert times(v) == [at("10:00"), at("10:40"), at("11:20")]


def test_an_interval_counts_elapsed_time_so_the_25_hour_day_has_an_hour_more():
    # tz_facts.json: London goes back on 2026-10-25 at 01:00 UTC, forward on 2026-03-29
    v = venue(rule("tick", length_s=1, **interval(60, "00:00", "04:00")), venue={"day_starts": "00:00"})
    back = times(v, dt.date(2026, 10, 25))
    assert [b - a for a, b in itertools.pairwise(back)] == [HOUR_MS] * 5
    assert len(times(v, dt.date(2026, 6, 1))) == 5
    assert len(times(v, dt.date(2026, 3, 29))) == 4


def test_a_window_whose_end_lies_before_its_start_gives_nothing():
    assert times(venue(rule("hands-off", **interval(40, "17:00", "10:00")))) == []


def test_a_window_over_midnight_belongs_to_the_evening():
    v = venue(rule("late", **interval(60, "23:00", "01:00", days=["fr"])))
    assert times(v) == [at("23:00"), at("+1 00:00"), at("+1 01:00")]
    assert times(v, dt.date(2026, 11, 28)) == []


def test_a_window_with_an_anchor_is_read_once_for_each_opening_period_and_meets_once():
    v = venue(rule("hands-off", **interval(120, "open", "23:00")), hours={"fr": ["10:00-12:00", "14:00-18:00"]})
    # from 10:00 and from 14:00, both to 23:00; what both give is one occurrence
    assert times(v) == [at(f"{h}:00") for h in range(10, 23, 2)]


def test_the_same_instant_given_twice_is_one_occurrence():
    v = venue(rule("closing", at=["18:00", "close", "18:00:00", "open+480"]), hours=every_day("10:00-18:00"))
    assert times(v) == [at("18:00")]


@pytest.mark.parametrize(
    ("given", "fires"),
    [
        ({}, True),
        ({"days": ["fr"]}, True),
        ({"days": ["sa"]}, False),
        ({"from_date": "2026-11-27"}, True),
        ({"from_date": "2026-11-28"}, False),
        ({"until_date": "2026-11-27"}, True),
        ({"until_date": "2026-11-26"}, False),
        ({"except_dates": ["2026-11-27"]}, False),
    ],
)
def test_weekdays_and_dates_are_those_of_the_operating_day(given, fires):
    v = venue(rule("night", fixed={"times": ["01:30"], **given}))
    assert times(v) == ([at("+1 01:30")] if fires else [])


def test_an_rrule_is_of_the_calendar_and_its_instants_are_sorted_into_operating_days():
    # Saturday 01:30 by the calendar is Friday's night
    v = venue(rule("night", fixed={"rrule": "FREQ=WEEKLY;BYDAY=SA", "dtstart": "2026-01-03T01:30:00"}))
    assert times(v) == [at("+1 01:30")]
    assert times(v, dt.date(2026, 11, 28)) == []


def test_dtstart_counts_only_where_the_rule_gives_it():
    v = venue(rule("monthly", fixed={"rrule": "FREQ=MONTHLY;BYDAY=1FR", "dtstart": "2026-11-05T20:00:00"}))
    assert times(v, dt.date(2026, 11, 5)) == []
    assert len(times(v, dt.date(2026, 11, 6))) == 1


def test_an_until_in_utc_is_compared_as_an_instant():
    fixed = {"rrule": "FREQ=DAILY;UNTIL=20260701T190000Z", "dtstart": "2026-06-01T20:00:00"}  # 20:00 BST is 19:00Z
    v = venue(rule("summer", fixed=fixed))
    assert len(times(v, dt.date(2026, 7, 1))) == 1
    assert times(v, dt.date(2026, 7, 2)) == []


def test_hourly_steps_by_the_clock_give_each_instant_once():
    fixed = {"rrule": "FREQ=HOURLY", "dtstart": "2026-01-01T00:00:00"}
    v = venue(
        rule("hourly", length_s=1, fixed=fixed), venue={"timezone": "America/New_York", "day_starts": "00:00"}
    )
    found = times(v, dt.date(2026, 3, 8))  # 02:00 does not exist and is read as 03:00 EDT (RFC 5545 section 3.3.5)
    assert len(found) == len(set(found)) == 23


def test_what_an_offset_pushes_past_the_end_of_the_day_is_listed_without_a_place():
    v = venue(rule("tidy", at="close+60"), hours={"fr": ["22:00-04:30"]})
    p = plan(v)
    assert not p.plays
    assert [(u.nominal_ms, "past the end" in u.reason) for u in lost(p, "tidy")] == [(at("+1 05:30"), True)]


def test_open_only_takes_the_start_of_a_period_and_not_its_end():
    v = venue(
        rule("tour", at=["09:59", "10:00", "17:00", "18:00"], open_only=True), hours=every_day("10:00-18:00")
    )
    assert times(v) == [at("10:00"), at("17:00")]


@pytest.mark.parametrize(("start", "placed"), [("17:59:50", True), ("17:59:51", False)])
def test_open_only_may_end_at_the_closing_instant_and_no_later(start, placed):
    v = venue(rule("tour", length_s=10, at=start, open_only=True), hours=every_day("10:00-18:00"))
    p = plan(v)
    assert bool(p.plays) is placed
    assert bool(p.unplaced) is not placed
    if not placed:
        assert "18:00" in p.unplaced[0].reason


def test_open_only_looks_at_the_rule_s_own_set():
    v = venue(
        rule("orders", at=["09:30", "17:45"], open_only=True, hours="cafe"),
        hours=every_day("10:00-18:00"),
        hours_sets=[{"id": "cafe", **every_day("09:00-17:30")}],
    )
    assert times(v) == [at("09:30")]


def test_manual_rules_have_no_occurrences():
    assert times(venue(rule("lost-child"))) == []


def test_the_duration_is_chime_clips_pauses_and_rounds():
    chime = {"id": "gong", "file": "gong.wav", "title": "Gong", "kind": "chime", "duration_ms": 1_500}
    second = {"id": "two", "file": "two.wav", "title": "Two", "duration_ms": 2_000}
    r = rule("call", length_s=7.4, at="10:00", chime="gong", pause_s=0.4, repeat=3, repeat_gap_s=2.0)
    r["clips"].append("two")
    v = venue(r, clips=[chime, second])
    # (1.5 + 0.4) + 3 x (7.4 + 0.4 + 2.0) + 2 x 2.0 = 35.3 s
    assert play_length_ms(v.rules[0], facts_of(v)) == 35_300
    assert plan(v).plays[0].end_ms - plan(v).plays[0].start_ms == 35_300


def test_each_seconds_value_is_rounded_once():
    v = venue(rule("call", length_s=1, at="10:00", pause_s=0.0004, repeat=3, repeat_gap_s=0.0005))
    assert play_length_ms(v.rules[0], facts_of(v)) == 3 * 1_000 + 2 * 1  # 0.5 ms is 1 ms, 0.4 ms is none


def test_an_interval_rule_waits_at_most_half_its_interval_rounded_down():
    v = venue(rule("tick", wait_s=600, **interval(0.10005, "10:00", "10:00")))  # 6003 ms
    assert v.rules[0].patience_ms == 3_001


def test_a_slip_of_the_pen_that_would_fire_without_end_is_refused():
    v = venue(rule("tick", fixed={"rrule": "FREQ=SECONDLY", "dtstart": "2026-01-01T00:00:00"}))
    with pytest.raises(InputError, match="rule 'tick': gives more than 20000 occurrences on 2026-11-27"):
        times(v)


def test_zones_not_in_service_are_left_out_and_said_so():
    zones = [{"id": "foyer", "name": "Foyer"}, {"id": "shop", "name": "Shop", "in_service": False}]
    p = plan(venue(rule("welcome", zones=["all"], at="10:00"), zones=zones))
    assert p.plays[0].zones == ("foyer",)
    assert [(x.zone, x.reason) for x in p.plays[0].left_out] == [("shop", "not in service")]


@pytest.mark.parametrize("together", [True, False])
def test_a_rule_left_with_no_zone_is_listed_without_a_place(together):
    zones = [{"id": "foyer", "name": "Foyer"}, {"id": "shop", "name": "Shop", "in_service": False}]
    p = plan(venue(rule("sale", zones=["shop"], at="10:00", together=together), zones=zones))
    assert not p.plays
    assert [(u.zones, u.reason) for u in p.unplaced] == [((), "none of its zones is in service")]


def test_local_midnight_is_named_by_the_evening_in_the_table():
    v = venue(rule("night", at="01:30"))
    assert starts(plan(v), "night", zone=LONDON) == ["01:30:00"]
