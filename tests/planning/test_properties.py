"""What every plan keeps, whatever the venue."""

import dataclasses
import json
import os
import subprocess
import sys

from hypothesis import given, settings
from hypothesis import strategies as st

from oyez.planning.day import plan_day
from oyez.planning.hours import OperatingDay
from oyez.planning.occurrences import nominals
from oyez.planning.output import plan_json
from oyez.planning.types import Play
from oyez.venue.models import VenueFile
from tests.planning.building import FRIDAY, broken, facts_of, plan, rule, venue
from tests.planning.crowded import crowded_day
from tests.planning.random_venues import venues

MANY = settings(max_examples=150, deadline=None)


@MANY
@given(venues())
def test_no_rule_about_who_gets_the_zone_is_ever_broken(v):
    assert broken(v, plan(v)) == []


def test_the_check_itself_sees_every_kind_of_fault():
    """The twin: plays moved by hand into each other, into quiet, over the cap, out of patience."""
    v = venue(
        rule("a", at=["10:00", "10:20"]),
        rule("b", at="10:10", wait_s=5),
        quiet=[{"zones": ["foyer"], "from": "10:30", "until": "10:40", "min_priority": 90}],
        limits={"max_per_hour": 3},
    )
    p = plan(v)
    assert broken(v, p) == []

    def moved(index, by_ms):
        plays = list(p.plays)
        q = plays[index]
        plays[index] = _shifted(q, by_ms)
        return broken(v, _replaced(p, plays))

    assert any("too close" in x for x in moved(0, 600_000 - 11_000))
    assert any("after its latest" in x for x in moved(1, 6_000))
    assert any("sounds in quiet" in x for x in moved(2, 600_000))
    assert any("starts early" in x for x in moved(2, -1))
    crowded = [*p.plays, _shifted(p.plays[1], 120_000)]
    assert any("more than 3 starts" in x for x in broken(v, _replaced(p, crowded)))


def _shifted(q: Play, by_ms: int) -> Play:
    return dataclasses.replace(q, start_ms=q.start_ms + by_ms, end_ms=q.end_ms + by_ms)


def _replaced(p, plays):
    return dataclasses.replace(p, plays=tuple(plays))


@MANY
@given(venues())
def test_every_occurrence_is_accounted_for_exactly_once(v):
    p = plan(v)
    day = OperatingDay(v, FRIDAY)
    in_service = {z.id for z in v.zones if z.in_service}
    wanted = []
    for r in v.rules:
        zones = [z for z in v.resolve(r.zones) if z in in_service]
        one_by_one = not r.together and zones
        for n in nominals(day, r):
            wanted += [f"{r.id}@{n.at_ms}/{z}" for z in zones] if one_by_one else [f"{r.id}@{n.at_ms}"]
    assert sorted(x.id for x in (*p.plays, *p.unplaced)) == sorted(wanted)


@MANY
@given(venues())
def test_higher_levels_are_untouched_by_lower_ones(v):
    whole = plan(v)
    for level in {r.priority for r in v.rules}:
        above = v.model_copy(update={"rules": tuple(r for r in v.rules if r.priority >= level)})
        wanted = [(q.id, q.start_ms, q.zones) for q in whole.plays if q.priority >= level]
        found = [(q.id, q.start_ms, q.zones) for q in plan_day(above, FRIDAY, facts_of(v)).plays]
        assert sorted(found) == sorted(wanted)


@MANY
@given(venues(), st.randoms(use_true_random=False))
def test_the_place_of_unrelated_rules_in_the_file_changes_nothing(v, random):
    """Rules of zones that no other rule touches may stand anywhere."""
    island = rule("island", zones=["island"], at=["10:00", "10:00:05", "10:00:10"], wait_s=60)
    tree = v.model_dump(mode="json", by_alias=True, exclude_none=True)
    tree["zones"].append({"id": "island", "name": "Island"})
    for r in tree["rules"]:
        r["zones"] = list(v.resolve(tuple(r["zones"])))
    length = island.pop("_length_s")
    tree["clips"].append({"id": "island-clip", "file": "i.wav", "title": "I", "duration_ms": int(length * 1000)})
    plans = []
    for place in (0, random.randint(0, len(tree["rules"]))):
        rules = list(tree["rules"])
        rules.insert(place, island)
        p = plan(VenueFile.model_validate(tree | {"rules": rules}))
        plans.append(
            sorted((q.id, q.start_ms, q.reason) for q in p.plays) + sorted((u.id, u.reason) for u in p.unplaced)
        )
    assert plans[0] == plans[1]


@MANY
@given(venues())
def test_what_is_not_on_time_says_why(v):
    p = plan(v)
    for q in p.plays:
        assert (q.reason == "on time") is (q.start_ms == q.nominal_ms)
    for u in p.unplaced:
        assert len(u.reason) > 10


def test_the_plan_does_not_depend_on_the_hash_seed(tmp_path):
    code = (
        "import sys, json, datetime as dt\n"
        "from oyez.settings import use_packaged_zone_rules\n"
        "use_packaged_zone_rules()\n"
        "from oyez.venue.models import VenueFile\n"
        "from tests.planning.building import plan\n"
        "from oyez.planning.output import plan_json\n"
        "print(plan_json(plan(VenueFile.model_validate(json.load(open(sys.argv[1]))))))\n"
    )
    v = crowded_day(7)
    path = tmp_path / "venue.json"
    path.write_text(json.dumps(v.model_dump(mode="json", by_alias=True, exclude_none=True)))
    outs = set()
    for seed in ("0", "1", "31337"):
        env = {**os.environ, "PYTHONHASHSEED": seed}
        ran = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, check=True, env=env)
        outs.add(ran.stdout)
    assert len(outs) == 1
    assert outs.pop().decode().strip() == plan_json(plan(v)).strip()
