"""Wakes the director: each second, each few seconds, and at the next day's start. Decides nothing.

APScheduler 3 in memory, in UTC, in one process, each job at most once at a time and never dropped for being late.
It works by the wall clock, and so would sleep on when that is set back: a guard on the monotonic clock notices and
sets every job due anew.
"""

from __future__ import annotations

import datetime as dt
import logging
import threading
import time
from collections.abc import Callable, Mapping

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_EXECUTED, EVENT_JOB_MAX_INSTANCES, JobEvent
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.date import DateTrigger
from apscheduler.triggers.interval import IntervalTrigger

from oyez.playout.now import Clock, JumpWatch

_DAY = "day"
_SOON = "soon"

logger = logging.getLogger(__name__)


class _AlreadySaid(logging.Filter):
    """Takes out the scheduler's own line about a job that still runs, once a second for as long as it does."""

    def filter(self, record: logging.LogRecord) -> bool:
        return "maximum number of running instances" not in str(record.msg)


class Heartbeat:
    """every  seconds -> what is called that often; `at_day` is called at the instant given to `wake_at`.

    `wake_at` and `soon` may be called before `start`: they are kept until then.
    """

    def __init__(
        self, clock: Clock, *, every: Mapping[float, Callable[[], None]], at_day: Callable[[], None]
    ) -> None:
        self._every = dict(every)
        self._at_day = at_day
        self._day_ms: int | None = None
        self._watch = JumpWatch(clock)
        self._ended = threading.Event()
        self._held: dict[str, float] = {}  # what still runs when it is due again -> since when, monotonic
        self._guard = threading.Thread(target=self._look, name="heartbeat-guard", daemon=True)
        self._scheduler = BackgroundScheduler(
            timezone=dt.UTC, job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None}
        )
        self._scheduler.add_listener(self._note, EVENT_JOB_MAX_INSTANCES | EVENT_JOB_EXECUTED | EVENT_JOB_ERROR)
        quiet = logging.getLogger("apscheduler.scheduler")
        if not any(isinstance(f, _AlreadySaid) for f in quiet.filters):
            quiet.addFilter(_AlreadySaid())

    def start(self) -> None:
        self._schedule()
        self._scheduler.start()
        self._guard.start()

    def stop(self) -> None:
        """Returns once no job runs any more."""
        self._ended.set()
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)
        if self._guard.is_alive():
            self._guard.join(timeout=5.0)

    def wake_at(self, ms: int) -> None:
        """Call `at_day` then; replaces what was set before. In the past: at once."""
        self._day_ms = ms
        self._scheduler.add_job(self._at_day, _date(ms), id=_DAY, replace_existing=True)

    @property
    def running(self) -> bool:
        return bool(self._scheduler.running)

    @property
    def held_s(self) -> float | None:
        """For how long something has been due again and not ended; None when all is in time."""
        since = min(list(self._held.values()), default=None)
        return None if since is None else time.monotonic() - since

    def soon(self) -> None:
        """Call `at_day` at once, in the heartbeat's own thread."""
        self._scheduler.add_job(self._at_day, id=_SOON, replace_existing=True)

    def _note(self, event: JobEvent) -> None:
        """Said once when it begins to be held up, and once when it goes on."""
        if event.code != EVENT_JOB_MAX_INSTANCES:
            since = self._held.pop(event.job_id, None)
            if since is not None and not self._held:
                logger.warning("The service goes on, it was held up for %.0f s", time.monotonic() - since)
        elif event.job_id not in self._held:
            first = not self._held
            self._held[event.job_id] = time.monotonic()
            if first:
                logger.warning("The service is held up: it waits for an answer, of the engine or of the disk")

    def _schedule(self) -> None:
        for seconds, call in self._every.items():
            trigger = IntervalTrigger(seconds=seconds, timezone=dt.UTC)
            self._scheduler.add_job(call, trigger, id=f"every-{seconds}", replace_existing=True)
        if self._day_ms is not None:
            self.wake_at(self._day_ms)

    def _look(self) -> None:
        while not self._ended.wait(1.0):
            if self._watch.look() != 0:
                self._schedule()


def _date(ms: int) -> DateTrigger:
    return DateTrigger(dt.datetime.fromtimestamp(ms / 1000, tz=dt.UTC), timezone=dt.UTC)
