"""What is known of a clip's audio when a plan is made. Gathered outside, given to the pure rooms."""

from __future__ import annotations

from dataclasses import dataclass

from oyez.loudness.types import Measurement


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipFacts:
    """duration_ms  as the venue file states it, else of the audio, rounded to whole ms
    sha256       identity of the stored audio (48 kHz float32); None when only the duration is known
    frames       of the stored audio at 48 kHz
    channels     1 or 2, of the stored audio
    measured     of the stored audio (after folding and resampling)
    """

    duration_ms: int
    sha256: str | None = None
    frames: int | None = None
    channels: int | None = None
    measured: Measurement | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackFacts:
    """One music track of a source, stored like a clip. Tracks are played in the order given."""

    title: str
    sha256: str
    frames: int
    channels: int
    measured: Measurement
