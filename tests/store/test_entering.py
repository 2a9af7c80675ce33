"""Audio becomes a clip as a whole or leaves nothing behind, whoever asks."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from oyez.clips.store import AudioStore
from oyez.errors import Conflict, WorkFailed
from oyez.store import clips, entering, head, journal
from oyez.store.database import Database
from oyez.store.entering import Entered, enter_clip
from tests.store.filled import audio, fill, open_new

NOW_MS = 1_790_000_000_000


@pytest.fixture
def database(tmp_path: Path):
    opened = open_new(tmp_path)
    yield opened
    opened.close()


@pytest.fixture
def store(tmp_path: Path) -> AudioStore:
    return AudioStore(tmp_path / "audio")


def imported(store: AudioStore, level: float = 0.1) -> dict[str, Any]:
    stored = store.put(np.full((4800, 1), level, dtype=np.float32))
    return {
        "stored": dataclasses.asdict(stored),
        "measurement": dataclasses.asdict(audio().measurement),
        "lead_silence_ms": 0,
        "tail_silence_ms": 0,
        "original": {"name": "Hands off.wav", "form": "WAV", "sample_rate": 48_000, "channels": 1},
    }


def enter(database: Database, store: AudioStore, tree: dict[str, Any], venue_id: int, **more: Any) -> Entered:
    told: dict[str, Any] = {"kind": "speech", "who": "Ana", "origin": "page", "at_ms": NOW_MS}
    return enter_clip(database, store, venue_id, tree, data_dir=database.path.parent, **told, **more)


def test_a_clip_is_entered_with_its_journal_and_the_journals_head(database: Database, store: AudioStore):
    venue_id = fill(database)
    entered = enter(database, store, imported(store), venue_id)
    assert (entered.stored.clip.id, entered.stored.clip.title) == ("hands-off", "Hands off")
    assert not entered.there_already
    with database.read() as session:
        assert journal.head(session, venue_id).number == 1
        kept = head.read_heads(database.path.parent, venue_id, "journal")
        assert kept[-1].number == 1
    again = enter(database, store, imported(store), venue_id)
    assert again.there_already
    assert again.stored.clip.id == "hands-off"
    assert store.has(str(imported(store)["stored"]["sha256"]))


def test_what_is_refused_leaves_no_audio(database: Database, store: AudioStore):
    venue_id = fill(database)
    enter(database, store, imported(store), venue_id)
    other = imported(store, 0.2)
    with pytest.raises(Conflict, match="clip 'hands-off': there is one with this id already"):
        enter(database, store, other, venue_id, clip_id="hands-off")
    assert not store.has(other["stored"]["sha256"])
    assert store.has(imported(store)["stored"]["sha256"])  # its own stays


def test_audio_that_was_in_use_before_stays_when_entering_fails(
    database: Database, store: AudioStore, monkeypatch
):
    venue_id = fill(database)
    tree = imported(store)
    enter(database, store, tree, venue_id)

    def full(*_: object, **__: object) -> None:
        raise WorkFailed("oyez.db: cannot be written: disk full")

    monkeypatch.setattr(entering, "put_audio", full)
    with pytest.raises(WorkFailed):
        enter(database, store, tree, venue_id)
    assert store.has(tree["stored"]["sha256"])
    fresh = imported(store, 0.3)
    with pytest.raises(WorkFailed):
        enter(database, store, fresh, venue_id)
    assert not store.has(fresh["stored"]["sha256"])
    with database.read() as session:
        assert [c.clip.id for c in clips.list_clips(session, venue_id)][-1] == "hands-off"
