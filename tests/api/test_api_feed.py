"""The calendar's private address: open to who has it, from anywhere, and shut to everyone else."""

from __future__ import annotations

import json
import stat
from pathlib import Path

import pytest
from icalendar import Calendar

from oyez.api.feeds import DAYS, FeedKey
from oyez.cli import main
from oyez.settings import Settings
from tests.api.asking import Asking
from tests.api.conftest import Elsewhere
from tests.api.fake_director import FakeDirector

WRONG = f"/feeds/{'x' * 43}/plan.ics"


def made(client: Asking) -> str:
    answer = client.post("/api/feed")
    assert answer.status_code == 201
    path: str = answer.json()["path"]
    return path


def test_there_is_no_address_until_someone_asks_for_one(client: Asking, settings: Settings) -> None:
    assert client.get("/api/feed").json() == {"path": None, "days": DAYS}
    path = made(client)
    assert client.get("/api/feed").json()["path"] == path
    assert stat.S_IMODE(settings.feed.stat().st_mode) == 0o600


def test_the_address_gives_the_plan_as_a_calendar_without_a_token_from_anywhere(
    client: Asking, elsewhere: Elsewhere, director: FakeDirector
) -> None:
    answer = elsewhere().get(made(client))
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    read = Calendar.from_ical(answer.content)
    summaries = {str(e["SUMMARY"]) for e in read.walk("VEVENT")}
    assert {p.title for p in director.plan(director.today()).plays} <= summaries


def test_a_calendar_that_did_not_change_is_not_sent_again(client: Asking, elsewhere: Elsewhere) -> None:
    path = made(client)
    first = elsewhere().get(path)
    again = elsewhere().get(path, headers={"if-none-match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")


@pytest.mark.parametrize(
    "path", [WRONG, "/feeds/", "/feeds/short/plan.ics", "/feeds/%2e%2e/plan.ics", "/feeds//plan.ics"]
)
def test_any_other_address_is_none_for_everyone(client: Asking, elsewhere: Elsewhere, path: str) -> None:
    made(client)
    assert elsewhere().get(path).status_code == 404
    assert client.get(path).status_code == 404  # on this machine too: only the secret opens it


def test_without_a_secret_no_address_opens(client: Asking) -> None:
    assert client.get(WRONG).status_code == 404
    assert client.get("/feeds/plan.ics").status_code == 404


def test_the_address_opens_nothing_else_and_cannot_be_written_to(client: Asking, elsewhere: Elsewhere) -> None:
    path = made(client)
    other = elsewhere()
    assert other.get(path.replace("plan.ics", "log.ics")).status_code == 404
    assert other.get(path.replace("plan.ics", "../../api/venue")).status_code in {401, 404}
    assert other.post(path).status_code == 404
    assert other.get("/api/feed").status_code == 401
    assert other.get("/api/venue").status_code == 401


def test_a_new_address_ends_the_old_one_and_taking_it_back_ends_all(client: Asking, elsewhere: Elsewhere) -> None:
    old = made(client)
    new = made(client)
    assert new != old
    assert [elsewhere().get(p).status_code for p in (old, new)] == [404, 200]
    assert client.request("DELETE", "/api/feed").json()["path"] is None
    assert elsewhere().get(new).status_code == 404


def test_another_sites_page_cannot_make_or_end_the_address(client: Asking) -> None:
    headers = {"sec-fetch-site": "cross-site", "origin": "https://elsewhere.example"}
    assert client.post("/api/feed", headers=headers).status_code == 403
    assert client.request("DELETE", "/api/feed", headers=headers).status_code == 403


def test_the_command_and_the_service_show_one_address(client: Asking, settings: Settings, capsys) -> None:
    def feed(*words: str) -> str:
        assert main(["feed", "--data", str(settings.data_dir), *words]) == 0
        return capsys.readouterr().out.strip()

    first = feed("--url", "https://sound.example/")
    assert first == "https://sound.example" + client.get("/api/feed").json()["path"]
    assert feed("--url", "https://sound.example") == first
    assert json.loads(feed("--new", "--json"))["url"] != first
    feed("--off")
    assert client.get("/api/feed").json()["path"] is None


@pytest.mark.parametrize("words", [["--url", "sound"], ["--data", "/nowhere/at/all"]])
def test_the_command_refuses_what_is_none_in_one_line(words: list[str], tmp_path: Path, capsys) -> None:
    assert main(["feed", *(["--data", str(tmp_path)] if "--url" in words else []), *words]) == 2
    said = capsys.readouterr()
    assert (said.out, said.err.count("\n")) == ("", 1)


def test_a_secret_that_was_spoilt_opens_nothing(tmp_path: Path) -> None:
    key = FeedKey(tmp_path / "feed")
    for spoilt in (b"", b"short\n", b"\xff" * 43):
        key.path.write_bytes(spoilt)
        assert key.address() is None
        assert not key.opens(WRONG)
