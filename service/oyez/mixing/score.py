"""What the audio thread plays from: made whole by whoever changes something, then swapped in by one reference.

`Setup` is the zones, their paths and their music; `CueSheet` is what was armed. Neither changes once it is made,
both hold plain arrays as the kernels want them. No clock, no file.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from oyez.mixing.duck import DuckShape, Points, corner_points
from oyez.mixing.filters import FLAT, zone_sections
from oyez.mixing.kernels import FAR, Envelopes, Floats, Ints
from oyez.mixing.music import Playlist
from oyez.mixing.programme import FRAMES_PER_MS, Cue, CueZone, Programme, ZoneSetup

ON_RAMP_MS: Final = 1500
"""Music comes up within 1.5 s of its hours' start, and goes down in the last 1.5 s before their end."""


def _ints(values: Iterable[int]) -> Ints:
    return np.array(list(values), dtype=np.int64)


def envelopes_of(points: Sequence[Sequence[tuple[int, float]]]) -> Envelopes:
    """From each zone's points, in frames since 1970."""
    flat = [point for zone in points for point in zone]
    return Envelopes(
        start=_ints([0, *np.cumsum([len(p) for p in points])]),
        at=_ints(p[0] for p in flat),
        value=np.array([p[1] for p in flat], dtype=np.float64),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Setup:
    """The zones as they are to play.

    lanes        zone -> its lanes
    zone_of      (lanes,) the zone's number; channel (lanes,): 0 left, 1 right, 2 mono
    columns      (lanes,) of the music bus, -1 for none; `columns_before` those it turns away from
    playlists    of the music bus, three columns each; the first `playing` of them are those of `columns`
    levels       (3, zones) linear: music, announcements, zone
    coefs        (sections, 5, lanes)
    """

    zones: tuple[ZoneSetup, ...]
    index: Mapping[str, int]
    lanes: Mapping[str, slice]
    lane_from: Ints
    zone_of: Ints
    channel: Ints
    columns: Ints
    columns_before: Ints
    playlists: tuple[Playlist, ...]
    playing: int
    levels: Floats
    coefs: Floats
    on: Envelopes

    def lane_map(self, other: Setup) -> dict[int, int]:
        """Lanes here to the same zone's lanes there; a zone whose format differs is not the same."""
        found: dict[int, int] = {}
        for zone in self.zones:
            there = other.index.get(zone.id)
            if there is not None and other.zones[there].channels == zone.channels:
                here_lanes, there_lanes = self.lanes[zone.id], other.lanes[zone.id]
                found.update(zip(_range(here_lanes), _range(there_lanes), strict=True))
        return found

    def same_lanes(self, other: Setup) -> bool:
        return self.lanes == other.lanes and [z.channels for z in self.zones] == [z.channels for z in other.zones]


def _range(lanes: slice) -> range:
    return range(lanes.start, lanes.stop)


def make_setup(programme: Programme, before: Setup | None = None) -> Setup:
    """The programme's zones. With a setup before it, music turns from the old source to the new one, and music
    that was on goes on where the new hours only begin later than the old (a programme made for a new day).
    """
    zones = programme.zones
    lane_from = _ints([0, *np.cumsum([z.channels for z in zones])])
    zone_of = _ints(i for i, z in enumerate(zones) for _ in range(z.channels))
    channel = _ints(c for z in zones for c in ((2,) if z.channels == 1 else (0, 1)))
    sources = {s.id: s for s in programme.sources}
    wanted = [sources.get(z.source) if z.source is not None else None for z in zones]
    known = {p.setup: p for p in before.playlists} if before else {}
    setups = list(dict.fromkeys(s for s in wanted if s is not None and s.tracks))
    playing = len(setups)
    columns = _ints(
        3 * setups.index(source) + c if (source := wanted[z]) in setups else -1
        for z, c in zip(zone_of, channel, strict=True)
    )
    columns_before = columns.copy()
    index = {z.id: i for i, z in enumerate(zones)}
    lanes = {z.id: slice(int(lane_from[i]), int(lane_from[i + 1])) for i, z in enumerate(zones)}
    if before is not None:
        for zone in zones:
            there = before.lanes.get(zone.id)
            here = lanes[zone.id]
            if there is None:
                continue
            column = int(before.columns[there.start])
            source = before.playlists[column // 3].setup if column >= 0 else None
            if source is not None and source not in setups:
                setups.append(source)
            for lane in _range(here):
                columns_before[lane] = 3 * setups.index(source) + channel[lane] if source is not None else -1
    return Setup(
        zones=zones,
        index=index,
        lanes=lanes,
        lane_from=lane_from,
        zone_of=zone_of,
        channel=channel,
        columns=columns,
        columns_before=columns_before,
        playlists=tuple(known.get(s) or Playlist(s) for s in setups),
        playing=playing,
        levels=_levels(zones),
        coefs=_coefs(zones),
        on=envelopes_of([_on_points(_went_on(zone, before)) for zone in zones]),
    )


def _levels(zones: Sequence[ZoneSetup]) -> Floats:
    in_db = [[z.music_level_db for z in zones], [z.announce_level_db for z in zones], [z.level_db for z in zones]]
    return np.asarray(10.0 ** (np.array(in_db, dtype=np.float64) / 20.0))


def _coefs(zones: Sequence[ZoneSetup]) -> Floats:
    by_zone = [zone_sections(zone) for zone in zones]
    most = max(map(len, by_zone), default=0)
    coefs = np.empty((most, 5, sum(z.channels for z in zones)))
    lane = 0
    for zone, sections in zip(zones, by_zone, strict=True):
        for _ in range(zone.channels):
            for i in range(most):
                coefs[i, :, lane] = sections[i] if i < len(sections) else FLAT
            lane += 1
    return coefs


def _went_on(zone: ZoneSetup, before: Setup | None) -> tuple[tuple[int, int], ...]:
    there = before.index.get(zone.id) if before else None
    if before is None or there is None or not zone.music:
        return zone.music
    (start, end), *rest = zone.music
    earlier = [old for old in before.zones[there].music if old[0] < start <= old[1]]
    return ((earlier[0][0], end), *rest) if earlier else zone.music


def _on_points(music: Sequence[tuple[int, int]]) -> list[tuple[int, float]]:
    """The on/off gain of a zone's music, linear, in frames: up from the start, down to nothing at the end."""
    points: list[tuple[int, float]] = []
    for start_ms, end_ms in music:
        ramp_ms = min(ON_RAMP_MS, (end_ms - start_ms) // 2)
        points.append((start_ms * FRAMES_PER_MS, 0.0))
        points.append(((start_ms + ramp_ms) * FRAMES_PER_MS, 1.0))
        points.append(((end_ms - ramp_ms) * FRAMES_PER_MS, 1.0))
        points.append((end_ms * FRAMES_PER_MS, 0.0))
    return points


# ---- what was armed


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmedZone:
    """One zone of an armed cue. The fade-out begins at `cut_frame` (None: it is not cut) and takes `fade_frames`.

    shape  the duck, in frames; None for none
    """

    cue: CueZone
    shape: DuckShape | None
    cut_frame: int | None = None
    fade_frames: int = 0

    def ends(self, end_frame: int) -> int:
        return end_frame if self.cut_frame is None else min(end_frame, self.cut_frame + self.fade_frames)


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmedCue:
    """A cue with the frame it really starts at, and what was cut of it."""

    cue: Cue
    start_frame: int
    zones: tuple[ArmedZone, ...]

    @property
    def end_frame(self) -> int:
        """Of the whole play, uncut."""
        return self.start_frame + (self.cue.end_ms - self.cue.start_ms) * FRAMES_PER_MS

    @property
    def last_frame(self) -> int:
        """The end where it sounds longest, cuts counted."""
        return max((z.ends(self.end_frame) for z in self.zones), default=self.start_frame)

    @property
    def returns_frame(self) -> int:
        """When the music is back everywhere."""
        return max((z.shape.returns_ms for z in self.zones if z.shape), default=self.last_frame)


def armed(
    cue: Cue, start_frame: int, *, floor_frame: int, zones: Iterable[str], bridges_back: Mapping[str, bool]
) -> ArmedCue:
    """A cue for the zones that are there. The music cannot begin to fall before `floor_frame`: what is armed later
    than that falls under its own first sound. `bridges_back` as DuckShape has it, by zone.
    """
    there = set(zones)
    end_frame = start_frame + (cue.end_ms - cue.start_ms) * FRAMES_PER_MS
    made = []
    for zone in cue.zones:
        if zone.zone not in there:
            continue
        fall = zone.fall_ms * FRAMES_PER_MS
        down = max(start_frame, floor_frame + fall)
        shape = DuckShape(
            start_ms=down,
            end_ms=max(end_frame, down),
            depth_db=zone.depth_db,
            fall_ms=fall,
            hold_ms=zone.hold_ms * FRAMES_PER_MS,
            rise_ms=zone.rise_ms * FRAMES_PER_MS,
            bridge_ms=zone.bridge_ms * FRAMES_PER_MS,
            bridges_back=bridges_back[zone.zone],
        )
        made.append(ArmedZone(cue=zone, shape=shape if zone.depth_db > 0.0 else None))
    return ArmedCue(cue=cue, start_frame=start_frame, zones=tuple(made))


def cut(play: ArmedCue, zones: Iterable[str] | None, at_frame: int, fade_frames: int) -> ArmedCue:
    """The play with a fade-out in some zones (None: all); a cut that would come later than one already there, or
    than the end, changes nothing. The music then rises from the end of the fade.
    """
    here = set(zones) if zones is not None else {z.cue.zone for z in play.zones}
    changed = []
    for zone in play.zones:
        sooner = at_frame + fade_frames < zone.ends(play.end_frame)
        if zone.cue.zone not in here or not sooner:
            changed.append(zone)
            continue
        quiet = at_frame + fade_frames if play.start_frame <= at_frame else at_frame
        changed.append(
            dataclasses.replace(
                zone, shape=_shortened(zone.shape, quiet), cut_frame=at_frame, fade_frames=fade_frames
            )
        )
    return dataclasses.replace(play, zones=tuple(changed))


def _shortened(shape: DuckShape | None, end: int) -> DuckShape | None:
    """The duck of a play that ends sooner; one that ends on the way down turns round there."""
    if shape is None or end <= shape.begins_ms:
        return None
    if end >= shape.start_ms:
        return dataclasses.replace(shape, end_ms=min(shape.end_ms, end))
    part = (end - shape.begins_ms) / shape.fall_ms
    return dataclasses.replace(
        shape,
        start_ms=end,
        end_ms=end,
        depth_db=shape.depth_db * part,
        fall_ms=end - shape.begins_ms,
        hold_ms=0,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One segment of a cue on its lanes. Arrays have an entry a lane."""

    sha256: str
    begin: int
    frames: int
    lanes: Ints
    channels: Ints
    gains: Floats
    cuts: Ints
    fades: Ints
    last: int  # no lane sounds from here on


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CueSheet:
    """All armed cues, for one setup's lanes. `parts` by their begin."""

    plays: tuple[ArmedCue, ...]
    parts: tuple[Part, ...]
    duck: Envelopes


def make_sheet(plays: Sequence[ArmedCue], setup: Setup) -> CueSheet:
    parts = [part for play in plays for part in _parts(play, setup)]
    return CueSheet(
        plays=tuple(plays),
        parts=tuple(sorted(parts, key=lambda p: p.begin)),
        duck=envelopes_of([duck_points(plays, zone.id) for zone in setup.zones]),
    )


def duck_points(plays: Iterable[ArmedCue], zone: str) -> Points:
    """The duck of one zone in frames. Where all times are whole ms they are the plan's own corner points."""
    shapes = [z.shape for p in plays for z in p.zones if z.cue.zone == zone and z.shape is not None]
    whole = all(
        t % FRAMES_PER_MS == 0 for s in shapes for t in (s.start_ms, s.end_ms, s.fall_ms, s.hold_ms, s.rise_ms)
    )
    if not whole:
        return corner_points(shapes)
    in_ms = [
        dataclasses.replace(
            s,
            start_ms=s.start_ms // FRAMES_PER_MS,
            end_ms=s.end_ms // FRAMES_PER_MS,
            fall_ms=s.fall_ms // FRAMES_PER_MS,
            hold_ms=s.hold_ms // FRAMES_PER_MS,
            rise_ms=s.rise_ms // FRAMES_PER_MS,
            bridge_ms=s.bridge_ms // FRAMES_PER_MS,
        )
        for s in shapes
    ]
    return tuple((ms * FRAMES_PER_MS, db) for ms, db in corner_points(in_ms))


def _parts(play: ArmedCue, setup: Setup) -> Iterable[Part]:
    zones = [z for z in play.zones if z.cue.zone in setup.lanes and z.ends(play.end_frame) > play.start_frame]
    spread = [(z, lane) for z in zones for lane in _range(setup.lanes[z.cue.zone])]
    if not spread:
        return
    lanes = _ints(lane for _, lane in spread)
    channels = setup.channel[lanes]
    cuts = _ints(FAR if z.cut_frame is None else z.cut_frame for z, _ in spread)
    fades = _ints(max(z.fade_frames, 1) for z, _ in spread)
    last = max(int(c) + int(f) for c, f in zip(cuts, fades, strict=True))
    for i, segment in enumerate(play.cue.segments):
        begin = play.start_frame + segment.offset_frames
        yield Part(
            sha256=segment.sha256,
            begin=begin,
            frames=segment.frames,
            lanes=lanes,
            channels=channels,
            gains=np.array([10.0 ** (z.cue.gains_db[i] / 20.0) for z, _ in spread]),
            cuts=cuts,
            fades=fades,
            last=min(last, begin + segment.frames),
        )
