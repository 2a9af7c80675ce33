"""Is a clip fit to air, and at what level? Its numbers, the gains that follow, and the answer in words. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, cast

from oyez.api.ports import ClipEntry
from oyez.api.schemas import ClipUseView, ClipView, Verdict, ZoneGainView
from oyez.api.wording import listed
from oyez.loudness.drawing import number
from oyez.loudness.gain import Kind, clip_gain, target_of
from oyez.venue.models import VenueFile

QUIET_LU: Final = 1.0  # EBU R 128: what a programme may be beside its target where 0.5 LU is not achievable
LEAD_MS: Final = 500  # common practice: longer before the first word, people take for a fault
TAIL_MS: Final = 1000  # common practice: it holds the zone, and the music down, for nothing
_FORMATS: Final = {1: "mono zones", 2: "stereo zones"}


def clip_view(clip: ClipEntry, venue: VenueFile | None, *, there: bool = True) -> ClipView:
    """Everything a page says of one clip. `there`: its audio, if it has any, is in the store."""
    facts = clip.facts
    measured = facts.measured if facts is not None else None
    stored = there and facts is not None and facts.sha256 is not None
    gains = _gains(clip, venue) if stored and venue is not None else []
    verdict, sentence = _judge(clip, gains, stored=stored, venue=venue)
    return ClipView(
        id=clip.id,
        title=clip.title,
        kind=cast("Kind", clip.kind),
        verdict=verdict,
        sentence=sentence,
        stored=stored,
        sha256=facts.sha256 if facts is not None else None,
        duration_ms=facts.duration_ms if facts is not None else None,
        channels=facts.channels if facts is not None else None,
        integrated_lufs=measured.integrated_lufs if measured is not None else None,
        loudness_range_lu=measured.loudness_range_lu if measured is not None else None,
        true_peak_dbtp=measured.true_peak_dbtp if measured is not None else None,
        lead_silence_ms=clip.lead_silence_ms,
        tail_silence_ms=clip.tail_silence_ms,
        original=clip.original,
        notes=list(measured.notes) if measured is not None else [],
        gains=gains,
        used_by=_uses(clip.id, venue) if venue is not None else [],
    )


def _gains(clip: ClipEntry, venue: VenueFile) -> list[ZoneGainView]:
    assert clip.facts is not None
    kind = cast("Kind", clip.kind)
    views = []
    for channels in sorted({zone.channels for zone in venue.zones}) or (1, 2):
        gain = clip_gain(
            clip.facts.measured,
            kind=kind,
            target_lufs=venue.venue.target_lufs,
            ceiling_dbtp=venue.venue.ceiling_dbtp,
            max_gain_db=venue.venue.max_gain_db,
            zone_channels=channels,
            channels=clip.facts.channels or 1,
        )
        views.append(
            ZoneGainView(
                zone_channels=channels,
                gain_db=gain.gain_db,
                sounds_at_lufs=gain.sounds_at_lufs,
                target_lufs=target_of(kind, venue.venue.target_lufs),
                shortfall_lu=gain.shortfall_lu,
                limited_by_peak=gain.limited_by_peak,
                notes=list(gain.notes),
            )
        )
    return views


def _uses(clip_id: str, venue: VenueFile) -> list[ClipUseView]:
    found = []
    for rule in venue.rules:
        if clip_id in rule.clips:
            found.append(ClipUseView(rule=rule.id, title=rule.title, part="clip"))
        elif rule.chime == clip_id:
            found.append(ClipUseView(rule=rule.id, title=rule.title, part="chime"))
    return found


def _formats_used(clip_id: str, venue: VenueFile) -> set[int]:
    """The formats of the zones in which some rule plays it; of all zones when none does."""
    zones = {
        zone
        for rule in venue.rules
        if clip_id in rule.clips or rule.chime == clip_id
        for zone in venue.resolve(rule.zones)
    }
    return {zone.channels for zone in venue.zones if zone.id in zones} or {zone.channels for zone in venue.zones}


def _judge(
    clip: ClipEntry, gains: Sequence[ZoneGainView], *, stored: bool, venue: VenueFile | None
) -> tuple[Verdict, str]:
    if not stored or venue is None:
        return "missing", "Its audio is missing: add the very same file again, or load the venue with another."
    formats = _formats_used(clip.id, venue)
    used = [gain for gain in gains if gain.zone_channels in formats] or list(gains)
    if any(gain.sounds_at_lufs is None for gain in used):
        return "unknown", "Its loudness is unknown: it plays as recorded. Add its file again."
    remarks = _remarks(clip)
    quiet = [gain for gain in used if gain.shortfall_lu > QUIET_LU]
    if quiet:
        worst = max(quiet, key=lambda gain: gain.shortfall_lu)
        where = "" if len(quiet) == len(gains) else f" in {listed([_FORMATS[g.zone_channels] for g in quiet])}"
        said = f"{worst.shortfall_lu:.1f} LU too quiet{where}: {_cure(clip, worst, venue)}"
        return "quiet", " ".join([said, *remarks])
    levels = sorted({round(level, 1) for gain in used if (level := gain.sounds_at_lufs) is not None})
    said = f"Fit to air: sounds at {' to '.join(map(number, levels))} LUFS."
    return ("look", " ".join([said, *remarks])) if remarks else ("fit", said)


def _cure(clip: ClipEntry, gain: ZoneGainView, venue: VenueFile) -> str:
    """Why it cannot come up to its target, and what would let it."""
    lower = math.floor((venue.venue.target_lufs - gain.shortfall_lu) * 2.0) / 2.0
    instead = f"or lower target_lufs to {lower:g}"
    if gain.gain_db >= venue.venue.max_gain_db - 1e-9 and not gain.limited_by_peak:
        needed = math.ceil(gain.gain_db + gain.shortfall_lu)
        return f"record it louder, or raise max_gain_db to {needed}."
    if clip.kind == "speech":
        return f"its peaks are in the way. Record it more evenly, closer to the microphone, {instead}."
    return f"its peaks are in the way. Bring them down in the file, {instead}."


def _remarks(clip: ClipEntry) -> list[str]:
    remarks = []
    lead, tail = clip.lead_silence_ms or 0, clip.tail_silence_ms or 0
    ends = [f"{lead / 1000:.1f} s before it"] if lead >= LEAD_MS else []
    ends += [f"{tail / 1000:.1f} s after it"] if tail >= TAIL_MS else []
    if ends:
        remarks.append(f"There is silence, {listed(ends)}: add its file again with the silence cut.")
    measured = clip.facts.measured if clip.facts is not None else None
    notes = measured.notes if measured is not None else ()
    remarks += [f"It is {note}." for note in notes if note.startswith("clipped")]
    remarks += [f"It {note}." for note in notes if note.startswith("has a DC offset")]
    return remarks
