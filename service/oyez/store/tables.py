"""The tables. Several venues live in one database; every row of a venue carries its `venue_id`.

A venue file's entries are one table a noun: what is one value is a column, what is a list or a table inside an
entry is JSON, and `position` keeps the file's order, which settles ties. Names of columns are the file's keys.
Nothing here is meant for one kind of database: what only SQLite understands is in `store.database`.
"""

from __future__ import annotations

import datetime as dt
from typing import Any, ClassVar

from sqlalchemy import (
    JSON,
    BigInteger,
    Double,
    ForeignKey,
    ForeignKeyConstraint,
    Integer,
    MetaData,
    String,
    Text,
    UniqueConstraint,
)
from sqlalchemy.engine.default import DefaultExecutionContext
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

HEAD = "0002"
"""The schema these tables describe: the newest revision in migrations/versions (a test compares)."""

Tree = dict[str, Any]
Items = list[Any]


class Base(DeclarativeBase):
    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map: ClassVar[dict[Any, Any]] = {
        float: Double(),
        Tree: JSON(none_as_null=True),
        Items: JSON(none_as_null=True),
        str: Text(),
    }


class VenueRow(Base):
    """[venue], [limits], [duck], [hours] and [holidays] of a venue file.

    slug      the venue's short name in commands
    revision  rises by one with every change of anything that belongs to the venue
    duck_depth_db  None is "auto"
    """

    __tablename__ = "venue"

    id: Mapped[int] = mapped_column(BigInteger().with_variant(Integer, "sqlite"), primary_key=True)
    slug: Mapped[str] = mapped_column(String(64), unique=True)
    revision: Mapped[int] = mapped_column(BigInteger)
    name: Mapped[str]
    timezone: Mapped[str]
    day_starts: Mapped[str]
    target_lufs: Mapped[float]
    ceiling_dbtp: Mapped[float]
    max_gain_db: Mapped[float]
    gap_s: Mapped[float]
    max_per_hour: Mapped[int | None]
    cap_below: Mapped[int]
    promo_min_per_hour: Mapped[float]
    duck_depth_db: Mapped[float | None]
    duck_margin_lu: Mapped[float]
    duck_fall_s: Mapped[float]
    duck_hold_s: Mapped[float]
    duck_rise_s: Mapped[float]
    duck_bridge_s: Mapped[float]
    hours: Mapped[Tree | None]
    holidays: Mapped[Tree | None]


class OfVenue:
    """A row that belongs to one venue, at its place in the venue file."""

    venue_id: Mapped[int] = mapped_column(ForeignKey("venue.id"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)


class Named(OfVenue):
    """One that goes by an id, once in its venue."""

    id: Mapped[str] = mapped_column(String(64))


def _own_id(*more: Any) -> tuple[Any, ...]:
    return (UniqueConstraint("venue_id", "id"), *more)


class HoursSetRow(Named, Base):
    __tablename__ = "hours_set"
    __table_args__ = _own_id()

    week: Mapped[Tree]


class SeasonRow(OfVenue, Base):
    __tablename__ = "season"

    hours: Mapped[str] = mapped_column(String(64))
    from_date: Mapped[dt.date]
    until_date: Mapped[dt.date]
    week: Mapped[Tree]


class HoursExceptRow(OfVenue, Base):
    __tablename__ = "hours_except"

    date: Mapped[dt.date]
    hours: Mapped[str | None] = mapped_column(String(64))
    closed: Mapped[bool]
    open: Mapped[Items | None]


class QuietRow(OfVenue, Base):
    """`from` and `until` are words of SQL's own, so these two columns are called otherwise."""

    __tablename__ = "quiet"

    zones: Mapped[Items]
    from_time: Mapped[str]
    until_time: Mapped[str]
    days: Mapped[Items | None]
    from_date: Mapped[dt.date | None]
    until_date: Mapped[dt.date | None]
    except_dates: Mapped[Items]
    on_holidays: Mapped[bool | None]
    hours: Mapped[str] = mapped_column(String(64))
    min_priority: Mapped[int]
    music: Mapped[str] = mapped_column(String(16))


class SourceRow(Named, Base):
    __tablename__ = "source"
    __table_args__ = _own_id()

    folder: Mapped[str]
    target_lufs: Mapped[float]
    crossfade_s: Mapped[float]


class ZoneRow(Named, Base):
    __tablename__ = "zone"
    __table_args__ = _own_id(ForeignKeyConstraint(["venue_id", "source"], ["source.venue_id", "source.id"]))

    name: Mapped[str]
    channels: Mapped[int]
    source: Mapped[str | None] = mapped_column(String(64))
    hours: Mapped[str] = mapped_column(String(64))
    on: Mapped[bool]
    in_service: Mapped[bool]
    music_level_db: Mapped[float]
    announce_level_db: Mapped[float]
    level_db: Mapped[float]
    eq: Mapped[Tree | None]


class GroupRow(Named, Base):
    __tablename__ = "zone_group"
    __table_args__ = _own_id()

    zones: Mapped[Items]


class AudioRow(Base):
    """Audio in the store, once by content: known by the SHA-256 that names its file.

    measurement  a `loudness.types.Measurement` as JSON; the loudness is kept, never a gain
    """

    __tablename__ = "audio"

    sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    frames: Mapped[int] = mapped_column(BigInteger)
    channels: Mapped[int]
    measurement: Mapped[Tree]
    lead_silence_ms: Mapped[int]
    tail_silence_ms: Mapped[int]
    original_name: Mapped[str]
    original_format: Mapped[str]
    added_ms: Mapped[int] = mapped_column(BigInteger)


class ClipRow(Named, Base):
    """sha256  its audio; None while none was given (a clip of which only the duration is known)."""

    __tablename__ = "clip"
    __table_args__ = _own_id()

    file: Mapped[str]
    title: Mapped[str]
    kind: Mapped[str] = mapped_column(String(16))
    duration_ms: Mapped[int | None]
    from_date: Mapped[dt.date | None]
    until_date: Mapped[dt.date | None]
    sha256: Mapped[str | None] = mapped_column(ForeignKey("audio.sha256"), index=True)


class SourceTrackRow(OfVenue, Base):
    """One track of a source's folder; `position` counts inside the source."""

    __tablename__ = "source_track"
    __table_args__ = (ForeignKeyConstraint(["venue_id", "source"], ["source.venue_id", "source.id"]),)

    source: Mapped[str] = mapped_column(String(64), primary_key=True)
    title: Mapped[str]
    file: Mapped[str]
    sha256: Mapped[str] = mapped_column(ForeignKey("audio.sha256"), index=True)


class RuleRow(Named, Base):
    __tablename__ = "rule"
    __table_args__ = _own_id(ForeignKeyConstraint(["venue_id", "chime"], ["clip.venue_id", "clip.id"]))

    title: Mapped[str]
    chime: Mapped[str | None] = mapped_column(String(64))
    clips: Mapped[Items]
    pause_s: Mapped[float]
    repeat: Mapped[int]
    repeat_gap_s: Mapped[float]
    zones: Mapped[Items]
    priority: Mapped[int]
    wait_s: Mapped[float | None]
    after_cut: Mapped[str | None] = mapped_column(String(16))
    says_time: Mapped[bool]
    together: Mapped[bool]
    blocked_zones: Mapped[str] = mapped_column(String(16))
    open_only: Mapped[bool]
    hours: Mapped[str] = mapped_column(String(64))
    duck: Mapped[Tree | None]
    fixed: Mapped[Tree | None]
    interval: Mapped[Tree | None]


class OutputRow(Named, Base):
    __tablename__ = "output"
    __table_args__ = _own_id()

    kind: Mapped[str] = mapped_column(String(16))
    device: Mapped[str | None]
    file: Mapped[str | None]
    channels: Mapped[int | None]
    latency_s: Mapped[float]
    zones: Mapped[Tree]


def _occurrence_if(*kinds: str) -> Any:
    def of(context: DefaultExecutionContext) -> str | None:
        row = context.get_current_parameters()  # type: ignore[no-untyped-call]
        return row["occurrence"] if row["kind"] in kinds else None

    return of


class LogRow(Base):
    """One record of the log, only ever added. `body` is the text exactly as it was hashed.

    The columns beside it are copies for queries. `claim_of` and `end_of` repeat the occurrence for a claim and for
    a completion (end, unsent); each is unique, so the table itself refuses a second one.
    """

    __tablename__ = "log"
    __table_args__ = (
        UniqueConstraint("venue_id", "boot", "boot_seq"),
        UniqueConstraint("venue_id", "claim_of"),
        UniqueConstraint("venue_id", "end_of"),
    )

    venue_id: Mapped[int] = mapped_column(ForeignKey("venue.id"), primary_key=True)
    number: Mapped[int] = mapped_column(BigInteger, primary_key=True)
    kind: Mapped[str] = mapped_column(String(16), index=True)
    at_ms: Mapped[int] = mapped_column(BigInteger)
    occurrence: Mapped[str | None] = mapped_column(String(200), index=True)
    nominal_ms: Mapped[int] = mapped_column(BigInteger, index=True)
    boot: Mapped[str | None] = mapped_column(String(64))
    boot_seq: Mapped[int | None] = mapped_column(BigInteger)
    claim_of: Mapped[str | None] = mapped_column(String(200), default=_occurrence_if("claim"))
    end_of: Mapped[str | None] = mapped_column(String(200), default=_occurrence_if("end", "unsent"))
    body: Mapped[str]
    prev: Mapped[str] = mapped_column(String(64))
    hash: Mapped[str] = mapped_column(String(64))


class SettingsJournal(Base):
    """One change of settings, only ever added. `body` is the text exactly as it was hashed."""

    __tablename__ = "settings_journal"

    venue_id: Mapped[int] = mapped_column(ForeignKey("venue.id"), primary_key=True)
    number: Mapped[int] = mapped_column(BigInteger, primary_key=True)
    at_ms: Mapped[int] = mapped_column(BigInteger, index=True)
    who: Mapped[str]
    what: Mapped[str]
    body: Mapped[str]
    prev: Mapped[str] = mapped_column(String(64))
    hash: Mapped[str] = mapped_column(String(64))
