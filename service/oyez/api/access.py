"""Who may use the service: the one place that decides, before any body is read.

    a plain tool or browser on this machine, naming it localhost   may
    a bearer token, or the session cookie that /enter gives        may, from anywhere
    anyone else                                                    401
    an unsafe request or WebSocket that another site's page sends  403, whoever it is
    the calendar's private address                                 may be read, from anywhere; a wrong one: 404

The token lives in the data folder (mode 0600). A session is the time it was given, signed with the token: a new
token ends every session. A Host header that is not this machine's takes the free pass away (DNS rebinding),
and so does a proxy's header: behind a proxy a token is needed.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import os
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from oyez.api.feeds import PREFIX as FEEDS
from oyez.api.feeds import FeedKey
from oyez.api.problems import of_status

COOKIE = "oyez-session"
SESSION_MS = 30 * 24 * 3600 * 1000
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
OPEN_PATHS = frozenset({"/enter"})
OPEN_PREFIX = "/static/"

# No inline script or style, no outside host, no framing.
SECURITY_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self'; "
        "connect-src 'self'; media-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(self)",
}


def read_token(path: Path) -> str:
    """The token in `path`, made on first use with mode 0600."""
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        token = path.read_text(encoding="ascii").strip()
        if token:
            return token
        handle = os.open(path, os.O_WRONLY | os.O_TRUNC, 0o600)
    token = secrets.token_urlsafe(32)
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(token + "\n")
        file.flush()
        os.fsync(file.fileno())
    return token


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode(), other.encode())


def _signature(token: str, issued_ms: int) -> str:
    return hmac.new(token.encode(), f"session {issued_ms}".encode(), hashlib.sha256).hexdigest()


def make_session(token: str, now_ms: int) -> str:
    return f"{now_ms}.{_signature(token, now_ms)}"


def session_holds(token: str, value: str, now_ms: int) -> bool:
    issued, dot, signature = value.partition(".")
    if not dot or not issued.isascii() or not issued.isdigit() or len(issued) > 16:
        return False
    issued_ms = int(issued)
    return _same(signature, _signature(token, issued_ms)) and 0 <= now_ms - issued_ms < SESSION_MS


def is_loopback(address: str) -> bool:
    """Whether an address or host name means this machine."""
    if address == "localhost":
        return True
    try:
        found = ipaddress.ip_address(address.strip("[]"))
    except ValueError:
        return False
    mapped = getattr(found, "ipv4_mapped", None)
    return bool(mapped.is_loopback) if mapped is not None else found.is_loopback


def _host_name(host: str) -> str:
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """status None: may go on."""

    status: int | None
    reason: str = ""


ALLOWED = Verdict(status=None)


def decide(scope: Scope, token: str, now_ms: int, feed: FeedKey | None = None) -> Verdict:
    """May this request go on? Looks at the connection and headers only."""
    if scope["type"] == "http" and scope["path"].startswith(FEEDS):
        if scope["method"] in {"GET", "HEAD"} and feed is not None and feed.opens(scope["path"]):
            return ALLOWED
        return Verdict(status=404, reason="there is no calendar at this address")
    headers = Headers(scope=scope)
    host = headers.get("host", "")
    client = scope.get("client")
    proxied = any(name in headers for name in ("forwarded", "x-forwarded-for", "x-forwarded-host"))
    here = client is not None and is_loopback(client[0]) and is_loopback(_host_name(host)) and not proxied
    scheme, _, given = headers.get("authorization", "").partition(" ")
    bearer = scheme.lower() == "bearer" and _same(given.strip(), token)
    if not here and not bearer and not _open(scope) and not _has_session(headers, token, now_ms):
        return Verdict(status=401, reason="this address needs the service's token, from the machine it runs on")
    if scope["type"] == "websocket" or scope["method"] not in SAFE:
        return _same_site(headers, host, tool=here or bearer)
    return ALLOWED


def _open(scope: Scope) -> bool:
    """What anyone may fetch: the way in, and the files that dress it."""
    path: str = scope["path"]
    readable = scope["type"] == "http" and scope["method"] in {"GET", "HEAD"}
    return readable and (path in OPEN_PATHS or path.startswith(OPEN_PREFIX))


def _has_session(headers: Headers, token: str, now_ms: int) -> bool:
    try:
        cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return False
    return cookie is not None and session_holds(token, cookie.value, now_ms)


def _same_site(headers: Headers, host: str, *, tool: bool) -> Verdict:
    """A browser says where a request comes from; what does not say must be a tool (no cookie asked for)."""
    refused = Verdict(status=403, reason="another site's page may not do this")
    fetch_site = headers.get("sec-fetch-site")
    origin = headers.get("origin")
    if fetch_site is not None and fetch_site != "same-origin":
        return refused
    if origin is not None:
        try:
            parts = urlsplit(origin)
        except ValueError:
            return refused
        if parts.scheme not in {"http", "https"} or parts.netloc.lower() != host.lower():
            return refused
    if origin is None and fetch_site is None and not tool:
        return Verdict(status=403, reason="the browser did not say which page asks")
    return ALLOWED


class Access:
    """ASGI middleware, the outermost: decides, and puts the security headers on every answer."""

    def __init__(
        self, app: ASGIApp, *, token: str, now_ms: Callable[[], int], feed: FeedKey | None = None
    ) -> None:
        self.app = app
        self.token = token
        self.now_ms = now_ms
        self.feed = feed

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in {"http", "websocket"}:
            await self.app(scope, receive, send)
            return
        verdict = decide(scope, self.token, self.now_ms(), self.feed)
        if verdict.status is not None:
            await self._refuse(verdict, scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in SECURITY_HEADERS.items():
                    headers.setdefault(name, value)
                kept = scope["path"].startswith(OPEN_PREFIX)
                headers.setdefault("cache-control", "no-cache" if kept else "no-store")
            await send(message)

        await self.app(scope, receive, send_with_headers)

    async def _refuse(self, verdict: Verdict, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "websocket":
            await receive()  # the handshake; closing before accepting it answers 403
            await send({"type": "websocket.close", "code": 1008, "reason": verdict.reason})
            return
        assert verdict.status is not None
        headers = {**SECURITY_HEADERS, "cache-control": "no-store"}
        if verdict.status == 401:
            headers["www-authenticate"] = "Bearer"
        answer: Response
        if verdict.status == 401 and "text/html" in Headers(scope=scope).get("accept", ""):
            answer = HTMLResponse(_WAY_IN, verdict.status, headers=headers)
        else:
            answer = of_status(verdict.status, verdict.reason, scope["path"], headers)
        await answer(scope, receive, send)


_WAY_IN = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Oyez: a token is needed</title><link rel="stylesheet" href="/static/base.css"></head>
<body><main class="way-in"><h1>A token is needed</h1>
<p>This service answers without one only on the machine it runs on. It prints an address with the token when it
starts; the token is also in the file <code>token</code> in its data folder.</p>
<form action="/enter" method="get"><label for="token">Token</label>
<input id="token" name="token" autocomplete="off" required><button>Enter</button></form></main></body></html>
"""
