"""The demo venue is sound as designed, and set around any minute it calls within the first one."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from oyez.demo.around import FIRST_CALL_S, around
from oyez.errors import InputError
from oyez.settings import folder
from oyez.venue.models import VenueFile
from oyez.venue.reader import Reading, read_venue
from oyez.venue.units import read_period

LONDON = ZoneInfo("Europe/London")
HOURS = [dt.datetime(2026, 11, 25, hour, minute, 17, tzinfo=LONDON) for hour in range(24) for minute in (3, 59)]
CLOCK_CHANGES = [  # London: forward at 01:00 UTC on 29 March 2026, back at 01:00 UTC on 25 October 2026
    dt.datetime(2026, month, day, hour, minute, tzinfo=dt.UTC)
    for month, day in ((3, 28), (3, 29), (10, 24), (10, 25))
    for hour in (0, 1, 2, 12, 23)
    for minute in (0, 30, 59)
]


def designed_reading() -> Reading:
    path = folder("demo_clips") / "quillfin.toml"
    return read_venue(path.read_text(encoding="utf-8"), where=path.name, syntax="toml")


@pytest.fixture(scope="module")
def designed() -> VenueFile:
    venue = designed_reading().venue
    assert venue is not None
    return venue


def test_the_designed_venue_has_neither_fault_nor_warning() -> None:
    assert [str(f) for f in designed_reading().findings] == []


def test_every_audio_file_of_the_designed_venue_is_there_and_small(designed: VenueFile) -> None:
    here = folder("demo_clips")
    assert [c.file for c in designed.clips if not (here / c.file).is_file()] == []
    assert all(any((here / s.folder).iterdir()) for s in designed.sources)
    size = sum(f.stat().st_size for f in here.rglob("*") if f.is_file() and "__pycache__" not in f.parts)
    assert size < 6_000_000


@pytest.mark.parametrize("now", HOURS + CLOCK_CHANGES, ids=lambda now: now.strftime("%m-%dT%H%M%z"))
def test_the_first_call_is_half_a_minute_away_at_any_hour(designed: VenueFile, now: dt.datetime) -> None:
    venue = around(designed, now, card=False)
    zone = ZoneInfo(venue.venue.timezone)
    first = venue.rule("seals").fixed
    assert first is not None
    local = now.astimezone(zone)
    read = [dt.datetime.combine(local.date() + dt.timedelta(days=d), dt.time.fromisoformat(first.times[0]), zone)
            for d in (0, 1)]  # fmt: skip
    waits_s = {at.timestamp() - int(now.timestamp()) for at in read}
    assert FIRST_CALL_S in waits_s


@pytest.mark.parametrize("now", HOURS + CLOCK_CHANGES, ids=lambda now: now.strftime("%m-%dT%H%M%z"))
def test_the_venue_around_any_hour_reads_without_fault(designed: VenueFile, now: dt.datetime) -> None:
    tree = around(designed, now, card=False).model_dump_json(by_alias=True, exclude_defaults=True)
    assert [str(f) for f in read_venue(tree, where="demo", syntax="json").findings] == []


def test_on_a_card_the_zones_without_an_output_are_all_there_is_to_say(designed: VenueFile) -> None:
    tree = around(designed, HOURS[0], card=True).model_dump_json(by_alias=True, exclude_defaults=True)
    findings = read_venue(tree, where="demo", syntax="json").findings
    assert {(f.level, f.message) for f in findings} == {
        ("warning", "is on no output, nothing of it will be heard")
    }


@pytest.mark.parametrize("now", HOURS, ids=lambda now: now.strftime("%H%M"))
def test_the_venue_is_open_at_any_hour(designed: VenueFile, now: dt.datetime) -> None:
    venue = around(designed, now, card=False)
    assert venue.hours is not None
    period = read_period(venue.hours.periods("mo")[0])
    local = now.astimezone(ZoneInfo(venue.venue.timezone))
    seconds = local.hour * 3600 + local.minute * 60 + local.second
    length = (period.end - period.start) % 86400
    assert (seconds - period.start) % 86400 < length


def test_the_ticket_hall_goes_to_the_card_where_there_is_one(designed: VenueFile) -> None:
    assert around(designed, HOURS[0], card=False).outputs == ()
    (output,) = around(designed, HOURS[0], card=True).outputs
    assert output.kind == "card"
    assert output.zones == {"ticket-hall": (1, 2)}


def test_an_instant_without_an_offset_is_refused(designed: VenueFile) -> None:
    with pytest.raises(InputError, match="needs an offset"):
        around(designed, dt.datetime(2026, 11, 25, 12, 0), card=False)  # noqa: DTZ001
