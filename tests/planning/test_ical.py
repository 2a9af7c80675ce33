"""The plan as a calendar, read back by the `icalendar` package and held against RFC 5545 clause by clause."""

import datetime as dt
import re
import subprocess
import sys
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from icalendar import Calendar

from oyez.cli import main
from oyez.planning.ical import calendar_name, fold, plan_ics, text
from oyez.settings import folder
from tests.planning.building import at, plan, rule, venue
from tests.planning.random_venues import venues

FEW = settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
DAY = dt.timedelta(days=1)


def calendar(v, *plans) -> Calendar:
    read = Calendar.from_ical(plan_ics(v, plans))
    assert isinstance(read, Calendar)
    return read


def events(read: Calendar) -> list:
    return list(read.walk("VEVENT"))


@FEW
@given(v=venues())
def test_every_play_is_in_one_event_that_reads_back_as_it_was_planned(v):
    p = plan(v)
    read = events(calendar(v, p))
    names = {z.id: z.name for z in v.zones}
    for event in read:
        rule_id, nominal = str(event["UID"]).split("@")[:2]
        same = [
            q
            for q in p.plays
            if q.rule == rule_id
            and str(q.nominal_ms) == nominal.partition("/")[0]
            and q.start_ms // 1000 == int(event.start.timestamp())
            and -(-q.end_ms // 1000) == int(event.end.timestamp())
        ]
        zones = {z for q in same for z in q.zones}
        assert str(event["LOCATION"]) == ", ".join(name for z, name in names.items() if z in zones)
        assert {str(event["SUMMARY"])} == {q.title for q in same}
        assert str(event["UID"]).endswith(f"@{calendar_name(v.venue.name)}")
    assert len({str(e["UID"]) for e in read}) == len(read)
    placed = {(q.id.partition("/")[0], q.start_ms, q.end_ms) for q in p.plays}
    assert len(read) == len(placed)


def test_zones_that_take_it_one_by_one_share_an_event_while_they_take_it_at_once():
    one_by_one = rule("a", at="10:00", zones=["foyer", "theatre", "cafe"], together=False, priority=20)
    v = venue(rule("b", at="10:00", zones=["cafe"], priority=60), one_by_one)
    found = {str(e["UID"]).rpartition("@")[0]: str(e["LOCATION"]) for e in events(calendar(v, plan(v)))}
    name = f"a@{at('10:00')}"
    assert found == {f"b@{at('10:00')}": "Cafe", name: "Foyer, Theatre", f"{name}/cafe": "Cafe"}


@FEW
@given(v=venues())
def test_every_line_ends_with_crlf_and_has_at_most_75_octets(v):
    # RFC 5545 section 3.1: lines delimited by CRLF, no longer than 75 octets excluding the line break.
    raw = plan_ics(v, [plan(v)]).encode()
    assert raw.endswith(b"\r\n")
    lines = raw[:-2].split(b"\r\n")
    assert all(len(line) <= 75 and b"\n" not in line and b"\r" not in line for line in lines)


ANY_TEXT = st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp")), max_size=200)


@given(value=ANY_TEXT)
def test_folding_cuts_no_character_and_unfolds_to_the_line(value):
    folded = fold(f"SUMMARY:{value}")
    assert folded.replace("\r\n ", "") == f"SUMMARY:{value}"
    assert all(len(part.encode()) <= 75 for part in folded.split("\r\n"))


# RFC 5545 section 3.3.11, the property value of its own example.
def test_a_text_is_escaped_as_the_rfcs_example():
    rfc = "Project XYZ Final Review\\nConference Room - 3B\\nCome Prepared."
    assert text("Project XYZ Final Review\nConference Room - 3B\nCome Prepared.") == rfc
    assert text("a\\b;c,d") == "a\\\\b\\;c\\,d"


@given(title=ANY_TEXT.filter(bool))
def test_any_title_comes_back_from_the_calendar(title):
    v = venue({**rule("a", at="10:00"), "title": title})
    (event,) = events(calendar(v, plan(v)))
    assert str(event["SUMMARY"]) == title


def test_the_calendar_says_what_it_is_and_each_event_has_what_it_must():
    # RFC 5545 sections 3.6 (VERSION, PRODID), 3.6.1 (UID and DTSTAMP are required), 3.8.7.2 (DTSTAMP is UTC);
    # RFC 7986 section 5.1 (NAME).
    v = venue(rule("a", at="10:00", priority=60), quiet=[])
    read = calendar(v, plan(v))
    assert (str(read["VERSION"]), str(read["NAME"])) == ("2.0", "Quillfin Aquarium")
    assert "PRODID" in read
    (event,) = events(read)
    assert event["DTSTAMP"].dt.utcoffset() == dt.timedelta(0)
    assert event["TRANSP"] == "TRANSPARENT"
    assert str(event["DESCRIPTION"]) == "Priority 60 (house). On time."
    assert read.errors == event.errors == []


def test_what_is_left_out_is_in_the_description():
    window = {"zones": ["theatre"], "from": "09:30", "until": "10:30", "min_priority": 80}
    v = venue(rule("a", at="10:00", zones=["foyer", "theatre"]), quiet=[window])
    (event,) = events(calendar(v, plan(v)))
    assert str(event["DESCRIPTION"]).endswith("\nWithout Theatre: quiet 09:30-10:30.")
    assert str(event["LOCATION"]) == "Foyer"


# ---- VTIMEZONE (RFC 5545 section 3.6.5), judged by zoneinfo: the offset in force at an instant is that of the
# last observance whose onset, read in TZOFFSETFROM, is not after it.

ZONES = ["Europe/London", "America/New_York", "Australia/Lord_Howe", "America/St_Johns", "Asia/Kathmandu",
         "Africa/Casablanca", "Europe/Dublin", "Australia/Sydney", "UTC", "Africa/Monrovia"]  # fmt: skip


def offsets(ics: str) -> list[tuple[dt.datetime, dt.timedelta]]:
    """(onset in UTC, offset from then on), read from the text alone."""
    block = ics[ics.index("BEGIN:VTIMEZONE") : ics.index("END:VTIMEZONE")]
    found = []
    for one in re.findall(r"BEGIN:(?:STANDARD|DAYLIGHT)\r\n(.*?)END:", block, re.DOTALL):
        values = dict(line.split(":", 1) for line in one.strip().split("\r\n"))
        before, after = (_offset(values[key]) for key in ("TZOFFSETFROM", "TZOFFSETTO"))
        onset = dt.datetime.strptime(values["DTSTART"], "%Y%m%dT%H%M%S").replace(tzinfo=dt.UTC) - before
        found.append((onset, after))
    return sorted(found)


def _offset(value: str) -> dt.timedelta:
    sign = -1 if value[0] == "-" else 1
    parts = [int(value[i : i + 2]) for i in range(1, len(value), 2)]
    return sign * dt.timedelta(hours=parts[0], minutes=parts[1], seconds=sum(parts[2:]))


@pytest.mark.parametrize("name", ZONES)
@pytest.mark.parametrize("date", [dt.date(2026, 2, 10), dt.date(2026, 3, 27), dt.date(2026, 10, 23)])
def test_the_written_time_zone_gives_zoneinfos_offsets_all_through_the_days_shown(name, date):
    v = venue(rule("a", interval={"every_min": 45, "start": "05:00", "end": "04:45"}), venue={"timezone": name})
    plans = [plan(v, date + n * DAY) for n in range(40)]
    known = offsets(plan_ics(v, plans))
    zone = ZoneInfo(name)
    for p in plans:
        for play in p.plays:
            moment = dt.datetime.fromtimestamp(play.start_ms / 1000, dt.UTC)
            in_force = [offset for onset, offset in known if onset <= moment][-1]
            assert in_force == moment.astimezone(zone).utcoffset(), (name, moment)


@pytest.mark.parametrize("name", ZONES)
def test_on_the_days_of_a_clock_change_every_event_is_the_instant_that_was_planned(name):
    # Sundays of 2026: 29 March, 25 October (Europe), 8 March, 1 November (America), 5 April, 4 October (Sydney).
    v = venue(rule("a", interval={"every_min": 15, "start": "05:00", "end": "04:45"}), venue={"timezone": name})
    days = [(3, 7), (3, 28), (4, 4), (10, 3), (10, 24), (10, 31)]
    for month, day in days:
        p = plan(v, dt.date(2026, month, day))
        read = calendar(v, p)
        assert [int(e.start.timestamp()) * 1000 for e in events(read)] == [q.start_ms for q in p.plays]


def test_the_second_time_around_an_hour_is_written_as_utc():
    # RFC 5545 section 3.3.5: a local time that occurs twice refers to the first.
    v = venue(rule("a", interval={"every_min": 30, "start": "05:00", "end": "04:30"}))
    ics = plan_ics(v, [plan(v, dt.date(2026, 10, 24))])
    assert "DTSTART;TZID=Europe/London:20261025T013000\r\n" in ics  # 00:30 UTC, the first
    assert "DTSTART:20261025T013000Z\r\n" in ics  # the second
    assert len(re.findall(r"20261025T013000", ics)) - len(re.findall(r"DTEND\S*20261025T013000", ics)) == 2


def test_a_renamed_or_another_venue_has_other_uids_and_the_name_is_plain():
    names = {calendar_name(n) for n in ("Quillfin Aquarium", "quillfin aquarium", "水族館", "Café", "")}
    assert len(names) == 5
    assert all(re.fullmatch(r"[a-z0-9-]+", n) for n in names)


# ---- the command


def quillfin() -> str:
    return str(folder("demo_clips") / "quillfin.toml")


def test_the_command_writes_a_week_that_reads_back(capsys):
    assert main(["plan", "--file", quillfin(), "--date", "2026-11-27", "--until", "2026-12-03", "--ics"]) == 0
    read = Calendar.from_ical(capsys.readouterr().out.encode())
    assert len(events(read)) > 100
    assert main(["plan", "--file", quillfin(), "--ics", "--against", quillfin()]) == 2


def test_the_same_plan_gives_the_same_bytes_whatever_the_hash_seed_and_the_machines_zone():
    words = [sys.executable, "-m", "oyez.cli", "plan", "--file", quillfin(), "--date", "2026-11-27", "--ics"]
    outs = {
        subprocess.run(words, capture_output=True, check=True, env={"PYTHONHASHSEED": seed, "TZ": zone}).stdout
        for seed, zone in (("1", "UTC"), ("4242", "Asia/Tokyo"))
    }
    assert len(outs) == 1


def test_a_change_elsewhere_leaves_an_events_uid_and_bytes_alone():
    one = venue(rule("a", at="10:00"), rule("b", at="12:00"))
    other = venue(rule("a", at="10:00"), rule("b", at="12:30"))
    blocks = [
        re.search(r"BEGIN:VEVENT\r\nUID:a@.*?END:VEVENT", plan_ics(v, [plan(v)]), re.DOTALL) for v in (one, other)
    ]
    assert blocks[0] is not None
    assert blocks[1] is not None
    assert blocks[0][0] == blocks[1][0]
