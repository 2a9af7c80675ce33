"""A data folder becomes the demo's: quickly the second time, and never over somebody's own venue."""

from __future__ import annotations

import socket
import time
from dataclasses import replace
from pathlib import Path

import pytest

from oyez.cli import main
from oyez.commands.load import load_file
from oyez.demo.around import FIRST_CALL_S
from oyez.demo.prepare import prepare
from oyez.errors import Conflict
from oyez.planning.day import operating_day, plan_day
from oyez.playout.gather import Gathered, gather
from oyez.settings import Settings
from oyez.store.database import open_database

OTHER = """
format = 1
[venue]
name = "Somebody's hall"
timezone = "Europe/London"
[[zones]]
id = "hall"
name = "Hall"
"""


class Said(list[str]):
    @property
    def first_start(self) -> bool:
        return any("First start" in line for line in self)


def gathered(settings: Settings) -> Gathered:
    database = open_database(settings)
    with database.read() as session:
        found = gather(session)
    database.close()
    assert found is not None
    return found


@pytest.fixture(scope="module")
def settings(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    made = Settings(data_dir=tmp_path_factory.mktemp("demo"))
    said = Said()
    prepare(made, said.append)
    assert said.first_start
    return made


def test_a_call_is_planned_within_the_first_minute(settings: Settings) -> None:
    prepare(settings, Said().append)
    known, now_ms = gathered(settings), time.time_ns() // 1_000_000
    plan = plan_day(known.venue, operating_day(known.venue, now_ms), known.facts)
    next_ms = min(p.start_ms for p in plan.plays if p.start_ms >= now_ms - 1000)
    assert next_ms - now_ms <= FIRST_CALL_S * 1000


def test_the_plan_shows_calls_moved_left_out_and_without_a_place(settings: Settings) -> None:
    prepare(settings, Said().append)
    known, now_ms = gathered(settings), time.time_ns() // 1_000_000
    plan = plan_day(known.venue, operating_day(known.venue, now_ms), known.facts)
    soon = [p for p in plan.plays if now_ms - 1000 <= p.nominal_ms < now_ms + 30 * 60_000]
    assert len(soon) >= 12
    assert any(p.start_ms > p.nominal_ms for p in soon)
    assert any(p.left_out for p in soon)
    assert any(now_ms <= u.nominal_ms < now_ms + 30 * 60_000 for u in plan.unplaced)


def test_a_second_start_reads_no_audio(settings: Settings) -> None:
    said = Said()
    prepare(settings, said.append)
    assert not said.first_start


def test_audio_that_is_gone_is_taken_in_again(settings: Settings) -> None:
    gone = next(settings.audio.glob("??/*.wav"))
    gone.unlink()
    said = Said()
    prepare(settings, said.append)
    assert said.first_start
    assert gone.is_file()


def test_a_folder_with_another_venue_is_refused_and_left_alone(tmp_path: Path) -> None:
    mine = Settings(data_dir=tmp_path / "data")
    file = tmp_path / "hall.toml"
    file.write_text(OTHER, encoding="utf-8")
    load_file(file, mine, who="a test")
    before = gathered(mine)
    with pytest.raises(Conflict, match="holds the venue 'Somebody's hall', which is not the demo's"):
        prepare(mine, Said().append)
    assert replace(gathered(mine), facts={}, tracks={}) == replace(before, facts={}, tracks={})
    assert not (mine.data_dir / "demo").exists()


def test_a_port_that_is_none_is_refused_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--data", str(tmp_path), "--port", "70000"]) == 2
    assert capsys.readouterr().err == "--port is 70000, allowed are 0 to 65535\n"


def test_a_taken_port_is_said_before_anything_is_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen(1)
        port = taken.getsockname()[1]
        assert main(["demo", "--data", str(tmp_path), "--port", str(port)]) == 1
    captured = capsys.readouterr()
    assert f"port {port} on 127.0.0.1" in captured.err
    assert captured.out == ""
