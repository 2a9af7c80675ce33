"""An engine without sound, a clock that is set, and a world of both around a real director and database."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from oyez.errors import Conflict, EngineGone, NotFound
from oyez.loudness.types import Measurement
from oyez.mixing.programme import Cue, Programme, from_tree
from oyez.playout.director import Director
from oyez.settings import Settings
from oyez.store import venues
from oyez.store.clips import Audio, put_audio
from oyez.store.database import Database, open_database
from oyez.venue.models import VenueFile

LONDON = ZoneInfo("Europe/London")
FRIDAY = dt.date(2026, 11, 27)


class FakeClock:
    """Wall and monotonic time, moved by hand. `jump` sets the wall clock alone."""

    def __init__(self, now_ms: int) -> None:
        self.ms = now_ms
        self.elapsed_s = 1000.0

    def now_ms(self) -> int:
        return self.ms

    def monotonic_s(self) -> float:
        return self.elapsed_s

    def pass_ms(self, ms: int) -> None:
        self.ms += ms
        self.elapsed_s += ms / 1000

    def jump(self, ms: int) -> None:
        self.ms += ms


class FakeEngine:
    """Claims what is due and ends it in time, as the real one does, with nothing to hear.

    gone     nobody answers
    journal_records  what its journal file would hold: it outlives `crash`
    """

    def __init__(self, clock: FakeClock) -> None:
        self.clock = clock
        self.boot = "boot-1"
        self.gone = False
        self.deaf_after_begin = False
        self.programmes: list[Programme] = []
        self.waiting: dict[str, Cue] = {}
        self.claimed: dict[str, Cue] = {}
        self.cut: dict[str, dict[str, tuple[int, str]]] = {}
        self.begun: set[str] = set()
        self.journal_records: list[dict[str, Any]] = []
        self.taken = 0
        self.lost_audio: set[str] = set()

    # -- the link

    def state(self) -> dict[str, Any]:
        self._answer()
        return {
            "boot": self.boot,
            "pid": 1,
            "revision": self.programmes[-1].revision if self.programmes else 0,
            "last_seq": len(self.journal_records),
            "silent": True,
            "silent_reason": "no sound card",
            "outputs": [],
            "zones": [],
            "playing": [{"id": c.id, "zones": [z.zone for z in c.zones]} for c in self.claimed.values()],
            "next": [],
            "xruns": 0,
            "clock": {"offset_ms": 0.0},
        }

    def programme(self, programme: Mapping[str, Any]) -> dict[str, Any]:
        self._answer()
        found = from_tree(Programme, programme)
        self.programmes.append(found)
        self.waiting = {c.id: c for c in found.cues if c.id not in self.begun}
        return {"revision": found.revision, "accepted": True, "already": []}

    def begin(self, cue: Mapping[str, Any], *, cuts: Sequence[Mapping[str, Any]] = ()) -> dict[str, Any]:
        self._answer()
        found = from_tree(Cue, cue)
        if found.id in self.begun:
            raise Conflict(f"play '{found.id}' was begun before")
        for cut in cuts:
            self._cut(str(cut["id"]), cut.get("zones"), f"made way for '{found.title}'")
        for other in self.claimed.values():
            for zone in other.zones:
                until = self.cut[other.id].get(zone.zone, (other.end_ms, ""))[0]
                if zone.zone in {z.zone for z in found.zones} and until > found.start_ms:
                    raise Conflict(f"zone '{zone.zone}' is taken by '{other.title}'")
        self._claim(found)
        if self.deaf_after_begin:
            self.deaf_after_begin = False
            raise EngineGone("the engine hung up")
        return {
            "id": found.id,
            "start_ms": found.start_ms,
            "end_ms": found.end_ms,
            "seq": len(self.journal_records),
        }

    def stop(
        self, play: str, *, by: str, zones: Sequence[str] | None = None, reason: str | None = None
    ) -> dict[str, Any]:
        self._answer()
        if play not in self.claimed:
            raise NotFound(f"play '{play}' is neither sounding nor waiting here")
        self._cut(play, zones, reason or f"stopped by {by}")
        self.turn()
        return {"id": play, "end_ms": self.clock.ms + 150}

    def journal(self, *, since: int = 0, limit: int = 1000) -> dict[str, Any]:
        self._answer()
        found = [r for r in self.journal_records if r["seq"] > since][:limit]
        last = len(self.journal_records)
        return {"records": found, "last_seq": last, "more": bool(found) and found[-1]["seq"] < last}

    def journal_taken(self, through: int) -> dict[str, Any]:
        self._answer()
        self.taken = through
        return {}

    # -- its life

    def turn(self) -> None:
        """Do what is due by the clock."""
        if self.gone:
            return
        now_ms = self.clock.ms
        for cue in list(self.claimed.values()):
            cuts = self.cut[cue.id]
            if max(cuts.get(z.zone, (cue.end_ms, ""))[0] for z in cue.zones) <= now_ms:
                self._end(cue)
        for cue in sorted(self.waiting.values(), key=lambda c: c.start_ms):
            fall_ms = max((z.fall_ms for z in cue.zones), default=0)
            if now_ms < cue.start_ms - fall_ms - 1000:
                continue
            if any(s.clip in self.lost_audio for s in cue.segments):
                self._write(unsent(cue, "the audio of a clip is gone", at_ms=now_ms))
                self.begun.add(cue.id)
                del self.waiting[cue.id]
            elif now_ms <= cue.latest_ms:
                self._claim(cue)
                del self.waiting[cue.id]

    def crash(self) -> None:
        self.gone = True

    def come_back(self, boot: str) -> None:
        self.gone = False
        self.boot = boot
        for cue in list(self.claimed.values()):
            ends = {z.zone: (cue.start_ms + 1000, "the engine stopped") for z in cue.zones}
            self._write(end(cue, ends, at_ms=self.clock.ms))
        self.claimed.clear()

    def say(self, record: Mapping[str, Any]) -> None:
        self._write(dict(record))

    def _answer(self) -> None:
        if self.gone:
            raise EngineGone("the engine does not answer")

    def _claim(self, cue: Cue) -> None:
        assert cue.id not in self.begun, f"{cue.id} begins a second time"
        self._write(claim(cue, at_ms=self.clock.ms))
        self.begun.add(cue.id)
        self.claimed[cue.id] = cue
        self.cut[cue.id] = {}

    def _cut(self, cue_id: str, zones: Sequence[str] | None, reason: str) -> None:
        cue = self.claimed.get(cue_id)
        if cue is not None:
            for zone in cue.zones:
                if zones is None or zone.zone in zones:
                    self.cut[cue_id][zone.zone] = (self.clock.ms + 150, reason)

    def _end(self, cue: Cue) -> None:
        del self.claimed[cue.id]
        self._write(end(cue, self.cut[cue.id], at_ms=self.clock.ms))

    def _write(self, record: dict[str, Any]) -> None:
        seq = len(self.journal_records) + 1
        self.journal_records.append({"seq": seq, "boot": self.boot, "record": record})


def _head(kind: str, cue: Cue, at_ms: int) -> dict[str, Any]:
    own = {"id": cue.id, "rule": cue.rule, "title": cue.title, "priority": cue.priority}
    return {"kind": kind, **own, "nominal_ms": cue.nominal_ms, "at_ms": at_ms}


def claim(cue: Cue, *, at_ms: int) -> dict[str, Any]:
    clips = dict.fromkeys((s.clip, s.sha256) for s in cue.segments)
    return _head("claim", cue, at_ms) | {
        "planned_ms": cue.start_ms,
        "planned_end_ms": cue.end_ms,
        "zones": [z.zone for z in cue.zones],
        "left_out": [list(pair) for pair in cue.left_out],
        "asked_by": cue.asked_by,
        "reason": cue.reason,
        "clips": [{"clip": clip, "sha256": sha256} for clip, sha256 in clips],
        "per_zone": [{"zone": z.zone, "gain_db": z.gains_db[0], "duck_depth_db": z.depth_db} for z in cue.zones],
    }


def end(cue: Cue, cuts: Mapping[str, tuple[int, str]], *, at_ms: int) -> dict[str, Any]:
    """cuts: zone -> (silent from, why)."""
    zones = [z.zone for z in cue.zones]
    outcome = "cut" if all(z in cuts for z in zones) else "sent"
    reasons = list(dict.fromkeys(why for _, why in cuts.values()))
    return _head("end", cue, at_ms) | {
        "planned_ms": cue.start_ms,
        "actual_ms": cue.start_ms,
        "end_ms": max(cuts[z][0] if z in cuts else cue.end_ms for z in zones),
        "outcome": outcome,
        "reason": "; ".join(reasons) or cue.reason,
        "per_zone": [
            {
                "zone": z,
                "outcome": "cut" if z in cuts else "sent",
                "reason": cuts[z][1] if z in cuts else None,
                "end_ms": cuts[z][0] if z in cuts else cue.end_ms,
                "loudness_lufs": -18.2,
            }
            for z in zones
        ],
        "rounds_done": 0 if cuts else 1,
    }


def unsent(cue: Cue, reason: str, *, at_ms: int) -> dict[str, Any]:
    zones = [z.zone for z in cue.zones]
    return _head("unsent", cue, at_ms) | {"zones": zones, "left_out": [], "reason": reason}


def measured(duration_s: float) -> Measurement:
    return Measurement(
        duration_s=duration_s,
        sample_rate=48_000,
        channels=1,
        integrated_lufs=-20.0,
        ungated_lufs=-20.0,
        loudness_range_lu=None,
        momentary_max_lufs=-18.0,
        short_term_max_lufs=None,
        true_peak_dbtp=-6.0,
        sample_peak_dbfs=-6.1,
    )


class World:
    """One data folder with a venue in it, an engine, a clock, and a director that is started by hand."""

    def __init__(self, folder: Path, venue: VenueFile, now_ms: int) -> None:
        self.settings = Settings(data_dir=folder)
        self.database: Database = open_database(self.settings)
        self.clock = FakeClock(now_ms)
        self.engine = FakeEngine(self.clock)
        self.load(venue)
        self.director = self.new_director()

    def new_director(self) -> Director:
        self.director = Director(self.settings, self.database, self.engine, self.clock)
        return self.director

    def open(self) -> Director:
        """Start it without its heart: the test beats."""
        self.director.keeper.open()
        return self.director

    def load(self, venue: VenueFile) -> None:
        """As another process would: into the database, with audio for every clip."""
        with self.database.begin() as session:
            there = venues.list_venues(session)
            audio = {}
            for clip in venue.clips:
                frames = (clip.duration_ms or 1000) * 48
                sha256 = sha_of(clip.id)
                put_audio(
                    session,
                    Audio(
                        sha256=sha256,
                        frames=frames,
                        channels=1,
                        measurement=measured(frames / 48_000),
                        lead_silence_ms=0,
                        tail_silence_ms=0,
                        original_name=clip.file,
                        original_format="WAV",
                        added_ms=0,
                    ),
                )
                audio[clip.id] = sha256
                path = self.audio_path(clip.id)
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(b"")
            venues.write_venue(session, venue, venue_id=there[0].id if there else None, audio=audio)

    def audio_path(self, clip: str) -> Path:
        sha256 = sha_of(clip)
        return self.settings.audio / sha256[:2] / f"{sha256}.wav"

    def run(self, seconds: float, *, step_ms: int = 1000) -> None:
        """Let time pass, the engine turning and the director beating each step."""
        until_ms = self.clock.ms + round(seconds * 1000)
        while self.clock.ms < until_ms:
            self.clock.pass_ms(min(step_ms, until_ms - self.clock.ms))
            self.engine.turn()
            self.director.beat()

    def close(self) -> None:
        self.director.changes.close()
        self.database.close()


def sha_of(clip: str) -> str:
    return hashlib.sha256(clip.encode()).hexdigest()
