"""Audio that nothing uses goes, and nothing else does."""

from __future__ import annotations

import dataclasses
import json
import os
import time
from pathlib import Path

import numpy as np
import pytest

from oyez.clips.store import AudioStore
from oyez.settings import Settings
from oyez.store import unused, venues
from oyez.store.clips import put_audio
from oyez.store.database import Database
from oyez.store.unused import UNUSED_S, sweep_unused
from tests.store.filled import audio, fill, open_new

NOW_S = 1_790_000_000.0
OLD_S = NOW_S - UNUSED_S - 10


class Shelf:
    def __init__(self, folder: Path) -> None:
        self.settings = Settings(data_dir=folder)
        self.database: Database = open_new(folder)
        self.venue_id = fill(self.database)
        self.store = AudioStore(self.settings.audio)
        self.took_in("f" * 64, NOW_S)

    def took_in(self, sha256: str, at_s: float) -> None:
        with self.database.begin() as session:
            put_audio(session, dataclasses.replace(audio(sha256), added_ms=round(at_s * 1000)))

    def put(self, level: float, at_s: float = OLD_S) -> str:
        sha256 = self.store.put(np.full((480, 1), level, dtype=np.float32)).sha256
        os.utime(self.store.path_of(sha256), (at_s, at_s))
        return sha256

    def sweep(self) -> int:
        return sweep_unused(self.database, self.settings, now_s=NOW_S)


@pytest.fixture
def shelf(tmp_path: Path):
    made = Shelf(tmp_path)
    yield made
    made.database.close()


def test_audio_of_an_import_that_was_killed_goes_after_a_day_with_what_was_drawn_of_it(shelf: Shelf):
    killed, fresh = shelf.put(0.1), shelf.put(0.2, NOW_S - UNUSED_S + 10)
    drawn = shelf.store.path_of(killed).with_suffix(".picture.json")
    drawn.write_text("{}")
    assert shelf.sweep() == 1
    assert not shelf.store.has(killed)
    assert not drawn.exists()
    assert shelf.store.has(fresh)


def test_what_a_clip_a_track_or_a_clip_of_old_uses_stays(shelf: Shelf):
    clip, track, once = shelf.put(0.1), shelf.put(0.2), shelf.put(0.3)
    for sha256 in (clip, track, once):
        shelf.took_in(sha256, OLD_S)
    with shelf.database.begin() as session:
        venue = venues.read_venue(session, shelf.venue_id)
        tracks = {"house": [venues.Track(title="Tide", file="tide.ogg", sha256=track)]}
        venues.write_venue(session, venue, venue_id=shelf.venue_id, audio={"closing-15": clip}, tracks=tracks)
    assert shelf.sweep() == 0
    assert all(shelf.store.has(sha256) for sha256 in (clip, track, once))


@pytest.mark.parametrize("name", ["programme.json", "programme.unreadable"])
def test_what_the_engine_holds_stays(shelf: Shelf, name: str):
    held, killed = shelf.put(0.1), shelf.put(0.2)
    shelf.settings.engine.mkdir()
    tree = {"cues": [{"segments": [{"clip": "x", "sha256": held}]}]}
    (shelf.settings.engine / name).write_text(json.dumps(tree)[: -1 if name.endswith("able") else None])
    assert shelf.sweep() == 1
    assert (shelf.store.has(held), shelf.store.has(killed)) == (True, False)


def test_an_older_copy_of_the_database_put_back_costs_no_audio(shelf: Shelf, tmp_path: Path):
    later = shelf.put(0.1)  # entered into the database that is away now
    empty = open_new(tmp_path / "other")
    assert sweep_unused(empty, shelf.settings, now_s=NOW_S) == 0
    with empty.begin() as session:
        put_audio(session, dataclasses.replace(audio(), added_ms=round((OLD_S - 1) * 1000)))
    assert sweep_unused(empty, shelf.settings, now_s=NOW_S) == 0
    empty.close()
    assert shelf.store.has(later)


def test_audio_imported_again_is_young_again(shelf: Shelf):
    killed = shelf.put(0.1)
    shelf.store.put(np.full((480, 1), 0.1, dtype=np.float32))
    assert abs(shelf.store.path_of(killed).stat().st_mtime - time.time()) < 60.0


def test_one_sweep_takes_no_more_than_so_many(shelf: Shelf, monkeypatch: pytest.MonkeyPatch):
    for n in range(1, 4):
        shelf.put(n / 10)
    monkeypatch.setattr(unused, "MOST", 2)
    assert shelf.sweep() == 2
    assert shelf.sweep() == 1
