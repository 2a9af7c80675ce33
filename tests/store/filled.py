"""A database with a venue and audio in it, for the tests of the store."""

from __future__ import annotations

from pathlib import Path

from oyez.loudness.types import Measurement
from oyez.settings import Settings
from oyez.store import venues
from oyez.store.clips import Audio, put_audio
from oyez.store.database import Database, open_database
from oyez.venue.models import VenueFile
from oyez.venue.reader import read_venue
from tests.venue.venues import GOOD

CLOSING, CHIME, MUSIC = "a" * 64, "b" * 64, "c" * 64


def sound_venue(text: str = GOOD) -> VenueFile:
    venue = read_venue(text, where="test", syntax="toml").venue
    assert venue is not None
    return venue


def audio(sha256: str = CLOSING, frames: int = 355_200, channels: int = 1) -> Audio:
    measured = Measurement(
        duration_s=frames / 48_000,
        sample_rate=48_000,
        channels=channels,
        integrated_lufs=-20.25,
        ungated_lufs=-21.5,
        loudness_range_lu=None,
        momentary_max_lufs=-17.0,
        short_term_max_lufs=-18.5,
        true_peak_dbtp=-1.5,
        sample_peak_dbfs=-1.75,
        notes=("shorter than 3 s",),
    )
    return Audio(
        sha256=sha256,
        frames=frames,
        channels=channels,
        measurement=measured,
        lead_silence_ms=10,
        tail_silence_ms=20,
        original_name="closing-15.flac",
        original_format="flac pcm 24, 44100 Hz, 1 ch",
        added_ms=1_790_000_000_000,
    )


def open_new(folder: Path) -> Database:
    return open_database(Settings(data_dir=folder))


def fill(database: Database, venue: VenueFile | None = None) -> int:
    """The venue with audio for both clips and one track of music; returns its id."""
    with database.begin() as session:
        for sha256 in (CLOSING, CHIME, MUSIC):
            put_audio(session, audio(sha256))
        return venues.write_venue(
            session,
            venue or sound_venue(),
            audio={"closing-15": CLOSING, "two-tone": CHIME},
            tracks={"house": [venues.Track(title="Tide", file="tide.ogg", sha256=MUSIC)]},
        )
