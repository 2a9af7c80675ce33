"""Uploads: good ones are clips before the answer goes out, bad ones leave nothing behind."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile
from fastapi import FastAPI

from tests.api.asking import Asking
from tests.api.fake_director import FakeDirector


def flac(seconds: float = 1.0, level: float = 0.25, rate: int = 44100) -> bytes:
    times = np.arange(round(seconds * rate)) / rate
    out = io.BytesIO()
    soundfile.write(out, level * np.sin(2 * np.pi * 440 * times), rate, format="FLAC", subtype="PCM_24")
    return out.getvalue()


def left_behind(folder: Path) -> list[str]:
    kept = {"token", "kernels"}
    return sorted(
        str(p.relative_to(folder))
        for p in folder.rglob("*")
        if p.is_file() and p.relative_to(folder).parts[0] not in kept
    )


def test_a_good_file_is_a_clip_when_the_answer_comes(
    client: Asking, director: FakeDirector, tmp_path: Path
) -> None:
    answer = client.post(
        "/api/clips",
        files={"file": ("Coach five.flac", flac())},
        data={"kind": "speech", "title": "Coach five leaves", "by": "Manager"},
    )
    assert answer.status_code == 201, answer.text
    clip = answer.json()
    assert clip["id"] == "coach-five"
    assert clip["title"] == "Coach five leaves"
    assert clip["original"] == "Coach five.flac"
    assert director.asked_by == ["Manager"]
    stored = left_behind(tmp_path)
    home = f"audio/{clip['sha256'][:2]}/{clip['sha256']}"
    assert {f"{home}.wav", f"{home}.json", f"{home}.picture.json"} <= set(stored)
    assert all(name.startswith(home) for name in stored)
    audio = client.get(answer.headers["location"])
    samples, rate = soundfile.read(io.BytesIO(audio.content))
    assert rate == 48000
    # 0.25 peak sine: RMS 0.25 / sqrt(2)
    assert np.sqrt(np.mean(samples**2)) == pytest.approx(0.25 / np.sqrt(2), rel=0.01)


@pytest.mark.parametrize(
    ("name", "content", "code"),
    [
        ("empty.wav", b"", "empty"),
        ("words.wav", b"this is no audio at all" * 100, "not-audio"),
        ("silence.flac", flac(level=0.0), "silent"),
        ("cut.flac", flac()[: len(flac()) // 2], "truncated"),
        ("../../etc/passwd.wav", flac(0.1), "bad-name"),
        ("..", flac(0.1), "bad-name"),
    ],
)
def test_a_bad_file_is_refused_in_one_line_and_leaves_nothing(
    client: Asking, director: FakeDirector, tmp_path: Path, name: str, content: bytes, code: str
) -> None:
    answer = client.post("/api/clips", files={"file": (name, content)})
    assert answer.status_code == 422, answer.text
    assert answer.json()["code"] == code
    assert "\n" not in answer.json()["detail"]
    assert left_behind(tmp_path) == []
    assert director.added == []


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"kind": "jingle"}, "kind is 'jingle', allowed are 'speech'"),
        ({"id": "Not An Id"}, "id is 'Not An Id', allowed are up to 64 of a-z, 0-9, - and _"),
        ({"title": "two\nlines"}, "title has a line break or control character in it"),
        ({"title": ["one", "two"]}, "title is given 2 times, allowed is once"),
        ({"titel": "x"}, "titel is unknown here, allowed are file, kind, title, id, trim, by"),
        ({"title": "x" * 201}, "title is too long"),
    ],
)
def test_a_wrong_form_is_refused_before_anything_is_decoded(
    client: Asking, tmp_path: Path, data: dict[str, str], words: str
) -> None:
    answer = client.post("/api/clips", files={"file": ("a.flac", flac(0.1))}, data=data)
    assert answer.status_code == 422
    assert words in answer.json()["detail"]
    assert left_behind(tmp_path) == []


def test_an_id_that_is_taken_is_a_conflict(client: Asking, tmp_path: Path) -> None:
    answer = client.post("/api/clips", files={"file": ("a.flac", flac())}, data={"id": "welcome"})
    assert answer.status_code == 409
    assert "welcome" in answer.json()["detail"]


def test_what_an_earlier_run_left_half_way_is_swept_away(app: FastAPI, tmp_path: Path) -> None:
    spool = tmp_path / "spool"
    spool.mkdir()
    (spool / "half.upload").write_bytes(b"x")
    with Asking(app, base_url="http://localhost", client="127.0.0.1"):
        assert left_behind(tmp_path) == []


def test_two_files_in_one_form_are_refused(client: Asking, tmp_path: Path) -> None:
    answer = client.post("/api/clips", files=[("file", ("a.flac", flac(0.5))), ("file", ("b.flac", flac(0.6)))])
    assert answer.status_code == 422
    assert answer.json()["detail"] == "file is given 2 times, allowed is once"
    assert left_behind(tmp_path) == []
