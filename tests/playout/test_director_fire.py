"""What a person fires, stops and cuts, and what starts again."""

from __future__ import annotations

from pathlib import Path

import pytest

from oyez.errors import Conflict, EngineGone, NotFound, WorkFailed
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


def entries(w: World, rule_id: str) -> list:
    return [e for e in w.director.entries() if e.rule == rule_id]


def test_a_fired_rule_sounds_at_once_and_is_logged_with_who_asked(make) -> None:
    w = make(rule("lost-child", priority=90, zones=["all"]))
    fired = w.director.fire("lost-child", by="Ana")
    assert (fired.start_ms, fired.zones, fired.cuts) == (NINE, ("foyer", "theatre", "cafe"), ())
    w.run(15)
    (entry,) = entries(w, "lost-child")
    assert (entry.outcome, entry.asked_by, entry.id) == ("sent", "Ana", fired.id)


def test_a_fired_rule_falls_within_200_ms_where_it_sounds_at_once(make) -> None:
    w = make(rule("lost-child", priority=90))
    fired = w.director.fire("lost-child", by="Ana")
    assert w.engine.claimed[fired.id].zones[0].fall_ms == 200


def test_a_fired_rule_with_its_own_times_may_be_fired_as_well(make) -> None:
    w = make(rule("seals", at="12:00"))
    fired = w.director.fire("seals", by="Ana")
    w.run(15)
    (entry,) = [e for e in entries(w, "seals") if e.id == fired.id]
    assert entry.outcome == "sent"
    assert [p.start_ms for p in w.director.plan(FRIDAY).plays] == [NINE, at("12:00")]


def test_fired_in_other_zones_it_sounds_there_alone(make) -> None:
    w = make(rule("coach", zones=["foyer"]))
    assert w.director.fire("coach", by="Ana", zones=["cafe"]).zones == ("cafe",)


def test_two_presses_in_one_instant_are_two_occurrences(make) -> None:
    w = make(rule("coach", priority=80, wait_s=60))
    one, two = w.director.fire("coach", by="Ana"), w.director.fire("coach", by="Ben")
    assert one.id != two.id
    assert two.start_ms >= one.end_ms
    w.run(40)
    assert sorted(e.outcome for e in entries(w, "coach")) == ["sent", "sent"]


def test_fired_zone_by_zone_each_zone_takes_it_when_it_can(make) -> None:
    w = make(
        rule("show", at="09:00:10", length_s=30, zones=["foyer"], priority=90),
        rule("coach", zones=["foyer", "cafe"], priority=80, wait_s=60, together=False),
    )
    w.run(20)
    now_ms = w.clock.now_ms()
    fired = w.director.fire("coach", by="Ana")
    assert (fired.zones, fired.left_out, len(fired.ids)) == (("foyer", "cafe"), (), 2)
    w.run(50)
    found = {e.zones: e for e in entries(w, "coach")}
    assert {zones: e.outcome for zones, e in found.items()} == {("foyer",): "sent", ("cafe",): "sent"}
    assert found["cafe",].actual_ms == now_ms
    assert found["foyer",].actual_ms == at("09:00:40")
    assert {e.id for e in found.values()} == set(fired.ids)


def test_fired_together_all_zones_wait_for_each_other(make) -> None:
    """The twin."""
    w = make(
        rule("show", at="09:00:10", length_s=30, zones=["foyer"], priority=90),
        rule("coach", zones=["foyer", "cafe"], priority=80, wait_s=60),
    )
    w.run(20)
    fired = w.director.fire("coach", by="Ana")
    assert (fired.start_ms, fired.ids) == (at("09:00:40"), (fired.id,))


def test_fired_zone_by_zone_what_finds_no_place_is_left_out_with_the_reason(make) -> None:
    w = make(
        rule("show", at="09:00:10", length_s=60, zones=["foyer"], priority=90),
        rule("coach", zones=["foyer", "cafe"], priority=80, wait_s=5, together=False),
    )
    w.run(20)
    fired = w.director.fire("coach", by="Ana")
    assert fired.zones == ("cafe",)
    ((zone, why),) = fired.left_out
    assert zone == "foyer"
    assert "'show' sounds in Foyer" in why
    with pytest.raises(Conflict, match="'show' sounds in Foyer"):
        w.director.fire("coach", by="Ana", zones=["foyer"])


def test_what_was_fired_zone_by_zone_is_stopped_as_one_or_in_one_zone(make) -> None:
    w = make(rule("coach", zones=["all"], priority=80, length_s=30, together=False))
    fired = w.director.fire("coach", by="Ana")
    w.run(3)
    w.director.stop_play(fired.ids[1], by="Ben")
    w.run(3)
    outcomes = {e.id: e.outcome for e in entries(w, "coach")}
    assert [outcomes[one] for one in fired.ids] == ["sounding", "cut", "sounding"]
    w.director.stop_play(fired.id, by="Ben")
    w.run(3)
    assert {e.outcome for e in entries(w, "coach")} == {"cut"}
    with pytest.raises(NotFound):
        w.director.stop_play(fired.id, by="Ben")


def test_what_is_fired_cuts_what_it_outranks_in_the_contested_zones_only(make) -> None:
    w = make(
        rule("show", at="09:00:10", length_s=60, zones=["foyer", "theatre"], priority=60, after_cut="drop"),
        rule("lost-child", zones=["foyer"], priority=90),
    )
    w.run(20)
    fired = w.director.fire("lost-child", by="Ana")
    assert [(c.zones) for c in fired.cuts] == [("foyer",)]
    w.run(120)
    (show,) = entries(w, "show")
    assert {z.zone: z.outcome for z in show.per_zone} == {"foyer": "cut", "theatre": "sent"}
    assert entries(w, "lost-child")[0].outcome == "sent"


def test_what_finds_no_place_is_refused_with_the_plain_reason_and_that_is_logged(make) -> None:
    w = make(
        rule("show", at="09:00:10", length_s=120, priority=90),
        rule("coach", priority=80, wait_s=5),
    )
    w.run(30)
    with pytest.raises(Conflict, match="show") as refused:
        w.director.fire("coach", by="Ana")
    (event,) = [e for e in w.director.events() if e.what == "not placed"]
    assert (event.reason, event.detail["asked_by"]) == (str(refused.value), "Ana")
    assert entries(w, "coach") == []


def test_what_waits_says_after_what(make) -> None:
    w = make(
        rule("show", at="09:00:10", length_s=20, priority=90),
        rule("coach", priority=80, wait_s=30),
    )
    w.run(15)
    fired = w.director.fire("coach", by="Ana")
    assert fired.start_ms == at("09:00:30")
    assert "show" in fired.reason


def test_a_rule_whose_clip_is_gone_cannot_be_fired(make) -> None:
    w = make(rule("coach"))
    w.audio_path("coach-clip").unlink()
    w.director.reload()
    with pytest.raises(Conflict, match="clip 'coach-clip' is gone"):
        w.director.fire("coach", by="Ana")


def test_firing_without_an_engine_says_so_and_logs_no_play(make) -> None:
    w = make(rule("coach"))
    w.engine.crash()
    with pytest.raises(EngineGone):
        w.director.fire("coach", by="Ana")
    assert entries(w, "coach") == []


def test_a_press_whose_answer_was_lost_counts_once(make) -> None:
    w = make(rule("coach"))
    w.engine.deaf_after_begin = True
    fired = w.director.fire("coach", by="Ana")
    w.run(20)
    (entry,) = entries(w, "coach")
    assert (entry.id, entry.outcome) == (fired.id, "sent")


def test_what_a_person_stopped_does_not_start_again(make) -> None:
    w = make(rule("show", at="09:00:10", length_s=60, priority=90, after_cut="restart"))
    w.run(20)
    w.director.stop(f"show@{at('09:00:10')}", by="Ana")
    w.run(120)
    (entry,) = entries(w, "show")
    assert (entry.outcome, entry.reason) == ("cut", "stopped by Ana")


@pytest.mark.parametrize(
    ("told", "reason", "again"),
    [
        ({"by_person": True}, "the guide asked", False),
        ({"by_person": False}, "stopped by the tide gauge", True),
        ({}, "stopped by Ana", False),  # as engines wrote it before
        ({}, "the engine stopped", True),
    ],
)
def test_a_stop_the_director_did_not_see_is_final_when_a_person_did_it(
    make, told: dict[str, bool], reason: str, again: bool
) -> None:
    w = make(rule("show", at="09:00:10", length_s=30, priority=90, after_cut="restart"))
    w.run(20)
    w.engine.stop(f"show@{at('09:00:10')}", by="Ana", reason=reason)
    w.clock.pass_ms(1000)
    w.engine.turn()
    end = w.engine.journal_records[-1]["record"]
    assert end["kind"] == "end"
    end["per_zone"] = [zone | told for zone in end["per_zone"]]
    w.run(60)
    assert [e.outcome for e in entries(w, "show")] == ["cut", *(["sent"] if again else [])]


def test_stopping_what_does_not_sound_is_refused(make) -> None:
    w = make(rule("show", at="09:10"))
    with pytest.raises(NotFound):
        w.director.stop("show@1", by="Ana")


def test_what_was_outranked_starts_again_within_a_minute_of_the_cut(make) -> None:
    w = make(
        rule("show", at="09:00:10", length_s=20, priority=60, after_cut="restart"),
        rule("lost-child", length_s=10, priority=90),
    )
    w.run(15)
    w.director.fire("lost-child", by="Ana")
    cut_ms = w.clock.ms
    w.run(120)
    first, again = sorted(entries(w, "show"), key=lambda e: e.numbers)
    assert (first.outcome, again.outcome) == ("cut", "sent")
    assert cut_ms < again.actual_ms <= cut_ms + 60_000


def test_what_a_rule_drops_does_not_start_again(make) -> None:
    w = make(
        rule("show", at="09:00:10", length_s=20, priority=60, after_cut="drop"),
        rule("lost-child", length_s=10, priority=90),
    )
    w.run(15)
    w.director.fire("lost-child", by="Ana")
    w.run(120)
    assert [e.outcome for e in entries(w, "show")] == ["cut"]


@pytest.mark.parametrize("director_too", [False, True])
def test_what_a_crash_cut_starts_again(make, director_too: bool) -> None:
    w = make(rule("show", at="09:00:10", length_s=30, priority=60, after_cut="restart"))
    w.run(20)
    w.engine.crash()
    w.run(3)
    if director_too:
        w.new_director()
    w.engine.come_back("boot-2")
    if director_too:
        w.open()
    w.run(90)
    first, again = sorted(entries(w, "show"), key=lambda e: e.numbers)
    assert (first.outcome, first.reason) == ("cut", "the engine stopped")
    assert again.outcome == "sent"


def test_with_the_database_gone_a_press_still_sounds_and_the_log_follows(make, monkeypatch) -> None:
    w = make(rule("coach"), rule("seals", at="09:00:30"))

    def gone(*_: object) -> None:
        raise WorkFailed("oyez.db: cannot be written: disk I/O error")

    with monkeypatch.context() as patch:
        patch.setattr(w.database, "begin", gone)
        patch.setattr(w.database, "read", gone)
        fired = w.director.fire("coach", by="Ana")
        assert fired.start_ms == w.clock.ms
        assert fired.id in w.engine.begun
        w.run(60)
        assert w.director.health()["code"] == "database"
    w.run(2)
    assert {e.rule: e.outcome for e in w.director.entries()} == {"coach": "sent", "seals": "sent"}
    assert w.director.health()["code"] == "silent"
