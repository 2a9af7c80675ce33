"""A venue file put in the place of the venue that was there: what that changes, and the change itself.

Works inside the caller's transaction and reads no file; the audio was imported before.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.orm import Session

from oyez.errors import Fault, NotFound, VenueFaults
from oyez.store import head, journal
from oyez.store.clips import get_audio
from oyez.store.database import Database
from oyez.store.venues import Track, VenueRef, clip_audio, list_venues, read_venue, source_tracks, write_venue
from oyez.venue.changes import Change, find_changes
from oyez.venue.models import VenueFile
from oyez.venue.writer import venue_tree


@dataclass(frozen=True, slots=True, kw_only=True)
class Loading:
    """One venue about to be loaded.

    ref      the venue it replaces, None when it becomes a new one
    changes  what that changes, audio included; empty when all is there already
    """

    venue: VenueFile
    ref: VenueRef | None
    before: VenueFile | None
    audio: Mapping[str, str]
    tracks: Mapping[str, Sequence[Track]]
    changes: tuple[Change, ...]


def target(session: Session, slug: str | None = None) -> VenueRef | None:
    """The venue a file replaces: the one of that short name, else the only one there is; None: it is a new one.

    Raises NotFound when there are several and none was named.
    """
    there = list_venues(session)
    if slug is not None:
        return next((ref for ref in there if ref.slug == slug), None)
    if len(there) > 1:
        named = ", ".join(ref.slug for ref in there)
        raise NotFound(f"there are several venues in the database, say which: --venue with one of {named}")
    return there[0] if there else None


def prepare(
    session: Session,
    venue: VenueFile,
    ref: VenueRef | None,
    *,
    audio: Mapping[str, str] | None = None,
    tracks: Mapping[str, Sequence[Track]] | None = None,
    where: str | None = None,
) -> Loading:
    """Work out what loading the venue changes. Writes nothing.

    audio, tracks  newly imported, by clip and source (see `write_venue`); what is left out keeps what it had
    Raises VenueFaults for clips that would have no audio and sources that would have no folder of music.
    """
    had_audio = {} if ref is None else clip_audio(session, ref.id)
    had_tracks = {} if ref is None else source_tracks(session, ref.id)
    new_audio = dict(audio or {})
    before = None if ref is None else read_venue(session, ref.id)
    had_sources = set() if before is None else {(s.id, s.folder) for s in before.sources}
    faults = [
        _no_audio(where, f"clip '{c.id}'", "audio", "file")
        for c in venue.clips
        if c.id not in new_audio and had_audio.get((c.id, c.file)) is None
    ] + [
        _no_audio(where, f"source '{s.id}'", "music", "folder")
        for s in venue.sources
        if s.id not in (tracks or {}) and (s.id, s.folder) not in had_sources
    ]
    if faults:
        raise VenueFaults(faults)
    changes = list(find_changes(before, venue))
    old_clips = {clip_id: sha for (clip_id, _), sha in had_audio.items()}
    for clip in venue.clips:
        old, new = old_clips.get(clip.id), new_audio.get(clip.id)
        if clip.id in old_clips and new is not None and old != new:
            text = "audio added" if old is None else "audio replaced by other audio"
            changes.append(Change(kind="changed", entry=f"clip '{clip.id}'", text=text))
    old_sources = {source_id: found for (source_id, _), found in had_tracks.items()}
    known = set() if before is None else {source.id for source in before.sources}
    for source in venue.sources:
        given = (tracks or {}).get(source.id)
        old_list = old_sources.get(source.id, [])
        if source.id in known and given is not None and _heard(given) != _heard(old_list):
            text = f"tracks changed, {len(old_list)} -> {len(given)}"
            changes.append(Change(kind="changed", entry=f"source '{source.id}'", text=text))
    return Loading(
        venue=venue, ref=ref, before=before, audio=new_audio, tracks=dict(tracks or {}), changes=tuple(changes)
    )


def carry_out(
    session: Session, loading: Loading, *, slug: str | None, who: str, origin: str, what: str, at_ms: int
) -> int:
    """Write the venue and the journal's record of it; returns the venue's id. Nothing is written without changes.

    Call in the transaction of `prepare`; the caller commits.
    """
    if loading.ref is not None and not loading.changes:
        return loading.ref.id
    for sha256 in {*loading.audio.values(), *(t.sha256 for list_ in loading.tracks.values() for t in list_)}:
        if get_audio(session, sha256) is None:
            raise NotFound(f"audio {sha256[:12]}... is not in the database")
    venue_id = write_venue(
        session,
        loading.venue,
        venue_id=None if loading.ref is None else loading.ref.id,
        slug=slug,
        audio=loading.audio,
        tracks=loading.tracks,
    )
    journal.append(
        session,
        venue_id=venue_id,
        at_ms=at_ms,
        who=who,
        origin=origin,
        what=what,
        before=None if loading.before is None else venue_tree(loading.before),
        after=venue_tree(loading.venue),
    )
    return venue_id


def keep_journal_head(database: Database, data_dir: Path, venue_id: int) -> None:
    """Note the journal's last hash beside the database, after the change was committed."""
    with database.read() as session:
        head.keep_head(
            data_dir,
            venue_id,
            "journal",
            journal.head(session, venue_id),
            hash_of=lambda number: journal.hash_of(session, venue_id, number),
        )


def _no_audio(where: str | None, entry: str, what: str, holder: str) -> Fault:
    message = (
        f"has no {what}: its {holder} is not beside the venue file, nor in the database under this id and name"
    )
    return Fault(where=where, entry=entry, message=message, code="no-audio")


def _heard(tracks: Sequence[Track]) -> list[tuple[str, str]]:
    """What of a source's tracks a listener or a reader of the page would notice."""
    return [(track.title, track.sha256) for track in tracks]
