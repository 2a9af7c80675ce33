"""A venue in the database is the venue of the file, and replacing it is one step."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from sqlalchemy import JSON

from oyez.clips.folder import open_venue
from oyez.errors import NotFound, WorkFailed
from oyez.settings import folder
from oyez.store import clips, venues
from oyez.store.database import Database
from oyez.store.tables import VenueRow
from oyez.venue.models import VenueFile
from oyez.venue.reader import read_venue
from oyez.venue.writer import write_toml
from tests.store.filled import CHIME, CLOSING, MUSIC, audio, fill, open_new, sound_venue
from tests.venue.venues import venues as any_venue


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    opened = open_new(tmp_path_factory.mktemp("data"))
    yield opened
    opened.close()


@pytest.fixture
def fresh(tmp_path: Path):
    opened = open_new(tmp_path)
    yield opened
    opened.close()


@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.function_scoped_fixture],
)
@given(venue=any_venue())
def test_a_venue_written_to_the_database_reads_back_the_same(database: Database, venue: VenueFile):
    with database.begin() as session:
        venue_id = venues.write_venue(session, venue)
    with database.read() as session:
        found = venues.read_venue(session, venue_id)
    assert found == venue
    # and on into a file and back: dump then load is lossless
    assert read_venue(write_toml(found), where="x", syntax="toml").venue == venue


def test_the_packaged_demo_venue_reads_back_the_same(fresh: Database):
    venue = open_venue(folder("demo_clips") / "quillfin.toml").venue
    with fresh.begin() as session:
        venue_id = venues.write_venue(session, venue)
    with fresh.read() as session:
        assert venues.read_venue(session, venue_id) == venue


def test_replacing_a_venue_leaves_nothing_of_the_old_one(fresh: Database):
    venue_id = fill(fresh)
    smaller = sound_venue().model_copy(update={"rules": (), "outputs": (), "quiet": (), "seasons": ()})
    with fresh.begin() as session:
        venues.write_venue(session, smaller, venue_id=venue_id)
    with fresh.read() as session:
        assert venues.read_venue(session, venue_id) == smaller
        assert venues.revision(session, venue_id) == 2


def test_two_venues_in_one_database_do_not_mix(fresh: Database):
    first = fill(fresh)
    other = sound_venue().model_copy(update={"rules": ()})
    with fresh.begin() as session:
        second = venues.write_venue(session, other)
    with fresh.read() as session:
        assert venues.read_venue(session, first) == sound_venue()
        assert venues.read_venue(session, second) == other
        assert [ref.slug for ref in venues.list_venues(session)] == ["quillfin-aquarium", "quillfin-aquarium-2"]
        assert venues.find_venue(session, "quillfin-aquarium-2").id == second
        with pytest.raises(
            NotFound, match="say which: --venue with one of quillfin-aquarium, quillfin-aquarium-2"
        ):
            venues.find_venue(session)
        with pytest.raises(
            NotFound, match="there is no venue 'pier' in the database, there are quillfin-aquarium"
        ):
            venues.find_venue(session, "pier")


def test_an_empty_database_says_how_to_fill_it(fresh: Database):
    with fresh.read() as session:
        assert venues.list_venues(session) == ()
        with pytest.raises(NotFound, match="`oyez load FILE` puts one in"):
            venues.find_venue(session)


@pytest.mark.parametrize(
    ("name", "slug"),
    [("Quillfin Aquarium", "quillfin-aquarium"), ("Café & Söhne!", "cafe-sohne"), ("水族館", "venue")],
)
def test_a_short_name_is_made_of_the_name(fresh: Database, name: str, slug: str):
    venue = sound_venue()
    venue = venue.model_copy(update={"venue": venue.venue.model_copy(update={"name": name})})
    with fresh.begin() as session:
        venues.write_venue(session, venue)
        assert venues.list_venues(session)[0].slug == slug


def test_a_venue_written_anew_keeps_the_audio_it_had(fresh: Database):
    venue_id = fill(fresh)
    with fresh.begin() as session:
        venues.write_venue(session, sound_venue(), venue_id=venue_id)
    with fresh.read() as session:
        found = clips.facts(session, venue_id)
        assert {name: facts.sha256 for name, facts in found.items()} == {"closing-15": CLOSING, "two-tone": CHIME}
        assert [track.sha256 for track in clips.tracks(session, venue_id)["house"]] == [MUSIC]


def test_a_clip_whose_file_is_another_does_not_keep_the_old_audio(fresh: Database):
    venue_id = fill(fresh)
    venue = sound_venue()
    renamed = venue.clips[0].model_copy(update={"file": "new.flac"})
    with fresh.begin() as session:
        venues.write_venue(
            session, venue.model_copy(update={"clips": (renamed, venue.clips[1])}), venue_id=venue_id
        )
        assert [stored.audio is None for stored in clips.list_clips(session, venue_id)] == [True, False]


def test_facts_say_the_stated_duration_else_the_audios(fresh: Database):
    venue = sound_venue()
    stated = venue.clips[1].model_copy(update={"duration_ms": 1234})
    venue_id = fill(fresh, venue.model_copy(update={"clips": (venue.clips[0], stated)}))
    with fresh.read() as session:
        found = clips.facts(session, venue_id)
    assert found["closing-15"].duration_ms == 7400  # 355 200 frames at 48 kHz
    assert found["two-tone"].duration_ms == 1234
    assert found["closing-15"].measured == audio().measurement


def test_a_clip_of_which_only_the_duration_is_known_has_facts_without_audio(fresh: Database):
    venue = sound_venue()
    stated = venue.clips[0].model_copy(update={"duration_ms": 7000})
    with fresh.begin() as session:
        venue_id = venues.write_venue(session, venue.model_copy(update={"clips": (stated, venue.clips[1])}))
        found = clips.facts(session, venue_id)
    assert set(found) == {"closing-15"}
    assert (found["closing-15"].duration_ms, found["closing-15"].sha256) == (7000, None)


def test_every_value_that_is_one_value_has_a_column_of_its_own():
    kinds = {**venues.TABLES, "venue": VenueRow}
    trees = {f"{name}.{c.name}" for name, kind in kinds.items() for c in kind.__table__.columns if _is_json(c)}
    assert trees == {
        "venue.hours",
        "venue.holidays",
        "hours_sets.week",
        "seasons.week",
        "hours_except.open",
        "quiet.zones",
        "quiet.days",
        "quiet.except_dates",
        "zones.eq",
        "groups.zones",
        "rules.clips",
        "rules.zones",
        "rules.duck",
        "rules.fixed",
        "rules.interval",
        "outputs.zones",
    }


def _is_json(column) -> bool:
    return isinstance(column.type, JSON)


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("UPDATE clip SET kind = 'hologram' WHERE id = 'closing-15'", r"clips\.\d\.kind: "),
        ("UPDATE zone SET hours = '../x y'", r"zones\.0\.hours: "),
        ("UPDATE rule SET zones = '[\"foy'", "cannot be read: "),
    ],
)
def test_stored_values_that_are_no_venue_are_told_in_one_line(fresh: Database, statement: str, told: str):
    venue_id = fill(fresh)
    with fresh.begin() as session:
        session.connection().exec_driver_sql(statement)
    with fresh.read() as session, pytest.raises(WorkFailed, match=told) as failed:
        venues.read_venue(session, venue_id)
    assert f"the stored venue {venue_id} cannot be read" in str(failed.value)
    assert "\n" not in str(failed.value)
