"""The engine as a process: what must hold whatever happens to it."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from oyez.errors import Conflict, EngineGone, InputError, NotFound
from oyez.playout.link import EngineLink, Listening, socket_path
from oyez.settings import Settings
from tests.playout.conftest import Engines
from tests.playout.made import Material, chirp, cue, programme, zone
from tests.playout.recorded import find_all
from tests.playout.running import engine_on, now_ms, soon


def test_a_planned_cue_sounds_at_its_instant_and_is_claimed_before(engines: Engines, material: Material):
    engine = engines.start()
    start_ms = now_ms() + 2000
    engine.give(programme(material, [cue(material, "closing@1", start_ms)]))
    end = engine.ended("closing@1")
    (claim,) = engine.records("claim", "closing@1")
    assert claim["at_ms"] < start_ms - 1000
    assert end["outcome"] == "sent"
    assert abs(end["actual_ms"] - start_ms) <= 1
    assert abs(end["end_ms"] - start_ms - 500) <= 1
    # A chirp of amplitude 0.25 over a ducked tone of 0.1: near -15 LUFS, K-weighting lifts the upper part by 4 dB.
    assert -18.0 < end["per_zone"][0]["loudness_lufs"] < -9.0


def test_after_a_kill_nothing_begun_begins_again(engines: Engines, material: Material):
    engine = engines.start()
    start_ms = now_ms() + 1800
    engine.give(programme(material, [cue(material, "closing@1", start_ms, duration_ms=3000, patience_ms=60_000)]))
    soon(lambda: [p for p in engine.link.state()["playing"] if p["sounding"]])
    time.sleep(0.7)
    engine.kill()
    again = engines.start()
    end = again.ended("closing@1")
    assert end["outcome"] == "cut"
    assert end["reason"] == "the engine stopped"
    assert start_ms <= end["end_ms"] <= now_ms()
    time.sleep(0.5)
    assert again.link.state()["playing"] == []
    assert len(again.records("claim", "closing@1")) == 1
    answer = again.give(programme(material, [cue(material, "closing@1", now_ms() + 500)], revision=2))
    assert answer["already"] == ["closing@1"]
    with pytest.raises(Conflict, match="at most once"):
        again.begin(cue(material, "closing@1", now_ms()))


def test_what_was_not_begun_does_begin_after_a_kill_with_nobody_else_alive(engines: Engines, material: Material):
    """The twin: without a claim there is nothing that holds it back, and the programme is remembered."""
    engine = engines.start()
    start_ms = now_ms() + 4000
    engine.give(programme(material, [cue(material, "closing@1", start_ms)]))
    engine.kill()
    again = engines.start()
    end = again.ended("closing@1")
    assert end["outcome"] == "sent"
    assert abs(end["actual_ms"] - start_ms) <= 1


def test_a_cue_whose_time_came_while_the_engine_was_down_starts_late_or_not_at_all(
    engines: Engines, material: Material
):
    engine = engines.start()
    due_ms = now_ms() + 1700
    engine.give(
        programme(
            material,
            [
                cue(material, "patient@1", due_ms, zones=("foyer",), patience_ms=30_000),
                cue(material, "strict@1", due_ms, zones=("theatre",), patience_ms=100),
            ],
        )
    )
    engine.kill()
    time.sleep(max(0.0, (due_ms + 600 - now_ms()) / 1000))
    again = engines.start()
    late = again.ended("patient@1")
    assert late["outcome"] == "sent"
    assert late["actual_ms"] > due_ms + 500
    assert "late" in late["reason"]
    (unsent,) = again.records("unsent", "strict@1")
    assert "latest start has passed" in unsent["reason"]
    assert again.records("claim", "strict@1") == []


def test_sigterm_closes_the_entries_of_what_plays_within_two_seconds(engines: Engines, material: Material):
    engine = engines.start()
    engine.give(programme(material))
    engine.begin(cue(material, "long!1", now_ms(), patience_ms=5000, duration_ms=9000, repeat=2, chime=True))
    soon(lambda: [p for p in engine.link.state()["playing"] if p["sounding"]])
    time.sleep(0.3)
    asked_ms = now_ms()
    assert engine.terminate() < 2.0
    lines = [json.loads(line) for line in (engine.settings.engine / "journal.jsonl").read_text().splitlines()]
    (end,) = [line["record"] for line in lines if line["record"]["kind"] == "end"]
    assert end["outcome"] == "cut"
    assert end["reason"] == "the service was stopped"
    assert end["actual_ms"] is not None
    assert 100 <= end["end_ms"] - asked_ms <= 500  # 150 ms of fade after the next block, through 25 ms of output
    assert lines[-1]["record"]["what"] == "engine stopped"
    assert engine.process.returncode == 0


def test_an_event_cuts_what_it_may_only_where_it_is_contested(engines: Engines, material: Material):
    engine = engines.start()
    engine.give(programme(material))
    long = cue(
        material, "long!1", now_ms(), patience_ms=9000, duration_ms=2000, zones=("foyer", "theatre"), chime=True
    )
    engine.begin(long)
    soon(lambda: [p for p in engine.link.state()["playing"] if p["sounding"]])
    urgent = cue(material, "urgent!1", now_ms(), patience_ms=9000, zones=("theatre",), priority=90, chime=True)
    with pytest.raises(Conflict, match="zone 'theatre' is taken by 'Title of long!1'"):
        engine.begin(urgent)
    asked_ms = now_ms()
    answer = engine.begin(urgent, {"id": "long!1", "zones": ["theatre"], "reason": "made way for urgent"})
    assert 150 <= answer["start_ms"] - asked_ms <= 350
    zones = {z["zone"]: z for z in engine.ended("long!1")["per_zone"]}
    assert zones["foyer"]["outcome"] == "sent"
    assert zones["theatre"]["outcome"] == "cut"
    assert zones["theatre"]["reason"] == "made way for urgent"
    assert zones["theatre"]["end_ms"] <= answer["start_ms"]
    assert engine.records("end", "urgent!1")[0]["outcome"] == "sent"


def test_stopping_names_who_did_it_and_reaches_what_still_waits(engines: Engines, material: Material):
    engine = engines.start()
    engine.give(programme(material, [cue(material, "later@1", now_ms() + 60_000)]))
    engine.begin(cue(material, "long!1", now_ms(), patience_ms=5000, duration_ms=5000, chime=True))
    soon(lambda: [p for p in engine.link.state()["playing"] if p["sounding"]])
    engine.link.stop("long!1", by="Mara")
    end = engine.ended("long!1", within_s=2.0)
    assert (end["outcome"], end["reason"]) == ("cut", "stopped by Mara")
    assert end["by_person"] is True
    assert [z["by_person"] for z in end["per_zone"]] == [True] * len(end["per_zone"])
    engine.link.stop("later@1", by="Mara")
    assert engine.records("unsent", "later@1")[0]["reason"] == "stopped by Mara"
    with pytest.raises(NotFound, match="neither sounding nor waiting"):
        engine.link.stop("nobody@1", by="Mara")


def test_a_cue_that_was_armed_but_stopped_before_its_start_never_sounds(engines: Engines, material: Material):
    engine = engines.start()
    engine.give(programme(material, [cue(material, "closing@1", now_ms() + 1600)]))
    soon(lambda: engine.records("claim", "closing@1"))
    engine.link.stop("closing@1", by="Mara")
    end = engine.ended("closing@1")
    assert end["outcome"] == "not_sent"
    assert end["actual_ms"] is None
    assert end["reason"] == "stopped by Mara"


def test_a_clip_that_is_gone_takes_the_whole_play_with_it(
    engines: Engines, material: Material, settings: Settings
):
    engine = engines.start()
    start_ms = now_ms() + 2500
    engine.give(programme(material, [cue(material, "closing@1", start_ms, chime=True)]))
    words = settings.audio / material.words.sha256[:2] / f"{material.words.sha256}.wav"
    words.unlink()
    unsent = soon(lambda: engine.records("unsent", "closing@1"))[0]
    assert "clip 'words' is gone" in unsent["reason"]
    with pytest.raises(InputError, match="clip 'words'"):
        engine.begin(cue(material, "now!1", now_ms(), patience_ms=5000, chime=True))


def test_two_engines_cannot_play_from_one_folder(engines: Engines, settings: Settings):
    engine = engines.start()
    second = subprocess.run(
        [sys.executable, "-m", "oyez.playout.engine", "--data", str(settings.data_dir)],
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert second.returncode == 1
    assert (
        second.stderr.strip() == f"an engine (process {engine.process.pid}) already plays from {settings.data_dir}"
    )
    assert engine.link.alive()


def test_a_new_programme_replaces_what_is_not_claimed_and_only_that(engines: Engines, material: Material):
    engine = engines.start()
    soon_ms = now_ms() + 1500
    engine.give(
        programme(material, [cue(material, "first@1", soon_ms), cue(material, "second@1", soon_ms + 60_000)])
    )
    soon(lambda: engine.records("claim", "first@1"))
    engine.give(programme(material, [cue(material, "third@1", soon_ms + 90_000)], revision=2))
    state = engine.link.state()
    assert state["revision"] == 2
    assert [c["id"] for c in state["next"]] == ["third@1"]
    assert engine.ended("first@1")["outcome"] == "sent"


def test_zones_can_change_while_it_plays(engines: Engines, material: Material):
    engine = engines.start()
    engine.give(programme(material))
    more = [zone("foyer"), zone("cafe", channels=2), zone("theatre", channels=2)]
    engine.give(programme(material, zones=more, revision=2))
    soon(lambda: (engine.link.state()["zones"][1]["peak_dbfs"] or -99.0) > -25.0)
    engine.begin(cue(material, "now!1", now_ms(), patience_ms=5000, zones=("cafe",)))
    assert engine.ended("now!1")["outcome"] == "sent"
    assert engine.link.state()["mixer_faults"] == 0


def test_wrong_requests_are_refused_in_one_line(engines: Engines):
    engine = engines.start()
    for request, words in (
        ({"do": "dance"}, "'do' is 'dance', allowed are hello, state"),
        ({"do": "programme", "programme": {"venue": 1}}, "expected the keys"),
        ({"do": "stop", "id": "x"}, "does not fit"),
        ({"do": "begin", "cue": []}, "expected the keys"),
    ):
        with pytest.raises(InputError, match=words) as refused:
            engine.link.ask(request)
        assert "\n" not in str(refused.value)
    assert engine.link.alive()


def test_a_folder_with_a_long_name_has_its_socket_elsewhere(tmp_path: Path, kernels: Path):
    settings = Settings(data_dir=tmp_path / ("d" * 120))
    with engine_on(settings, NUMBA_CACHE_DIR=str(kernels)) as engine:
        assert len(os.fsencode(socket_path(settings))) <= 107
        assert engine.link.alive()
        engine.terminate()
    assert not socket_path(settings).exists()


def test_the_journal_is_read_in_pages_and_confirmed(engines: Engines, material: Material):
    engine = engines.start()
    engine.give(programme(material))
    before = engine.link.journal()["last_seq"]
    engine.begin(cue(material, "now!1", now_ms(), patience_ms=5000))
    engine.ended("now!1")
    page = engine.link.journal(since=before, limit=1)
    assert page["more"] is True
    assert page["records"][0]["seq"] == before + 1
    assert engine.link.journal_taken(page["last_seq"])["through"] == page["last_seq"]
    # A reader that knows more than there is has another journal in mind: it gets everything.
    assert engine.link.journal(since=10_000)["records"][0]["seq"] == 1


def test_without_an_engine_the_link_says_so(settings: Settings):
    with pytest.raises(EngineGone, match="does not answer"):
        EngineLink(settings).state()


def test_a_listener_hears_the_announcement_when_the_log_says(engines: Engines, material: Material):
    engine = engines.start()
    start_ms = now_ms() + 2500
    engine.give(programme(material, [cue(material, "closing@1", start_ms, depth_db=24.0)]))

    async def hear() -> tuple[Listening, bytes]:
        sound = engine.link.listen("foyer")
        head = await anext(sound)
        assert isinstance(head, Listening)
        data = b""
        async with contextlib.aclosing(sound):
            async for chunk in sound:
                assert isinstance(chunk, bytes)
                data += chunk
                if len(data) > 2 * 4 * 48_000:
                    break
        return head, data

    head, data = asyncio.run(hear())
    heard = (np.frombuffer(data, "<i2") / 32768.0).astype(np.float32)
    (found,) = find_all(heard, chirp()[:, 0])
    at_ms = head.first_frame_ms + found / 48.0
    assert at_ms == pytest.approx(engine.ended("closing@1")["actual_ms"], abs=2.0)


def test_listening_to_no_zone_is_refused(engines: Engines):
    engine = engines.start()

    async def hear() -> None:
        await anext(engine.link.listen("moon"))

    with pytest.raises(NotFound, match="zone 'moon'"):
        asyncio.run(hear())


def test_a_first_start_that_compiles_for_seconds_still_has_the_music_where_the_time_is(
    settings: Settings, material: Material, tmp_path: Path
):
    with engine_on(settings, NUMBA_CACHE_DIR=str(tmp_path / "fresh")) as engine:
        engine.give(programme(material))
        assert abs(engine.link.state()["clock"]["lag_ms"]) < 100.0
