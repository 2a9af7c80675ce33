"""What a change makes of a day: which plays move, come, go or sound otherwise. Two plans in, differences out.

Pure. A play is known by its occurrence: rule and nominal start, and the zone where zones take it one by one. Where
a rule's times themselves change its plays are paired in order, so that one that went from 17:45 to 17:50 moved.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from oyez.planning.reasons import span_words
from oyez.planning.types import Plan, Play, Unplaced

Kind = Literal["moved", "added", "dropped", "changed"]
NOT_ASKED = "no longer asked for"
NEWLY_ASKED = "newly asked for"


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """What becomes of one play.

    before_ms, after_ms  its start in either plan; None where it has none
    zones                those it sounds in after the change, or did before where it is dropped
    reason               in plain words: why it was dropped or added, where it stands now, what else changed
    """

    kind: Kind
    date: dt.date
    rule: str
    title: str
    priority: int
    zones: tuple[str, ...]
    before_ms: int | None
    after_ms: int | None
    reason: str


def compare(before: Plan, after: Plan) -> tuple[Difference, ...]:
    """Every difference between two plans of one operating day, by time, then by rule. Empty when all sounds alike.

    Raises ValueError for plans of two dates.
    """
    if before.date != after.date:
        raise ValueError(f"plans are of {before.date} and {after.date}, allowed are plans of one date")
    found = list(_differences(before, after))
    return tuple(sorted(found, key=lambda d: (_when(d), d.rule, d.zones, d.kind)))


def _when(found: Difference) -> int:
    known = found.after_ms if found.before_ms is None else found.before_ms
    assert known is not None
    return known


def _differences(before: Plan, after: Plan) -> Iterator[Difference]:
    old, new = {p.id: p for p in before.plays}, {p.id: p for p in after.plays}
    for name, play in new.items():
        if name in old:
            yield from _same(after, old[name], play)
    gone = _by_asker(p for p in before.plays if p.id not in new)
    come = _by_asker(p for p in after.plays if p.id not in old)
    waiting_before = {u.id: u for u in before.unplaced}
    waiting_after = {u.id: u for u in after.unplaced}
    for asker in dict.fromkeys([*gone, *come]):
        was, now = gone.get(asker, []), come.get(asker, [])
        retimed = [p for p in was if p.id not in waiting_after], [p for p in now if p.id not in waiting_before]
        if retimed[0] and len(retimed[0]) == len(retimed[1]):
            for one, other in zip(*retimed, strict=True):
                yield _moved(after, one, other)
            was = [p for p in was if p.id in waiting_after]
            now = [p for p in now if p.id in waiting_before]
        for play in was:
            lost = waiting_after.get(play.id)
            why = lost.reason if lost else NOT_ASKED
            yield _difference("dropped", after, play, before_ms=play.start_ms, after_ms=None, reason=why)
        for play in now:
            why = play.reason if play.id in waiting_before else NEWLY_ASKED
            yield _difference("added", after, play, before_ms=None, after_ms=play.start_ms, reason=why)


def _by_asker(plays: Iterator[Play]) -> dict[tuple[str, str], list[Play]]:
    """By rule, and by zone where zones take it one by one; in order of nominal start."""
    found: dict[tuple[str, str], list[Play]] = defaultdict(list)
    for play in plays:
        found[play.rule, play.id.partition("/")[2]].append(play)
    return {asker: sorted(of, key=lambda p: (p.nominal_ms, p.id)) for asker, of in found.items()}


def _same(after: Plan, one: Play, other: Play) -> Iterator[Difference]:
    """The same occurrence in both: it may start at another time, or sound otherwise."""
    if one.start_ms != other.start_ms:
        yield _moved(after, one, other)
        return
    words = list(_otherwise(one, other))
    if words:
        yield _difference(
            "changed", after, other, before_ms=one.start_ms, after_ms=other.start_ms, reason="; ".join(words)
        )


def _otherwise(one: Play, other: Play) -> Iterator[str]:
    more = [z for z in other.zones if z not in one.zones]
    fewer = [z for z in one.zones if z not in other.zones]
    if more:
        yield f"also in {', '.join(more)}"
    if fewer:
        yield f"no longer in {', '.join(fewer)}"
    longer_ms = (other.end_ms - other.start_ms) - (one.end_ms - one.start_ms)
    if longer_ms:
        yield f"{span_words(abs(longer_ms))} {'longer' if longer_ms > 0 else 'shorter'}"
    if (one.chime, one.clips) != (other.chime, other.clips):
        yield "with other clips"
    if one.priority != other.priority:
        yield f"priority {one.priority} -> {other.priority}"
    if one.title != other.title:
        yield f"called '{one.title}' before"
    if one.ducks != other.ducks:
        yield "the music steps back otherwise"


def _moved(plan: Plan, one: Play, other: Play) -> Difference:
    return _difference("moved", plan, other, before_ms=one.start_ms, after_ms=other.start_ms, reason=other.reason)


def _difference(
    kind: Kind, plan: Plan, play: Play, *, before_ms: int | None, after_ms: int | None, reason: str
) -> Difference:
    return Difference(
        kind=kind,
        date=plan.date,
        rule=play.rule,
        title=play.title,
        priority=play.priority,
        zones=play.zones,
        before_ms=before_ms,
        after_ms=after_ms,
        reason=reason,
    )


def difference_tree(found: Difference) -> dict[str, Any]:
    """As plain JSON values; `_ms` are milliseconds of UTC since 1970."""
    return {
        "kind": found.kind,
        "date": found.date.isoformat(),
        "rule": found.rule,
        "title": found.title,
        "priority": found.priority,
        "zones": list(found.zones),
        "before_ms": found.before_ms,
        "after_ms": found.after_ms,
        "reason": found.reason,
    }


def newly_lost(before: Plan, after: Plan) -> tuple[Unplaced, ...]:
    """Occurrences that found no place after the change, and were not without one before it."""
    known = {u.id for u in before.unplaced}
    return tuple(u for u in after.unplaced if u.id not in known)


def counts(found: Sequence[Difference]) -> dict[Kind, int]:
    """How many of each kind, all kinds named."""
    kinds: tuple[Kind, ...] = ("moved", "added", "dropped", "changed")
    return {kind: sum(d.kind == kind for d in found) for kind in kinds}
