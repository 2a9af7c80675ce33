"""What the API says, on the demo venue and a made-up afternoon."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest

from oyez.api.app import create_app
from oyez.api.ports import Health
from oyez.planning.output import plan_tree
from oyez.settings import Settings
from oyez.venue.writer import venue_tree
from tests.api.asking import Asking
from tests.api.fake_director import DATE, FakeDirector, at, quillfin


def test_healthz_is_503_until_it_plays(client: Asking, director: FakeDirector) -> None:
    assert client.get("/healthz").status_code == 200
    director.state = Health(
        playing=False, output="none", sentence="Engine not answering", code="engine-gone", engine={}
    )
    answer = client.get("/healthz")
    assert answer.status_code == 503
    assert answer.json()["state"] == "Engine not answering"


def test_the_director_lives_as_long_as_the_application(tmp_path: Path) -> None:
    director = FakeDirector()
    app = create_app(Settings(data_dir=tmp_path), director)
    assert not director.started
    with Asking(app, base_url="http://localhost", client="127.0.0.1"):
        assert director.started
    assert not director.started


def test_the_plan_holds_the_contracts_tree_unchanged(client: Asking, director: FakeDirector) -> None:
    tree = client.get("/api/plan", params={"date": "2026-11-27"}).json()
    contract = json.loads(json.dumps(plan_tree(director.plan(DATE))))

    def kept(wanted: Any, found: Any) -> None:
        if isinstance(wanted, dict):
            for key, value in wanted.items():
                kept(value, found[key])
        elif isinstance(wanted, list):
            assert len(wanted) == len(found)
            for one, other in zip(wanted, found, strict=True):
                kept(one, other)
        else:
            assert wanted == found

    kept(contract, tree)


def test_times_for_people_carry_the_venues_offset(client: Asking) -> None:
    winter = client.get("/api/plan", params={"date": "2026-11-27"}).json()["plays"][0]
    summer = client.get("/api/plan", params={"date": "2026-07-01"}).json()["plays"][0]
    assert winter["start_at"].endswith("+00:00")
    assert summer["start_at"].endswith("+01:00")
    for play in (winter, summer):
        assert dt.datetime.fromisoformat(play["start_at"]).timestamp() * 1000 == play["start_ms"]


def test_what_happened_is_one_line_a_play_with_its_reason(client: Asking) -> None:
    happened = {h["id"]: h for h in client.get("/api/plan").json()["happened"]}
    cut = happened[f"rays@{at('12:05')}"]
    assert cut["outcome"] == "cut"
    assert cut["sentence"].startswith("Cut at 12:05:06 in ")
    assert cut["sentence"].endswith("A child is waiting outranked it")
    unsent = happened[f"members@{at('10:30')}"]
    assert unsent["sentence"] == "Not sent: its clip is gone: members.flac"
    sent = happened[f"seals@{at('10:50')}"]
    assert sent["outcome"] == "sent"
    assert {z["loudness_lufs"] for z in sent["zones"]} == {-18.2}


def test_zones_say_what_sounds_in_them_now(client: Asking) -> None:
    before = {z["id"]: z for z in client.get("/api/zones").json()}
    assert before["ticket-hall"]["sounding"] is None
    fired = client.post("/api/rules/duty-manager/fire").json()
    after = {z["id"]: z for z in client.get("/api/zones").json()}
    assert after["shop"]["sounding"] == fired["id"]
    assert after["ticket-hall"]["sounding"] is None


def test_rules_show_where_they_sound_before_they_are_fired(client: Asking) -> None:
    rules = {r["id"]: r for r in client.get("/api/rules").json()}
    assert rules["duty-manager"]["where"] == ["Barnacle Café", "Shop", "Staff corridor"]
    assert rules["duty-manager"]["kind"] == "manual"
    assert rules["hands-off"]["next_ms"] == at("15:00")
    fired = client.post("/api/rules/duty-manager/fire").json()
    rules = {r["id"]: r for r in client.get("/api/rules").json()}
    assert rules["duty-manager"]["sounding"] == [fired["id"]]
    assert rules["coach-two"]["sounding"] == []


def test_a_press_says_what_happens_and_who_asked(client: Asking, director: FakeDirector) -> None:
    answer = client.post("/api/rules/duty-manager/fire", json={"by": "Front desk"})
    assert answer.status_code == 200
    assert answer.json()["sentence"].startswith("Starts now in Barnacle Café, Shop and Staff corridor")
    client.post("/api/rules/coach-two/fire")
    assert director.asked_by == ["Front desk", "someone at 127.0.0.1"]


def test_a_press_without_a_place_is_409_with_the_plain_reason(client: Asking) -> None:
    answer = client.post("/api/rules/rain/fire")
    assert answer.status_code == 409
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["detail"].startswith("no place: Seal terrace and Ticket hall carry")


def test_stopping_what_sounds_and_what_does_not(client: Asking) -> None:
    fired = client.post("/api/rules/duty-manager/fire").json()
    assert client.post(f"/api/plays/{fired['id']}/stop", json={"by": "Desk"}).status_code == 200
    assert client.post("/api/plays/nothing@1/stop").status_code == 404


def test_an_id_with_any_sign_in_it_reaches_the_director_whole(client: Asking) -> None:
    play = client.get("/api/plan").json()["plays"]
    one = next(p for p in play if "/" in p["id"])
    answer = client.post(f"/api/plays/{quote(one['id'], safe='')}/stop")
    assert answer.status_code == 404
    assert f"'{one['id']}' does not sound now" in answer.json()["detail"]


def test_putting_a_venue_names_every_fault_and_changes_nothing(client: Asking, director: FakeDirector) -> None:
    tree = venue_tree(quillfin())
    tree["rules"][0]["priority"] = 101
    tree["rules"][1]["zones"] = ["attic"]
    answer = client.put("/api/venue", json=tree)
    assert answer.status_code == 422
    messages = " ".join(f["message"] for f in answer.json()["faults"])
    assert "101, allowed are 0 to 100" in messages
    assert "attic" in messages
    assert director.loaded == []


def test_a_dry_run_says_what_would_change_and_changes_nothing(client: Asking, director: FakeDirector) -> None:
    tree = venue_tree(quillfin())
    answer = client.put("/api/venue", params={"dry_run": "true"}, json=tree)
    assert answer.json()["dry_run"] is True
    assert director.loaded == []
    assert client.put("/api/venue", json=tree).status_code == 200
    assert venue_tree(director.loaded[0]) == tree


def test_what_is_read_can_be_put_back(client: Asking) -> None:
    tree = client.get("/api/venue").json()
    assert tree == json.loads(json.dumps(venue_tree(quillfin())))


def test_the_log_can_be_filtered(client: Asking) -> None:
    everything = client.get("/api/log").json()["records"]
    shop = client.get("/api/log", params={"zone": "shop", "kind": "end"}).json()["records"]
    assert 0 < len(shop) < len(everything)
    assert all(any(z["zone"] == "shop" for z in r["body"]["per_zone"]) for r in shop)
    morning = client.get(
        "/api/log", params={"from": "2026-11-27T10:00:00+00:00", "until": "2026-11-27T10:30:00+00:00"}
    ).json()["records"]
    assert {r["body"]["rule"] for r in morning} == {"welcome", "hands-off"}
    page = client.get("/api/log", params={"limit": 3}).json()
    assert page["more"] is True
    rest = client.get("/api/log", params={"after": page["records"][-1]["number"], "limit": 5000}).json()
    assert len(rest["records"]) == len(everything) - 3
    assert rest["more"] is False


@pytest.mark.parametrize("how", [{"params": {"format": "csv"}}, {"headers": {"accept": "text/csv"}}])
def test_the_log_as_csv_has_a_line_a_play(client: Asking, how: dict[str, Any]) -> None:
    answer = client.get("/api/log", **how)
    assert answer.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    cut = next(r for r in rows if r["outcome"] == "cut")
    assert cut["title"] == "Ray feeding"


def test_the_chain_is_verified(client: Asking) -> None:
    assert client.get("/api/log/verify").json()["good"] is True


def test_without_a_venue_every_page_says_what_to_do_first(tmp_path: Path) -> None:
    app = create_app(Settings(data_dir=tmp_path), FakeDirector(empty=True))
    with Asking(app, base_url="http://localhost", client="127.0.0.1") as client:
        assert client.get("/api/plan").status_code == 409
        assert "oyez load" in client.get("/api/plan").json()["detail"]
        assert client.get("/api/clips").json() == []
        assert "oyez load" in client.get("/").text


def test_the_page_names_the_venue_and_the_day(client: Asking) -> None:
    text = client.get("/day/2026-11-28").text
    assert "Quillfin Aquarium" in text
    assert 'data-date="2026-11-28"' in text
    assert "Not a voice-alarm system" in text
    assert client.get("/day/tomorrow").status_code == 404


@pytest.mark.parametrize("path", ["/healthz", "/", "/api/plan", "/api/openapi.json", "/static/base.css", "/api/x"])
def test_head_answers_as_get_without_the_content(client: Asking, path: str) -> None:
    # RFC 9110, section 9.1: all general-purpose servers support GET and HEAD; 9.3.2: no content in the answer
    whole, head = client.get(path), client.request("HEAD", path)
    assert head.status_code == whole.status_code
    assert head.headers["content-type"] == whole.headers["content-type"]
    assert (head.content, bool(whole.content)) == (b"", True)


def test_head_of_the_events_ends_at_once(client: Asking) -> None:
    answer = client.request("HEAD", "/api/events")
    assert answer.headers["content-type"].startswith("text/event-stream")
