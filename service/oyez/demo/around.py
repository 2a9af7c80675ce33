"""The demo venue set around a given minute, so that something happens at once whatever the hour.

Takes the venue as designed and the instant; gives a venue file that is open now, calls within half a minute and
every minute or two after it. Reads no clock, file or card: all that comes in as arguments.
"""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from oyez.errors import InputError
from oyez.venue.models import Fixed, HoursSet, Interval, Output, Quiet, Rule, VenueFile, Week
from oyez.venue.units import DAY_NAMES

FIRST_CALL_S = 25

# rule: seconds after the present instant. Those not named here keep their times if they hang on open and close.
TIMES_S = {
    "seals": (FIRST_CALL_S, 40 * 60),
    "rays": (150, 55 * 60),
    "cafe-promo": (155, 18 * 60, 47 * 60, 200 * 60),  # right behind the rays: it waits, and the page says why
    "nursery": (5 * 60, 65 * 60),
    "show": (6 * 60 + 30,),
    "briefing": (6 * 60 + 32,),
    "coach-four": (10 * 60,),
    "members": (10 * 60 + 3, 16 * 60),  # the first falls into coach four's call and has no patience: no place
    "evening-welcome": (22 * 60,),
    "seals-weekend": (90 * 60,),
    "show-evening": (110 * 60,),
}
PATIENCE_S = {"members": 5.0}
HANDS_OFF_FIRST_S, HANDS_OFF_EVERY_MIN = 80, 4.0
MAX_PER_HOUR = 24  # the designed one is for a call every 40 minutes
THEATRE_QUIET_MIN = (8, 15)
NURSERY_QUIET_MIN = (25, 55)


def around(designed: VenueFile, now: dt.datetime, *, card: bool) -> VenueFile:
    """The demo venue around `now`.

    designed  the packaged Quillfin Aquarium
    now       an aware datetime
    card      whether the ticket hall goes to the machine's sound card; otherwise the silent output plays all
    Raises InputError when `now` has no offset.

    Every day of the week is open from a moment ago for some three hours, closes for one, and opens late.
    Seasons and exceptions would speak of other days and are left out. Close to a clock change, where a time on
    the clock may not tell which hour is meant, the venue keeps UTC.
    """
    if now.utcoffset() is None:
        raise InputError(f"demo: the present instant needs an offset, got {now.isoformat()}")
    zone = _steady_zone(designed.venue.timezone, now)
    here = now.astimezone(zone)
    opens = _floor(here, 1)  # nothing that hangs on the opening lies before the first start
    closes = _floor(here, 15) + dt.timedelta(hours=2, minutes=45)
    late_opens, late_closes = closes + dt.timedelta(hours=1), closes + dt.timedelta(hours=5)

    def periods(first_min: int, last_min: int) -> tuple[str, ...]:
        first, last = dt.timedelta(minutes=first_min), dt.timedelta(minutes=last_min)
        spans = ((opens, closes), (late_opens, late_closes))
        return tuple(f"{a + first:%H:%M}-{b + last:%H:%M}" for a, b in spans)

    return designed.model_copy(
        update={
            "venue": designed.venue.model_copy(
                update={
                    "timezone": zone.key,
                    "day_starts": f"{here - dt.timedelta(hours=4):%H}:00",
                }
            ),
            "hours": _every_day(periods(0, 0)),
            "hours_sets": (
                HoursSet(id="cafe", **_week(periods(-15, -30))),
                HoursSet(id="shop", **_week(periods(-5, 15))),
            ),
            "seasons": (),
            "hours_except": (),
            "limits": designed.limits.model_copy(update={"max_per_hour": MAX_PER_HOUR}),
            "quiet": tuple(_quiet(q, here) for q in designed.quiet if q.days is None),
            "rules": tuple(_rule(r, here) for r in designed.rules),
            "outputs": (_card(),) if card else (),
        }
    )


def _steady_zone(name: str, now: dt.datetime) -> ZoneInfo:
    """The venue's zone, or UTC when its clocks change within the hours that the demo speaks of."""
    zone = ZoneInfo(name)
    edges = (now - dt.timedelta(hours=6), now + dt.timedelta(hours=24))
    offsets = {edge.astimezone(zone).utcoffset() for edge in edges}
    return zone if len(offsets) == 1 else ZoneInfo("Etc/UTC")


def _floor(moment: dt.datetime, minutes: int) -> dt.datetime:
    return moment.replace(minute=moment.minute - moment.minute % minutes, second=0, microsecond=0)


def _week(periods: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    return dict.fromkeys(DAY_NAMES, periods)


def _every_day(periods: tuple[str, ...]) -> Week:
    return Week(**_week(periods))


def _clock(here: dt.datetime, after_s: int) -> str:
    return f"{here + dt.timedelta(seconds=after_s):%H:%M:%S}"


def _quiet(quiet: Quiet, here: dt.datetime) -> Quiet:
    first_min, last_min = THEATRE_QUIET_MIN if "theatre" in quiet.zones else NURSERY_QUIET_MIN
    return quiet.model_copy(
        update={"from_": _clock(here, first_min * 60)[:5], "until": _clock(here, last_min * 60)[:5]}
    )


def _rule(rule: Rule, here: dt.datetime) -> Rule:
    if rule.id == "hands-off":
        interval = Interval(
            every_min=HANDS_OFF_EVERY_MIN, start=_clock(here, HANDS_OFF_FIRST_S), end=_clock(here, 2 * 3600)
        )
        return rule.model_copy(update={"interval": interval})
    if rule.id in TIMES_S:
        fixed = Fixed(times=tuple(_clock(here, s) for s in TIMES_S[rule.id]))
        return rule.model_copy(update={"fixed": fixed, "wait_s": PATIENCE_S.get(rule.id, rule.wait_s)})
    return rule


def _card() -> Output:
    return Output(id="speakers", kind="card", channels=2, zones={"ticket-hall": (1, 2)})
