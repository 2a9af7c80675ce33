"""What a change moves, adds or drops; a rule's next times; what saving a rule does to the days to come."""

import datetime as dt
import time
from itertools import islice
from zoneinfo import ZoneInfo

import pytest
from dateutil.rrule import rrulestr
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from oyez.errors import InputError
from oyez.planning.ahead import MAX_DAYS, conflicts, next_times, with_rule
from oyez.planning.compare import compare, counts
from tests.planning.building import FRIDAY, at, every_day, facts_of, plan, rule, venue
from tests.planning.random_venues import venues

FEW = settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))


def difference(one, other) -> list[tuple[str, str]]:
    return [(d.kind, d.rule) for d in compare(plan(one), plan(other))]


@FEW
@given(v=venues())
def test_a_plan_differs_in_nothing_from_itself(v):
    assert compare(plan(v), plan(v)) == ()


@FEW
@given(one=venues(), other=venues())
def test_every_play_that_is_not_in_both_is_told_once_and_the_two_ways_mirror_each_other(one, other):
    before, after = plan(one), plan(other)
    there, back = compare(before, after), compare(after, before)
    swapped = {"moved": "moved", "added": "dropped", "dropped": "added", "changed": "changed"}
    assert sorted((d.kind, d.rule, d.before_ms or 0, d.after_ms or 0) for d in there) == sorted(
        (swapped[d.kind], d.rule, d.after_ms or 0, d.before_ms or 0) for d in back
    )
    count = counts(there)
    assert len(before.plays) - count["dropped"] == len(after.plays) - count["added"]


def test_a_rule_at_another_time_moved_and_one_more_time_is_added():
    one = venue(rule("a", at="10:00"))
    assert difference(one, venue(rule("a", at="10:05"))) == [("moved", "a")]
    two = venue(rule("a", fixed={"times": ["10:00", "12:00"]}))
    assert difference(one, two) == [("added", "a")]
    assert difference(two, one) == [("dropped", "a")]


def test_what_loses_its_place_is_dropped_with_the_plans_own_reason():
    low = rule("low", at="10:00", priority=20, wait_s=0)
    (found,) = [
        d
        for d in compare(plan(venue(low)), plan(venue(low, rule("high", at="10:00", priority=60))))
        if d.rule == "low"
    ]
    assert (found.kind, found.before_ms, found.after_ms) == ("dropped", at("10:00"), None)
    assert "high" in found.reason.lower()
    assert found.reason != "no longer asked for"


def test_the_same_time_but_otherwise_is_a_change_and_says_what():
    one, other = venue(rule("a", at="10:00", length_s=10)), venue(rule("a", at="10:00", length_s=14, priority=60))
    (found,) = compare(plan(one), plan(other))
    assert found.kind == "changed"
    assert "4 s longer" in found.reason
    assert "-> 60" in found.reason


def test_plans_of_two_dates_are_refused():
    v = venue(rule("a", at="10:00"))
    with pytest.raises(ValueError, match="plans of one date"):
        compare(plan(v), plan(v, FRIDAY + dt.timedelta(days=1)))


# ---- the next times of a rule


@given(
    text=st.sampled_from(
        [
            "FREQ=WEEKLY;BYDAY=FR,SA",
            "FREQ=MONTHLY;BYDAY=1FR",
            "FREQ=YEARLY",
            "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29",
            "FREQ=DAILY;INTERVAL=3;COUNT=5",
            "FREQ=HOURLY;INTERVAL=5",
            "FREQ=MONTHLY;BYMONTHDAY=-1;UNTIL=20270601",
        ]
    ),
    hour=st.integers(0, 23),
)
@settings(max_examples=30, deadline=None)
def test_the_next_times_of_a_recurrence_are_those_of_dateutil(text, hour):
    start = dt.datetime(2026, 11, 28, hour, 30)  # noqa: DTZ001
    v = venue(rule("a", fixed={"rrule": text, "dtstart": start.isoformat()}), venue={"timezone": "UTC"})
    judge = rrulestr(text, dtstart=start)
    wanted = [int(t.replace(tzinfo=dt.UTC).timestamp()) * 1000 for t in islice(judge.xafter(start, inc=True), 10)]
    last = (FRIDAY + dt.timedelta(days=MAX_DAYS)).isoformat()
    found = [n.at_ms for n in next_times(v, v.rules[0], at("12:00", zone=ZoneInfo("UTC")))]
    assert found == [w for w in wanted if dt.datetime.fromtimestamp(w / 1000, dt.UTC).isoformat()[:10] <= last]


def test_the_next_times_start_now_and_keep_to_hours_dates_and_the_night():
    v = venue(
        rule("a", fixed={"times": ["close-15"], "days": ["fr"]}), hours={"fr": ["10:00-18:00", "19:30-01:30"]}
    )
    found = next_times(v, v.rules[0], at("17:45"), count=3)
    assert [n.at_ms for n in found] == [at("17:45"), at("+1 01:15"), at("+7 17:45")]
    assert [n.date for n in found] == [FRIDAY, FRIDAY, FRIDAY + dt.timedelta(days=7)]
    assert next_times(v, v.rules[0], at("17:45") + 1, count=1)[0].at_ms == at("+1 01:15")


def test_a_manual_rule_has_no_next_time_and_an_interval_has():
    v = venue(rule("a"), rule("b", interval={"every_min": 20, "start": "10:00", "end": "11:00"}))
    assert next_times(v, v.rules[0], at("09:00")) == ()
    assert [n.at_ms for n in next_times(v, v.rules[1], at("10:30"), count=2)] == [at("10:40"), at("11:00")]


# RFC 5545 section 3.3.10: 30 February never is; BYSETPOS counts inside one period.
@pytest.mark.parametrize(
    "text",
    ["FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", "FREQ=SECONDLY;BYSETPOS=2", "FREQ=MINUTELY;BYMONTH=2;BYMONTHDAY=30"],
)
def test_a_rule_that_never_fires_costs_a_bounded_walk(text):
    v = venue(rule("a", fixed={"rrule": text, "dtstart": "2020-01-01T10:00:00"}))
    before = time.process_time()
    assert next_times(v, v.rules[0], at("10:00")) == ()
    assert time.process_time() - before < 5  # a tenth of this on the machine it was written on


def test_a_rule_that_fires_too_often_is_refused_in_words():
    v = venue(rule("a", fixed={"rrule": "FREQ=SECONDLY", "dtstart": "2020-01-01T10:00:00"}))
    with pytest.raises(InputError, match="more than 20000 occurrences"):
        next_times(v, v.rules[0], at("10:00"))


# ---- conflicts


def test_a_new_rule_shows_what_it_costs_others_and_where_it_finds_no_place():
    low = rule("low", at="10:00", priority=20, wait_s=0, length_s=20)
    window = {"zones": ["foyer"], "from": "12:00", "until": "13:00", "min_priority": 80}
    v = venue(low, hours=every_day("09:00-18:00"), quiet=[window])
    new = venue(rule("new", fixed={"times": ["10:00", "12:30"]}, priority=60), quiet=[window]).rules[0]
    new = new.model_copy(update={"clips": v.rules[0].clips})
    found = conflicts(v, new, facts_of(v), FRIDAY, days=3)
    assert [(u.rule, u.nominal_ms) for u in found.lost] == [("new", at(f"+{n} 12:30")) for n in range(3)]
    assert [(d.kind, d.rule) for d in found.others] == [("dropped", "low")] * 3
    assert [u.rule for u in found.others_lost] == ["low"] * 3


def test_a_rule_of_a_known_id_takes_its_place_and_a_rule_saved_unchanged_conflicts_with_nothing():
    v = venue(rule("a", at="10:00"), rule("b", at="11:00"))
    changed = v.rules[0].model_copy(update={"priority": 90})
    assert [r.priority for r in with_rule(v, changed).rules] == [90, v.rules[1].priority]
    found = conflicts(v, v.rules[0], facts_of(v), FRIDAY)
    assert (found.lost, found.late, found.others, found.others_lost) == ((), (), (), ())
