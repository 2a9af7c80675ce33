"""Wrong requests: RFC 9457 problem details, in the words of the command line."""

from __future__ import annotations

import ast
from typing import Any

import pytest
from fastapi import FastAPI

from oyez import errors
from oyez.api.app import BODY_LIMIT
from oyez.api.problems import CLIP_CODES, HTTP_CODES, STATUS, of_error
from oyez.settings import PACKAGE
from tests.api.asking import Asking
from tests.api.fake_director import FakeDirector


def family(cls: type[errors.OyezError]) -> list[type[errors.OyezError]]:
    return [cls, *(one for child in cls.__subclasses__() for one in family(child))]


def test_every_error_of_the_tree_has_a_status() -> None:
    tree = {one for one in family(errors.OyezError) if one.__module__ == errors.__name__}
    assert set(STATUS) == tree - {errors.OyezError}


@pytest.mark.parametrize(
    ("error", "status", "code"),
    [
        (errors.NotFound("x"), 404, "not-found"),
        (errors.NotAllowed("x"), 403, "not-allowed"),
        (errors.TooLarge("x"), 413, "too-large"),
        (errors.Conflict("x"), 409, "conflict"),
        (errors.EngineGone("x"), 503, "engine-gone"),
        (errors.WorkFailed("x"), 500, "work-failed"),
        (errors.ClipRefused("a.wav", "is empty", "empty"), 422, "empty"),
        (errors.VenueFaults([errors.Fault(entry="zone 1", message="m", code="c")]), 422, "venue-faults"),
    ],
)
def test_an_error_becomes_its_problem(error: errors.OyezError, status: int, code: str) -> None:
    answer = of_error(error, "/api/x")
    assert answer.status_code == status
    assert answer.media_type == "application/problem+json"
    assert f'"code":"{code}"'.encode() in answer.body


# RFC 9457 section 3.1: the members and their types
MEMBERS = {"type": str, "title": str, "status": int, "detail": str, "instance": str}


P = "params"
JSON = {"content-type": "application/json"}
FORM = {"content-type": "application/x-www-form-urlencoded"}

WRONG = [
    (("GET", "/api/nothing", {}), 404, "there is nothing at /api/nothing"),
    (("DELETE", "/api/plan", {}), 405, "DELETE cannot be done at /api/plan, allowed are GET"),
    (("GET", "/api/plan", {P: {"date": "27/11/2026"}}), 422, "date is '27/11/2026', allowed are dates like"),
    (("GET", "/api/plan", {P: {"date": "1900-01-01"}}), 422, "date is 1900-01-01, allowed are 1970-01-02 to"),
    (("GET", "/api/plan", {P: {"day": "2026-11-27"}}), 422, "day is unknown here, allowed are date"),
    (("GET", "/api/health", {P: {"x": "1"}}), 422, "x is unknown here, none are allowed here"),
    (("GET", "/api/log", {P: {"limit": "0"}}), 422, "limit is '0', allowed are 1 to 5000"),
    (("GET", "/api/log", {P: {"limit": "many"}}), 422, "limit is 'many', allowed are whole numbers"),
    (("GET", "/api/log", {P: {"kind": "x"}}), 422, "kind is 'x', allowed are 'claim', 'end', 'unsent'"),
    (("GET", "/api/log", {P: {"from": "2026-11-27T10:00"}}), 422, "allowed are times with their offset"),
    (("GET", "/api/log", {P: {"zone": "attic"}}), 404, "there is no zone 'attic', there are ticket-hall"),
    (("POST", "/api/rules/nope/fire", {}), 404, "there is no rule 'nope'"),
    (("POST", "/api/rules/rain/fire", {"json": {"who": "me"}}), 422, "who is unknown here"),
    (("POST", "/api/rules/rain/fire", {"json": {"by": ""}}), 422, "by is too short"),
    (("POST", "/api/rules/rain/fire", {"json": {"by": " "}}), 422, "by is blank or longer than 80 characters"),
    (("POST", "/api/rules/rain/fire", {"json": {"by": "x" * 81}}), 422, "allowed are 1 to 80 on one line"),
    (("POST", "/api/rules/rain/fire", {"json": {"by": "a\nb"}}), 422, "by has a line break or control character"),
    (("POST", "/api/rules/rain/fire", {"content": b'{"by": "\\ud800"}', "headers": JSON}), 422,
         r"by is '\ud800', allowed are whole characters"),
    (("POST", "/api/rules/rain/fire", {"content": b'{"\\ud800\\n": 1}', "headers": JSON}), 422,
         r"the body is '\ud800\n', allowed are whole characters"),
    (("POST", "/api/rules/rain/fire", {"content": b"by=x", "headers": FORM}), 422,
         "the body is not said to be JSON, allowed is the content type application/json"),
    (("POST", "/api/rules/rain/fire", {"json": {"by": 5}}), 422, "by is 5, allowed are texts"),
    (("POST", "/api/rules/rain/fire", {"content": b"{", "headers": {"content-type": "application/json"}}), 422,
         "the body is not JSON"),
    (("PUT", "/api/venue", {"json": []}), 422, "the body: is a list, allowed are tables"),
    (("PUT", "/api/venue", {}), 422, "the body: line 1, column 1: is not JSON"),
    (("PUT", "/api/venue", {"content": b"\xff"}), 422, "the body is not UTF-8 text"),
    (("PUT", "/api/venue", {"content": b'{"format": 1, "format": 1}'}), 422, "'format' is given twice"),
    (("PUT", "/api/venue", {"content": b"[" * 99999}), 422, "the body: is nested too deeply"),
    (("POST", "/api/clips", {"data": {"file": "x"}}), 422, "file is a text, allowed is a file with its name"),
    (("POST", "/api/clips", {}), 422, "file is missing"),
    (("GET", "/api/clips/nope/audio", {}), 404, "there is no clip 'nope'"),
    (("GET", "/api/clips/welcome/audio", {}), 404, "its audio is not in the store"),
]  # fmt: skip


@pytest.mark.parametrize(("ask", "status", "words"), WRONG)
def test_a_wrong_request_is_told_what_which_got_allowed(
    client: Asking, ask: tuple[str, str, dict[str, Any]], status: int, words: str
) -> None:
    method, path, how = ask
    answer = client.request(method, path, **how)
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body = answer.json()
    for name, kind in MEMBERS.items():
        assert isinstance(body[name], kind), name
    assert body["status"] == status
    assert body["instance"] == path
    assert words in body["detail"], body["detail"]
    kind_of = client.get(body["type"])  # the type can be looked up
    assert kind_of.status_code == 200
    assert kind_of.json()["code"] == body["code"]


def test_a_failure_of_ours_tells_nothing_of_its_inside(app: FastAPI, director: FakeDirector) -> None:
    def broken() -> None:
        raise ValueError("secret inside")

    with Asking(app, base_url="http://localhost", client="127.0.0.1", raises=False) as client:
        director.health = broken  # type: ignore[assignment, method-assign]
        answer = client.get("/api/health")
    assert answer.status_code == 500
    assert answer.headers["content-type"] == "application/problem+json"
    assert "secret" not in answer.text


def test_a_body_over_the_limit_is_413_and_reaches_nobody(client: Asking, director: FakeDirector) -> None:
    answer = client.post("/api/rules/lost-child/fire", content=b'{"by": "' + b"x" * BODY_LIMIT + b'"}',
                         headers={"content-type": "application/json"})  # fmt: skip
    assert answer.status_code == 413
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["detail"] == f"the body is too large, allowed are {BODY_LIMIT} bytes"
    assert director.asked_by == []


def test_a_body_of_unsaid_length_is_stopped_at_the_limit(client: Asking) -> None:
    taken = 0

    def endless() -> Any:
        nonlocal taken
        while taken < 64 * BODY_LIMIT:
            taken += 16384
            yield b"x" * 16384

    answer = client.post(
        "/api/rules/lost-child/fire", content=endless(), headers={"content-type": "application/json"}
    )
    assert answer.status_code == 413


@pytest.mark.parametrize("size", [BODY_LIMIT + 1, 3 * 1024 * 1024])
def test_the_upload_route_alone_takes_more(client: Asking, size: int) -> None:
    answer = client.post("/api/clips", files={"file": ("big.wav", b"x" * size)})
    assert answer.status_code == 422  # read, and found to be no audio
    assert client.post("/api/plays/x/stop", files={"file": ("big.wav", b"x" * size)}).status_code == 413


@pytest.mark.parametrize(
    "code", [*CLIP_CODES, *(code for code, _ in HTTP_CODES.values()), *(e.code for e in STATUS), "conflict"]
)
def test_every_kind_of_problem_has_its_address(client: Asking, code: str) -> None:
    answer = client.get(f"/api/problems/{code}")
    assert answer.status_code == 200
    assert answer.json()["code"] == code


@pytest.mark.parametrize("code", ["perhaps", "error-of-nobody", "x" * 500])
def test_a_kind_of_problem_that_there_is_not_is_404(client: Asking, code: str) -> None:
    answer = client.get(f"/api/problems/{code}")
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["detail"].startswith(
        f"problem '{code[:80]}': there is no such kind, there are bad-input, "
    )


def test_every_reason_to_refuse_a_file_is_a_kind_of_problem() -> None:
    codes = set()
    for room in ("clips", "api"):
        for path in (PACKAGE / room).rglob("*.py"):
            for call in (n for n in ast.walk(ast.parse(path.read_text())) if isinstance(n, ast.Call)):
                if getattr(call.func, "id", None) == "ClipRefused" and isinstance(call.args[2], ast.Constant):
                    codes.add(call.args[2].value)
    assert codes == set(CLIP_CODES)
