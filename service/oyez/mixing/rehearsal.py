"""One zone of a stretch of time, mixed as fast as it can be pulled, by the mixer that plays. Writes nothing.

The mixer begins some time before the first frame that is wanted, long enough for filters to have rung out (200 dB
down) and the limiter to be at rest: so two renderings that overlap agree where they do, whichever began earlier.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from oyez.mixing.buffers import Library
from oyez.mixing.compose import compose
from oyez.mixing.filters import settling_s, zone_sections
from oyez.mixing.limiter import SETTLE_S
from oyez.mixing.mixer import MAX_BLOCK, Block, Mixer
from oyez.mixing.programme import FRAMES_PER_MS, SAMPLE_RATE, Cue
from oyez.planning.types import Plan, Play
from oyez.venue.facts import ClipFacts, TrackFacts
from oyez.venue.models import VenueFile

_AFTER_MS = 130_000  # hold and rise at their longest, and a bridge: how long after its end a play matters


@dataclass(frozen=True, slots=True, kw_only=True)
class Sounded:
    """A cue that sounded in the stretch. `loudness_lufs` of the part of it that was rendered; None: unknown."""

    cue: Cue
    loudness_lufs: float | None


class Rehearsal:
    """Renders [from_ms, until_ms) of one zone.

    plans   of the days around it, ascending
    library where the audio is
    Raises what `compose` raises. `blocks` may be run through once; `sounded` then lists what was heard.
    """

    def __init__(
        self,
        venue: VenueFile,
        plans: Sequence[Plan],
        facts: Mapping[str, ClipFacts],
        tracks: Mapping[str, Sequence[TrackFacts]],
        library: Library,
        *,
        zone: str,
        from_ms: int,
        until_ms: int,
    ) -> None:
        one = venue.model_copy(update={"zones": (venue.zone(zone),)})
        near = [
            dataclasses.replace(plan, plays=tuple(_here(plan, zone, from_ms=from_ms, until_ms=until_ms)))
            for plan in plans
        ]
        programme = compose(one, near, facts, tracks, revision=1, made_ms=from_ms)
        setup = programme.zones[0]
        self.zone = zone
        self.from_ms, self.until_ms = from_ms, until_ms
        self.channels = setup.channels
        self.frames = (until_ms - from_ms) * FRAMES_PER_MS
        self._first = from_ms * FRAMES_PER_MS
        self._cues = programme.cues
        run_up = math.ceil(max(2.0, settling_s(zone_sections(setup)) + SETTLE_S) * SAMPLE_RATE)
        self._run_up = run_up
        self._mixer = Mixer(programme, library, start_frame=self._first - run_up, offline=True)
        for cue in programme.cues:
            self._mixer.arm(cue, join=True)
        self.sounded: list[Sounded] = []

    def blocks(self) -> Iterator[Block]:
        """Blocks of shape (up to MAX_BLOCK, channels), float32; each is valid until the next."""
        left = self._run_up
        while left > 0:
            left -= len(self._mixer.render(min(left, MAX_BLOCK)))
        waiting = sorted(self._cues, key=lambda c: c.end_ms)
        position, end = self._first, self._first + self.frames
        while position < end:
            block = self._mixer.render(min(end - position, MAX_BLOCK))
            position += len(block)
            while waiting and (waiting[0].end_ms * FRAMES_PER_MS <= position or position == end):
                self._note(waiting.pop(0), position)
            yield block

    def _note(self, cue: Cue, position: int) -> None:
        first = max(cue.start_ms * FRAMES_PER_MS, self._first)
        last = min(cue.end_ms * FRAMES_PER_MS, position)
        if first < last:
            self.sounded.append(Sounded(cue=cue, loudness_lufs=self._mixer.loudness(self.zone, first, last)))


def _here(plan: Plan, zone: str, *, from_ms: int, until_ms: int) -> Iterator[Play]:
    """The plays that matter to the zone in the stretch, in that zone only."""
    for play in plan.plays:
        if zone not in play.zones:
            continue
        fall_ms = play.ducks[zone].fall_ms if zone in play.ducks else 0
        if play.start_ms - fall_ms - _AFTER_MS < until_ms and play.end_ms + _AFTER_MS > from_ms - 10_000:
            yield dataclasses.replace(play, zones=(zone,))
