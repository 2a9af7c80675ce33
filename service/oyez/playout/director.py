"""The director: the brain of the service, in the web process. Plans, tells the engine, keeps the log, answers.

Thread-safe. Makes no sound and imports nothing that does: the engine is another process, reached by `link`, and
plays on when this one is gone. Every answer that changed something is committed before it is given.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, overload

from oyez.errors import Conflict, EngineGone, NotFound
from oyez.mixing.compose import cue_for
from oyez.mixing.programme import Cue, to_tree
from oyez.planning.day import day_span, operating_day
from oyez.planning.live import FADE_MS, event_for
from oyez.planning.types import Cut, Decision, Occurrence, Plan
from oyez.playout.around import decide_around, gone_reason
from oyez.playout.begun import whole_day
from oyez.playout.changes import Changes, Subscription
from oyez.playout.health import health
from oyez.playout.heartbeat import Heartbeat
from oyez.playout.keeper import Keeper
from oyez.playout.now import Clock, SystemClock
from oyez.settings import Settings
from oyez.store import head, journal, loading, log
from oyez.store.chain import Verified
from oyez.store.database import Database
from oyez.store.log_entries import LogEntry, LogEvent, Outcome
from oyez.venue.facts import ClipFacts, TrackFacts
from oyez.venue.models import VenueFile

BEAT_S = 1.0
ALIVE_S = 5.0
CLIPS_S = 10.0
FIRED_FALL_MS = 200
PRESS_MS = 2_000
_TRIES = 3


class Link(Protocol):
    """What the director asks of the engine (`playout.link.EngineLink`)."""

    def state(self) -> Mapping[str, Any]: ...
    def programme(self, programme: Mapping[str, Any]) -> Mapping[str, Any]: ...
    def begin(self, cue: Mapping[str, Any], *, cuts: Sequence[Mapping[str, Any]] = ()) -> Mapping[str, Any]: ...
    def stop(
        self, play: str, *, by: str, zones: Sequence[str] | None = None, reason: str | None = None
    ) -> Mapping[str, Any]: ...
    def journal(self, *, since: int = 0, limit: int = 1000) -> Mapping[str, Any]: ...
    def journal_taken(self, through: int) -> Mapping[str, Any]: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Fired:
    """What a press led to: where and when it sounds, what it cut, and why then.

    start_ms, end_ms  as the engine took it
    cuts              what gives way for it, in which zones
    """

    id: str
    rule: str
    title: str
    start_ms: int
    end_ms: int
    zones: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    reason: str
    cuts: tuple[Cut, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped:
    id: str
    end_ms: int


class Director:
    """`start`, then anything from any thread, then `stop`.

    Raises NotFound where there is no venue, rule or play of that name, Conflict (with the plain reason) where it
    cannot be done as things stand, EngineGone where the engine does not answer, WorkFailed where the database
    cannot be read or written.
    """

    def __init__(self, settings: Settings, database: Database, link: Link, clock: Clock | None = None) -> None:
        self.settings = settings
        self.database = database
        self.link = link
        self.clock = clock or SystemClock()
        self.changes = Changes()
        self.keeper = Keeper(settings, database, link, self.clock, self.changes)
        self._heartbeat = Heartbeat(
            self.clock,
            every={BEAT_S: self.beat, ALIVE_S: self.keeper.still_alive, CLIPS_S: self.keeper.look_at_clips},
            at_day=self.beat,
        )
        self._plans: dict[tuple[int, dt.date, tuple[str, ...]], Plan] = {}
        self._whole: tuple[Plan, int, Plan] | None = None
        self._fired = 0

    # -- life ---------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Take stock, then look at everything each second."""
        self.keeper.open()
        self._heartbeat.start()
        self._wake()

    @overload
    def stop(self) -> None: ...
    @overload
    def stop(self, occurrence_id: str, *, by: str) -> Stopped: ...
    def stop(self, occurrence_id: str | None = None, *, by: str = "") -> Stopped | None:
        """With a play's id: `stop_play`. Without: end the director (the engine plays on)."""
        if occurrence_id is not None:
            return self.stop_play(occurrence_id, by=by)
        self._heartbeat.stop()
        self.keeper.close()
        self.changes.close()
        return None

    def beat(self) -> None:
        """What is done each second; also at the next day's start."""
        self.keeper.beat()
        self._wake()

    def _wake(self) -> None:
        plan = self.keeper.plan
        if plan is not None:
            self._heartbeat.wake_at(plan.ends_ms)

    def subscribe(self) -> Subscription:
        """`get(timeout)` yields names of what changed: "plan", "log", "state", "venue". Close it when done."""
        return self.changes.subscribe()

    # -- what is designed and planned ---------------------------------------------------------------------------

    @property
    def venue_id(self) -> int:
        return self.keeper.need().venue_id

    def venue(self) -> VenueFile:
        return self.keeper.need().venue

    def facts(self) -> Mapping[str, ClipFacts]:
        return self.keeper.need().facts

    def tracks(self) -> Mapping[str, tuple[TrackFacts, ...]]:
        return self.keeper.need().tracks

    def now_ms(self) -> int:
        return self.clock.now_ms()

    def today(self) -> dt.date:
        """The operating day it is now."""
        return self.keeper.today()

    def plan(self, day: dt.date) -> Plan:
        """The plan of an operating day. Today's shows the whole day as it stands: what has begun where it was,
        what was given up with its reason, the rest as planned now. Other days as designed.
        """
        if day == self.today():
            with self.keeper.lock:
                plan, number = self.keeper.plan, self.keeper.log_number
            if plan is not None and plan.date == day:
                return self._whole_today(plan, number)
        known = self.keeper.need()
        key = (known.revision, day, tuple(self.keeper.gone))
        found = self._plans.get(key)
        if found is None:
            found = self.keeper.plan_for(day, None)
            if len(self._plans) >= 64:
                self._plans.clear()
            self._plans[key] = found
        return found

    def _whole_today(self, plan: Plan, number: int) -> Plan:
        known, cached = self.keeper.need(), self._whole
        if cached is not None and cached[0] is plan and cached[1] == number:
            return cached[2]
        with self.database.read() as session:
            entries = log.read(session, known.venue_id, from_ms=plan.starts_ms, until_ms=plan.ends_ms)
        made = whole_day(plan, entries, known.venue, known.facts)
        self._whole = (plan, number, made)
        return made

    # -- now ----------------------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """The engine's state with {"engine": "alive"}; or {"engine": "gone", "age_s": since it last answered, or
        None, "last": its last state}.
        """
        try:
            return {"engine": "alive", **self.link.state()}
        except EngineGone as error:
            last, at_ms = self.keeper.last_state, self.keeper.state_at_ms
            age_s = None if at_ms is None else max(0.0, (self.clock.now_ms() - at_ms) / 1000)
            return {"engine": "gone", "age_s": age_s, "reason": str(error), "last": last}

    def fire(self, rule_id: str, *, by: str, zones: Sequence[str] | None = None) -> Fired:
        """Let a rule sound now, or as soon as its rights allow.

        by     who asks, for the log
        zones  zones or groups in place of the rule's own
        Raises NotFound for an unknown rule, Conflict when it finds no place.
        """
        keeper = self.keeper
        with keeper.lock:
            known = keeper.need()
            rule = next((r for r in known.venue.rules if r.id == rule_id), None)
            if rule is None:
                raise NotFound(f"there is no rule '{rule_id}' in {known.venue.venue.name}")
            _check_zones(known.venue, zones)
            why = gone_reason(rule, keeper.gone)
            if why is not None:
                raise Conflict(f"'{rule.title}' cannot sound: {why}")
            self._fired += 1
            event = event_for(
                known.venue,
                rule_id,
                at_ms=self.clock.now_ms(),
                number=self._fired,
                facts=known.facts,
                zones=None if zones is None else tuple(zones),
            )
            decision, answer = self._begin(event, by)
            play = decision.play
            assert play is not None
            for cut in decision.cuts:
                keeper.ledger.cut(cut.id, cut.zones, cut.at_ms + FADE_MS)
            self._follow()
            start_ms = int(answer.get("start_ms", play.start_ms))
            return Fired(
                id=play.id,
                rule=play.rule,
                title=play.title,
                start_ms=start_ms,
                end_ms=int(answer.get("end_ms", start_ms + play.end_ms - play.start_ms)),
                zones=play.zones,
                left_out=tuple((left.zone, left.reason) for left in play.left_out),
                reason=decision.reason,
                cuts=decision.cuts,
            )

    def _begin(self, event: Occurrence, by: str) -> tuple[Decision, Mapping[str, Any]]:
        """Decide and begin. What the engine claimed in between is seen and decided upon anew."""
        keeper, known = self.keeper, self.keeper.need()
        for left in reversed(range(_TRIES)):
            keeper.pull()
            now_ms = self.clock.now_ms()
            day = operating_day(known.venue, event.nominal_ms)
            live = keeper.live(now_ms)
            decision = decide_around(known.venue, day, known.facts, keeper.gone, live=live, event=event)
            if decision.play is None:
                keeper.note("not placed", decision.reason, play=event.id, rule=event.rule, asked_by=by)
                raise Conflict(decision.reason)
            cue = _at_once(cue_for(known.venue, decision.play, known.facts, asked_by=by), now_ms)
            cuts = [{"id": c.id, "zones": list(c.zones)} for c in decision.cuts]
            try:
                answer = self.link.begin(to_tree(cue), cuts=cuts)
            except Conflict:
                if not left:
                    raise
            except EngineGone:
                keeper.pull()
                if event.id in keeper.ledger:  # it did begin, only the answer was lost
                    return decision, {}
                raise
            else:
                keeper.pull_now_or_later()
                return decision, answer
        raise AssertionError

    def stop_play(self, occurrence_id: str, *, by: str) -> Stopped:
        """Fade a play out everywhere; final. Raises NotFound when it neither sounds nor waits."""
        keeper = self.keeper
        with keeper.lock:
            keeper.need()
            keeper.stopped.add(occurrence_id)
            try:
                answer = self.link.stop(occurrence_id, by=by)
            except (NotFound, EngineGone):
                keeper.stopped.discard(occurrence_id)
                raise
            self._follow()
        return Stopped(id=occurrence_id, end_ms=int(answer["end_ms"]))

    def _follow(self) -> None:
        """The plan follows what was just done: at once in the heartbeat's thread, so that nobody waits for it."""
        if self._heartbeat.running:
            self.keeper.refresh_later()
            self._heartbeat.soon()
        else:
            self.keeper.refresh_now_or_later()

    # -- the log ------------------------------------------------------------------------------------------------

    def entries(
        self,
        *,
        from_day: dt.date | None = None,
        until_day: dt.date | None = None,
        zone: str | None = None,
        rule: str | None = None,
        outcome: Outcome | None = None,
        newest_first: bool = False,
        limit: int | None = None,
    ) -> tuple[LogEntry, ...]:
        """Log entries of operating days, both included."""
        from_ms, until_ms = self._span(from_day, until_day)
        with self.database.read() as session:
            return log.read(
                session,
                self.venue_id,
                from_ms=from_ms,
                until_ms=until_ms,
                zone=zone,
                rule=rule,
                outcome=outcome,
                newest_first=newest_first,
                limit=limit,
            )

    def events(self, *, from_day: dt.date | None = None, until_day: dt.date | None = None) -> tuple[LogEvent, ...]:
        """What happened to the service on operating days, both included."""
        from_ms, until_ms = self._span(from_day, until_day)
        with self.database.read() as session:
            return log.read_events(session, self.venue_id, from_ms=from_ms, until_ms=until_ms)

    def _span(self, from_day: dt.date | None, until_day: dt.date | None) -> tuple[int | None, int | None]:
        venue = self.venue()
        return (
            None if from_day is None else day_span(venue, from_day).start_ms,
            None if until_day is None else day_span(venue, until_day).end_ms,
        )

    def verify_log(self) -> Verified:
        """Whether every record of the log is there and as it was written, up to the head that was kept."""
        with self.database.read() as session:
            kept = head.read_heads(self.settings.data_dir, self.venue_id, "log")
            return log.verify(session, self.venue_id, kept)

    def settings_journal(self, *, limit: int | None = None) -> tuple[journal.Change, ...]:
        """Changes of settings, the newest first."""
        with self.database.read() as session:
            return journal.read(session, self.venue_id, newest_first=True, limit=limit)

    # -- changes ------------------------------------------------------------------------------------------------

    def replace_venue(self, venue: VenueFile, *, who: str, origin: str) -> int:
        """Put a venue in the place of the one there is (or in, where there is none); returns its id.

        Raises VenueFaults for clips that would have no audio.
        """
        with self.keeper.lock:
            known = self.keeper.gathered
            with self.database.begin() as session:
                due = loading.prepare(session, venue, loading.target(session))
                what = "venue put in" if known is None else "venue replaced"
                at_ms = self.clock.now_ms()
                venue_id = loading.carry_out(
                    session, due, slug=None, who=who, origin=origin, what=what, at_ms=at_ms
                )
            self.keeper.reload()
        self._wake()
        return venue_id

    def reload(self) -> None:
        """Read the venue again now (after clips were added, say) and plan anew."""
        self.keeper.reload()
        self._wake()

    def health(self) -> dict[str, Any]:
        """How the service is, for the page's state and for /healthz; see `playout.health`."""
        return health(self.keeper, self.state())


def _at_once(cue: Cue, now_ms: int) -> Cue:
    """What was not planned cannot begin its fall earlier: it falls within FIRED_FALL_MS. The press itself, its
    way to the engine and the claim take a moment that the rule's own patience is not asked for.
    """
    zones = cue.zones
    if any(cue.start_ms - now_ms < zone.fall_ms for zone in zones):
        zones = tuple(dataclasses.replace(z, fall_ms=min(z.fall_ms, FIRED_FALL_MS)) for z in zones)
    return dataclasses.replace(cue, zones=zones, latest_ms=max(cue.latest_ms, cue.start_ms + PRESS_MS))


def _check_zones(venue: VenueFile, zones: Sequence[str] | None) -> None:
    if zones is None:
        return
    known = {"all", *(z.id for z in venue.zones), *(g.id for g in venue.groups)}
    for name in zones:
        if name not in known:
            raise NotFound(f"there is no zone or group '{name}' in {venue.venue.name}")
    if not zones:
        raise Conflict("no zone is chosen")
