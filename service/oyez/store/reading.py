"""What commands read from the database in one go."""

from __future__ import annotations

from oyez.settings import Settings
from oyez.store import clips
from oyez.store.database import open_database
from oyez.store.venues import find_venue, read_venue
from oyez.venue.facts import ClipFacts
from oyez.venue.models import VenueFile


def venue_and_facts(settings: Settings, *, venue: str | None = None) -> tuple[VenueFile, dict[str, ClipFacts]]:
    """The venue of that short name (default: the only one) with what is known of its clips.

    Raises InputError when there is no database, NotFound when there is no such venue.
    """
    database = open_database(settings, create=False)
    try:
        with database.read() as session:
            ref = find_venue(session, venue)
            return read_venue(session, ref.id), clips.facts(session, ref.id)
    finally:
        database.close()
