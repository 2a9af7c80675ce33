"""What passed its latest start without being begun: who should have been heard, and why it was not.

Holds what is expected of the running day, from plan to plan: a reason given while an occurrence could still have
started is the one that is logged. Decides only; reads no database and no clock.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from oyez.planning.types import Occurrence, Plan, Play, Unplaced
from oyez.venue.models import VenueFile

GRACE_MS = 2_000
NOT_RUNNING = "the service was not running"


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """One occurrence of the plan. start_ms None when it found no place; `reason` is why it would not be heard."""

    id: str
    rule: str
    title: str
    priority: int
    nominal_ms: int
    start_ms: int | None
    latest_ms: int
    zones: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    reason: str | None

    def unsent(self, *, at_ms: int, reason: str) -> dict[str, Any]:
        """The log's record of kind unsent."""
        return {
            "kind": "unsent",
            "id": self.id,
            "rule": self.rule,
            "title": self.title,
            "priority": self.priority,
            "nominal_ms": self.nominal_ms,
            "planned_ms": self.start_ms,
            "zones": list(self.zones),
            "left_out": [list(pair) for pair in self.left_out],
            "reason": reason,
            "at_ms": at_ms,
        }


def expected_of(
    venue: VenueFile, plan: Plan, *, events: Mapping[str, Occurrence] = MappingProxyType({})
) -> tuple[Expected, ...]:
    """Every occurrence of a plan, with its latest start.

    events  what a person asked for or was cut, by id: they know their own latest start
    """
    placed = [_expected(play, play.latest_ms, play.start_ms, None) for play in plan.plays]
    lost = [_expected(one, _latest_ms(venue, plan, one, events), None, one.reason) for one in plan.unplaced]
    return (*placed, *lost)


def _expected(one: Play | Unplaced, latest_ms: int, start_ms: int | None, reason: str | None) -> Expected:
    return Expected(
        id=one.id,
        rule=one.rule,
        title=one.title,
        priority=one.priority,
        nominal_ms=one.nominal_ms,
        start_ms=start_ms,
        latest_ms=latest_ms,
        zones=one.zones,
        left_out=tuple((left.zone, left.reason) for left in one.left_out),
        reason=reason,
    )


def _latest_ms(venue: VenueFile, plan: Plan, one: Unplaced, events: Mapping[str, Occurrence]) -> int:
    if one.id in events:
        return events[one.id].latest_ms
    return min(one.nominal_ms + venue.rule(one.rule).patience_ms, max(plan.ends_ms - 1, one.nominal_ms))


class Expectations:
    """What the running day still owes, from plan to plan."""

    def __init__(self) -> None:
        self._waiting: dict[str, Expected] = {}

    def renew(self, found: Collection[Expected], *, now_ms: int, begun: Collection[str]) -> None:
        """Take over a new plan. What it no longer holds is forgotten, unless its latest start has passed: that is
        still owed a record. What was past its latest start before it was ever expected is owed none.
        """
        owed = {o: e for o, e in self._waiting.items() if e.latest_ms <= now_ms}
        coming = {e.id: e for e in found if e.latest_ms > now_ms and e.id not in begun}
        self._waiting = {**coming, **owed}

    def explain(self, occurrence: str, reason: str) -> None:
        """Why it will not sound although it has a place."""
        found = self._waiting.get(occurrence)
        if found is not None:
            self._waiting[occurrence] = dataclasses.replace(found, reason=reason)

    def settle(self, occurrence: str) -> None:
        """It was claimed, or is logged otherwise."""
        self._waiting.pop(occurrence, None)

    def overdue(self, now_ms: int) -> tuple[Expected, ...]:
        """What cannot start any more, by latest start."""
        found = [e for e in self._waiting.values() if e.latest_ms + GRACE_MS <= now_ms]
        return tuple(sorted(found, key=lambda e: (e.latest_ms, e.id)))

    def late(self, now_ms: int) -> bool:
        """Whether something should have begun by now and can still start later: time to plan anew."""
        return any(
            e.start_ms is not None and e.reason is None and e.start_ms + GRACE_MS <= now_ms < e.latest_ms
            for e in self._waiting.values()
        )

    def starts_of(self, occurrence: str) -> int | None:
        found = self._waiting.get(occurrence)
        return None if found is None else found.start_ms
