"""Keeps three things in step: what was designed (database), what is to come (plan), what became of it (log).

Gather, decide, act: reads the venue, lets planning decide, sends the programme to the engine, takes the engine's
journal over, and writes down what was never begun. One lock; every method may be called from any thread. Nothing
here sounds: with all of this gone the engine plays on what it holds.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import threading
from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from oyez.errors import EngineGone, InputError, NotFound, WorkFailed
from oyez.planning.day import day_span, operating_day
from oyez.planning.live import RESTART_WITHIN_MS, restart_for
from oyez.planning.reasons import span_words
from oyez.planning.types import Live, Occurrence, Plan, Play, Taken
from oyez.playout import downtime, records
from oyez.playout.around import plan_around
from oyez.playout.books import Books
from oyez.playout.changes import Changes
from oyez.playout.gather import Gathered, gather, gone_clips, revision_of
from oyez.playout.ledger import Ledger
from oyez.playout.missed import NOT_RUNNING, Expectations, expected_of
from oyez.playout.now import Clock, JumpWatch
from oyez.playout.sending import ProgrammeLink, Sender
from oyez.playout.takeover import JournalLink
from oyez.settings import Settings
from oyez.store import log
from oyez.store.database import Database

LEAD_MS = 1_000  # nothing new starts sooner than this after planning: the engine must hold it first
REPLAN_S = 5.0  # how often what did not begin is planned anew
SLEPT_MS = 60_000  # no beat for so long: the service did not run
DAY_MS = 86_400_000


class KeeperLink(JournalLink, ProgrammeLink, Protocol):
    """What is asked of the engine here (`playout.link.EngineLink`)."""

    def state(self) -> Mapping[str, Any]: ...


class Keeper:
    """See the module. `open` once before anything else, then `beat` about each second."""

    def __init__(
        self, settings: Settings, database: Database, link: KeeperLink, clock: Clock, changes: Changes
    ) -> None:
        self.settings = settings
        self.database = database
        self.link = link
        self.clock = clock
        self.changes = changes
        self.lock = threading.RLock()
        self.books = Books(settings, database, link)
        self.ledger = Ledger()
        self.expectations = Expectations()
        self.events: dict[str, Occurrence] = {}
        self.stopped: set[str] = set()
        self.gathered: Gathered | None = None
        self.gone: dict[str, str] = {}
        self.plan: Plan | None = None
        self.state: Mapping[str, Any] | None = None  # None while the engine does not answer
        self.last_state: Mapping[str, Any] | None = None
        self.state_at_ms: int | None = None
        self.fault: str | None = None
        self.watch = JumpWatch(clock)
        self._sender = Sender(link)
        self._stale = False
        self._beat_ms: int | None = None
        self._late_s = 0.0
        self._seen: Any = None

    # -- what it knows ------------------------------------------------------------------------------------------

    def need(self) -> Gathered:
        """What was gathered. Raises NotFound when no venue is loaded."""
        if self.gathered is None:
            raise NotFound("there is no venue yet: load one with `oyez load FILE`")
        return self.gathered

    def today(self) -> dt.date:
        return operating_day(self.need().venue, self.clock.now_ms())

    def live(self, now_ms: int, *, also: Sequence[Taken] = ()) -> Live:
        """What planning must know of the running day."""
        return Live(
            now_ms=now_ms,
            taken=(*self.ledger.taken(), *also),
            done=self.ledger.done(),
            events=tuple(self.events.values()),
        )

    def plan_for(self, day: dt.date, live: Live | None) -> Plan:
        known = self.need()
        return plan_around(known.venue, day, known.facts, self.gone, live=live)

    # -- start --------------------------------------------------------------------------------------------------

    def open(self) -> None:
        """Read what there is, take over what the engine did meanwhile, log what was missed, send the programme."""
        with self.lock:
            now_ms = self.clock.now_ms()
            try:
                self._regather()
            except (WorkFailed, InputError) as error:  # the state says it, and the pages are there to be asked
                self.fault = str(error)
            if self.gathered is not None:
                self._take_stock(self.gathered, now_ms)
            self._beat_ms = now_ms
            downtime.note_alive(self.settings.data_dir, now_ms)

    def _take_stock(self, known: Gathered, now_ms: int) -> None:
        alive_ms = downtime.last_alive_ms(self.settings.data_dir)
        with self.database.read() as session:
            if alive_ms is None:
                alive_ms = log.last_at_ms(session, known.venue_id)
            recent = log.records(session, known.venue_id, from_ms=now_ms - 3 * DAY_MS)
            still_open = log.open_claims(session, known.venue_id)
        for record in (*recent, *still_open):
            self.ledger.add(record.body)
        for record in recent:
            if record.kind == "end" and record.at_ms > now_ms - RESTART_WITHIN_MS:
                self._restart(known, record.body)
        self.pull()
        if alive_ms is not None:
            self._log_down(alive_ms, now_ms, NOT_RUNNING)
        down_ms = None if alive_ms is None else max(0, now_ms - alive_ms)
        words = None
        if down_ms is not None and down_ms > SLEPT_MS:
            words = f"it had not run for {span_words(down_ms)}"
        self.note("service started", words, down_ms=down_ms, revision=known.revision)
        self.refresh_now_or_later()

    def close(self) -> None:
        with self.lock:
            if self.gathered is not None:
                self.pull_now_or_later()
                self.note_now_or_never("service stopped", None)
            downtime.note_alive(self.settings.data_dir, self.clock.now_ms())

    # -- each second --------------------------------------------------------------------------------------------

    def beat(self) -> None:
        """Look at everything that may have changed. What cannot be done now is noted in `fault` and done later."""
        with self.lock:
            try:
                self._beat()
            except (WorkFailed, InputError, OSError) as error:
                self.fault = str(error)
            else:
                self.fault = None
        self._tell_state()

    def _beat(self) -> None:
        now_ms = self.clock.now_ms()
        self._look_at_engine(now_ms)
        known = self.gathered
        with self.database.read() as session:
            changed = revision_of(session) != (None if known is None else (known.venue_id, known.revision))
        if changed:
            self._regather()
            self._stale = True
            if known is None and self.gathered is not None:
                self._take_stock(self.gathered, now_ms)
            self.changes.tell("venue")
        if self.gathered is None:
            return
        self.pull()
        self._log_overdue(now_ms)
        self._look_at_clock(now_ms)
        if self._wants_plan(now_ms):
            self.refresh()

    def _wants_plan(self, now_ms: int) -> bool:
        if self._stale or self.plan is None or not self.plan.starts_ms <= now_ms < self.plan.ends_ms:
            return True
        boot = None if self.state is None else self.state.get("boot")
        if boot is not None and boot != self._sender.to:
            return True
        if boot is not None and self.expectations.late(now_ms):
            elapsed_s = self.clock.monotonic_s()
            if elapsed_s - self._late_s >= REPLAN_S:
                self._late_s = elapsed_s
                return True
        return False

    def _look_at_engine(self, now_ms: int) -> None:
        try:
            self.state = self.last_state = self.link.state()
            self.state_at_ms = now_ms
        except EngineGone:
            self.state = None

    def _look_at_clock(self, now_ms: int) -> None:
        before_ms, self._beat_ms = self._beat_ms, now_ms
        jump_ms = self.watch.look()
        if jump_ms:
            words = f"the clock was set {'forward' if jump_ms > 0 else 'back'} by {abs(jump_ms) / 1000:.1f} s"
            self.note("clock set", words, by_ms=jump_ms)
            self._stale = True
            if 0 < jump_ms <= downtime.LONGEST_MS and before_ms is not None:  # further: it stood wrong before
                self._log_down(before_ms, now_ms, f"{words}, over its time")
        elif before_ms is not None and now_ms - before_ms > SLEPT_MS:
            self._log_down(before_ms, now_ms, NOT_RUNNING)
            self._stale = True

    def look_at_clips(self) -> None:
        """A clip's audio that went or came back changes what can sound."""
        with self.lock:
            if self.gathered is not None and gone_clips(self.settings, self.gathered) != self.gone:
                self._stale = True

    def still_alive(self) -> None:
        downtime.note_alive(self.settings.data_dir, self.clock.now_ms())

    # -- venue and programme ------------------------------------------------------------------------------------

    def _regather(self) -> None:
        with self.database.read() as session:
            self.gathered = gather(session)
            if self.gathered is not None:
                self.books.note_journal_head(session, self.gathered.venue_id)

    def reload(self) -> None:
        """Read the venue again now and plan anew. Never raises: what it follows is done; a beat tries again."""
        with self.lock:
            first = self.gathered is None
            try:
                self._regather()
            except (WorkFailed, InputError, OSError) as error:
                self.fault = str(error)
                return
            if self.gathered is not None:
                if first:
                    self._take_stock(self.gathered, self.clock.now_ms())
                else:
                    self.refresh_now_or_later()
        self.changes.tell("venue")

    def refresh(self) -> None:
        """Plan the running day and the next from what is known now, and send them to the engine."""
        known = self.need()
        self.pull()
        now_ms = self.clock.now_ms()
        self.gone = gone_clips(self.settings, known)
        day = operating_day(known.venue, now_ms)
        self.ledger.forget_before(day_span(known.venue, day).start_ms - DAY_MS)
        plan = self.plan_for(day, self.live(now_ms + LEAD_MS))
        tail = [t for t in map(_as_taken, plan.plays) if t.end_ms > plan.ends_ms - 600_000]
        after = self.plan_for(
            day + dt.timedelta(days=1),
            dataclasses.replace(self.live(plan.ends_ms, also=tail), events=()),
        )
        self.expectations.renew(
            expected_of(known.venue, plan, events=self.events), now_ms=now_ms, begun=self.ledger.known()
        )
        self.plan, self._stale = plan, False
        self._send(known, (plan, after), now_ms)
        self.changes.tell("plan")

    def refresh_later(self) -> None:
        """The next beat plans anew."""
        self._stale = True

    def refresh_now_or_later(self) -> None:
        """After something was done that cannot be undone: what keeps the plan from following is tried again."""
        try:
            self.refresh()
        except (WorkFailed, InputError, OSError) as error:
            self.fault, self._stale = str(error), True

    def _send(self, known: Gathered, plans: Sequence[Plan], now_ms: int) -> None:
        if self.state is None:
            self._look_at_engine(now_ms)
        if self.state is None:
            return
        try:
            self._sender.send(known, plans, self.state, now_ms=now_ms, silent=self.expectations.explain)
        except EngineGone:
            self.state = None

    # -- log ----------------------------------------------------------------------------------------------------

    def pull(self) -> None:
        """Take the engine's journal over, all there is."""
        known = self.need()
        with self.lock:
            brought = False
            for one in self.books.take_over(known.venue_id):
                brought = True
                if one.appended.status == "added":
                    self._heed(known, one.line.record)
                else:
                    self.ledger.add(one.line.record)  # said twice, but what sounds holds its zones all the same
            if brought:
                self.changes.tell("log")

    def pull_now_or_later(self) -> None:
        """Take over what the engine just claimed; with the database gone that waits, the engine keeps it."""
        try:
            self.pull()
        except WorkFailed as error:
            self.fault = str(error)

    def _heed(self, known: Gathered, record: Mapping[str, Any]) -> None:
        """What a record of the engine means for the plan."""
        self.ledger.add(record)
        kind = record.get("kind")
        if kind == "event":
            return
        occurrence = str(record["id"])
        if kind == "claim":
            expected_ms = self.expectations.starts_of(occurrence)
            if expected_ms is not None and expected_ms != record.get("planned_ms"):
                self._stale = True
        else:
            self._stale = True
        self.expectations.settle(occurrence)
        self.events.pop(occurrence, None)
        if kind == "end":
            self._restart(known, record)

    def _restart(self, known: Gathered, record: Mapping[str, Any]) -> None:
        """What was cut starts again where it was cut, if its rule says so. Stopped by a person is final."""
        claim = self.ledger.claim_of(str(record["id"]))
        if claim is None or record["id"] in self.stopped:
            return
        zones = record.get("per_zone") or ()
        cut = [z for z in zones if z.get("outcome") == "cut" and not records.cut_by_person(z)]
        try:
            again = restart_for(known.venue, claim, {**record, "per_zone": cut}, known.facts)
        except InputError:  # its clips are not what they were
            return
        if again is not None and again.id not in self.ledger:
            self.events[again.id] = again

    def _log_overdue(self, now_ms: int) -> None:
        for one in self.expectations.overdue(now_ms):
            reason = one.reason or (
                "the engine was not running" if self.state is None else "the engine did not begin it in time"
            )
            self.append(one.unsent(at_ms=now_ms, reason=reason))
            self.expectations.settle(one.id)
            self.events.pop(one.id, None)

    def _log_down(self, since_ms: int, until_ms: int, reason: str) -> None:
        known = self.need()
        with self.database.read() as session:
            owed = downtime.missed_between(session, known, since_ms, until_ms, reason)
        self.append(*owed)

    def note(self, what: str, reason: str | None, **detail: Any) -> None:
        """Log an event of the service's own."""
        event = {"kind": "event", "what": what, "reason": reason, "at_ms": self.clock.now_ms()}
        self.append({**event, **detail})

    def note_now_or_never(self, what: str, reason: str | None, **detail: Any) -> None:
        """`note` for what must not fail because of it."""
        try:
            self.note(what, reason, **detail)
        except WorkFailed as error:
            self.fault = str(error)

    def append(self, *records: Mapping[str, Any]) -> None:
        """Add records of our own to the log. What would be a second completion is passed over."""
        added = self.books.append(self.need().venue_id, *records)
        for record in added:
            self.ledger.add(record)
            if "id" in record:
                self.expectations.settle(str(record["id"]))
        if added:
            self.changes.tell("log")

    def _tell_state(self) -> None:
        seen = _signature(self.state)
        if seen != self._seen:
            self._seen = seen
            self.changes.tell("state")


def _as_taken(play: Play) -> Taken:
    return Taken(
        id=play.id,
        rule=play.rule,
        title=play.title,
        start_ms=play.start_ms,
        end_ms=play.end_ms,
        zones=play.zones,
        priority=play.priority,
    )


def _signature(state: Mapping[str, Any] | None) -> Any:
    """What a page shows of the engine, without what moves all the time."""
    if state is None:
        return None
    return (
        state.get("boot"),
        state.get("revision"),
        state.get("silent"),
        [(p.get("id"), p.get("sounding"), p.get("zones")) for p in state.get("playing") or ()],
        [(o.get("id"), o.get("health")) for o in state.get("outputs") or ()],
        [(z.get("id"), z.get("music_on"), z.get("track")) for z in state.get("zones") or ()],
    )
