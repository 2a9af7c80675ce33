"""How the engine stands, as one plain tree: what `state` answers. Looks only, changes nothing."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from oyez.mixing.music import Playlist
from oyez.mixing.programme import Cue, SourceSetup

if TYPE_CHECKING:
    from oyez.playout.engine import Engine
    from oyez.playout.roster import Claimed

NEXT_SHOWN = 20


class Report:
    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._playlists: dict[str, tuple[SourceSetup, Playlist]] = {}

    def state(self, _asked: Mapping[str, Any]) -> dict[str, Any]:
        engine = self._engine
        heard = int(engine.clock.sample.frame_at(engine.monotonic()))
        now_ms = engine.now_ms()
        sample = engine.clock.sample
        return {
            "boot": engine.boot,
            "pid": os.getpid(),
            "started_ms": engine.started_ms,
            "now_ms": round(now_ms),
            "venue": engine.programme.venue,
            "revision": engine.programme.revision,
            "until_ms": engine.programme.until_ms,
            "last_seq": engine.journal.last_seq,
            "taken_seq": engine.journal.taken,
            "silent": engine.outputs.silent,
            "silent_reason": engine.outputs.silent_reason,
            "outputs": engine.outputs.state(),
            "zones": self._zones(heard, now_ms),
            "playing": [self._playing(p, heard) for p in engine.roster.claimed()],
            "next": [_coming(c) for c in engine.roster.waiting()[:NEXT_SHOWN]],
            "waiting": len(engine.roster.waiting()),
            "xruns": engine.renderer.driver.xruns if engine.renderer.driver else 0,
            "starved": engine.sound.starved,
            "late_blocks": engine.renderer.late_blocks,
            "mixer_faults": engine.renderer.faults,
            "faults": self._faults(),
            "clock": {
                "drift_ppm": round(sample.drift_ppm, 2),
                "lag_ms": round(engine.clock.lag_ms(engine.sound.position), 3),
                "slips": sample.slips,
            },
            "render_ms": engine.renderer.block_times_ms(),
        }

    def _faults(self) -> list[str]:
        engine = self._engine
        found = (engine.journal.fault, engine.feeder.fault, engine.renderer.fault, engine.sound.fault())
        return [fault for fault in found if fault is not None]

    def _zones(self, heard: int, now_ms: float) -> list[dict[str, Any]]:
        engine = self._engine
        found = []
        for zone in engine.programme.zones:
            music_on = any(a <= now_ms < b for a, b in zone.music)
            sounding = engine.roster.sounding(zone.id, heard)
            found.append(
                {
                    "id": zone.id,
                    "name": zone.name,
                    "channels": zone.channels,
                    "music_on": music_on,
                    "track": self._track(zone.source, heard) if music_on else None,
                    "short_term_lufs": _rounded(engine.sound.short_term_lufs(zone.id)),
                    "peak_dbfs": _rounded(engine.sound.sample_peak_dbfs(zone.id)),
                    "playing": sounding.cue.id if sounding else None,
                }
            )
        return found

    def _track(self, source: str | None, frame: int) -> str | None:
        """The track that sounds now; while two cross, the one that came last."""
        setup = next((s for s in self._engine.programme.sources if s.id == source), None)
        if setup is None:
            return None
        known = self._playlists.get(setup.id)
        if known is None or known[0] is not setup:
            known = (setup, Playlist(setup))
            self._playlists[setup.id] = known
        pieces = list(known[1].pieces(frame, 1))
        return pieces[-1].track.title if pieces else None

    def _playing(self, play: Claimed, heard: int) -> dict[str, Any]:
        clock = self._engine.clock
        return {
            "id": play.cue.id,
            "rule": play.cue.rule,
            "title": play.cue.title,
            "priority": play.cue.priority,
            "nominal_ms": play.cue.nominal_ms,
            "start_ms": round(clock.utc_ms_at(play.start_frame)),
            "end_ms": round(clock.utc_ms_at(play.last_frame)),
            "zones": [z.zone for z in play.cue.zones if play.ends(z.zone) > heard],
            "asked_by": play.cue.asked_by,
            "sounding": play.start_frame <= heard < play.last_frame,
        }


def _coming(cue: Cue) -> dict[str, Any]:
    return {
        "id": cue.id,
        "rule": cue.rule,
        "title": cue.title,
        "priority": cue.priority,
        "start_ms": cue.start_ms,
        "end_ms": cue.end_ms,
        "zones": [z.zone for z in cue.zones],
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(float(value), 2)
