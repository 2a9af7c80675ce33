"""While the day runs: events, cuts, restarts, and a plan that leaves what has begun alone."""

import dataclasses

import pytest

from oyez.errors import NotFound
from oyez.planning.live import decide, event_for, events_for, restart_for, restart_of
from oyez.planning.types import Cut, Live, QuietSpan, Taken
from tests.planning.building import FRIDAY, at, broken, every_day, facts_of, plan, rule, starts, venue

NOW = at("14:00")


def taken(name="promo", *, start="13:59:55", end="14:00:15", zones=("foyer",), priority=20, **more) -> Taken:
    return Taken(
        id=f"{name}@1", rule=name, title=name, start_ms=at(start), end_ms=at(end), zones=tuple(zones),
        priority=priority, **more,
    )  # fmt: skip


def fired(v, name="lost-child", now=NOW, **more):
    return event_for(v, name, at_ms=now, number=1, facts=facts_of(v), **more)


def decided(v, *already, name="lost-child", now=NOW, events=(), **more):
    live = Live(now_ms=now, taken=already, events=events)
    return decide(v, FRIDAY, facts_of(v), live, fired(v, name, now, **more))


def child(priority=90, **more):
    return rule("lost-child", **({"zones": ["foyer"], "priority": priority} | more))


def test_an_event_in_a_free_zone_starts_at_its_instant():
    d = decided(venue(child()))
    assert d.play.start_ms == NOW
    assert d.cuts == ()
    assert d.reason == "starts now"
    assert d.play.id == f"lost-child@{NOW}!1"


def asked_for(v, name="coach", **more):
    return events_for(v, name, at_ms=NOW, number=1, facts=facts_of(v), **more)


def test_zone_by_zone_a_press_is_one_event_a_zone_in_service():
    zones = ["foyer", {"id": "theatre", "name": "Theatre", "in_service": False}, "cafe"]
    v = venue(rule("coach", zones=["all"], together=False), zones=zones)
    events = asked_for(v)
    assert [(e.id, e.zones) for e in events] == [
        (f"coach@{NOW}!1/foyer", ("foyer",)),
        (f"coach@{NOW}!1/cafe", ("cafe",)),
    ]
    assert all([left.zone for left in e.left_out] == ["theatre"] for e in events)
    assert all(e.event for e in events)
    assert [e.zones for e in asked_for(v, zones=("cafe",))] == [("cafe",)]


def test_together_a_press_is_one_event():
    """The twin."""
    v = venue(rule("coach", zones=["all"]))
    assert asked_for(v) == (event_for(v, "coach", at_ms=NOW, number=1, facts=facts_of(v)),)


def test_zone_by_zone_no_zone_is_left_out_for_a_quiet_window():
    quiet = [{"zones": ["cafe"], "from": "13:30", "until": "14:10", "min_priority": 90}]
    apart = venue(rule("coach", zones=["foyer", "cafe"], together=False), quiet=quiet)
    assert [e.zones for e in asked_for(apart)] == [("foyer",), ("cafe",)]
    along = venue(rule("coach", zones=["foyer", "cafe"]), quiet=quiet)
    assert [e.zones for e in asked_for(along)] == [("foyer",)]


def test_with_no_zone_in_service_a_press_is_one_event_without_zones():
    v = venue(rule("coach", together=False), zones=[{"id": "foyer", "name": "Foyer", "in_service": False}])
    (event,) = asked_for(v)
    assert event.zones == ()
    assert [left.zone for left in event.left_out] == ["foyer"]


def test_what_it_outranks_is_faded_and_it_starts_when_the_fade_has_ended():
    d = decided(venue(child()), taken())
    assert d.cuts == (Cut(id="promo@1", zones=("foyer",), at_ms=NOW),)
    assert d.play.start_ms == NOW + 150
    assert "'promo' gives way" in d.reason


def test_it_is_cut_in_the_contested_zones_only():
    d = decided(venue(child()), taken(zones=("foyer", "cafe")))
    assert [c.zones for c in d.cuts] == [("foyer",)]


def test_what_does_not_share_a_zone_goes_on_untouched():
    d = decided(venue(child()), taken(zones=("cafe",)))
    assert d.cuts == ()
    assert d.play.start_ms == NOW


@pytest.mark.parametrize("priority", [90, 95])
def test_what_is_as_important_or_more_is_waited_for_without_a_gap(priority):
    d = decided(venue(child()), taken(priority=priority))
    assert d.cuts == ()
    assert d.play.start_ms == at("14:00:15")
    assert d.reason.startswith("starts in 15 s")


def test_it_waits_no_longer_than_its_patience():
    d = decided(venue(child(wait_s=14)), taken(priority=90))
    assert d.play is None
    assert d.cuts == ()
    assert "waits at most 14 s, the zone is free again after 15 s" in d.reason


def test_a_live_voice_is_never_cut_by_a_recording():
    d = decided(venue(child(100)), taken(priority=10, live_voice=True))
    assert d.cuts == ()
    assert d.play.start_ms == at("14:00:15")


@pytest.mark.parametrize(("priority", "cuts"), [(79, True), (80, False), (90, False)])
def test_a_live_voice_is_cut_by_a_more_important_live_voice_alone(priority, cuts):
    d = decided(venue(child(80)), taken(priority=priority, live_voice=True), live_voice=True)
    assert bool(d.cuts) is cuts


def test_while_it_waits_for_one_zone_the_lesser_play_in_another_goes_on_until_the_fade():
    low = taken("promo", zones=("cafe",), end="14:00:40")
    high = taken("feeding", priority=95)
    d = decided(venue(child(zones=["foyer", "cafe"])), low, high)
    assert d.play.start_ms == at("14:00:15")
    assert d.cuts == (Cut(id="promo@1", zones=("cafe",), at_ms=at("14:00:15") - 150),)


def test_what_ends_by_itself_before_the_event_can_start_is_not_cut():
    low = taken("promo", zones=("cafe",), end="14:00:10")
    high = taken("feeding", priority=95)
    d = decided(venue(child(zones=["foyer", "cafe"])), low, high)
    assert d.play.start_ms == at("14:00:15")
    assert d.cuts == ()


def test_what_was_claimed_and_has_not_begun_gives_way_too():
    d = decided(venue(child()), taken(start="14:00:01", end="14:00:11"))
    assert d.play.start_ms == NOW
    assert d.cuts == (Cut(id="promo@1", zones=("foyer",), at_ms=NOW),)


def test_the_rest_of_the_day_is_planned_around_it():
    v = venue(child(length_s=20), rule("promo", priority=20, wait_s=60, at="14:00:10"))
    d = decided(v)
    assert starts(d.plan, "promo") == ["14:00:23"]
    assert starts(plan(v), "promo") == ["14:00:10"]


def test_a_planned_play_that_is_more_important_keeps_its_place():
    v = venue(child(80, length_s=20, wait_s=60), rule("closing", priority=90, at="14:00:10"))
    d = decided(v)
    assert starts(d.plan, "closing") == ["14:00:10"]
    assert d.play.start_ms == at("14:00:20")  # no gap for a person's event


def test_an_event_ignores_the_cap_and_counts_for_it():
    v = venue(
        child(20, wait_s=0),
        rule("promo", priority=20, wait_s=0, at="14:30"),
        limits={"max_per_hour": 1},
    )
    d = decided(v, taken("other", start="13:40", end="13:40:10"))
    assert d.play.start_ms == NOW
    assert starts(d.plan, "promo") == []
    assert starts(plan(v), "promo") == ["14:30:00"]


def test_other_plays_keep_the_gap_to_an_event():
    v = venue(child(20, wait_s=0), rule("promo", priority=20, wait_s=60, at="14:00:11"))
    assert starts(decided(v).plan, "promo") == ["14:00:13"]


def test_quiet_windows_bind_an_event_by_its_priority():
    quiet = [{"zones": ["foyer"], "from": "13:30", "until": "14:10", "min_priority": 80}]
    assert decided(venue(child(90), quiet=quiet)).play.start_ms == NOW
    refused = decided(venue(child(70), quiet=quiet))
    assert refused.play is None
    assert "quiet 13:30-14:10 in Foyer" in refused.reason


def test_zones_of_an_event_may_be_chosen_and_blocked_ones_are_left_out():
    quiet = [{"zones": ["theatre"], "from": "13:30", "until": "14:10", "min_priority": 95}]
    v = venue(child(), quiet=quiet)
    assert decided(v, zones=("cafe",)).play.zones == ("cafe",)
    event = fired(v, zones=("all",))
    assert event.zones == ("foyer", "cafe")
    assert [x.zone for x in event.left_out] == ["theatre"]


def test_a_fired_rule_that_is_open_only_does_not_sound_while_closed():
    v = venue(child(open_only=True), hours=every_day("10:00-13:00"))
    assert decided(v).play is None
    assert decided(v, now=at("12:00")).play is not None


def test_an_unknown_rule_is_named():
    with pytest.raises(NotFound, match="rule is 'nobody'"):
        fired(venue(child()), "nobody")


def test_what_has_begun_is_not_planned_again_and_keeps_its_zones():
    v = venue(rule("promo", priority=20, wait_s=60, at=["14:00", "14:00:05"]))
    begun = Taken(
        id=f"promo@{NOW}",
        rule="promo",
        title="promo",
        start_ms=NOW,
        end_ms=at("14:00:10"),
        zones=("foyer",),
        priority=20,
    )
    p = plan(v, live=Live(now_ms=at("14:00:02"), taken=(begun,)))
    assert starts(p, "promo") == ["14:00:13"]


def test_what_is_done_is_not_planned_again():
    v = venue(rule("promo", priority=20, wait_s=60, at=["14:00", "15:00"]))
    p = plan(v, live=Live(now_ms=at("14:00:02"), done=frozenset({f"promo@{NOW}"})))
    assert starts(p, "promo") == ["15:00:00"]
    assert not p.unplaced


def test_nothing_new_starts_before_now_and_late_ones_may_still_start():
    v = venue(rule("promo", priority=20, wait_s=60, at=["14:00", "14:01"]))
    p = plan(v, live=Live(now_ms=at("14:00:40")))
    assert starts(p, "promo") == ["14:00:40", "14:01:00"]
    p = plan(v, live=Live(now_ms=at("14:01:01")))
    assert starts(p, "promo") == ["14:01:01"]
    assert [u.reason for u in p.unplaced] == ["its latest start, 14:01, has passed"]


def test_what_still_sounds_from_the_day_before_counts():
    v = venue(rule("early", wait_s=60, at="05:00"))
    over = taken(start="04:59:40", end="05:00:20", priority=90)
    p = plan(v, live=Live(now_ms=at("04:59:50"), taken=(over,)))
    assert starts(p, "early") == ["05:00:23"]


def test_a_hold_is_a_quiet_window_made_by_hand():
    v = venue(rule("promo", priority=20, wait_s=0, zones=["theatre"], at="14:10"))
    hold = QuietSpan(
        zone="theatre",
        start_ms=NOW,
        end_ms=at("14:40"),
        min_priority=60,
        music_off=False,
        label="held until 14:40",
    )
    p = plan(v, live=Live(now_ms=NOW, holds=(hold,)))
    assert "held until 14:40" in p.unplaced[0].reason


def test_replanning_a_day_that_went_as_planned_changes_nothing():
    v = venue(
        rule("promo", priority=20, wait_s=600, at=[f"{h}:{m:02d}" for h in range(10, 18) for m in (0, 20, 40)]),
        rule("feeding", priority=60, length_s=25, at=[f"{h}:39:50" for h in range(10, 18)]),
        limits={"max_per_hour": 4, "cap_below": 101},
    )
    whole = plan(v)
    now = at("13:10")
    begun = tuple(
        Taken(
            id=q.id,
            rule=q.rule,
            title=q.title,
            start_ms=q.start_ms,
            end_ms=q.end_ms,
            zones=q.zones,
            priority=q.priority,
        )
        for q in whole.plays
        if q.start_ms < now
    )
    lost = frozenset(u.id for u in whole.unplaced)
    rest = plan(v, live=Live(now_ms=now, taken=begun, done=lost))
    assert [(q.id, q.start_ms) for q in rest.plays] == [
        (q.id, q.start_ms) for q in whole.plays if q.start_ms >= now
    ]
    assert not broken(v, whole)


CALL = {"length_s": 10.0, "pause_s": 0.0, "repeat": 3, "repeat_gap_s": 5.0, "after_cut": "restart", "priority": 60}


def again(v, *, cut_s, **more):
    """What a call of three rounds of 10 s, 5 s apart, becomes when it is cut so long after its start."""
    start = at("14:00")
    given = {
        "cut_id": "call@1", "rule_id": "call", "nominal_ms": start, "start_ms": start, "length_ms": 40_000,
        "cut_ms": start + round(cut_s * 1000), "zones": ("foyer",),
    } | more  # fmt: skip
    return restart_of(v, facts_of(v), **given)


@pytest.mark.parametrize(
    ("cut_s", "rounds"),
    [(0.0, 3), (7.999, 3), (8.0, 2), (14.0, 2), (22.999, 2), (23.0, 1), (37.999, 1), (38.0, None), (39.0, None)],
)
def test_rounds_completed_count_and_one_heard_to_80_percent_is_done(cut_s, rounds):
    found = again(venue(rule("call", **CALL)), cut_s=cut_s)
    assert (None if found is None else found.rounds) == rounds
    if found is not None:
        assert found.duration_ms == rounds * 10_000 + (rounds - 1) * 5_000


def test_it_starts_again_within_60_s_of_the_cut():
    found = again(venue(rule("call", **CALL)), cut_s=3)
    assert found.nominal_ms == at("14:00:03")
    assert found.latest_ms == at("14:01:03")
    assert found.id == "call@1+1"


def test_a_rule_that_says_a_time_is_not_restarted_after_its_latest_start():
    v = venue(rule("call", says_time=True, wait_s=20, **CALL))
    assert again(v, cut_s=19).latest_ms == at("14:00:20")
    assert again(v, cut_s=21) is None


def test_a_rule_that_says_drop_is_dropped():
    assert again(venue(rule("call", **CALL | {"after_cut": "drop"})), cut_s=3) is None


def test_a_play_cut_a_second_time_owes_only_what_it_still_had():
    v = venue(rule("call", **CALL))
    found = again(v, cut_s=9, length_ms=25_000)  # two rounds left, one of them heard
    assert found.rounds == 1


def test_the_log_s_two_records_say_what_starts_again():
    v = venue(rule("call", zones=["foyer", "cafe"], **CALL))
    start = at("14:00")
    claim = {
        "kind": "claim", "id": f"call@{start}", "rule": "call", "nominal_ms": start, "planned_ms": start,
        "planned_end_ms": start + 40_000, "zones": ["foyer", "cafe"],
    }  # fmt: skip
    end = {
        "kind": "end", "id": f"call@{start}", "outcome": "cut", "actual_ms": start + 20, "end_ms": start + 40_000,
        "per_zone": [
            {"zone": "foyer", "outcome": "cut", "end_ms": start + 12_170},
            {"zone": "cafe", "outcome": "sent", "end_ms": start + 40_020},
        ],
    }  # fmt: skip
    found = restart_for(v, claim, end, facts_of(v))
    assert (found.zones, found.rounds, found.nominal_ms) == (("foyer",), 2, start + 12_020)
    assert not found.event
    assert restart_for(v, claim, {**end, "per_zone": []}, facts_of(v)) is None
    assert restart_for(v, claim, {**end, "actual_ms": None}, facts_of(v)) is None
    assert restart_for(v, {**claim, "rule": "gone"}, end, facts_of(v)) is None


def test_a_restart_takes_its_place_among_the_rest():
    v = venue(rule("call", **CALL), rule("promo", priority=20, wait_s=60, at="14:00:20"))
    found = again(v, cut_s=12)
    now = at("14:00:12")
    urgent = taken("lost-child", start="14:00:12", end="14:00:22", priority=90)
    p = plan(v, live=Live(now_ms=now, taken=(urgent,), events=(found,)))
    assert starts(p, "call") == ["14:00:25"]
    assert [q.rounds for q in p.plays if q.rule == "call"] == [2]
    assert starts(p, "promo") == ["14:00:53"]


def test_a_decision_made_twice_is_the_same():
    v = venue(child(zones=["foyer", "cafe"]), rule("promo", priority=20, at=["14:00:05", "14:01"]))
    a, b = (decided(v, taken(zones=("foyer", "cafe"))) for _ in range(2))
    assert dataclasses.asdict(a) == dataclasses.asdict(b)
