"""Where a source's music stands at an instant: which tracks sound, and from which frame. Values only.

Tracks play in turn, each overlapping the next by the crossfade (equal power: sine in, cosine out), round and
round; the position is the instant, in frames since 1970, modulo the length of one round. So date and time alone
decide, a restart picks up where it would have been, and two renderings of one minute agree.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass

from oyez.mixing.programme import SourceSetup, TrackSetup


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackPiece:
    """A stretch of one track: `frames` frames from `from_frame` of the track, `offset` frames into the block."""

    track: TrackSetup
    from_frame: int
    offset: int
    frames: int


class Playlist:
    """A source's tracks laid out in time.

    crossfade_frames  as asked for, but at most half of the shortest track, so that never more than two sound
    cycle_frames      length of one round, sum of the tracks - number of tracks x crossfade; 0 without tracks
    """

    __slots__ = ("_starts", "_tracks", "crossfade_frames", "cycle_frames", "setup")

    def __init__(self, setup: SourceSetup) -> None:
        self.setup = setup
        self._tracks = tuple(t for t in setup.tracks if t.frames > 0)
        shortest = min((t.frames for t in self._tracks), default=0)
        self.crossfade_frames = min(setup.crossfade_frames, shortest // 2)
        self._starts = []
        at = 0
        for track in self._tracks:
            self._starts.append(at)
            at += track.frames - self.crossfade_frames
        self.cycle_frames = at

    def pieces(self, first: int, frames: int) -> Iterator[TrackPiece]:
        """What sounds in [first, first + frames), frames since 1970, in the order the tracks began."""
        if not self._tracks:
            return
        cycle, position = divmod(first, self.cycle_frames)
        index = bisect_right(self._starts, position) - 1 - 1  # the track before may still fade out
        if index < 0:
            index += len(self._tracks)
            cycle -= 1
        end = first + frames
        while (begin := cycle * self.cycle_frames + self._starts[index]) < end:
            track = self._tracks[index]
            start, stop = max(first, begin), min(end, begin + track.frames)
            if stop > start:
                yield TrackPiece(track=track, from_frame=start - begin, offset=start - first, frames=stop - start)
            index += 1
            if index == len(self._tracks):
                index = 0
                cycle += 1
