"""`oyez log` and `oyez log verify`, as a person or a script calls them."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from sqlalchemy import text

from oyez.cli import main
from oyez.settings import Settings
from oyez.store import log, venues
from oyez.store.database import open_database
from oyez.store.head import keep_head
from tests.planning.building import at, rule, venue
from tests.store.test_log import claim, end, unsent


@pytest.fixture
def data(tmp_path: Path) -> Path:
    database = open_database(Settings(data_dir=tmp_path))
    ten, night = at("10:00"), at("+1 01:30")
    with database.begin() as session:
        venues.write_venue(session, venue(rule("seals", at="10:00")))
        moved = {"nominal_ms": ten, "planned_ms": ten, "planned_end_ms": ten + 5000, "at_ms": ten}
        log.append(session, 1, claim(**moved, title="=1+2 seals"), boot="b", boot_seq=1)
        log.append(
            session, 1, end(**moved, actual_ms=ten + 1500, end_ms=ten + 6500, title="=1+2 seals"),
            boot="b", boot_seq=2,
        )  # fmt: skip
        log.append(session, 1, unsent(2, nominal_ms=night, at_ms=night, zones=["cafe"]))
        log.append(session, 1, {"kind": "event", "what": "service started", "reason": None, "at_ms": at("09:00")})
    with database.read() as session:
        keep_head(tmp_path, 1, "log", log.head(session, 1), hash_of=lambda _: None)
    database.close()
    return tmp_path


def test_the_table_gives_local_times_and_names_the_zone_once(data: Path, capsys, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    assert main(["log", "--data", str(data)]) == 0
    shown = capsys.readouterr().out
    assert shown.count("Europe/London") == 1
    assert "Friday 27 November 2026" in shown
    assert "10:00:01" in shown
    assert "1.5 s" in shown
    assert "Fri night (Sat 01:30:00)" in shown
    assert "service started" in shown


def test_what_was_cut_in_one_zone_only_is_said_so(data: Path, capsys, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "240")
    parts = [
        {"zone": "foyer", "outcome": "cut", "end_ms": 1, "loudness_lufs": None},
        {"zone": "cafe", "outcome": "sent", "end_ms": 2, "loudness_lufs": None},
    ]
    database = open_database(Settings(data_dir=data))
    with database.begin() as session:
        log.append(session, 1, claim(9))
        log.append(session, 1, end(9, per_zone=parts, reason="made way for 'Lost child'"))
    database.close()
    assert main(["log", "--data", str(data)]) == 0
    assert "sent, cut in Foyer" in capsys.readouterr().out


def test_json_holds_entries_and_events(data: Path, capsys) -> None:
    assert main(["log", "--json", "--data", str(data)]) == 0
    tree = json.loads(capsys.readouterr().out)
    first, second = tree["entries"]
    assert (first["rule"], first["outcome"], first["lateness_ms"]) == ("seals", "sent", 1500)
    assert first["left_out"] == [{"zone": "theatre", "reason": "quiet 13:30-14:00"}]
    assert second["outcome"] == "not_sent"
    assert [e["what"] for e in tree["events"]] == ["service started"]


def test_dates_are_operating_days(data: Path, capsys) -> None:
    assert main(["log", "--json", "--from", "2026-11-27", "--until", "2026-11-27", "--data", str(data)]) == 0
    assert len(json.loads(capsys.readouterr().out)["entries"]) == 2  # 01:30 on Saturday is Friday's night
    assert main(["log", "--json", "--from", "2026-11-28", "--data", str(data)]) == 0
    assert json.loads(capsys.readouterr().out)["entries"] == []


def test_csv_is_safe_in_a_spreadsheet_and_numbers_stay_numbers(data: Path, capsys) -> None:
    # OWASP "CSV Injection": cells that start with = + - @ tab or return are read as formulas
    assert main(["log", "--csv", "--data", str(data)]) == 0
    first, second = csv.DictReader(io.StringIO(capsys.readouterr().out))
    assert first["title"] == "'=1+2 seals"
    assert first["lateness_s"] == "1.5"
    assert first["loudness_lufs"] == "foyer -18.0; cafe -18.0"
    assert (second["day"], second["nominal"]) == ("2026-11-27", "2026-11-28T01:30:00.000+00:00")


def test_a_zone_is_looked_for_and_an_unknown_one_refused(data: Path, capsys) -> None:
    assert main(["log", "--json", "--zone", "theatre", "--data", str(data)]) == 0
    assert len(json.loads(capsys.readouterr().out)["entries"]) == 1
    assert main(["log", "--zone", "attic", "--data", str(data)]) == 2
    assert "--zone is 'attic', allowed are" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--from", "yesterday"], "--from is 'yesterday', allowed are dates"),
        (["--from", "2026-11-28", "--until", "2026-11-27"], "--until is 2026-11-27, before --from"),
        (["verify", "--csv"], "verify has no --csv"),
    ],
)
def test_a_wrong_command_line_is_one_line(data: Path, capsys, words: list[str], message: str) -> None:
    assert main(["log", *words, "--data", str(data)]) == 2
    said = capsys.readouterr().err
    assert message in said
    assert said.count("\n") == 1


def test_without_a_database_it_says_how_to_make_one(tmp_path: Path, capsys) -> None:
    assert main(["log", "--data", str(tmp_path / "none")]) == 2
    assert "oyez load" in capsys.readouterr().err
    assert not (tmp_path / "none").exists()


def test_verify_says_yes_with_the_last_hash(data: Path, capsys) -> None:
    assert main(["log", "verify", "--data", str(data)]) == 0
    said = capsys.readouterr().out
    assert "log: 4 records, each as it was written, the last is 4 " in said


def test_verify_says_no_and_where(data: Path, capsys) -> None:
    database = open_database(Settings(data_dir=data))
    with database.begin() as session:
        session.execute(text("UPDATE log SET body = replace(body, 'sent', 'cut') WHERE number = 2"))
    database.close()
    assert main(["log", "verify", "--data", str(data)]) == 1
    assert "log: does not verify: record 2 was altered" in capsys.readouterr().out
    assert main(["log", "verify", "--json", "--data", str(data)]) == 1
    tree = json.loads(capsys.readouterr().out)
    assert (tree["ok"], tree["log"]["first_bad"]) == (False, 2)


def test_verify_sees_records_gone_from_the_end(data: Path, capsys) -> None:
    database = open_database(Settings(data_dir=data))
    with database.begin() as session:
        session.execute(text("DELETE FROM log WHERE number = 4"))
    database.close()
    assert main(["log", "verify", "--data", str(data)]) == 1
    assert "record 4 is gone from the end" in capsys.readouterr().out


def test_a_record_that_was_tampered_with_is_shown_as_unreadable(data: Path, capsys) -> None:
    database = open_database(Settings(data_dir=data))
    with database.begin() as session:
        session.execute(text("UPDATE log SET body = 'nonsense' WHERE number = 1"))
        session.execute(text("UPDATE log SET body = :body WHERE number = 2"), {"body": '{"kind": "end"}'})
    database.close()
    assert main(["log", "--json", "--data", str(data)]) == 0
    tree = json.loads(capsys.readouterr().out)
    unreadable = [e["reason"] for e in tree["events"] if e["what"] == "record unreadable"]
    words = "is not what was written; `oyez log verify` looks at all of them"
    assert unreadable == [f"record 1 {words}", f"record 2 {words}"]
    assert main(["log", "verify", "--data", str(data)]) == 1


def test_a_zone_that_is_no_more_is_still_found_by_its_records(data: Path, capsys) -> None:
    database = open_database(Settings(data_dir=data))
    with database.begin() as session:
        log.append(session, 1, unsent(7, zones=["old-hall"]))
    database.close()
    assert main(["log", "--json", "--zone", "old-hall", "--data", str(data)]) == 0
    assert [e["zones"] for e in json.loads(capsys.readouterr().out)["entries"]] == [["old-hall"]]


def test_what_waits_for_its_start_is_not_called_sounding(data: Path, capsys, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    database = open_database(Settings(data_dir=data))
    start = at("+2 10:00")
    with database.begin() as session:
        times = {"nominal_ms": start - 30_000, "planned_ms": start, "planned_end_ms": start + 5000}
        log.append(session, 1, claim(8, **times, at_ms=start - 30_000))
    database.close()
    for now_ms, word in ((start - 1, "waits to start"), (start, "sounding")):
        monkeypatch.setattr("time.time_ns", lambda ms=now_ms: ms * 1_000_000)
        assert main(["log", "--data", str(data)]) == 0
        assert word in capsys.readouterr().out
