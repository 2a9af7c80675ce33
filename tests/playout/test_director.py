"""The director with an engine that makes no sound: plans, programme, log, day by day."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from oyez.errors import Conflict, EngineGone, InputError, NotFound
from oyez.mixing import compose as mixing_compose
from oyez.playout import sending
from oyez.store import log
from tests.planning.building import FRIDAY, at, rule, starts, venue
from tests.playout.director_fakes import World

NINE = at("09:00")


@pytest.fixture
def make(tmp_path: Path):
    made: list[World] = []

    def world(*rules: dict, now_ms: int = NINE, **parts) -> World:
        one = World(tmp_path, venue(*rules, **parts), now_ms)
        made.append(one)
        return one

    yield world
    for one in made:
        one.close()


def only_entry(w: World, rule_id: str):
    (found,) = [e for e in w.director.entries() if e.rule == rule_id]
    return found


def test_a_planned_play_is_claimed_ended_and_logged_once(make) -> None:
    w = make(rule("seals", at="09:00:30"))
    w.open()
    w.run(60)
    entry = only_entry(w, "seals")
    assert (entry.outcome, entry.nominal_ms, entry.actual_ms, entry.lateness_ms) == (
        "sent", at("09:00:30"), at("09:00:30"), 0,
    )  # fmt: skip
    assert entry.per_zone[0].loudness_lufs == -18.2
    assert entry.clips[0][0] == "seals-clip"
    assert w.director.verify_log().ok


def test_the_engine_is_given_today_and_the_next_day(make) -> None:
    w = make(rule("seals", at=["10:00", "18:00"]))
    w.open()
    (programme,) = w.engine.programmes
    wanted = [at("10:00"), at("18:00"), at("+1 10:00"), at("+1 18:00")]
    assert [c.start_ms for c in programme.cues] == wanted
    assert programme.until_ms == at("+2 05:00")


def test_a_programme_that_says_nothing_new_is_not_sent_again(make) -> None:
    w = make(rule("seals", at="10:00"))
    w.open()
    w.director.reload()
    w.run(5)
    assert len(w.engine.programmes) == 1


def test_a_venue_loaded_by_another_process_is_planned_within_a_beat(make) -> None:
    w = make(rule("seals", at="10:00"))
    w.open()
    w.load(venue(rule("rays", at="11:00")))
    w.run(1)
    assert starts(w.director.plan(FRIDAY), "rays") == ["11:00:00"]
    assert {c.rule for c in w.engine.programmes[-1].cues} == {"rays"}
    assert w.engine.programmes[-1].revision > w.engine.programmes[0].revision


def test_a_new_engine_is_given_the_programme(make) -> None:
    w = make(rule("seals", at="10:00"))
    w.open()
    w.engine.crash()
    w.run(3)
    assert w.director.state()["engine"] == "gone"
    w.engine.come_back("boot-2")
    w.run(1)
    assert len(w.engine.programmes) == 2
    assert w.director.state()["engine"] == "alive"


def test_what_found_no_place_is_logged_with_the_plans_reason_after_its_latest_start(make) -> None:
    w = make(
        rule("show", at="09:00:30", priority=90, length_s=40),
        rule("promo", at="09:00:40", priority=20, wait_s=5),
    )
    w.open()
    (lost,) = w.director.plan(FRIDAY).unplaced
    w.run(14)
    assert not [e for e in w.director.entries() if e.rule == "promo"]
    w.run(40)
    entry = only_entry(w, "promo")
    assert (entry.outcome, entry.reason) == ("not_sent", lost.reason)
    (shown,) = [u for u in w.director.plan(FRIDAY).unplaced if u.rule == "promo"]
    assert shown.reason == lost.reason


def test_the_days_plan_shows_what_has_begun_where_it_was(make) -> None:
    w = make(rule("seals", at=["09:00:30", "12:00"]))
    w.open()
    before = w.director.plan(FRIDAY)
    w.run(60)
    after = w.director.plan(FRIDAY)
    assert starts(after, "seals") == ["09:00:30", "12:00:00"]
    assert after.ducks == before.ducks


def test_what_the_engine_never_began_is_logged_as_such(make) -> None:
    w = make(rule("seals", at="09:00:30", wait_s=10))
    w.open()
    w.engine.crash()
    w.run(60)
    entry = only_entry(w, "seals")
    assert (entry.outcome, entry.reason) == ("not_sent", "the engine was not running")


def test_what_was_missed_is_sent_late_when_its_latest_start_allows_it(make) -> None:
    w = make(rule("seals", at="09:00:30", wait_s=120))
    w.open()
    w.engine.crash()
    w.run(60)
    w.engine.waiting.clear()
    w.engine.come_back("boot-2")
    w.run(30)
    entry = only_entry(w, "seals")
    assert entry.outcome == "sent"
    assert 30_000 <= entry.lateness_ms <= 45_000


@pytest.mark.parametrize("again", range(3))
def test_taking_the_journal_over_again_and_again_adds_nothing(make, again: int) -> None:
    w = make(rule("seals", at="09:00:30"))
    w.open()
    w.run(60)
    with w.database.read() as session:
        before = log.head(session, w.director.venue_id)
    for _ in range(again + 1):
        w.director.keeper.books._engine_journal.since = 0
        w.director.keeper.pull()
    with w.database.read() as session:
        assert log.head(session, w.director.venue_id) == before


def test_a_second_end_from_the_engine_is_refused_and_kept_as_an_event(make) -> None:
    w = make(rule("seals", at="09:00:30"))
    w.open()
    w.run(60)
    end = next(r["record"] for r in w.engine.journal_records if r["record"]["kind"] == "end")
    w.engine.say({**end, "outcome": "cut", "end_ms": end["end_ms"] + 1})
    w.run(2)
    assert only_entry(w, "seals").outcome == "sent"
    (refused,) = [e for e in w.director.events() if e.what == "record refused"]
    assert refused.detail["refused"]["outcome"] == "cut"
    assert w.director.verify_log().ok


def test_the_next_day_begins_at_day_starts(make) -> None:
    w = make(rule("night", at="05:00:30"), rule("late", at="04:59"), now_ms=at("+1 04:58"))
    w.open()
    assert w.director.today() == FRIDAY
    w.run(120 + 60)
    assert w.director.today() == FRIDAY + dt.timedelta(days=1)
    days = {e.rule: e.nominal_ms for e in w.director.entries()}
    assert days == {"late": at("+1 04:59"), "night": at("+1 05:00:30")}
    saturday = FRIDAY + dt.timedelta(days=1)
    assert [e.rule for e in w.director.entries(from_day=saturday, until_day=saturday)] == ["night"]
    assert w.engine.programmes[-1].until_ms == at("+3 05:00")


@pytest.mark.parametrize(
    ("zone_name", "day", "hours"),
    [
        ("Europe/London", dt.date(2026, 3, 28), 23),
        ("Europe/London", dt.date(2026, 10, 24), 25),
        ("Europe/Berlin", dt.date(2026, 3, 28), 23),
    ],
)
def test_a_day_with_a_clock_change_ends_at_day_starts(make, zone_name: str, day: dt.date, hours: int) -> None:
    # pitfalls of wall-clock schedulers: a job between 00:00 and 00:59 local must not be lost on the day after
    zone = ZoneInfo(zone_name)
    begins = at("05:00", zone=zone, date=day)
    w = make(
        rule("midnight", at="00:15", wait_s=0),
        venue={"timezone": zone_name},
        now_ms=begins + 1000,
    )
    w.open()
    plan = w.director.plan(day)
    assert plan.ends_ms - plan.starts_ms == hours * 3_600_000
    w.run(hours * 3600 - 1, step_ms=30_000)
    assert w.director.today() == day + dt.timedelta(days=1)
    w.run(24 * 3600, step_ms=30_000)
    sent = [e.nominal_ms for e in w.director.entries()]
    midnights = [at("00:15", zone=zone, date=day + dt.timedelta(days=n)) for n in (1, 2)]
    assert sent == midnights


def test_a_clip_that_is_gone_takes_its_whole_play_with_it(make) -> None:
    w = make(rule("seals", at="09:00:30", wait_s=5), rule("rays", at="09:00:32", wait_s=5))
    w.audio_path("seals-clip").unlink()
    w.open()
    plan = w.director.plan(FRIDAY)
    assert starts(plan, "rays") == ["09:00:32"]
    assert [(u.rule, u.reason) for u in plan.unplaced] == [("seals", "clip 'seals-clip' is gone")]
    w.run(60)
    entry = only_entry(w, "seals")
    assert (entry.outcome, entry.reason) == ("not_sent", "clip 'seals-clip' is gone")
    assert only_entry(w, "rays").outcome == "sent"


def test_a_clip_that_comes_back_sounds_again(make) -> None:
    w = make(rule("seals", at="09:05"))
    path = w.audio_path("seals-clip")
    path.unlink()
    w.open()
    path.write_bytes(b"")
    w.director.keeper.look_at_clips()
    w.run(1)
    assert starts(w.director.plan(FRIDAY), "seals") == ["09:05:00"]


def test_without_a_venue_nothing_is_planned_until_one_is_loaded(make) -> None:
    w = make(rule("seals", at="09:05"))
    with w.database.begin() as session:
        from oyez.store.tables import ClipRow, GroupRow, RuleRow, VenueRow, ZoneRow

        for table in (RuleRow, GroupRow, ZoneRow, ClipRow, VenueRow):
            session.query(table).delete()
    w.new_director()
    w.open()
    with pytest.raises(NotFound, match="oyez load"):
        w.director.venue()
    assert w.director.health()["code"] == "no-venue"
    w.run(2)
    w.load(venue(rule("seals", at="09:05")))
    w.run(1)
    assert starts(w.director.plan(FRIDAY), "seals") == ["09:05:00"]


def test_who_listens_is_told_what_changed(make) -> None:
    w = make(rule("seals", at="09:00:30"))
    w.open()
    with w.director.subscribe() as heard:
        w.run(60)
        names = set()
        while (name := heard.get(0.01)) is not None:
            names.add(name)
        assert names == {"plan", "log", "state"}
        w.load(venue(rule("rays", at="11:00")))
        w.run(1)
        assert heard.get(0.01) in {"venue", "plan", "log", "state"}


def test_the_state_says_for_how_long_the_engine_is_gone(make) -> None:
    w = make(rule("seals", at="10:00"))
    w.open()
    w.run(1)
    w.engine.crash()
    w.run(7)
    state = w.director.state()
    assert (state["engine"], state["age_s"], state["last"]["boot"]) == ("gone", 7.0, "boot-1")
    assert w.director.health()["code"] == "engine-gone"
    with pytest.raises(EngineGone):
        w.director.stop("seals@1", by="Ana")


def test_health_says_what_stands_behind_it(make) -> None:
    w = make(rule("seals", at="10:00"))
    w.open()
    w.run(1)
    health = w.director.health()
    assert (health["code"], health["playing"], health["silent"]) == ("silent", True, True)
    assert health["database"]["ok"]
    assert health["log"]["records"] == 1
    assert health["tzdata"].startswith("20")
    assert health["clock"] == {"offset_ms": 0, "jumps": 0, "engine": {"offset_ms": 0.0}}


def test_a_clock_that_is_set_plans_anew_and_says_so(make) -> None:
    w = make(rule("seals", at="09:30", wait_s=5), rule("rays", at="10:30"))
    w.open()
    w.run(2)
    w.clock.jump(3_600_000)
    w.run(2)
    assert [e.detail["by_ms"] for e in w.director.events() if e.what == "clock set"] == [3_600_000]
    entry = only_entry(w, "seals")
    assert entry.outcome == "not_sent"
    w.clock.jump(-3_600_000)
    w.run(40 * 60)
    assert len([e for e in w.director.entries() if e.rule == "seals"]) == 1


def test_an_unknown_rule_cannot_be_fired(make) -> None:
    w = make(rule("seals", at="10:00"))
    w.open()
    with pytest.raises(NotFound, match="there is no rule 'sharks'"):
        w.director.fire("sharks", by="Ana")
    with pytest.raises(NotFound, match="no zone or group 'attic'"):
        w.director.fire("seals", by="Ana", zones=["attic"])
    with pytest.raises(Conflict, match="no zone"):
        w.director.fire("seals", by="Ana", zones=[])


def test_a_play_that_cannot_be_composed_does_not_take_the_others_with_it(make, monkeypatch) -> None:
    w = make(rule("seals", at="09:00:30", wait_s=5), rule("rays", at="09:01", wait_s=5))

    def cue_for(venue, play, facts, *, asked_by):
        if play.rule == "seals":
            raise InputError("its clips do not add up")
        return real(venue, play, facts, asked_by=asked_by)

    real = mixing_compose.cue_for
    monkeypatch.setattr(mixing_compose, "cue_for", cue_for)
    monkeypatch.setattr(sending, "cue_for", cue_for)
    w.open()
    w.run(90)
    found = {e.rule: (e.outcome, e.reason) for e in w.director.entries()}
    assert found == {"seals": ("not_sent", "its clips do not add up"), "rays": ("sent", "on time")}


def test_a_programme_the_engine_refuses_keeps_nothing_else_from_working(make, monkeypatch) -> None:
    w = make(rule("seals", at="09:10"))

    def refuse(programme: object) -> None:
        raise InputError("programme: expected the keys ...")

    with monkeypatch.context() as patch:
        patch.setattr(w.engine, "programme", refuse)
        w.open()
        w.run(3)
        assert w.director.health()["code"] == "fault"
        assert starts(w.director.plan(FRIDAY), "seals") == ["09:10:00"]
    w.run(2)
    assert w.director.health()["code"] == "silent"
    assert len(w.engine.programmes) == 1


def test_what_waits_to_start_again_finds_its_rule_in_a_venue_whose_rules_moved(make) -> None:
    show = {"length_s": 20, "priority": 60, "after_cut": "restart"}
    w = make(rule("show", at="09:00:10", **show), rule("lost-child", length_s=15, priority=90))
    w.open()
    w.run(15)
    w.director.fire("lost-child", by="Ana")
    w.run(2)
    w.load(venue(rule("rays", at="11:00"), rule("lost-child", length_s=15, priority=90), rule("show", **show)))
    w.run(90)
    first, again = sorted((e for e in w.director.entries() if e.rule == "show"), key=lambda e: e.numbers)
    assert (first.outcome, again.outcome) == ("cut", "sent")
    assert again.clips == first.clips


def card(health: str, detail: str) -> dict[str, Any]:
    return {"id": "speakers", "kind": "card", "health": health, "detail": detail, "latency_ms": None, "xruns": 0}


@pytest.mark.parametrize(
    ("output", "code", "sentence"),
    [
        (card("waiting", "x"), "silent", "No sound card; playing silently until it opens"),
        (card("lost", "it has stopped"), "output-lost", "Output speakers is lost: it has stopped"),
        (card("unused", "not played: why"), "output-unused", "Output speakers is not played: why"),
    ],
)
def test_a_card_not_there_yet_one_lost_and_one_not_played_are_three_things(
    make, monkeypatch, output: dict[str, Any], code: str, sentence: str
) -> None:
    w = make(rule("seals", at="10:00"))
    w.open()
    state = w.engine.state()
    monkeypatch.setattr(w.engine, "state", lambda: {**state, "outputs": [output]})
    found = w.director.health()
    assert (found["code"], found["sentence"]) == (code, sentence)
