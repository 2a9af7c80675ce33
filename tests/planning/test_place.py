"""Who gets the zone: each sentence of the documentation as a small day."""

import pytest

from tests.planning.building import at, broken, every_day, lost, plan, rule, starts, venue

QUIET = {"zones": ["theatre"], "from": "13:30", "until": "14:00", "min_priority": 80}


def test_a_free_zone_is_taken_on_time():
    p = plan(venue(rule("welcome", at="10:00")))
    assert starts(p, "welcome") == ["10:00:00"]
    assert p.plays[0].reason == "on time"


def test_the_higher_priority_is_served_first_whatever_the_order_in_the_file():
    for order in ((0, 1), (1, 0)):
        rules = [rule("promo", priority=20, at="10:00"), rule("feeding", priority=60, at="10:00")]
        p = plan(venue(*[rules[i] for i in order]))
        assert starts(p, "feeding") == ["10:00:00"]
        assert starts(p, "promo") == ["10:00:13"]  # 10 s and a gap of 3 s


def test_a_higher_priority_later_keeps_its_place_and_the_lower_one_waits_behind_it():
    v = venue(rule("promo", priority=20, length_s=30, at="09:59:50"), rule("feeding", priority=60, at="10:00"))
    p = plan(v)
    assert starts(p, "feeding") == ["10:00:00"]
    assert starts(p, "promo") == ["10:00:13"]
    assert "'feeding' starts in Foyer at 10:00" in p.plays[1].reason
    assert p.plays[1].reason.startswith("23 s late: ")


def test_the_gap_lies_between_plays_whatever_their_priorities():
    v = venue(rule("a", priority=60, at="10:00"), rule("b", priority=20, at="10:00:10"))
    p = plan(v)
    assert starts(p, "b") == ["10:00:13"]
    assert "3 s must lie between" in p.plays[1].reason
    assert starts(plan(venue(rule("a", priority=60, at="10:00"), rule("b", at="10:00:13"))), "b") == ["10:00:13"]


def test_without_a_gap_one_play_may_start_when_the_other_ends():
    v = venue(rule("a", priority=60, at="10:00"), rule("b", priority=20, at="10:00:10"), gap_s=0.0)
    assert starts(plan(v), "b") == ["10:00:10"]


def test_zones_together_sound_at_the_same_instant():
    v = venue(
        rule("show", priority=60, zones=["theatre"], length_s=20, at="10:00"),
        rule("news", priority=40, zones=["foyer", "theatre"], at="10:00"),
    )
    p = plan(v)
    assert starts(p, "news") == ["10:00:23"]
    assert p.plays[1].zones == ("foyer", "theatre")


def test_zone_by_zone_each_takes_it_when_it_can():
    v = venue(
        rule("show", priority=60, zones=["theatre"], length_s=20, at="10:00"),
        rule("news", priority=40, zones=["foyer", "theatre"], together=False, at="10:00"),
    )
    p = plan(v)
    assert [(q.zones, q.start_ms) for q in p.plays if q.rule == "news"] == [
        (("foyer",), at("10:00")),
        (("theatre",), at("10:00:23")),
    ]


def test_a_play_waits_no_longer_than_its_patience():
    busy = rule("show", priority=60, length_s=60, at="10:00")
    assert starts(plan(venue(busy, rule("news", wait_s=63, at="10:00"))), "news") == ["10:01:03"]
    p = plan(venue(busy, rule("news", wait_s=62.999, at="10:00")))
    assert starts(p, "news") == []
    assert (
        "waits at most 62.999 s, the zone is free again after 63 s: give it `wait_s = 70`" in p.unplaced[0].reason
    )


def test_the_reason_speaks_as_the_documentation_s_example():
    v = venue(rule("show", priority=60, length_s=71, at="10:00"), rule("news", wait_s=60, at="10:00"))
    reason = plan(v).unplaced[0].reason
    assert reason.endswith("waits at most 60 s, the zone is free again after 74 s: give it `wait_s = 80`")
    v = venue(rule("show", priority=60, length_s=71, at="10:00"), rule("news", wait_s=80, at="10:00"))
    assert starts(plan(v), "news") == ["10:01:14"]


def test_a_rule_that_says_a_time_waits_at_most_60_s_and_is_not_told_to_wait_longer():
    v = venue(
        rule("show", priority=60, length_s=90, at="10:00"), rule("soon", wait_s=600, says_time=True, at="10:00")
    )
    p = plan(v)
    assert starts(p, "soon") == []
    assert "waits at most 60 s" in p.unplaced[0].reason
    assert "wait_s =" not in p.unplaced[0].reason
    assert "it would fit 13 s earlier" in p.unplaced[0].reason


def test_a_play_starts_before_the_end_of_the_operating_day():
    v = venue(rule("a", priority=60, length_s=30, at="04:59:50"), rule("b", wait_s=600, at="04:59:50"))
    p = plan(v)
    assert starts(p, "a") == ["04:59:50"]
    assert len(lost(p, "b")) == 1


@pytest.mark.parametrize(
    ("start", "wanted"),
    [
        ("13:29:50", "13:29:50"),  # touching the edge is allowed
        ("13:29:51", "14:00:00"),  # not even a tail
        ("13:59:59", "14:00:00"),
        ("14:00", "14:00:00"),
    ],
)
def test_nothing_under_its_priority_sounds_in_a_quiet_window(start, wanted):
    v = venue(rule("news", zones=["theatre"], wait_s=3600, at=start), quiet=[QUIET])
    assert starts(plan(v), "news") == [wanted]


@pytest.mark.parametrize(("priority", "on_time"), [(79, False), (80, True), (81, True)])
def test_the_window_lets_its_own_priority_sound(priority, on_time):
    v = venue(rule("call", zones=["theatre"], priority=priority, wait_s=0, at="13:45"), quiet=[QUIET])
    assert bool(plan(v).plays) is on_time


def test_blocked_zones_are_left_out_first_and_the_others_go_on():
    p = plan(venue(rule("news", zones=["all"], at="13:45"), quiet=[QUIET]))
    assert p.plays[0].zones == ("foyer", "cafe")
    assert [(x.zone, x.reason) for x in p.plays[0].left_out] == [("theatre", "quiet 13:30-14:00")]
    assert p.plays[0].reason == "on time"


def test_a_zone_left_out_at_the_nominal_time_does_not_come_back_when_the_play_moves():
    v = venue(
        rule("show", priority=90, zones=["foyer"], length_s=60, at="13:59:30"),
        rule("news", zones=["all"], at="13:59:30"),
        quiet=[QUIET],
    )
    news = next(q for q in plan(v).plays if q.rule == "news")
    assert news.start_ms == at("14:00:33")
    assert news.zones == ("foyer", "cafe")


def test_the_zones_that_remain_are_bound_by_every_quiet_window():
    v = venue(
        rule("show", priority=90, zones=["cafe"], length_s=60, at="13:59:30"),
        rule("news", zones=["foyer", "theatre", "cafe"], wait_s=3600, at="13:59:30"),
        quiet=[QUIET, {"zones": ["foyer"], "from": "14:00", "until": "14:20", "min_priority": 80}],
    )
    news = next(q for q in plan(v).plays if q.rule == "news")
    assert news.zones == ("foyer", "cafe")
    assert news.start_ms == at("14:20")
    assert not broken(v, plan(v))


def test_a_play_whose_zones_are_all_blocked_keeps_them_all_and_waits():
    quiet = [QUIET | {"zones": ["theatre", "foyer"]}]
    p = plan(venue(rule("news", zones=["foyer", "theatre"], wait_s=3600, at="13:45"), quiet=quiet))
    assert p.plays[0].zones == ("foyer", "theatre")
    assert p.plays[0].start_ms == at("14:00")
    assert not p.plays[0].left_out


def test_with_wait_all_zones_wait_for_each_other():
    p = plan(venue(rule("news", zones=["all"], blocked_zones="wait", wait_s=3600, at="13:45"), quiet=[QUIET]))
    assert p.plays[0].zones == ("foyer", "theatre", "cafe")
    assert p.plays[0].start_ms == at("14:00")


def test_zone_by_zone_nothing_is_left_out():
    p = plan(venue(rule("news", zones=["all"], together=False, wait_s=3600, at="13:45"), quiet=[QUIET]))
    assert [(q.zones[0], q.start_ms) for q in p.plays] == [
        ("foyer", at("13:45")),
        ("cafe", at("13:45")),
        ("theatre", at("14:00")),
    ]


def minutes(n, first=0, step=1):
    return [f"10:{first + i * step:02d}" for i in range(n)]


def test_at_most_so_many_starts_lie_in_any_hour():
    v = venue(rule("promo", priority=20, wait_s=3600, at=minutes(4)), limits={"max_per_hour": 3})
    assert starts(plan(v), "promo") == ["10:00:00", "10:01:00", "10:02:00", "11:00:00"]


def test_an_hour_is_half_open_so_exactly_60_minutes_later_is_allowed():
    v = venue(rule("promo", priority=20, at=["10:00", "11:00"]), limits={"max_per_hour": 1})
    assert starts(plan(v), "promo") == ["10:00:00", "11:00:00"]
    v = venue(rule("promo", priority=20, wait_s=0, at=["10:00", "10:59:59"]), limits={"max_per_hour": 1})
    p = plan(v)
    assert starts(p, "promo") == ["10:00:00"]
    assert "Foyer has its 1 announcements an hour until 11:00" in p.unplaced[0].reason


def test_the_cap_binds_only_what_is_under_it():
    v = venue(
        rule("feeding", priority=60, at=minutes(5)),
        rule("promo", priority=20, wait_s=0, at="10:30"),
        limits={"max_per_hour": 1, "cap_below": 50},
    )
    assert len(plan(v).plays) == 6
    v = venue(
        rule("feeding", priority=60, at="10:00"),
        rule("promo", priority=20, wait_s=0, at="10:30"),
        limits={"max_per_hour": 1},
    )
    assert starts(plan(v), "promo") == []  # the default caps everything, and the higher one counts


def test_the_cap_is_of_each_zone_alone():
    v = venue(
        rule("promo", priority=20, at=["10:00"]),
        rule("other", priority=20, zones=["cafe"], at="10:30"),
        limits={"max_per_hour": 1},
    )
    assert len(plan(v).plays) == 2


def test_unplaced_ones_are_sorted_by_time_and_plays_by_start_then_place_in_the_file():
    v = venue(
        rule("b", zones=["cafe"], at="10:00"),
        rule("a", zones=["foyer"], at="10:00"),
        rule("early", zones=["theatre"], at="09:00"),
    )
    assert [q.rule for q in plan(v).plays] == ["early", "b", "a"]


def test_open_only_waits_only_while_it_stays_inside_its_period():
    v = venue(
        rule("show", priority=60, length_s=30, at="17:59"),
        rule("tour", length_s=20, open_only=True, at="17:59"),
        hours=every_day("10:00-18:00"),
    )
    assert starts(plan(v), "tour") == ["17:59:33"]
    v = venue(
        rule("show", priority=60, length_s=40, at="17:59"),
        rule("tour", length_s=20, open_only=True, at="17:59"),
        hours=every_day("10:00-18:00"),
    )
    p = plan(v)
    assert starts(p, "tour") == []
    assert "'show' sounds in Foyer until 17:59:40" in p.unplaced[0].reason
    assert "earlier" in p.unplaced[0].reason
