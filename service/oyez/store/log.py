"""The log: what sounded, what did not, and what happened to the service. Records are only ever added.

One record when an occurrence is claimed, one when it ended, one for what never began, one for an event. Each
carries the hash of the one before it (`store.chain`). An occurrence is claimed at most once and completed at
most once: `append` refuses a second completion, and the table does too. Queries take the session and never
commit. This module touches the log's table alone.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from oyez.errors import InputError
from oyez.store.chain import GENESIS, LOG, ChainRecord, Head, Verified, canonical, chain_hash, verify_chain
from oyez.store.log_entries import LogEntry, LogEvent, LogRecord, Outcome, events, merge
from oyez.store.tables import LogRow

Kind = Literal["claim", "end", "unsent", "event"]
_KINDS: tuple[Kind, ...] = ("claim", "end", "unsent", "event")
_NEEDED: Mapping[Kind, Mapping[str, type]] = {
    "claim": {"id": str, "nominal_ms": int, "planned_ms": int, "planned_end_ms": int, "zones": list, "at_ms": int},
    "end": {"id": str, "nominal_ms": int, "outcome": str, "at_ms": int},
    "unsent": {"id": str, "nominal_ms": int, "zones": list, "reason": str, "at_ms": int},
    "event": {"what": str, "at_ms": int},
}
_COMPLETIONS = ("end", "unsent")


@dataclass(frozen=True, slots=True, kw_only=True)
class Appended:
    """status "added": it is record `number`; "known": it was there already (same boot and boot_seq), as record
    `number`; "refused": it would claim or complete an occurrence a second time, `reason` says so. A refused
    record that came from an engine is kept in an event, record `number`, so that nothing said is lost.
    """

    status: Literal["added", "known", "refused"]
    number: int | None
    reason: str | None = None


def append(
    session: Session,
    venue_id: int,
    record: Mapping[str, Any],
    *,
    boot: str | None = None,
    boot_seq: int | None = None,
) -> Appended:
    """Add one record at the chain's end. Call inside a write transaction; the caller commits.

    boot, boot_seq  which engine wrote it as which line of its journal; None for the web process's own. The same
                    pair is added once, however often it is brought
    Raises InputError when the record lacks what its kind needs.
    """
    kind = _checked(record)
    if (boot is None) != (boot_seq is None):
        raise InputError("log record: boot and boot_seq come together or not at all")
    if boot is not None:
        same = session.scalar(
            select(LogRow.number).where(
                LogRow.venue_id == venue_id, LogRow.boot == boot, LogRow.boot_seq == boot_seq
            )
        )
        if same is not None:
            return Appended(status="known", number=same)
    body = dict(record)
    if boot is not None:
        body |= {"boot": boot, "boot_seq": boot_seq}
    refusal = None if kind == "event" else _refusal(session, venue_id, kind, str(record["id"]))
    if refusal is None:
        return Appended(status="added", number=_add(session, venue_id, body))
    if boot is None:
        return Appended(status="refused", number=None, reason=refusal)
    kept = {
        "kind": "event",
        "what": "record refused",
        "reason": refusal,
        "at_ms": record["at_ms"],
        "refused": dict(record),
        "boot": boot,
        "boot_seq": boot_seq,
    }
    return Appended(status="refused", number=_add(session, venue_id, kept), reason=refusal)


def _checked(record: Mapping[str, Any]) -> Kind:
    word = record.get("kind")
    kind = next((k for k in _KINDS if k == word), None)
    if kind is None:
        raise InputError(f"log record: kind is {word!r}, allowed are {', '.join(_KINDS)}")
    for key, wanted in _NEEDED[kind].items():
        value = record.get(key)
        if not isinstance(value, wanted) or isinstance(value, bool):
            raise InputError(f"log record of kind {kind}: {key} is {value!r}, needed is {wanted.__name__}")
    return kind


def _refusal(session: Session, venue_id: int, kind: Kind, occurrence: str) -> str | None:
    """Why a record of this kind may not be added for the occurrence, None when it may."""
    there = set(
        session.scalars(select(LogRow.kind).where(LogRow.venue_id == venue_id, LogRow.occurrence == occurrence))
    )
    if "end" in there:
        return f"'{occurrence}' ended already, a second {kind} is not taken"
    if "unsent" in there:
        return f"'{occurrence}' is logged as not sent already, a later {kind} is not taken"
    if "claim" in there and kind != "end":
        return f"'{occurrence}' is claimed already, a later {kind} is not taken"
    return None


def _add(session: Session, venue_id: int, body: Mapping[str, Any]) -> int:
    last = head(session, venue_id)
    text = canonical(body)
    number = last.number + 1
    row = LogRow(
        venue_id=venue_id,
        number=number,
        **_beside(body),
        body=text,
        prev=last.hash,
        hash=chain_hash(LOG, venue_id, number, last.hash, text),
    )
    session.add(row)
    session.flush()
    return number


def _beside(body: Mapping[str, Any]) -> dict[str, Any]:
    """The columns that stand beside the body for queries; each is a copy of what the body says."""
    return {
        "kind": body.get("kind"),
        "at_ms": body.get("at_ms"),
        "occurrence": None if body.get("kind") == "event" else body.get("id"),
        "nominal_ms": body.get("nominal_ms", body.get("at_ms")),
        "boot": body.get("boot"),
        "boot_seq": body.get("boot_seq"),
    }


def head(session: Session, venue_id: int) -> Head:
    """The chain's last record."""
    row = session.execute(
        select(LogRow.number, LogRow.hash)
        .where(LogRow.venue_id == venue_id)
        .order_by(LogRow.number.desc())
        .limit(1)
    ).first()
    return Head(number=0, hash=GENESIS) if row is None else Head(number=row.number, hash=row.hash)


def hash_of(session: Session, venue_id: int, number: int) -> str | None:
    """Hash of one record, None when there is no such record."""
    return session.scalar(select(LogRow.hash).where(LogRow.venue_id == venue_id, LogRow.number == number))


def verify(session: Session, venue_id: int, kept: Sequence[Head] | None = None) -> Verified:
    """Whether every record is as it was written. `kept`: heads noted earlier (`store.head.read_heads`)."""
    return verify_chain(LOG, venue_id, _chain(session, venue_id), kept)


def _chain(session: Session, venue_id: int) -> Iterator[ChainRecord]:
    rows = session.scalars(
        select(LogRow)
        .where(LogRow.venue_id == venue_id)
        .order_by(LogRow.number)
        .execution_options(yield_per=500, populate_existing=True)
    )
    for row in rows:
        yield ChainRecord(number=row.number, prev=row.prev, hash=row.hash, body=row.body, misfit=_misfit(row))


def _misfit(row: LogRow) -> str | None:
    try:
        wanted = _beside(json.loads(row.body))
    except (ValueError, AttributeError):
        return "its body is not a record"
    for name, value in wanted.items():
        if getattr(row, name) != value:
            return f"{name} is {getattr(row, name)!r} beside the body and {value!r} in it"
    return None


def records(
    session: Session,
    venue_id: int,
    *,
    from_ms: int | None = None,
    until_ms: int | None = None,
    after_number: int | None = None,
    kinds: Collection[Kind] | None = None,
) -> tuple[LogRecord, ...]:
    """Records in the order they were added.

    from_ms, until_ms  half-open, of the occurrence's nominal start, or of the event
    after_number       only those added after this one
    """
    query = select(LogRow.number, LogRow.kind, LogRow.at_ms, LogRow.occurrence, LogRow.body, LogRow.hash).where(
        LogRow.venue_id == venue_id
    )
    if from_ms is not None:
        query = query.where(LogRow.nominal_ms >= from_ms)
    if until_ms is not None:
        query = query.where(LogRow.nominal_ms < until_ms)
    if after_number is not None:
        query = query.where(LogRow.number > after_number)
    if kinds is not None:
        query = query.where(LogRow.kind.in_(kinds))
    return tuple(_record(row) for row in session.execute(query.order_by(LogRow.number)))


def _record(row: Any) -> LogRecord:
    """A row as the record it holds; as an event that says so where it is no longer one that could be written."""
    try:
        body = json.loads(row.body)
        if not isinstance(body, dict) or _checked(body) != row.kind:
            raise ValueError("not the record that its row says")
    except (ValueError, InputError):
        why = f"record {row.number} is not what was written; `oyez log verify` looks at all of them"
        body = {"kind": "event", "what": "record unreadable", "reason": why, "at_ms": row.at_ms}
        return LogRecord(
            number=row.number, kind="event", at_ms=row.at_ms, occurrence=None, body=body, hash=row.hash
        )
    return LogRecord(
        number=row.number,
        kind=row.kind,
        at_ms=row.at_ms,
        occurrence=row.occurrence,
        body=body,
        hash=row.hash,
    )


def read(
    session: Session,
    venue_id: int,
    *,
    from_ms: int | None = None,
    until_ms: int | None = None,
    zone: str | None = None,
    outcome: Outcome | None = None,
    rule: str | None = None,
    newest_first: bool = False,
    limit: int | None = None,
) -> tuple[LogEntry, ...]:
    """One entry an occurrence whose nominal start lies in [from_ms, until_ms), by nominal start.

    zone     those that were for this zone, or would have been had it not been left out
    outcome  one of `log_entries.OUTCOMES`
    """
    found = [
        entry
        for entry in merge(
            records(session, venue_id, from_ms=from_ms, until_ms=until_ms, kinds=("claim", "end", "unsent"))
        )
        if (zone is None or zone in entry.zones or any(zone == z for z, _ in entry.left_out))
        and (outcome is None or entry.outcome == outcome)
        and (rule is None or entry.rule == rule)
    ]
    if newest_first:
        found.reverse()
    return tuple(found[:limit])


def read_events(
    session: Session, venue_id: int, *, from_ms: int | None = None, until_ms: int | None = None
) -> tuple[LogEvent, ...]:
    """What happened to the service in [from_ms, until_ms), oldest first."""
    return events(records(session, venue_id, from_ms=from_ms, until_ms=until_ms))


def known(session: Session, venue_id: int, occurrences: Collection[str]) -> frozenset[str]:
    """Those of the occurrences that the log knows in any way: claimed, ended or not sent."""
    wanted = sorted(occurrences)
    found: set[str] = set()
    for start in range(0, len(wanted), 500):
        query = select(LogRow.occurrence).where(
            LogRow.venue_id == venue_id, LogRow.occurrence.in_(wanted[start : start + 500])
        )
        found.update(o for o in session.scalars(query) if o is not None)
    return frozenset(found)


def open_claims(session: Session, venue_id: int) -> tuple[LogRecord, ...]:
    """Claims without an end, oldest first."""
    ended = select(LogRow.occurrence).where(LogRow.venue_id == venue_id, LogRow.kind.in_(_COMPLETIONS))
    rows = session.scalars(
        select(LogRow)
        .where(LogRow.venue_id == venue_id, LogRow.kind == "claim", LogRow.occurrence.not_in(ended))
        .order_by(LogRow.number)
    )
    return tuple(_record(row) for row in rows)


def known_lines(
    session: Session, venue_id: int, boots: Collection[str], *, from_seq: int
) -> frozenset[tuple[str, int]]:
    """(boot, boot_seq) of those engine records of these boots, from this line on, that are in the log."""
    rows = session.execute(
        select(LogRow.boot, LogRow.boot_seq).where(
            LogRow.venue_id == venue_id, LogRow.boot.in_(sorted(boots)), LogRow.boot_seq >= from_seq
        )
    )
    return frozenset((row.boot, row.boot_seq) for row in rows if row.boot is not None and row.boot_seq is not None)


def last_at_ms(session: Session, venue_id: int) -> int | None:
    """When the last record was made, None when there is none."""
    row = session.execute(
        select(LogRow.at_ms).where(LogRow.venue_id == venue_id).order_by(LogRow.number.desc()).limit(1)
    ).first()
    return None if row is None else int(row.at_ms)
