"""The whole service into a real sound server, and what comes out of it held against the log and the plan.

Needs PulseAudio with its tools, ALSA's plug-in for it and PortAudio; it is a server of the test's own.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import re
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import soundfile

from oyez.playout.link import EngineLink
from oyez.settings import Settings
from tests.playout.made import chirp, tone
from tests.playout.recorded import (
    RATE,
    Monitor,
    Recorded,
    SoundServer,
    find_all,
    need,
    need_alsa_to_pulse,
    points_db,
    tone_level_db,
)
from tests.playout.running import now_ms, records, soon

MUSIC_HZ = 9000.0  # over all that is spoken, so that the music's level can be read while someone speaks
WORDS_S = 1.5
ZONE = ZoneInfo("Europe/London")

VENUE = """
format = 1
[venue]
name = "Quillfin Aquarium"
timezone = "Europe/London"
day_starts = "{day_starts}"
gap_s = 0.5

[[sources]]
id = "house"
folder = "music"
crossfade_s = 0.0

[duck]
depth_db = 12.0
fall_s = 0.6
hold_s = 0.3
rise_s = 1.0
bridge_s = 1.0

[[zones]]
id = "foyer"
name = "Foyer"
source = "house"

[[zones]]
id = "theatre"
name = "Theatre"
channels = 2
source = "house"

[[outputs]]
id = "main"
kind = "card"
latency_s = 0.1
zones = {{foyer = [2], theatre = [7, 8]}}

[[clips]]
id = "words"
file = "words.wav"
title = "A sweep"
kind = "effect"

[[clips]]
id = "bell"
file = "bell.wav"
title = "Bell"
kind = "chime"

[[rules]]
id = "everywhere"
title = "Everywhere"
chime = "bell"
clips = ["words"]
zones = ["all"]
priority = 60
[rules.fixed]
times = ["{first}"]

[[rules]]
id = "foyer-only"
title = "Foyer only"
clips = ["words"]
zones = ["foyer"]
priority = 60
[rules.fixed]
times = ["{second}", "{third}"]

[[rules]]
id = "called"
title = "Called by hand"
clips = ["words"]
zones = ["theatre"]
priority = 80
"""


@dataclass(frozen=True)
class Evening:
    """What was played: the recording, the log's claims and ends, the plan as the command line gives it.

    before, state  the engine's, once it played and at the end
    """

    heard: Recorded
    claims: list[dict[str, Any]]
    ends: list[dict[str, Any]]
    plan: dict[str, Any]
    before: dict[str, Any]
    state: dict[str, Any]
    talk: str


def write_venue(folder: Path, start: dt.datetime) -> Path:
    (folder / "music").mkdir(parents=True)
    soundfile.write(folder / "music" / "steady.wav", tone(30.0, hz=MUSIC_HZ), RATE, subtype="FLOAT")
    soundfile.write(folder / "words.wav", chirp(WORDS_S), RATE, subtype="FLOAT")
    soundfile.write(folder / "bell.wav", tone(0.8, hz=880.0), RATE, subtype="FLOAT")
    clock = [(start + dt.timedelta(seconds=s)).strftime("%H:%M:%S") for s in (0, 7, 11)]
    day_starts = (start - dt.timedelta(hours=3)).strftime("%H:00")  # no day's end comes between
    path = folder / "quillfin.toml"
    path.write_text(VENUE.format(first=clock[0], second=clock[1], third=clock[2], day_starts=day_starts))
    return path


def oyez(*words: str, environment: dict[str, str]) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "oyez.cli", *words], capture_output=True, text=True, timeout=120, check=False,
        env=environment,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory, kernels: Path) -> Iterator[Evening]:
    need("pulseaudio", "parec")
    need_alsa_to_pulse()
    folder = tmp_path_factory.mktemp("evening")
    server = SoundServer(folder / "sound")
    environment = {**os.environ, **server.environment, "NUMBA_CACHE_DIR": str(kernels)}
    settings = Settings(data_dir=folder / "data")
    link = EngineLink(settings)
    service = monitor = None
    try:
        monitor = Monitor(server)
        start = dt.datetime.now(ZONE).replace(microsecond=0) + dt.timedelta(seconds=25)
        file = write_venue(folder / "venue", start)
        oyez("load", str(file), "--data", str(settings.data_dir), environment=environment)
        with (folder / "talk.txt").open("w") as talk:
            service = subprocess.Popen(
                [sys.executable, "-m", "oyez.cli", "serve", "--data", str(settings.data_dir), "--port", "0"],
                stdout=talk,
                stderr=talk,
                env=environment,
            )
        address = soon(lambda: re.search(r"http://\S+", (folder / "talk.txt").read_text()), within_s=60.0)[0]
        soon(lambda: link.state()["waiting"] >= 3 and not link.state()["silent"], within_s=20.0)
        assert now_ms() < start.timestamp() * 1000 - 2500, "the service came up too late for the test's times"
        before = link.state()
        with urllib.request.urlopen(f"{address}/healthz", timeout=5) as answer:
            assert answer.status == 200
        time.sleep(start.timestamp() + 15.0 - time.time())
        ends = soon(lambda: (e := records(link, "end")) and len(e) >= 3 and e, within_s=20.0)
        time.sleep(2.5)
        heard = monitor.stop()
        date = start.date().isoformat()
        plan = oyez("plan", "--file", str(file), "--date", date, "--json", environment=environment)
        yield Evening(
            heard=heard,
            claims=records(link, "claim"),
            ends=ends,
            plan=json.loads(plan),
            before=before,
            state=link.state(),
            talk=(folder / "talk.txt").read_text(),
        )
    finally:
        if service is not None:
            service.terminate()
            try:
                service.wait(5)
            except subprocess.TimeoutExpired:
                service.kill()
        if monitor is not None:
            monitor.end()
        server.end()


CHANNEL = {"foyer": 1, "theatre": 6}


def words_at_ms(evening: Evening, zone: str) -> list[float]:
    heard = evening.heard
    return [heard.utc_ms(f) for f in find_all(heard.samples[:, CHANNEL[zone]], chirp(WORDS_S)[:, 0])]


def logged_words_ms(evening: Evening, zone: str) -> list[float]:
    """When the log says the words began: the play's actual start, after its chime and pause."""
    before_ms = {"everywhere": 800 + 400, "foyer-only": 0}
    here = [e for e in evening.ends if zone in [z["zone"] for z in e["per_zone"]]]
    return sorted(e["actual_ms"] + before_ms[e["rule"]] for e in here)


def test_every_announcement_is_in_the_recording_and_no_other(evening: Evening):
    assert len(words_at_ms(evening, "foyer")) == 3
    assert len(words_at_ms(evening, "theatre")) == 1
    silent = [c for c in range(8) if c not in (1, 6, 7)]
    assert float(np.abs(evening.heard.samples[:, silent]).max()) == 0.0
    assert np.array_equal(evening.heard.samples[:, 6], evening.heard.samples[:, 7])


@pytest.mark.parametrize("zone", ["foyer", "theatre"])
def test_each_starts_within_ten_milliseconds_of_its_log_entry(evening: Evening, zone: str):
    heard, logged = words_at_ms(evening, zone), logged_words_ms(evening, zone)
    off_ms = [h - said for h, said in zip(heard, logged, strict=True)]
    assert max(map(abs, off_ms)) + Monitor.UNCERTAIN_MS < 10.0, off_ms


def test_each_starts_where_the_plan_has_it(evening: Evening):
    planned = sorted(p["start_ms"] for p in evening.plan["plays"])
    assert [e["actual_ms"] - p for e, p in zip(evening.ends, planned, strict=True)] == pytest.approx(
        [0] * 3, abs=2
    )


def test_a_recording_shifted_by_fifteen_milliseconds_would_be_noticed(evening: Evening):
    """The twin of the two above."""
    heard, logged = words_at_ms(evening, "foyer"), logged_words_ms(evening, "foyer")
    assert max(abs(h + 15.0 - said) for h, said in zip(heard, logged, strict=True)) + Monitor.UNCERTAIN_MS > 10.0


def level_errors_db(evening: Evening, zone: str, points: list[tuple[int, float]]) -> list[float]:
    """Level of the music against the duck points, every 10 ms from 3 s before the first to 1 s after the last.

    Not within 15 ms of a corner, which the level meter's 20 ms window rounds off, and with the recording's lag
    against the plan taken out as the announcements show it.
    """
    heard = evening.heard
    lag_ms = words_at_ms(evening, zone)[0] - logged_words_ms(evening, zone)[0]
    first_ms, last_ms = points[0][0] - 3000, points[-1][0] + 1000
    frames = heard.frame(first_ms - 500), heard.frame(last_ms + 500)
    level = tone_level_db(heard.samples[frames[0] : frames[1], CHANNEL[zone]], MUSIC_HZ)
    undisturbed = level[heard.frame(first_ms) - frames[0] : heard.frame(points[0][0] - 200) - frames[0]]
    found = []
    for at_ms in range(first_ms, last_ms, 10):
        if min(abs(at_ms - corner) for corner, _ in points) > 15:
            measured = level[heard.frame(at_ms + lag_ms) - frames[0]] - float(np.median(undisturbed))
            found.append(measured - points_db(points, at_ms))
    return found


@pytest.mark.parametrize("zone", ["foyer", "theatre"])
def test_the_music_follows_the_plans_duck_points(evening: Evening, zone: str):
    points = [(int(ms), float(db)) for ms, db in evening.plan["ducks"][zone]]
    errors = level_errors_db(evening, zone, points)
    assert len(errors) > 500
    assert max(map(abs, errors)) < 0.5, max(errors, key=abs)


def test_music_ducked_one_decibel_too_little_would_be_noticed(evening: Evening):
    """The twin."""
    points = [(int(ms), float(db) * 11.0 / 12.0) for ms, db in evening.plan["ducks"]["theatre"]]
    assert max(map(abs, level_errors_db(evening, "theatre", points))) > 0.5


def test_between_two_close_announcements_the_music_stays_down(evening: Evening):
    """The plan bridges 4 s - 1.5 s of words - hold, rise and fall: under a second is left."""
    second, third = (e["actual_ms"] for e in evening.ends[1:])
    between_ms = (second + 1500 + third) / 2
    points = [(int(ms), float(db)) for ms, db in evening.plan["ducks"]["foyer"]]
    assert points_db(points, between_ms) == pytest.approx(-12.0, abs=0.01)


def test_nothing_was_dropped_on_the_way(evening: Evening):
    for counted in ("starved", "xruns", "mixer_faults"):
        assert evening.state[counted] == evening.before[counted], counted
    assert all(e["outcome"] == "sent" and e["output"] == "main" for e in evening.ends)
    assert "Playing on 'default'" in evening.talk
