"""Loading a venue: what it would change is told, then it is one step with one record in the journal."""

from __future__ import annotations

from pathlib import Path

import pytest

from oyez.errors import NotFound, VenueFaults
from oyez.store import head, journal, loading, venues
from oyez.store.chain import Head
from oyez.store.clips import put_audio
from oyez.store.database import Database
from oyez.venue.writer import venue_tree
from tests.store.filled import CHIME, CLOSING, MUSIC, audio, fill, open_new, sound_venue
from tests.venue.venues import GOOD

NOW_MS = 1_790_000_000_000


@pytest.fixture
def database(tmp_path: Path):
    opened = open_new(tmp_path)
    yield opened
    opened.close()


def carry_out(session, loaded) -> int:
    return loading.carry_out(
        session, loaded, slug=None, who="ana", origin="command line", what="venue loaded", at_ms=NOW_MS
    )


def test_a_changed_venue_is_told_and_written_and_noted(database: Database):
    venue_id = fill(database)
    after = sound_venue(GOOD.replace("priority = 60", "priority = 70"))
    with database.begin() as session:
        loaded = loading.prepare(session, after, loading.target(session))
        assert [str(c) for c in loaded.changes] == ["rule 'closing-15': priority 60 -> 70"]
        assert carry_out(session, loaded) == venue_id
    with database.read() as session:
        assert venues.read_venue(session, venue_id) == after
        assert venues.revision(session, venue_id) == 2
        (noted,) = journal.read(session, venue_id)
    assert (noted.who, noted.origin, noted.what, noted.at_ms) == ("ana", "command line", "venue loaded", NOW_MS)
    assert noted.before == venue_tree(sound_venue())
    assert noted.after == venue_tree(after)


def test_without_changes_nothing_is_written_and_nothing_noted(database: Database):
    venue_id = fill(database)
    with database.begin() as session:
        loaded = loading.prepare(session, sound_venue(), loading.target(session), audio={"closing-15": CLOSING})
        assert loaded.changes == ()
        carry_out(session, loaded)
        assert venues.revision(session, venue_id) == 1
        assert journal.read(session, venue_id) == ()


def test_other_audio_alone_is_a_change(database: Database):
    venue_id = fill(database)
    with database.begin() as session:
        ref = loading.target(session)
        loaded = loading.prepare(session, sound_venue(), ref, audio={"closing-15": MUSIC})
        assert [str(c) for c in loaded.changes] == ["clip 'closing-15': audio replaced by other audio"]
        carry_out(session, loaded)
        assert venues.revision(session, venue_id) == 2


def test_music_that_comes_to_a_silent_source_is_a_change(database: Database):
    with database.begin() as session:
        for sha256 in (CLOSING, CHIME, MUSIC):
            put_audio(session, audio(sha256))
        silent = venues.write_venue(session, sound_venue(), audio={"closing-15": CLOSING, "two-tone": CHIME})
        track = venues.Track(title="Tide", file="tide.ogg", sha256=MUSIC)
        ref = loading.target(session)
        loaded = loading.prepare(session, sound_venue(), ref, tracks={"house": [track]})
        assert [str(c) for c in loaded.changes] == ["source 'house': tracks changed, 0 -> 1"]
        carry_out(session, loaded)
        assert venues.source_tracks(session, silent) == {("house", "music"): [track]}


def test_a_first_venue_without_audio_for_its_clips_is_refused_clip_by_clip(database: Database):
    with database.read() as session, pytest.raises(VenueFaults) as refused:
        loading.prepare(session, sound_venue(), None, audio={"two-tone": CHIME}, where="quillfin.toml")
    there = "beside the venue file, nor in the database under this id and name"
    assert [str(fault) for fault in refused.value.faults] == [
        f"quillfin.toml: clip 'closing-15': has no audio: its file is not {there}",
        f"quillfin.toml: source 'house': has no music: its folder is not {there}",
    ]


def test_a_source_is_not_pointed_at_a_folder_nobody_has(database: Database):
    venue_id = fill(database)
    moved = sound_venue().model_copy(
        update={"sources": (sound_venue().sources[0].model_copy(update={"folder": "elsewhere"}),)}
    )
    with database.read() as session:
        with pytest.raises(VenueFaults, match="source 'house': has no music"):
            loading.prepare(session, moved, loading.target(session))
        assert [t.file for t in venues.source_tracks(session, venue_id)["house", "music"]] == ["tide.ogg"]


def test_a_source_whose_folder_was_empty_keeps_it(database: Database):
    with database.begin() as session:
        fill_silent = venues.write_venue(session, sound_venue(), audio={}, tracks={"house": []})
        assert venues.source_tracks(session, fill_silent) == {}
    with database.read() as session:
        ref = loading.target(session)
        loading.prepare(session, sound_venue(), ref, audio={"two-tone": CHIME, "closing-15": CLOSING})


def test_audio_that_is_not_in_the_database_stops_the_whole_load(database: Database):
    venue_id = fill(database)

    def load() -> None:
        with database.begin() as session:
            ref = loading.target(session)
            carry_out(session, loading.prepare(session, sound_venue(), ref, audio={"two-tone": "d" * 64}))

    with pytest.raises(NotFound, match=r"audio dddddddddddd\.\.\. is not in the database"):
        load()
    with database.read() as session:
        assert venues.revision(session, venue_id) == 1


def test_the_journals_head_is_noted_beside_the_database(database: Database, tmp_path: Path):
    venue_id = fill(database)
    after = sound_venue(GOOD.replace("priority = 60", "priority = 70"))
    with database.begin() as session:
        carry_out(session, loading.prepare(session, after, loading.target(session)))
    loading.keep_journal_head(database, tmp_path, venue_id)
    with database.read() as session:
        last = journal.head(session, venue_id)
    assert last.number == 1
    assert head.read_heads(tmp_path, venue_id, "journal") == (Head(number=1, hash=last.hash),)


def test_which_venue_is_replaced(database: Database):
    fill(database)
    with database.begin() as session:
        assert loading.target(session).slug == "quillfin-aquarium"
        assert loading.target(session, "pier") is None
        venues.write_venue(session, sound_venue(), slug="pier")
        assert loading.target(session, "pier").slug == "pier"
        with pytest.raises(NotFound, match="say which: --venue with one of quillfin-aquarium, pier"):
            loading.target(session)
