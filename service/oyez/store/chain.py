r"""How records are chained, so that a removed, altered or reordered one shows. Computes only: no table, no file.

The hash of record `number` is the SHA-256, in lower-case hexadecimal, of these UTF-8 bytes:

    LABEL \n VENUE \n NUMBER \n PREVIOUS \n BODY

LABEL     "oyez-log-1" or "oyez-journal-1"
VENUE     the venue's id in the database, decimal
NUMBER    1, 2, 3, ... without gaps, one count a venue and label, decimal
PREVIOUS  the hash of record NUMBER - 1, or 64 times "0" for record 1
BODY      the record as canonical JSON: keys sorted by code point, no blanks, separators "," and ":", text as
          UTF-8 (not escaped beyond what JSON asks for), no NaN and no infinity

What this shows and what not: whoever can write the database can also compute the whole chain anew from the
record they changed. That shows only against a hash kept where they cannot write (`store.head`).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

GENESIS = "0" * 64
LOG = "oyez-log-1"
JOURNAL = "oyez-journal-1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The last record of a chain. number 0 and the genesis hash when there is none."""

    number: int
    hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainRecord:
    """One record as stored. `misfit`: what stands beside the body and contradicts it, None when nothing does."""

    number: int
    prev: str
    hash: str
    body: str
    misfit: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """ok         every record is there, unaltered, in order, up to the head that was kept
    records    how many were looked at
    first_bad  number of the first record that is not what was written, None when ok
    reason     what is wrong, in plain words; what could not be compared, when ok; else None
    head       the last record
    """

    ok: bool
    records: int
    first_bad: int | None
    reason: str | None
    head: Head


def canonical(tree: Any) -> str:
    """The record's canonical JSON. Raises ValueError when it holds NaN, infinity or what JSON cannot say."""
    try:
        return json.dumps(tree, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    except TypeError as error:
        raise ValueError(f"record cannot be kept as JSON: {error}") from error


def chain_hash(label: str, venue_id: int, number: int, prev: str, body: str) -> str:
    """Hash of one record; the module's docstring says over which bytes."""
    return hashlib.sha256(f"{label}\n{venue_id}\n{number}\n{prev}\n{body}".encode()).hexdigest()


def verify_chain(
    label: str, venue_id: int, records: Iterable[ChainRecord], kept: Sequence[Head] | None = None
) -> Verified:
    """Walk the chain, records sorted by number, and compare it with the heads that were kept.

    kept  heads as they stood at earlier times; None when none was kept: then nothing can be said about records
          removed from the end, and `reason` says so
    """
    count, prev = 0, GENESIS
    waiting: dict[int, set[str]] = {}
    for head in kept or ():
        if head.number > 0:
            waiting.setdefault(head.number, set()).add(head.hash)

    def bad(number: int, reason: str) -> Verified:
        head = Head(number=count, hash=prev)
        return Verified(ok=False, records=count, first_bad=number, reason=reason, head=head)

    for record in records:
        wanted = count + 1
        if record.number != wanted:
            return bad(wanted, f"{_records(wanted, record.number - 1)} gone")
        if record.prev != prev:
            return bad(record.number, f"record {record.number} does not follow the one before it")
        if record.hash != chain_hash(label, venue_id, record.number, prev, record.body):
            return bad(record.number, f"record {record.number} was altered")
        if record.misfit is not None:
            return bad(record.number, f"record {record.number} was altered: {record.misfit}")
        if waiting.pop(record.number, {record.hash}) != {record.hash}:
            return bad(record.number, f"record {record.number} was written anew: its hash is not the one kept")
        count, prev = record.number, record.hash
    if waiting:
        last = max(waiting)
        return bad(count + 1, f"{_records(count + 1, last)} gone from the end: the hash of record {last} was kept")
    note = (
        None if kept is not None else "no head was kept to compare with: records gone from the end would not show"
    )
    return Verified(ok=True, records=count, first_bad=None, reason=note, head=Head(number=count, hash=prev))


def _records(first: int, last: int) -> str:
    return f"record {first} is" if first >= last else f"records {first} to {last} are"
