"""`oyez clips add` and `oyez clips list`, and the importing process."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest

from oyez.cli import main
from oyez.clips.names import clip_id_for, title_for
from oyez.clips.store import AudioStore
from oyez.settings import Settings
from oyez.store.database import open_database
from oyez.store.venues import write_venue
from oyez.venue.models import VenueFile
from tests.clips.making import tone, write


@pytest.fixture
def data(tmp_path):
    settings = Settings(data_dir=tmp_path / "data")
    database = open_database(settings)
    zones = [{"id": "hall", "name": "Hall", "channels": 1}, {"id": "shop", "name": "Shop", "channels": 2}]
    tree = {"format": 1, "venue": {"name": "Quillfin Aquarium", "timezone": "Europe/London"}, "zones": zones}
    with database.begin() as session:
        write_venue(session, VenueFile.model_validate(tree))
    database.close()
    return settings.data_dir


def clips(data, capsys, *words):
    action, *rest = words
    status = main(["clips", action, "--data", str(data), "--json", *map(str, rest)])
    return status, json.loads(capsys.readouterr().out)


def test_files_are_taken_and_listed_with_gain_and_silence(tmp_path, data, capsys):
    file = write(tmp_path / "Closing in 15.wav", tone(2, peak=0.02))
    status, (entry,) = clips(data, capsys, "add", file)
    assert status == 0
    assert (entry["taken"], entry["id"]) == (True, "closing-in-15")
    status, (listed,) = clips(data, capsys, "list")
    assert status == 0
    assert (listed["id"], listed["title"], listed["kind"]) == ("closing-in-15", "Closing in 15", "speech")
    assert listed["duration_ms"] == 2000
    assert listed["lead_silence_ms"] == listed["tail_silence_ms"] == 0
    one, two = listed["gains"]
    assert (one["zone_channels"], two["zone_channels"]) == (1, 2)
    assert one["gain_db"] == pytest.approx(15.0)  # needs more than the largest gain
    assert one["shortfall_lu"] - two["shortfall_lu"] == pytest.approx(3.01, abs=0.01)
    assert AudioStore(Settings(data_dir=data).audio).has(listed["sha256"])


def test_bad_files_are_named_and_the_others_are_taken(tmp_path, data, capsys):
    (tmp_path / "bad.wav").write_text("no sound")
    good = write(tmp_path / "good.wav", tone(1))
    status, entries = clips(data, capsys, "add", tmp_path / "bad.wav", good, tmp_path / "gone.wav")
    assert status == 1
    assert [e["taken"] for e in entries] == [False, True, False]
    assert [e.get("code") for e in entries] == ["not-audio", None, "missing"]
    _, listed = clips(data, capsys, "list")
    assert [c["id"] for c in listed] == ["good"]


def test_adding_the_same_audio_again_changes_nothing(tmp_path, data, capsys):
    file = write(tmp_path / "good.wav", tone(1))
    clips(data, capsys, "add", file)
    status, (entry,) = clips(data, capsys, "add", file)
    assert status == 0
    assert (entry["taken"], entry["id"]) == (False, "good")
    assert len(clips(data, capsys, "list")[1]) == 1


def test_two_files_of_one_name_get_two_ids(tmp_path, data, capsys):
    (tmp_path / "a").mkdir()
    one, two = write(tmp_path / "gong.wav", tone(1)), write(tmp_path / "a" / "gong.wav", tone(1, hz=300))
    _, entries = clips(data, capsys, "add", "--kind", "chime", one, two)
    assert [e["id"] for e in entries] == ["gong", "gong-2"]
    assert {c["kind"] for c in clips(data, capsys, "list")[1]} == {"chime"}


def test_people_get_a_table_of_what_was_and_was_not_taken(tmp_path, data, capsys):
    (tmp_path / "bad.wav").write_text("no sound")
    good = write(tmp_path / "good.wav", tone(1))
    assert main(["clips", "add", "--data", str(data), str(good), str(tmp_path / "bad.wav")]) == 1
    out = capsys.readouterr().out
    assert "1 of 2 files taken, not taken:" in out
    assert "bad.wav: is not audio" in out
    assert main(["clips", "list", "--data", str(data)]) == 0
    assert "good" in capsys.readouterr().out


def test_the_longest_allowed_can_be_given(tmp_path, data, capsys):
    file = write(tmp_path / "long.wav", tone(4))
    status, (entry,) = clips(data, capsys, "add", "--longest", "0.05", file)
    assert (status, entry["code"]) == (1, "too-long")
    assert clips(data, capsys, "add", "--longest", "0.1", file)[0] == 0
    with pytest.raises(SystemExit):
        clips(data, capsys, "add", "--longest", "0", file)


def test_without_a_database_one_line_says_what_to_do(tmp_path, capsys):
    assert main(["clips", "list", "--data", str(tmp_path / "none")]) == 2
    error = capsys.readouterr().err
    assert "oyez load" in error
    assert error.count("\n") == 1


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("Closing in 15 Minutes.flac", "closing-in-15-minutes"),
        ("Café (Ümläute).wav", "cafe-umlaute"),
        ("../../x", "x"),
        ("..\\..\\x.wav", "x"),
        ("日本語.wav", "clip"),
        (".wav", "wav"),
        ("a" * 100 + ".wav", "a" * 64),
    ],
)
def test_an_id_is_made_of_the_file_name(name, expected):
    assert clip_id_for(name) == expected


def test_a_taken_id_gets_a_number():
    assert clip_id_for("gong.wav", {"gong", "gong-2"}) == "gong-3"
    assert len(clip_id_for("a" * 100, {"a" * 64})) == 64


def test_a_title_is_made_of_the_file_name():
    assert title_for("closing_in-15.flac") == "Closing in 15"


def worker(*words):
    done = subprocess.run(
        [sys.executable, "-m", "oyez.clips.worker", *map(str, words)], capture_output=True, text=True, check=False
    )
    return done.returncode, json.loads(done.stdout.splitlines()[-1])


def test_the_importing_process_answers_with_the_clip(tmp_path):
    file = write(tmp_path / "held.wav", tone(1))
    status, answer = worker("--data", tmp_path / "data", "--kind", "chime", "--name", "gong.wav", file)
    assert status == 0
    assert answer["ok"] is True
    assert answer["stored"]["frames"] == 48_000
    assert answer["original"]["name"] == "gong.wav"
    assert AudioStore(tmp_path / "data" / "audio").has(answer["stored"]["sha256"])


def test_the_importing_process_says_why_not(tmp_path):
    (tmp_path / "held").write_bytes(b"")
    status, answer = worker("--data", tmp_path / "data", "--name", "gong.wav", tmp_path / "held")
    assert status == 2
    assert answer == {"ok": False, "name": "gong.wav", "error": "is empty", "code": "empty"}


@pytest.mark.skipif(sys.platform != "linux", reason="file names are bytes on Linux")
def test_a_file_name_that_is_no_text_is_shown_and_given_back_as_it_is(tmp_path, data):
    plain = write(tmp_path / "tone.wav", tone(1))
    odd = os.fsencode(tmp_path) + b"/\xff.wav"
    os.link(plain, odd)
    oyez = [sys.executable, "-m", "oyez.cli"]

    def ran(*words):
        return subprocess.run([*oyez, *words], capture_output=True, check=False, env={**os.environ, "LC_ALL": "C"})

    for words in (["measure"], ["measure", "--json"], ["clips", "add", "--data", str(data)], ["check"]):
        done = ran(*words, odd)
        assert b"Traceback" not in done.stderr, done.stderr
        assert done.stdout + done.stderr
    (entry,) = json.loads(ran("measure", "--json", odd).stdout)
    assert os.fsencode(entry["file"]) == odd
