"""A director without engine or database: the demo venue on a hand-made afternoon, for tests of the API and page.

It places nothing: its plan is written out below. Fired rules sound at once and end by themselves.
"""

from __future__ import annotations

import datetime as dt
import math
import struct
import threading
import time
from collections.abc import AsyncIterator, Mapping, Sequence
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from oyez.api.ports import ClipEntry, Fired, Health, ZoneLive
from oyez.errors import Conflict, NotFound
from oyez.loudness.types import Measurement
from oyez.mixing.duck import DuckShape, corner_points
from oyez.planning.types import LeftOut, Plan, Play, QuietSpan, Span, Unplaced, ZoneDuck
from oyez.playout.changes import Changes, Subscription
from oyez.playout.link import Listening
from oyez.settings import folder
from oyez.store.chain import Head, Verified
from oyez.store.clips import read_measurement
from oyez.store.log_entries import LogRecord
from oyez.venue.facts import ClipFacts
from oyez.venue.models import VenueFile
from oyez.venue.reader import read_venue

ZONE = ZoneInfo("Europe/London")
DATE = dt.date(2026, 11, 27)
QUILLFIN = folder("demo_clips") / "quillfin.toml"
DUCK = ZoneDuck(depth_db=13.0, fall_ms=600, hold_ms=300, rise_ms=1500, bridge_ms=2000)
PUBLIC = ("ticket-hall", "tide-pools", "kelp-tunnel", "ray-lagoon", "jelly-gallery", "seal-terrace", "nursery",
          "theatre", "cafe", "shop")  # fmt: skip
GALLERIES = ("tide-pools", "kelp-tunnel", "ray-lagoon", "jelly-gallery")


def at(clock: str, date: dt.date = DATE) -> int:
    hour, minute, *second = (int(part) for part in clock.split(":"))
    day = date if hour >= 5 else date + dt.timedelta(days=1)
    made = dt.datetime(day.year, day.month, day.day, hour, minute, *second, tzinfo=ZONE)
    return round(made.timestamp() * 1000)


PLANNED: tuple[tuple[str, str, int, tuple[str, ...]], ...] = (
    ("09:35", "briefing", 21, ("staff-corridor",)),
    ("10:05", "welcome", 14, PUBLIC),
    ("10:50", "seals", 16, PUBLIC),
    ("11:25", "nursery", 11, ("nursery", "tide-pools")),
    ("12:05", "rays", 15, (*GALLERIES, "ticket-hall", "cafe")),
    ("13:50", "show", 13, PUBLIC),
    ("14:25", "nursery", 11, ("nursery", "tide-pools")),
    ("15:20", "seals", 16, PUBLIC),
    ("15:50", "rays", 15, (*GALLERIES, "ticket-hall", "cafe")),
    ("16:30", "coach-four", 24, (*PUBLIC, "coach-bay")),
    ("17:10", "cafe-orders", 9, ("cafe", "ticket-hall", "shop")),
    ("17:27", "cafe-closing", 14, ("cafe",)),
    ("17:30", "closing-30", 10, PUBLIC),
    ("17:45", "closing-15", 18, PUBLIC),
    ("17:55", "closing-5", 16, PUBLIC),
    ("18:00", "closed", 12, PUBLIC),
    ("19:40", "evening-welcome", 12, PUBLIC),
    ("20:15", "cafe-promo", 13, ("ticket-hall", *GALLERIES, "shop", "theatre")),
    ("20:50", "show-evening", 13, PUBLIC),
    ("21:15", "cafe-promo", 13, ("ticket-hall", *GALLERIES, "shop")),
    ("22:30", "cafe-promo", 13, ("ticket-hall", *GALLERIES, "shop", "theatre")),
    ("23:45", "cafe-promo", 13, ("ticket-hall", *GALLERIES, "shop", "theatre")),
    ("01:15", "closing-15", 18, PUBLIC),
    ("01:25", "closing-5", 16, PUBLIC),
    ("01:30", "closed", 12, PUBLIC),
)
HANDS_OFF = ("10:20", "11:00", "11:40", "12:20", "13:00", "13:40", "14:20", "15:00", "15:40", "16:20", "17:00")


def quillfin() -> VenueFile:
    found = read_venue(QUILLFIN.read_text(encoding="utf-8"), where="quillfin.toml", syntax="toml").venue
    assert found is not None
    return found


class FakeDirector:
    """`now`: where its clock starts ("14:03:20"), running on from there; None takes the machine's."""

    def __init__(
        self, *, now: str | None = "14:24:20", venue: VenueFile | None = None, empty: bool = False
    ) -> None:
        self._venue = None if empty else venue or quillfin()
        self._offset_ms = 0 if now is None else at(now) - self._wall()
        self._changes = Changes()
        self._lock = threading.Lock()
        self._fired: list[Play] = []
        self._stopped: dict[str, tuple[int, str]] = {}
        self._number = 0
        self._timers: list[threading.Timer] = []
        self.started = False
        self.loaded: list[VenueFile] = []
        self.added: list[Mapping[str, Any]] = []
        self.asked_by: list[str] = []
        self.entries: Sequence[ClipEntry] | None = None
        """Clips in place of the venue's own."""
        self.state = Health(
            playing=True,
            output="silent",
            sentence="No sound hardware: playing silently",
            code="silent",
            engine={"xruns": 0},
        )

    @staticmethod
    def _wall() -> int:
        return time.time_ns() // 1_000_000

    def start(self) -> None:
        self.started = True

    def stop(self) -> None:
        self.started = False
        self._changes.close()
        for timer in self._timers:
            timer.cancel()

    def now_ms(self) -> int:
        return self._wall() + self._offset_ms

    def health(self) -> Health:
        return self.state

    def venue(self) -> VenueFile | None:
        return self._venue

    def load_venue(self, venue: VenueFile, *, dry_run: bool, asked_by: str) -> Sequence[str]:
        self.asked_by.append(asked_by)
        if not dry_run:
            self.loaded.append(venue)
            self._venue = venue
            self._changes.tell("venue", "plan")
        return [f"venue: {venue.venue.name}"]

    def today(self) -> dt.date:
        return (dt.datetime.fromtimestamp(self.now_ms() / 1000, ZONE) - dt.timedelta(hours=5)).date()

    # ---- the plan

    def _titles(self) -> dict[str, tuple[str, int, int]]:
        assert self._venue is not None
        return {r.id: (r.title, i, r.priority) for i, r in enumerate(self._venue.rules)}

    def _play(self, rule: str, start_ms: int, seconds: int, zones: tuple[str, ...], **more: Any) -> Play:
        title, order, priority = self._titles()[rule]
        nominal_ms = more.pop("nominal_ms", start_ms)
        ident = more.pop("id", f"{rule}@{nominal_ms}")
        return Play(
            id=ident,
            rule=rule,
            title=title,
            order=order,
            nominal_ms=nominal_ms,
            start_ms=start_ms,
            end_ms=start_ms + seconds * 1000,
            latest_ms=nominal_ms + 60_000,
            zones=zones,
            priority=priority,
            chime="two-tone",
            clips=(rule,),
            reason=more.pop("reason", "on time"),
            ducks=dict.fromkeys(zones, DUCK),
            **more,
        )

    def _planned(self, date: dt.date) -> list[Play]:
        plays = [self._play(rule, at(clock, date), length, zones) for clock, rule, length, zones in PLANNED]
        for clock in HANDS_OFF:
            for zone in GALLERIES:
                nominal_ms = at(clock, date)
                late = 14 if clock == "15:40" else 0
                plays.append(
                    self._play(
                        "hands-off",
                        nominal_ms + late * 1000,
                        6,
                        (zone,),
                        nominal_ms=nominal_ms,
                        id=f"hands-off@{nominal_ms}/{zone}",
                        reason="14 s late, because Ray feeding was still speaking" if late else "on time",
                    )
                )
        show = next(p for p in plays if p.rule == "show-evening")
        plays.remove(show)
        plays.append(
            self._play(
                "show-evening",
                show.start_ms,
                13,
                tuple(z for z in PUBLIC if z != "nursery"),
                left_out=(LeftOut(zone="nursery", reason="not in service"),),
            )
        )
        return plays

    def plan(self, date: dt.date) -> Plan:
        planned = self._planned(date) + (self._fired if date == DATE else [])
        plays = tuple(sorted(planned, key=lambda p: (p.start_ms, p.order)))
        assert self._venue is not None
        shapes: dict[str, list[DuckShape]] = {}
        for play in plays:
            for zone in play.zones:
                shapes.setdefault(zone, []).append(
                    DuckShape(
                        start_ms=play.start_ms,
                        end_ms=play.end_ms,
                        depth_db=DUCK.depth_db,
                        fall_ms=DUCK.fall_ms,
                        hold_ms=DUCK.hold_ms,
                        rise_ms=DUCK.rise_ms,
                        bridge_ms=DUCK.bridge_ms,
                    )
                )

        def span(start: str, end: str) -> Span:
            return Span(start_ms=at(start, date), end_ms=at(end, date))

        music: dict[str, tuple[Span, ...]] = {}
        for zone in self._venue.zones:
            if zone.source is not None:
                music[zone.id] = (span("10:00", "18:00"), span("19:30", "01:30"))
        music["cafe"] = (span("09:30", "17:30"), span("19:30", "01:00"))
        music["theatre"] = (
            span("10:00", "14:00"),
            span("14:35", "18:00"),
            span("19:30", "21:00"),
            span("21:45", "01:30"),
        )
        promo = self._titles()["cafe-promo"]
        hands = self._titles()["hands-off"]
        quiet = [("theatre", "14:00", "14:35", 80, True), ("theatre", "21:00", "21:45", 80, True),
                 ("nursery", "12:30", "13:30", 60, False)]  # fmt: skip
        return Plan(
            venue=self._venue.venue.name,
            date=date,
            timezone=self._venue.venue.timezone,
            starts_ms=at("05:00", date),
            ends_ms=at("05:00", date + dt.timedelta(days=1)),
            plays=plays,
            unplaced=(
                Unplaced(
                    id=f"hands-off@{at('17:40', date)}/ray-lagoon",
                    rule="hands-off",
                    title=hands[0],
                    order=hands[1],
                    nominal_ms=at("17:40", date),
                    zones=("ray-lagoon",),
                    priority=hands[2],
                    reason="waits at most 120 s, the zone is free again after 131 s: give it wait_s = 135",
                ),
                Unplaced(
                    id=f"cafe-promo@{at('00:20', date)}",
                    rule="cafe-promo",
                    title=promo[0],
                    order=promo[1],
                    nominal_ms=at("00:20", date),
                    zones=("theatre",),
                    priority=promo[2],
                    reason="the theatre is quiet under 80 until 01:00, and it waits at most 600 s",
                ),
            ),
            ducks={zone: corner_points(found) for zone, found in shapes.items()},
            music=music,
            quiet=tuple(
                QuietSpan(
                    zone=zone,
                    start_ms=at(start, date),
                    end_ms=at(end, date),
                    min_priority=least,
                    music_off=off,
                    label=f"quiet {start}-{end}",
                )
                for zone, start, end, least, off in quiet
            ),
            open={"venue": (span("10:00", "18:00"), span("19:30", "01:30"))},
        )

    # ---- now

    def _sounding(self) -> list[Play]:
        now_ms = self.now_ms()
        found = []
        for play in self.plan(self.today()).plays:
            stop = self._stopped.get(play.id)
            if play.start_ms <= now_ms < (stop[0] if stop else play.end_ms):
                found.append(play)
        return found

    def zones(self) -> Sequence[ZoneLive]:
        assert self._venue is not None
        sounding, now_ms = self._sounding(), self.now_ms()
        music = self.plan(self.today()).music
        lives = []
        for zone in self._venue.zones:
            play = next((p for p in sounding if zone.id in p.zones), None)
            lives.append(
                ZoneLive(
                    zone=zone.id,
                    music=any(s.start_ms <= now_ms < s.end_ms for s in music.get(zone.id, ())),
                    sounding=play.id if play else None,
                    title=play.title if play else None,
                    since_ms=play.start_ms if play else None,
                    until_ms=play.end_ms if play else None,
                )
            )
        return lives

    def fire(self, rule_id: str, *, asked_by: str) -> Fired:
        assert self._venue is not None
        self.asked_by.append(asked_by)
        rule = self._venue.rule(rule_id)
        if rule_id == "rain":
            raise Conflict("no place: Seal terrace and Ticket hall carry A child is waiting until 14:25:10")
        zones = tuple(z for z in self._venue.resolve(rule.zones) if z != "nursery")
        now_ms = self.now_ms()
        play = self._play(
            rule_id,
            now_ms,
            8,
            zones,
            id=f"{rule_id}@{now_ms}!{len(self._fired) + 1}",
            left_out=(LeftOut(zone="nursery", reason="not in service"),),
            event=True,
        )
        with self._lock:
            self._fired.append(play)
        self._changes.tell("plan", "log", "state")
        timer = threading.Timer(8.1, self._changes.tell, ("plan", "log", "state"))
        timer.daemon = True
        timer.start()
        self._timers.append(timer)
        return Fired(
            id=play.id,
            title=play.title,
            start_ms=play.start_ms,
            end_ms=play.end_ms,
            zones=zones,
            left_out=(("nursery", "not in service"),),
            reason="on time",
        )

    def stop_play(self, play_id: str, *, asked_by: str) -> str:
        if all(p.id != play_id for p in self._sounding()):
            raise NotFound(f"'{play_id}' does not sound now")
        self._stopped[play_id] = (self.now_ms() + 150, asked_by)
        self._changes.tell("plan", "log", "state")
        return "Fading out everywhere"

    # ---- the log

    def log(self, *, from_ms: int | None, until_ms: int | None) -> Sequence[LogRecord]:
        if self._venue is None:
            return []
        now_ms = self.now_ms()
        bodies: list[dict[str, Any]] = [
            {"kind": "event", "what": "service-started", "reason": None, "at_ms": at("09:12:04")}
        ]
        for play in self.plan(DATE).plays:
            if play.start_ms > now_ms:
                continue
            bodies.append(self._claim(play))
            end = self._end(play, now_ms)
            if end is not None:
                bodies.append(end)
        hands = self._titles()["hands-off"]
        bodies.append(
            {
                "kind": "unsent",
                "id": f"members@{at('10:30')}",
                "rule": "members",
                "title": "Members' evening tour",
                "priority": hands[2],
                "nominal_ms": at("10:30"),
                "zones": ["ticket-hall", "cafe"],
                "left_out": [],
                "reason": "its clip is gone: members.flac",
                "at_ms": at("10:30"),
            }
        )
        kept = [
            b
            for b in sorted(bodies, key=lambda b: b["at_ms"])
            if (from_ms is None or b.get("nominal_ms", b["at_ms"]) >= from_ms)
            and (until_ms is None or b.get("nominal_ms", b["at_ms"]) < until_ms)
        ]
        return [
            LogRecord(
                number=number,
                kind=b["kind"],
                at_ms=b["at_ms"],
                occurrence=b.get("id"),
                body=b,
                hash=f"{number:064x}",
            )
            for number, b in enumerate(kept, 1)
        ]

    def _claim(self, play: Play) -> dict[str, Any]:
        return {
            "kind": "claim",
            "id": play.id,
            "rule": play.rule,
            "title": play.title,
            "priority": play.priority,
            "nominal_ms": play.nominal_ms,
            "planned_ms": play.start_ms,
            "planned_end_ms": play.end_ms,
            "zones": list(play.zones),
            "left_out": [[z.zone, z.reason] for z in play.left_out],
            "asked_by": "Front desk" if play.event else "plan",
            "reason": play.reason,
            "clips": [{"clip": c, "sha256": "0" * 64} for c in play.clips],
            "per_zone": [{"zone": z, "gain_db": 3.5, "duck_depth_db": DUCK.depth_db} for z in play.zones],
            "at_ms": play.start_ms - 1600,
        }

    def _end(self, play: Play, now_ms: int) -> dict[str, Any] | None:
        stop = self._stopped.get(play.id)
        cut = play.rule == "rays" and play.start_ms == at("12:05")
        end_ms, outcome, reason = play.end_ms, "sent", ""
        if cut:
            end_ms, outcome, reason = play.start_ms + 6000, "cut", "A child is waiting outranked it"
        if stop is not None:
            end_ms, outcome, reason = stop[0], "cut", f"stopped by {stop[1]}"
        if now_ms < end_ms:
            return None
        return {
            "kind": "end",
            "id": play.id,
            "rule": play.rule,
            "title": play.title,
            "nominal_ms": play.nominal_ms,
            "planned_ms": play.start_ms,
            "actual_ms": play.start_ms + 4,
            "end_ms": end_ms,
            "outcome": outcome,
            "reason": reason,
            "per_zone": [
                {"zone": z, "outcome": outcome, "end_ms": end_ms, "loudness_lufs": -18.2} for z in play.zones
            ],
            "rounds_done": 0 if outcome == "cut" else 1,
            "at_ms": end_ms + 60,
        }

    def verify_log(self) -> Verified:
        return Verified(ok=True, records=12, first_bad=None, reason=None, head=Head(number=12, hash="ab" * 32))

    # ---- clips, changes, sound

    def clips(self) -> Sequence[ClipEntry]:
        if self._venue is None:
            return []
        measured = Measurement(
            duration_s=7.4,
            sample_rate=48000,
            channels=1,
            integrated_lufs=-21.3,
            ungated_lufs=-22.0,
            loudness_range_lu=3.1,
            momentary_max_lufs=-17.0,
            short_term_max_lufs=-19.0,
            true_peak_dbtp=-3.2,
            sample_peak_dbfs=-3.4,
        )
        facts = ClipFacts(duration_ms=7400, sha256="ab" * 32, frames=355200, channels=1, measured=measured)
        known = [ClipEntry(id=c.id, title=c.title, kind=c.kind, facts=facts) for c in self._venue.clips]
        return [*(known if self.entries is None else self.entries), *(a["entry"] for a in self.added)]

    def add_clip(
        self, imported: Mapping[str, Any], *, clip_id: str, title: str, kind: str, asked_by: str
    ) -> ClipEntry:
        if any(c.id == clip_id for c in self.clips()):
            raise Conflict(f"clip '{clip_id}': there is one with this id already")
        stored = imported["stored"]
        self.asked_by.append(asked_by)
        facts = ClipFacts(
            duration_ms=1000,
            sha256=stored["sha256"],
            frames=stored["frames"],
            channels=stored["channels"],
            measured=read_measurement(imported["measurement"]),
        )
        entry = ClipEntry(
            id=clip_id,
            title=title,
            kind=kind,
            facts=facts,
            lead_silence_ms=imported["lead_silence_ms"],
            tail_silence_ms=imported["tail_silence_ms"],
            original=imported["original"]["name"],
        )
        self.added.append({"entry": entry, "imported": imported})
        return entry

    def subscribe(self) -> Subscription:
        return self._changes.subscribe()

    def tell(self, name: Any) -> None:
        self._changes.tell(name)

    async def listen(self, zone_id: str) -> AsyncIterator[Listening | bytes]:
        import asyncio

        assert self._venue is not None
        channels = self._venue.zone(zone_id).channels
        yield Listening(zone=zone_id, channels=channels, sample_rate=48000, first_frame_ms=float(self.now_ms()))
        begun, block, sent = time.monotonic(), 1920, 0
        while True:
            frames = (round(6000 * math.sin(2 * math.pi * 220 * (sent + i) / 48000)) for i in range(block))
            yield b"".join(struct.pack("<h", value) * channels for value in frames)
            sent += block
            await asyncio.sleep(max(0.0, begun + sent / 48000 - time.monotonic()))


def serve(data: Path, port: int, now: str | None) -> None:
    """The page on this director, to be looked at."""
    import uvicorn

    from oyez.api.app import create_app
    from oyez.settings import Settings, use_packaged_zone_rules

    use_packaged_zone_rules()
    app = create_app(Settings(data_dir=data, port=port), FakeDirector(now=now))
    uvicorn.run(app, host="127.0.0.1", port=port, log_level="warning", ws="websockets-sansio")


if __name__ == "__main__":
    import sys

    serve(Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3] if len(sys.argv) > 3 else None)
