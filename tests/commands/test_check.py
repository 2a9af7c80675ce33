"""`oyez check`: everything at once, exit status 2 for a fault, 0 for a warning."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from oyez.settings import folder
from tests.commands.beside import make_folder, oyez
from tests.venue.venues import GOOD

TIMES = "clock times (21:00, 21:00:30) and open, close, open+10, close-15"
BAD = (
    GOOD.replace("priority = 60", "priority = 101")
    .replace('zones = ["public"]', 'zones = ["attic"]')
    .replace('"Members\' evening"\nclips = ["closing-15"]', '"Members\' evening"\nclips = ["gone"]')
    .replace("every_min = 40", "evry_min = 40")
    .replace('end = "17:00"', 'end = "17h"')
    .replace('id = "two-tone"', 'id = "closing-15"')
)  # fmt: skip


def test_every_bad_input_is_listed_at_once_with_a_clip_file_that_is_gone(tmp_path: Path, capsys):
    path = make_folder(tmp_path, BAD)
    (tmp_path / "two-tone.flac").unlink()
    answer = oyez(capsys, "check", path)
    assert answer.status == 2
    told = answer.out.replace(f"{path}: ", "").splitlines()
    assert told == [
        "clip 'closing-15': the id 'closing-15' is given to clip 1 and clip 2, allowed is each id once",
        "rule 'closing-15': priority is 101, allowed are 0 to 100",
        "rule 'closing-15': chime: unknown clip 'two-tone', known are closing-15",
        "rule 'closing-15': zones: unknown zone 'attic', known are all, foyer, public, theatre",
        "rule 'members': clips: unknown clip 'gone', known are closing-15",
        "rule 'hands-off': interval.every_min is missing, allowed are numbers 0.1 to 1440",
        f"rule 'hands-off': interval.end is '17h', allowed are {TIMES}",
        "rule 'hands-off': interval: unknown key 'evry_min', the nearest allowed is 'every_min'",
        "clip 'closing-15': file 'two-tone.flac' is not beside the venue file",
        "9 faults, no warnings",
    ]  # fmt: skip


def test_a_sound_file_is_summed_up_in_one_line(tmp_path: Path, capsys):
    path = make_folder(tmp_path)
    answer = oyez(capsys, "check", path)
    assert (answer.status, answer.err) == (0, "")
    assert answer.out == f"{path}: 2 zones, 4 rules, no faults, no warnings\n"


def test_the_packaged_demo_venue_is_sound(capsys):
    answer = oyez(capsys, "check", folder("demo_clips") / "quillfin.toml")
    assert answer.status == 0
    assert answer.out.endswith("no faults, no warnings\n")


def test_what_is_useless_is_a_warning_and_no_fault(tmp_path: Path, capsys):
    text = GOOD.replace('start = "open+20"\nend = "17:00"', 'start = "17:00"\nend = "09:00"')
    answer = oyez(capsys, "check", make_folder(tmp_path, text))
    assert answer.status == 0
    assert "rule 'hands-off': warning: " in answer.out
    assert answer.out.endswith("no faults, 1 warning\n")


def test_one_cause_is_one_warning(tmp_path: Path, capsys):
    dates = 'from_date = "2027-02-01"\nuntil_date = "2027-01-01"\nexcept_dates = ['
    answer = oyez(capsys, "check", make_folder(tmp_path, GOOD.replace("except_dates = [", dates)))
    assert answer.out.endswith("no faults, 1 warning\n")
    assert "warning: never applies: from_date 2027-02-01 is after until_date 2027-01-01" in answer.out


def test_json_says_the_same(tmp_path: Path, capsys):
    path = make_folder(tmp_path, GOOD.replace("priority = 60", "priority = 101"))
    answer = oyez(capsys, "check", path, "--json")
    assert answer.status == 2
    assert json.loads(answer.out) == {
        "file": str(path),
        "ok": False,
        "faults": [
            {
                "entry": "rule 'closing-15'",
                "message": "priority is 101, allowed are 0 to 100",
                "code": "bad-value",
            }
        ],
        "warnings": [],
    }


def test_gone_files_and_folders_are_faults_with_the_name_that_was_meant(tmp_path: Path, capsys):
    path = make_folder(tmp_path)
    (tmp_path / "closing-15.flac").rename(tmp_path / "closing_15.flac")
    (tmp_path / "music").rename(tmp_path / "Music")
    answer = oyez(capsys, "check", path)
    assert answer.status == 2
    assert answer.out.replace(f"{path}: ", "").splitlines() == [
        "clip 'closing-15': file 'closing-15.flac' is not beside the venue file, the nearest is 'closing_15.flac'",
        "source 'house': folder 'music' is not beside the venue file, the nearest is 'Music'",
        "2 faults, no warnings",
    ]


def test_a_folder_without_audio_is_a_warning(tmp_path: Path, capsys):
    path = make_folder(tmp_path)
    (tmp_path / "music" / "tide.flac").rename(tmp_path / "music" / "tide.txt")
    answer = oyez(capsys, "check", path)
    assert answer.status == 0
    assert "source 'house': warning: folder 'music' has no audio in it, the source is silent" in answer.out


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("gone.toml", None, "gone.toml: cannot be read: no such file or directory"),
        ("venue.yaml", b"format: 1", "venue.yaml: the name ends in '.yaml', allowed are .toml and .json"),
        ("latin.toml", b'format = 1\n[venue]\nname = "Caf\xe9"', "latin.toml: line 3 is not UTF-8 text"),
        ("folder.toml", "folder", "folder.toml: cannot be read: is a directory"),
        ("big.toml", b"#" * (8 * 2**20 + 1), "big.toml: is larger than 8 MiB, which no venue file is"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_one_line(tmp_path: Path, capsys, name: str, content, said: str):
    path = tmp_path / name
    if content == "folder":
        path.mkdir()
    elif content is not None:
        path.write_bytes(content)
    answer = oyez(capsys, "check", path)
    assert (answer.status, answer.out) == (2, "")
    assert said in answer.err
    assert len(answer.err.splitlines()) == 1


def test_a_byte_order_mark_and_windows_line_ends_are_no_fault(tmp_path: Path, capsys):
    path = make_folder(tmp_path)
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert oyez(capsys, "check", path).status == 0


def test_check_changes_nothing(tmp_path: Path, capsys):
    from tests.commands.beside import everything_in

    path = make_folder(tmp_path)
    before = everything_in(tmp_path)
    oyez(capsys, "check", path)
    assert everything_in(tmp_path) == before
