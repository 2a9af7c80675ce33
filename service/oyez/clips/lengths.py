"""How long the clips beside a venue file are, from the files' heads alone: nothing is decoded or measured."""

from __future__ import annotations

from oyez.clips.folder import VenueFolder
from oyez.venue.facts import ClipFacts


def clip_lengths(folder: VenueFolder) -> dict[str, ClipFacts]:
    """The duration of every clip whose file says it, rounded to whole ms; one the venue file gives wins.

    What is not there, or in a form without a head that is read here, is left out.
    """
    import soundfile

    found: dict[str, ClipFacts] = {}
    for clip in folder.venue.clips:
        if clip.duration_ms is not None:
            found[clip.id] = ClipFacts(duration_ms=clip.duration_ms)
            continue
        try:
            head = soundfile.info(str(folder.clip_path(clip)))
        except (RuntimeError, OSError):
            continue
        if head.frames > 0 and head.samplerate > 0:
            found[clip.id] = ClipFacts(
                duration_ms=max(1, (head.frames * 1000 + head.samplerate // 2) // head.samplerate)
            )
    return found
