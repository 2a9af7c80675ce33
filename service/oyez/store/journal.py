"""The settings journal: every change of settings, who made it, from where, before and after. Only ever added to.

Chained like the log (`store.chain`). Queries take the session and never commit. Touches the journal's table alone.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from oyez.store.chain import GENESIS, JOURNAL, ChainRecord, Head, Verified, canonical, chain_hash, verify_chain
from oyez.store.tables import SettingsJournal


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change of settings.

    who            the person or program, as known to the service: "command line (ana)", "desk tablet"
    origin         from where: "command", "page", "api", an address
    what           what was changed, in words: "venue loaded from quillfin.toml"
    before, after  JSON trees of what was changed; None where there was, or is, nothing
    """

    number: int
    at_ms: int
    who: str
    origin: str
    what: str
    before: Any
    after: Any
    hash: str


def append(
    session: Session, *, venue_id: int, at_ms: int, who: str, origin: str, what: str, before: Any, after: Any
) -> int:
    """Add one change; returns its number. Call inside the transaction that makes the change; the caller commits.

    Raises ValueError when before or after is not a JSON tree.
    """
    last = head(session, venue_id)
    text = canonical(
        {"at_ms": at_ms, "who": who, "origin": origin, "what": what, "before": before, "after": after}
    )
    number = last.number + 1
    session.add(
        SettingsJournal(
            venue_id=venue_id,
            number=number,
            **_beside(json.loads(text)),
            body=text,
            prev=last.hash,
            hash=chain_hash(JOURNAL, venue_id, number, last.hash, text),
        )
    )
    session.flush()
    return number


def _beside(body: Mapping[str, Any]) -> dict[str, Any]:
    return {"at_ms": body.get("at_ms"), "who": body.get("who"), "what": body.get("what")}


def head(session: Session, venue_id: int) -> Head:
    """The journal's last record."""
    row = session.execute(
        select(SettingsJournal.number, SettingsJournal.hash)
        .where(SettingsJournal.venue_id == venue_id)
        .order_by(SettingsJournal.number.desc())
        .limit(1)
    ).first()
    return Head(number=0, hash=GENESIS) if row is None else Head(number=row.number, hash=row.hash)


def hash_of(session: Session, venue_id: int, number: int) -> str | None:
    """Hash of one record, None when there is no such record."""
    return session.scalar(
        select(SettingsJournal.hash).where(SettingsJournal.venue_id == venue_id, SettingsJournal.number == number)
    )


def read(
    session: Session,
    venue_id: int,
    *,
    from_ms: int | None = None,
    until_ms: int | None = None,
    newest_first: bool = False,
    limit: int | None = None,
) -> tuple[Change, ...]:
    """Changes made in [from_ms, until_ms), in the order they were made."""
    query = select(SettingsJournal).where(SettingsJournal.venue_id == venue_id)
    if from_ms is not None:
        query = query.where(SettingsJournal.at_ms >= from_ms)
    if until_ms is not None:
        query = query.where(SettingsJournal.at_ms < until_ms)
    order = SettingsJournal.number.desc() if newest_first else SettingsJournal.number
    return tuple(_change(row) for row in session.scalars(query.order_by(order).limit(limit)))


def _change(row: SettingsJournal) -> Change:
    body = json.loads(row.body)
    return Change(
        number=row.number,
        at_ms=row.at_ms,
        who=body["who"],
        origin=body["origin"],
        what=body["what"],
        before=body["before"],
        after=body["after"],
        hash=row.hash,
    )


def verify(session: Session, venue_id: int, kept: Sequence[Head] | None = None) -> Verified:
    """Whether every change is as it was written. `kept`: heads noted earlier (`store.head.read_heads`)."""
    return verify_chain(JOURNAL, venue_id, _chain(session, venue_id), kept)


def _chain(session: Session, venue_id: int) -> Iterator[ChainRecord]:
    rows = session.scalars(
        select(SettingsJournal)
        .where(SettingsJournal.venue_id == venue_id)
        .order_by(SettingsJournal.number)
        .execution_options(yield_per=100, populate_existing=True)
    )
    for row in rows:
        yield ChainRecord(number=row.number, prev=row.prev, hash=row.hash, body=row.body, misfit=_misfit(row))


def _misfit(row: SettingsJournal) -> str | None:
    try:
        wanted = _beside(json.loads(row.body))
    except (ValueError, AttributeError):
        return "its body is not a record"
    for name, value in wanted.items():
        if getattr(row, name) != value:
            return f"{name} is {getattr(row, name)!r} beside the body and {value!r} in it"
    return None
