"""Imported audio becomes a clip of a venue: one transaction, and no audio stays in the store that nobody got.

What the command line and an upload both do once a file was decoded and measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from oyez.clips.names import clip_id_for, title_for
from oyez.clips.store import AudioStore
from oyez.errors import Conflict
from oyez.store import journal
from oyez.store.clips import StoredClip, add_clip, audio_from, audio_in_use, list_clips, put_audio
from oyez.store.database import Database
from oyez.store.loading import keep_journal_head
from oyez.venue.models import Clip


@dataclass(frozen=True, slots=True, kw_only=True)
class Entered:
    """The clip that has the audio now; `there_already` when it had it before, then nothing was changed."""

    stored: StoredClip
    there_already: bool


def enter_clip(
    database: Database,
    store: AudioStore,
    venue_id: int,
    imported: Mapping[str, Any],
    *,
    kind: str,
    who: str,
    origin: str,
    at_ms: int,
    data_dir: Path,
    clip_id: str | None = None,
    title: str | None = None,
) -> Entered:
    """Give the venue one more clip with this audio, and say so in its journal.

    imported  of `clips.importer.imported_tree`; its audio is in `store` already
    clip_id   default made of the file's name, one that is free
    title     default made of the file's name
    Raises Conflict when the id is taken or the audio was taken out meanwhile, WorkFailed when the database cannot
    be written. Whatever is raised: audio that no clip or track has is taken out of the store again.
    """
    sha256, name = str(imported["stored"]["sha256"]), str(imported["original"]["name"])
    if not store.has(sha256):  # the same audio, sent twice at once and refused the other time
        raise Conflict(f"{name}: its audio was taken out again, send it once more")
    try:
        with database.begin() as session:
            put_audio(session, audio_from(imported, added_ms=at_ms))
            there = list_clips(session, venue_id)
            for stored in there:
                if stored.audio is not None and stored.audio.sha256 == sha256:
                    return Entered(stored=stored, there_already=True)
            named = clip_id or clip_id_for(name, {stored.clip.id for stored in there})
            clip = Clip.model_validate(
                {"id": named, "file": f"{named}.wav", "title": title or title_for(name), "kind": kind}
            )
            add_clip(session, venue_id, clip, sha256)
            journal.append(
                session,
                venue_id=venue_id,
                at_ms=at_ms,
                who=who,
                origin=origin,
                what=f"clip '{named}' added from {name}",
                before=None,
                after={**clip.model_dump(mode="json"), "sha256": sha256},
            )
            made = list_clips(session, venue_id)[-1]
    except BaseException:
        with database.read() as session:
            orphan = sha256 not in audio_in_use(session)
        if orphan:
            store.remove(sha256)
        raise
    keep_journal_head(database, data_dir, venue_id)
    return Entered(stored=made, there_already=False)
