"""The duck's envelope: worked by hand from its definition, and held against the definition itself everywhere.

Definition: trapezoids linear in dB, bridges at the shallower depth over short gaps, the lowest of all.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from oyez.mixing.duck import DuckShape, corner_points, gain_db_at, gain_db_of_frames


def play(start_ms, end_ms, depth_db=14.0, *, fall=600, hold=300, rise=1500, bridge=2000, back=True):
    return DuckShape(
        start_ms=start_ms,
        end_ms=end_ms,
        depth_db=depth_db,
        fall_ms=fall,
        hold_ms=hold,
        rise_ms=rise,
        bridge_ms=bridge,
        bridges_back=back,
    )


def by_definition(shapes, at_ms, *, bridged=True):
    """The music gain at one instant, straight from the words."""
    ordered = sorted(
        shapes,
        key=lambda s: (s.start_ms, s.end_ms, s.fall_ms, s.hold_ms, s.rise_ms, s.depth_db, s.bridge_ms),
    )
    found = [0.0]
    for s in ordered:
        held_until = s.end_ms + s.hold_ms
        if s.start_ms <= at_ms <= held_until:
            found.append(-s.depth_db)
        elif s.start_ms - s.fall_ms < at_ms < s.start_ms:
            found.append(-s.depth_db * (at_ms - (s.start_ms - s.fall_ms)) / s.fall_ms)
        elif held_until < at_ms < held_until + s.rise_ms:
            found.append(-s.depth_db * (held_until + s.rise_ms - at_ms) / s.rise_ms)
    for a, b in itertools.pairwise(ordered):
        between = (b.start_ms - b.fall_ms) - (a.end_ms + a.hold_ms + a.rise_ms)
        if bridged and between < max(a.bridge_ms, b.bridge_ms) and a.end_ms <= at_ms <= b.start_ms:
            found.append(-min(a.depth_db, b.depth_db))
    return min(found)


def test_one_play_makes_a_trapezoid_that_is_down_exactly_at_its_start():
    assert corner_points([play(10_000, 20_000)]) == (
        (9_400, 0.0),
        (10_000, -14.0),
        (20_300, -14.0),
        (21_800, 0.0),
    )


def test_a_short_gap_is_bridged_at_the_one_depth_both_have():
    # Rise ends at 21.8 s, the next fall begins at 23.4 s: 1.6 s, under the bridge's 2 s.
    assert corner_points([play(10_000, 20_000), play(24_000, 30_000)]) == (
        (9_400, 0.0),
        (10_000, -14.0),
        (30_300, -14.0),
        (31_800, 0.0),
    )


def test_a_gap_of_exactly_the_bridge_is_not_bridged_and_one_ms_less_is():
    apart = [play(10_000, 20_000), play(24_400, 30_000)]  # 21.8 s to 23.8 s
    assert gain_db_at(corner_points(apart), 22_500) == 0.0
    near = [play(10_000, 20_000), play(24_399, 30_000)]
    assert gain_db_at(corner_points(near), 22_500) == -14.0


def test_a_bridge_lies_at_the_shallower_of_two_depths():
    points = corner_points([play(10_000, 20_000, 12.0, rise=1200), play(23_000, 30_000, 6.0)])
    # From -12 dB at 20.3 s with 10 dB a second: -6 dB after 0.6 s, a whole ms, so it is one corner.
    assert points == (
        (9_400, 0.0),
        (10_000, -12.0),
        (20_300, -12.0),
        (20_900, -6.0),
        (30_300, -6.0),
        (31_800, 0.0),
    )


def test_a_corner_between_two_milliseconds_becomes_two_points_that_both_lie_on_the_envelope():
    shapes = [play(10_000, 20_000), play(23_000, 30_000, 9.0)]
    points = corner_points(shapes)
    assert [ms for ms, _ in points] == [9_400, 10_000, 20_300, 20_835, 20_836, 30_300, 31_800]
    for ms, db in points:
        assert db == pytest.approx(by_definition(shapes, ms), abs=1e-9)


def test_a_play_inside_another_does_not_duck_twice():
    assert corner_points([play(0, 60_000), play(20_000, 30_000, 6.0)]) == corner_points([play(0, 60_000)])


def test_ramps_of_no_time_are_steps():
    assert corner_points([play(1_000, 2_000, fall=0, hold=0, rise=0)]) == (
        (1_000, 0.0),
        (1_000, -14.0),
        (2_000, -14.0),
        (2_000, 0.0),
    )


def test_one_that_came_unforeseen_does_not_bridge_back():
    shapes = [play(10_000, 20_000), play(23_000, 30_000, back=False)]
    assert gain_db_at(corner_points(shapes), 22_000) == 0.0
    assert gain_db_at(corner_points([play(10_000, 20_000), play(23_000, 30_000)]), 22_000) == -14.0


def test_no_plays_and_no_depth_leave_the_music_alone():
    assert corner_points([]) == ()
    assert corner_points([play(1_000, 2_000, 0.0)]) == ()


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"end_ms": 0}, "before its start"),
        ({"depth_db": -1.0}, "depth_db is -1.0"),
        ({"depth_db": float("nan")}, "depth_db is nan"),
        ({"rise_ms": -1}, "rise_ms is -1"),
    ],
)
def test_a_shape_that_exists_is_valid(wrong, words):
    fields = {
        "start_ms": 10,
        "end_ms": 20,
        "depth_db": 6.0,
        "fall_ms": 1,
        "hold_ms": 1,
        "rise_ms": 1,
        "bridge_ms": 1,
    }
    with pytest.raises(ValueError, match=words):
        DuckShape(**fields | wrong)


# ---- properties

times = st.sampled_from([0, 1, 7, 200, 333, 600, 1500])


@st.composite
def many_plays(draw):
    made, at = [], 0
    for _ in range(draw(st.integers(1, 6))):
        at += draw(st.sampled_from([0, 1, 500, 2_500, 5_000]))
        end = at + draw(st.sampled_from([0, 400, 3_000]))
        made.append(
            play(
                at,
                end,
                draw(st.sampled_from([0.0, 6.0, 9.5, 14.0, 24.0])),
                fall=draw(times),
                hold=draw(times),
                rise=draw(times),
                bridge=draw(st.sampled_from([0, 2_000])),
            )
        )
        at = end + draw(st.sampled_from([0, 1]))
    return made


def worst_difference(shapes, *, bridged=True):
    points = corner_points(shapes)
    corners = [ms for ms, _ in points]
    worst = 0.0
    for ms in range(-700, max(s.returns_ms for s in shapes) + 700, 13):
        # between two neighbouring points of a cut corner, and at a step, the definition itself says two things
        if not any(abs(ms - corner) <= 1 for corner in corners):
            worst = max(worst, abs(gain_db_at(points, ms) - by_definition(shapes, ms, bridged=bridged)))
    return worst


@given(many_plays())
def test_the_points_are_the_definition(shapes):
    assert worst_difference(shapes) < 1e-6


def test_the_comparison_with_the_definition_can_fail():
    assert worst_difference([play(10_000, 20_000), play(24_000, 30_000)], bridged=False) > 6.0


@given(many_plays(), st.randoms())
def test_the_order_of_the_plays_is_irrelevant(shapes, random):
    mixed = list(shapes)
    random.shuffle(mixed)
    assert corner_points(mixed) == corner_points(shapes)


@given(many_plays())
def test_the_envelope_stays_in_range_and_comes_back_to_exactly_nothing(shapes):
    points = corner_points(shapes)
    deepest = max(s.depth_db for s in shapes)
    assert all(-deepest <= db <= 0.0 for _, db in points)
    if points:
        assert points[0][1] == 0.0 == points[-1][1]
        assert points[0][0] >= min(s.begins_ms for s in shapes)
        assert points[-1][0] <= max(s.returns_ms for s in shapes)
    assert gain_db_at(points, max(s.returns_ms for s in shapes) + 1) == 0.0
    assert [ms for ms, _ in points] == sorted(ms for ms, _ in points)


@given(many_plays())
def test_every_play_has_its_depth_from_its_first_instant_to_its_last(shapes):
    points = corner_points(shapes)
    for s in shapes:
        for ms in (s.start_ms, (s.start_ms + s.end_ms) / 2, s.end_ms - 1):
            if s.start_ms <= ms < s.end_ms:
                assert gain_db_at(points, ms) <= -s.depth_db + 1e-9


@given(many_plays())
def test_no_point_lies_on_the_line_between_its_neighbours(shapes):
    points = corner_points(shapes)
    for a, b, c in zip(points, points[1:], points[2:], strict=False):
        if a[0] < b[0] < c[0]:
            straight = a[1] + (c[1] - a[1]) * (b[0] - a[0]) / (c[0] - a[0])
            assert abs(straight - b[1]) > 1e-10


@given(many_plays())
def test_reading_instants_one_by_one_and_as_frames_is_the_same(shapes):
    points = corner_points(shapes)
    frames = np.arange(-1_000 * 48, 20_000 * 48, 977)
    one_by_one = [gain_db_at(points, frame / 48) for frame in frames]
    assert gain_db_of_frames(points, frames) == pytest.approx(one_by_one, abs=1e-9)
