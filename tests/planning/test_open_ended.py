"""A play of unknown length holds its zones until it ends; what waits is placed then, and nothing else moves."""

import dataclasses

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oyez.planning import search
from oyez.planning.live import decide, event_for
from oyez.planning.types import Cut, Live, QuietSpan, Taken
from tests.planning.building import FRIDAY, at, broken, facts_of, lost, plan, rule, starts, venue
from tests.planning.random_venues import ZONES, venues

NOW = at("14:00")


def page(*zones, start="14:00", end=None, priority=80, **more) -> Taken:
    """A live page; with `end` its length is known."""
    return Taken(
        id="page@1", rule="", title="Live page", start_ms=at(start), end_ms=at(end or start),
        zones=zones or ("foyer",), priority=priority, live_voice=True, open_ended=end is None, **more,
    )  # fmt: skip


def planned(v, *taken, now="14:00", **more):
    return plan(v, live=Live(now_ms=at(now), taken=taken, **more))


def test_what_could_still_make_it_waits_and_says_for_what_where_and_how_long():
    p = planned(venue(rule("feeding", at="14:02", wait_s=180)), page())
    assert p.plays == ()
    (one,) = p.unplaced
    assert one.reason == "waits for 'Live page' in Foyer, which has no end yet; it may start until 14:05"
    assert one.waits_until_ms == at("14:05")
    assert [(o.what, o.zone, o.start_ms) for o in one.obstacles] == [("Live page", "foyer", NOW)]


def test_with_an_end_that_is_known_nothing_waits():
    """The twin: the same page, its end known."""
    p = planned(venue(rule("feeding", at="14:02", wait_s=180)), page(end="14:03"))
    assert starts(p, "feeding") == ["14:03:03"]
    assert p.unplaced == ()


def test_the_next_plan_after_its_end_places_what_waited():
    v = venue(rule("feeding", at="14:02", wait_s=180))
    assert starts(planned(v, page(), now="14:03:20"), "feeding") == []
    assert starts(planned(v, page(end="14:03:20"), now="14:03:20"), "feeding") == ["14:03:23"]


@pytest.mark.parametrize(("now", "waits"), [("14:05", True), ("14:05:01", False)])
def test_once_its_latest_start_has_passed_it_waits_no_longer(now, waits):
    (one,) = planned(venue(rule("feeding", at="14:02", wait_s=180)), page(), now=now).unplaced
    assert (one.waits_until_ms is not None) is waits
    if not waits:
        assert one.reason == "'Live page' in Foyer had no end yet at 14:05, when it could have started last"


def test_it_stays_without_a_place_when_the_page_ends_too_late():
    v = venue(rule("feeding", at="14:02", wait_s=180))
    (one,) = planned(v, page(end="14:06"), now="14:06").unplaced
    assert one.waits_until_ms is None


def test_even_a_more_important_announcement_waits_for_it():
    p = planned(venue(rule("closing", at="14:02", priority=95, wait_s=60)), page(priority=20))
    assert p.plays == ()
    assert lost(p, "closing")[0].waits_until_ms == at("14:03")


def test_several_zones_and_several_pages_are_named():
    v = venue(rule("closing", at="14:02", zones=["all"], wait_s=60))
    other = dataclasses.replace(page("cafe"), id="page@2", title="Second page")
    (one,) = planned(v, page("foyer", "theatre"), other).unplaced
    assert one.reason.startswith(
        "waits for 'Live page' in Foyer and 1 more and 'Second page' in Cafe, which have no end yet"
    )


def test_a_quiet_window_shortens_how_long_it_may_wait():
    quiet = [{"zones": ["foyer"], "from": "14:04", "until": "15:00", "min_priority": 90}]
    (one,) = planned(venue(rule("feeding", at="14:02", wait_s=600), quiet=quiet), page()).unplaced
    assert one.waits_until_ms == at("14:03:50")


def test_what_could_not_start_anyway_is_not_said_to_wait():
    quiet = [{"zones": ["foyer"], "from": "14:01", "until": "15:00", "min_priority": 90}]
    (one,) = planned(venue(rule("feeding", at="14:02", wait_s=180), quiet=quiet), page()).unplaced
    assert one.waits_until_ms is None
    assert one.reason.startswith("quiet 14:01-15:00 in Foyer")


def test_what_is_skipped_by_hand_does_not_wait():
    v = venue(rule("feeding", at="14:02", wait_s=180))
    (one,) = planned(v, page(), skips=frozenset({f"feeding@{at('14:02')}"})).unplaced
    assert one.waits_until_ms is None


def test_what_is_over_before_a_claimed_page_begins_keeps_its_place():
    v = venue(rule("early", at="14:00:05", wait_s=0), rule("close", at="14:00:20", wait_s=60))
    p = planned(v, page(start="14:00:30"))
    assert starts(p, "early") == ["14:00:05"]
    assert lost(p, "close")[0].waits_until_ms == at("14:01:20")  # 10 s and the gap do not fit any more


def test_a_lesser_announcement_elsewhere_does_not_take_the_place_of_what_waits():
    v = venue(
        rule("closing", at="14:02", zones=["foyer", "cafe"], priority=60, wait_s=60),
        rule("promo", at="14:02", zones=["cafe"], priority=20, wait_s=600),
    )
    for now, then in (("14:00", "14:02:13"), ("14:02:10", "14:02:13"), ("14:03:30", "14:03:30")):
        p = planned(v, page(), now=now)
        assert starts(p, "promo") == [then]
        if now == "14:00":
            why = "until 14:02:10 its place in Cafe is kept for 'closing', which waits"
            assert p.plays[0].reason == f"13 s late: {why}"
            assert [o.kind for o in p.plays[0].obstacles] == ["kept"]
    assert starts(planned(venue(rule("promo", at="14:02", zones=["cafe"], priority=20)), page()), "promo") == [
        "14:02:00"
    ]


def test_when_the_page_is_over_what_waited_is_not_held_up_by_the_lesser_one():
    v = venue(
        rule("closing", at="14:02", zones=["foyer", "cafe"], priority=60, wait_s=60),
        rule("promo", at="14:02", zones=["cafe"], priority=20, wait_s=600),
    )
    p = planned(v, page(end="14:02:01"), now="14:02:01")
    assert starts(p, "closing") == ["14:02:04"]


# -- events -----------------------------------------------------------------------------------------------------


def decided(v, *taken, live_voice=False, now=NOW):
    event = event_for(v, "child", at_ms=now, number=1, facts=facts_of(v), live_voice=live_voice)
    return decide(v, FRIDAY, facts_of(v), Live(now_ms=now, taken=taken), event)


def test_a_fired_recording_waits_for_a_live_page_without_an_end():
    d = decided(venue(rule("child", priority=90, wait_s=60)), page(start="13:58"))
    assert d.play is None
    assert d.cuts == ()
    assert d.reason == "waits for 'Live page' in Foyer, which has no end yet; it may start until 14:01"
    assert [u.waits_until_ms for u in d.plan.unplaced] == [at("14:01")]


def test_a_more_important_live_voice_cuts_it_in_the_contested_zones_and_it_goes_on_elsewhere():
    v = venue(rule("child", priority=90), rule("coach", at="14:10", zones=["cafe"]), rule("seals", at="14:10"))
    d = decided(v, page("foyer", "cafe", start="13:58"), live_voice=True)
    assert d.cuts == (Cut(id="page@1", zones=("foyer",), at_ms=NOW),)
    assert d.play.start_ms == NOW + 150
    assert lost(d.plan, "coach")[0].waits_until_ms is not None  # the page still holds the cafe
    assert starts(d.plan, "seals") == ["14:10:00"]


def test_one_of_the_same_importance_waits_like_any_other():
    d = decided(venue(rule("child", priority=80, wait_s=30)), page(start="13:58"), live_voice=True)
    assert d.play is None
    assert d.cuts == ()


def test_an_event_elsewhere_starts_at_once():
    assert decided(venue(rule("child", zones=["cafe"], wait_s=0)), page(start="13:58")).play.start_ms == NOW


# -- whatever the venue -----------------------------------------------------------------------------------------

MANY = settings(max_examples=100, deadline=None)
held_zones = st.lists(st.sampled_from(ZONES), min_size=1, max_size=3, unique=True)
instants = st.integers(at("09:59"), at("11:40"))


def places(p, held, *, outside):
    return {q.id: (q.start_ms, q.zones) for q in p.plays if outside is not bool(held.intersection(q.zones))}


@MANY
@given(venues(), held_zones, instants)
def test_plays_of_zones_the_page_does_not_hold_keep_their_times(v, zones, now_ms):
    talk = Taken(
        id="page@1", rule="", title="Live page", start_ms=now_ms, end_ms=now_ms, zones=tuple(zones),
        priority=80, live_voice=True, open_ended=True,
    )  # fmt: skip
    held = set(zones)
    before = plan(v, live=Live(now_ms=now_ms))
    during = plan(v, live=Live(now_ms=now_ms, taken=(talk,)))
    assert places(during, held, outside=True) == places(before, held, outside=True)
    assert places(during, held, outside=False) == {}
    assert broken(v, during) == []
    assert {x.id for x in (*during.plays, *during.unplaced)} == {x.id for x in (*before.plays, *before.unplaced)}
    for one in during.unplaced:
        if one.waits_until_ms is not None:
            assert now_ms <= one.waits_until_ms
            assert held.intersection(one.zones)
    # What had a place in the held zones waits: it could still start when the page ends at once.
    gone = {q.id for q in before.plays if held.intersection(q.zones)}
    assert gone <= {one.id for one in during.unplaced if one.waits_until_ms is not None}


@MANY
@given(venues(least=6, most=12), held_zones, st.integers(600, 690), st.sampled_from([30_000, 90_000, 300_000]))
def test_while_it_lasts_the_other_zones_go_on_as_if_it_were_not_there(v, zones, minute, lasts_ms):
    """The day goes by in steps; what begins is taken. Elsewhere it begins when the plan before the page said."""
    begin_ms = at("10:00") + (minute - 600) * 60_000
    talk = Taken(
        id="page@1", rule="", title="Live page", start_ms=begin_ms, end_ms=begin_ms, zones=tuple(zones),
        priority=80, live_voice=True, open_ended=True,
    )  # fmt: skip
    held, steps = set(zones), 6
    before = plan(v, live=Live(now_ms=begin_ms))
    wanted = places(before, held, outside=True)
    begun: dict[str, Taken] = {}
    for now_ms in range(begin_ms, begin_ms + lasts_ms, lasts_ms // steps):
        during = plan(v, live=Live(now_ms=now_ms, taken=(talk, *begun.values())))
        found = {**{i: (t.start_ms, t.zones) for i, t in begun.items()}, **places(during, held, outside=True)}
        assert found == wanted
        for q in during.plays:
            if q.start_ms < now_ms + lasts_ms // steps:
                begun[q.id] = Taken(
                    id=q.id, rule=q.rule, title=q.title, start_ms=q.start_ms, end_ms=q.end_ms,
                    zones=q.zones, priority=q.priority,
                )  # fmt: skip


@MANY
@given(venues(), held_zones, instants, st.integers(1, 900_000))
def test_after_its_end_the_plan_is_that_of_a_page_of_its_true_span(v, zones, begin_ms, lasts_ms):
    """Nothing of the wait is left: planning during the page leaves no trace in what is planned after it."""
    end_ms = begin_ms + lasts_ms
    talk = Taken(
        id="page@1", rule="", title="Live page", start_ms=begin_ms, end_ms=begin_ms, zones=tuple(zones),
        priority=80, live_voice=True, open_ended=True,
    )  # fmt: skip
    ended = dataclasses.replace(talk, end_ms=end_ms, open_ended=False)
    search._KNOWN.clear()
    alone = plan(v, live=Live(now_ms=end_ms, taken=(ended,)))
    search._KNOWN.clear()
    during = plan(v, live=Live(now_ms=end_ms, taken=(talk,)))
    after = plan(v, live=Live(now_ms=end_ms, taken=(ended,)))
    assert after == alone
    # What is placed in the held zones now had been waiting for it, and nothing that was given up comes back.
    held = set(zones)
    waited = {one.id for one in during.unplaced if one.waits_until_ms is not None}
    assert {q.id for q in after.plays if held.intersection(q.zones)} <= waited


def test_a_page_without_an_end_is_not_a_page_that_ended():
    """The twin of the properties: read as ended at its earliest end, plays do stand in the held zone."""
    v = venue(rule("feeding", at="14:02", wait_s=180))
    ended = dataclasses.replace(page(), open_ended=False)
    assert starts(planned(v, ended), "feeding") == ["14:02:00"]
    assert starts(planned(v, page()), "feeding") == []


def test_a_hold_by_hand_counts_for_what_waits():
    quiet = QuietSpan(
        zone="foyer", start_ms=at("14:03"), end_ms=at("15:00"), min_priority=90, music_off=False,
        label="held quiet by Ana", who="Ana",
    )  # fmt: skip
    (one,) = planned(venue(rule("feeding", at="14:02", wait_s=600)), page(), holds=(quiet,)).unplaced
    assert one.waits_until_ms == at("14:02:50")
