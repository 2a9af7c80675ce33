"""Clips and their audio in the database. Queries take the session and never commit; no file is touched here."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from oyez.errors import Conflict, InputError, NotFound
from oyez.loudness.types import Measurement
from oyez.store.tables import AudioRow, ClipRow, SourceRow, SourceTrackRow
from oyez.store.venues import raise_revision
from oyez.venue.facts import ClipFacts, TrackFacts
from oyez.venue.models import Clip

SAMPLE_RATE = 48_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Audio:
    """One piece of audio of the store, once by content.

    frames          at 48 kHz
    original_name   of the file it was first taken from; original_format in words, e.g. "FLAC, 44100 Hz, 24 bit"
    """

    sha256: str
    frames: int
    channels: int
    measurement: Measurement
    lead_silence_ms: int
    tail_silence_ms: int
    original_name: str
    original_format: str
    added_ms: int

    @property
    def duration_ms(self) -> int:
        """Rounded half up to whole milliseconds."""
        return (self.frames * 1000 + SAMPLE_RATE // 2) // SAMPLE_RATE


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredClip:
    """A clip as designed, with its audio where it has some."""

    clip: Clip
    audio: Audio | None


def put_audio(session: Session, audio: Audio) -> bool:
    """Note audio that is in the store; False when it was known already (then nothing is changed)."""
    if session.get(AudioRow, audio.sha256) is not None:
        return False
    values = {f.name: getattr(audio, f.name) for f in dataclasses.fields(audio)}
    session.add(AudioRow(**values | {"measurement": dataclasses.asdict(audio.measurement)}))
    session.flush()
    return True


def audio_from(imported: Mapping[str, Any], *, added_ms: int) -> Audio:
    """The audio of a finished import, from its tree of plain values (`clips.importer.imported_tree`)."""
    stored, original = imported["stored"], imported["original"]
    return Audio(
        sha256=stored["sha256"],
        frames=stored["frames"],
        channels=stored["channels"],
        measurement=read_measurement(imported["measurement"]),
        lead_silence_ms=imported["lead_silence_ms"],
        tail_silence_ms=imported["tail_silence_ms"],
        original_name=original["name"],
        original_format=f"{original['form']}, {original['sample_rate']} Hz, {original['channels']} ch",
        added_ms=added_ms,
    )


def get_audio(session: Session, sha256: str) -> Audio | None:
    row = session.get(AudioRow, sha256)
    return None if row is None else _audio(row)


def list_clips(session: Session, venue_id: int) -> tuple[StoredClip, ...]:
    """The venue's clips in the file's order."""
    query = (
        select(ClipRow, AudioRow)
        .outerjoin(AudioRow, AudioRow.sha256 == ClipRow.sha256)
        .where(ClipRow.venue_id == venue_id)
        .order_by(ClipRow.position)
    )
    return tuple(
        StoredClip(clip=_clip(row), audio=None if audio is None else _audio(audio))
        for row, audio in session.execute(query)
    )


def facts(session: Session, venue_id: int) -> dict[str, ClipFacts]:
    """What planning and mixing need of each clip; one of which nothing is known is left out."""
    found = {}
    for stored in list_clips(session, venue_id):
        audio, stated_ms = stored.audio, stored.clip.duration_ms
        if audio is not None:
            found[stored.clip.id] = ClipFacts(
                duration_ms=audio.duration_ms if stated_ms is None else stated_ms,
                sha256=audio.sha256,
                frames=audio.frames,
                channels=audio.channels,
                measured=audio.measurement,
            )
        elif stated_ms is not None:
            found[stored.clip.id] = ClipFacts(duration_ms=stated_ms)
    return found


def tracks(session: Session, venue_id: int) -> dict[str, tuple[TrackFacts, ...]]:
    """Each source's tracks, in the order they are played; a source without any has an empty tuple."""
    sources = session.scalars(
        select(SourceRow.id).where(SourceRow.venue_id == venue_id).order_by(SourceRow.position)
    )
    found: dict[str, tuple[TrackFacts, ...]] = dict.fromkeys(sources, ())
    query = (
        select(SourceTrackRow, AudioRow)
        .join(AudioRow, AudioRow.sha256 == SourceTrackRow.sha256)
        .where(SourceTrackRow.venue_id == venue_id)
        .order_by(SourceTrackRow.source, SourceTrackRow.position)
    )
    for row, audio in session.execute(query):
        found[row.source] += (
            TrackFacts(
                title=row.title,
                sha256=audio.sha256,
                frames=audio.frames,
                channels=audio.channels,
                measured=read_measurement(audio.measurement),
            ),
        )
    return found


def add_clip(session: Session, venue_id: int, clip: Clip, sha256: str) -> None:
    """Put one more clip behind the others. Raises Conflict when the id is taken, NotFound without its audio."""
    if session.get(AudioRow, sha256) is None:
        raise NotFound(f"clip '{clip.id}': its audio {sha256[:12]}... is not in the database")
    there = set(session.scalars(select(ClipRow.id).where(ClipRow.venue_id == venue_id)))
    if clip.id in there:
        raise Conflict(f"clip '{clip.id}': there is one with this id already, allowed is another id")
    last = session.scalar(select(func.max(ClipRow.position)).where(ClipRow.venue_id == venue_id))
    values = clip.model_dump()
    session.add(ClipRow(venue_id=venue_id, position=0 if last is None else last + 1, sha256=sha256, **values))
    session.flush()
    raise_revision(session, venue_id)


def audio_in_use(session: Session) -> frozenset[str]:
    """SHA-256 of all audio some clip or track of any venue has."""
    clips = session.scalars(select(ClipRow.sha256).where(ClipRow.sha256.is_not(None)))
    music = session.scalars(select(SourceTrackRow.sha256))
    return frozenset([sha for sha in clips if sha is not None] + list(music))


def read_measurement(tree: Mapping[str, Any]) -> Measurement:
    """A measurement from its JSON. Raises InputError when it lacks something."""
    known = {f.name for f in dataclasses.fields(Measurement)}
    values = {key: value for key, value in tree.items() if key in known}
    try:
        return Measurement(**values | {"notes": tuple(values.get("notes", ()))})
    except TypeError as error:
        raise InputError(f"stored measurement cannot be read: {error}") from error


def _audio(row: AudioRow) -> Audio:
    return Audio(
        sha256=row.sha256,
        frames=row.frames,
        channels=row.channels,
        measurement=read_measurement(row.measurement),
        lead_silence_ms=row.lead_silence_ms,
        tail_silence_ms=row.tail_silence_ms,
        original_name=row.original_name,
        original_format=row.original_format,
        added_ms=row.added_ms,
    )


def _clip(row: ClipRow) -> Clip:
    return Clip.model_validate(
        {"id": row.id, "file": row.file, "title": row.title, "kind": row.kind, "duration_ms": row.duration_ms}
    )
