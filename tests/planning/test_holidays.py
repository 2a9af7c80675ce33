"""Public holidays as a day type, times taken out of and added to an RRULE, campaigns, skips and holds by hand."""

import datetime as dt

import holidays as tables
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from oyez.errors import InputError
from oyez.planning.byhand import hold
from oyez.planning.holidays import is_holiday
from oyez.planning.live import decide, event_for
from oyez.planning.types import Live
from oyez.venue.models import Holidays
from tests.planning.building import FRIDAY, at, broken, every_day, facts_of, lost, plan, rule, starts, venue
from tests.planning.random_venues import venues

ENGLAND = {"country": "GB", "subdiv": "ENG"}
# Bank holidays in England and Wales 2026 as published by the UK government, gov.uk/bank-holidays (from memory):
# 1 January, 3 and 6 April, 4 and 25 May, 31 August, 25 December, and 28 December as the substitute for Boxing Day,
# which is a Saturday.
ENGLAND_2026 = [(1, 1), (4, 3), (4, 6), (5, 4), (5, 25), (8, 31), (12, 25), (12, 28)]
CHRISTMAS = dt.date(2026, 12, 25)  # a Friday


def test_bank_holidays_of_england_are_known_with_their_substitutes():
    found = [d for d in days_of(2026) if is_holiday(Holidays(**ENGLAND), d)]
    assert set(found) >= {dt.date(2026, m, d) for m, d in ENGLAND_2026}
    assert not is_holiday(Holidays(**ENGLAND), dt.date(2026, 11, 30))  # St Andrew's Day is Scotland's
    assert is_holiday(Holidays(country="GB", subdiv="SCT"), dt.date(2026, 11, 30))


def days_of(year: int) -> list[dt.date]:
    return [dt.date(year, 1, 1) + dt.timedelta(days=n) for n in range(365)]


@given(
    place=st.sampled_from([("GB", "ENG"), ("DE", "BY"), ("US", None), ("JP", None), ("NP", None), ("MA", None)]),
    date=st.dates(dt.date(2000, 1, 1), dt.date(2035, 12, 31)),
)
def test_a_date_is_a_holiday_exactly_where_the_package_says_so(place, date):
    country, subdiv = place
    judged = date in tables.country_holidays(country, subdiv=subdiv, years=date.year)
    assert is_holiday(Holidays(country=country, subdiv=subdiv), date) == judged


def test_listed_dates_add_and_excepted_dates_take_out():
    given_ = Holidays(**ENGLAND, dates=(FRIDAY,), except_dates=(CHRISTMAS,))
    assert is_holiday(given_, FRIDAY)
    assert not is_holiday(given_, CHRISTMAS)


def test_a_country_without_a_calendar_is_refused_where_it_is_used():
    with pytest.raises(InputError, match="country is 'XX', which has no calendar"):
        is_holiday(Holidays(country="XX"), FRIDAY)


HOURS = {**every_day("10:00-18:00"), "ho": ["12:00-16:00"]}


def test_ho_replaces_the_weekdays_hours_on_holidays():
    v = venue(rule("a", fixed={"times": ["close-15"]}), hours=HOURS, holidays=ENGLAND)
    assert starts(plan(v, CHRISTMAS), "a") == ["15:45:00"]
    assert starts(plan(v, FRIDAY), "a") == ["17:45:00"]


def test_an_empty_ho_is_closed_and_none_is_a_day_like_others():
    closed = venue(rule("a", fixed={"times": ["close"]}), hours={**HOURS, "ho": []}, holidays=ENGLAND)
    without = venue(rule("a", fixed={"times": ["close"]}), hours=every_day("10:00-18:00"), holidays=ENGLAND)
    assert starts(plan(closed, CHRISTMAS), "a") == []
    assert starts(plan(without, CHRISTMAS), "a") == ["18:00:00"]


def test_an_exception_wins_over_the_holiday_and_a_season_has_its_own():
    season = {"from_date": "2026-12-20", "until_date": "2026-12-31", "fr": ["10:00-14:00"], "ho": ["10:00-11:00"]}
    v = venue(rule("a", fixed={"times": ["close"]}), hours=HOURS, holidays=ENGLAND, seasons=[season])
    assert starts(plan(v, CHRISTMAS), "a") == ["11:00:00"]
    no_ho = {k: x for k, x in season.items() if k != "ho"}
    v = venue(rule("a", fixed={"times": ["close"]}), hours=HOURS, holidays=ENGLAND, seasons=[no_ho])
    assert starts(plan(v, CHRISTMAS), "a") == ["14:00:00"]
    day = {"date": "2026-12-25", "open": ["08:00-09:00"]}
    v = venue(
        rule("a", fixed={"times": ["close"]}), hours=HOURS, holidays=ENGLAND, seasons=[season], hours_except=[day]
    )
    assert starts(plan(v, CHRISTMAS), "a") == ["09:00:00"]


@pytest.mark.parametrize(
    ("when", "friday", "christmas"),
    [
        ({}, True, True),
        ({"on_holidays": False}, True, False),
        ({"on_holidays": True}, False, True),
        ({"days": ["ho"]}, False, True),
        ({"days": ["mo", "ho"]}, False, True),
        ({"days": ["fr"]}, True, True),
        ({"days": ["fr"], "on_holidays": False}, True, False),
        ({"days": ["fr"], "on_holidays": True}, False, True),
        ({"days": ["mo"], "on_holidays": True}, False, False),
    ],
)
def test_rules_intervals_and_quiet_windows_keep_to_or_off_holidays(when, friday, christmas):
    fixed = rule("a", fixed={"times": ["10:00"], **when})
    interval = rule("b", interval={"every_min": 60, "start": "11:00", "end": "11:30", **when})
    window = {"zones": ["foyer"], "from": "12:00", "until": "12:30", "min_priority": 80, **when}
    v = venue(fixed, interval, hours=HOURS, holidays=ENGLAND, quiet=[window])
    for date, holds in ((FRIDAY, friday), (CHRISTMAS, christmas)):
        p = plan(v, date)
        assert (len(starts(p, "a")), len(starts(p, "b")), len(p.quiet)) == (holds, holds, holds)


def test_the_night_after_midnight_belongs_to_the_holiday_it_began_on():
    v = venue(rule("a", fixed={"times": ["01:00"], "on_holidays": True}), holidays=ENGLAND)
    assert starts(plan(v, CHRISTMAS), "a") == ["01:00:00"]  # Saturday 26 December, 01:00
    assert starts(plan(v, CHRISTMAS - dt.timedelta(days=1)), "a") == []  # 01:00 on Christmas morning


def test_a_recurrence_may_keep_off_holidays():
    daily = {"rrule": "FREQ=DAILY", "dtstart": "2026-11-01T10:00:00", "on_holidays": False}
    v = venue(rule("a", fixed=daily), holidays=ENGLAND)
    assert starts(plan(v, FRIDAY), "a") == ["10:00:00"]
    assert starts(plan(v, CHRISTMAS), "a") == []


# RFC 5545 sections 3.8.5.1 (EXDATE) and 3.8.5.2 (RDATE): the recurrence set is the union of DTSTART, RRULE and
# RDATE, less what EXDATE names; a duplicate counts once. COUNT (3.3.10) bounds what the RRULE gives, before that.
def test_exdate_takes_out_and_rdate_adds():
    weekly = {
        "rrule": "FREQ=WEEKLY;COUNT=3",
        "dtstart": "2026-11-27T10:00:00",
        "exdates": ["2026-12-04T10:00:00", "2026-11-27T12:00:00"],
        "rdates": ["2026-11-27T11:00:00", "2026-11-27T10:00:00", "2026-11-27T12:00:00"],
    }
    v = venue(rule("a", fixed=weekly))
    assert starts(plan(v, FRIDAY), "a") == ["10:00:00", "11:00:00"]
    assert starts(plan(v, dt.date(2026, 12, 4)), "a") == []
    assert starts(plan(v, dt.date(2026, 12, 11)), "a") == ["10:00:00"]
    assert starts(plan(v, dt.date(2026, 12, 18)), "a") == []


def test_exdate_matches_the_instant_of_a_time_the_clock_skips():
    # Europe/London, 29 March 2026: 01:30 does not exist and means 02:30 BST (RFC 5545 section 3.3.5).
    daily = {"rrule": "FREQ=DAILY", "dtstart": "2026-03-27T01:30:00"}
    v = venue(rule("a", fixed=daily))
    saturday = dt.date(2026, 3, 28)
    assert starts(plan(v, saturday), "a") == ["02:30:00"]
    v = venue(rule("a", fixed={**daily, "exdates": ["2026-03-29T01:30:00"]}))
    assert starts(plan(v, saturday), "a") == []


# ---- campaigns


def campaign(**dates):
    v = venue(rule("a", at="10:00"), rule("b", at="10:00"))
    clips = tuple(c.model_copy(update=dates) if c.id == v.rules[0].clips[0] else c for c in v.clips)
    return v.model_copy(update={"clips": clips})


@pytest.mark.parametrize(
    ("dates", "reason"),
    [
        ({"from_date": dt.date(2026, 11, 28)}, "is not valid before 2026-11-28"),
        ({"until_date": dt.date(2026, 11, 26)}, "is not valid after 2026-11-26"),
    ],
)
def test_outside_its_campaign_a_clip_takes_the_play_with_it_and_no_zone(dates, reason):
    p = plan(campaign(**dates))
    (u,) = lost(p, "a")
    assert reason in u.reason
    assert starts(p, "b") == ["10:00:00"]


def test_a_campaigns_first_and_last_day_both_count():
    assert starts(plan(campaign(from_date=FRIDAY, until_date=FRIDAY)), "a") == ["10:00:00"]


def test_a_chime_outside_its_campaign_is_like_a_clip():
    v = venue(rule("a", at="10:00", chime="gong"), clips=[clip("gong", until_date="2026-11-26")])
    assert "'gong' is not valid after" in lost(plan(v), "a")[0].reason


def clip(name, **more):
    return {"id": name, "file": f"{name}.flac", "title": name, "kind": "chime", "duration_ms": 1000, **more}


def test_a_press_of_a_rule_outside_its_campaign_says_why():
    v = campaign(until_date=dt.date(2026, 11, 26))
    now = at("12:00")
    event = event_for(v, "a", at_ms=now, number=1, facts=facts_of(v))
    decision = decide(v, FRIDAY, facts_of(v), Live(now_ms=now), event)
    assert decision.play is None
    assert "is not valid after 2026-11-26" in decision.reason


# ---- by hand


def test_a_skipped_occurrence_is_listed_and_takes_no_zone():
    v = venue(rule("a", at="10:00"), rule("b", at="10:00"))
    before, skipped = Live(now_ms=at("09:00")), frozenset({f"a@{at('10:00')}"})
    assert starts(plan(v, live=before), "b") != ["10:00:00"]
    p = plan(v, live=Live(now_ms=at("09:00"), skips=skipped))
    assert [u.reason for u in lost(p, "a")] == ["skipped by hand"]
    assert starts(p, "b") == ["10:00:00"]


def test_skipping_an_occurrence_skips_every_zone_that_takes_it_alone_and_one_zone_only_itself():
    v = venue(rule("a", at="10:00", together=False, zones=["foyer", "theatre"]), zones=["foyer", "theatre"])
    name = f"a@{at('10:00')}"
    p = plan(v, live=Live(now_ms=at("09:00"), skips=frozenset({name})))
    assert (len(lost(p, "a")), starts(p, "a")) == (2, [])
    p = plan(v, live=Live(now_ms=at("09:00"), skips=frozenset({f"{name}/foyer"})))
    assert [u.zones for u in lost(p, "a")] == [("foyer",)]
    assert starts(p, "a") == ["10:00:00"]


def test_a_hold_keeps_lower_priorities_out_until_it_ends_and_says_whose_it_is():
    v = venue(rule("a", at="10:00", wait_s=0, priority=40), rule("b", at="10:10", priority=80))
    held = hold(v, ["all"], start_ms=at("09:55"), end_ms=at("10:35"), min_priority=60, who="Front desk")
    p = plan(v, live=Live(now_ms=at("09:54"), holds=held))
    assert "held quiet by Front desk" in lost(p, "a")[0].reason
    assert starts(p, "b") == ["10:10:00"]
    assert {(q.who, q.end_ms) for q in p.quiet} == {("Front desk", at("10:35"))}


def test_a_hold_of_a_zone_that_is_gone_is_left_out():
    v = venue(rule("a", at="10:00"), zones=["foyer", "theatre"])
    held = hold(v, ["theatre"], start_ms=at("09:00"), end_ms=at("11:00"), min_priority=101, who="Desk")
    smaller = venue(rule("a", at="10:00"), zones=["foyer"])
    p = plan(smaller, live=Live(now_ms=at("09:00"), holds=held))
    assert p.quiet == ()


# ---- all of it together


@st.composite
def by_hand(draw):
    """A crowded venue with campaigns, skips and a hold, and what the live service would say of them."""
    v = draw(venues())
    dates = st.sampled_from([None, FRIDAY, FRIDAY - dt.timedelta(days=1), FRIDAY + dt.timedelta(days=1)])
    clips = tuple(c.model_copy(update={"from_date": draw(dates), "until_date": draw(dates)}) for c in v.clips)
    v = v.model_copy(update={"clips": clips})
    first = plan(v)
    ids = sorted(o.id for o in (*first.plays, *first.unplaced))
    skips = frozenset(draw(st.lists(st.sampled_from(ids), max_size=3)) if ids else [])
    holds = hold(v, ["foyer"], start_ms=at("10:10"), end_ms=at("10:40"), min_priority=60, who="Desk")
    return v, Live(now_ms=first.starts_ms, skips=skips, holds=holds if draw(st.booleans()) else ())


@given(case=by_hand())
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
def test_whatever_is_skipped_held_or_over_every_occurrence_is_in_the_plan_once_and_no_rule_is_broken(case):
    v, live = case
    p = plan(v, live=live)
    ids = [o.id for o in (*p.plays, *p.unplaced)]
    assert len(ids) == len(set(ids))
    before = plan(v)
    assert set(ids) == {o.id for o in (*before.plays, *before.unplaced)}
    assert broken(v, p) == []
    clips = {c.id: c for c in v.clips}
    for play in p.plays:
        assert all(clips[c].valid_on(FRIDAY) for c in play.clips)
        assert play.id not in live.skips
    assert plan(v, live=live) == p
