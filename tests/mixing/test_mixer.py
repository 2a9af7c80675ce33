"""The sound path of a zone, and the promises the mixer makes about time."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oyez.errors import NotFound
from oyez.mixing import endstage, kernels
from oyez.mixing.duck import DuckShape, corner_points, gain_db_of_frames
from oyez.mixing.filters import settling_s, zone_sections
from oyez.mixing.limiter import LOOKAHEAD_FRAMES
from oyez.mixing.mixer import MAX_BLOCK
from oyez.mixing.music import Playlist
from oyez.mixing.score import ON_RAMP_MS
from tests.mixing.world import (
    ALWAYS,
    RATE,
    T0,
    T0_MS,
    Shelf,
    constant,
    cue,
    noise,
    offline,
    programme,
    render,
    source,
    to_24_bit,
    tone,
    zone,
)

LIVELY = {
    "highpass_hz": 90.0,
    "bands": [(250.0, -4.0, 1.4), (2500.0, 3.0, 1.4)],
    "music_level_db": -2.0,
    "level_db": -1.0,
}


def in_db(gain):
    return 20 * np.log10(gain)


# ---- block sizes


def busy_world():
    shelf = Shelf(
        one=noise(2 * RATE, 2, rms=0.2, seed=1),
        two=noise(RATE, 1, rms=0.1, seed=2),
        words=noise(RATE, 1, rms=0.35, seed=3),
        gong=noise(RATE // 2, 2, rms=0.2, seed=4),
    )
    plan = programme(
        zone("foyer", 2, **LIVELY),
        zone("shop", 1, highpass_hz=200.0),
        sources=(source(shelf, "one", "two", crossfade=RATE // 3),),
    )
    cues = (
        cue(shelf, "words", "foyer", "shop", at_ms=400, fall_ms=200, rise_ms=150, hold_ms=20, bridge_ms=0),
        cue(shelf, "gong", "foyer", at_ms=700, fall_ms=100, rise_ms=100, bridge_ms=100),
    )
    return shelf, plan, cues


BUSY = busy_world()
TOTAL = 2 * RATE
WHOLE = render(*BUSY[:2], *BUSY[2], frames=TOTAL)


@given(st.lists(st.integers(1, 9_000), min_size=1, max_size=40))
@settings(max_examples=25, deadline=None)
def test_how_it_is_cut_into_blocks_never_changes_a_sample(sizes):
    shelf, plan, cues = BUSY
    mixer = offline(shelf, plan, *cues)
    got, at = [], 0
    while at < TOTAL:
        size = min(sizes[len(got) % len(sizes)], TOTAL - at)
        got.append(mixer.render(size).copy())
        at += size
    assert np.array_equal(np.concatenate(got), WHOLE)


def test_sample_by_sample_is_the_same_too():
    shelf, plan, cues = BUSY
    mixer = offline(shelf, plan, *cues)
    assert np.array_equal(np.concatenate([mixer.render(1).copy() for _ in range(3_000)]), WHOLE[:3_000])


def test_the_busy_world_is_limited_so_that_the_limiter_is_among_what_is_compared():
    shelf, plan, cues = BUSY
    free = programme(*(dataclasses.replace(z, ceiling_dbtp=40.0) for z in plan.zones), sources=plan.sources)
    assert not np.array_equal(render(shelf, free, *cues, frames=TOTAL), WHOLE)


def test_every_kernel_is_compiled_for_one_signature():
    made = {
        name: len(kernel.signatures)
        for module in (kernels, endstage)
        for name, kernel in vars(module).items()
        if hasattr(kernel, "signatures")
    }
    assert set(made) >= {"lanes", "limit", "meter", "add_track", "add_speech", "envelopes", "glide", "keep_tail"}
    assert {name for name, count in made.items() if count > 1} == set()


# ---- when


def test_a_frame_is_its_instant():
    """An announcement's first sample comes out at its start, in every zone, whatever the zone's filters."""
    shelf = Shelf(click=np.r_[[[0.5]], np.zeros((4_799, 1))].astype(np.float32))
    plan = programme(zone("a", source=None), zone("b", 2, source=None, **LIVELY))
    heard = render(shelf, plan, cue(shelf, "click", "a", "b", at_ms=100), frames=RATE)
    assert np.flatnonzero(heard[:, 0]).tolist() == [4_800]
    assert np.flatnonzero(np.abs(heard[:, 1]) > 0.01)[0] == 4_800
    assert np.array_equal(heard[:, 1], heard[:, 2])


def test_a_cue_starts_on_the_frame_it_is_armed_for():
    shelf = Shelf(click=np.full((480, 1), 0.5, dtype=np.float32))
    mixer = offline(shelf, programme(zone(source=None)))
    mixer.arm(cue(shelf, "click", at_ms=50), T0 + 2_345)
    heard = mixer.render(RATE // 4)
    assert np.flatnonzero(heard[:, 0])[[0, -1]].tolist() == [2_345, 2_345 + 479]


def test_two_zones_sound_in_step_to_the_sample():
    shelf = Shelf(words=noise(RATE, 1, rms=0.1, seed=9), music=noise(RATE, 2, rms=0.4, seed=10))
    plan = programme(
        zone("a", source=None),
        zone("b", 2, source="house", highpass_hz=300.0, music_level_db=-40.0),
        sources=(source(shelf, "music"),),
    )
    heard = render(shelf, plan, cue(shelf, "words", "a", "b", at_ms=200), frames=2 * RATE)
    lags = np.arange(-50, 51)
    a, b = heard[10_000:50_000, 0].astype(float), heard[:, 1].astype(float)
    match = [np.dot(a, b[10_000 + lag : 50_000 + lag]) for lag in lags]
    assert lags[int(np.argmax(match))] == 0
    # the twin: one frame later is seen
    late = [np.dot(a, b[9_999 + lag : 49_999 + lag]) for lag in lags]
    assert lags[int(np.argmax(late))] == 1


# ---- the duck in the sound


def envelope_of(heard, reference):
    return in_db(np.abs(heard) / np.abs(reference))


def test_the_music_follows_the_plans_points_at_every_sample():
    shelf = Shelf(music=constant(RATE, 0.1, -0.1), still=np.zeros((2 * RATE, 1), dtype=np.float32))
    plan = programme(zone(channels=2), sources=(source(shelf, "music"),))
    heard = render(shelf, plan, cue(shelf, "still", at_ms=1_000), frames=6 * RATE)
    start = T0_MS + 1_000
    points = corner_points(
        [
            DuckShape(
                start_ms=start,
                end_ms=start + 2_000,
                depth_db=14.0,
                fall_ms=600,
                hold_ms=300,
                rise_ms=1_500,
                bridge_ms=2_000,
            )
        ]
    )
    wanted = gain_db_of_frames(points, T0 + np.arange(6 * RATE))
    got = envelope_of(heard[:, 0], 0.1)
    assert np.abs(got - wanted).max() < 1e-5
    assert got[48_000] == pytest.approx(-14.0, abs=1e-5)  # exactly down at the first sample of the play
    first_lower = np.flatnonzero(got < -1e-6)[0]
    assert first_lower == 400 * 48 + 1  # begins 600 ms before
    # the twin: a depth half a dB off shows
    off = render(shelf, plan, cue(shelf, "still", at_ms=1_000, depth_db=14.5), frames=6 * RATE)
    assert np.abs(envelope_of(off[:, 0], 0.1) - wanted).max() > 0.4


def test_the_measured_depth_is_the_planned_one_in_a_filtered_zone():
    shelf = Shelf(music=tone(RATE, 400.0, peak=0.2), still=np.zeros((2 * RATE, 1), dtype=np.float32))
    plan = programme(zone(**LIVELY), sources=(source(shelf, "music"),))
    heard = render(shelf, plan, cue(shelf, "still", at_ms=1_500, depth_db=9.0), frames=6 * RATE)[:, 0]

    def level(from_s, until_s):
        part = heard[int(from_s * RATE) : int(until_s * RATE)].astype(float)
        return 10 * math.log10(float(np.mean(part**2)))

    assert level(2.0, 3.0) - level(5.5, 6.0) == pytest.approx(-9.0, abs=0.01)


def test_after_the_rise_the_zone_is_as_if_nothing_had_been():
    """To the output's 24 bits, from the end of the rise plus the time its filters ring."""
    shelf = Shelf(music=noise(5 * RATE, 2, rms=0.1, seed=21), words=noise(2 * RATE, 1, rms=0.3, seed=22))
    setup = zone(channels=2, **LIVELY)
    plan = programme(setup, sources=(source(shelf, "music"),))
    spoken = cue(shelf, "words", at_ms=1_000)
    with_words = to_24_bit(render(shelf, plan, spoken, frames=8 * RATE))
    without = to_24_bit(render(shelf, plan, frames=8 * RATE))
    quiet_again = (1_000 + 2_000 + 300 + 1_500) * 48 + math.ceil(settling_s(zone_sections(setup)) * RATE)
    assert quiet_again < 7 * RATE
    assert np.array_equal(with_words[quiet_again:], without[quiet_again:])
    # the twin: a little earlier they differ
    assert not np.array_equal(
        with_words[quiet_again - RATE : quiet_again], without[quiet_again - RATE : quiet_again]
    )


def test_a_flat_zone_is_the_very_same_float_the_sample_the_rise_ends():
    shelf = Shelf(music=noise(5 * RATE, 1, rms=0.1, seed=21), words=noise(2 * RATE, 1, rms=0.05, seed=22))
    plan = programme(zone(), sources=(source(shelf, "music"),))
    with_words = render(shelf, plan, cue(shelf, "words", at_ms=1_000), frames=6 * RATE)
    without = render(shelf, plan, frames=6 * RATE)
    end = (1_000 + 2_000 + 300 + 1_500) * 48
    assert np.array_equal(with_words[end:], without[end:])
    assert not np.array_equal(with_words[end - 200 : end], without[end - 200 : end])


# ---- levels and the mono law


def steady(plan_zone, music=None, clip=None, **cue_more):
    sounds = {k: v for k, v in (("music", music), ("clip", clip)) if v is not None}
    shelf = Shelf(**sounds)
    plan = programme(plan_zone, sources=(source(shelf, "music"),) if music is not None else ())
    cues = [cue(shelf, "clip", at_ms=0, **cue_more)] if clip is not None else []
    return render(shelf, plan, *cues, frames=4_800)[2_400]


@pytest.mark.parametrize(
    ("channels", "sound", "wanted"),
    [
        (1, (0.2, 0.1), (0.3 * math.sqrt(0.5),)),  # a mono zone plays (L + R) at -3 dB
        (1, (0.2, 0.2), (0.2 * math.sqrt(2.0),)),
        (1, (0.2,), (0.2,)),
        (2, (0.2,), (0.2, 0.2)),
        (2, (0.2, 0.1), (0.2, 0.1)),
    ],
)
def test_formats_meet_by_the_mono_law(channels, sound, wanted):
    assert steady(zone(channels=channels), music=constant(RATE, *sound)) == pytest.approx(wanted, rel=1e-6)
    assert steady(zone(channels=channels, source=None), clip=constant(RATE, *sound)) == pytest.approx(
        wanted, rel=1e-6
    )


def test_every_level_is_where_it_belongs():
    music, clip = constant(RATE, 0.1), constant(RATE, 0.1)
    levels = {"music_level_db": -6.0, "announce_level_db": -4.0, "level_db": -3.0}
    assert in_db(steady(zone(**levels), music=music)) == pytest.approx(-20 - 6 - 3, abs=1e-5)
    assert in_db(steady(zone(source=None, **levels), clip=clip)) == pytest.approx(-20 - 4 - 3, abs=1e-5)
    got = steady(zone(source=None, **levels), clip=clip, gains_db={"foyer": 5.0})
    assert in_db(got) == pytest.approx(-20 - 4 - 3 + 5, abs=1e-5)


# ---- hours


def test_music_keeps_its_hours_with_ramps_inside_them():
    shelf = Shelf(music=constant(RATE, 0.1))
    hours = ((T0_MS + 1_000, T0_MS + 5_000),)
    plan = programme(zone(music=hours), sources=(source(shelf, "music"),))
    heard = render(shelf, plan, frames=6 * RATE)[:, 0]
    assert not heard[: RATE + 1].any()
    assert not heard[5 * RATE :].any()
    ramp = ON_RAMP_MS * 48
    assert heard[RATE + ramp] == np.float32(0.1)
    assert heard[5 * RATE - ramp] == np.float32(0.1)
    assert heard[RATE + ramp // 2] == pytest.approx(0.05, rel=1e-4)
    assert heard[5 * RATE - ramp // 2] == pytest.approx(0.05, rel=1e-4)
    assert np.all(np.diff(heard[RATE : RATE + ramp]) >= 0)


def test_announcements_sound_outside_the_musics_hours():
    shelf = Shelf(music=constant(RATE, 0.1), words=constant(RATE, 0.2))
    plan = programme(zone(music=()), sources=(source(shelf, "music"),))
    heard = render(shelf, plan, cue(shelf, "words", at_ms=500), frames=2 * RATE)[:, 0]
    assert heard[RATE] == np.float32(0.2)
    assert not heard[: RATE // 2].any()


# ---- music


def test_music_is_a_function_of_the_instant():
    shelf = Shelf(one=noise(3 * RATE, 2, seed=1), two=noise(2 * RATE, 2, seed=2))
    plan = programme(zone(channels=2), sources=(source(shelf, "one", "two", crossfade=RATE // 2),))
    early = render(shelf, plan, frames=4 * RATE)
    later = render(shelf, plan, frames=2 * RATE, start_frame=T0 + 2 * RATE)
    assert np.array_equal(early[2 * RATE :], later)
    other = render(shelf, plan, frames=2 * RATE, start_frame=T0 + 2 * RATE + 1)
    assert not np.array_equal(early[2 * RATE :], other)


def test_the_position_is_the_instant_modulo_the_round():
    shelf = Shelf(ramp=np.linspace(-0.5, 0.5, 10_007, dtype=np.float32)[:, None])
    plan = programme(zone(), sources=(source(shelf, "ramp"),))
    heard = render(shelf, plan, frames=30_000)[:, 0]
    wanted = shelf.sounds["ramp"].samples[(T0 + np.arange(30_000)) % 10_007, 0]
    assert np.array_equal(heard, wanted)


def playlist(*frames, crossfade):
    shelf = Shelf(**{f"t{i}": np.zeros((n, 1), dtype=np.float32) for i, n in enumerate(frames)})
    return Playlist(source(shelf, *shelf.sounds, crossfade=crossfade))


def test_a_round_is_the_tracks_less_their_crossfades():
    tracks = playlist(1_000, 2_000, crossfade=300)
    assert tracks.cycle_frames == 1_000 + 2_000 - 2 * 300
    pieces = list(tracks.pieces(10 * tracks.cycle_frames + 600, 500))
    found = [(p.track.title, p.from_frame, p.offset, p.frames) for p in pieces]
    assert found == [("t0", 600, 0, 400), ("t1", 0, 100, 400)]


def test_a_crossfade_is_at_most_half_of_the_shortest_track():
    tracks = playlist(1_000, 100, 1_000, crossfade=300)
    assert tracks.crossfade_frames == 50
    for first in range(0, tracks.cycle_frames, 7):
        assert len(list(tracks.pieces(first, 1))) <= 2


@given(
    st.lists(st.integers(1, 500), min_size=1, max_size=5),
    st.integers(0, 300),
    st.integers(0, 10**13),
    st.integers(1, 3_000),
)
def test_pieces_cover_every_frame_once_or_twice_and_lie_in_their_tracks(lengths, crossfade, first, frames):
    tracks = playlist(*lengths, crossfade=crossfade)
    cover = np.zeros(frames, dtype=int)
    for piece in tracks.pieces(first, frames):
        assert piece.from_frame >= 0
        assert piece.from_frame + piece.frames <= piece.track.frames
        assert piece.offset >= 0
        cover[piece.offset : piece.offset + piece.frames] += 1
    assert cover.min() >= 1
    assert cover.max() <= 2


def test_two_unlike_tracks_keep_their_power_through_the_crossfade():
    """Equal power: the squares of the two gains add up to one."""
    shelf = Shelf(one=constant(RATE, 0.2, 0.0), two=constant(RATE, 0.0, 0.2))
    plan = programme(zone(channels=2), sources=(source(shelf, "one", "two", crossfade=RATE // 4),))
    heard = render(shelf, plan, frames=3 * RATE).astype(float)
    power = np.sum(heard**2, axis=1)
    assert np.abs(power / 0.04 - 1.0).max() < 1e-5
    both = (heard[:, 0] > 0.01) & (heard[:, 1] > 0.01)
    assert both.any()


def test_a_source_without_tracks_is_silent():
    shelf = Shelf()
    plan = programme(zone(), sources=(source(shelf),))
    assert not render(shelf, plan, frames=1_000).any()


def test_a_track_that_cannot_be_read_is_an_error_in_a_rendering():
    shelf = Shelf(music=noise(RATE))
    plan = programme(zone(), sources=(source(shelf, "music"),))
    del shelf.sounds["music"]
    with pytest.raises(NotFound, match="not in the store"):
        render(shelf, plan, frames=1_000)


def test_a_longer_rendering_than_a_block_is_one_array():
    shelf, plan, cues = BUSY
    assert offline(shelf, plan, *cues).render(MAX_BLOCK + 5).shape == (MAX_BLOCK + 5, 3)
    assert offline(shelf, plan).lanes == {"foyer": slice(0, 2), "shop": slice(2, 3)}
    assert ALWAYS[0][0] == 0
    assert LOOKAHEAD_FRAMES == 240
