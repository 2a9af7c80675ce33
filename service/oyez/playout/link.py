"""The thin line from the web process to the engine: one Unix socket, one JSON object a line each way.

Standard library only, so that whoever imports it carries no sound library. Knows nothing of what is asked:
the engine answers, this module carries, and whatever goes wrong on the way is `EngineGone`.
"""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from oyez.errors import Conflict, EngineGone, InputError, NotFound, OyezError, WorkFailed
from oyez.settings import Settings

SOCKET_NAME = "engine.sock"
SOCKET_POINTER = "socket-path"
LONGEST_SOCKET_PATH = 107  # bytes: sockaddr_un.sun_path is 108 with its closing zero (unix(7))
LONGEST_LINE = 64 * 1024 * 1024
_ERRORS: Mapping[str, type[OyezError]] = {
    "conflict": Conflict,
    "not-found": NotFound,
    "bad-input": InputError,
}


def socket_path(settings: Settings) -> Path:
    """Where the engine's socket is: in its folder, or where `socket-path` says when that path is too long."""
    pointer = settings.engine / SOCKET_POINTER
    with suppress(FileNotFoundError):
        return Path(pointer.read_text(encoding="utf-8").strip())
    return settings.engine / SOCKET_NAME


@dataclass(frozen=True, slots=True, kw_only=True)
class Listening:
    """The head of a listen stream: what the bytes are. Interleaved s16le frames follow."""

    zone: str
    channels: int
    sample_rate: int
    first_frame_ms: float


class EngineLink:
    """Asks the engine. Every call opens its own connection, so it may be used from any thread.

    Raises EngineGone when nobody answers in time; Conflict, NotFound or InputError as the engine says.
    """

    def __init__(self, settings: Settings, *, timeout_s: float = 3.0) -> None:
        self.settings = settings
        self.timeout_s = timeout_s

    def state(self) -> dict[str, Any]:
        """How it stands, now.

        boot, pid, started_ms, now_ms, venue, revision, until_ms, last_seq
        silent           nothing reaches a sound card; `silent_reason` says why in plain words
        outputs          [{id, kind, health, detail, latency_ms, xruns}], health "playing", "waiting"
                         (not opened yet), "lost" or "unused" (a second card)
        zones            [{id, name, channels, music_on, track, short_term_lufs, peak_dbfs, playing}]
        playing          claimed and not yet ended: [{id, rule, title, priority, start_ms, end_ms, zones,
                         asked_by, sounding}]
        next             the coming cues not yet claimed, soonest first, at most 20
        xruns, starved, late_blocks   counted since the engine started
        clock            {drift_ppm, offset_ms, stepped}; render: block times in ms
        """
        return self.ask({"do": "state"})

    def programme(self, programme: Mapping[str, Any]) -> dict[str, Any]:
        """Give it a programme (`mixing.programme.to_tree`). It replaces every cue not yet claimed.

        Answered once it is remembered on disk: {revision, accepted, already: ids it has begun before}.
        """
        return self.ask({"do": "programme", "programme": programme}, timeout_s=15.0)

    def begin(self, cue: Mapping[str, Any], *, cuts: Sequence[Mapping[str, Any]] = ()) -> dict[str, Any]:
        """Begin a cue now, after cutting: cuts [{id, zones, reason?}].

        Claimed on disk first. Answers {id, start_ms, end_ms, seq}. Raises Conflict when the id was begun
        before, or a zone is held by a play that is not among the cuts.
        """
        return self.ask({"do": "begin", "cue": cue, "cuts": list(cuts)})

    def stop(
        self, play: str, *, by: str, zones: Sequence[str] | None = None, reason: str | None = None
    ) -> dict[str, Any]:
        """Fade a play out in 150 ms, in all its zones or in some. Its log says "stopped by NAME", or `reason`.

        Answers {id, end_ms}. Raises NotFound when it is not sounding or about to.
        """
        asked = {"do": "stop", "id": play, "by": by, "zones": None if zones is None else list(zones)}
        return self.ask({**asked, "reason": reason})

    def journal(self, *, since: int = 0, limit: int = 1000) -> dict[str, Any]:
        """Journal lines after `since`, oldest first: {records: [{seq, boot, record}], last_seq, more}.

        A `since` beyond the journal's end (another journal, a restored folder) is read as 0.
        """
        return self.ask({"do": "journal", "since": since, "limit": limit})

    def journal_taken(self, through: int) -> dict[str, Any]:
        """Everything up to `through` is safe in the database; the engine may trim what is old enough."""
        return self.ask({"do": "journal-taken", "through": through})

    def shutdown(self) -> dict[str, Any]:
        """Fade out, close the log of what sounds, exit."""
        return self.ask({"do": "shutdown"})

    def alive(self) -> bool:
        """Whether an engine answers."""
        try:
            self.ask({"do": "hello"}, timeout_s=1.0)
        except EngineGone:
            return False
        return True

    def ask(self, request: Mapping[str, Any], *, timeout_s: float | None = None) -> dict[str, Any]:
        """One request, one answer."""
        line = json.dumps(request, separators=(",", ":")).encode() + b"\n"
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
                link.settimeout(self.timeout_s if timeout_s is None else timeout_s)
                link.connect(str(socket_path(self.settings)))
                link.sendall(line)
                with link.makefile("rb") as answers:
                    answer = answers.readline(LONGEST_LINE)
        except OSError as error:
            raise EngineGone(f"the engine does not answer: {error.strerror or error}") from error
        return _checked(answer)

    async def listen(self, zone: str) -> AsyncIterator[Listening | bytes]:
        """What a zone sounds like, live: first a `Listening`, then chunks of s16le frames until closed.

        A reader that is too slow loses the oldest sound; the engine never waits for it.
        """
        try:
            reader, writer = await asyncio.open_unix_connection(str(socket_path(self.settings)), limit=1 << 16)
        except OSError as error:
            raise EngineGone(f"the engine does not answer: {error.strerror or error}") from error
        try:
            writer.write(json.dumps({"do": "listen", "zone": zone}).encode() + b"\n")
            try:
                head = _checked(await asyncio.wait_for(reader.readline(), self.timeout_s))
            except (OSError, TimeoutError) as error:
                raise EngineGone("the engine does not answer") from error
            channels = int(head["channels"])
            yield Listening(
                zone=zone,
                channels=channels,
                sample_rate=int(head["sample_rate"]),
                first_frame_ms=float(head["first_frame_ms"]),
            )
            width = 2 * channels
            left = b""
            while True:
                try:
                    chunk = await reader.read(1 << 15)
                except OSError as error:
                    raise EngineGone("the engine went away while being listened to") from error
                if not chunk:
                    return
                chunk = left + chunk
                whole = len(chunk) - len(chunk) % width
                left = chunk[whole:]
                if whole:
                    yield chunk[:whole]
        finally:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()


def _checked(line: bytes) -> dict[str, Any]:
    """The answer as a dict without `ok`, or the error it carries."""
    if not line.endswith(b"\n"):
        raise EngineGone("the engine hung up in the middle of its answer" if line else "the engine hung up")
    try:
        answer = json.loads(line)
    except ValueError as error:
        raise EngineGone("the engine's answer is not JSON") from error
    if not isinstance(answer, dict):
        raise EngineGone("the engine's answer is not an object")
    if not answer.pop("ok", False):
        kind = _ERRORS.get(str(answer.get("code")), WorkFailed)
        raise kind(str(answer.get("error", "the engine refused without saying why")))
    return answer
