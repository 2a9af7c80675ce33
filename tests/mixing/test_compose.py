"""From a plan to a programme: offsets, gains, paths and hours, worked by hand."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json

import pytest

from oyez.errors import InputError
from oyez.loudness.types import Measurement
from oyez.mixing.compose import compose, cue_for, missing_audio
from oyez.mixing.programme import Programme, from_tree, to_tree
from oyez.planning.day import plan_day
from oyez.planning.types import Span
from oyez.venue.facts import ClipFacts, TrackFacts
from oyez.venue.reader import read_venue

FRIDAY = dt.date(2026, 11, 27)

TEXT = """
format = 1
[venue]
name = "Quillfin Aquarium"
timezone = "Europe/London"
[hours]
fr = ["10:00-18:00"]
sa = ["10:00-18:00"]
[duck]
depth_db = 12.0
[[sources]]
id = "house"
folder = "music"
crossfade_s = 2.5
[[zones]]
id = "foyer"
name = "Foyer"
channels = 2
source = "house"
music_level_db = -3.0
announce_level_db = 1.0
level_db = -2.0
[zones.eq]
highpass_hz = 80.0
bands = [{hz = 2500.0, gain_db = 3.0, q = 1.4}]
[[zones]]
id = "shop"
name = "Shop"
[[clips]]
id = "two-tone"
file = "two-tone.flac"
title = "Two tones"
kind = "chime"
[[clips]]
id = "rays"
file = "rays.flac"
title = "Ray feeding"
[[clips]]
id = "please"
file = "please.flac"
title = "Please come"
[[rules]]
id = "rays"
title = "Ray feeding"
chime = "two-tone"
clips = ["rays", "please"]
pause_s = 0.4
repeat = 2
repeat_gap_s = 2.0
zones = ["all"]
priority = 60
[rules.fixed]
times = ["11:00"]
[[outputs]]
id = "card"
kind = "card"
[outputs.zones]
foyer = [1, 2]
shop = [3]
"""


def measured(lufs, peak_dbtp=-10.0, channels=1):
    return Measurement(
        duration_s=1.0,
        sample_rate=48_000,
        channels=channels,
        integrated_lufs=lufs,
        ungated_lufs=lufs,
        loudness_range_lu=None,
        momentary_max_lufs=None,
        short_term_max_lufs=None,
        true_peak_dbtp=peak_dbtp,
        sample_peak_dbfs=peak_dbtp,
    )


def facts(ms, lufs, *, sha="a" * 64, spare_frames=0):
    return ClipFacts(
        duration_ms=ms, sha256=sha, frames=ms * 48 + spare_frames, channels=1, measured=measured(lufs)
    )


FACTS = {
    "two-tone": facts(1_500, -20.0, sha="c" * 64),
    "rays": facts(4_000, -24.0, sha="a" * 64, spare_frames=17),
    "please": facts(1_000, -20.0, sha="b" * 64),
}
TRACKS = {
    "house": (
        TrackFacts(
            title="1", sha256="d" * 64, frames=480_000, channels=2, measured=measured(-16.0, -3.0, channels=2)
        ),
    )
}


def venue():
    reading = read_venue(TEXT, where="quillfin.toml", syntax="toml")
    assert reading.venue is not None, reading.findings
    return reading.venue


def plans(*days):
    return [plan_day(venue(), day, FACTS) for day in days or (FRIDAY,)]


def the_play():
    (play,) = plans()[0].plays
    return play


def test_segments_lie_where_the_plays_duration_says():
    play = the_play()
    made = cue_for(venue(), play, FACTS, asked_by="plan")
    # chime 1.5 s + pause 0.4; round: 4.0 + 0.4 + 1.0 = 5.4 s; gap 2.0; second round
    assert [(s.clip, s.offset_frames // 48, s.round) for s in made.segments] == [
        ("two-tone", 0, 0),
        ("rays", 1_900, 1),
        ("please", 6_300, 1),
        ("rays", 9_300, 2),
        ("please", 13_700, 2),
    ]
    assert made.end_ms - made.start_ms == 14_700
    assert (made.start_ms, made.id, made.rule, made.after_cut) == (play.start_ms, play.id, "rays", "restart")
    # half a millisecond of rounding is all that a segment may go on beyond its stated length
    assert [s.frames for s in made.segments[:2]] == [1_500 * 48, 4_000 * 48 + 17]
    longer = FACTS | {"rays": facts(4_000, -24.0, spare_frames=5_000)}
    assert cue_for(venue(), play, longer, asked_by="plan").segments[1].frames == 4_000 * 48 + 24


def test_gains_are_those_of_the_zones_format_and_the_clips_kind():
    foyer, shop = cue_for(venue(), the_play(), FACTS, asked_by="plan").zones
    # target -18, chime 4 LU under it; a mono clip from two channels is 3.01 LU louder
    assert shop.gains_db == pytest.approx((-2.0, 6.0, 2.0, 6.0, 2.0), abs=0.01)
    assert foyer.gains_db == pytest.approx((-5.01, 2.99, -1.01, 2.99, -1.01), abs=0.01)
    assert (foyer.depth_db, foyer.fall_ms, foyer.hold_ms, foyer.rise_ms, foyer.bridge_ms) == (
        12.0,
        600,
        300,
        1500,
        2000,
    )


def test_what_is_left_of_a_cut_play_has_fewer_rounds():
    play = the_play()
    rest = dataclasses.replace(play, end_ms=play.start_ms + 1_900 + 5_400)
    made = cue_for(venue(), rest, FACTS, asked_by="plan")
    assert [s.round for s in made.segments] == [0, 1, 1]


def test_a_play_of_another_length_than_its_clips_is_refused():
    play = dataclasses.replace(the_play(), end_ms=the_play().end_ms + 1)
    with pytest.raises(InputError, match="is 14701 ms long, its chime, clips and pauses make 14700 ms"):
        cue_for(venue(), play, FACTS, asked_by="plan")


def test_a_play_whose_clip_is_gone_is_refused_whole_by_name():
    gone = FACTS | {"please": ClipFacts(duration_ms=1_000)}
    assert missing_audio(the_play(), gone) == ("please",)
    assert missing_audio(the_play(), FACTS) == ()
    with pytest.raises(InputError, match="audio of clip 'please' is not there"):
        compose(venue(), plans(), gone, TRACKS, revision=1, made_ms=0)


def test_a_zones_path_is_as_it_was_designed():
    made = compose(venue(), plans(), FACTS, TRACKS, revision=7, made_ms=5)
    foyer, shop = made.zones
    assert (foyer.channels, foyer.source, foyer.highpass_hz, len(foyer.bands)) == (2, "house", 80.0, 1)
    assert (foyer.music_level_db, foyer.announce_level_db, foyer.level_db) == (-3.0, 1.0, -2.0)
    assert (foyer.ceiling_dbtp, shop.highpass_hz, shop.bands, shop.source) == (-1.5, None, (), None)
    (house,) = made.sources
    assert house.crossfade_frames == 120_000
    assert house.tracks[0].gain_db == pytest.approx(-4.0)
    assert made.outputs[0].zones == {"foyer": (1, 2), "shop": (3,)}
    assert (made.revision, made.made_ms, made.until_ms) == (7, 5, plans()[0].ends_ms)
    assert shop.music == ()


def test_music_spans_that_touch_become_one_over_the_days():
    today, tomorrow = plans(FRIDAY, FRIDAY + dt.timedelta(days=1))
    start, end = today.ends_ms - 1_000, today.ends_ms
    today = dataclasses.replace(today, music={"foyer": (Span(start_ms=start, end_ms=end),)})
    tomorrow = dataclasses.replace(
        tomorrow,
        music={"foyer": (Span(start_ms=end, end_ms=end + 500), Span(start_ms=end + 501, end_ms=end + 600))},
    )
    made = compose(venue(), [today, tomorrow], FACTS, TRACKS, revision=1, made_ms=0)
    assert made.zones[0].music == ((start, end + 500), (end + 501, end + 600))
    assert len(made.cues) == 2


def test_a_programme_survives_being_written_down():
    made = compose(venue(), plans(), FACTS, TRACKS, revision=1, made_ms=0)
    assert from_tree(Programme, json.loads(json.dumps(to_tree(made)))) == made
