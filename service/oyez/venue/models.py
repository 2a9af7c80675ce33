"""What a venue is: the venue file's tree as frozen models, each value checked on its own.

Reads no file and no clock. What only shows when entries are seen together (an unknown zone in a rule, two
things with one id) is found by `venue.faults`; the text is read by `venue.reader`.
Defaults are those of the venue file's documentation; durations are seconds as written, and become whole
milliseconds by `units.to_ms` where they are used.
"""

from __future__ import annotations

import datetime as dt
import unicodedata
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from oyez.venue.priority import AfterCut, step_of
from oyez.venue.units import Day, DayOrHoliday, read_clock, read_period, read_time, to_ms


def _checked_clock(text: str) -> str:
    read_clock(text)
    return text


def _checked_time(text: str) -> str:
    read_time(text)
    return text


def _checked_period(text: str) -> str:
    read_period(text)
    return text


def _checked_zone_name(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ValueError, OSError, KeyError) as error:
        raise ValueError(f"is '{name}', allowed are IANA time zones like Europe/London") from error
    return name


def _checked_line(text: str) -> str:
    if any(unicodedata.category(c) in {"Cc", "Cs", "Zl", "Zp"} for c in text):
        raise ValueError("has a line break or control character in it, allowed are texts on one line")
    return text


def _checked_local(time: dt.datetime) -> dt.datetime:
    if time.tzinfo is not None or time.microsecond:
        raise ValueError(
            f"is '{time.isoformat()}', allowed are local times in whole seconds without an offset, "
            "like 2026-11-06T20:00:00"
        )
    return time


def _checked_country(code: str) -> str:
    if not (len(code) == 2 and code.isascii() and code.isalpha() and code.isupper()):
        raise ValueError(f"is '{code}', allowed are two-letter country codes (ISO 3166-1) like GB")
    return code


def _checked_whole(value: object) -> object:
    if isinstance(value, (bool, float)):  # both would pass as equal to a whole number
        raise PydanticCustomError("not_whole", "is no whole number")
    return value


# `allowed` are the words `venue.allowed` uses for a value of the wrong type; the example is always valid.
Clock = Annotated[
    str,
    AfterValidator(_checked_clock),
    Field(examples=["05:00"], json_schema_extra={"allowed": "clock times from 00:00 to 23:59"}),
]
TimeText = Annotated[
    str,
    AfterValidator(_checked_time),
    Field(
        examples=["21:00"],
        json_schema_extra={"allowed": "clock times (21:00, 21:00:30) and open, close, open+10, close-15"},
    ),
]
PeriodText = Annotated[
    str,
    AfterValidator(_checked_period),
    Field(
        examples=["10:00-18:00"],
        json_schema_extra={"allowed": "opening periods like 10:00-18:00 (24:00 is midnight)"},
    ),
]
ZoneName = Annotated[
    str,
    AfterValidator(_checked_zone_name),
    Field(examples=["UTC"], json_schema_extra={"allowed": "IANA time zones like Europe/London"}),
]
Id = Annotated[
    str,
    Field(
        pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$",
        examples=["foyer"],
        json_schema_extra={"allowed": "up to 64 of a-z, 0-9, - and _, the first a letter or digit"},
    ),
]
Title = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_checked_line)]
FileName = Annotated[str, Field(min_length=1, max_length=400), AfterValidator(_checked_line)]
Db = Annotated[float, Field(ge=-100.0, le=40.0, allow_inf_nan=False)]
Lufs = Annotated[float, Field(ge=-70.0, le=0.0, allow_inf_nan=False)]
Seconds = Annotated[float, Field(ge=0.0, le=86400.0, allow_inf_nan=False)]
Priority = Annotated[int, Field(ge=0, le=100)]
Days = tuple[DayOrHoliday, ...]
LocalTime = Annotated[dt.datetime, AfterValidator(_checked_local)]
CountryCode = Annotated[
    str,
    AfterValidator(_checked_country),
    Field(
        examples=["GB"],
        json_schema_extra={"allowed": "two-letter country codes (ISO 3166-1) like GB"},
    ),
]
RegionCode = Annotated[
    str,
    AfterValidator(_checked_line),
    Field(min_length=1, max_length=20, examples=["ENG"], json_schema_extra={"allowed": "region codes like ENG"}),
]
ClipKind = Literal["speech", "music", "chime", "effect"]


class Entry(BaseModel):
    """Base of all: frozen, unknown keys refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class VenueSettings(Entry):
    name: Title
    timezone: ZoneName
    day_starts: Clock = "05:00"
    target_lufs: Lufs = -18.0
    ceiling_dbtp: Annotated[float, Field(ge=-30.0, le=0.0, allow_inf_nan=False)] = -1.5
    max_gain_db: Annotated[float, Field(ge=0.0, le=40.0, allow_inf_nan=False)] = 15.0
    gap_s: Seconds = 3.0


class Week(Entry):
    """Opening periods by weekday of the operating day; a day left out or empty is closed.

    `ho` replaces the weekday's on public holidays; None: they are days like others.
    """

    mo: tuple[PeriodText, ...] = ()
    tu: tuple[PeriodText, ...] = ()
    we: tuple[PeriodText, ...] = ()
    th: tuple[PeriodText, ...] = ()
    fr: tuple[PeriodText, ...] = ()
    sa: tuple[PeriodText, ...] = ()
    su: tuple[PeriodText, ...] = ()
    ho: tuple[PeriodText, ...] | None = None

    def periods(self, day: Day, *, holiday: bool = False) -> tuple[str, ...]:
        if holiday and self.ho is not None:
            return self.ho
        found: tuple[str, ...] = getattr(self, day)
        return found


class HoursSet(Week):
    id: Id


class Season(Week):
    """Replaces a set's week between two operating days, both included."""

    hours: Id = "venue"
    from_date: dt.date
    until_date: dt.date


class HoursExcept(Entry):
    """One operating day; wins over seasons. `hours` None means every set."""

    date: dt.date
    hours: Id | None = None
    closed: bool = False
    open: tuple[PeriodText, ...] | None = None


class Holidays(Entry):
    """Public holidays: those of a country and region, and dates of the venue's own."""

    country: CountryCode | None = None
    subdiv: RegionCode | None = None
    dates: tuple[dt.date, ...] = ()
    except_dates: tuple[dt.date, ...] = ()


class Limits(Entry):
    """`promo_min_per_hour` bounds nothing: more promotion in a zone is only warned of."""

    max_per_hour: Annotated[int, Field(ge=1, le=10000)] | None = None
    cap_below: Annotated[int, Field(ge=0, le=101)] = 101
    promo_min_per_hour: Annotated[float, Field(ge=0.0, le=60.0, allow_inf_nan=False)] = 6.0  # common practice


class Quiet(Entry):
    """A quiet window: nothing under `min_priority` may sound in its zones.

    on_holidays  false: never on public holidays, true: on those alone; default both
    """

    zones: Annotated[tuple[Id, ...], Field(min_length=1)]
    from_: Annotated[TimeText, Field(alias="from")]
    until: TimeText
    days: Days | None = None
    from_date: dt.date | None = None
    until_date: dt.date | None = None
    except_dates: tuple[dt.date, ...] = ()
    on_holidays: bool | None = None
    hours: Id = "venue"
    min_priority: Annotated[int, Field(ge=0, le=101)]
    music: Literal["keep", "off"] = "keep"

    model_config = ConfigDict(frozen=True, extra="forbid", validate_by_alias=True, validate_by_name=False)


class Source(Entry):
    id: Id
    folder: FileName
    target_lufs: Lufs = -20.0
    crossfade_s: Annotated[float, Field(ge=0.0, le=30.0, allow_inf_nan=False)] = 3.0


Depth = Literal["auto"] | Annotated[float, Field(ge=0.0, le=60.0, allow_inf_nan=False)]
Ramp = Annotated[float, Field(ge=0.0, le=60.0, allow_inf_nan=False)]


class Duck(Entry):
    """How the music steps back under an announcement."""

    depth_db: Depth = "auto"
    margin_lu: Annotated[float, Field(ge=0.0, le=40.0, allow_inf_nan=False)] = 14.0
    fall_s: Ramp = 0.6
    hold_s: Ramp = 0.3
    rise_s: Ramp = 1.5
    bridge_s: Ramp = 2.0


class RuleDuck(Entry):
    """A rule's own ducking; what is left out is the venue's."""

    depth_db: Depth | None = None
    margin_lu: Annotated[float, Field(ge=0.0, le=40.0, allow_inf_nan=False)] | None = None
    fall_s: Ramp | None = None
    hold_s: Ramp | None = None
    rise_s: Ramp | None = None
    bridge_s: Ramp | None = None

    def over(self, base: Duck) -> Duck:
        return base.model_copy(update=self.model_dump(exclude_none=True))


class Band(Entry):
    """One parametric band (RBJ Audio EQ Cookbook peaking filter)."""

    hz: Annotated[float, Field(ge=10.0, le=22000.0, allow_inf_nan=False)]
    gain_db: Annotated[float, Field(ge=-24.0, le=24.0, allow_inf_nan=False)]
    q: Annotated[float, Field(ge=0.1, le=30.0, allow_inf_nan=False)] = 1.4


class ZoneEq(Entry):
    highpass_hz: Annotated[float, Field(ge=10.0, le=2000.0, allow_inf_nan=False)] | None = None
    bands: Annotated[tuple[Band, ...], Field(max_length=5)] = ()


class Zone(Entry):
    id: Id
    name: Title
    channels: Annotated[Literal[1, 2], BeforeValidator(_checked_whole)] = 1
    source: Id | None = None
    hours: Id = "venue"
    on: bool = True
    in_service: bool = True
    music_level_db: Db = 0.0
    announce_level_db: Db = 0.0
    level_db: Db = 0.0
    eq: ZoneEq | None = None


class Group(Entry):
    id: Id
    zones: Annotated[tuple[Id, ...], Field(min_length=1)]


class Clip(Entry):
    id: Id
    file: FileName
    title: Title
    kind: ClipKind = "speech"
    duration_ms: Annotated[int, Field(ge=1, le=4 * 3600 * 1000)] | None = None
    from_date: dt.date | None = None
    until_date: dt.date | None = None

    def valid_on(self, date: dt.date) -> bool:
        """Whether it may be used on this operating day: a campaign has a first and a last one, both included."""
        return (self.from_date is None or self.from_date <= date) and (
            self.until_date is None or date <= self.until_date
        )


class Fixed(Entry):
    """At given times: `times` on days between dates, or an RRULE of RFC 5545 with its local DTSTART.

    exdates, rdates  beside rrule: local times taken out of and added to what it gives
    on_holidays      false: never on public holidays, true: on those alone; default both
    """

    times: tuple[TimeText, ...] = ()
    days: Days | None = None
    from_date: dt.date | None = None
    until_date: dt.date | None = None
    except_dates: tuple[dt.date, ...] = ()
    rrule: Annotated[str, Field(max_length=1000), AfterValidator(_checked_line)] | None = None
    dtstart: LocalTime | None = None
    exdates: tuple[LocalTime, ...] = ()
    rdates: tuple[LocalTime, ...] = ()
    on_holidays: bool | None = None


class Interval(Entry):
    """Every `every_min` minutes, elapsed, from `start` up to and including `end`."""

    every_min: Annotated[float, Field(ge=0.1, le=1440.0, allow_inf_nan=False)]
    start: TimeText
    end: TimeText
    days: Days | None = None
    from_date: dt.date | None = None
    until_date: dt.date | None = None
    except_dates: tuple[dt.date, ...] = ()
    on_holidays: bool | None = None


class Rule(Entry):
    """What plays, where, when, with what right and with what patience."""

    id: Id
    title: Title
    chime: Id | None = None
    clips: Annotated[tuple[Id, ...], Field(min_length=1)]
    pause_s: Annotated[float, Field(ge=0.0, le=60.0, allow_inf_nan=False)] = 0.4
    repeat: Annotated[int, Field(ge=1, le=100)] = 1
    repeat_gap_s: Annotated[float, Field(ge=0.0, le=600.0, allow_inf_nan=False)] = 2.0
    zones: Annotated[tuple[Id, ...], Field(min_length=1)]
    priority: Priority
    wait_s: Seconds | None = None
    after_cut: AfterCut | None = None
    says_time: bool = False
    together: bool = True
    blocked_zones: Literal["leave_out", "wait"] = "leave_out"
    open_only: bool = False
    hours: Id = "venue"
    duck: RuleDuck | None = None
    fixed: Fixed | None = None
    interval: Interval | None = None

    @property
    def patience_ms(self) -> int:
        """How late it may start: its own `wait_s` or its step's, at most 60 s if it says a time and at
        most half its interval (rounded down).
        """
        wait_s = self.wait_s if self.wait_s is not None else step_of(self.priority).wait_s
        wait_ms = to_ms(wait_s)
        if self.says_time:
            wait_ms = min(wait_ms, 60_000)
        if self.interval is not None:
            wait_ms = min(wait_ms, to_ms(self.interval.every_min * 60.0) // 2)
        return wait_ms

    @property
    def when_cut(self) -> AfterCut:
        return self.after_cut or step_of(self.priority).after_cut


class Output(Entry):
    """Where zones go. A venue without outputs plays into a silent, clock-driven one.

    card       a sound card through PortAudio; `device` is part of its name, default the system's own
    recording  a WAV file under the data folder, 32-bit float, named by `file`
    `zones` maps a zone to the output's channels, counted from 1: one for a mono zone, two for a stereo zone.
    """

    id: Id
    kind: Literal["card", "recording"]
    device: Title | None = None
    file: FileName | None = None
    channels: Annotated[int, Field(ge=1, le=64)] | None = None
    latency_s: Annotated[float, Field(ge=0.005, le=1.0, allow_inf_nan=False)] = 0.1
    zones: dict[Id, Annotated[tuple[int, ...], Field(min_length=1, max_length=2)]]


class VenueFile(Entry):
    """The whole file. Sequences keep the file's order: it settles ties."""

    format: Annotated[Literal[1], BeforeValidator(_checked_whole)]
    venue: VenueSettings
    hours: Week | None = None
    hours_sets: tuple[HoursSet, ...] = ()
    seasons: tuple[Season, ...] = ()
    hours_except: tuple[HoursExcept, ...] = ()
    holidays: Holidays = Holidays()
    limits: Limits = Limits()
    quiet: tuple[Quiet, ...] = ()
    sources: tuple[Source, ...] = ()
    duck: Duck = Duck()
    zones: tuple[Zone, ...] = ()
    groups: tuple[Group, ...] = ()
    clips: tuple[Clip, ...] = ()
    rules: tuple[Rule, ...] = ()
    outputs: tuple[Output, ...] = ()

    def zone(self, zone_id: str) -> Zone:
        return next(z for z in self.zones if z.id == zone_id)

    def clip(self, clip_id: str) -> Clip:
        return next(c for c in self.clips if c.id == clip_id)

    def rule(self, rule_id: str) -> Rule:
        return next(r for r in self.rules if r.id == rule_id)

    def resolve(self, names: tuple[str, ...]) -> tuple[str, ...]:
        """Zone ids for zone ids, group ids and "all", each once, in the file's order of zones."""
        wanted: set[str] = set()
        groups = {g.id: g.zones for g in self.groups}
        for name in names:
            if name == "all":
                wanted.update(z.id for z in self.zones)
            else:
                wanted.update(groups.get(name, (name,)))
        return tuple(z.id for z in self.zones if z.id in wanted)
