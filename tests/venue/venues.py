"""Venues for the tests: a small sound one as text, and a strategy for any valid one."""

from __future__ import annotations

import datetime as dt
import string
from typing import Any

from hypothesis import strategies as st

from oyez.venue.models import VenueFile

GOOD = """\
format = 1

[venue]
name = "Quillfin Aquarium"
timezone = "Europe/London"

[hours]
mo = ["10:00-18:00"]
fr = ["10:00-18:00", "19:30-01:30"]

[[hours_sets]]
id = "cafe"
mo = ["09:00-17:30"]

[[seasons]]
from_date = "2026-12-01"
until_date = "2027-01-06"
mo = ["11:00-16:00"]

[[hours_except]]
date = "2026-12-25"
closed = true

[limits]
max_per_hour = 6
cap_below = 50

[[quiet]]
zones = ["theatre"]
from = "13:30"
until = "close-15"
min_priority = 80

[[sources]]
id = "house"
folder = "music"

[[zones]]
id = "foyer"
name = "Foyer"
channels = 2
source = "house"
hours = "cafe"
[zones.eq]
highpass_hz = 80.0
bands = [{hz = 2500.0, gain_db = 3.0, q = 1.4}]

[[zones]]
id = "theatre"
name = "Theatre"

[[groups]]
id = "public"
zones = ["foyer", "theatre"]

[[clips]]
id = "closing-15"
file = "closing-15.flac"
title = "Closing"

[[clips]]
id = "two-tone"
file = "two-tone.flac"
title = "Two tones"
kind = "chime"

[[rules]]
id = "closing-15"
title = "Closing in fifteen minutes"
chime = "two-tone"
clips = ["closing-15"]
zones = ["public"]
priority = 60
[rules.fixed]
times = ["close-15"]
except_dates = ["2026-12-24"]

[[rules]]
id = "members"
title = "Members' evening"
clips = ["closing-15"]
zones = ["foyer"]
priority = 40
open_only = true
[rules.fixed]
rrule = "FREQ=MONTHLY;BYDAY=1FR"
dtstart = "2026-11-06T20:00:00"

[[rules]]
id = "hands-off"
title = "Hands off the glass"
clips = ["closing-15"]
zones = ["foyer"]
priority = 20
[rules.interval]
every_min = 40
start = "open+20"
end = "17:00"

[[rules]]
id = "lost-child"
title = "Lost child"
clips = ["closing-15"]
zones = ["all"]
priority = 90

[[outputs]]
id = "hall"
kind = "card"
channels = 4
zones = {foyer = [1, 2], theatre = [3]}
"""

IDS = st.text(alphabet=string.ascii_lowercase + string.digits + "-_", min_size=1, max_size=12).filter(
    lambda t: t[0] not in "-_" and t not in {"all", "venue"}
)
TEXTS = st.text(
    alphabet=st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp")), min_size=1, max_size=30
)  # any script, quotes, backslashes, DEL is Cc
FILES = st.lists(IDS, min_size=1, max_size=3).map("/".join).map(lambda name: name + ".flac")
CLOCKS = st.times().map(lambda t: t.strftime("%H:%M:%S"))
DATES = st.dates(min_value=dt.date(2020, 1, 1), max_value=dt.date(2090, 1, 1)).map(str)
DAYS = st.lists(st.sampled_from(["mo", "tu", "we", "th", "fr", "sa", "su", "ho"]), max_size=4)
LOCALS = st.datetimes(dt.datetime(2020, 1, 1), dt.datetime(2090, 1, 1)).map(  # noqa: DTZ001
    lambda t: t.replace(microsecond=0).isoformat()
)


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


def _some(draw: st.DrawFn, tree: dict[str, Any], optional: dict[str, st.SearchStrategy[Any]]) -> dict[str, Any]:
    """The tree with some of the optional keys."""
    for key, values in optional.items():
        if draw(st.booleans()):
            tree[key] = draw(values)
    return tree


def _week(draw: st.DrawFn) -> dict[str, Any]:
    """One or two periods a day that neither overlap nor cross 05:00."""
    week: dict[str, Any] = {}
    for day in ("mo", "we", "fr", "su", "ho"):
        week |= _some(draw, {}, {day: st.sampled_from([["10:00-18:00"], ["09:00-12:00", "19:30-01:30"], []])})
    return week


@st.composite
def venues(draw: st.DrawFn) -> VenueFile:
    """Any venue whose entries fit together, with every key of the file in use now and then."""
    zones = draw(st.lists(IDS, min_size=1, max_size=4, unique=True))
    groups = [g for g in draw(st.lists(IDS, max_size=2, unique=True)) if g not in zones]
    clips = draw(st.lists(IDS, min_size=1, max_size=4, unique=True))
    sources = draw(st.lists(IDS, max_size=2, unique=True))
    sets = draw(st.lists(IDS, max_size=2, unique=True))
    hours = st.sampled_from(["venue", *sets])
    places = st.lists(st.sampled_from([*zones, *groups, "all"]), min_size=1, max_size=3)
    dated = {
        "days": DAYS,
        "from_date": DATES,
        "until_date": DATES,
        "except_dates": st.lists(DATES, max_size=2),
        "on_holidays": st.booleans(),
    }
    times = st.one_of(CLOCKS, st.sampled_from(["open", "close", "open+10", "close-15"]))
    ducks = {
        "depth_db": st.one_of(st.just("auto"), numbers(0, 60)),
        "margin_lu": numbers(0, 40),
        "fall_s": numbers(0, 60),
        "hold_s": numbers(0, 60),
        "rise_s": numbers(0, 60),
        "bridge_s": numbers(0, 60),
    }

    def quiet() -> dict[str, Any]:
        tree = {
            "zones": draw(places),
            "from": draw(times),
            "until": draw(times),
            "min_priority": draw(st.integers(0, 101)),
        }
        return _some(draw, tree, {**dated, "hours": hours, "music": st.sampled_from(["keep", "off"])})

    def zone(zone_id: str) -> dict[str, Any]:
        bands = st.lists(
            st.fixed_dictionaries({"hz": numbers(10, 22000), "gain_db": numbers(-24, 24), "q": numbers(0.1, 30)}),
            max_size=5,
        )
        eq = st.fixed_dictionaries({}, optional={"highpass_hz": numbers(10, 2000), "bands": bands})
        optional = {
            "channels": st.sampled_from([1, 2]),
            "hours": hours,
            "on": st.booleans(),
            "in_service": st.booleans(),
            "music_level_db": numbers(-100, 40),
            "announce_level_db": numbers(-100, 40),
            "level_db": numbers(-100, 40),
            "eq": eq,
        }
        if sources:
            optional["source"] = st.sampled_from(sources)
        return _some(draw, {"id": zone_id, "name": draw(TEXTS)}, optional)

    def rule(rule_id: str) -> dict[str, Any]:
        tree = {
            "id": rule_id,
            "title": draw(TEXTS),
            "clips": draw(st.lists(st.sampled_from(clips), min_size=1, max_size=3)),
            "zones": draw(places),
            "priority": draw(st.integers(0, 100)),
        }
        when = draw(st.sampled_from(["manual", "times", "rrule", "interval"]))
        if when == "times":
            tree["fixed"] = _some(draw, {"times": draw(st.lists(times, min_size=1, max_size=3))}, dated)
        elif when == "rrule":
            tree["fixed"] = {"rrule": "FREQ=WEEKLY;BYDAY=FR,SA", "dtstart": draw(DATES) + "T20:00:00"}
            beside = {"exdates": st.lists(LOCALS, max_size=2), "rdates": st.lists(LOCALS, max_size=2)}
            tree["fixed"] = _some(draw, tree["fixed"], {**beside, "on_holidays": st.booleans()})
        elif when == "interval":
            inner = {"every_min": draw(numbers(0.1, 1440)), "start": draw(times), "end": draw(times)}
            tree["interval"] = _some(draw, inner, dated)
        return _some(
            draw,
            tree,
            {
                "chime": st.sampled_from(clips),
                "pause_s": numbers(0, 60),
                "repeat": st.integers(1, 100),
                "repeat_gap_s": numbers(0, 600),
                "wait_s": numbers(0, 86400),
                "after_cut": st.sampled_from(["restart", "drop"]),
                "says_time": st.booleans(),
                "together": st.booleans(),
                "blocked_zones": st.sampled_from(["leave_out", "wait"]),
                "open_only": st.booleans(),
                "hours": hours,
                "duck": st.fixed_dictionaries({}, optional=ducks),
            },
        )

    zone_trees = [zone(z) for z in zones]
    channels = {z["id"]: z.get("channels", 1) for z in zone_trees}
    ends = iter(range(1, 65))
    output = {
        "id": draw(IDS),
        "kind": "recording",
        "file": "hall.wav",
        "zones": {z: [next(ends) for _ in range(channels[z])] for z in zones},
    }
    dates = draw(st.lists(DATES, max_size=2, unique=True))
    tree: dict[str, Any] = {
        "format": 1,
        "venue": _some(
            draw,
            {"name": draw(TEXTS), "timezone": draw(st.sampled_from(["Europe/London", "UTC", "Asia/Kathmandu"]))},
            {
                "day_starts": st.sampled_from(["05:00", "04:30", "05:00:30"]),
                "target_lufs": numbers(-70, 0),
                "ceiling_dbtp": numbers(-30, 0),
                "max_gain_db": numbers(0, 40),
                "gap_s": numbers(0, 86400),
            },
        ),
        "hours": _week(draw),
        "hours_sets": [{"id": s, **_week(draw)} for s in sets],
        "seasons": [
            {"from_date": "2026-12-01", "until_date": "2027-01-06", "hours": h, **_week(draw)}
            for h in draw(st.lists(hours, max_size=2, unique=True))
        ],
        "hours_except": [
            {"date": d, **draw(st.sampled_from([{"closed": True}, {"open": ["11:00-15:00"]}, {"open": []}]))}
            for d in dates
        ],
        "holidays": {
            **draw(st.sampled_from([{}, {"country": "GB", "subdiv": "ENG"}, {"country": "DE"}])),
            **_some(draw, {}, {"dates": st.lists(DATES, max_size=2), "except_dates": st.lists(DATES, max_size=2)}),
        },
        "limits": _some(
            draw,
            {},
            {
                "max_per_hour": st.integers(1, 100),
                "cap_below": st.integers(0, 101),
                "promo_min_per_hour": numbers(0, 60),
            },
        ),
        "quiet": [quiet() for _ in range(draw(st.integers(0, 2)))],
        "sources": [
            _some(
                draw,
                {"id": s, "folder": draw(FILES)},
                {"target_lufs": numbers(-70, 0), "crossfade_s": numbers(0, 30)},
            )
            for s in sources
        ],
        "duck": _some(draw, {}, ducks),
        "zones": zone_trees,
        "groups": [{"id": g, "zones": draw(st.lists(st.sampled_from(zones), min_size=1))} for g in groups],
        "clips": [
            _some(
                draw,
                {"id": c, "file": draw(FILES), "title": draw(TEXTS)},
                {
                    "kind": st.sampled_from(["speech", "music", "chime", "effect"]),
                    "duration_ms": st.integers(1, 10**7),
                    "from_date": DATES,
                    "until_date": DATES,
                },
            )
            for c in clips
        ],
        "rules": [rule(r) for r in draw(st.lists(IDS, max_size=3, unique=True))],
        "outputs": [output] if draw(st.booleans()) else [],
    }
    return VenueFile.model_validate(tree)
