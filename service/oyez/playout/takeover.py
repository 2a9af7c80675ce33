"""Takes the engine's journal over into the database's log.

The engine's journal is the claim; the log is where people read it. Each line goes over once, known by the
engine's boot and the line's number, whatever is interrupted in between. When the engine does not answer, its
journal is read from the disk: what is claimed there did begin, and must be known before anything is said not to
have.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from sqlalchemy.orm import Session

from oyez.errors import EngineGone, InputError
from oyez.store import log

PAGE = 500


class JournalLink(Protocol):
    """What is asked of the engine here (`playout.link.EngineLink`)."""

    def journal(self, *, since: int = 0, limit: int = 1000) -> Mapping[str, Any]: ...
    def journal_taken(self, through: int) -> Mapping[str, Any]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalLine:
    seq: int
    boot: str
    record: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """lines in order; `through` is the last line read, taken over or not; `more` wait behind it."""

    lines: tuple[JournalLine, ...]
    through: int
    more: bool
    from_disk: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Brought:
    """One line and what became of it in the log."""

    line: JournalLine
    appended: log.Appended


class EngineJournal:
    """Reads on from where it last was. `since` 0 reads all there is: lines the log knows are passed over."""

    def __init__(self, link: JournalLink, path: Path) -> None:
        self._link = link
        self._path = path
        self._seen: tuple[int, int] | None = None
        self.since = 0

    def page(self) -> Page:
        """The next lines. Never raises EngineGone: the journal's file answers then."""
        try:
            answer = self._link.journal(since=self.since, limit=PAGE)
        except EngineGone:
            return self._from_disk()
        self._seen = None
        lines = tuple(_line(tree) for tree in answer["records"])
        if int(answer["last_seq"]) < self.since:
            self.since = 0
        through = lines[-1].seq if lines else self.since
        return Page(lines=lines, through=through, more=bool(answer["more"]), from_disk=False)

    def taken(self, page: Page) -> None:
        """The page is safe in the database: go on behind it, and tell the engine."""
        self.since = page.through
        if page.lines and not page.from_disk:
            self._link.journal_taken(page.through)

    def _from_disk(self) -> Page:
        try:
            stat = self._path.stat()
        except FileNotFoundError:
            return Page(lines=(), through=self.since, more=False, from_disk=True)
        now = (stat.st_size, stat.st_mtime_ns)
        if now == self._seen:
            return Page(lines=(), through=self.since, more=False, from_disk=True)
        lines = tuple(line for line in read_journal_file(self._path) if line.seq > self.since)
        self._seen = now
        return Page(lines=lines, through=lines[-1].seq if lines else self.since, more=False, from_disk=True)


def read_journal_file(path: Path) -> tuple[JournalLine, ...]:
    """Every whole line of a journal file. A line torn by a crash was never acknowledged and is passed over."""
    found: list[JournalLine] = []
    for text in path.read_bytes().split(b"\n")[:-1]:
        try:
            found.append(_line(json.loads(text)))
        except (ValueError, KeyError, TypeError):
            continue
    return tuple(found)


def _line(tree: Mapping[str, Any]) -> JournalLine:
    return JournalLine(seq=int(tree["seq"]), boot=str(tree["boot"]), record=dict(tree["record"]))


def take_over(session: Session, venue_id: int, lines: Iterable[JournalLine]) -> tuple[Brought, ...]:
    """Add lines to the log, each once. Call inside a write transaction; returns those that were not known.

    A line the log cannot take (it lacks what its kind needs) is kept as an event, whole.
    """
    wanted = list(lines)
    if not wanted:
        return ()
    boots = {line.boot for line in wanted}
    known = log.known_lines(session, venue_id, boots, from_seq=min(line.seq for line in wanted))
    brought = []
    for line in wanted:
        if (line.boot, line.seq) in known:
            continue
        try:
            appended = log.append(session, venue_id, line.record, boot=line.boot, boot_seq=line.seq)
        except (InputError, ValueError) as error:
            appended = log.append(
                session, venue_id, _unreadable(line, str(error)), boot=line.boot, boot_seq=line.seq
            )
        brought.append(Brought(line=line, appended=appended))
    return tuple(brought)


def _unreadable(line: JournalLine, reason: str) -> dict[str, Any]:
    at_ms = line.record.get("at_ms")
    return {
        "kind": "event",
        "what": "record unreadable",
        "reason": reason,
        "at_ms": at_ms if isinstance(at_ms, int) else 0,
        "text": json.dumps(line.record, ensure_ascii=False, default=str),
    }
