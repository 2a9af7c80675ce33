"""Why an announcement is where it is, and what would change that: worked out when asked for, each way tried out.

The plan's own reasons are quick and suppose that all else stays. Here each change is made and the day planned
again, so that a suggestion holds, and what it would cost others is known. Pure: same question, same answer.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal
from zoneinfo import ZoneInfo

from oyez.errors import InputError
from oyez.planning.board import Board, Job
from oyez.planning.byhand import barred
from oyez.planning.day import plan_day
from oyez.planning.hours import OperatingDay
from oyez.planning.occurrences import occurrences
from oyez.planning.place import place
from oyez.planning.quiet import by_zone, quiet_spans
from oyez.planning.reasons import longest_wait_ms, span_words
from oyez.planning.time import to_local
from oyez.planning.types import Obstacle, Occurrence, Plan, Play, QuietSpan, Unplaced
from oyez.venue.facts import ClipFacts
from oyez.venue.models import Rule, VenueFile
from oyez.venue.units import read_clock, to_ms

REACH_MS = 6 * 3_600_000  # how far away another time is looked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """A change that was tried out and lets the announcement in, or on time.

    change    "wait", "later", "earlier" or "priority"
    value     seconds for the first three, the new priority for the last
    start_ms  when it then starts
    costs     what it does to others, in words; empty when nobody else is touched
    """

    change: Literal["wait", "later", "earlier", "priority"]
    value: float
    start_ms: int
    words: str
    costs: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Why:
    """What became of one occurrence and why. `start_ms` None: it found no place."""

    id: str
    rule: str
    title: str
    nominal_ms: int
    start_ms: int | None
    zones: tuple[str, ...]
    priority: int
    reason: str
    obstacles: tuple[Obstacle, ...]
    suggestions: tuple[Suggestion, ...]


def find_occurrences(venue: VenueFile, plan: Plan, asked: str) -> tuple[Play | Unplaced, ...]:
    """The plan's entries that "RULE@TIME" means: TIME by the clock (17:45, 17:45:30) or in ms, "/ZONE" behind it
    for one zone of a rule that takes them one by one. Raises InputError, naming the times there are.
    """
    rule_id, at, rest = asked.partition("@")
    time, _, zone = rest.partition("/")
    entries: list[Play | Unplaced] = [*plan.plays, *plan.unplaced]
    of_rule = [x for x in entries if x.rule == rule_id]
    if not at or not any(rule.id == rule_id for rule in venue.rules):
        raise InputError(f"--why is '{asked}', allowed are a rule and its time, like closing-15@17:45")
    local = ZoneInfo(plan.timezone)
    if time.isdigit():
        found = [x for x in of_rule if x.nominal_ms == int(time)]
    else:
        try:
            seconds = read_clock(time).seconds
        except ValueError as error:
            raise InputError(f"--why is '{asked}': the time {error}") from None
        found = [x for x in of_rule if _clock_s(local, x.nominal_ms) == seconds]
    found = [x for x in found if not zone or zone in x.zones]
    if not found:
        times = sorted({x.nominal_ms for x in of_rule})
        named = ", ".join(_clock(local, t) for t in times[:12]) or "none"
        raise InputError(f"--why is '{asked}', the times of rule '{rule_id}' on {plan.date} are: {named}")
    return tuple(found)


def _clock_s(zone: ZoneInfo, at_ms: int) -> int:
    local = to_local(zone, at_ms)
    return local.hour * 3600 + local.minute * 60 + local.second


def explain(
    venue: VenueFile, date: dt.date, facts: Mapping[str, ClipFacts], plan: Plan, entry: Play | Unplaced
) -> Why:
    """The reason of one entry of the day's plan, with every suggestion tried out.

    plan  of this venue and date, without anything live
    """
    start_ms = entry.start_ms if isinstance(entry, Play) else None
    suggestions: tuple[Suggestion, ...] = ()
    if start_ms != entry.nominal_ms and entry.zones:
        suggestions = tuple(_Trial(venue, date, facts, plan, entry).suggestions())
    return Why(
        id=entry.id,
        rule=entry.rule,
        title=entry.title,
        nominal_ms=entry.nominal_ms,
        start_ms=start_ms,
        zones=entry.zones,
        priority=entry.priority,
        reason=entry.reason,
        obstacles=entry.obstacles,
        suggestions=suggestions,
    )


class _Trial:
    """One day, to be planned again with changes."""

    def __init__(
        self,
        venue: VenueFile,
        date: dt.date,
        facts: Mapping[str, ClipFacts],
        plan: Plan,
        entry: Play | Unplaced,
    ) -> None:
        self._venue, self._date, self._facts, self._plan, self._entry = venue, date, facts, plan, entry
        self._day = OperatingDay(venue, date)
        self._quiet: Mapping[str, tuple[QuietSpan, ...]] = by_zone(quiet_spans(self._day))
        found = list(occurrences(self._day, facts, self._quiet))
        self._wanted, self._out = barred(venue, date, found, None)
        self._mine = next((o for o in self._wanted if o.id == entry.id), None)
        self._before = {p.id: p.start_ms for p in plan.plays}

    def suggestions(self) -> Iterator[Suggestion]:
        if self._mine is None:  # skipped, or its clip is outside its campaign: no other time helps
            return
        mine, rule = self._mine, self._venue.rules[self._mine.order]
        later, earlier = self._free_starts(mine)
        if isinstance(self._entry, Unplaced) and later is not None:
            yield from self._wait(mine, rule, later - mine.nominal_ms)
        if later is not None:
            yield from self._moved(mine, later)
        if earlier is not None:
            yield from self._moved(mine, earlier)
        yield from self._priority(mine, rule)

    def _free_starts(self, mine: Occurrence) -> tuple[int | None, int | None]:
        """The nearest starts after and before its nominal one that all of its priority and above leave free."""
        venue = self._venue
        board = Board(
            (z.id for z in venue.zones),
            self._quiet,
            gap_ms=to_ms(venue.venue.gap_s),
            max_per_hour=venue.limits.max_per_hour,
            cap_below=venue.limits.cap_below,
        )
        by_id = {o.id: o for o in self._wanted}
        for number, play in enumerate(self._plan.plays):
            if play.priority >= mine.priority and play.id != mine.id:
                board.put(board.job(number, by_id[play.id]), play.start_ms)
        job: Job = board.job(len(self._plan.plays), mine)
        last_ms = min(self._day.span.end_ms - 1, mine.nominal_ms + REACH_MS)
        first_ms = max(self._day.span.start_ms, mine.nominal_ms - REACH_MS)
        if mine.ends_by_ms is not None:
            last_ms = min(last_ms, mine.ends_by_ms - mine.duration_ms)
            opening = self._day.opening(self._venue.rules[mine.order].hours).periods
            first_ms = max([first_ms] + [p.start_ms for p in opening if p.start_ms <= mine.nominal_ms < p.end_ms])
        later = board.earliest(job, mine.nominal_ms + 1, last_ms) if last_ms > mine.nominal_ms else None
        return later, board.latest(job, min(mine.nominal_ms - 1, last_ms), first_ms)

    def _wait(self, mine: Occurrence, rule: Rule, needed_ms: int) -> Iterator[Suggestion]:
        """More patience: whole seconds, the least that is enough."""
        longest_s = longest_wait_ms(rule) // 1000
        wait_s = -(-needed_ms // 1000)
        if wait_s > longest_s:
            return
        changed = self._with_rule(mine.order, rule.model_copy(update={"wait_s": float(wait_s)}))
        yield from self._told("wait", wait_s, f"give it `wait_s = {wait_s}`", changed, mine.id)

    def _moved(self, mine: Occurrence, start_ms: int) -> Iterator[Suggestion]:
        """Another time, whole seconds away where that is free too."""
        by_ms = start_ms - mine.nominal_ms
        whole_ms = -(-abs(by_ms) // 1000) * 1000 * (1 if by_ms > 0 else -1)
        for shift_ms in dict.fromkeys((whole_ms, by_ms)):
            patience_ms = mine.latest_ms - mine.nominal_ms
            moved = replace(
                mine,
                nominal_ms=mine.nominal_ms + shift_ms,
                latest_ms=min(mine.nominal_ms + shift_ms + patience_ms, self._day.span.end_ms - 1),
            )
            placed = place(
                self._venue,
                self._day.span,
                [moved if o.id == mine.id else o for o in self._wanted],
                self._quiet,
            ).placed
            starts = {p.occurrence.id: p.start_ms for p in placed if p.start_ms is not None}
            if starts.get(mine.id) == moved.nominal_ms:
                change: Literal["later", "earlier"] = "later" if shift_ms > 0 else "earlier"
                words = f"have it {span_words(abs(shift_ms))} {change}"
                yield Suggestion(
                    change=change,
                    value=abs(shift_ms) / 1000,
                    start_ms=moved.nominal_ms,
                    words=words,
                    costs=tuple(self._costs(starts, mine.id)),
                )
                return

    def _priority(self, mine: Occurrence, rule: Rule) -> Iterator[Suggestion]:
        """A priority over those that stood in its way."""
        over = [o for o in self._entry.obstacles if o.kind == "play" and o.priority is not None]
        if not over or len(over) != len(self._entry.obstacles):
            return
        level = max(o.priority or 0 for o in over) + 1
        if level <= rule.priority or level > 100:
            return
        patience_s = rule.patience_ms / 1000  # a step's own patience shall not come with it
        changed = self._with_rule(
            mine.order,
            rule.model_copy(update={"priority": level, "wait_s": patience_s, "after_cut": rule.when_cut}),
        )
        names = ", ".join(dict.fromkeys(f"'{o.what}'" for o in over))
        yield from self._told("priority", level, f"give it a priority over {names} ({level})", changed, mine.id)

    def _with_rule(self, order: int, rule: Rule) -> VenueFile:
        rules = (*self._venue.rules[:order], rule, *self._venue.rules[order + 1 :])
        return self._venue.model_copy(update={"rules": rules})

    def _told(
        self,
        change: Literal["wait", "priority"],
        value: float,
        words: str,
        changed: VenueFile,
        mine: str,
    ) -> Iterator[Suggestion]:
        """The suggestion, if planning again shows that it holds: placed, or sooner than before."""
        starts = {p.id: p.start_ms for p in plan_day(changed, self._date, self._facts).plays}
        start_ms, was_ms = starts.get(mine), self._before.get(mine)
        if start_ms is not None and (was_ms is None or start_ms < was_ms):
            yield Suggestion(
                change=change, value=value, start_ms=start_ms, words=words, costs=tuple(self._costs(starts, mine))
            )

    def _costs(self, starts: Mapping[str, int], mine: str) -> Iterator[str]:
        """What others lose by it: a place, or time."""
        titles: dict[str, Occurrence] = {o.id: o for o in self._wanted}
        for name, was_ms in self._before.items():
            if name == mine:
                continue
            o, now_ms = titles[name], starts.get(name)
            which = f"'{o.title}' of {_clock(self._day.zone, o.nominal_ms)}"
            if now_ms is None:
                yield f"{which} then finds no place"
            elif now_ms > was_ms:
                yield f"{which} then starts {span_words(now_ms - was_ms)} later"


def _clock(zone: ZoneInfo, at_ms: int) -> str:
    return f"{to_local(zone, at_ms):%H:%M:%S}".removesuffix(":00")


def why_tree(answers: Iterable[Why]) -> list[dict[str, Any]]:
    """As plain JSON values."""
    return [
        {
            "rule": w.rule,
            "nominal_ms": w.nominal_ms,
            "start_ms": w.start_ms,
            "zones": list(w.zones),
            "priority": w.priority,
            "reason": w.reason,
            "obstacles": [
                {
                    "kind": o.kind, "zone": o.zone, "start_ms": o.start_ms, "end_ms": o.end_ms, "what": o.what,
                    "priority": o.priority,
                }
                for o in w.obstacles
            ],
            "suggestions": [
                {
                    "change": s.change, "value": s.value, "start_ms": s.start_ms, "words": s.words,
                    "costs": list(s.costs),
                }
                for s in w.suggestions
            ],
        }
        for w in answers
    ]  # fmt: skip
