"""Clips and audio rows: once by content, never a clip without its audio by mistake."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlalchemy.exc import IntegrityError

from oyez.errors import Conflict, InputError, NotFound
from oyez.store import clips, venues
from oyez.store.database import Database
from oyez.venue.models import Clip
from tests.store.filled import CHIME, CLOSING, MUSIC, audio, fill, open_new, sound_venue

NEW = Clip(id="welcome", file="welcome.flac", title="Welcome")


@pytest.fixture
def database(tmp_path: Path):
    opened = open_new(tmp_path)
    yield opened
    opened.close()


def test_audio_reads_back_as_it_was_put(database: Database):
    with database.begin() as session:
        assert clips.put_audio(session, audio()) is True
    with database.read() as session:
        assert clips.get_audio(session, CLOSING) == audio()
        assert clips.get_audio(session, MUSIC) is None


def test_the_same_audio_twice_is_kept_once_as_it_first_came(database: Database):
    with database.begin() as session:
        clips.put_audio(session, audio())
        again = clips.put_audio(session, audio(frames=1))
    assert again is False
    with database.read() as session:
        assert clips.get_audio(session, CLOSING) == audio()


def test_a_new_clip_stands_behind_the_others_and_raises_the_revision(database: Database):
    venue_id = fill(database)
    with database.begin() as session:
        clips.add_clip(session, venue_id, NEW, CLOSING)
    with database.read() as session:
        assert [c.clip.id for c in clips.list_clips(session, venue_id)] == ["closing-15", "two-tone", "welcome"]
        assert venues.read_venue(session, venue_id).clips[-1] == NEW
        assert venues.revision(session, venue_id) == 2


def test_a_clip_of_an_id_that_is_taken_is_a_conflict(database: Database):
    venue_id = fill(database)
    taken = NEW.model_copy(update={"id": "two-tone"})
    wanted = "clip 'two-tone': there is one with this id already"
    with pytest.raises(Conflict, match=wanted), database.begin() as session:
        clips.add_clip(session, venue_id, taken, CLOSING)


def test_a_clip_without_its_audio_is_refused(database: Database):
    venue_id = fill(database)
    wanted = r"its audio dddddddddddd\.\.\. is not in the database"
    with pytest.raises(NotFound, match=wanted), database.begin() as session:
        clips.add_clip(session, venue_id, NEW, "d" * 64)
    with database.read() as session:
        assert len(clips.list_clips(session, venue_id)) == 2


def test_a_chime_that_a_rule_plays_cannot_vanish(database: Database):
    venue_id = fill(database)
    venue = sound_venue()
    without = venue.model_copy(update={"clips": venue.clips[:1]})
    with pytest.raises(IntegrityError, match="FOREIGN KEY"), database.begin() as session:
        venues.write_venue(session, without, venue_id=venue_id)
    with database.read() as session:
        assert venues.read_venue(session, venue_id) == venue


def test_audio_in_use_is_that_of_clips_and_of_music(database: Database):
    fill(database)
    with database.begin() as session:
        clips.put_audio(session, audio("e" * 64))
        assert clips.audio_in_use(session) == {CLOSING, CHIME, MUSIC}


def test_a_measurement_that_lacks_something_is_told(database: Database):
    with pytest.raises(InputError, match="stored measurement cannot be read"):
        clips.read_measurement({"duration_s": 1.0})


def test_a_measurement_of_a_later_meter_reads_without_what_is_not_known_here():
    tree = {**{name: getattr(audio().measurement, name) for name in audio().measurement.__slots__}, "future": 1}
    assert clips.read_measurement(tree) == audio().measurement
