"""How deep and how fast the music steps back under a play in each of its zones.

"auto": depth = margin - (announcement - music), both as loud as they really are in the zone, clamped to
AUTO_DEPTH_DB. The announcement counts as loud as its quietest clip; a clip not measured counts as reaching its
target. Music counts as loud as its source's target.
"""

from __future__ import annotations

from collections.abc import Mapping

from oyez.loudness.gain import clip_gain, target_of
from oyez.planning.types import ZoneDuck
from oyez.venue.facts import ClipFacts
from oyez.venue.models import Clip, Duck, Rule, VenueFile, Zone
from oyez.venue.units import to_ms

AUTO_DEPTH_DB = (6.0, 24.0)  # common practice
DEFAULT_MUSIC_LUFS = -20.0  # where a zone has no source


class Ducking:
    """The ducks of a venue's plays; each rule and zone is worked out once."""

    def __init__(self, venue: VenueFile, facts: Mapping[str, ClipFacts]) -> None:
        self._venue = venue
        self._facts = facts
        self._zones = {z.id: z for z in venue.zones}
        self._clips = {c.id: c for c in venue.clips}
        self._music = {s.id: s.target_lufs for s in venue.sources}
        self._known: dict[tuple[str, str], ZoneDuck] = {}

    def of(self, rule: Rule, zone_id: str) -> ZoneDuck:
        known = self._known.get((rule.id, zone_id))
        if known is None:
            known = self._work_out(rule, self._zones[zone_id])
            self._known[rule.id, zone_id] = known
        return known

    def _work_out(self, rule: Rule, zone: Zone) -> ZoneDuck:
        duck = self._venue.duck if rule.duck is None else rule.duck.over(self._venue.duck)
        depth_db = self._auto_depth(rule, zone, duck) if duck.depth_db == "auto" else duck.depth_db
        return ZoneDuck(
            depth_db=round(depth_db, 3),
            fall_ms=to_ms(duck.fall_s),
            hold_ms=to_ms(duck.hold_s),
            rise_ms=to_ms(duck.rise_s),
            bridge_ms=to_ms(duck.bridge_s),
        )

    def _auto_depth(self, rule: Rule, zone: Zone, duck: Duck) -> float:
        speech = min(self._sounds_at(self._clips[c], zone) for c in rule.clips) + zone.announce_level_db
        source = DEFAULT_MUSIC_LUFS if zone.source is None else self._music[zone.source]
        music = source + zone.music_level_db
        low, high = AUTO_DEPTH_DB
        return min(max(duck.margin_lu - (speech - music), low), high)

    def _sounds_at(self, clip: Clip, zone: Zone) -> float:
        settings = self._venue.venue
        facts = self._facts.get(clip.id)
        if facts is not None and facts.measured is not None:
            gain = clip_gain(
                facts.measured,
                kind=clip.kind,
                target_lufs=settings.target_lufs,
                ceiling_dbtp=settings.ceiling_dbtp,
                max_gain_db=settings.max_gain_db,
                zone_channels=zone.channels,
                channels=facts.channels or facts.measured.channels,
            )
            if gain.sounds_at_lufs is not None:
                return gain.sounds_at_lufs
        return target_of(clip.kind, settings.target_lufs)
