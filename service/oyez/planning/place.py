"""Who gets the zone: occurrences to plays, priority by priority, with a reason for each.

What a higher priority has been given is never moved for a lower one. A person's events go before the rest of
their priority. Whole milliseconds; same inputs, same plan.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from oyez.planning.board import Board, Job
from oyez.planning.cluster import member_of
from oyez.planning.groups import Groups
from oyez.planning.reasons import Explainer, Holder
from oyez.planning.types import Obstacle, Occurrence, QuietSpan, Span, Taken
from oyez.planning.waiting import Verdict, Waiting
from oyez.venue.models import VenueFile
from oyez.venue.units import to_ms


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """What became of one occurrence. `start_ms` None: it found no place, or waits for one (`waits_until_ms`)."""

    occurrence: Occurrence
    start_ms: int | None
    reason: str
    obstacles: tuple[Obstacle, ...] = ()
    waits_until_ms: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """What became of all occurrences. `proven`: priority -> no plan does better, given the priorities above."""

    placed: tuple[Placed, ...]
    proven: Mapping[int, bool]


def tie_key(occurrence: Occurrence) -> tuple[int, int, str]:
    """The documented order that settles what is left equal: nominal start, place in the file, id."""
    return occurrence.nominal_ms, occurrence.order, occurrence.id


def place(
    venue: VenueFile,
    span: Span,
    wanted: Iterable[Occurrence],
    quiet: Mapping[str, Sequence[QuietSpan]],
    *,
    taken: Iterable[Taken] = (),
    not_before_ms: int | None = None,
) -> Placement:
    """Place the occurrences of one operating day.

    taken          plays that hold their zones already and are never changed; in the zones of one without an end
                   nothing is placed from its start on
    not_before_ms  nothing new starts before this instant
    """
    board = Board(
        (z.id for z in venue.zones),
        quiet,
        gap_ms=to_ms(venue.venue.gap_s),
        max_per_hour=venue.limits.max_per_hour,
        cap_below=venue.limits.cap_below,
    )
    holders: dict[int, Holder] = {}
    taken = tuple(taken)
    _put_taken(board, (t for t in taken if not t.open_ended), holders)
    waiting = Waiting(taken, now_ms=not_before_ms)
    names = {z.id: z.name for z in venue.zones}
    explainer = Explainer(
        board,
        ZoneInfo(venue.venue.timezone),
        names,
        holders,
        day_ends_ms=span.end_ms,
    )
    levels: dict[tuple[int, bool], list[Job]] = {}
    for number, occurrence in enumerate(sorted(wanted, key=tie_key)):
        holders[number] = Holder(
            title=occurrence.title, priority=occurrence.priority, waits=bool(waiting.of(occurrence.zones))
        )
        first_ms = waiting.not_before(occurrence.zones, not_before_ms)
        job = board.job(number, occurrence, not_before_ms=first_ms)
        waiting.look(board, job)
        levels.setdefault((occurrence.priority, occurrence.event), []).append(job)
    placed: list[Placed] = []
    proven: dict[int, bool] = {}
    for level in sorted(levels, reverse=True):
        jobs = levels[level]
        found, sure = _place_level(venue, board, explainer, jobs)
        for job, one in zip(jobs, found, strict=True):
            verdict = waiting.verdict(job, names, explainer.clock)
            placed.append(one if verdict is None else _waits(one, verdict))
        proven[level[0]] = proven.get(level[0], True) and sure
    return Placement(placed=tuple(placed), proven=proven)


def _waits(placed: Placed, verdict: Verdict) -> Placed:
    """Its place is given back."""
    return Placed(
        occurrence=placed.occurrence,
        start_ms=None,
        reason=verdict.reason,
        obstacles=verdict.obstacles,
        waits_until_ms=verdict.until_ms,
    )


def _put_taken(board: Board, taken: Iterable[Taken], holders: dict[int, Holder]) -> None:
    """What sounds or has sounded, overlaps merged so that each line stays sorted."""
    by_zone: dict[str, list[tuple[int, int, int]]] = {}
    for number, play in enumerate(taken, start=1):
        holders[-number] = Holder(title=play.title, priority=play.priority)
        for zone in play.zones:
            if zone in board.lines:
                by_zone.setdefault(zone, []).append((play.start_ms, play.end_ms, -number))
                if board.max_per_hour is not None and play.priority < board.cap_below:
                    board.lines[zone].capped.append(play.start_ms)
    for zone, plays in by_zone.items():
        line = board.lines[zone]
        line.capped.sort()
        for start_ms, end_ms, holder in sorted(plays, key=lambda p: (p[0], p[1], -p[2])):
            if line.ends and start_ms < line.ends[-1]:
                line.ends[-1] = max(line.ends[-1], end_ms)
            else:
                line.put(start_ms, end_ms, holder)


def _place_level(
    venue: VenueFile, board: Board, explainer: Explainer, jobs: Sequence[Job]
) -> tuple[list[Placed], bool]:
    """The best places of one priority, a reason for each, and whether they are proven to be the best."""
    members = [m for m in (member_of(board, job) for job in jobs) if m is not None]
    groups = Groups(board, members)
    for member, start_ms in zip(members, groups.starts, strict=True):
        if start_ms is not None:
            board.put(member.job, start_ms)
    found = []
    for job in jobs:
        if job.start_ms is not None:
            reason, obstacles = explainer.late(job, job.start_ms)
        else:
            order = job.occurrence.order
            rule = venue.rules[order] if 0 <= order < len(venue.rules) else None
            reason, obstacles = explainer.lost(job, rule)
        found.append(Placed(occurrence=job.occurrence, start_ms=job.start_ms, reason=reason, obstacles=obstacles))
    return found, groups.proven
