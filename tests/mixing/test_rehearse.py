"""`oyez rehearse`: a venue file with real audio beside it, rendered and looked at with other tools."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from oyez.cli import main
from oyez.mixing.duck import gain_db_of_frames
from tests.mixing.world import RATE, noise, tone

VENUE = """
format = 1
[venue]
name = "Quillfin Aquarium"
timezone = "Europe/London"
[hours]
fr = ["10:00-18:00"]
[duck]
depth_db = 12.0
[[sources]]
id = "house"
folder = "music"
target_lufs = -24.0
crossfade_s = 0.0
[[zones]]
id = "foyer"
name = "Foyer"
channels = 2
source = "house"
hours = "venue"
[[zones]]
id = "shop"
name = "Shop"
source = "house"
[zones.eq]
highpass_hz = 120.0
[[clips]]
id = "closing-15"
file = "closing-15.wav"
title = "Closing in fifteen minutes"
[[rules]]
id = "closing-15"
title = "Closing in fifteen minutes"
clips = ["closing-15"]
zones = ["foyer"]
priority = 60
[rules.fixed]
times = ["close-15"]
"""
STRETCH = ("--date", "2026-11-27", "--from", "17:44:50", "--until", "17:45:20")


def hum(seconds, channels):
    """A tone for measuring levels, with a little noise, so that no two seconds are alike."""
    music = tone(seconds * RATE, 440.0, peak=0.2, channels=channels)
    return music + noise(seconds * RATE, 1, rms=0.001, seed=seconds)


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """The venue file with a clip and two tracks, and a cache of its own."""
    root = tmp_path_factory.mktemp("site")
    (root / "music").mkdir()
    (root / "venue.toml").write_text(VENUE)
    soundfile.write(root / "closing-15.wav", noise(5 * RATE, 1, rms=0.05, seed=1), RATE, subtype="FLOAT")
    soundfile.write(root / "music" / "1.flac", hum(40, 2), RATE)
    soundfile.write(root / "music" / "2.flac", hum(31, 1), RATE)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(root / "cache"))
        yield root


def rehearse(site, out, *more, zone="foyer", stretch=STRETCH):
    return main(["rehearse", "--file", str(site / "venue.toml"), *stretch, "--zone", zone, str(out), *more])


@pytest.fixture(scope="module")
def rendered(site):
    out = site / "out.wav"
    assert rehearse(site, out) == 0
    return out


def test_the_file_is_what_was_asked_for(rendered):
    info = soundfile.info(rendered)
    assert (info.samplerate, info.channels, info.frames) == (RATE, 2, 30 * RATE)
    assert (info.format, info.subtype) == ("WAV", "PCM_24")
    assert list(rendered.parent.glob(".*part*")) == []


def test_twice_the_same_gives_the_same_bytes(site, rendered):
    assert rehearse(site, site / "again.wav") == 0
    assert (site / "again.wav").read_bytes() == rendered.read_bytes()


def test_flac_holds_the_same_samples(site, rendered):
    assert rehearse(site, site / "out.flac") == 0
    wav, _ = soundfile.read(rendered, dtype="int32")
    flac, _ = soundfile.read(site / "out.flac", dtype="int32")
    assert np.array_equal(wav, flac)
    assert soundfile.info(site / "out.flac").subtype == "PCM_24"


@pytest.mark.parametrize("zone", ["foyer", "shop"])
def test_two_renderings_agree_where_they_overlap(site, zone):
    early = ("--date", "2026-11-27", "--from", "17:44:40", "--until", "17:45:06")
    late = ("--date", "2026-11-27", "--from", "17:44:53", "--until", "17:45:10")
    assert rehearse(site, site / "early.wav", zone=zone, stretch=early) == 0
    assert rehearse(site, site / "late.wav", zone=zone, stretch=late) == 0
    a, _ = soundfile.read(site / "early.wav", dtype="int32", always_2d=True)
    b, _ = soundfile.read(site / "late.wav", dtype="int32", always_2d=True)
    assert np.array_equal(a[13 * RATE :], b[: 13 * RATE])
    assert not np.array_equal(a[12 * RATE : 25 * RATE], b[: 13 * RATE])


def test_the_clip_starts_on_its_sample(site, rendered):
    heard, _ = soundfile.read(rendered, dtype="float64")
    clip, _ = soundfile.read(site / "closing-15.wav", dtype="float64")
    piece = clip[: RATE // 2]
    lags = np.arange(-40, 41)
    match = [np.dot(piece, heard[10 * RATE + lag : 10 * RATE + lag + len(piece), 0]) for lag in lags]
    assert lags[int(np.argmax(match))] == 0


def test_the_music_follows_the_points_of_the_plan(site, rendered, capsys):
    """The tone's level, in windows of 100 ms, against `oyez plan` of the same file and date."""
    capsys.readouterr()
    assert main(["plan", "--file", str(site / "venue.toml"), "--date", "2026-11-27", "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    (play,) = plan["plays"]
    points = tuple((ms, db) for ms, db in plan["ducks"]["foyer"])
    first = (play["start_ms"] - 10_000) * 48
    heard, _ = soundfile.read(rendered, dtype="float64")
    spoken, _ = soundfile.read(site / "closing-15.wav", dtype="float64")
    n = np.arange(len(heard))
    window = 4_800
    probe = heard[:, 0] * np.exp(-2j * np.pi * 440.0 * n / RATE)
    level = np.abs(np.convolve(probe, np.ones(window) / window, mode="same"))
    level_db = 20 * np.log10(level / level[5 * RATE])
    flat = [i for i in range(RATE, len(n) - RATE, 2_400) if i > 17 * RATE or i < 9.2 * RATE]
    wanted = gain_db_of_frames(points, first + n)
    assert np.abs(level_db[flat] - wanted[flat]).max() < 0.1
    during = np.arange(int(10.2 * RATE), int(14.8 * RATE))
    # under the words the noise blurs the probe; over the whole play it does not
    part = np.abs(np.mean(probe[during])) / level[5 * RATE]
    assert 20 * np.log10(part) == pytest.approx(-12.0, abs=0.1)
    assert len(spoken) == 5 * RATE


def test_it_says_what_was_rendered(site, capsys):
    capsys.readouterr()
    assert rehearse(site, site / "json.wav", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["zone"] == "foyer"
    assert told["until_ms"] - told["from_ms"] == 30_000
    (play,) = told["plays"]
    assert play["rule"] == "closing-15"
    assert play["start_ms"] - told["from_ms"] == 10_000
    assert play["duck_depth_db"] == 12.0
    assert play["loudness_lufs"] == pytest.approx(-18.0, abs=0.7)  # its target; the music lies under it
    assert told["true_peak_dbtp"] <= -1.5
    assert rehearse(site, site / "table.wav") == 0
    table = capsys.readouterr().out
    assert "Closing in fifteen minutes" in table
    assert "17:45:00" in table


def test_a_time_before_the_day_starts_is_after_midnight(site, capsys):
    night = ("--date", "2026-11-27", "--from", "01:30:00", "--until", "01:30:01")
    capsys.readouterr()
    assert rehearse(site, site / "night.wav", "--json", stretch=night) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["from_ms"] == 1_795_829_400_000  # 2026-11-28T01:30:00Z, by `date -u -d ... +%s`
    heard, _ = soundfile.read(site / "night.wav")
    assert not heard.any()  # closed, no music
    assert told["integrated_lufs"] is None


def test_the_day_may_be_rendered_to_its_very_end(site):
    end = ("--date", "2026-11-27", "--from", "04:59:59", "--until", "05:00")
    assert rehearse(site, site / "end.wav", stretch=end) == 0
    assert soundfile.info(site / "end.wav").frames == RATE


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"zone": "lobby"}, "--zone is 'lobby', the zones of Quillfin Aquarium are: foyer, shop"),
        ({"until": "17:44:00"}, "--until is 17:44:00, which is not after --from 17:44:50"),
        ({"until": "17:44:50"}, "not after --from"),
        ({"from": "25:00"}, "--from is '25:00', allowed are clock times"),
        ({"date": "27.11.2026"}, "--date is '27.11.2026', allowed are dates like 2026-11-27"),
        ({"out": "x.mp3"}, "the name ends in '.mp3', allowed are .wav and .flac"),
        ({"out": "nowhere/x.wav"}, "there is no folder"),
        ({"out": "music.wav"}, "is a folder"),
        ({"file": "gone.toml"}, "cannot be read"),
    ],
)
def test_a_wrong_command_line_is_one_line_and_leaves_nothing(site, capsys, change, words):
    (site / "music.wav").mkdir(exist_ok=True)
    before = sorted(p.name for p in site.iterdir())
    given = {"file": "venue.toml", "date": "2026-11-27", "from": "17:44:50", "until": "17:45:20", "zone": "foyer"}
    given |= {"out": "never.wav"} | change
    out = site / given.pop("out")
    given["file"] = str(site / given["file"])
    options = [word for name, value in given.items() for word in (f"--{name}", value)]
    assert main(["rehearse", *options, str(out)]) == 2
    said = [line for line in capsys.readouterr().err.splitlines() if line != "reading clips and music"]
    assert len(said) == 1
    assert words in said[0]
    assert sorted(p.name for p in site.iterdir()) == before


def test_a_file_that_cannot_be_written_is_one_line_and_keeps_what_was_there(site, capsys, monkeypatch):
    out = site / "kept.wav"
    out.write_bytes(b"before")

    def full(self, target):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    assert rehearse(site, out) == 1
    assert "kept.wav: cannot be written: No space left on device" in capsys.readouterr().err
    assert out.read_bytes() == b"before"
    assert list(site.glob(".*part*")) == []


def test_a_clip_that_is_gone_is_named(site, capsys, tmp_path):
    (tmp_path / "venue.toml").write_text(VENUE)
    (tmp_path / "music").mkdir()
    assert (
        main(
            [
                "rehearse",
                "--file",
                str(tmp_path / "venue.toml"),
                *STRETCH,
                "--zone",
                "foyer",
                str(tmp_path / "x.wav"),
            ]
        )
        == 2
    )
    assert "closing-15" in capsys.readouterr().err
    assert not (tmp_path / "x.wav").exists()


def test_the_services_database_gives_the_same_as_the_file_that_was_loaded(site, rendered, tmp_path, capsys):
    data = tmp_path / "data"
    assert main(["load", str(site / "venue.toml"), "--data", str(data)]) == 0
    out = tmp_path / "loaded.wav"
    assert main(["rehearse", "--data", str(data), *STRETCH, "--zone", "foyer", str(out)]) == 0
    assert out.read_bytes() == rendered.read_bytes()
    capsys.readouterr()
    assert main(["rehearse", "--data", str(tmp_path / "none"), *STRETCH, "--zone", "foyer", str(out)]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


ELSEWHERE = """
[[clips]]
id = "shop-only"
file = "gone.wav"
title = "Gone"
duration_ms = 2000
[[clips]]
id = "by-hand"
file = "gone-too.wav"
title = "Gone too"
[[rules]]
id = "shop-only"
title = "Only in the shop"
clips = ["shop-only"]
zones = ["shop"]
priority = 40
[rules.fixed]
times = ["17:00"]
[[rules]]
id = "by-hand"
title = "By hand"
clips = ["by-hand"]
zones = ["all"]
priority = 90
"""


def test_audio_that_the_zone_does_not_sound_need_not_be_there(site, capsys, tmp_path):
    path = site / "elsewhere.toml"
    path.write_text(VENUE + ELSEWHERE)
    words = ["rehearse", "--file", str(path), *STRETCH, "--zone"]
    assert main([*words, "foyer", str(tmp_path / "a.wav")]) == 0
    assert rehearse(site, tmp_path / "b.wav") == 0
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()
    assert main([*words, "shop", str(tmp_path / "c.wav")]) == 2
    assert "clip 'shop-only'" in capsys.readouterr().err


def test_a_full_disk_is_said_to_be_full(site, capsys, tmp_path, monkeypatch):
    class Full:
        free = 0

    def failing(*_, **__):
        raise soundfile.LibsndfileError(2)

    from oyez.commands import rehearse as command

    known = command._from_file(site / "venue.toml", "foyer")
    monkeypatch.setattr(command, "_from_file", lambda *_: known)
    monkeypatch.setattr(soundfile, "SoundFile", failing)
    monkeypatch.setattr("shutil.disk_usage", lambda _: Full)
    assert rehearse(site, tmp_path / "a.wav") == 1
    assert capsys.readouterr().err.endswith("a.wav: cannot be written: No space left on device\n")
