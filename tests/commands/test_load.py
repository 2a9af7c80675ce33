"""`oyez load` and `oyez dump`: the whole file or nothing, and there and back without loss."""

from __future__ import annotations

import getpass
import json
import sqlite3
from pathlib import Path

import numpy as np
import pytest
import soundfile

from oyez.clips.store import AudioStore
from oyez.settings import Settings
from oyez.store import clips, journal, loading, venues
from oyez.store.database import open_database
from oyez.venue.reader import read_venue
from tests.commands.beside import RATE, everything_in, make_folder, oyez, tone
from tests.venue.venues import GOOD


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return make_folder(tmp_path / "site")


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


def sound_venue():
    return read_venue(GOOD, where="x", syntax="toml").venue


def in_database(data: Path):
    """(venue, revision, clip -> SHA-256, source -> SHA-256s, journal)."""
    database = open_database(Settings(data_dir=data), create=False)
    try:
        with database.read() as session:
            ref = venues.find_venue(session)
            return (
                venues.read_venue(session, ref.id),
                ref.revision,
                {name: facts.sha256 for name, facts in clips.facts(session, ref.id).items()},
                {name: [t.sha256 for t in found] for name, found in clips.tracks(session, ref.id).items()},
                journal.read(session, ref.id),
            )
    finally:
        database.close()


def test_a_venue_file_is_loaded_with_its_audio(path: Path, data: Path, capsys):
    answer = oyez(capsys, "load", path, "--data", data)
    assert answer.status == 0, answer.err
    assert answer.out.endswith("loaded as 'quillfin-aquarium', revision 1\n")
    assert "rule 'closing-15': added\n" in answer.out
    venue, revision, audio, music, noted = in_database(data)
    assert (venue, revision) == (sound_venue(), 1)
    store = AudioStore(data / "audio")
    assert all(store.has(sha256) for sha256 in (*audio.values(), *music["house"]))
    with store.open(audio["closing-15"]) as sound:
        times = np.arange(sound.frames) / RATE
        wanted = 0.25 * np.sin(2 * np.pi * 440.0 * times)
        # the FLAC holds 24 bits, so the sample is within half a step of what was synthesised
        assert np.abs(sound.read(0, sound.frames)[:, 0] - wanted).max() <= 2**-23
    assert [(c.who, c.origin, c.what) for c in noted] == [
        (getpass.getuser(), "command line", "venue loaded from quillfin.toml")
    ]


def test_a_dry_run_says_what_would_change_and_changes_nothing(path: Path, data: Path, capsys):
    oyez(capsys, "load", path, "--data", data)
    path.write_text(GOOD.replace("priority = 60", "priority = 70"))
    tone(path.parent / "two-tone.flac", 880.0)
    before = everything_in(data)
    answer = oyez(capsys, "load", path, "--data", data, "--dry-run")
    assert answer.status == 0, answer.err
    assert answer.out.splitlines() == [
        "rule 'closing-15': priority 60 -> 70",
        "clip 'two-tone': audio replaced by other audio",
        f"{path}: 2 changes, nothing was changed (dry run)",
    ]
    assert everything_in(data) == before


def test_a_first_dry_run_leaves_not_even_a_folder(path: Path, data: Path, capsys):
    answer = oyez(capsys, "load", path, "--data", data, "--dry-run")
    assert answer.status == 0
    assert "venue: added, 'Quillfin Aquarium'" in answer.out
    assert not data.exists()


def test_what_the_dry_run_said_is_what_loading_does(path: Path, data: Path, capsys):
    oyez(capsys, "load", path, "--data", data)
    path.write_text(GOOD.replace("priority = 60", "priority = 70"))
    rehearsed = json.loads(oyez(capsys, "load", path, "--data", data, "--dry-run", "--json").out)
    loaded = json.loads(oyez(capsys, "load", path, "--data", data, "--json").out)
    assert loaded["changes"] == rehearsed["changes"]
    assert (rehearsed["dry_run"], rehearsed["revision"]) == (True, 1)
    assert (loaded["dry_run"], loaded["revision"]) == (False, 2)


def test_loading_the_same_again_changes_nothing(path: Path, data: Path, capsys):
    oyez(capsys, "load", path, "--data", data)
    answer = oyez(capsys, "load", path, "--data", data)
    assert answer.out == f"{path}: no changes, loaded as 'quillfin-aquarium', revision 1\n"
    assert len(in_database(data)[4]) == 1


FAULTS = {
    "an unknown zone": (lambda p: p.write_text(GOOD.replace('["public"]', '["attic"]')), "unknown zone 'attic'"),
    "a clip that is gone": (lambda p: (p.parent / "two-tone.flac").unlink(), "'two-tone.flac' is not beside"),
    "a clip that is no audio": (lambda p: (p.parent / "two-tone.flac").write_text("no"), "file 'two-tone.flac' "),
    "music that is all silence": (
        lambda p: soundfile.write(p.parent / "music" / "tide.flac", np.zeros(RATE), RATE),
        "source 'house': file 'music/tide.flac' is all silence",
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_file_with_any_fault_is_refused_as_a_whole(path: Path, data: Path, capsys, fault: str):
    break_it, said = FAULTS[fault]
    oyez(capsys, "load", path, "--data", data)
    # the rest of the file is changed too, and none of it may come through
    path.write_text(GOOD.replace("priority = 60", "priority = 70"))
    tone(path.parent / "closing-15.flac", 1000.0)
    renamed = path.parent / "closing-15.flac"
    assert renamed.is_file()
    before = everything_in(data)
    break_it(path)
    if fault.startswith("a clip that is gone"):  # a clip the database holds under this name needs no file
        path.write_text(
            path.read_text().replace('id = "two-tone"', 'id = "two"').replace('"two-tone"\n', '"two"\n')
        )
    answer = oyez(capsys, "load", path, "--data", data)
    assert (answer.status, answer.out) == (2, "")
    assert said in answer.err
    assert everything_in(data) == before


@pytest.mark.parametrize("fault", FAULTS)
def test_a_first_load_that_fails_leaves_no_database_and_no_audio(path: Path, data: Path, capsys, fault: str):
    FAULTS[fault][0](path)
    answer = oyez(capsys, "load", path, "--data", data)
    assert answer.status == 2
    assert [name for name in everything_in(data) if not name.startswith("kernels/")] == []


def test_a_load_that_breaks_at_its_last_step_leaves_all_as_before(path: Path, data: Path, capsys, monkeypatch):
    oyez(capsys, "load", path, "--data", data)
    path.write_text(GOOD.replace("priority = 60", "priority = 70"))
    before = (data / "oyez.db").read_bytes()

    def fail(*_args, **_kwargs):
        raise sqlite3.OperationalError("disk is full")

    monkeypatch.setattr(loading.journal, "append", fail)
    with pytest.raises(sqlite3.OperationalError):
        oyez(capsys, "load", path, "--data", data)
    monkeypatch.undo()
    assert (data / "oyez.db").read_bytes() == before
    assert in_database(data)[0] == sound_venue()
    assert list((data / "audio" / "incoming").iterdir()) == []


def test_a_clip_the_database_holds_need_not_lie_beside_the_file(path: Path, data: Path, capsys):
    oyez(capsys, "load", path, "--data", data)
    alone = path.parent.parent / "alone" / "quillfin.toml"
    alone.parent.mkdir()
    alone.write_text(GOOD.replace("priority = 60", "priority = 70"))
    before = in_database(data)
    answer = oyez(capsys, "load", alone, "--data", data)
    assert answer.status == 0, answer.err
    after = in_database(data)
    assert after[1] == 2
    assert after[2:4] == before[2:4]
    # under another id or another file name it is not that clip
    alone.write_text(GOOD.replace('file = "two-tone.flac"', 'file = "two-tone-b.flac"'))
    assert (
        "clip 'two-tone': file 'two-tone-b.flac' is not beside" in oyez(capsys, "load", alone, "--data", data).err
    )


def test_dump_then_load_changes_nothing(path: Path, data: Path, capsys):
    oyez(capsys, "load", path, "--data", data)
    for name, more in (("dumped.toml", []), ("dumped.json", ["--json"])):
        dumped = path.parent.parent / name
        dumped.write_text(oyez(capsys, "dump", "--data", data, *more).out)
        assert oyez(capsys, "load", dumped, "--data", data, "--dry-run").out.startswith(f"{dumped}: no changes")


def test_a_dump_with_its_audio_loads_elsewhere_to_the_same_audio(path: Path, data: Path, capsys):
    oyez(capsys, "load", path, "--data", data)
    handover = path.parent.parent / "handover" / "quillfin.toml"
    answer = oyez(capsys, "dump", "--data", data, "--audio", "-o", handover)
    assert answer.status == 0, answer.err
    assert answer.err == f"{handover}: written, with 3 audio files beside it\n"
    # what is written is WAV, and its name says so
    assert soundfile.info(handover.parent / "closing-15.wav").subtype == "FLOAT"
    elsewhere = path.parent.parent / "elsewhere"
    assert oyez(capsys, "load", handover, "--data", elsewhere).status == 0
    assert in_database(elsewhere)[2:4] == in_database(data)[2:4]


def test_a_dump_never_writes_over_audio_that_is_there(path: Path, data: Path, capsys):
    oyez(capsys, "load", path, "--data", data)
    target = path.parent.parent / "handover"
    target.mkdir()
    (target / "two-tone.wav").write_text("mine")
    answer = oyez(capsys, "dump", "--data", data, "--audio", "-o", target / "quillfin.toml")
    assert answer.status == 2
    assert "two-tone.wav: there already, allowed is a folder without them" in answer.err
    assert everything_in(target) == {"two-tone.wav": b"mine"}


@pytest.mark.parametrize("words", [["dump"], ["dump", "--audio", "-o", "x/y.toml"]])
def test_a_dump_without_a_database_is_one_line(data: Path, capsys, words: list[str]):
    answer = oyez(capsys, *words, "--data", data)
    assert (answer.status, answer.out) == (2, "")
    assert (
        answer.err
        == f"{data / 'oyez.db'}: there is no database yet; make one with `oyez load FILE --data {data}`\n"
    )
    assert not data.exists()


def test_several_venues_live_side_by_side(path: Path, data: Path, capsys):
    oyez(capsys, "load", path, "--data", data)
    path.write_text(GOOD.replace("Quillfin Aquarium", "Quillfin Pier"))
    answer = oyez(capsys, "load", path, "--data", data, "--venue", "pier")
    assert answer.out.endswith("loaded as 'pier', revision 1\n")
    assert 'name = "Quillfin Pier"' in oyez(capsys, "dump", "--data", data, "--venue", "pier").out
    assert 'name = "Quillfin Aquarium"' in oyez(capsys, "dump", "--data", data, "--venue", "quillfin-aquarium").out
    answer = oyez(capsys, "load", path, "--data", data)
    assert answer.status == 2
    assert answer.err == (
        "there are several venues in the database, say which: --venue with one of quillfin-aquarium, pier\n"
    )


def test_a_short_name_that_is_none_is_one_line(path: Path, data: Path, capsys):
    answer = oyez(capsys, "load", path, "--data", data, "--venue", "The Pier")
    assert (answer.status, answer.err) == (2, "--venue is 'The Pier', allowed are up to 64 of a-z, 0-9 and -\n")


def test_warnings_are_told_and_nothing_is_refused(path: Path, data: Path, capsys):
    path.write_text(GOOD.replace('chime = "two-tone"', 'chime = "closing-15"'))
    answer = oyez(capsys, "load", path, "--data", data)
    assert answer.status == 0
    assert "rule 'closing-15': warning: chime is the clip 'closing-15' of the kind 'speech'" in answer.err
