"""The director as the pages see it: `ports.DirectorPort` on the real director, its database and its engine."""

from __future__ import annotations

import datetime as dt
import logging
import threading
from collections.abc import AsyncIterator, Mapping, Sequence
from typing import Any

from oyez.api.ports import ClipEntry, Fired, Health, ZoneLive
from oyez.clips.store import AudioStore
from oyez.errors import Conflict, NotFound, WorkFailed
from oyez.planning.types import Plan
from oyez.playout.changes import Subscription
from oyez.playout.director import Director
from oyez.playout.link import EngineLink, Listening
from oyez.settings import Settings
from oyez.store import clips as clip_queries
from oyez.store import loading, log
from oyez.store.chain import Verified
from oyez.store.database import Database
from oyez.store.entering import enter_clip
from oyez.store.log_entries import LogRecord
from oyez.store.unused import sweep_unused
from oyez.venue.facts import ClipFacts
from oyez.venue.models import VenueFile

logger = logging.getLogger(__name__)

ORIGIN = "page"


class Desk:
    def __init__(self, settings: Settings, database: Database, link: EngineLink, director: Director) -> None:
        self._settings = settings
        self._database = database
        self._link = link
        self._director = director
        self._entering = threading.Lock()

    def start(self) -> None:
        self._director.start()
        try:
            removed = sweep_unused(self._database, self._settings)
        except (WorkFailed, OSError) as error:
            logger.warning("unused audio was not looked for: %s", error)
        else:
            if removed:
                one = removed == 1
                pieces = "1 piece" if one else f"{removed} pieces"
                logger.warning("%s of audio that nothing used %s removed", pieces, "was" if one else "were")

    def stop(self) -> None:
        self._director.stop()
        self._database.close()

    def now_ms(self) -> int:
        return self._director.now_ms()

    def today(self) -> dt.date:
        return self._director.today()

    def subscribe(self) -> Subscription:
        return self._director.subscribe()

    def listen(self, zone_id: str) -> AsyncIterator[Listening | bytes]:
        return self._link.listen(zone_id)

    def health(self) -> Health:
        found = self._director.health()
        numbers = {
            **found["engine"],
            "xruns": found["xruns"],
            "outputs": found["outputs"],
            "clock": found["clock"],
        }
        numbers |= {key: found[key] for key in ("database", "log", "disk_free_bytes", "revision")}
        return Health(
            playing=bool(found["playing"]),
            output=str(found["output"]),
            sentence=str(found["sentence"]),
            code=str(found["code"]),
            engine=numbers,
        )

    # ---- the venue and its plan

    def venue(self) -> VenueFile | None:
        try:
            return self._director.venue()
        except NotFound:
            return None

    def plan(self, date: dt.date) -> Plan:
        return self._director.plan(date)

    def load_venue(self, venue: VenueFile, *, dry_run: bool, asked_by: str) -> Sequence[str]:
        if dry_run:
            with self._database.read() as session:
                would = loading.prepare(session, venue, loading.target(session), where="the body")
            return [str(change) for change in would.changes]
        with self._database.begin() as session:
            due = loading.prepare(session, venue, loading.target(session), where="the body")
            venue_id = loading.carry_out(
                session,
                due,
                slug=None,
                who=asked_by,
                origin=ORIGIN,
                what="venue loaded",
                at_ms=self._director.now_ms(),
            )
        if due.changes:
            loading.keep_journal_head(self._database, self._settings.data_dir, venue_id)
            self._director.reload()
        return [str(change) for change in due.changes]

    # ---- now

    def zones(self) -> Sequence[ZoneLive]:
        venue, state = self._director.venue(), self._director.state()
        if state.get("engine") != "alive":
            return [_unknown(zone.id) for zone in venue.zones]
        now = {zone["id"]: zone for zone in state.get("zones") or ()}
        sounding: dict[str, Mapping[str, Any]] = {}
        for play in state.get("playing") or ():
            if play.get("sounding"):
                sounding |= dict.fromkeys(play["zones"], play)
        return [_live(zone.id, now.get(zone.id), sounding.get(zone.id)) for zone in venue.zones]

    def fire(self, rule_id: str, *, asked_by: str) -> Fired:
        fired = self._director.fire(rule_id, by=asked_by)
        return Fired(
            id=fired.id,
            title=fired.title,
            start_ms=fired.start_ms,
            end_ms=fired.end_ms,
            zones=fired.zones,
            left_out=fired.left_out,
            reason=fired.reason,
        )

    def stop_play(self, play_id: str, *, asked_by: str) -> str:
        self._director.stop_play(play_id, by=asked_by)
        return "Fading out everywhere"

    # ---- the log

    def log(self, *, from_ms: int | None, until_ms: int | None) -> Sequence[LogRecord]:
        with self._database.read() as session:
            return log.records(session, self._director.venue_id, from_ms=from_ms, until_ms=until_ms)

    def verify_log(self) -> Verified:
        return self._director.verify_log()

    # ---- clips

    def clips(self) -> Sequence[ClipEntry]:
        if self.venue() is None:
            return []
        with self._database.read() as session:
            return [_entry(stored) for stored in clip_queries.list_clips(session, self._director.venue_id)]

    def add_clip(
        self, imported: Mapping[str, Any], *, clip_id: str, title: str, kind: str, asked_by: str
    ) -> ClipEntry:
        with self._entering:
            entered = enter_clip(
                self._database,
                AudioStore(self._settings.audio),
                self._director.venue_id,
                imported,
                kind=kind,
                who=asked_by,
                origin=ORIGIN,
                at_ms=self._director.now_ms(),
                data_dir=self._settings.data_dir,
                clip_id=clip_id,
                title=title,
            )
        if entered.there_already:
            name = imported["original"]["name"]
            raise Conflict(f"{name}: is already there as clip '{entered.stored.clip.id}'")
        self._director.reload()
        return _entry(entered.stored)


def _entry(stored: clip_queries.StoredClip) -> ClipEntry:
    clip, audio = stored.clip, stored.audio
    facts = None
    if audio is not None:
        facts = ClipFacts(
            duration_ms=audio.duration_ms if clip.duration_ms is None else clip.duration_ms,
            sha256=audio.sha256,
            frames=audio.frames,
            channels=audio.channels,
            measured=audio.measurement,
        )
    elif clip.duration_ms is not None:
        facts = ClipFacts(duration_ms=clip.duration_ms)
    return ClipEntry(
        id=clip.id,
        title=clip.title,
        kind=clip.kind,
        facts=facts,
        lead_silence_ms=None if audio is None else audio.lead_silence_ms,
        tail_silence_ms=None if audio is None else audio.tail_silence_ms,
        original=None if audio is None else audio.original_name,
    )


def _unknown(zone_id: str) -> ZoneLive:
    return ZoneLive(zone=zone_id, music=None, sounding=None, title=None, since_ms=None, until_ms=None)


def _live(zone_id: str, now: Mapping[str, Any] | None, play: Mapping[str, Any] | None) -> ZoneLive:
    if now is None:  # a zone the engine has not heard of yet
        return _unknown(zone_id)
    return ZoneLive(
        zone=zone_id,
        music=bool(now["music_on"]),
        sounding=None if play is None else str(play["id"]),
        title=None if play is None else str(play["title"]),
        since_ms=None if play is None else int(play["start_ms"]),
        until_ms=None if play is None else int(play["end_ms"]),
        level_lufs=now.get("short_term_lufs"),
    )
