"""Writes the log in the database: the engine's journal taken over, our own records added, the last hash kept.

Keeps no opinion of what a record means for the plan; that is the keeper's. Not thread-safe by itself: the keeper's
lock orders the calls.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Protocol

from sqlalchemy.orm import Session

from oyez.errors import EngineGone, WorkFailed
from oyez.playout.takeover import Brought, EngineJournal, JournalLink, take_over
from oyez.settings import Settings
from oyez.store import journal, log
from oyez.store.chain import Head
from oyez.store.database import Database
from oyez.store.head import keep_head


class Chain(Protocol):
    """What the log and the journal of settings have in common."""

    def head(self, session: Session, venue_id: int) -> Head: ...
    def hash_of(self, session: Session, venue_id: int, number: int) -> str | None: ...


class Books:
    """number  of the log's last record
    heads_good  whether the kept heads agree with the database, by chain ("log", "journal")
    """

    def __init__(self, settings: Settings, database: Database, link: JournalLink) -> None:
        self.number = 0
        self.heads_good: dict[str, bool] = {}
        self._data_dir: Path = settings.data_dir
        self._database = database
        self._engine_journal = EngineJournal(link, settings.engine / "journal.jsonl")

    def take_over(self, venue_id: int) -> Iterator[Brought]:
        """Everything the engine's journal has and the log has not, committed page by page before it is given."""
        more = True
        while more:
            page = self._engine_journal.page()
            brought: tuple[Brought, ...] = ()
            if page.lines:
                with self._database.begin() as session:
                    brought = take_over(session, venue_id, page.lines)
            yield from brought
            if brought:
                self._note_log_head(venue_id)
            try:
                self._engine_journal.taken(page)
            except EngineGone:
                return
            more = page.more

    def append(self, venue_id: int, *records: Mapping[str, Any]) -> tuple[Mapping[str, Any], ...]:
        """Add records of our own, together or not at all. What would be a second completion is passed over;
        those that were added are returned.
        """
        if not records:
            return ()
        with self._database.begin() as session:
            added = tuple(r for r in records if log.append(session, venue_id, r).status == "added")
        self._note_log_head(venue_id)
        return added

    def note_journal_head(self, session: Session, venue_id: int) -> None:
        """After the settings changed: keep the journal's last hash."""
        self._keep(session, "journal", journal, venue_id)

    def _note_log_head(self, venue_id: int) -> None:
        with self._database.read() as session:
            self.number = self._keep(session, "log", log, venue_id).number

    def _keep(self, session: Session, name: str, chain: Chain, venue_id: int) -> Head:
        last = chain.head(session, venue_id)

        def hash_of(number: int) -> str | None:
            return chain.hash_of(session, venue_id, number)

        try:
            good = keep_head(self._data_dir, venue_id, name, last, hash_of=hash_of)
        except (WorkFailed, OSError):
            good = False
        self.heads_good[name] = good
        return last
