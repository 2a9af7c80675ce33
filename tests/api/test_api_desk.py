"""The API on the real director and database; only the engine is missing. What is answered is already committed."""

from __future__ import annotations

import dataclasses
import os
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from oyez.api.run import build
from oyez.clips.store import AudioStore
from oyez.settings import Settings
from oyez.store.clips import list_clips, put_audio
from oyez.store.database import open_database
from oyez.store.venues import list_venues
from tests.api.asking import Asking
from tests.api.test_api_upload import flac
from tests.store.filled import audio

VENUE: dict[str, Any] = {
    "format": 1,
    "venue": {"name": "Quillfin Annexe", "timezone": "Europe/London"},
    "zones": [{"id": "foyer", "name": "Foyer"}, {"id": "attic", "name": "Attic", "in_service": False}],
}


@pytest.fixture
def real(settings: Settings) -> Iterator[Asking]:
    with Asking(build(settings), base_url="http://localhost", client="127.0.0.1") as made:
        yield made


def clips_on_disk(settings: Settings) -> list[str]:
    database = open_database(settings)
    try:
        with database.read() as session:
            (venue,) = list_venues(session)
            return [stored.clip.id for stored in list_clips(session, venue.id)]
    finally:
        database.close()


def test_an_empty_service_says_so_and_takes_its_first_venue(real: Asking) -> None:
    assert real.get("/healthz").status_code == 503
    assert real.get("/api/health").json()["code"] == "no-venue"
    assert real.get("/api/plan").status_code == 409
    dry = real.put("/api/venue", params={"dry_run": "true"}, json=VENUE).json()
    assert dry["changes"]
    assert real.get("/api/venue").status_code == 409
    done = real.put("/api/venue", json=VENUE).json()
    assert done["changes"] == dry["changes"]
    assert real.get("/api/venue").json() == VENUE
    again = real.put("/api/venue", json=VENUE).json()
    assert again["changes"] == []


def test_without_the_engine_the_plan_is_still_shown_and_nothing_is_made_up(real: Asking) -> None:
    real.put("/api/venue", json=VENUE)
    assert real.get("/api/health").json()["code"] == "engine-gone"
    assert real.get("/api/plan").status_code == 200
    zones = real.get("/api/zones").json()
    assert [z["music"] for z in zones] == [None, None]
    assert [z["level_lufs"] for z in zones] == [None, None]
    assert real.get("/api/rules").status_code == 200


def test_a_clip_that_was_answered_is_on_the_disk(real: Asking, settings: Settings) -> None:
    real.put("/api/venue", json=VENUE)
    answer = real.post("/api/clips", files={"file": ("coach.flac", flac())})
    assert answer.status_code == 201, answer.text
    assert clips_on_disk(settings) == ["coach"]
    shown = real.get("/api/clips").json()
    assert [c["id"] for c in shown] == ["coach"]
    assert shown[0]["stored"] is True
    same = real.post("/api/clips", files={"file": ("again.flac", flac())})
    assert same.status_code == 409
    assert "coach" in same.json()["detail"]
    assert real.get("/api/clips/coach/audio").status_code == 200  # the refused copy took nothing away
    before = set(settings.audio.rglob("*"))
    other = real.post("/api/clips", files={"file": ("b.flac", flac(level=0.1))}, data={"id": "coach"})
    assert other.status_code == 409
    assert set(settings.audio.rglob("*.*")) == {p for p in before if p.suffix}


def test_a_change_that_was_not_committed_is_not_answered_as_done(
    real: Asking, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    real.put("/api/venue", json=VENUE)
    from sqlalchemy.orm import Session

    def refuse(_: Session) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Session, "commit", refuse)
    monkeypatch.setattr("sqlalchemy.orm.SessionTransaction.commit", lambda *_a, **_k: refuse(Session()))
    with pytest.raises(OSError, match="No space left"):
        real.post("/api/clips", files={"file": ("coach.flac", flac())})
    monkeypatch.undo()
    assert clips_on_disk(settings) == []


def test_firing_without_the_engine_is_503_in_words(real: Asking) -> None:
    real.put("/api/venue", json=VENUE)
    real.post("/api/clips", files={"file": ("coach.flac", flac())})
    tree = real.get("/api/venue").json()
    tree["rules"] = [{"id": "coach", "title": "Coach", "clips": ["coach"], "zones": ["all"], "priority": 80}]
    put = real.put("/api/venue", json=tree)
    assert put.status_code == 200, put.text
    answer = real.post("/api/rules/coach/fire")
    assert answer.status_code == 503
    assert answer.json()["code"] == "engine-gone"


def test_a_source_without_its_folder_is_refused_by_the_api_as_by_the_command(real: Asking) -> None:
    tree = {**VENUE, "sources": [{"id": "house", "folder": "music"}]}
    answer = real.put("/api/venue", json=tree)
    assert answer.status_code == 422
    assert "source 'house': has no music: its folder is not beside the venue file" in answer.json()["detail"]
    assert real.get("/api/venue").status_code == 409


def test_what_is_legal_but_useless_is_told_by_the_api_as_by_the_command(real: Asking) -> None:
    real.put("/api/venue", json=VENUE)
    real.post("/api/clips", files={"file": ("coach.flac", flac())})
    tree = real.get("/api/venue").json()
    rule = {"id": "coach", "title": "Coach", "clips": ["coach"], "zones": ["all"], "priority": 80}
    tree["rules"] = [
        {**rule, "fixed": {"times": ["12:00"], "from_date": "2020-01-01", "until_date": "2020-02-01"}}
    ]
    answer = real.put("/api/venue", json=tree)
    assert answer.status_code == 200, answer.text
    assert [(w["level"], w["entry"]) for w in answer.json()["warnings"]] == [("warning", "rule 'coach'")]


def test_an_upload_that_breaks_off_inside_leaves_no_audio(
    real: Asking, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    real.put("/api/venue", json=VENUE)

    def broken(*_: object, **__: object) -> None:
        raise ValueError("unforeseen")

    monkeypatch.setattr("oyez.store.journal.append", broken)
    with pytest.raises(ValueError, match="unforeseen"):
        real.post("/api/clips", files={"file": ("coach.flac", flac())})
    assert list(settings.audio.rglob("*.wav")) == []


def test_audio_that_another_upload_took_out_again_is_never_a_clip_without_sound(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    from oyez.api.routes import clips as route
    from oyez.clips.store import AudioStore

    imported = route.import_file

    def taken_out(*args: object, **how: object) -> object:
        found = imported(*args, **how)  # type: ignore[arg-type]
        AudioStore(settings.audio).remove(found["stored"]["sha256"])
        return found

    monkeypatch.setattr(route, "import_file", taken_out)
    with Asking(build(settings), base_url="http://localhost", client="127.0.0.1") as real:
        real.put("/api/venue", json=VENUE)
        answer = real.post("/api/clips", files={"file": ("coach.flac", flac())})
        assert (answer.status_code, answer.json()["code"]) == (409, "conflict")
        assert real.get("/api/clips").json() == []


def test_a_start_takes_out_audio_that_nothing_uses_and_keeps_the_rest(settings: Settings, caplog) -> None:
    store = AudioStore(settings.audio)
    killed, used = (store.put(np.full((480, 1), level, dtype=np.float32)).sha256 for level in (0.1, 0.2))
    database = open_database(settings)
    with database.begin() as session:
        put_audio(session, dataclasses.replace(audio(used), added_ms=time.time_ns() // 1_000_000))
    database.close()
    for sha256 in (killed, used):
        os.utime(store.path_of(sha256), (1, 1))
    with Asking(build(settings), base_url="http://localhost", client="127.0.0.1"):
        pass
    assert (store.has(killed), store.has(used)) == (False, True)
    assert "1 piece of audio that nothing used was removed" in caplog.text
