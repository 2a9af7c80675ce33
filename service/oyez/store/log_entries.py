"""What the log says, one entry an occurrence: the records of its claim and its end made one.

Values only: reads no table. All `_ms` are milliseconds of UTC; what is not known is None.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

Outcome = Literal["sent", "cut", "not_sent", "sounding"]
OUTCOMES: tuple[Outcome, ...] = ("sent", "cut", "not_sent", "sounding")


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneEntry:
    """One zone of an occurrence. end_ms and outcome differ from the entry's where it was cut here only."""

    zone: str
    outcome: Outcome
    end_ms: int | None
    gain_db: float | None
    duck_depth_db: float | None
    loudness_lufs: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEntry:
    """One occurrence.

    outcome      "sent": at least one zone had it to its end; "cut": none had; "not_sent"; "sounding": claimed and
                 not yet ended. What became of it in each zone is in `per_zone`
    planned_ms   planned start, planned_end_ms its end; None for what never had a place
    actual_ms    first sample at the converter; None while not known and for what was not sent
    lateness_ms  actual minus nominal start
    left_out     (zone, reason)
    clips        (clip, SHA-256 of its audio)
    rounds_done  completed rounds, None while not ended
    numbers      its records in the log
    """

    id: str
    rule: str | None
    title: str
    priority: int | None
    nominal_ms: int
    planned_ms: int | None
    planned_end_ms: int | None
    actual_ms: int | None
    end_ms: int | None
    lateness_ms: int | None
    zones: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    per_zone: tuple[ZoneEntry, ...]
    outcome: Outcome
    reason: str
    asked_by: str | None
    clips: tuple[tuple[str, str | None], ...]
    rounds_done: int | None
    at_ms: int
    numbers: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEvent:
    """What happened to the service. `what` is a stable word, `detail` the rest of the record."""

    number: int
    at_ms: int
    what: str
    reason: str | None
    detail: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogRecord:
    """One record as it was added; `body` holds the record's tree."""

    number: int
    kind: str
    at_ms: int
    occurrence: str | None
    body: Mapping[str, Any]
    hash: str


def merge(records: Iterable[LogRecord]) -> tuple[LogEntry, ...]:
    """Entries of all claims, ends and unsents, sorted by nominal start, then by their first record."""
    grouped: dict[str, dict[str, LogRecord]] = {}
    for record in records:
        if record.occurrence is not None:
            grouped.setdefault(record.occurrence, {})[record.kind] = record
    entries = [_entry(occurrence, by_kind) for occurrence, by_kind in grouped.items()]
    return tuple(sorted(entries, key=lambda e: (e.nominal_ms, e.numbers)))


def events(records: Iterable[LogRecord]) -> tuple[LogEvent, ...]:
    """The events among the records, in their order."""
    return tuple(
        LogEvent(
            number=r.number,
            at_ms=r.at_ms,
            what=str(r.body.get("what", "")),
            reason=r.body.get("reason"),
            detail={k: v for k, v in r.body.items() if k not in _EVENT_OWN},
        )
        for r in records
        if r.kind == "event"
    )


_EVENT_OWN = frozenset({"kind", "what", "reason", "at_ms", "boot", "boot_seq"})


def _entry(occurrence: str, by_kind: Mapping[str, LogRecord]) -> LogEntry:
    claim, end, unsent = (by_kind.get(kind) for kind in ("claim", "end", "unsent"))
    claimed: Mapping[str, Any] = claim.body if claim else {}
    ended: Mapping[str, Any] = end.body if end else {}
    begun: Mapping[str, Any] = {
        **(unsent.body if unsent else {}),
        **{k: v for k, v in ended.items() if v is not None},
    }
    known = {**begun, **claimed}
    if end is not None:
        outcome, reason = _outcome(ended.get("outcome")), str(ended.get("reason") or known.get("reason") or "")
    elif unsent is not None:
        outcome, reason = "not_sent", str(unsent.body.get("reason") or "")
    else:
        outcome, reason = "sounding", str(claimed.get("reason") or "")
    nominal_ms = int(known["nominal_ms"])
    actual_ms = ended.get("actual_ms")
    zones = tuple(known.get("zones") or [z["zone"] for z in ended.get("per_zone", ())])
    present = sorted(by_kind.values(), key=lambda r: r.number)
    return LogEntry(
        id=occurrence,
        rule=known.get("rule"),
        title=str(known.get("title") or known.get("rule") or occurrence),
        priority=known.get("priority"),
        nominal_ms=nominal_ms,
        planned_ms=known.get("planned_ms"),
        planned_end_ms=claimed.get("planned_end_ms"),
        actual_ms=actual_ms,
        end_ms=ended.get("end_ms"),
        lateness_ms=None if actual_ms is None else actual_ms - nominal_ms,
        zones=zones,
        left_out=tuple((str(zone), str(why)) for zone, why in known.get("left_out") or ()),
        per_zone=_zones(zones, claimed, ended, outcome),
        outcome=outcome,
        reason=reason,
        asked_by=claimed.get("asked_by") or known.get("asked_by"),
        clips=tuple((str(c["clip"]), c.get("sha256")) for c in claimed.get("clips") or ()),
        rounds_done=ended.get("rounds_done"),
        at_ms=present[-1].at_ms,
        numbers=tuple(r.number for r in present),
    )


def _outcome(word: Any) -> Outcome:
    return word if word in {"sent", "cut", "not_sent"} else "not_sent"


def _zones(
    zones: tuple[str, ...], claimed: Mapping[str, Any], ended: Mapping[str, Any], outcome: Outcome
) -> tuple[ZoneEntry, ...]:
    before = {z["zone"]: z for z in claimed.get("per_zone") or ()}
    after = {z["zone"]: z for z in ended.get("per_zone") or ()}
    names = [*zones, *(z for z in after if z not in zones)]
    return tuple(
        ZoneEntry(
            zone=name,
            outcome=_outcome(after[name]["outcome"]) if "outcome" in after.get(name, {}) else outcome,
            end_ms=after.get(name, {}).get("end_ms", ended.get("end_ms")),
            gain_db=before.get(name, {}).get("gain_db"),
            duck_depth_db=before.get(name, {}).get("duck_depth_db"),
            loudness_lufs=after.get(name, {}).get("loudness_lufs"),
        )
        for name in names
    )
