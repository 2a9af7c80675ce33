"""What is refused, or fails half way, leaves nothing behind and says why in one line."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import pytest

from oyez.clips import intake
from oyez.commands import dump
from tests.commands.beside import everything_in, make_folder, oyez


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "not" / "there" / "yet"


def no_space(*_: object, **__: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_file_with_faults_makes_no_folder(tmp_path: Path, data: Path, capsys):
    path = make_folder(tmp_path / "site")
    path.write_text(path.read_text().replace("priority = 60", "priority = 101"), encoding="utf-8")
    assert oyez(capsys, "load", path, "--data", data).status == 2
    assert not (tmp_path / "not").exists()


def test_a_file_whose_audio_is_none_makes_no_folder(tmp_path: Path, data: Path, capsys):
    path = make_folder(tmp_path / "site")
    (path.parent / "two-tone.flac").write_bytes(b"no audio")
    answer = oyez(capsys, "load", path, "--data", data)
    assert (answer.status, len(answer.err.splitlines())) == (2, 1)
    assert not (tmp_path / "not").exists()


def test_a_full_disk_is_one_line_and_makes_no_folder(tmp_path: Path, data: Path, capsys, monkeypatch):
    path = make_folder(tmp_path / "site")
    monkeypatch.setattr(intake, "import_audio", no_space)
    answer = oyez(capsys, "load", path, "--data", data)
    assert answer.status == 1
    assert answer.err.endswith("audio cannot be stored: No space left on device\n")
    assert len(answer.err.splitlines()) == 1
    assert not (tmp_path / "not").exists()


def test_a_failed_load_keeps_the_folders_that_were_there(tmp_path: Path, data: Path, capsys, monkeypatch):
    path = make_folder(tmp_path / "site")
    data.mkdir(parents=True)
    (data / "token").write_text("kept", encoding="utf-8")
    monkeypatch.setattr(intake, "import_audio", no_space)
    assert oyez(capsys, "load", path, "--data", data).status == 1
    assert sorted(p.name for p in data.rglob("*")) == ["token"]


def test_a_data_folder_that_is_a_file_is_said_to_be_one(tmp_path: Path, capsys):
    there = tmp_path / "there"
    there.write_text("x", encoding="utf-8")
    answer = oyez(capsys, "plan", "--data", there)
    assert (answer.status, answer.err) == (2, f"{there}: is a file, allowed is a folder for data\n")


def test_a_folder_that_may_not_be_read_is_one_line(tmp_path: Path, capsys, monkeypatch):
    def denied(_: Path) -> bool:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(tmp_path))

    monkeypatch.setattr(Path, "is_file", denied)
    answer = oyez(capsys, "log", "--data", tmp_path)
    assert (answer.status, answer.err) == (1, f"{tmp_path / 'oyez.db'}: cannot be read: Permission denied\n")


def test_an_unforeseen_error_of_the_machine_is_one_line(tmp_path: Path, capsys, monkeypatch):
    path = make_folder(tmp_path / "site")

    def broken(_: Path) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO), "disk.toml")

    monkeypatch.setattr("oyez.commands.check.inspect", broken)
    answer = oyez(capsys, "check", path)
    assert (answer.status, answer.err) == (1, "disk.toml: Input/output error\n")


@pytest.fixture
def loaded(tmp_path: Path, capsys) -> Path:
    oyez(capsys, "load", make_folder(tmp_path / "site"), "--data", tmp_path / "data")
    return tmp_path / "data"


def test_a_folder_is_no_file_to_dump_into(tmp_path: Path, loaded: Path, capsys):
    out = tmp_path / "out"
    out.mkdir()
    answer = oyez(capsys, "dump", "--data", loaded, "-o", out)
    assert (answer.status, answer.err) == (2, f"{out}: is a folder, a file is wanted\n")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["data", "out", "site"]


def test_a_dump_that_fails_leaves_no_part_of_it(tmp_path: Path, loaded: Path, capsys, monkeypatch):
    out = tmp_path / "out"
    monkeypatch.setattr(dump, "_write_text", no_space)
    answer = oyez(capsys, "dump", "--data", loaded, "--audio", "-o", out / "x.toml")
    assert (answer.status, answer.err) == (1, f"{out / 'x.toml'}: cannot be written: No space left on device\n")
    assert everything_in(out) == {}


def test_a_failed_dump_leaves_the_file_that_was_there(tmp_path: Path, loaded: Path, capsys, monkeypatch):
    out = tmp_path / "x.toml"
    out.write_text("before", encoding="utf-8")
    monkeypatch.setattr(os, "fsync", no_space)
    assert oyez(capsys, "dump", "--data", loaded, "-o", out).status == 1
    assert out.read_text(encoding="utf-8") == "before"
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_a_pipe_is_written_to_and_stays_a_pipe(tmp_path: Path, loaded: Path, capsys):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    try:
        assert oyez(capsys, "dump", "--data", loaded, "-o", pipe).status == 0
        assert os.read(reader, 10_000).startswith(b"format = 1\n")
    finally:
        os.close(reader)
    assert pipe.is_fifo()


def test_a_pipe_is_no_venue_file_and_not_waited_for(tmp_path: Path, capsys):
    os.mkfifo(tmp_path / "pipe.toml")
    answer = oyez(capsys, "check", tmp_path / "pipe.toml")
    assert (answer.status, answer.err) == (
        2,
        f"{tmp_path / 'pipe.toml'}: is a pipe or device, allowed are files\n",
    )


def test_a_folder_is_measured_as_one(tmp_path: Path, capsys):
    answer = oyez(capsys, "measure", "--json", tmp_path)
    assert answer.status == 1
    assert json.loads(answer.out) == [{"file": str(tmp_path), "error": "is a folder"}]
