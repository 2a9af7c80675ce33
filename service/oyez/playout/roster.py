"""Which cues wait, which are claimed, which have ended: the engine's side of "begun at most once".

Laws: a claim is in the journal, on the disk, before the mixer hears of the cue; an id that was claimed, ended or
given up is never begun again; a zone carries one cue at a time; a cue begins between its start and its latest
start or not at all, and then the journal says why. Reads no clock of its own: frames and instants come from the
stream's clock. One lock orders everything here; the audio thread never takes it.
"""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from oyez.errors import Conflict, InputError, NotFound, WorkFailed
from oyez.mixing.programme import FRAMES_PER_MS, Cue
from oyez.playout import records
from oyez.playout.clock import StreamClock
from oyez.playout.journal import Journal

CLAIM_AHEAD_MS = 1000
LONGEST_LEAD_MS = 300_000  # over hold, rise, bridge and fall at their longest
FADE_MS = 150
LATE_MS = 5  # a start within this of its instant is not late
BEGIN_MARGIN_MS = (3.0, 200.0)  # room for the claim's fsync between a press and its sound


class SoundPort(Protocol):
    """What the roster needs of the mixer. All of it may be called while blocks are rendered."""

    @property
    def position(self) -> int: ...
    @property
    def open_frame(self) -> int:
        """The first frame that can still be changed."""
        ...

    @property
    def zones(self) -> frozenset[str]: ...
    def has(self, sha256: str) -> bool: ...
    def fetch(self, cue: Cue) -> None:
        """Have the beginning of its audio in memory, for a cue that sounds before the feeder's next round."""
        ...

    def arm(self, cue: Cue, start_frame: int) -> int:
        """Returns the frame at which it really starts."""
        ...

    def cut(self, cue_id: str, zones: Sequence[str]) -> int:
        """Fade out in FADE_MS from now. Returns the frame at which it is silent."""
        ...

    def loudness(self, zone: str, from_frame: int, until_frame: int) -> float | None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneCut:
    """The zone is silent from `end_frame` on; the fade began FADE_MS before."""

    end_frame: int
    reason: str
    by_person: bool = False


@dataclass(slots=True, kw_only=True)
class Claimed:
    """A cue that was claimed and has not ended. `cue` carries the planned times."""

    cue: Cue
    seq: int
    start_frame: int
    end_frame: int
    cuts: dict[str, ZoneCut] = field(default_factory=dict)

    def ends(self, zone: str) -> int:
        cut = self.cuts.get(zone)
        return min(self.end_frame, cut.end_frame) if cut else self.end_frame

    @property
    def last_frame(self) -> int:
        return max(self.ends(z.zone) for z in self.cue.zones)


class Roster:
    """All cues of one engine. `output` says where the sound goes now, for the log."""

    def __init__(
        self,
        *,
        journal: Journal,
        clock: StreamClock,
        sound: SoundPort,
        now_ms: Callable[[], float],
        output: Callable[[], str] = lambda: "silent",
    ) -> None:
        self._journal, self._clock, self._sound = journal, clock, sound
        self._now, self._output = now_ms, output
        self._lock = threading.RLock()
        self._waiting: dict[str, Cue] = {}
        self._blocked: dict[str, dict[str, None]] = {}  # id -> what stood in its way, in order
        self._claimed: dict[str, Claimed] = {}
        self._begun = set(journal.begun())
        self._claim_took_ms = 5.0
        self._owed: list[dict[str, Any]] = []

    # -- looking

    def claimed(self) -> tuple[Claimed, ...]:
        with self._lock:
            return tuple(self._claimed.values())

    def waiting(self) -> tuple[Cue, ...]:
        """Soonest first."""
        with self._lock:
            return tuple(sorted(self._waiting.values(), key=_by_start))

    def sounding(self, zone: str, frame: int) -> Claimed | None:
        """What the zone carries at a frame."""
        with self._lock:
            for play in self._claimed.values():
                if any(z.zone == zone for z in play.cue.zones) and play.start_frame <= frame < play.ends(zone):
                    return play
        return None

    # -- changing

    def replace(self, cues: Iterable[Cue]) -> tuple[str, ...]:
        """Wait for these instead of all that are not claimed. Returns the ids that were begun before."""
        with self._lock:
            already = []
            self._waiting = {}
            for cue in cues:
                if cue.id in self._begun:
                    already.append(cue.id)
                else:
                    self._waiting[cue.id] = cue
            self._blocked = {k: v for k, v in self._blocked.items() if k in self._waiting}
            return tuple(already)

    def begin(self, cue: Cue, cuts: Sequence[Mapping[str, Any]]) -> Claimed:
        """Begin now: once the claim is on disk, what it cuts has faded and, without a chime, the music is down.

        Raises Conflict (begun before, too late, a zone is taken), NotFound for a zone, InputError for lost audio.
        """
        with self._lock:
            if cue.id in self._begun:
                raise Conflict(f"play '{cue.id}' was begun before; an occurrence is begun at most once")
            unknown = [z.zone for z in cue.zones if z.zone not in self._sound.zones]
            if unknown:
                raise NotFound(f"play '{cue.id}': the engine has no zone '{unknown[0]}'")
            gone = self._gone(cue)
            if gone:
                raise InputError(
                    f"play '{cue.id}': the audio of clip '{gone}' is not there, so nothing of it can sound"
                )
            cutting = [(self._claimed[str(c["id"])], c) for c in cuts if str(c["id"]) in self._claimed]
            self._sound.fetch(cue)
            start_ms = self._soonest_ms(cue, fades=any(self._contested(p, c) for p, c in cutting))
            start_ms = max(start_ms, cue.start_ms)
            if start_ms > cue.latest_ms:
                raise Conflict(f"play '{cue.id}': its latest start has passed, {start_ms - cue.latest_ms} ms ago")
            cut_zones = {str(c["id"]): self._contested(p, c) for p, c in cutting}
            holder = self._holder(cue, start_ms, cut_zones)
            if holder:
                raise Conflict(f"play '{cue.id}': {holder}")
            try:
                play = self._claim(cue, start_ms, cue.reason)
            except OSError as error:
                raise WorkFailed(f"play '{cue.id}': {self._journal.fault or error}; nothing was begun") from error
            for held, asked in cutting:
                self._cut(
                    held, self._contested(held, asked), str(asked.get("reason") or f"made way for '{cue.title}'")
                )
            self._arm(play)
            self._waiting.pop(cue.id, None)
            return play

    def stop(self, cue_id: str, *, by: str, zones: Sequence[str] | None, reason: str | None) -> int:
        """Fade it out in all or some zones; one still waiting is given up. Returns the end in ms of UTC."""
        words = reason or f"stopped by {by}"
        with self._lock:
            play = self._claimed.get(cue_id)
            if play is not None:
                here = [z.zone for z in play.cue.zones if zones is None or z.zone in zones]
                if not here:
                    raise NotFound(f"play '{cue_id}': it does not sound in {', '.join(zones or ())}")
                self._cut(play, here, words, by_person=True)
                return round(self._clock.utc_ms_at(max(play.ends(z) for z in here)))
            cue = self._waiting.get(cue_id)
            if cue is None:
                raise NotFound(f"play '{cue_id}' is neither sounding nor waiting here")
            self._give_up(cue, words)
            return round(self._clock.utc_ms_at(self._sound.position))

    def stop_all(self, reason: str, silent_frame: int) -> None:
        """Everything ends at `silent_frame` (the master fade's end) and is written down at once."""
        with self._lock:
            for play in list(self._claimed.values()):
                for zone in play.cue.zones:
                    if play.ends(zone.zone) > silent_frame:
                        play.cuts[zone.zone] = ZoneCut(end_frame=silent_frame, reason=reason)
                self._end(play, silent_frame)

    def turn(self, heard_frame: int) -> None:
        """End what has been heard to its end, then claim what is due. `heard_frame` is at the converter now."""
        with self._lock:
            self._pay()
            for play in list(self._claimed.values()):
                if play.last_frame <= heard_frame:
                    self._end(play, heard_frame)
            head_ms = self._clock.utc_ms_at(self._sound.open_frame)
            for cue in sorted(self._waiting.values(), key=_by_start):
                if cue.start_ms - LONGEST_LEAD_MS > head_ms:
                    break
                self._consider(cue, head_ms)

    # -- inside, with the lock held

    def _consider(self, cue: Cue, head_ms: float) -> None:
        """Claim it, leave it waiting, or give it up."""
        soonest_ms = cue.start_ms
        late = head_ms > cue.start_ms - LATE_MS
        if late:
            soonest_ms = self._soonest_ms(cue, fades=False)
        if soonest_ms > cue.latest_ms and late:
            down = "the engine was not running at its time, and its latest start has passed"
            self._give_up(cue, self._in_the_way(cue) or down)
            return
        free_ms, holder = self._free_ms(cue, soonest_ms)
        start_ms = max(soonest_ms, free_ms)
        if start_ms > soonest_ms and holder is not None:
            self._blocked.setdefault(cue.id, {})[f"its zones were taken by '{holder.cue.title}'"] = None
        if start_ms > cue.latest_ms or start_ms - self._lead_ms(cue, start_ms) > head_ms:
            return
        gone = self._gone(cue)
        if gone:
            self._give_up(cue, f"the audio of clip '{gone}' is gone, and there is no chime without its words")
            return
        unknown = [z.zone for z in cue.zones if z.zone not in self._sound.zones]
        if unknown:
            self._give_up(cue, f"zone '{unknown[0]}' is not there any more")
            return
        reason = cue.reason
        if start_ms != cue.start_ms:
            why = self._in_the_way(cue) or "the engine came up after its time"
            reason = f"{(start_ms - cue.start_ms) / 1000.0:.1f} s late: {why}"
        try:
            self._arm(self._claim(cue, start_ms, reason))
        except OSError:
            self._blocked.setdefault(cue.id, {})[self._journal.fault or "the journal could not be written"] = None
            return  # tried again until the latest start
        self._waiting.pop(cue.id, None)
        self._blocked.pop(cue.id, None)

    def _in_the_way(self, cue: Cue) -> str:
        return "; then ".join(self._blocked.get(cue.id, ()))

    def _claim(self, cue: Cue, start_ms: int, reason: str) -> Claimed:
        """Write the claim; only then is there a play. Raises OSError when the disk did not take it."""
        shift_ms = start_ms - cue.start_ms
        planned = dataclasses.replace(cue, start_ms=start_ms, end_ms=cue.end_ms + shift_ms, reason=reason)
        before_ms = self._now()
        seq = self._journal.append(records.claim(planned, at_ms=self._now_ms()))
        took_ms = max(0.0, self._now() - before_ms)
        self._claim_took_ms = max(took_ms, 0.8 * self._claim_took_ms)
        self._begun.add(cue.id)
        frame = self._clock.frame_at(start_ms)
        play = Claimed(
            cue=planned,
            seq=seq,
            start_frame=frame,
            end_frame=frame + (planned.end_ms - planned.start_ms) * FRAMES_PER_MS,
        )
        self._claimed[cue.id] = play
        return play

    def _arm(self, play: Claimed) -> None:
        """Hand it to the mixer, which starts it a little later where the fsync took longer than thought."""
        length = play.end_frame - play.start_frame
        play.start_frame = self._sound.arm(play.cue, play.start_frame)
        play.end_frame = play.start_frame + length

    def _cut(self, play: Claimed, zones: Iterable[str], reason: str, *, by_person: bool = False) -> None:
        soonest = self._sound.open_frame + FADE_MS * FRAMES_PER_MS
        here = [z for z in zones if play.ends(z) > soonest]
        if here:
            silent_frame = self._sound.cut(play.cue.id, here)
            for zone in here:
                end_frame = max(silent_frame, play.start_frame)
                play.cuts[zone] = ZoneCut(end_frame=end_frame, reason=reason, by_person=by_person)

    def _end(self, play: Claimed, heard_frame: int) -> None:
        del self._claimed[play.cue.id]
        began = play.start_frame < min(heard_frame, play.last_frame)
        zones = []
        for zone in play.cue.zones:
            end_frame = play.ends(zone.zone)
            cut = play.cuts.get(zone.zone)
            is_cut = cut is not None and end_frame < play.end_frame
            zones.append(
                records.ZoneEnd(
                    zone=zone.zone,
                    cut=cut.reason if cut and is_cut else None,
                    by_person=bool(cut and is_cut and cut.by_person),
                    end_ms=round(self._clock.utc_ms_at(end_frame)),
                    loudness_lufs=self._sound.loudness(zone.zone, play.start_frame, end_frame) if began else None,
                    rounds_done=records.rounds_done(play.cue, (end_frame - play.start_frame)) if began else 0,
                    began=began and end_frame > play.start_frame,
                )
            )
        record = records.end(
            play.cue,
            actual_ms=round(self._clock.utc_ms_at(play.start_frame)) if began else None,
            zones=zones,
            output=self._output(),
            at_ms=self._now_ms(),
        )
        self._owed.append(record)
        self._pay()

    def _pay(self) -> None:
        """Write the ends that are still owed; what a full disk refuses is tried again at the next turn."""
        while self._owed:
            try:
                self._journal.append(self._owed[0])
            except OSError:
                return
            self._owed.pop(0)

    def _give_up(self, cue: Cue, reason: str) -> None:
        try:
            self._journal.append(records.unsent(cue, reason, at_ms=self._now_ms()))
        except OSError:
            return
        self._begun.add(cue.id)
        self._waiting.pop(cue.id, None)
        self._blocked.pop(cue.id, None)

    def _contested(self, play: Claimed, asked: Mapping[str, Any]) -> list[str]:
        wanted = asked.get("zones")
        return [z.zone for z in play.cue.zones if wanted is None or z.zone in wanted]

    def _holder(self, cue: Cue, start_ms: int, cut_zones: Mapping[str, Sequence[str]]) -> str | None:
        start = self._clock.frame_at(start_ms)
        for play in self._claimed.values():
            for zone in cue.zones:
                held = any(z.zone == zone.zone for z in play.cue.zones)
                if held and zone.zone not in cut_zones.get(play.cue.id, ()) and play.ends(zone.zone) > start:
                    return f"zone '{zone.zone}' is taken by '{play.cue.title}'"
        return None

    def _free_ms(self, cue: Cue, start_ms: int) -> tuple[int, Claimed | None]:
        """When all its zones are free of what is claimed, from `start_ms` on, and what stands there last."""
        start, latest, holder = self._clock.frame_at(start_ms), 0, None
        wanted = {z.zone for z in cue.zones}
        for play in self._claimed.values():
            for zone in play.cue.zones:
                until = play.ends(zone.zone)
                if zone.zone in wanted and until > start + LATE_MS * FRAMES_PER_MS and until > latest:
                    latest, holder = until, play
        if holder is None:
            return start_ms, None
        return -(-int(self._clock.utc_ms_at(latest) * 1000) // 1000), holder

    def _lead_ms(self, cue: Cue, start_ms: int) -> int:
        """How long before its start it is claimed: its fall and a second; where its duck bridges from a play that
        still sounds, before that play's music would rise.
        """
        lead_ms = _fall_ms(cue) + CLAIM_AHEAD_MS
        zones = {z.zone: z for z in cue.zones}
        for play in self._claimed.values():
            end_ms = play.cue.end_ms
            for before in play.cue.zones:
                after = zones.get(before.zone)
                if after is None or before.zone in play.cuts:
                    continue
                risen_ms = end_ms + before.hold_ms + before.rise_ms
                if start_ms - after.fall_ms - risen_ms < max(before.bridge_ms, after.bridge_ms):
                    lead_ms = max(lead_ms, start_ms - end_ms + CLAIM_AHEAD_MS)
        return lead_ms

    def _soonest_ms(self, cue: Cue, *, fades: bool) -> int:
        """The first whole ms at which a start can still be exact."""
        least, most = BEGIN_MARGIN_MS
        margin_ms = min(max(1.0 + 2.0 * self._claim_took_ms, least), most)
        chimes = bool(cue.segments) and cue.segments[0].round == 0
        wait_ms = max(FADE_MS if fades else 0, 0 if chimes else _fall_ms(cue))
        return int(self._clock.utc_ms_at(self._sound.open_frame) + margin_ms + wait_ms) + 1

    def _gone(self, cue: Cue) -> str | None:
        return next((s.clip for s in cue.segments if not self._sound.has(s.sha256)), None)

    def _now_ms(self) -> int:
        return round(self._now())


def _by_start(cue: Cue) -> tuple[int, int, str]:
    return cue.start_ms, -cue.priority, cue.id


def _fall_ms(cue: Cue) -> int:
    return max((z.fall_ms for z in cue.zones), default=0)
