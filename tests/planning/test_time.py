"""Local time and operating days, against RFC 5545 and the time zone database."""

# ruff: noqa: DTZ001  naive local times are what is tested

import datetime as dt
import json
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from oyez.errors import InputError
from oyez.planning.time import day_span, operating_day, to_utc_ms, wall_time
from tests.planning.building import plan, rule, venue

VECTORS = Path(__file__).parent.parent / "vectors"
# RFC 5545 section 3.3.5 (the New York cases of 2007 are printed there), the others computed with zoneinfo
DST = json.loads((VECTORS / "rfc5545_dst.json").read_text())["cases"]
# Computed with zoneinfo from the tzdata package named in the file
TZ_FACTS = json.loads((VECTORS / "tz_facts.json").read_text())["zones"]
CHANGES = [(name, change) for name, of in TZ_FACTS.items() for change in of["transitions_2026_2027"]]


def utc_ms(text: str) -> int:
    return int(dt.datetime.fromisoformat(text).timestamp()) * 1000


def in_zone(name: str, day_starts: str = "05:00"):
    return venue(rule("welcome"), venue={"timezone": name, "day_starts": day_starts})


@pytest.mark.parametrize("case", DST, ids=[f"{c['tzid']} {c['local']}" for c in DST])
def test_a_gap_uses_the_offset_before_it_and_a_fold_means_the_first(case):
    wall = dt.datetime.fromisoformat(case["local"])
    assert to_utc_ms(ZoneInfo(case["tzid"]), wall) == utc_ms(case["utc"])


def test_the_second_of_two_equal_local_times_would_be_another_instant():
    # the twin of the check above: what reading the fold the other way would give
    late = dt.datetime(2007, 11, 4, 1, 30, fold=1, tzinfo=ZoneInfo("America/New_York"))
    assert int(late.timestamp()) * 1000 != utc_ms("2007-11-04T05:30:00Z")


@pytest.mark.parametrize(("name", "change"), CHANGES, ids=[f"{n} {c['utc'][:10]}" for n, c in CHANGES])
def test_the_day_of_a_clock_change_is_shorter_or_longer_by_the_change(name, change):
    v = in_zone(name)
    date = operating_day(v, utc_ms(change["utc"]))
    span = day_span(v, date)
    assert span.end_ms - span.start_ms == 24 * 3_600_000 - change["change_min"] * 60_000
    before = day_span(v, date - dt.timedelta(days=1))
    assert before.end_ms == span.start_ms


@pytest.mark.parametrize("name", sorted(TZ_FACTS))
def test_all_other_days_of_two_years_have_24_hours(name):
    v = in_zone(name)
    changed = {operating_day(v, utc_ms(c["utc"])) for c in TZ_FACTS[name]["transitions_2026_2027"]}
    for n in range(730):
        date = dt.date(2026, 1, 1) + dt.timedelta(days=n)
        span = day_span(v, date)
        assert (span.end_ms - span.start_ms == 24 * 3_600_000) is (date not in changed)


def test_kathmandu_starts_its_day_at_a_quarter_past_eleven_in_the_evening_of_utc():
    # tz_facts.json: +05:45 all year
    assert day_span(in_zone("Asia/Kathmandu"), dt.date(2026, 6, 1)).start_ms == utc_ms("2026-05-31T23:15:00Z")


@given(
    date=st.dates(dt.date(1990, 1, 1), dt.date(2060, 1, 1)),
    seconds=st.integers(0, 86_399),
    name=st.sampled_from([*TZ_FACTS, "Africa/Cairo", "America/Sao_Paulo", "Pacific/Apia", "Antarctica/Troll"]),
    day_starts=st.sampled_from(["00:00", "01:30", "02:30", "05:00", "23:59"]),
)
def test_every_instant_belongs_to_the_one_day_whose_span_holds_it(date, seconds, name, day_starts):
    v = in_zone(name, day_starts)
    at_ms = to_utc_ms(ZoneInfo(name), wall_time(date, seconds))
    span = day_span(v, operating_day(v, at_ms))
    assert span.start_ms <= at_ms < span.end_ms


CITIES = {  # zone -> Sundays on which its clocks change in 2026 (IANA tzdata)
    "Europe/Berlin": ("2026-03-29", "2026-10-25"),
    "Europe/Helsinki": ("2026-03-29", "2026-10-25"),
    "America/New_York": ("2026-03-08", "2026-11-01"),
    "Australia/Sydney": ("2026-04-05", "2026-10-04"),
}
MIDNIGHT = ("00:00", "00:15", "00:30", "00:59")


@pytest.mark.parametrize("day_starts", ["05:00", "00:00"])
@pytest.mark.parametrize(("name", "change"), [(n, c) for n, cs in CITIES.items() for c in cs])
def test_nothing_between_midnight_and_one_is_lost_around_a_clock_change(name, change, day_starts):
    v = venue(rule("night", length_s=5, at=MIDNIGHT), venue={"timezone": name, "day_starts": day_starts})
    zone, sunday = ZoneInfo(name), dt.date.fromisoformat(change)
    assert zone.utcoffset(dt.datetime(2026, sunday.month, sunday.day, 0)) != zone.utcoffset(
        dt.datetime(2026, sunday.month, sunday.day, 12)
    )
    for n in range(-3, 4):
        date = sunday + dt.timedelta(days=n)
        calendar = date + dt.timedelta(days=1 if day_starts == "05:00" else 0)
        wanted = [
            int(dt.datetime.fromisoformat(f"{calendar}T{clock}:00").replace(tzinfo=zone).timestamp()) * 1000
            for clock in MIDNIGHT
        ]
        assert [p.start_ms for p in plan(v, date).plays] == wanted


@pytest.mark.parametrize("date", [dt.date(1969, 12, 31), dt.date(9999, 1, 1)])
def test_a_date_out_of_range_is_refused_in_one_line(date):
    with pytest.raises(InputError, match=r"^date is \d{4}-\d\d-\d\d, allowed are 1970-01-02 to 9998-12-30$"):
        day_span(in_zone("Europe/London"), date)
