"""From plans to a programme: what is planned, with clips and gains, as the mixer needs it.

Imports no kernel; reads no file and no clock. A programme holds no play whose audio is unknown: there is never a
chime without its words, so a clip that is gone takes the whole play with it, and whoever composes leaves such
plays out first (`missing_audio` names what is gone).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from oyez.errors import InputError
from oyez.loudness.gain import clip_gain, track_gain_db
from oyez.mixing.programme import (
    FRAMES_PER_MS,
    BandSetup,
    Cue,
    CueZone,
    OutputSetup,
    Programme,
    Segment,
    SourceSetup,
    TrackSetup,
    ZoneSetup,
)
from oyez.planning.length import play_length_ms, rounds_of
from oyez.planning.types import Plan, Play, Span
from oyez.venue.facts import ClipFacts, TrackFacts
from oyez.venue.models import Output, Rule, Source, VenueFile, Zone
from oyez.venue.units import to_ms


def compose(
    venue: VenueFile,
    plans: Sequence[Plan],
    facts: Mapping[str, ClipFacts],
    tracks: Mapping[str, Sequence[TrackFacts]],
    *,
    revision: int,
    made_ms: int,
) -> Programme:
    """The programme of some days in a row.

    plans   of this venue, ascending; music spans that touch become one
    facts   clip id -> what is known of its audio
    tracks  source id -> its tracks in playing order; a source that is missing here is silent
    Raises InputError where a play's clip has no known audio, naming play and clip.
    """
    return Programme(
        venue=venue.venue.name,
        timezone=venue.venue.timezone,
        revision=revision,
        made_ms=made_ms,
        until_ms=max((p.ends_ms for p in plans), default=made_ms),
        zones=tuple(_zone(venue, zone, plans) for zone in venue.zones),
        sources=tuple(_source(venue, source, tracks.get(source.id, ())) for source in venue.sources),
        outputs=tuple(_output(output) for output in venue.outputs),
        cues=tuple(cue_for(venue, play, facts, asked_by="plan") for plan in plans for play in plan.plays),
    )


def missing_audio(play: Play, facts: Mapping[str, ClipFacts]) -> tuple[str, ...]:
    """The clips of a play whose audio is not known, each once, in the order they would sound."""
    names = dict.fromkeys([play.chime, *play.clips] if play.chime else play.clips)
    return tuple(name for name in names if name not in facts or facts[name].sha256 is None)


def cue_for(venue: VenueFile, play: Play, facts: Mapping[str, ClipFacts], *, asked_by: str) -> Cue:
    """One play as the mixer holds it: its segments at their offsets, and per zone their gains and the duck.

    The chime sounds once, then the rounds. A play that is shorter than its rule's by whole rounds (what is left
    of one that was cut) has so many rounds less and keeps its chime.
    Raises InputError where a clip's audio is unknown or the play's length is not that of its clips.
    """
    gone = missing_audio(play, facts)
    if gone:
        raise InputError(
            f"play '{play.id}': the audio of {_listed(gone)} is not there, and without it nothing may sound"
        )
    segments = _segments(venue.rule(play.rule), play, facts)
    return Cue(
        id=play.id,
        rule=play.rule,
        title=play.title,
        priority=play.priority,
        nominal_ms=play.nominal_ms,
        start_ms=play.start_ms,
        end_ms=play.end_ms,
        latest_ms=play.latest_ms,
        segments=segments,
        zones=tuple(_cue_zone(venue, play, venue.zone(zone), segments, facts) for zone in play.zones),
        left_out=tuple((left.zone, left.reason) for left in play.left_out),
        reason=play.reason,
        asked_by=asked_by,
        after_cut=venue.rule(play.rule).when_cut,
    )


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f"clip '{name}'" for name in names)


def _segments(rule: Rule, play: Play, facts: Mapping[str, ClipFacts]) -> tuple[Segment, ...]:
    pause_ms, wanted_ms = to_ms(rule.pause_s), play.end_ms - play.start_ms
    lengths_ms = [play_length_ms(rule, facts, n) for n in range(1, rule.repeat + 1)]
    if wanted_ms not in lengths_ms:
        raise InputError(
            f"play '{play.id}': it is {wanted_ms} ms long, its chime, clips and pauses make {lengths_ms[-1]} ms "
            f"in {rule.repeat} rounds, and no fewer rounds fit"
        )
    found = []
    if play.chime:
        found.append(_segment(play.chime, facts[play.chime], 0, 0))
    for number, span in enumerate(rounds_of(rule, facts, lengths_ms.index(wanted_ms) + 1), start=1):
        at_ms = span.start_ms
        for clip in play.clips:
            found.append(_segment(clip, facts[clip], at_ms, number))
            at_ms += facts[clip].duration_ms + pause_ms
    return tuple(found)


def _segment(clip: str, facts: ClipFacts, at_ms: int, number: int) -> Segment:
    """The audio of one clip; never past its stated duration but for the half millisecond of rounding."""
    assert facts.sha256 is not None
    assert facts.frames is not None
    assert facts.channels is not None
    return Segment(
        clip=clip,
        sha256=facts.sha256,
        offset_frames=at_ms * FRAMES_PER_MS,
        frames=min(facts.frames, facts.duration_ms * FRAMES_PER_MS + FRAMES_PER_MS // 2),
        channels=facts.channels,
        round=number,
    )


def _cue_zone(
    venue: VenueFile, play: Play, zone: Zone, segments: Sequence[Segment], facts: Mapping[str, ClipFacts]
) -> CueZone:
    gains: dict[str, float] = {}
    for segment in segments:
        if segment.clip not in gains:
            gains[segment.clip] = clip_gain(
                facts[segment.clip].measured,
                kind=venue.clip(segment.clip).kind,
                target_lufs=venue.venue.target_lufs,
                ceiling_dbtp=venue.venue.ceiling_dbtp,
                max_gain_db=venue.venue.max_gain_db,
                zone_channels=zone.channels,
                channels=segment.channels,
            ).gain_db
    duck = play.ducks.get(zone.id)
    return CueZone(
        zone=zone.id,
        gains_db=tuple(gains[s.clip] for s in segments),
        depth_db=duck.depth_db if duck else 0.0,
        fall_ms=duck.fall_ms if duck else 0,
        hold_ms=duck.hold_ms if duck else 0,
        rise_ms=duck.rise_ms if duck else 0,
        bridge_ms=duck.bridge_ms if duck else 0,
    )


def _zone(venue: VenueFile, zone: Zone, plans: Sequence[Plan]) -> ZoneSetup:
    return ZoneSetup(
        id=zone.id,
        name=zone.name,
        channels=zone.channels,
        source=zone.source,
        music_level_db=zone.music_level_db,
        announce_level_db=zone.announce_level_db,
        level_db=zone.level_db,
        highpass_hz=zone.eq.highpass_hz if zone.eq else None,
        bands=tuple(BandSetup(hz=b.hz, gain_db=b.gain_db, q=b.q) for b in zone.eq.bands) if zone.eq else (),
        ceiling_dbtp=venue.venue.ceiling_dbtp,
        music=_merged(span for plan in plans for span in plan.music.get(zone.id, ())),
    )


def _merged(spans: Iterable[Span]) -> tuple[tuple[int, int], ...]:
    merged: list[tuple[int, int]] = []
    for span in sorted(spans, key=lambda s: (s.start_ms, s.end_ms)):
        if merged and span.start_ms <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], span.end_ms))
        elif span.end_ms > span.start_ms:
            merged.append((span.start_ms, span.end_ms))
    return tuple(merged)


def _source(venue: VenueFile, source: Source, tracks: Sequence[TrackFacts]) -> SourceSetup:
    return SourceSetup(
        id=source.id,
        crossfade_frames=to_ms(source.crossfade_s) * FRAMES_PER_MS,
        tracks=tuple(
            TrackSetup(
                title=track.title,
                sha256=track.sha256,
                frames=track.frames,
                channels=track.channels,
                gain_db=track_gain_db(
                    track.measured,
                    target_lufs=source.target_lufs,
                    ceiling_dbtp=venue.venue.ceiling_dbtp,
                    max_gain_db=venue.venue.max_gain_db,
                ),
            )
            for track in tracks
        ),
    )


def _output(output: Output) -> OutputSetup:
    return OutputSetup(
        id=output.id,
        kind=output.kind,
        device=output.device,
        file=output.file,
        channels=output.channels,
        latency_s=output.latency_s,
        zones=dict(output.zones),
    )
