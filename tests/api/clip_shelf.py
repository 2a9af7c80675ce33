"""A few clips with real audio in a store: one for each thing that can be said of a clip."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import soundfile
import soxr

from oyez.api.ports import ClipEntry
from oyez.clips.measured import measurement_of
from oyez.clips.store import AudioStore
from oyez.clips.traced import picture_of
from oyez.settings import Settings, folder
from oyez.venue.facts import ClipFacts

CLIPS = folder("demo_clips")


@functools.cache
def demo_clip(name: str) -> np.ndarray:
    samples, rate = soundfile.read(CLIPS / f"{name}.flac", dtype="float32", always_2d=True)
    return np.asarray(soxr.resample(samples, rate, 48_000), dtype=np.float32)


def stored(
    settings: Settings,
    clip_id: str,
    title: str,
    samples: np.ndarray,
    kind: str = "speech",
    *,
    lead_ms: int = 60,
    tail_ms: int = 80,
    drawn: bool = False,
) -> ClipEntry:
    store = AudioStore(settings.audio)
    kept = store.put(samples)
    if drawn:
        picture_of(store, kept.sha256)
    facts = ClipFacts(
        duration_ms=round(kept.frames / 48),
        sha256=kept.sha256,
        frames=kept.frames,
        channels=kept.channels,
        measured=measurement_of(store, kept.sha256),
    )
    return ClipEntry(
        id=clip_id,
        title=title,
        kind=kind,
        facts=facts,
        lead_silence_ms=lead_ms,
        tail_silence_ms=tail_ms,
        original=f"{clip_id}.flac",
    )


def shelf(settings: Settings, *, drawn: bool = False) -> list[ClipEntry]:
    """Ids are the demo venue's, so that its rules use them.

    welcome fit; closing-15 far too quiet; three-tone a chime with a click; seals with silence before it; rays gone
    """
    put = functools.partial(stored, settings, drawn=drawn)
    whisper = (demo_clip("closing-15") * np.float32(0.02)).astype(np.float32)
    clicks = (demo_clip("three-tone") * np.float32(0.1)).astype(np.float32)
    clicks[2400:2403] = 0.9
    late = np.concatenate([np.zeros((86_400, 1), np.float32), demo_clip("seals")[:, :1]])
    gone = put("rays", "Ray feeding", demo_clip("rays"))
    assert gone.facts is not None
    return [
        put("welcome", "Welcome", demo_clip("welcome")),
        put("closing-15", "Closing in fifteen minutes", whisper),
        put("three-tone", "Three tones", clicks, "chime"),
        put("seals", "Seal feeding", late, lead_ms=1860),
        dataclasses.replace(gone, facts=None, lead_silence_ms=None, tail_silence_ms=None, original=None),
        put("two-tone", "Two tones", demo_clip("two-tone"), "chime"),
    ]
