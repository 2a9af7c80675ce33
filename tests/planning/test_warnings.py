"""What is legal and useless is told, and refuses nothing."""

import datetime as dt
import time

import pytest

from oyez.planning.warnings import find_warnings
from tests.planning.building import every_day, rule, venue

TODAY = dt.date(2026, 11, 27)


def told(v) -> list[tuple[str, str]]:
    found = find_warnings(v, today=TODAY)
    assert all(f.level == "warning" for f in found)
    return [(f.entry, f.code) for f in found if f.code != "fires-while-closed"]  # these venues shut on Mondays


def interval(start, end, **more):
    return {"interval": {"every_min": 40, "start": start, "end": end, **more}}


NO_SUCH_DAY = {"rrule": "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", "dtstart": "2020-01-01T10:00:00"}
NO_SUCH_YEAR = {"times": ["10:00"], "from_date": "2027-01-02", "until_date": "2027-01-01"}
NEVER = [
    (rule("a", fixed={"times": ["10:00"], "until_date": "2026-11-26"}), "never-fires"),
    (rule("a", fixed={"times": ["10:00"], "from_date": "2028-01-02"}), "never-fires"),
    (rule("a", fixed=NO_SUCH_YEAR), "dates-backwards"),
    (rule("a", fixed={"times": ["close-15"], "days": ["mo"]}), "never-fires"),
    (rule("a", fixed={"times": ["09:00"]}, open_only=True), "always-closed"),
    (rule("a", **interval("17:00", "10:00")), "window-backwards"),
    (rule("a", **interval("close", "open")), "window-backwards"),
    (rule("a", fixed=NO_SUCH_DAY), "never-fires"),
    (rule("a", fixed={"rrule": "FREQ=DAILY;COUNT=900000", "dtstart": "2020-01-01T10:00:00"}), "count-too-far"),
    (rule("a", zones=["shop"], at="10:00"), "no-zone-in-service"),
]  # fmt: skip
FINE = [
    rule("a", at="10:00"),
    rule("a", fixed={"times": ["10:00"], "from_date": "2027-12-31"}),  # the last day looked at
    rule("a", fixed={"times": ["close-15"], "days": ["tu"]}),
    rule("a", fixed={"times": ["09:00", "11:00"]}, open_only=True),
    rule("a", **interval("10:00", "17:00")),
    rule("a", **interval("10:00", "10:00")),
    rule("a", zones=["all"], at="10:00"),
    rule("a"),
]
HOURS = {day: ["10:00-18:00"] for day in ("tu", "we", "th", "fr", "sa", "su")}
ZONES = ["foyer", {"id": "shop", "name": "Shop", "in_service": False}]


@pytest.mark.parametrize(("entry", "code"), NEVER)
def test_a_rule_that_does_nothing_is_told(entry, code):
    assert told(venue(entry, hours=HOURS, zones=ZONES)) == [("rule 'a'", code)]


@pytest.mark.parametrize("entry", FINE)
def test_a_rule_that_fires_is_not_told(entry):
    assert told(venue(entry, hours=HOURS, zones=ZONES)) == []


@pytest.mark.parametrize(
    ("window", "code"),
    [
        ({"from": "14:00", "until": "13:30"}, "window-backwards"),
        ({"from": "13:30", "until": "13:30"}, "window-backwards"),
        ({"from": "close", "until": "open"}, "window-backwards"),
        ({"from": "open", "until": "close", "days": ["mo"]}, "never-opens"),
        ({"from": "13:30", "until": "14:00", "until_date": "2026-01-01"}, "never-opens"),
        (
            {"from": "13:30", "until": "14:00", "from_date": "2027-02-01", "until_date": "2027-01-01"},
            "dates-backwards",
        ),
        ({"from": "13:30", "until": "14:00"}, None),
        ({"from": "23:00", "until": "01:00"}, None),
    ],
)
def test_a_quiet_window_that_never_opens_is_told(window, code):
    v = venue(rule("a", at="10:00"), hours=HOURS, quiet=[{"zones": ["foyer"], "min_priority": 80, **window}])
    assert told(v) == ([("quiet window 1", code)] if code else [])


def test_a_rule_that_would_fire_too_often_is_told():
    v = venue(rule("a", fixed={"rrule": "FREQ=SECONDLY", "dtstart": "2026-01-01T10:00:00"}))
    assert told(v) == [("rule 'a'", "too-many")]


def test_looking_400_days_ahead_for_many_idle_rules_is_bounded():
    rules = [rule(f"r{i}", fixed={"times": ["10:00", "close-15"], "until_date": "2020-01-01"}) for i in range(40)]
    v = venue(*rules, hours=every_day("10:00-18:00"))
    before = time.process_time()
    assert len(told(v)) == 40
    assert time.process_time() - before < 5  # a tenth of this on the machine it was written on
