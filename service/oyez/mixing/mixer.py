"""The one mixer: pulled by a rendering as fast as it can, and by the engine in real time.

Its laws:
- frames are counted from 1970 at 48 kHz; output frame n is the instant n, the limiter's look-ahead is taken out;
- how `render` is called (block sizes) never changes a sample;
- `render` waits for no lock and reads no file: what others change is made ready on their thread and swapped in by
  one reference between two blocks, sound comes from memory, and sound that is not there in time is silence,
  counted in `starved`. `feed` is called by a thread that may wait for the disk. With `offline=True` there is one
  thread, and `render` feeds itself and raises when audio cannot be read.

What can still be changed begins at `open_frame`: `position` plus the look-ahead.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from oyez.errors import WorkFailed
from oyez.mixing import endstage, kernels, limiter
from oyez.mixing.buffers import PIECE_FRAMES, Library, Piece, Reserve, pieces_of
from oyez.mixing.meter import BLOCK_FRAMES, K_WEIGHTING, OutputMeter
from oyez.mixing.programme import FRAMES_PER_MS, SAMPLE_RATE, Cue, Programme
from oyez.mixing.score import (
    ArmedCue,
    CueSheet,
    Setup,
    armed,
    cut,
    make_setup,
    make_sheet,
)

Block = NDArray[np.float32]

MAX_BLOCK: Final = 4096
GLIDE_FRAMES: Final = 50 * FRAMES_PER_MS
"""Levels, and music that turns to another source, glide within 50 ms."""

CLIP_AHEAD_S: Final = 60.0  # of what is armed, held in memory
_OFFLINE_AHEAD_S: Final = 5.0
_FORGET_FRAMES: Final = (
    61 * SAMPLE_RATE
)  # longer than any bridge: then a play no longer matters to the next one's duck


@dataclass(frozen=True, slots=True, kw_only=True)
class Sounding:
    """An armed cue. `ends` maps each zone to the frame from which it is silent there, cuts counted."""

    cue: Cue
    start_frame: int
    ends: Mapping[str, int]


@dataclass(frozen=True, slots=True, eq=False)
class _Score:
    setup: Setup
    sheet: CueSheet


class Mixer:
    """Mixes a programme's zones.

    programme    zones and music; its cues are not played before they are armed
    library      where the audio is; a sound is read by `feed` (offline by `render`)
    start_frame  the first output frame
    offline      for renderings; otherwise all kernels are made ready here, none in the middle of the sound
    lead_frames  how long a change may take from the thread that asks for it to the block that has it (real time);
                 what is asked for sooner than that is moved to then
    """

    def __init__(
        self,
        programme: Programme,
        library: Library,
        *,
        start_frame: int,
        lead_frames: int = 480,
        offline: bool = False,
    ) -> None:
        if not offline:
            from oyez.mixing.warm import warm_up

            warm_up()
        self._control = threading.RLock()  # between those who change things; `render` never takes it
        self._feeding = threading.Lock()
        self._reserve = Reserve(library)
        self._keep: tuple[tuple[str, int], ...] = ()
        self._offline = offline
        self._lead = 0 if offline else lead_frames
        self._in = start_frame  # the next frame to go into the look-ahead
        self._first = start_frame
        self._primed = False
        self._fed_until = start_frame
        self.starved = 0
        setup = make_setup(programme)
        self._next = self._score = _Score(setup, make_sheet((), setup))
        self._fix = np.zeros((2, len(setup.zones)))
        self._fix_first = start_frame
        self._turned = GLIDE_FRAMES
        self._levels = setup.levels.copy()
        self._steps = np.zeros_like(self._levels)
        self._section_state = np.zeros((setup.coefs.shape[0], 2, len(setup.zone_of)))
        self._limiter = limiter.make_state([z.ceiling_dbtp for z in setup.zones], len(setup.zone_of))
        self._meter = OutputMeter([z.id for z in setup.zones], len(setup.zone_of), start_frame)
        self._make_buffers(setup)

    def _make_buffers(self, setup: Setup) -> None:
        lanes, zones = len(setup.zone_of), len(setup.zones)
        self._music = np.zeros((MAX_BLOCK, max(1, 3 * len(setup.playlists))))
        self._speech = np.zeros((MAX_BLOCK, lanes))
        self._gains = np.zeros((MAX_BLOCK, zones))
        self._level_of = np.zeros((MAX_BLOCK, 3, zones))
        self._y = np.zeros((limiter.LOOKAHEAD_FRAMES + MAX_BLOCK, lanes))
        self._out = np.zeros((MAX_BLOCK, lanes), dtype=np.float32)

    # -- looking, from any thread

    @property
    def position(self) -> int:
        """The next output frame."""
        return self._in - (limiter.LOOKAHEAD_FRAMES if self._primed else 0)

    @property
    def open_frame(self) -> int:
        """The first frame that can still be changed."""
        return self._in + self._lead

    @property
    def zones(self) -> frozenset[str]:
        return frozenset(self._next.setup.lanes)

    @property
    def lanes(self) -> Mapping[str, slice]:
        """Zone -> columns of what `render` gave last (or will give first)."""
        return self._score.setup.lanes

    @property
    def fault(self) -> Exception | None:
        """Why some audio could not be read when it was last tried; None when all could."""
        return self._reserve.fault

    def what_sounds(self) -> tuple[Sounding, ...]:
        """What is armed and has not ended everywhere, by start."""
        position = self.position
        plays = sorted(self._next.sheet.plays, key=lambda p: (p.start_frame, p.cue.id))
        return tuple(
            Sounding(cue=p.cue, start_frame=p.start_frame, ends={z.cue.zone: z.ends(p.end_frame) for z in p.zones})
            for p in plays
            if p.last_frame > position
        )

    def loudness(self, zone: str, from_frame: int, until_frame: int) -> float | None:
        """Gated loudness of the zone's output, LUFS; None for silence and what is not known (any more)."""
        return self._meter.loudness(zone, from_frame, until_frame)

    def short_term_lufs(self, zone: str) -> float | None:
        return self._meter.short_term_lufs(zone)

    def sample_peak_dbfs(self, zone: str) -> float | None:
        return self._meter.sample_peak_dbfs(zone)

    # -- changing, from any thread but the one that renders (offline: between two renders)

    def arm(self, cue: Cue, start_frame: int | None = None, *, join: bool = False) -> int:
        """Let a cue sound. Returns the frame at which it starts: `start_frame` (default the cue's own start),
        or the first that can still be changed. With `join` one that should have begun is joined in its middle.

        The same id twice is refused with ValueError. Zones that are not there are left out.
        """
        with self._control:
            if any(p.cue.id == cue.id for p in self._next.sheet.plays):
                raise ValueError(f"cue '{cue.id}' is armed already")
            wanted = cue.start_ms * FRAMES_PER_MS if start_frame is None else start_frame
            floor = self.open_frame
            start = wanted if join else max(wanted, floor)
            play = armed(
                cue,
                start,
                floor_frame=start - (1 << 40) if join else floor,
                zones=self._next.setup.lanes,
                bridges_back={z.zone: join or self._down(z.zone, floor) for z in cue.zones},
            )
            self._change(plays=(*self._living(), play))
            return start

    def disarm(self, cue_id: str) -> None:
        """Take back a cue that has not begun; its music, if it is on the way down, turns round. One that has begun
        is cut with no fade to speak of. An unknown id is none to take back.
        """
        self.cut(cue_id, None, self.open_frame, fade_ms=10)

    def cut(self, cue_id: str, zones: Iterable[str] | None, at_frame: int, fade_ms: int = 150) -> int:
        """Fade a cue out in some zones (None: all) from `at_frame`, or the first frame that can still be changed.
        Returns the frame from which it is silent there. One that would end sooner anyway goes on to its end.
        """
        with self._control:
            at = max(at_frame, self.open_frame)
            fade = fade_ms * FRAMES_PER_MS
            here = None if zones is None else frozenset(zones)
            plays = [cut(p, here, at, fade) if p.cue.id == cue_id else p for p in self._living()]
            self._change(plays=plays)
            return at + fade

    def set_programme(self, programme: Programme) -> None:
        """Other zones, levels, filters, sources or hours. What is armed goes on. Levels and music glide; a zone
        that keeps its format keeps its sound, filters and limiter going.
        """
        with self._control:
            setup = make_setup(programme, self._next.setup)
            self._next = _Score(setup, make_sheet(self._living(), setup))

    def keep(self, clips: Iterable[tuple[str, int]]) -> None:
        """Hold these clips (identity, frames) in memory for what may be fired: whoever calls bounds their sum."""
        self._keep = tuple(clips)

    def feed(self, ahead_s: float = 4.0) -> int:
        """Read what will be needed soon: of what is armed a minute, of the music `ahead_s`, and what is kept.
        Returns how many pieces were read. Raises nothing for audio that cannot be read: see `fault`.
        """
        with self._feeding:
            start = self._in
            count = self._reserve.stock(self._needed(start, round(ahead_s * SAMPLE_RATE)))
            self._fed_until = start + round(ahead_s * SAMPLE_RATE)
        return count

    def _needed(self, start: int, ahead: int) -> Iterator[Piece]:
        score = self._next
        for part in score.sheet.parts:
            first = max(part.begin, start)
            until = min(part.last, start + round(CLIP_AHEAD_S * SAMPLE_RATE))
            yield from pieces_of(part.sha256, first - part.begin, until - part.begin)
        for s in {id(score): score, id(self._score): self._score}.values():
            for playlist in s.setup.playlists:
                for piece in playlist.pieces(start, ahead):
                    yield from pieces_of(piece.track.sha256, piece.from_frame, piece.from_frame + piece.frames)
        for sha256, frames in self._keep:
            yield from pieces_of(sha256, 0, frames)

    def _living(self) -> list[ArmedCue]:
        horizon = self._in - _FORGET_FRAMES
        return [p for p in self._next.sheet.plays if max(p.returns_frame, p.last_frame) > horizon]

    def _down(self, zone: str, frame: int) -> bool:
        """Whether nothing has ended in the zone yet that a bridge would have to reach back to."""
        ended = [
            z.shape.end_ms
            for p in self._next.sheet.plays
            for z in p.zones
            if z.cue.zone == zone and z.shape is not None and z.shape.start_ms < frame
        ]
        return not ended or max(ended) >= frame

    def _change(self, *, plays: Iterable[ArmedCue]) -> None:
        setup = self._next.setup
        self._next = _Score(setup, make_sheet(tuple(plays), setup))

    # -- the audio thread

    def render(self, frames: int) -> Block:
        """The next frames of every zone.

        returns  shape (frames, lanes), float32; `lanes` says whose columns. Up to MAX_BLOCK frames it is the
                 mixer's own memory, valid until the next call; longer ones are new.
        """
        if frames < 0:
            raise ValueError(f"frames is {frames}, allowed are 0 and more")
        if not self._primed:
            self._block(limiter.LOOKAHEAD_FRAMES)
            self._primed = True
        if frames <= MAX_BLOCK:
            return self._block(frames)
        made = [self._block(min(MAX_BLOCK, frames - done)).copy() for done in range(0, frames, MAX_BLOCK)]
        if any(block.shape[1] != made[0].shape[1] for block in made):
            raise WorkFailed("the zones changed within one rendering: render blocks of at most MAX_BLOCK frames")
        return np.concatenate(made)

    def _block(self, frames: int) -> Block:
        if self._next is not self._score:
            self._adopt(self._next)
        if self._offline and self._in + frames > self._fed_until:
            self._feed_offline()
        score, first = self._score, self._in
        setup, duck = score.setup, score.sheet.duck
        self._add_music(setup, first, frames)
        self._add_speech(score.sheet, first, frames)
        gains, levels = self._gains, self._level_of
        kernels.envelopes(gains, frames, first, duck, setup.on, self._fix, self._fix_first, GLIDE_FRAMES)
        kernels.glide(levels, frames, self._levels, setup.levels, self._steps)
        head = limiter.LOOKAHEAD_FRAMES
        kernels.lanes(
            self._y,
            head,
            frames,
            first,
            self._music,
            self._speech,
            gains,
            levels,
            setup.zone_of,
            setup.columns_before,
            setup.columns,
            self._turned,
            GLIDE_FRAMES,
            setup.coefs,
            self._section_state,
        )
        out, y = self._out[:frames], self._y[: head + frames]
        endstage.limit(
            out,
            y,
            frames,
            setup.lane_from,
            self._limiter,
            limiter.TAPS,
            limiter.NORM,
            limiter.REACH,
            limiter.RELEASE,
        )
        kernels.keep_tail(self._y, head, frames)
        if self._primed:
            meter = self._meter
            endstage.meter(out, frames, first - head, setup.lane_from, K_WEIGHTING, meter.state, BLOCK_FRAMES)
            meter.end_frame = first - head + frames
        self._turned = min(GLIDE_FRAMES, self._turned + frames)
        self._in = first + frames
        return out

    def _add_music(self, setup: Setup, first: int, frames: int) -> None:
        self._music[:frames] = 0.0
        count = len(setup.playlists) if self._turned < GLIDE_FRAMES else setup.playing
        for number in range(count):
            playlist = setup.playlists[number]
            for piece in playlist.pieces(first, frames):
                gain = 10.0 ** (piece.track.gain_db / 20.0)
                for data, data_from, offset, run in self._held(piece.track.sha256, piece.from_frame, piece.frames):
                    kernels.add_track(
                        self._music,
                        3 * number,
                        data,
                        data_from,
                        piece.offset + offset,
                        run,
                        piece.from_frame + offset,
                        piece.track.frames,
                        playlist.crossfade_frames,
                        gain,
                    )

    def _add_speech(self, sheet: CueSheet, first: int, frames: int) -> None:
        self._speech[:frames] = 0.0
        end = first + frames
        for part in sheet.parts:
            if part.begin >= end:
                break
            if part.last <= first:
                continue
            begin, until = max(part.begin, first), min(part.last, end)
            for data, data_from, offset, run in self._held(part.sha256, begin - part.begin, until - begin):
                kernels.add_speech(
                    self._speech,
                    data,
                    data_from,
                    begin - first + offset,
                    run,
                    begin + offset,
                    part.lanes,
                    part.channels,
                    part.gains,
                    part.cuts,
                    part.fades,
                )

    def _held(self, sha256: str, from_frame: int, frames: int) -> Iterator[tuple[Block, int, int, int]]:
        """The stretch in runs that lie in memory: samples, the first of them to use, offset in the stretch,
        length. What is not there is left out and counted.
        """
        done = 0
        while done < frames:
            number, inside = divmod(from_frame + done, PIECE_FRAMES)
            run = min(PIECE_FRAMES - inside, frames - done)
            data = self._reserve.piece(sha256, number)
            if data is not None:
                yield data, inside, done, run
            elif self._offline:
                raise WorkFailed(f"audio {sha256[:12]} could not be read") from self._reserve.fault
            else:
                self.starved += run
            done += run

    def _feed_offline(self) -> None:
        self.feed(_OFFLINE_AHEAD_S)
        if self._reserve.fault is not None:
            raise self._reserve.fault

    def _adopt(self, score: _Score) -> None:
        """Go over to what was made ready. Between two blocks; allocates only when zones or music change."""
        old, new = self._score, score
        if new.setup is old.setup or new.setup.same_lanes(old.setup):
            left = max(0.0, 1.0 - (self._in - self._fix_first) / GLIDE_FRAMES)
            jump = np.zeros_like(self._fix)
            kernels.jumps(jump, self._in, old.sheet.duck, old.setup.on, new.sheet.duck, new.setup.on)
            jump += self._fix * left
            jump[np.abs(jump) < 1e-12] = 0.0
            self._fix, self._fix_first = jump, self._in
        if new.setup is not old.setup:
            self._adopt_setup(old.setup, new.setup)
        self._score = new
        self._fed_until = self._in if self._offline else self._fed_until

    def _adopt_setup(self, old: Setup, new: Setup) -> None:
        lanes = new.lane_map(old)
        here, there = list(lanes), list(lanes.values())
        levels = new.levels.copy()
        if not new.same_lanes(old):
            self._fix = np.zeros((2, len(new.zones)))
        state = limiter.make_state([z.ceiling_dbtp for z in new.zones], len(new.zone_of))
        for zone, number in new.index.items():
            before = old.index.get(zone)
            if before is not None:
                levels[:, number] = self._levels[:, before]
                if old.zones[before].channels == new.zones[number].channels:
                    limiter.take_over(state, number, self._limiter, before)
        sections = np.zeros((new.coefs.shape[0], 2, len(new.zone_of)))
        both = min(len(sections), len(self._section_state))
        sections[:both][:, :, here] = self._section_state[:both][:, :, there]
        y = self._y
        meter = OutputMeter(list(new.index), len(new.zone_of), self._meter.first_frame)
        meter.take_over(self._meter, lanes)
        self._make_buffers(new)
        self._y[:, here] = y[:, there]
        self._levels, self._steps = levels, (new.levels - levels) / GLIDE_FRAMES
        self._section_state, self._limiter, self._meter = sections, state, meter
        self._turned = 0
