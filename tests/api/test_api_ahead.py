"""A rule as it is typed: its next times, its faults in words, what saving it would do."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import TypeAdapter

from oyez.api import schemas_ahead
from oyez.api.schemas import Shown
from tests.api.asking import Asking
from tests.api.fake_director import FakeDirector, at

# The fake director's clock stands at Friday 27 November 2026, 14:24:20; the venue is the demo's.


def rule(**more: Any) -> dict[str, Any]:
    tree = {"id": "tide", "title": "High tide", "clips": ["rain"], "zones": ["tide-pools"], "priority": 40}
    return {**tree, "open_only": True, **more}


def preview(client: Asking, tree: dict[str, Any], **more: Any) -> dict[str, Any]:
    answer = client.post("/api/rules/preview", json={"rule": tree, **more})
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_the_next_times_of_a_rule_are_those_of_both_closings(client: Asking) -> None:
    found = client.get("/api/rules/closing-15/next?count=3").json()
    assert found["rule"] == "closing-15"
    assert [t["at_ms"] for t in found["times"][:2]] == [at("17:45"), at("01:15")]
    assert [t["words"] for t in found["times"]] == [
        "Fri 27 Nov, 17:45",
        "Fri 27 Nov night, 01:15",
        "Sat 28 Nov, 18:15",
    ]
    assert found["times"][1]["local_at"] == "2026-11-28T01:15:00.000+00:00"
    assert found["times"][1]["date"] == "2026-11-27"


def test_a_manual_rule_has_none_and_an_unknown_one_is_not_found(client: Asking) -> None:
    assert client.get("/api/rules/lost-child/next").json()["times"] == []
    assert client.get("/api/rules/nobody/next").status_code == 404
    assert client.get("/api/rules/rays/next?count=0").status_code == 422


def test_a_new_rule_shows_its_next_ten_times_and_that_nothing_stands_against_it(client: Asking) -> None:
    found = preview(client, rule(fixed={"times": ["15:30"]}))
    assert len(found["next"]) == 10
    assert found["sentence"] == "Next on Fri 27 Nov, 15:30. No conflict in the next 7 days."
    assert (found["faults"], found["lost"], found["late"], found["others"]) == ([], [], [], [])


def test_a_rule_in_the_way_of_another_shows_who_moves(client: Asking) -> None:
    found = preview(client, rule(fixed={"times": ["17:45"]}, priority=90), days=1)
    assert [(d["rule"], d["kind"]) for d in found["others"]] == [("closing-15", "moved")]
    assert found["others"][0]["before_ms"] == at("17:45")
    assert found["others"][0]["after_ms"] > at("17:45")
    assert found["sentence"].endswith("1 of others would start at another time today.")


def test_a_rule_that_finds_no_place_is_told_with_the_reason_and_the_priority_that_would_do(client: Asking) -> None:
    tree = rule(zones=["theatre"], fixed={"times": ["14:10"]}, wait_s=10)
    found = preview(client, tree, days=2)
    assert [(u["rule"], u["nominal_ms"]) for u in found["lost"]] == [("tide", at("14:10")), ("tide", _next_day())]
    assert "quiet 14:00-14:35" in found["lost"][0]["reason"]
    assert [f["code"] for f in found["faults"]] == ["only-one-lost"]
    assert "priority = 80 (desk) would let it in" in found["faults"][0]["message"]


def _next_day() -> int:
    return at("14:10") + 24 * 3600 * 1000


def test_a_rule_with_the_id_of_one_that_is_there_stands_in_its_place(client: Asking) -> None:
    changed = rule(id="rays", fixed={"times": ["12:15"]}, zones=["galleries"], priority=60)
    found = preview(client, changed, days=1)
    assert [n["words"] for n in found["next"]][:1] == ["Sat 28 Nov, 12:15"]
    assert all(d["rule"] != "rays" for d in found["others"])


@pytest.mark.parametrize(
    ("wrong", "entry", "message", "times"),
    [
        ({"priority": 101}, "rule 'tide'", "priority is 101, allowed are 0 to 100", 10),
        (
            {"zones": ["tide-pool"]},
            "rule 'tide'",
            "zones: unknown zone 'tide-pool', the nearest is 'tide-pools'",
            10,
        ),
        ({"fixed": {"times": ["25:00"]}}, "rule 'tide'", "fixed.times value 1 is '25:00', allowed are", 0),
        ({"fixed": {"rrule": "FREQ=OFTEN"}}, "rule 'tide'", "fixed.rrule has", 0),
        ({"colour": "red"}, "rule 'tide'", "unknown key 'colour'", 10),
    ],
)
def test_faults_come_in_words_beside_the_times_that_can_be_told(
    client: Asking, wrong: dict[str, Any], entry: str, message: str, times: int
) -> None:
    found = preview(client, rule(**{"fixed": {"times": ["15:30"]}, **wrong}))
    first = found["faults"][0]
    assert (first["entry"], first["level"]) == (entry, "fault")
    assert first["message"].startswith(message)
    assert len(found["next"]) == times
    assert found["sentence"].startswith("It cannot be saved: ")
    assert found["lost"] == found["others"] == []


def test_a_rule_that_never_fires_or_says_the_wrong_minutes_is_warned_of(client: Asking) -> None:
    never = preview(client, rule(fixed={"times": ["15:30"], "until_date": "2020-01-01"}))
    assert never["sentence"].startswith("It never fires.")
    assert [f["code"] for f in never["faults"]] == ["never-fires"]
    words = preview(client, rule(title="Closing in ten minutes", fixed={"times": ["close-12"]}, says_time=True))
    assert "says-other-minutes" in [f["code"] for f in words["faults"]]


def test_looking_ahead_changes_nothing(client: Asking, director: FakeDirector) -> None:
    before = client.get("/api/venue").json()
    preview(client, rule(fixed={"times": ["15:30"]}))
    assert client.get("/api/venue").json() == before
    assert director.loaded == []


def test_days_and_the_body_are_checked(client: Asking) -> None:
    for body in (
        {"rule": rule(), "days": 32},
        {"rule": rule(), "days": 0},
        {"rule": "tide"},
        {},
        {"rule": rule(), "x": 1},
    ):
        assert client.post("/api/rules/preview", json=body).status_code == 422


def test_every_example_is_what_its_field_takes() -> None:
    checked = 0
    for model in vars(schemas_ahead).values():
        if isinstance(model, type) and issubclass(model, Shown):
            for info in model.model_fields.values():
                for example in info.examples or ():
                    TypeAdapter(info.annotation).validate_python(example)
                    checked += 1
    assert checked > 20
