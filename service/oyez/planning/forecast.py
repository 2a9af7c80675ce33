"""What the plans of the days to come show to be doubtful: who always loses, too much promotion.

Days from `today` on are planned as designed, where the durations of all clips are known. Work is counted in
occurrences, never in time, so that every machine says the same. Looks at no clock.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from zoneinfo import ZoneInfo

from oyez.errors import Fault, InputError
from oyez.planning.calendar_doubts import day_words
from oyez.planning.day import plan_day
from oyez.planning.time import LAST_DATE
from oyez.planning.types import Plan, Play, Unplaced
from oyez.venue.facts import ClipFacts
from oyez.venue.models import VenueFile
from oyez.venue.priority import STEPS, step_of

PLANNED_DAYS = 14
MAX_PLANNED = 20_000  # occurrences planned for warnings; the day that reaches them is the last
HOUR_MS = 3_600_000
MAX_TRIED = 3_000  # occurrences of a day that is planned again to find a priority
_MOST_TRIES = 12  # plans made to find out which priority would let something in


def _warning(entry: str, message: str, code: str) -> Fault:
    return Fault(entry=entry, message=message, code=code, level="warning")


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
            message = f"finds no place on {day_words(zone, u.nominal_ms)}, its only time that day ({u.reason})"
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
                f"{day_words(local, worst_at_ms)}, more than "
                f"promo_min_per_hour = {venue.limits.promo_min_per_hour:g}"
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
