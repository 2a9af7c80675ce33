"""What planning must know of what already happened: which plays hold or held their zones, which are finished.

Filled from the log's records, in memory. Reads no database and no clock.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from oyez.planning.types import Taken


@dataclass(slots=True)
class _Known:
    claim: Mapping[str, Any] | None = None
    end: Mapping[str, Any] | None = None
    unsent: bool = False
    cut_ms: dict[str, int] = field(default_factory=dict)


class Ledger:
    """Records by occurrence. `add` takes them in any order and as often as they come."""

    def __init__(self) -> None:
        self._known: dict[str, _Known] = {}

    def add(self, record: Mapping[str, Any]) -> None:
        kind = record.get("kind")
        if kind not in {"claim", "end", "unsent"}:
            return
        known = self._known.setdefault(str(record["id"]), _Known())
        if kind == "claim" and known.claim is None:
            known.claim = record
        elif kind == "end" and known.end is None:
            known.end = record
        elif kind == "unsent":
            known.unsent = True

    def cut(self, occurrence: str, zones: Sequence[str], at_ms: int) -> None:
        """Zones taken from a play that goes on elsewhere: free from then on, before its end is recorded."""
        known = self._known.get(occurrence)
        if known is not None:
            known.cut_ms.update(dict.fromkeys(zones, at_ms))

    def forget_before(self, ms: int) -> None:
        """Drop what was planned to be over before then."""
        for occurrence, known in list(self._known.items()):
            tree = known.claim or known.end
            over_ms = None if tree is None else tree.get("planned_end_ms") or tree.get("end_ms")
            if over_ms is not None and over_ms < ms and (known.end is not None or known.unsent):
                del self._known[occurrence]

    def __contains__(self, occurrence: object) -> bool:
        return occurrence in self._known

    def claim_of(self, occurrence: str) -> Mapping[str, Any] | None:
        known = self._known.get(occurrence)
        return known.claim if known else None

    def done(self) -> frozenset[str]:
        """Ended, or given up."""
        return frozenset(o for o, k in self._known.items() if k.end is not None or k.unsent)

    def known(self) -> frozenset[str]:
        """All it has heard of."""
        return frozenset(self._known)

    def open(self) -> frozenset[str]:
        """Claimed and not yet ended."""
        return frozenset(o for o, k in self._known.items() if k.claim is not None and k.end is None)

    def taken(self) -> tuple[Taken, ...]:
        """Plays that hold or held their zones, by start. One that was cut in some zones only is one a cut."""
        found = [taken for occurrence, known in self._known.items() for taken in _taken(occurrence, known)]
        return tuple(sorted(found, key=lambda t: (t.start_ms, t.id, t.zones)))


def _taken(occurrence: str, known: _Known) -> list[Taken]:
    claim, end = known.claim, known.end
    if claim is None or (end is not None and end.get("outcome") == "not_sent"):
        return []
    start_ms, planned_end_ms = int(claim["planned_ms"]), int(claim["planned_end_ms"])
    over_ms: dict[str, int] = dict.fromkeys(claim["zones"], planned_end_ms)
    over_ms.update({zone: at for zone, at in known.cut_ms.items() if zone in over_ms})
    if end is not None:
        start_ms = end.get("actual_ms") or start_ms
        if end.get("end_ms") is not None:
            over_ms = dict.fromkeys(claim["zones"], int(end["end_ms"]))
        over_ms.update(
            {z["zone"]: int(z["end_ms"]) for z in end.get("per_zone") or () if z.get("end_ms") is not None}
        )
    by_end: dict[int, list[str]] = {}
    for zone, at_ms in over_ms.items():
        by_end.setdefault(at_ms, []).append(zone)
    return [
        Taken(
            id=occurrence,
            rule=str(claim.get("rule") or ""),
            title=str(claim.get("title") or claim.get("rule") or occurrence),
            start_ms=start_ms,
            end_ms=max(start_ms, at_ms),
            zones=tuple(zones),
            priority=int(claim.get("priority") or 0),
            live_voice=bool(claim.get("live_voice", False)),
        )
        for at_ms, zones in by_end.items()
    ]
