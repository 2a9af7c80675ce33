"""From what the director says to what goes over the wire. Pure: decides nothing, puts into words and order."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from zoneinfo import ZoneInfo

from oyez.api.ports import Fired, ZoneLive
from oyez.api.schemas import (
    FiredView,
    HappenedView,
    LeftOutView,
    LevelView,
    LogView,
    PlanView,
    PlayView,
    QuietView,
    RuleView,
    UnplacedView,
    ZoneHead,
    ZoneOutcome,
    ZoneView,
)
from oyez.api.wording import clock, event_words, happened, iso, listed
from oyez.planning.types import LeftOut, Plan, Span
from oyez.store.log_entries import LogEntry, LogEvent, LogRecord, events, merge
from oyez.venue.models import Rule, VenueFile
from oyez.venue.priority import step_of

_SOON_MS = 1500


def zone_names(venue: VenueFile) -> dict[str, str]:
    return {z.id: z.name for z in venue.zones}


def _left_out(found: Iterable[LeftOut]) -> list[LeftOutView]:
    return [LeftOutView(zone=one.zone, reason=one.reason) for one in found]


def _left_out_pairs(found: Iterable[Sequence[str]]) -> list[LeftOutView]:
    return [LeftOutView(zone=zone, reason=reason) for zone, reason in found]


def _spans(found: Mapping[str, Sequence[Span]]) -> dict[str, list[tuple[int, int]]]:
    return {name: [(s.start_ms, s.end_ms) for s in spans] for name, spans in found.items()}


def plan_view(plan: Plan, venue: VenueFile, log: Sequence[LogRecord], *, today: str, now_ms: int) -> PlanView:
    zone = ZoneInfo(plan.timezone)
    return PlanView(
        venue=plan.venue,
        date=plan.date.isoformat(),
        timezone=plan.timezone,
        starts_ms=plan.starts_ms,
        ends_ms=plan.ends_ms,
        plays=[
            PlayView(
                rule=p.rule,
                nominal_ms=p.nominal_ms,
                start_ms=p.start_ms,
                end_ms=p.end_ms,
                zones=list(p.zones),
                priority=p.priority,
                left_out=_left_out(p.left_out),
                chime=p.chime,
                clips=list(p.clips),
                reason=p.reason,
                id=p.id,
                title=p.title,
                start_at=iso(p.start_ms, zone),
            )
            for p in plan.plays
        ],
        unplaced=[
            UnplacedView(
                rule=u.rule,
                nominal_ms=u.nominal_ms,
                zones=list(u.zones),
                priority=u.priority,
                left_out=_left_out(u.left_out),
                reason=u.reason,
                id=u.id,
                title=u.title,
                nominal_at=iso(u.nominal_ms, zone),
            )
            for u in plan.unplaced
        ],
        ducks={name: list(points) for name, points in plan.ducks.items()},
        levels=[
            LevelView(priority=level, proven=plan.proven[level]) for level in sorted(plan.proven, reverse=True)
        ],
        today=today,
        now_ms=now_ms,
        zones=[
            ZoneHead(
                id=z.id,
                name=z.name,
                channels=z.channels,
                has_source=z.source is not None,
                in_service=z.in_service,
                on=z.on,
                music_level_db=z.music_level_db,
            )
            for z in venue.zones
        ],
        music=_spans(plan.music),
        quiet=[
            QuietView(
                zone=q.zone,
                start_ms=q.start_ms,
                end_ms=q.end_ms,
                min_priority=q.min_priority,
                music_off=q.music_off,
                label=q.label,
            )
            for q in plan.quiet
        ],
        open=_spans(plan.open),
        happened=happened_views(log, venue, zone, now_ms=now_ms),
    )


def happened_views(
    log: Sequence[LogRecord], venue: VenueFile, zone: ZoneInfo, *, now_ms: int
) -> list[HappenedView]:
    """The log's records as one line a play: its claim and its end together. Sorted by start."""
    names = zone_names(venue)
    lines = [_entry(entry, names, zone, now_ms) for entry in merge(log)]
    lines += [_event(event, zone) for event in events(log)]
    return sorted(lines, key=lambda line: (line.start_ms, line.id or ""))


def _entry(entry: LogEntry, names: Mapping[str, str], zone: ZoneInfo, now_ms: int) -> HappenedView:
    start_ms = next(ms for ms in (entry.actual_ms, entry.planned_ms, entry.nominal_ms) if ms is not None)
    return HappenedView(
        id=entry.id,
        rule=entry.rule,
        title=entry.title,
        outcome=entry.outcome,
        sentence=happened(entry, names, zone, now_ms=now_ms),
        nominal_ms=entry.nominal_ms,
        start_ms=start_ms,
        start_at=iso(start_ms, zone),
        end_ms=entry.planned_end_ms if entry.outcome == "sounding" else entry.end_ms,
        zones=[
            ZoneOutcome(
                zone=z.zone,
                outcome=z.outcome,
                end_ms=z.end_ms,
                loudness_lufs=z.loudness_lufs,
                duck_depth_db=z.duck_depth_db,
            )
            for z in entry.per_zone
        ],
        left_out=_left_out_pairs(entry.left_out),
        asked_by=entry.asked_by,
        reason=entry.reason or None,
    )


def _event(event: LogEvent, zone: ZoneInfo) -> HappenedView:
    return HappenedView(
        id=None,
        rule=None,
        title=event.what.replace("-", " "),
        outcome="event",
        sentence=event_words(event),
        nominal_ms=None,
        start_ms=event.at_ms,
        start_at=iso(event.at_ms, zone),
        end_ms=None,
        zones=[],
        left_out=[],
        asked_by=None,
        reason=event.reason,
    )


def zone_view(live: ZoneLive, venue: VenueFile) -> ZoneView:
    zone = venue.zone(live.zone)
    return ZoneView(
        id=zone.id,
        name=zone.name,
        channels=zone.channels,
        music=live.music,
        sounding=live.sounding,
        title=live.title,
        since_ms=live.since_ms,
        until_ms=live.until_ms,
        level_lufs=live.level_lufs,
    )


def rule_view(rule: Rule, venue: VenueFile, plan: Plan, live: Sequence[ZoneLive], now_ms: int) -> RuleView:
    asked = venue.resolve(rule.zones)
    names = zone_names(venue)
    resting = {z.id for z in venue.zones if not z.in_service}
    of_rule = [p.id for p in plan.plays if p.rule == rule.id]
    sounding = {z.sounding for z in live if z.sounding is not None}
    kind = "fixed" if rule.fixed is not None else "interval" if rule.interval is not None else "manual"
    return RuleView(
        id=rule.id,
        title=rule.title,
        kind=kind,
        priority=rule.priority,
        step=step_of(rule.priority).name,
        zones=list(asked),
        where=[names[z] for z in asked if z not in resting],
        next_ms=min((p.start_ms for p in plan.plays if p.rule == rule.id and p.start_ms > now_ms), default=None),
        sounding=sorted(sounding & ({*of_rule} | {s for s in sounding if s.rpartition("@")[0] == rule.id})),
        not_in_service=[names[z] for z in asked if z in resting],
    )


def fired_view(fired: Fired, venue: VenueFile, *, now_ms: int) -> FiredView:
    zone = ZoneInfo(venue.venue.timezone)
    names = zone_names(venue)
    where = listed([names.get(z, z) for z in fired.zones])
    soon = fired.start_ms - now_ms <= _SOON_MS
    sentence = f"Starts now in {where}" if soon else f"Starts at {clock(fired.start_ms, zone)} in {where}"
    if not soon and fired.reason not in {"", "on time"}:
        sentence += f": {fired.reason.partition(': ')[2] or fired.reason}"  # when it starts is said already
    if fired.left_out:
        sentence += "; not in " + listed([f"{names.get(z, z)} ({why})" for z, why in fired.left_out])
    return FiredView(
        id=fired.id,
        title=fired.title,
        start_ms=fired.start_ms,
        start_at=iso(fired.start_ms, zone),
        end_ms=fired.end_ms,
        zones=list(fired.zones),
        left_out=_left_out_pairs(fired.left_out),
        reason=fired.reason,
        sentence=sentence,
    )


def log_view(entry: LogRecord, zone: ZoneInfo) -> LogView:
    return LogView(
        number=entry.number,
        at_ms=entry.at_ms,
        written_at=iso(entry.at_ms, zone),
        kind=entry.kind,
        hash=entry.hash,
        body=dict(entry.body),
    )
