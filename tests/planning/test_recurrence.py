"""RRULEs against the examples of RFC 5545 section 3.8.5.3 and against python-dateutil."""

# ruff: noqa: DTZ001  naive local times are what is tested

import datetime as dt
import json
from pathlib import Path

import pytest
from dateutil.rrule import rrulestr
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from oyez.planning import recurrence
from oyez.planning.hours import OperatingDay
from oyez.planning.occurrences import nominals
from oyez.planning.recurrence import MAX_COUNT_STEPS, between, counts_too_far, read_rrule
from tests.planning.building import rule, venue

EXAMPLES = json.loads((Path(__file__).parent.parent / "vectors" / "rfc5545_examples.json").read_text())
# RFC erratum EID 3883 (its number from memory): UNTIL 17:00Z is 13:00 in New York, so 15:00 cannot be in the list
ERRATUM = "ex33"


def instant(local: str, offset: str) -> int:
    return int(dt.datetime.fromisoformat(local + offset).timestamp()) * 1000


@pytest.mark.parametrize("example", EXAMPLES, ids=[e["id"] for e in EXAMPLES])
def test_the_examples_of_rfc_5545_come_out_as_printed(example):
    """Through the whole reading: a rule of a venue in New York, day by day, to instants."""
    offsets = example.get("expected_utc_offset") or ["-05:00"] * len(example["expected"])  # January in New York
    wanted = [instant(*pair) for pair in zip(example["expected"], offsets, strict=True)]
    text = example["rrule"]
    if example["id"] == ERRATUM:
        text = text.replace("19970902T170000Z", "19970902T210000Z")
    v = venue(
        rule("rfc", fixed={"rrule": text, "dtstart": example["dtstart"]}),
        venue={"timezone": "America/New_York", "day_starts": "00:00"},
    )
    first, last = (dt.date.fromisoformat(example["expected"][i][:10]) for i in (0, -1))
    ends = last if example["open_ended"] else last + dt.timedelta(days=800)
    found = []
    for n in range((ends - first).days + 1):
        day = OperatingDay(v, first + dt.timedelta(days=n))
        found += [x.at_ms for x in nominals(day, v.rules[0])]
    if example["open_ended"]:
        found = found[: len(wanted)]
    assert found == wanted


def test_the_rfc_s_own_erratum_is_seen_as_one():
    example = next(e for e in EXAMPLES if e["id"] == ERRATUM)
    start = dt.datetime.fromisoformat(example["dtstart"])
    found = between(
        read_rrule("FREQ=HOURLY;INTERVAL=3;UNTIL=19970902T130000"), start, start, dt.datetime(1997, 9, 3)
    )
    assert [at.isoformat() for at in found] == ["1997-09-02T09:00:00", "1997-09-02T12:00:00"]


NUMBERS = {
    "BYMONTH": st.integers(1, 12),
    "BYMONTHDAY": st.integers(-28, 28).filter(bool),
    "BYYEARDAY": st.integers(-366, 366).filter(bool),
    "BYWEEKNO": st.integers(-53, 53).filter(bool),
    "BYHOUR": st.integers(0, 23),
    "BYMINUTE": st.integers(0, 59),
    "BYSECOND": st.integers(0, 59),
}
NOT_WITH = {"BYMONTHDAY": {"WEEKLY"}, "BYYEARDAY": {"DAILY", "WEEKLY", "MONTHLY"}}


@st.composite
def rules(draw):
    """Any rule that RFC 5545 allows, but for what the two read differently on purpose (see below), and for rules
    that never give a date: dateutil walks them to the year 9999.
    """
    freq = draw(st.sampled_from(["YEARLY", "MONTHLY", "WEEKLY", "DAILY", "HOURLY", "MINUTELY"]))
    parts = [f"FREQ={freq}"]
    if draw(st.booleans()):
        parts.append(f"INTERVAL={draw(st.integers(1, 40))}")
    if draw(st.booleans()):
        parts.append(f"WKST={draw(st.sampled_from(recurrence.WEEKDAYS))}")
    names = draw(st.sets(st.sampled_from(sorted(NUMBERS)), max_size=3))
    if len(names & {"BYMONTHDAY", "BYYEARDAY", "BYWEEKNO"}) > 1 or names >= {"BYMONTH", "BYYEARDAY"}:
        names -= {"BYYEARDAY", "BYWEEKNO"}
    if names >= {"BYMONTH", "BYWEEKNO"}:
        names -= {"BYMONTH"}
    for name in sorted(names):
        if freq in NOT_WITH.get(name, ()) or (name == "BYWEEKNO" and freq != "YEARLY"):
            continue
        parts.append(f"{name}=" + ",".join(map(str, sorted(draw(st.sets(NUMBERS[name], min_size=1, max_size=4))))))
    numbered = freq in {"YEARLY", "MONTHLY"} and "BYWEEKNO" not in names and draw(st.booleans())
    days = draw(st.sets(st.sampled_from(recurrence.WEEKDAYS), max_size=3))
    # dateutil takes BYWEEKNO alone as the whole week, the RFC as the weekday of DTSTART
    if "BYWEEKNO" in names and freq == "YEARLY" and not days and not any(p.startswith("BYMONTHD") for p in parts):
        days = {"WE"}
    if days:
        position = st.sampled_from([1, 2, 3, -1, -2]) if numbered else st.just("")
        parts.append("BYDAY=" + ",".join(f"{draw(position)}{d}" for d in sorted(days)))
    # dateutil cuts the first week at DTSTART before it counts positions, the RFC's set is the whole week
    if freq != "WEEKLY" and any(p.startswith("BY") for p in parts) and draw(st.booleans()):
        parts.append("BYSETPOS=" + ",".join(map(str, draw(st.sets(st.sampled_from([1, 2, 3, -2, -1]))) | {1})))
    return ";".join(parts)


@settings(max_examples=200, deadline=None)
@given(
    text=rules(),
    start=st.datetimes(dt.datetime(2023, 1, 1), dt.datetime(2026, 1, 1)),
    ahead=st.integers(0, 400),
    count=st.none() | st.integers(1, 30),
)
def test_any_rule_gives_what_dateutil_gives(text, start, ahead, count):
    start = start.replace(microsecond=0)
    low = start + dt.timedelta(days=ahead % 20 if "MINUTELY" in text or "HOURLY" in text else ahead)
    high = low + dt.timedelta(days=5)
    if count is not None:
        text += f";COUNT={count}"
    # dateutil never returns from a rule that gives nothing: give it a last day
    bounded = text if count is not None else text + f";UNTIL={high:%Y%m%dT%H%M%S}"
    assume(count is None or "MINUTELY" not in text)
    try:
        wanted = _first(rrulestr(bounded, dtstart=start), low, high, give_up_after=20_000)
    except ValueError:  # dateutil's way to say that a rule in hours or minutes never meets its parts
        wanted = []
    assume(wanted is not None)
    assert between(read_rrule(text), start, low, high) == wanted


def _first(oracle, low, high, *, give_up_after):
    """Dates of dateutil in [low, high), None where it would walk for ever or far."""
    if oracle._count is not None and _may_be_empty(oracle):
        return None
    found = []
    for steps, at in enumerate(oracle):
        if at >= high:
            break
        if steps > give_up_after:
            return None
        if at >= low:
            found.append(at)
    return found


def _may_be_empty(oracle) -> bool:
    """Whether it gives fewer dates than COUNT within 6 years: dateutil would go on to the year 9999."""
    limited = oracle.replace(count=None, until=oracle._dtstart + dt.timedelta(days=365 * 6))
    return all(found < oracle._count for found, _ in enumerate(limited, start=1))


def test_plain_and_numbered_weekdays_together_are_a_union():
    # RFC 5545 section 3.3.10: BYDAY is a list of days; dateutil 2.9 gives nothing here
    start = dt.datetime(2026, 11, 1, 9)
    found = between(read_rrule("FREQ=MONTHLY;BYDAY=MO,1FR"), start, start, dt.datetime(2026, 12, 1))
    assert [at.day for at in found] == [2, 6, 9, 16, 23, 30]


def test_a_position_within_a_week_counts_from_the_week_s_start():
    # RFC 5545 section 3.3.10: BYSETPOS counts in the set of one interval, here a week from its WKST
    start = dt.datetime(2019, 1, 1, 9)  # a Tuesday
    found = between(read_rrule("FREQ=WEEKLY;BYDAY=MO,TU;BYSETPOS=1"), start, start, dt.datetime(2019, 1, 20))
    assert [at.day for at in found] == [7, 14]


def test_a_week_number_alone_means_the_weekday_of_dtstart():
    # RFC 5545 section 3.3.10: what the rule leaves open is derived from DTSTART
    start = dt.datetime(1997, 5, 12, 9)
    found = between(read_rrule("FREQ=YEARLY;BYWEEKNO=20"), start, start, dt.datetime(1999, 12, 1))
    assert [at.date().isoformat() for at in found] == ["1997-05-12", "1998-05-11", "1999-05-17"]


def test_an_until_that_is_a_date_includes_that_day():
    start = dt.datetime(2026, 11, 6, 20)
    found = between(read_rrule("FREQ=DAILY;UNTIL=20261108"), start, start, dt.datetime(2027, 1, 1))
    assert [at.day for at in found] == [6, 7, 8]


def test_a_start_long_past_costs_no_more_than_the_window(monkeypatch):
    steps = []
    groups = recurrence._Unfolding.groups

    def counted(self, low, high):
        yield from groups(self, low, high)
        steps.append(self.steps)

    monkeypatch.setattr(recurrence._Unfolding, "groups", counted)
    for text in (
        "FREQ=MINUTELY;INTERVAL=15",
        "FREQ=DAILY",
        "FREQ=WEEKLY;BYDAY=MO",
        "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30",
    ):
        low = dt.datetime(2026, 11, 27)
        between(read_rrule(text), dt.datetime(1975, 1, 1), low, low + dt.timedelta(days=3))
    assert max(steps) <= 4 * (1 + 24 + 1440)


def test_a_rule_that_gives_no_date_ends_within_its_steps():
    start = dt.datetime(2020, 1, 1)
    rule_ = read_rrule("FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30;COUNT=3")
    assert between(rule_, start, dt.datetime(2026, 1, 1), dt.datetime(2026, 12, 31)) == []
    assert counts_too_far(rule_, start)
    assert not counts_too_far(read_rrule("FREQ=DAILY;COUNT=3"), start)
    assert MAX_COUNT_STEPS == 200_000  # stated in the module


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("FREQ=OFTEN", "FREQ OFTEN"),
        ("BYDAY=MO", "FREQ missing"),
        ("FREQ=DAILY;COUNT=0", "COUNT 0"),
        ("FREQ=DAILY;BYHOUR=24", "BYHOUR 24"),
        ("FREQ=DAILY;BYMONTHDAY=0", "BYMONTHDAY 0"),
        ("FREQ=DAILY;BYDAY=XX", "BYDAY XX"),
        ("FREQ=DAILY;UNTIL=20261301", "UNTIL 20261301"),
        ("FREQ=DAILY;FREQ=DAILY", "FREQ twice"),
        ("FREQ=DAILY;BYEASTER=1", "unknown part BYEASTER"),
        ("FREQ=DAILY;", "part ''"),
    ],
)
def test_a_rule_that_is_none_is_refused_with_what_is_allowed(text, says):
    with pytest.raises(ValueError, match="allowed") as refused:
        read_rrule(text)
    assert says in str(refused.value)
