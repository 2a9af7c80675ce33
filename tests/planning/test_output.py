"""The plan as JSON and CSV, as others rely on it, and the ducks in it."""

import csv
import io
import json

import pytest

from oyez.loudness.types import Measurement
from oyez.planning.day import plan_day
from oyez.planning.output import plan_csv, plan_json, plan_tree
from oyez.venue.facts import ClipFacts
from tests.planning.building import FRIDAY, at, every_day, facts_of, plan, rule, venue

BUSY = [
    rule("feeding", priority=60, length_s=60, zones=["foyer", "theatre"], at="10:00"),
    rule("promo", priority=20, length_s=5, wait_s=30, at="10:00"),
]


def test_the_tree_has_exactly_the_documented_keys():
    tree = plan_tree(plan(venue(*BUSY)))
    assert list(tree) == [
        "venue",
        "date",
        "timezone",
        "starts_ms",
        "ends_ms",
        "plays",
        "unplaced",
        "ducks",
        "levels",
    ]
    play = {
        "rule",
        "nominal_ms",
        "start_ms",
        "end_ms",
        "zones",
        "priority",
        "left_out",
        "chime",
        "clips",
        "reason",
    }
    assert play == set(tree["plays"][0])
    assert {"rule", "nominal_ms", "zones", "priority", "reason"} <= set(tree["unplaced"][0])
    assert (tree["venue"], tree["date"], tree["timezone"]) == ("Quillfin Aquarium", "2026-11-27", "Europe/London")
    assert (tree["starts_ms"], tree["ends_ms"]) == (at("05:00"), at("+1 05:00"))
    assert tree["plays"][0]["reason"] == "on time"
    assert tree["levels"] == [{"priority": 60, "proven": True}, {"priority": 20, "proven": True}]
    assert tree["plays"][0]["end_ms"] - tree["plays"][0]["start_ms"] == 60_000


def test_ducks_are_corner_points_in_ms_and_db_of_the_zones_that_have_plays():
    ducks = plan_tree(plan(venue(*BUSY)))["ducks"]
    # documentation, "Ducking": -depth exactly at the start, held hold_s after the end, linear in dB
    start, end = at("10:00"), at("10:01")
    assert ducks == {
        zone: [[start - 600, 0.0], [start, -12.0], [end + 300, -12.0], [end + 1800, 0.0]]
        for zone in ("foyer", "theatre")
    }


def test_the_same_inputs_give_the_same_bytes():
    assert plan_json(plan(venue(*BUSY))) == plan_json(plan(venue(*BUSY)))
    other = plan_json(plan(venue(*BUSY[:1])))
    assert other != plan_json(plan(venue(*BUSY)))
    assert json.loads(other)["unplaced"] == []


def test_csv_has_a_line_an_announcement_and_local_times_with_their_offset():
    text = plan_csv(plan(venue(*BUSY)))
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [(r["outcome"], r["rule"]) for r in rows] == [("planned", "feeding"), ("no place", "promo")]
    assert rows[0]["start"] == "2026-11-27T10:00:00.000+00:00"
    assert rows[0]["zones"] == "foyer theatre"
    assert rows[1]["start"] == ""
    assert rows[1]["reason"].endswith("give it `wait_s = 70`")


@pytest.mark.parametrize("title", ["=1+1", "+1", "-1", "@now"])
def test_a_title_is_never_a_formula_to_a_spreadsheet(title):
    v = venue(rule("odd", at="10:00") | {"title": title})
    row = next(csv.DictReader(io.StringIO(plan_csv(plan(v)))))
    assert row["title"] == "'" + title


def measured(lufs: float, peak: float = -6.0) -> Measurement:
    return Measurement(
        duration_s=10.0, sample_rate=48_000, channels=1, integrated_lufs=lufs, ungated_lufs=lufs,
        loudness_range_lu=None, momentary_max_lufs=None, short_term_max_lufs=None, true_peak_dbtp=peak,
        sample_peak_dbfs=peak,
    )  # fmt: skip


def depth(*, facts=None, zone=None, duck=None, **more) -> float:
    entry = {"id": "foyer", "name": "Foyer", "source": "house", **(zone or {})}
    v = venue(
        rule("call", at="10:00"),
        zones=[entry],
        sources=[{"id": "house", "folder": "music"}],
        duck=duck or {},
        **more,
    )
    p = plan_day(v, FRIDAY, facts or facts_of(v))
    return p.plays[0].ducks["foyer"].depth_db


@pytest.mark.parametrize(
    ("zone", "duck", "wanted"),
    [
        ({}, {}, 12.0),  # 14 LU wanted; speech at -18 over music at -20 LUFS has 2 of them
        ({"music_level_db": -4.0}, {}, 8.0),
        ({"announce_level_db": 3.0}, {}, 9.0),
        ({"music_level_db": -12.0}, {}, 6.0),  # never less than 6 dB
        ({"music_level_db": 12.0}, {}, 24.0),  # never more than 24 dB
        ({}, {"margin_lu": 20.0}, 18.0),
        ({}, {"depth_db": 9.5}, 9.5),
    ],
)
def test_the_automatic_depth_is_what_the_margin_lacks(zone, duck, wanted):
    assert depth(zone=zone, duck=duck) == pytest.approx(wanted, abs=1e-9)


def test_a_clip_that_cannot_reach_its_target_is_ducked_deeper():
    quiet = ClipFacts(duration_ms=10_000, sha256="a", frames=480_000, channels=1, measured=measured(-40.0, -30.0))
    # -40 LUFS + at most 15 dB is -25: 7 LU short of -18
    assert depth(facts={"call-clip": quiet}) == pytest.approx(19.0, abs=1e-9)


def test_music_is_silent_in_its_closed_hours_and_the_plan_says_when_it_plays():
    v = venue(rule("call", at="10:00"), hours=every_day("10:00-18:00"), sources=[{"id": "house", "folder": "m"}],
              zones=[{"id": "foyer", "name": "Foyer", "source": "house"}])  # fmt: skip
    p = plan(v)
    assert [(s.start_ms, s.end_ms) for s in p.music["foyer"]] == [(at("10:00"), at("18:00"))]
    assert [(s.start_ms, s.end_ms) for s in p.open["venue"]] == [(at("10:00"), at("18:00"))]
