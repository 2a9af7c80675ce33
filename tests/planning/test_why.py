"""Why an announcement is where it is: every suggestion holds when it is followed."""

import pytest
from hypothesis import given, settings

from oyez.errors import InputError
from oyez.planning.day import plan_day
from oyez.planning.types import Unplaced
from oyez.planning.why import explain, find_occurrences, why_tree
from tests.planning.building import FRIDAY, at, facts_of, plan, rule, venue
from tests.planning.random_venues import venues

SHOW = rule("show", priority=60, length_s=71, at="10:00")


def why(v, asked):
    p = plan(v)
    (entry,) = find_occurrences(v, p, asked)
    return explain(v, FRIDAY, facts_of(v), p, entry)


def test_what_found_no_place_is_told_every_way_in():
    found = why(venue(SHOW, rule("news", wait_s=60, at="10:00")), "news@10:00")
    assert found.start_ms is None
    assert [(s.change, s.value) for s in found.suggestions] == [
        ("wait", 74),
        ("later", 74.0),
        ("earlier", 13.0),
        ("priority", 61),
    ]
    assert found.suggestions[0].words == "give it `wait_s = 74`"
    assert found.suggestions[3].costs == ("'show' of 10:00 then starts 13 s later",)
    assert found.suggestions[1].costs == ()


def test_who_would_lose_its_place_is_named():
    v = venue(SHOW | {"wait_s": 0}, rule("news", wait_s=60, at="10:00"))
    found = why(v, "news@10:00")
    assert found.suggestions[-1].costs == ("'show' of 10:00 then finds no place",)


def test_what_is_on_time_needs_nothing():
    found = why(venue(SHOW), "show@10:00:00")
    assert (found.reason, found.suggestions) == ("on time", ())


def test_a_late_one_is_told_how_it_would_be_on_time():
    found = why(venue(SHOW, rule("news", wait_s=300, at="10:00")), "news@10:00")
    assert found.start_ms == at("10:01:14")
    assert [s.change for s in found.suggestions] == ["later", "earlier", "priority"]
    assert found.suggestions[0].start_ms == at("10:01:14")


def test_a_priority_does_not_help_against_a_quiet_window_or_a_cap_and_is_not_suggested():
    quiet = [{"zones": ["foyer"], "from": "09:59", "until": "10:05", "min_priority": 101}]
    found = why(venue(rule("news", wait_s=60, at="10:00"), quiet=quiet), "news@10:00")
    assert {s.change for s in found.suggestions} == {"wait", "later", "earlier"}
    assert [o.kind for o in found.obstacles] == ["quiet"]


def test_a_rule_that_says_a_time_is_never_told_to_wait_longer_than_it_may():
    found = why(venue(SHOW, rule("soon", says_time=True, at="10:00")), "soon@10:00")
    assert "wait" not in {s.change for s in found.suggestions}


@settings(max_examples=60, deadline=None)
@given(venues())
def test_every_suggestion_holds_when_it_is_followed(v):
    p = plan(v)
    for entry in (*p.unplaced[:2], *[q for q in p.plays if q.start_ms > q.nominal_ms][:1]):
        for s in explain(v, FRIDAY, facts_of(v), p, entry).suggestions:
            if s.change not in {"wait", "priority"}:
                assert abs(s.start_ms - entry.nominal_ms) == round(s.value * 1000)
                continue
            r = v.rule(entry.rule)
            new = {"wait_s": float(s.value)} if s.change == "wait" else {"priority": int(s.value)}
            if s.change == "priority":
                new["wait_s"] = r.patience_ms / 1000
            changed = v.model_copy(
                update={"rules": tuple(x.model_copy(update=new) if x.id == r.id else x for x in v.rules)}
            )
            again = {q.id: q.start_ms for q in plan_day(changed, FRIDAY, facts_of(v)).plays}
            assert again[entry.id] == s.start_ms


def test_one_zone_of_those_taken_one_by_one_can_be_asked_for():
    v = venue(SHOW, rule("news", wait_s=60, zones=["foyer", "cafe"], together=False, at="10:00"))
    p = plan(v)
    assert len(find_occurrences(v, p, "news@10:00")) == 2
    (entry,) = find_occurrences(v, p, "news@10:00/foyer")
    assert isinstance(entry, Unplaced)
    assert find_occurrences(v, p, f"news@{at('10:00')}/foyer") == (entry,)


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ("news", "allowed are a rule and its time"),
        ("nobody@10:00", "allowed are a rule and its time"),
        ("news@25:00", "allowed are clock times"),
        ("news@11:00", "the times of rule 'news' on 2026-11-27 are: 10:00"),
    ],
)
def test_what_is_not_there_is_said_in_one_line(asked, says):
    v = venue(rule("news", at="10:00"))
    with pytest.raises(InputError) as refused:
        find_occurrences(v, plan(v), asked)
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)


def test_the_tree_has_reasons_obstacles_and_suggestions_as_data():
    tree = why_tree([why(venue(SHOW, rule("news", wait_s=60, at="10:00")), "news@10:00")])[0]
    assert set(tree) == {
        "rule", "nominal_ms", "start_ms", "zones", "priority", "reason", "obstacles", "suggestions",
    }  # fmt: skip
    assert tree["obstacles"][0]["kind"] == "play"
    assert tree["obstacles"][0]["priority"] == 60
