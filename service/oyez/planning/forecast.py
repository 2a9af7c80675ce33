"""What the days to come show to be doubtful: calls while closed, doubles, who always loses, too much promotion.

Days from `today` on are looked at, and planned as designed where the durations of all clips are known. Work is
counted in occurrences, never in time, so that every machine says the same. Looks at no clock.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations, islice
from zoneinfo import ZoneInfo

from oyez.errors import Fault, InputError
from oyez.planning.day import plan_day
from oyez.planning.hours import OperatingDay
from oyez.planning.occurrences import nominals
from oyez.planning.time import LAST_DATE, to_local
from oyez.planning.types import Plan, Play, Unplaced
from oyez.venue.facts import ClipFacts
from oyez.venue.models import Fixed, Rule, VenueFile
from oyez.venue.priority import STEPS, step_of
from oyez.venue.units import Anchor, read_time

PLANNED_DAYS = 14
MAX_PLANNED = 20_000  # occurrences planned for warnings; the day that reaches them is the last
MAX_LOOKS = 20_000  # rules times days looked at for calls while closed
CLOSED_DAYS = 400
STAFF_MS = 2 * 3_600_000  # common practice: staff are in up to two hours before opening and after closing
SAME_TIME_MS = 60_000  # common practice: what is said again within a minute was said twice
HOUR_MS = 3_600_000
MAX_PAIRS = 5_000  # pairs of rules of the same words that are held against each other
MAX_TRIED = 3_000  # occurrences of a day that is planned again to find a priority
_MOST_TRIES = 12  # plans made to find out which priority would let something in


def _warning(entry: str, message: str, code: str) -> Fault:
    return Fault(entry=entry, message=message, code=code, level="warning")


# ---- while closed


def closed_doubts(venue: VenueFile, today: dt.date) -> Iterator[Fault]:
    """Rules by the clock that fire when their hours are shut, beyond STAFF_MS of any opening."""
    rules = [by_clock for rule in venue.rules if (by_clock := _by_clock(venue, rule)) is not None]
    if not rules:
        return
    days = min(CLOSED_DAYS, max(7, MAX_LOOKS // len(rules)))
    first: dict[str, tuple[OperatingDay, int]] = {}
    count: dict[str, int] = defaultdict(int)
    for ahead in range(days):
        date = today + dt.timedelta(days=ahead)
        if date > LAST_DATE:
            break
        day = OperatingDay(venue, date)
        for rule in rules:
            periods = day.opening(rule.hours).periods
            for at_ms in _instants(day, rule):
                if all(at_ms < p.start_ms - STAFF_MS or at_ms > p.end_ms + STAFF_MS for p in periods):
                    first.setdefault(rule.id, (day, at_ms))
                    count[rule.id] += 1
    for rule_id, (day, at_ms) in first.items():
        times = "once" if count[rule_id] == 1 else f"{count[rule_id]} times"
        message = (
            f"fires while closed, {times} in the next {days} days, first on {_when(day.zone, at_ms)}: give it "
            "open_only = true, leave those dates out, or give it hours of its own"
        )
        yield _warning(f"rule '{rule_id}'", message, "fires-while-closed")


def _by_clock(venue: VenueFile, rule: Rule) -> Rule | None:
    """The rule with its clock times alone; None where opening and closing are asked after already."""
    if rule.open_only or (rule.hours == "venue" and venue.hours is None):
        return None
    if rule.interval is not None:
        edges = (rule.interval.start, rule.interval.end)
        return None if any(isinstance(read_time(text), Anchor) for text in edges) else rule
    if rule.fixed is None or rule.fixed.rrule is not None:
        return rule if rule.fixed is not None else None
    clocks = tuple(text for text in rule.fixed.times if not isinstance(read_time(text), Anchor))
    fixed: Fixed = rule.fixed.model_copy(update={"times": clocks})
    return rule.model_copy(update={"fixed": fixed}) if clocks else None


def _instants(day: OperatingDay, rule: Rule) -> list[int]:
    try:
        return [n.at_ms for n in nominals(day, rule)]
    except InputError:
        return []  # too many a day, or a rule that cannot be read: told elsewhere


def _when(zone: ZoneInfo, at_ms: int) -> str:
    local = to_local(zone, at_ms)
    return f"{local:%A} {local:%Y-%m-%d} at {local:%H:%M}"


# ---- said twice


def double_doubts(venue: VenueFile, today: dt.date) -> Iterator[Fault]:
    """Two rules of the same words in a zone they share, at the same time."""
    alike: dict[tuple[str, ...], list[Rule]] = defaultdict(list)
    for rule in venue.rules:
        if rule.fixed is not None or rule.interval is not None:
            alike[rule.clips].append(rule)
            alike["", rule.title.casefold()].append(rule)
    alike_pairs = (pair for rules in alike.values() for pair in combinations(rules, 2))
    pairs = {(a.id, b.id): (a, b) for a, b in islice(alike_pairs, MAX_PAIRS)}
    waiting = {
        names: (*pair, shared)
        for names, pair in pairs.items()
        if (shared := [z for z in venue.resolve(pair[0].zones) if z in venue.resolve(pair[1].zones)])
    }
    names_of = {z.id: z.name for z in venue.zones}
    for ahead in range(PLANNED_DAYS):
        date = today + dt.timedelta(days=ahead)
        if not waiting or date > LAST_DATE:
            break
        day = OperatingDay(venue, date)
        times: dict[str, list[int]] = {}
        for key, (a, b, shared) in list(waiting.items()):
            for rule in (a, b):
                if rule.id not in times:
                    times[rule.id] = _instants(day, rule)
            met = _meeting(times[a.id], times[b.id])
            if met is not None:
                del waiting[key]
                message = (
                    f"says the same as rule '{a.id}' in {names_of[shared[0]]} at the same time, first on "
                    f"{_when(day.zone, met)}"
                )
                yield _warning(f"rule '{b.id}'", message, "said-twice")


def _meeting(one: Sequence[int], other: Sequence[int]) -> int | None:
    """The first time at which two ascending lists come within SAME_TIME_MS of each other."""
    i = j = 0
    while i < len(one) and j < len(other):
        if abs(one[i] - other[j]) <= SAME_TIME_MS:
            return min(one[i], other[j])
        i, j = (i + 1, j) if one[i] < other[j] else (i, j + 1)
    return None


# ---- planned days


def plan_doubts(venue: VenueFile, today: dt.date, facts: Mapping[str, ClipFacts]) -> Iterator[Fault]:
    """What the plans of the days to come show; nothing where a clip's duration is not known."""
    planned = [r for r in venue.rules if r.fixed is not None or r.interval is not None]
    if any(name not in facts for r in planned for name in (r.chime, *r.clips) if name):
        return
    plans: list[Plan] = []
    count = 0
    for ahead in range(PLANNED_DAYS):
        date = today + dt.timedelta(days=ahead)
        if date > LAST_DATE or count >= MAX_PLANNED:
            break
        try:
            plans.append(plan_day(venue, date, facts))
        except InputError:
            return  # told elsewhere
        count += len(plans[-1].plays) + len(plans[-1].unplaced)
    always = dict(_always_lost(venue, plans))
    yield from (warning for warning in always.values())
    yield from _only_ones(venue, plans, facts, told=always)
    yield from _promo_load(venue, plans)


def _lost(plan: Plan) -> list[Unplaced]:
    """What found no place though it could have: not what was skipped, has no zone, or a campaign that is over."""
    return [u for u in plan.unplaced if u.obstacles]


def _always_lost(venue: VenueFile, plans: Sequence[Plan]) -> Iterator[tuple[str, Fault]]:
    """Rules none of whose occurrences finds a place, the same other rule in the way each time."""
    gap_ms = round(venue.venue.gap_s * 1000)
    in_the_way: dict[str, set[str]] = {}
    times: dict[str, int] = defaultdict(int)
    heard = {p.rule for plan in plans for p in plan.plays}
    for plan in plans:
        starts = [p.start_ms for p in plan.plays]
        longest_ms = max((p.end_ms - p.start_ms for p in plan.plays), default=0) + gap_ms
        for u in _lost(plan):
            if u.rule in heard:
                continue
            low = bisect_left(starts, u.nominal_ms - longest_ms)
            near = plan.plays[low : bisect_left(starts, u.nominal_ms + gap_ms + 1)]
            met = {p.rule for p in near if _meets(p, u, gap_ms)}
            in_the_way[u.rule] = in_the_way.get(u.rule, met) & met
            times[u.rule] += 1
    order = {rule.id: (rule.priority, -number) for number, rule in enumerate(venue.rules)}
    for rule in venue.rules:
        winners = [name for name in in_the_way.get(rule.id, ()) if order[name] > order[rule.id]]
        if not winners or times[rule.id] < 2:
            continue
        winner = max(winners, key=lambda name: (order[name], name))
        message = (
            f"always loses to rule '{winner}': none of its {times[rule.id]} occurrences in the next {len(plans)} "
            "days finds a place; give it another time, or more patience (wait_s)"
        )
        yield rule.id, _warning(f"rule '{rule.id}'", message, "always-loses")


def _meets(play: Play, lost: Unplaced, gap_ms: int) -> bool:
    """Whether it sounds, or has only just ended or is about to start, where and when the lost one would start."""
    return (
        play.start_ms <= lost.nominal_ms + gap_ms
        and lost.nominal_ms < play.end_ms + gap_ms
        and any(zone in play.zones for zone in lost.zones)
    )


def _only_ones(
    venue: VenueFile, plans: Sequence[Plan], facts: Mapping[str, ClipFacts], *, told: Mapping[str, Fault]
) -> Iterator[Fault]:
    """Occurrences that are their rule's only one that day and find no place, with the priority that would do."""
    zone = ZoneInfo(venue.venue.timezone)
    seen = set(told)
    tries = _MOST_TRIES
    for plan in plans:
        asked: dict[str, set[int]] = defaultdict(set)
        everything: list[Play | Unplaced] = [*plan.plays, *plan.unplaced]
        for one in everything:
            asked[one.rule].add(one.nominal_ms)
        heard = {p.rule for p in plan.plays}
        for u in _lost(plan):
            if u.rule in seen or u.rule in heard or len(asked[u.rule]) != 1:
                continue
            seen.add(u.rule)
            message = f"finds no place on {_when(zone, u.nominal_ms)}, its only time that day ({u.reason})"
            for step in sorted(STEPS, key=lambda s: s.priority):
                if step.priority <= u.priority or tries == 0 or len(everything) > MAX_TRIED:
                    continue
                tries -= 1
                if _lets_in(venue, plan.date, facts, u.rule, step.priority):
                    message += f"; priority = {step.priority} ({step.name}) would let it in"
                    break
            yield _warning(f"rule '{u.rule}'", message, "only-one-lost")


def _lets_in(venue: VenueFile, date: dt.date, facts: Mapping[str, ClipFacts], rule_id: str, priority: int) -> bool:
    """Whether the rule is heard on that day with that priority, nothing else about it changed."""
    rules = tuple(r.model_copy(update={"priority": priority}) if r.id == rule_id else r for r in venue.rules)
    plan = plan_day(venue.model_copy(update={"rules": rules}), date, facts)
    return any(p.rule == rule_id for p in plan.plays)


def _promo_load(venue: VenueFile, plans: Sequence[Plan]) -> Iterator[Fault]:
    """Zones with more promotion than `promo_min_per_hour` in some 60 minutes; the worst of each."""
    limit_ms = round(venue.limits.promo_min_per_hour * 60_000)
    local = ZoneInfo(venue.venue.timezone)
    for zone in venue.zones:
        worst_ms, worst_at_ms = 0, 0
        for plan in plans:
            spans = [
                (p.start_ms, p.end_ms)
                for p in plan.plays
                if zone.id in p.zones and step_of(p.priority).name == "promo"
            ]
            load_ms, at_ms = _heaviest_hour(spans)
            if load_ms > worst_ms:
                worst_ms, worst_at_ms = load_ms, at_ms
        if worst_ms > limit_ms:
            message = (
                f"carries {worst_ms / 60_000:.1f} minutes of promotion in the hour from "
                f"{_when(local, worst_at_ms)}, more than promo_min_per_hour = {venue.limits.promo_min_per_hour:g}"
            )
            yield _warning(f"zone '{zone.id}'", message, "promo-load")


def _heaviest_hour(spans: Sequence[tuple[int, int]]) -> tuple[int, int]:
    """(ms of sound, start) of the 60 minutes that hold most of the spans, which are apart and ascending.

    The most is always reached by an hour that begins with one of them.
    """
    best_ms, best_at_ms = 0, 0
    for i, (start_ms, _) in enumerate(spans):
        load_ms = 0
        for begin_ms, end_ms in spans[i:]:
            if begin_ms >= start_ms + HOUR_MS:
                break
            load_ms += min(end_ms, start_ms + HOUR_MS) - begin_ms
        if load_ms > best_ms:
            best_ms, best_at_ms = load_ms, start_ms
    return best_ms, best_at_ms
