"""Gathers what planning needs from the database, in one read: the venue, its clips' facts, its music."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy.orm import Session

from oyez.settings import Settings
from oyez.store import clips, venues
from oyez.venue.facts import ClipFacts, TrackFacts
from oyez.venue.models import VenueFile


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """One venue as it stood at one revision."""

    venue_id: int
    revision: int
    venue: VenueFile
    facts: Mapping[str, ClipFacts]
    tracks: Mapping[str, tuple[TrackFacts, ...]]


def gather(session: Session) -> Gathered | None:
    """The venue that plays: the first one of the database. None when there is none."""
    there = venues.list_venues(session)
    if not there:
        return None
    first = there[0]
    return Gathered(
        venue_id=first.id,
        revision=first.revision,
        venue=venues.read_venue(session, first.id),
        facts=clips.facts(session, first.id),
        tracks=clips.tracks(session, first.id),
    )


def revision_of(session: Session) -> tuple[int, int] | None:
    """(venue_id, revision) of the venue that plays, None when there is none."""
    there = venues.list_venues(session)
    return (there[0].id, there[0].revision) if there else None


def gone_clips(settings: Settings, known: Gathered) -> dict[str, str]:
    """Clips of the venue that cannot sound, each with the reason in words."""
    gone = {}
    for clip in known.venue.clips:
        facts = known.facts.get(clip.id)
        if facts is None or facts.sha256 is None:
            gone[clip.id] = f"clip '{clip.id}' has no audio yet"
        elif not has_audio(settings, facts.sha256):
            gone[clip.id] = f"clip '{clip.id}' is gone"
    return gone


def has_audio(settings: Settings, sha256: str) -> bool:
    """Whether the store holds this audio (`clips.store` names the file; not imported here, it is heavy)."""
    return (settings.audio / sha256[:2] / f"{sha256}.wav").is_file()
