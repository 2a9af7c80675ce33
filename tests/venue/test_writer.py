"""A venue written and read again is the same venue."""

from __future__ import annotations

import json
import tomllib

from hypothesis import HealthCheck, given, settings

from oyez.venue.models import VenueFile, Week
from oyez.venue.reader import read_venue
from oyez.venue.writer import venue_tree, write_toml
from tests.venue.venues import GOOD, venues

FEW = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)


def read(text: str, syntax: str = "toml") -> VenueFile:
    reading = read_venue(text, where="test", syntax=syntax)  # type: ignore[arg-type]
    assert reading.venue is not None, [str(f) for f in reading.findings]
    return reading.venue


@FEW
@given(venue=venues())
def test_a_venue_written_as_toml_reads_back_the_same(venue: VenueFile):
    assert read(write_toml(venue)) == venue


@FEW
@given(venue=venues())
def test_a_venue_written_as_json_reads_back_the_same(venue: VenueFile):
    assert read(json.dumps(venue_tree(venue)), "json") == venue


@FEW
@given(venue=venues())
def test_what_is_written_is_toml_by_the_standard_librarys_reader_and_the_same_tree(venue: VenueFile):
    assert tomllib.loads(write_toml(venue)) == venue_tree(venue)


def test_defaults_are_left_out():
    text = write_toml(read(GOOD))
    assert "day_starts" not in text
    assert "repeat" not in text


def test_a_venue_that_is_closed_every_day_stays_different_from_one_that_is_always_open():
    venue = read(GOOD)
    manual = venue.model_copy(update={"rules": (), "quiet": ()})
    closed = manual.model_copy(update={"hours": Week()})
    always = manual.model_copy(update={"hours": None})
    assert read(write_toml(closed)).hours == Week()
    assert read(write_toml(always)).hours is None


def test_quotes_backslashes_and_the_delete_character_survive():
    title = 'Say "hands off" \\ caf\N{LATIN SMALL LETTER E WITH ACUTE} \N{BALLET SHOES} \N{ZERO WIDTH JOINER}'
    venue = read(GOOD)
    rule = venue.rules[0].model_copy(update={"title": title})
    venue = venue.model_copy(update={"rules": (rule, *venue.rules[1:])})
    assert read(write_toml(venue)).rules[0].title == title
    # DEL must be escaped in TOML 1.0 ("Basic strings": U+007F is excluded), JSON leaves it bare.
    raw = venue.rules[0].model_copy(update={"title": "a\x7fb"})
    text = write_toml(venue.model_copy(update={"rules": (raw,)}))
    assert tomllib.loads(text)["rules"][0]["title"] == "a\x7fb"


def test_tables_stand_under_headers_of_their_own():
    text = write_toml(read(GOOD))
    assert "\n[[rules]]\nid = " in text
    assert "\n[rules.fixed]\n" in text
    assert "bands = [{hz = 2500.0, gain_db = 3.0}]" in text
