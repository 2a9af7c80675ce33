"""Who may use the service, and that nothing is read of those who may not."""

from __future__ import annotations

import asyncio
import json
import stat
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from oyez.api.access import COOKIE, SESSION_MS, is_loopback, make_session, read_token, session_holds
from tests.api.asking import Asking, served
from tests.api.conftest import Elsewhere
from tests.api.fake_director import FakeDirector


def token_of(app: FastAPI) -> str:
    return app.state.access.token


def test_a_tool_on_this_machine_needs_nothing(client: Asking) -> None:
    assert client.get("/api/health").status_code == 200


def test_another_machine_needs_the_token(app: FastAPI, elsewhere: Elsewhere) -> None:
    answer = elsewhere().get("/api/health")
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"] == "Bearer"
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["code"] == "who-are-you"


def test_a_bearer_token_lets_another_machine_in(app: FastAPI, elsewhere: Elsewhere) -> None:
    right = elsewhere().get("/api/health", headers={"authorization": f"Bearer {token_of(app)}"})
    wrong = elsewhere().get("/api/health", headers={"authorization": "Bearer " + "x" * 43})
    assert (right.status_code, wrong.status_code) == (200, 401)


def test_a_strange_token_of_any_letters_is_refused_not_a_crash(app: FastAPI, elsewhere: Elsewhere) -> None:
    answer = elsewhere().get("/api/health", headers={b"authorization": "Bearer ä€".encode()})
    assert answer.status_code == 401


def test_entering_with_the_token_gives_a_session_cookie_scripts_cannot_read(
    app: FastAPI, elsewhere: Elsewhere
) -> None:
    browser = elsewhere()
    answer = browser.get("/enter", params={"token": token_of(app)})
    assert answer.status_code == 303
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert browser.get("/api/health").status_code == 200


def test_entering_with_a_wrong_token_gives_no_cookie(app: FastAPI, elsewhere: Elsewhere) -> None:
    answer = elsewhere().get("/enter", params={"token": "guess"})
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("cookie", ["", "1.2", "x.y", "1795801500000.00", "\u0661.ab", "9" * 30 + ".ab"])
def test_a_made_up_session_is_refused(app: FastAPI, cookie: str, elsewhere: Elsewhere) -> None:
    answer = elsewhere().get("/api/health", headers={b"cookie": f"{COOKIE}={cookie}".encode()})
    assert answer.status_code == 401


def test_a_session_ends_by_itself_and_with_its_token() -> None:
    session = make_session("one", 1000)
    assert session_holds("one", session, 1000 + SESSION_MS - 1)
    assert not session_holds("one", session, 1000 + SESSION_MS)
    assert not session_holds("one", session, 999)
    assert not session_holds("two", session, 1000)


def test_a_foreign_host_name_on_this_machine_is_no_free_pass(app: FastAPI, elsewhere: Elsewhere) -> None:
    # DNS rebinding: a foreign page's name that now points here
    assert elsewhere(host="evil.example", address="127.0.0.1").get("/api/health").status_code == 401


@pytest.mark.parametrize("header", ["x-forwarded-for", "forwarded", "x-forwarded-host"])
def test_behind_a_proxy_a_token_is_needed(client: Asking, header: str) -> None:
    assert client.get("/api/health", headers={header: "192.0.2.7"}).status_code == 401


def test_without_a_client_address_there_is_no_free_pass(app: FastAPI) -> None:
    sent = asyncio.run(_ask(app, {"client": None}))
    assert sent[0]["status"] == 401


@pytest.mark.parametrize(
    ("address", "here"),
    [
        ("127.0.0.1", True),
        ("127.8.8.8", True),
        ("::1", True),
        ("[::1]", True),
        ("::ffff:127.0.0.1", True),
        ("localhost", True),
        ("192.0.2.7", False),
        ("::ffff:192.0.2.7", False),
        ("localhost.example", False),
        ("127.0.0.1.example", False),
        ("", False),
    ],
)
def test_what_counts_as_this_machine(address: str, here: bool) -> None:
    assert is_loopback(address) is here


async def _ask(app: FastAPI, more: dict[str, Any], receive: Any = None) -> list[dict[str, Any]]:
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "GET",
        "path": "/api/health",
        "raw_path": b"/api/health",
        "query_string": b"",
        "root_path": "",
        "scheme": "http",
        "server": ("localhost", 8137),
        "client": ("127.0.0.1", 50000),
        "headers": [(b"host", b"localhost:8137")],
        **more,
    }
    sent: list[dict[str, Any]] = []

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    async def never() -> dict[str, Any]:
        raise AssertionError("the body was asked for")

    await app(scope, receive or never, send)
    return sent


@pytest.mark.parametrize(
    ("headers", "client", "status"),
    [
        ([(b"host", b"box.example")], "192.0.2.7", 401),
        ([(b"host", b"localhost:8137"), (b"origin", b"http://evil.example")], "127.0.0.1", 403),
        ([(b"host", b"localhost:8137"), (b"sec-fetch-site", b"cross-site")], "127.0.0.1", 403),
    ],
)
def test_not_one_byte_of_an_upload_is_read_from_who_may_not(
    app: FastAPI, headers: list[tuple[bytes, bytes]], client: str, status: int
) -> None:
    more = {
        "method": "POST",
        "path": "/api/clips",
        "raw_path": b"/api/clips",
        "client": (client, 50000),
        "headers": [
            *headers,
            (b"content-type", b"multipart/form-data; boundary=x"),
            (b"content-length", b"5000000"),
        ],
    }
    sent = asyncio.run(_ask(app, more))  # `receive` fails the test when it is called
    assert sent[0]["status"] == status


SAFE_FROM = {"sec-fetch-site": "same-origin", "origin": "http://localhost:8137"}


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://localhost:9999"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "none"},
        {"origin": "http://localhost:8137", "sec-fetch-site": "cross-site"},
    ],
)
def test_another_sites_page_can_change_nothing(
    client: Asking, director: FakeDirector, headers: dict[str, str]
) -> None:
    answer = client.post("/api/rules/lost-child/fire", headers=headers)
    assert answer.status_code == 403
    assert director.asked_by == []


def test_our_own_page_can(client: Asking) -> None:
    assert client.post("/api/rules/lost-child/fire", headers=SAFE_FROM).status_code == 200


def test_a_cookie_alone_does_not_fire_when_the_browser_does_not_say_from_where(
    app: FastAPI, elsewhere: Elsewhere
) -> None:
    browser = elsewhere()
    browser.get("/enter", params={"token": token_of(app)})
    assert browser.post("/api/rules/lost-child/fire").status_code == 403
    origin = {"origin": "http://box.example:8137"}
    assert browser.post("/api/rules/lost-child/fire", headers=origin).status_code == 200


def test_another_sites_page_cannot_listen(app: FastAPI) -> None:
    with served(app) as server:
        address = f"ws://127.0.0.1:{server.port}/api/zones/shop/listen"
        with pytest.raises(InvalidStatus) as refused, connect(address, origin="http://evil.example"):
            pass
        assert refused.value.response.status_code == 403
        with connect(address, origin=f"http://127.0.0.1:{server.port}") as socket:
            assert json.loads(socket.recv())["format"] == "s16le"


def test_a_stranger_cannot_listen(app: FastAPI) -> None:
    with (
        served(app) as server,
        pytest.raises(InvalidStatus),
        connect(
            f"ws://127.0.0.1:{server.port}/api/zones/shop/listen",
            additional_headers={"x-forwarded-for": "192.0.2.7"},
        ),
    ):
        pass


def test_a_stranger_at_a_browser_is_told_how_to_get_in(app: FastAPI, elsewhere: Elsewhere) -> None:
    answer = elsewhere().get("/", headers={"accept": "text/html"})
    assert answer.status_code == 401
    assert "token" in answer.text
    assert "Quillfin" not in answer.text


def test_every_answer_carries_the_security_headers(client: Asking, app: FastAPI, elsewhere: Elsewhere) -> None:
    for answer in (
        client.get("/"),
        client.get("/api/health"),
        client.get("/static/base.css"),
        client.get("/nothing"),
        elsewhere().get("/"),
        client.post("/api/rules/lost-child/fire", headers={"origin": "http://evil.example"}),
    ):
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "script-src 'self'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"


def test_the_pages_have_no_inline_script_or_style_and_no_outside_host(client: Asking) -> None:
    for path in ("/", "/day/2026-11-28", "/api/docs"):
        text = client.get(path).text
        assert "style=" not in text
        assert "<style" not in text
        assert " onclick" not in text
        for piece in text.split("<script")[1:]:
            assert piece.split("</script>")[0].endswith(">")  # nothing inside
        assert "http://" not in text.replace("http://localhost", "")
        assert "https://" not in text


def test_the_token_is_made_once_and_for_its_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "token"
    first = read_token(path)
    assert len(first) >= 43  # 32 random bytes
    assert read_token(path) == first
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_an_empty_token_file_is_filled_not_believed(tmp_path: Path) -> None:
    path = tmp_path / "token"
    path.write_text("\n")
    assert len(read_token(path)) >= 43
