"""The director: the brain of the service, in the web process. Plans, tells the engine, keeps the log, answers.

Thread-safe. Makes no sound and imports nothing that does: the engine is another process, reached by `link`, and
plays on when this one is gone. Every answer that changed something is committed before it is given.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any, Protocol, overload

from oyez.errors import EngineGone
from oyez.planning.day import day_span
from oyez.planning.types import Plan
from oyez.playout.begun import whole_day
from oyez.playout.changes import Changes, Subscription
from oyez.playout.health import health
from oyez.playout.heartbeat import Heartbeat
from oyez.playout.keeper import Keeper, KeeperLink
from oyez.playout.now import Clock, SystemClock
from oyez.playout.press import Fired, Press, PressLink, Stopped
from oyez.settings import Settings
from oyez.store import head, log
from oyez.store.chain import Verified
from oyez.store.database import Database
from oyez.store.log_entries import LogEntry, LogEvent, Outcome
from oyez.venue.models import VenueFile

BEAT_S = 1.0
ALIVE_S = 5.0
CLIPS_S = 10.0


class Link(KeeperLink, PressLink, Protocol):
    """What the director asks of the engine (`playout.link.EngineLink`)."""


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
        self._press = Press(self.keeper, link)
        self._heartbeat = Heartbeat(
            self.clock,
            every={BEAT_S: self.beat, ALIVE_S: self.keeper.still_alive, CLIPS_S: self.keeper.look_at_clips},
            at_day=self.beat,
        )
        self._plans: dict[tuple[int, dt.date, tuple[str, ...]], Plan] = {}
        self._whole: tuple[Plan, int, Plan] | None = None

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
                plan, number = self.keeper.plan, self.keeper.books.number
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
        Raises NotFound for an unknown rule or zone, Conflict when it finds no place.
        """
        fired = self._press.fire(rule_id, by=by, zones=zones)
        self._follow()
        return fired

    def stop_play(self, occurrence_id: str, *, by: str) -> Stopped:
        """Fade a play out everywhere; final. Raises NotFound when it neither sounds nor waits."""
        stopped = self._press.stop(occurrence_id, by=by)
        self._follow()
        return stopped

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

    # -- changes ------------------------------------------------------------------------------------------------

    def reload(self) -> None:
        """Read the venue again now (after clips were added, say) and plan anew."""
        self.keeper.reload()
        self._wake()

    def health(self) -> dict[str, Any]:
        """How the service is, for the page's state and for /healthz; see `playout.health`."""
        return health(self.keeper, self.state(), held_s=self._heartbeat.held_s)
