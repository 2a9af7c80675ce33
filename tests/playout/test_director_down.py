"""What fell into a time when the service was not running."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from oyez.errors import WorkFailed
from oyez.playout import downtime
from oyez.store import journal, log, venues
from oyez.venue.writer import venue_tree
from tests.planning.building import FRIDAY, at, rule, venue
from tests.playout.director_fakes import World

NINE = at("09:00")


@pytest.fixture
def make(tmp_path: Path):
    made: list[World] = []

    def world(*rules: dict, now_ms: int = NINE, **parts) -> World:
        one = World(tmp_path, venue(*rules, **parts), now_ms)
        made.append(one)
        one.open()
        return one

    yield world
    for one in made:
        one.close()


def leave(w: World) -> None:
    """The service ends in good order; the engine with it."""
    w.director.keeper.close()
    w.engine.crash()
    w.engine.waiting.clear()


def come_back(w: World, ms: int) -> None:
    w.clock.pass_ms(ms - w.clock.ms)
    w.engine.come_back(f"boot-{ms}")
    w.new_director()
    w.open()


def test_what_was_missed_while_down_is_logged_as_not_sent_once(make) -> None:
    w = make(rule("seals", at=["10:00", "11:00"], wait_s=10), rule("late", at="15:00"))
    leave(w)
    come_back(w, at("12:00"))
    found = [(e.rule, e.nominal_ms, e.outcome, e.reason) for e in w.director.entries()]
    wanted = "the service was not running"
    assert found == [("seals", at("10:00"), "not_sent", wanted), ("seals", at("11:00"), "not_sent", wanted)]
    leave(w)
    come_back(w, at("12:30"))
    assert len(w.director.entries()) == 2


def test_what_had_no_place_anyway_keeps_the_plans_reason(make) -> None:
    w = make(
        rule("show", at="10:00", length_s=100, priority=90),
        rule("promo", at="10:00:10", wait_s=5, priority=20),
    )
    leave(w)
    come_back(w, at("12:00"))
    reasons = {e.rule: e.reason for e in w.director.entries()}
    assert reasons["show"] == "the service was not running"
    assert "show" in reasons["promo"]


def test_what_the_engine_played_meanwhile_is_taken_over_and_not_called_missed(make) -> None:
    w = make(rule("seals", at=["10:00", "11:00"], wait_s=10))
    w.director.keeper.close()  # the web process alone is gone
    while w.clock.ms < at("10:30"):
        w.clock.pass_ms(1000)
        w.engine.turn()
    w.new_director()
    w.open()
    assert [(e.nominal_ms, e.outcome) for e in w.director.entries()] == [(at("10:00"), "sent")]


def test_a_journal_on_disk_is_read_when_no_engine_answers(make) -> None:
    import json

    w = make(rule("seals", at="10:00", wait_s=10))
    w.director.keeper.close()
    while w.clock.ms < at("10:00"):
        w.clock.pass_ms(1000)
        w.engine.turn()
    w.engine.crash()
    w.settings.engine.mkdir(parents=True, exist_ok=True)
    lines = "".join(json.dumps(line) + "\n" for line in w.engine.journal_records)
    (w.settings.engine / "journal.jsonl").write_text(lines + '{"seq": 9, "bo')
    w.clock.pass_ms(60_000)
    w.new_director()
    w.open()
    (entry,) = w.director.entries()
    assert entry.outcome == "sounding"  # claimed; how it ended the next engine says


def test_no_more_than_two_weeks_are_looked_through(make) -> None:
    w = make(rule("seals", at="10:00", wait_s=10))
    leave(w)
    come_back(w, NINE + 30 * 86_400_000)
    assert len(w.director.entries()) == 14


def test_a_first_start_owes_nothing_for_the_hours_before(make) -> None:
    w = make(rule("seals", at="08:00", wait_s=10))
    w.run(5)
    assert w.director.entries() == ()


def test_a_venue_changed_while_down_owes_what_it_was_then(make) -> None:
    old, new = venue(rule("seals", at=["10:00", "13:00"], wait_s=10)), venue(rule("rays", at=["10:30", "13:30"]))
    w = make(rule("seals", at=["10:00", "13:00"], wait_s=10))
    leave(w)
    w.load(new)
    with w.database.begin() as session:
        journal.append(
            session,
            venue_id=venues.list_venues(session)[0].id,
            at_ms=at("12:00"),
            who="Ana",
            origin="command",
            what="venue loaded",
            before=venue_tree(old),
            after=venue_tree(new),
        )
    come_back(w, at("14:00"))
    assert [(e.rule, e.nominal_ms) for e in w.director.entries()] == [
        ("seals", at("10:00")),
        ("rays", at("13:30")),
    ]


def test_a_machine_that_slept_owes_what_it_slept_through(make) -> None:
    w = make(rule("seals", at="10:00", wait_s=10), rule("dawn", at="06:00", wait_s=10))
    w.run(5)
    w.clock.pass_ms(24 * 3_600_000)
    w.run(5)
    assert {(e.rule, e.outcome) for e in w.director.entries()} == {("seals", "not_sent"), ("dawn", "not_sent")}


def test_starting_and_stopping_are_events_of_the_log(make) -> None:
    w = make(rule("seals", at="10:00"))
    leave(w)
    come_back(w, at("09:30"))
    assert [e.what for e in w.director.events()] == ["service started", "service stopped", "service started"]
    assert w.director.events()[-1].detail["down_ms"] == 1_800_000
    friday = w.director.events(from_day=FRIDAY, until_day=FRIDAY)
    assert len(friday) == 3
    assert w.director.events(from_day=FRIDAY + dt.timedelta(days=1)) == ()


def test_a_clock_at_its_very_beginning_owes_nothing_and_stops_nothing(make) -> None:
    w = make(rule("seals", at="10:00", wait_s=10))
    leave(w)
    w.clock.ms = 5_000
    w.engine.come_back("boot-1970")
    w.new_director()
    w.open()
    assert w.director.entries() == ()
    w.clock.jump(at("09:30") - w.clock.ms)
    w.run(60)
    assert [p.rule for p in w.director.plan(FRIDAY).plays] == ["seals"]
    assert w.director.entries() == ()


def test_a_clock_set_forward_owes_what_it_was_set_over(make) -> None:
    w = make(rule("seals", at="10:00", wait_s=10))
    w.run(5)
    w.clock.jump(2 * 86_400_000)
    w.run(5)
    assert [e.outcome for e in w.director.entries()] == ["not_sent"] * 2
    assert all("set forward by 172800.0 s" in e.reason for e in w.director.entries()[1:])


def test_it_ends_in_good_order_with_the_database_gone(make, monkeypatch) -> None:
    w = make(rule("seals", at="10:00"))

    def gone(*_: object) -> None:
        raise WorkFailed("oyez.db: cannot be written: disk I/O error")

    monkeypatch.setattr(w.database, "begin", gone)
    w.director.stop()
    assert downtime.last_alive_ms(w.settings.data_dir) == w.clock.ms


def test_a_stored_venue_that_cannot_be_read_is_told_and_the_service_goes_on(make) -> None:
    w = make(rule("seals", at="10:00"))
    with w.database.begin() as session:
        session.connection().exec_driver_sql("UPDATE clip SET kind = 'hologram'")
        venues.raise_revision(session, w.director.venue_id)
    w.run(2)
    assert "cannot be read" in w.director.health()["sentence"]
    w.director.reload()  # after a change that is committed: never an error
    assert "cannot be read" in w.director.health()["sentence"]
    with w.database.begin() as session:
        session.connection().exec_driver_sql("UPDATE clip SET kind = 'speech'")
    w.run(2)
    assert w.director.health()["fault"] is None


def test_a_service_starts_beside_a_stored_venue_that_cannot_be_read(make) -> None:
    w = make(rule("seals", at="10:00"))
    with w.database.begin() as session:
        session.connection().exec_driver_sql("UPDATE clip SET kind = 'hologram'")
    w.new_director()
    w.open()
    w.run(2)
    assert w.director.health()["code"] == "fault"
    assert "the stored venue 1 cannot be read: clips.0.kind" in w.director.health()["sentence"]
    with w.database.begin() as session:
        session.connection().exec_driver_sql("UPDATE clip SET kind = 'speech'")
    w.run(2)
    assert [r.id for r in w.director.venue().rules] == ["seals"]


def test_a_torn_sign_of_life_counts_as_none(tmp_path: Path) -> None:
    downtime.note_alive(tmp_path, 123)
    assert downtime.last_alive_ms(tmp_path) == 123
    (tmp_path / "alive").write_bytes(b"\0\0")
    assert downtime.last_alive_ms(tmp_path) is None


def test_with_no_sign_of_life_the_logs_last_record_counts(make) -> None:
    w = make(rule("seals", at="10:00", wait_s=10))
    leave(w)
    (w.settings.data_dir / "alive").unlink()
    come_back(w, at("12:00"))
    assert [e.rule for e in w.director.entries()] == ["seals"]


def test_a_log_shortened_while_down_is_seen_and_stays_seen(make) -> None:
    w = make(rule("seals", at="09:00:30"))
    w.run(60)
    leave(w)
    from sqlalchemy import text

    with w.database.begin() as session:
        last = log.head(session, w.director.venue_id).number
        session.execute(text("DELETE FROM log WHERE number > :n"), {"n": last - 2})
    come_back(w, at("09:30"))
    w.run(5)
    found = w.director.verify_log()
    assert not found.ok
    assert w.director.health()["code"] == "log"
