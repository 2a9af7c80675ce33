"""Venues in the database: one is read as the venue file it came from, and replaced as a whole.

Queries take the session and never commit. Which audio a clip or a track has is kept here too, so that a venue
written anew keeps the audio it had.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError
from sqlalchemy import JSON, delete, insert, select, update
from sqlalchemy.orm import Session

from oyez.errors import NotFound, WorkFailed
from oyez.store.tables import (
    ClipRow,
    GroupRow,
    HoursExceptRow,
    HoursSetRow,
    OfVenue,
    OutputRow,
    QuietRow,
    RuleRow,
    SeasonRow,
    SourceRow,
    SourceTrackRow,
    VenueRow,
    ZoneRow,
)
from oyez.venue.models import Holidays, VenueFile
from oyez.venue.units import WEEK_KEYS

# A row may name one of a table before it (clip, source): this is the order of writing, taking out goes backwards.
TABLES: dict[str, type[Any]] = {
    "hours_sets": HoursSetRow,
    "seasons": SeasonRow,
    "hours_except": HoursExceptRow,
    "quiet": QuietRow,
    "sources": SourceRow,
    "zones": ZoneRow,
    "groups": GroupRow,
    "clips": ClipRow,
    "rules": RuleRow,
    "outputs": OutputRow,
}
"""The file's lists, each with its table."""

_COLUMN_OF = {"from": "from_time", "until": "until_time"}
_NOT_IN_FILE = {"venue_id", "position", "sha256"}
_WEEK = frozenset(WEEK_KEYS)


@dataclass(frozen=True, slots=True, kw_only=True)
class VenueRef:
    """A venue of the database: `slug` is its short name in commands, `revision` rises with every change."""

    id: int
    slug: str
    name: str
    revision: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One piece of audio of a source: `file` is its name in the source's folder."""

    title: str
    file: str
    sha256: str


def list_venues(session: Session) -> tuple[VenueRef, ...]:
    """All venues, the oldest first."""
    rows = session.execute(
        select(VenueRow.id, VenueRow.slug, VenueRow.name, VenueRow.revision).order_by(VenueRow.id)
    )
    return tuple(VenueRef(id=r.id, slug=r.slug, name=r.name, revision=r.revision) for r in rows)


def find_venue(session: Session, slug: str | None = None) -> VenueRef:
    """The venue of that short name, or the only one there is. Raises NotFound, naming those there are."""
    there = list_venues(session)
    if not there:
        raise NotFound("there is no venue in the database yet; `oyez load FILE` puts one in")
    if slug is None and len(there) == 1:
        return there[0]
    named = ", ".join(ref.slug for ref in there)
    if slug is None:
        raise NotFound(f"there are several venues in the database, say which: --venue with one of {named}")
    for ref in there:
        if ref.slug == slug:
            return ref
    raise NotFound(f"there is no venue '{slug}' in the database, there are {named}")


def revision(session: Session, venue_id: int) -> int:
    """Rises by one with every change of the venue. Raises NotFound."""
    found = session.scalar(select(VenueRow.revision).where(VenueRow.id == venue_id))
    if found is None:
        raise NotFound(f"there is no venue {venue_id} in the database")
    return found


def raise_revision(session: Session, venue_id: int) -> int:
    """Note that something of the venue changed; returns the new revision."""
    session.execute(
        update(VenueRow).where(VenueRow.id == venue_id).values(revision=VenueRow.revision + 1),
        execution_options={"synchronize_session": False},
    )
    session.expire_all()
    return revision(session, venue_id)


def read_venue(session: Session, venue_id: int) -> VenueFile:
    """The venue as a venue file says it. Raises NotFound, and WorkFailed when what is stored is no venue."""
    try:
        return VenueFile.model_validate(_tree(session, venue_id))
    except ValidationError as error:
        first, more = error.errors()[0], error.error_count() - 1
        where = ".".join(str(part) for part in first["loc"])
        also = f" (and {more} more)" if more else ""
        raise WorkFailed(
            f"the stored venue {venue_id} cannot be read: {where}: {first['msg']}{also}; "
            "another version of Oyez may have written it"
        ) from error
    except (ValueError, TypeError, LookupError) as error:  # a column that is no JSON, or JSON of another shape
        raise WorkFailed(f"the stored venue {venue_id} cannot be read: {error}") from error


def _tree(session: Session, venue_id: int) -> dict[str, Any]:
    row = session.execute(select(*_columns(VenueRow)).where(VenueRow.id == venue_id)).mappings().first()
    if row is None:
        raise NotFound(f"there is no venue {venue_id} in the database")
    tree: dict[str, Any] = {
        "format": 1,
        "venue": {key: row[key] for key in _VENUE_KEYS},
        "limits": {key: row[key] for key in _LIMIT_KEYS},
        "duck": {key: row[f"duck_{key}"] for key in _DUCK_KEYS},
        "hours": row["hours"],
        "holidays": row["holidays"] or {},
    }
    if tree["duck"]["depth_db"] is None:
        tree["duck"]["depth_db"] = "auto"
    for table, kind in TABLES.items():
        query = select(*_columns(kind)).where(kind.venue_id == venue_id).order_by(kind.position)
        tree[table] = [_entry(dict(found)) for found in session.execute(query).mappings()]
    return tree


def write_venue(
    session: Session,
    venue: VenueFile,
    *,
    venue_id: int | None = None,
    slug: str | None = None,
    audio: Mapping[str, str] | None = None,
    tracks: Mapping[str, Sequence[Track]] | None = None,
) -> int:
    """Put a venue in, or replace the one of `venue_id` as a whole; returns its id. The caller commits.

    slug    short name of a new venue; default made of its name
    audio   clip id -> SHA-256 of its audio. A clip left out keeps the audio it had, if its file's name is the same
    tracks  source id -> its tracks. A source left out keeps the tracks it had, if its folder's name is the same
    The audio must be in the `audio` table already.
    """
    values = _venue_values(venue)
    if venue_id is None:
        taken = {ref.slug for ref in list_venues(session)}
        row = VenueRow(slug=slug or _free_slug(venue.venue.name, taken), revision=1, **values)
        session.add(row)
        session.flush()
        venue_id = row.id
        had_audio: dict[tuple[str, str], str | None] = {}
        had_tracks: dict[tuple[str, str], list[Track]] = {}
    else:
        had_audio, had_tracks = clip_audio(session, venue_id), source_tracks(session, venue_id)
        found = session.get(VenueRow, venue_id)
        if found is None:
            raise NotFound(f"there is no venue {venue_id} in the database")
        for key, value in values.items():
            setattr(found, key, value)
        found.revision += 1
        session.flush()
    session.execute(delete(SourceTrackRow).where(SourceTrackRow.venue_id == venue_id))
    for kind in reversed(TABLES.values()):
        session.execute(delete(kind).where(kind.venue_id == venue_id))
    for table, kind in TABLES.items():
        rows = [{"venue_id": venue_id, "position": i} | _row(kind, e) for i, e in enumerate(getattr(venue, table))]
        if kind is ClipRow:
            for clip, row_values in zip(venue.clips, rows, strict=True):
                row_values["sha256"] = (audio or {}).get(clip.id, had_audio.get((clip.id, clip.file)))
        if rows:
            session.execute(insert(kind), rows)
    for source in venue.sources:
        kept = had_tracks.get((source.id, source.folder), [])
        _write_tracks(session, venue_id, source.id, (tracks or {}).get(source.id, kept))
    session.expire_all()
    return venue_id


def _write_tracks(session: Session, venue_id: int, source: str, tracks: Sequence[Track]) -> None:
    rows = [
        {
            "venue_id": venue_id,
            "source": source,
            "position": i,
            "title": t.title,
            "file": t.file,
            "sha256": t.sha256,
        }
        for i, t in enumerate(tracks)
    ]
    if rows:
        session.execute(insert(SourceTrackRow), rows)


def clip_audio(session: Session, venue_id: int) -> dict[tuple[str, str], str | None]:
    """(clip, file) -> SHA-256."""
    query = select(ClipRow.id, ClipRow.file, ClipRow.sha256).where(ClipRow.venue_id == venue_id)
    return {(row.id, row.file): row.sha256 for row in session.execute(query)}


def source_tracks(session: Session, venue_id: int) -> dict[tuple[str, str], list[Track]]:
    """(source, folder) -> its tracks in order."""
    query = (
        select(SourceRow.id, SourceRow.folder, SourceTrackRow.title, SourceTrackRow.file, SourceTrackRow.sha256)
        .join(
            SourceTrackRow,
            (SourceTrackRow.venue_id == SourceRow.venue_id) & (SourceTrackRow.source == SourceRow.id),
        )
        .where(SourceRow.venue_id == venue_id)
        .order_by(SourceRow.position, SourceTrackRow.position)
    )
    found: dict[tuple[str, str], list[Track]] = {}
    for row in session.execute(query):
        track = Track(title=row.title, file=row.file, sha256=row.sha256)
        found.setdefault((row.id, row.folder), []).append(track)
    return found


_VENUE_KEYS = ("name", "timezone", "day_starts", "target_lufs", "ceiling_dbtp", "max_gain_db", "gap_s")
_LIMIT_KEYS = ("max_per_hour", "cap_below", "promo_min_per_hour")
_DUCK_KEYS = ("depth_db", "margin_lu", "fall_s", "hold_s", "rise_s", "bridge_s")


def _venue_values(venue: VenueFile) -> dict[str, Any]:
    duck = {f"duck_{key}": getattr(venue.duck, key) for key in _DUCK_KEYS}
    if duck["duck_depth_db"] == "auto":
        duck["duck_depth_db"] = None
    return {
        **{key: getattr(venue.venue, key) for key in _VENUE_KEYS},
        **{key: getattr(venue.limits, key) for key in _LIMIT_KEYS},
        **duck,
        "hours": None if venue.hours is None else venue.hours.model_dump(mode="json"),
        "holidays": None if venue.holidays == Holidays() else venue.holidays.model_dump(mode="json"),
    }


def _columns(kind: type[Any]) -> list[Any]:
    return list(kind.__table__.columns)


def _row(kind: type[OfVenue], entry: Any) -> dict[str, Any]:
    """An entry's values by column: single values as they are, lists and inner tables as JSON."""
    values, trees = entry.model_dump(by_alias=True), entry.model_dump(mode="json", by_alias=True)
    row: dict[str, Any] = {}
    for column in _columns(kind):
        name = column.name
        if name in _NOT_IN_FILE:
            continue
        if name == "week":
            row[name] = {day: trees[day] for day in WEEK_KEYS}
        else:
            key = next((k for k, c in _COLUMN_OF.items() if c == name), name)
            row[name] = trees[key] if isinstance(column.type, JSON) else values[key]
    left = set(values) - _WEEK - {next((k for k, c in _COLUMN_OF.items() if c == n), n) for n in row}
    if left:
        raise TypeError(f"{kind.__name__} has no column for {', '.join(sorted(left))}")
    return row


def _entry(row: dict[str, Any]) -> dict[str, Any]:
    """The inverse of `_row`, as the tree of the file."""
    named = {column: key for key, column in _COLUMN_OF.items()}
    tree: dict[str, Any] = {}
    for name, value in row.items():
        if name in _NOT_IN_FILE:
            continue
        if name == "week":
            tree |= value
        else:
            tree[named.get(name, name)] = value
    return tree


def _free_slug(name: str, taken: set[str]) -> str:
    """A short name made of a venue's name: a-z, 0-9 and -, at most 40 characters, not one that is taken."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii").lower()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:40].strip("-") or "venue"
    number = 1
    free = slug
    while free in taken:
        number += 1
        free = f"{slug}-{number}"
    return free
