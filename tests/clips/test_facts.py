"""What a venue file's audio is like, without a database."""

from __future__ import annotations

import os

import pytest

from oyez.clips import importer
from oyez.clips.facts import cache_store, file_facts, file_tracks
from oyez.clips.folder import VenueFolder
from oyez.clips.store import AudioStore
from oyez.clips.warmth import use_kernel_cache
from oyez.errors import VenueFaults
from oyez.venue.models import VenueFile
from tests.clips.making import tone, write


def folder(tmp_path, **tables):
    rule = {"id": "r", "title": "R", "chime": "gong", "clips": ["words"], "zones": ["hall"], "priority": 50}
    tree = {
        "format": 1,
        "venue": {"name": "Quillfin Aquarium", "timezone": "Europe/London"},
        "zones": [{"id": "hall", "name": "Hall", "source": "house"}],
        "sources": [{"id": "house", "folder": "music"}, {"id": "spare", "folder": "nowhere"}],
        "clips": [
            {"id": "words", "file": "words.wav", "title": "Words"},
            {"id": "gong", "file": "gong.wav", "title": "Gong", "kind": "chime", "duration_ms": 1234},
            {"id": "unused", "file": "unused.wav", "title": "Unused"},
        ],
        "rules": [rule],
    }
    return VenueFolder(path=tmp_path / "venue.toml", venue=VenueFile.model_validate(tree | tables))


@pytest.fixture
def store(tmp_path):
    return AudioStore(tmp_path / "cache")


@pytest.fixture
def imports(monkeypatch):
    """Names of the files that are decoded."""
    seen = []
    real = importer.import_audio

    def counted(path, *args, **more):
        seen.append(path.name)
        return real(path, *args, **more)

    monkeypatch.setattr(importer, "import_audio", counted)
    return seen


def test_durations_and_loudness_come_from_the_files(tmp_path, store):
    write(tmp_path / "words.wav", tone(2, 44_100), 44_100)
    write(tmp_path / "gong.wav", tone(1, channels=2))
    facts = file_facts(folder(tmp_path), store, need_loudness=True)
    assert list(facts) == ["words", "gong"]
    assert (facts["words"].duration_ms, facts["words"].frames, facts["words"].channels) == (2000, 96_000, 1)
    assert facts["words"].measured.integrated_lufs is not None
    assert (facts["gong"].duration_ms, facts["gong"].frames, facts["gong"].channels) == (1234, 48_000, 2)


def test_a_clip_whose_duration_is_given_is_not_opened_for_a_plan(tmp_path, store, imports):
    write(tmp_path / "words.wav", tone(2))
    facts = file_facts(folder(tmp_path), store, need_loudness=False)
    assert imports == ["words.wav"]  # gong.wav is not even there
    assert facts["gong"].sha256 is None


def test_a_second_run_decodes_nothing(tmp_path, store, imports):
    write(tmp_path / "words.wav", tone(2))
    write(tmp_path / "gong.wav", tone(1))
    first = file_facts(folder(tmp_path), store, need_loudness=True)
    assert sorted(imports) == ["gong.wav", "words.wav"]
    assert file_facts(folder(tmp_path), store, need_loudness=True) == first
    assert len(imports) == 2


def test_a_changed_file_is_decoded_again(tmp_path, store, imports):
    write(tmp_path / "words.wav", tone(2))
    first = file_facts(folder(tmp_path), store, need_loudness=False)["words"]
    write(tmp_path / "words.wav", tone(2, hz=300))
    os.utime(tmp_path / "words.wav", (1, 1))
    assert file_facts(folder(tmp_path), store, need_loudness=False)["words"].sha256 != first.sha256
    assert len(imports) == 2


def test_audio_that_left_the_cache_is_decoded_again(tmp_path, store, imports):
    write(tmp_path / "words.wav", tone(2))
    first = file_facts(folder(tmp_path), store, need_loudness=False)["words"]
    store.remove(first.sha256)
    assert file_facts(folder(tmp_path), store, need_loudness=False)["words"] == first
    assert len(imports) == 2


def test_all_bad_files_are_told_at_once(tmp_path, store):
    (tmp_path / "words.wav").write_bytes(b"")
    with pytest.raises(VenueFaults) as caught:
        file_facts(folder(tmp_path), store, need_loudness=True)
    assert [(f.entry, f.code) for f in caught.value.faults] == [
        ("clip 'words'", "empty"),
        ("clip 'gong'", "missing"),
    ]
    assert "words.wav" in str(caught.value)
    assert str(caught.value.faults[1]).endswith("clip 'gong': file 'gong.wav' is not beside the venue file")


def test_a_folder_in_a_files_place_is_told_as_that(tmp_path, store):
    write(tmp_path / "words.wav", tone(2))
    (tmp_path / "gong.wav").mkdir()
    with pytest.raises(VenueFaults, match=r"file 'gong\.wav' is a folder"):
        file_facts(folder(tmp_path), store, need_loudness=True)


def test_tracks_are_the_folders_audio_by_name(tmp_path, store):
    music = tmp_path / "music"
    music.mkdir()
    for name, hz in (("b.wav", 300), ("a.flac", 400), ("C.wav", 500)):
        write(music / name, tone(1, hz=hz, channels=2))
    (music / "notes.txt").write_text("not music")
    tracks = file_tracks(folder(tmp_path), store)
    assert list(tracks) == ["house"]
    assert [t.title for t in tracks["house"]] == ["a", "b", "C"]
    assert {t.channels for t in tracks["house"]} == {2}


def test_a_source_without_a_folder_has_no_tracks(tmp_path, store):
    assert file_tracks(folder(tmp_path), store) == {"house": ()}


def test_a_bad_track_is_told(tmp_path, store):
    (tmp_path / "music").mkdir()
    (tmp_path / "music" / "a.mp3").write_text("no music")
    with pytest.raises(VenueFaults, match=r"music/a\.mp3"):
        file_tracks(folder(tmp_path), store)


def test_the_cache_is_the_users_or_a_passing_folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "mine"))
    assert cache_store().root == tmp_path / "mine" / "oyez" / "audio"
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    passing = cache_store()
    assert passing.put(tone(0.1)).frames == 4800
    assert not str(passing.root).startswith(str(tmp_path))


def test_kernels_go_to_the_folder_given_or_a_passing_one(tmp_path, monkeypatch):
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    use_kernel_cache(tmp_path / "kernels")
    assert os.environ["NUMBA_CACHE_DIR"] == str(tmp_path / "kernels")
    use_kernel_cache(tmp_path / "other")
    assert os.environ["NUMBA_CACHE_DIR"] == str(tmp_path / "kernels")
    monkeypatch.delenv("NUMBA_CACHE_DIR")
    (tmp_path / "file").write_text("")
    use_kernel_cache(tmp_path / "file" / "kernels")
    assert os.access(os.environ["NUMBA_CACHE_DIR"], os.W_OK)
