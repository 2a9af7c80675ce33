"""What the API says of each clip, and its picture."""

from __future__ import annotations

import re
import threading
import xml.etree.ElementTree as ET
from typing import Any

import numpy as np
import pytest
from fastapi import FastAPI

from oyez.api.clip_views import clip_view
from oyez.clips.pictures import ENDING
from oyez.loudness.gain import clip_gain
from oyez.settings import Settings
from tests.api.asking import Asking
from tests.api.clip_shelf import demo_clip, shelf, stored
from tests.api.fake_director import FakeDirector, quillfin


@pytest.fixture
def clips(client: Asking, settings: Settings, director: FakeDirector) -> dict[str, dict[str, Any]]:
    director.entries = shelf(settings)
    return {clip["id"]: clip for clip in client.get("/api/clips").json()}


def test_each_clip_is_judged_in_words(clips: dict[str, dict[str, Any]]) -> None:
    assert {name: clip["verdict"] for name, clip in clips.items()} == {
        "welcome": "fit",
        "closing-15": "quiet",
        "three-tone": "quiet",
        "seals": "look",
        "rays": "missing",
        "two-tone": "fit",
    }
    assert re.fullmatch(
        r"Fit to air: sounds at -1[78]\.\d( to -1[78]\.\d)? LUFS\.",
        clips["welcome"]["sentence"].replace("\N{MINUS SIGN}", "-"),
    )
    assert re.match(
        r"\d\d\.\d LU too quiet( in mono zones)?: record it louder, or raise max_gain_db to \d\d\.",
        clips["closing-15"]["sentence"],
    )
    assert "LU too quiet: its peaks are in the way. Bring them down" in clips["three-tone"]["sentence"]
    assert clips["seals"]["sentence"].endswith(
        "There is silence, 1.9 s before it: add its file again with the silence cut."
    )
    assert (
        clips["rays"]["sentence"]
        == "Its audio is missing: add the very same file again, or load the venue with another."
    )


def test_the_cure_that_is_named_cures(settings: Settings) -> None:
    venue = quillfin()
    entry = next(e for e in shelf(settings) if e.id == "closing-15")
    view = clip_view(entry, venue)
    named = re.search(r"max_gain_db to (\d+)", view.sentence)
    assert named
    raised = venue.model_copy(update={"venue": venue.venue.model_copy(update={"max_gain_db": float(named[1])})})
    assert "record it louder" not in clip_view(entry, raised).sentence
    short = venue.model_copy(
        update={"venue": venue.venue.model_copy(update={"max_gain_db": float(named[1]) - 2.0})}
    )  # the twin
    assert "record it louder" in clip_view(entry, short).sentence


def test_the_gains_are_those_that_play(clips: dict[str, dict[str, Any]], settings: Settings) -> None:
    venue = quillfin()
    entry = next(e for e in shelf(settings) if e.id == "welcome")
    assert entry.facts is not None
    assert [g["zone_channels"] for g in clips["welcome"]["gains"]] == sorted({z.channels for z in venue.zones})
    for gain in clips["welcome"]["gains"]:
        wanted = clip_gain(
            entry.facts.measured,
            kind="speech",
            target_lufs=venue.venue.target_lufs,
            ceiling_dbtp=venue.venue.ceiling_dbtp,
            max_gain_db=venue.venue.max_gain_db,
            zone_channels=gain["zone_channels"],
            channels=1,
        )
        assert gain["gain_db"] == wanted.gain_db
        assert gain["shortfall_lu"] == wanted.shortfall_lu
        assert gain["notes"] == list(wanted.notes)


def test_the_rules_that_play_a_clip_are_named(clips: dict[str, dict[str, Any]]) -> None:
    assert next((u["rule"], u["part"]) for u in clips["welcome"]["used_by"]) == ("welcome", "clip")
    assert {u["part"] for u in clips["two-tone"]["used_by"]} == {"chime"}
    rules = [r.id for r in quillfin().rules if r.chime == "two-tone"]
    assert [u["rule"] for u in clips["two-tone"]["used_by"]] == rules


def test_a_picture_comes_as_numbers_and_as_a_drawing(
    client: Asking, clips: dict[str, dict[str, Any]], settings: Settings
) -> None:
    picture = client.get("/api/clips/welcome/picture")
    assert picture.status_code == 200, picture.text
    tree = picture.json()
    assert tree["integrated_lufs"] == pytest.approx(clips["welcome"]["integrated_lufs"], abs=0.001)
    assert max(p for p in tree["true_peak_dbtp"] if p is not None) == pytest.approx(
        clips["welcome"]["true_peak_dbtp"], abs=0.006
    )
    samples = demo_clip("welcome")
    step = round(tree["column_s"] * 48_000)
    assert len(tree["wave_high"]) == -(-len(samples) // step)
    assert tree["wave_high"][40] == pytest.approx(float(samples[40 * step : 41 * step].max()), abs=1e-5)
    drawing = client.get("/api/clips/welcome/picture.svg", params={"width": 400})
    assert drawing.headers["content-type"].startswith("image/svg+xml")
    assert drawing.headers["content-security-policy"].startswith("default-src 'none'")
    assert "script" not in drawing.headers["content-security-policy"]
    root = ET.fromstring(drawing.text)
    assert root.get("width") == "400"
    assert "Welcome" in (root[0].text or "")
    assert "<style" not in client.get("/api/clips/welcome/picture.svg?styled=false").text


def test_a_picture_is_made_once_however_many_look(
    app: FastAPI, client: Asking, clips: dict[str, dict[str, Any]], settings: Settings
) -> None:
    kept = list(settings.audio.rglob(f"*{ENDING}"))
    assert kept == []
    answers = []
    lookers = [
        threading.Thread(target=lambda: answers.append(client.get("/api/clips/seals/picture").status_code))
        for _ in range(4)
    ]
    for looker in lookers:
        looker.start()
    for looker in lookers:
        looker.join()
    assert answers == [200] * 4
    assert len(list(settings.audio.rglob(f"*{ENDING}"))) == 1


@pytest.mark.parametrize(
    ("path", "status", "says"),
    [
        ("/api/clips/nobody/picture", 404, "there is no clip 'nobody'"),
        ("/api/clips/rays/picture", 404, "clip 'rays': its audio is not in the store, add its file again"),
        ("/api/clips/rays/picture.svg", 404, "clip 'rays': its audio is not in the store, add its file again"),
        ("/api/clips/welcome/picture.svg?width=10", 422, "width is '10', allowed are 240 to 2400"),
        ("/api/clips/welcome/picture?width=500", 422, "width is unknown here"),
    ],
)
def test_what_cannot_be_drawn_is_one_line(
    client: Asking, clips: dict[str, dict[str, Any]], path: str, status: int, says: str
) -> None:
    answer = client.get(path)
    assert answer.status_code == status
    assert says in answer.json()["detail"]


def test_audio_that_went_missing_is_said(client: Asking, settings: Settings, director: FakeDirector) -> None:
    entry = stored(settings, "welcome", "Welcome", np.full((4800, 1), 0.1, np.float32))
    assert entry.facts is not None
    director.entries = [entry]
    digest = str(entry.facts.sha256)
    (settings.audio / digest[:2] / f"{digest}.wav").unlink()
    assert client.get("/api/clips/welcome/picture").status_code == 404
    (clip,) = client.get("/api/clips").json()
    assert (clip["verdict"], clip["stored"]) == ("missing", False)


def test_silence_is_cut_on_request(client: Asking, director: FakeDirector) -> None:
    import io

    import soundfile

    out = io.BytesIO()
    quiet = np.zeros((48_000, 1), np.float32)
    soundfile.write(out, np.concatenate([quiet, demo_clip("two-tone"), quiet]), 48_000, format="FLAC")
    lengths = []
    for name, trim in (("whole.flac", "false"), ("cut.flac", "true")):
        answer = client.post("/api/clips", files={"file": (name, out.getvalue())}, data={"trim": trim})
        assert answer.status_code == 201, answer.text
        assert answer.json()["lead_silence_ms"] >= 990
        lengths.append(director.added[-1]["imported"]["stored"]["frames"])
    assert lengths[0] - lengths[1] > 1.8 * 48_000
