"""`oyez plan`, as a person and a script call it."""

import json
import subprocess
import sys

import pytest

from oyez.cli import main

VENUE = """\
format = 1
[venue]
name = "Quillfin Aquarium"
timezone = "Europe/London"
[hours]
fr = ["10:00-18:00", "19:30-01:30"]
[duck]
depth_db = DEPTH
[[zones]]
id = "foyer"
name = "Foyer"
[[zones]]
id = "cafe"
name = "Café"
[[clips]]
id = "closing"
file = "closing.flac"
title = "Closing"
duration_ms = 7400
[[rules]]
id = "closing-15"
title = "Closing in fifteen minutes"
clips = ["closing"]
zones = ["all"]
priority = 60
[rules.fixed]
times = ["close-15"]
[[rules]]
id = "late"
title = "Too late"
clips = ["closing"]
zones = ["foyer"]
priority = 20
wait_s = 5
[rules.fixed]
times = ["17:45"]
"""


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "venue.toml"
    path.write_text(VENUE.replace("DEPTH", "12.0"), encoding="utf-8")
    return path


def run(capsys, *words) -> tuple[int, str, str]:
    status = main(["plan", *map(str, words)])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_json_needs_no_audio_where_durations_and_depths_are_given(capsys, file):
    status, out, err = run(capsys, "--file", file, "--date", "2026-11-27", "--json")
    assert (status, err) == (0, "")
    tree = json.loads(out)
    assert [p["rule"] for p in tree["plays"]] == ["closing-15", "closing-15"]
    assert [u["rule"] for u in tree["unplaced"]] == ["late"]


def test_the_same_file_and_date_give_the_same_bytes_in_processes_with_other_hash_seeds(file):
    words = [sys.executable, "-m", "oyez.cli", "plan", "--file", str(file), "--date", "2026-11-27", "--json"]
    outs = {
        subprocess.run(words, capture_output=True, check=True, env={"PYTHONHASHSEED": seed, "TZ": zone}).stdout
        for seed, zone in (("1", "UTC"), ("4242", "Asia/Tokyo"))
    }
    assert len(outs) == 1


def test_the_table_says_which_night_an_hour_after_midnight_belongs_to(capsys, file, monkeypatch):
    monkeypatch.setenv("COLUMNS", "160")
    status, out, _ = run(capsys, "--file", file, "--date", "2026-11-27")
    assert status == 0
    assert "Friday 27 November 2026 (local time, Europe/London)" in out
    assert "Fri night (Sat 01:15:00)" in out
    assert "1 found no place" in out
    assert "`wait_s = 20`" in " ".join(out.split())


def test_automatic_ducking_without_the_file_assumes_the_target_and_says_so(capsys, file):
    file.write_text(VENUE.replace("DEPTH", '"auto"'), encoding="utf-8")
    status, out, err = run(capsys, "--file", file, "--date", "2026-11-27", "--json")
    assert status == 0
    assert "clip 'closing': closing.flac is not there" in err
    assert json.loads(out)["ducks"]["foyer"][1][1] == -12.0


def test_a_clip_whose_length_nobody_knows_is_named(capsys, file):
    file.write_text(VENUE.replace("DEPTH", "12.0").replace("duration_ms = 7400\n", ""), encoding="utf-8")
    status, out, err = run(capsys, "--file", file, "--date", "2026-11-27", "--json")
    assert (status, out) == (2, "")
    assert "closing" in err
    assert "Traceback" not in err


@pytest.mark.parametrize("text", ["2026-13-01", "tomorrow", "27.11.2026", "9999-12-31"])
def test_a_date_that_is_none_is_refused_in_one_line(capsys, file, text):
    status, out, err = run(capsys, "--file", file, "--date", text)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert text in err


def test_without_a_database_the_next_step_is_named(capsys, tmp_path):
    status, _, err = run(capsys, "--data", tmp_path, "--json")
    assert status == 2
    assert "oyez load" in err


def test_csv_starts_with_its_columns(capsys, file):
    status, out, _ = run(capsys, "--file", file, "--date", "2026-11-27", "--csv")
    assert status == 0
    assert out.startswith("outcome,rule,title,priority,nominal,start,end,")


def test_why_says_what_stood_in_the_way_and_what_would_help(capsys, file):
    status, out, err = run(capsys, "--file", file, "--date", "2026-11-27", "--why", "late@17:45")
    assert (status, err) == (0, "")
    assert "Too late, 17:45:00, Foyer, priority 20" in out
    assert "found no place: 'Closing in fifteen minutes' sounds in Foyer" in out
    assert "give it `wait_s = 11`: it then starts at 17:45:10.400" in out
    status, out, _ = run(capsys, "--file", file, "--date", "2026-11-27", "--why", "late@17:45", "--json")
    assert json.loads(out)[0]["suggestions"][0]["change"] == "wait"


def test_why_of_what_is_not_there_is_one_line(capsys, file):
    status, out, err = run(capsys, "--file", file, "--date", "2026-11-27", "--why", "late@12:00")
    assert (status, out, err.count("\n")) == (2, "", 1)
