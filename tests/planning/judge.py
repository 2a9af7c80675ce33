"""A judge from outside: the best plan of one priority as OR-tools CP-SAT finds it, higher ones fixed.

The model is the documentation's rules 1 to 3 written down straight, with nothing of the planner's in it but the
occurrences and the quiet windows.
"""

from __future__ import annotations

from dataclasses import dataclass

from oyez.planning.types import Plan
from oyez.venue.models import VenueFile
from oyez.venue.units import to_ms

HOUR_MS = 3_600_000


@dataclass(frozen=True)
class Verdict:
    """`optimal`: CP-SAT proved it."""

    placed: int
    late_ms: int
    optimal: bool


def levels(p: Plan) -> list[int]:
    return sorted({x.priority for x in (*p.plays, *p.unplaced)}, reverse=True)


def ours(p: Plan, level: int) -> tuple[int, int]:
    there = [q for q in p.plays if q.priority == level]
    return len(there), sum(q.start_ms - q.nominal_ms for q in there)


def judge(v: VenueFile, p: Plan, level: int, *, seconds: float, workers: int = 1, hint: bool = True) -> Verdict:
    from ortools.sat.python import cp_model

    gap = to_ms(v.venue.gap_s)
    length = {r.id: 0 for r in v.rules}
    clips = {c.id: c.duration_ms for c in v.clips}
    for r in v.rules:
        assert r.repeat == 1
        assert r.chime is None
        assert len(r.clips) == 1
        length[r.id] = clips[r.clips[0]]
    model = cp_model.CpModel()
    in_zone: dict[str, list] = {z.id: [] for z in v.zones}
    hours: dict[str, list] = {z.id: [] for z in v.zones}
    capped_at = v.limits.cap_below if v.limits.max_per_hour is not None else -1
    base = p.starts_ms
    for q in p.plays:
        if q.priority <= level:
            continue
        for zone in q.zones:
            in_zone[zone].append(
                model.new_fixed_size_interval_var(q.start_ms - base, q.end_ms - q.start_ms + gap, "")
            )
            if q.priority < capped_at:
                hours[zone].append(model.new_fixed_size_interval_var(q.start_ms - base, HOUR_MS, ""))
    known = {q.id: q.start_ms for q in p.plays}
    terms, here = [], []
    worst = 1
    for x in (*p.plays, *p.unplaced):
        if x.priority != level or not x.zones:
            continue
        size = length[x.rule]
        low = x.nominal_ms
        high = min(low + v.rule(x.rule).patience_ms, p.ends_ms - 1)
        allowed = [(low, high)]
        for q in p.quiet:
            if q.zone in x.zones and q.min_priority > level:
                allowed = [
                    part
                    for a, b in allowed
                    for part in ((a, min(b, q.start_ms - size)), (max(a, q.end_ms), b))
                    if part[0] <= part[1]
                ]
        if not allowed:
            continue
        spans = cp_model.Domain.from_intervals([[a - base, b - base] for a, b in allowed])
        start, there = model.new_int_var_from_domain(spans, x.id), model.new_bool_var("")
        for zone in x.zones:
            in_zone[zone].append(model.new_optional_fixed_size_interval_var(start, size + gap, there, ""))
            if level < capped_at:
                hours[zone].append(model.new_optional_fixed_size_interval_var(start, HOUR_MS, there, ""))
        late = model.new_int_var(0, high - low, "")
        model.add(late == start - (low - base)).only_enforce_if(there)
        model.add(late == 0).only_enforce_if(~there)
        worst += high - low
        terms.append((there, late))
        here.append(x)
        if hint:
            model.add_hint(there, x.id in known)
            if x.id in known:
                model.add_hint(start, known[x.id] - base)
                model.add_hint(late, known[x.id] - low)
    for zone in in_zone:
        model.add_no_overlap(in_zone[zone])
        if v.limits.max_per_hour is not None and hours[zone]:
            model.add_cumulative(hours[zone], [1] * len(hours[zone]), v.limits.max_per_hour)
    model.minimize(sum(late - worst * there for there, late in terms))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = workers
    status = solver.solve(model)
    assert status in (cp_model.OPTIMAL, cp_model.FEASIBLE), solver.status_name(status)
    placed = sum(solver.boolean_value(there) for there, _ in terms)
    return Verdict(placed, sum(solver.value(late) for _, late in terms), status == cp_model.OPTIMAL)
