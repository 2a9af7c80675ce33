"""Made-up venues for property tests: crowded, with every kind of rule and limit."""

from hypothesis import strategies as st

from tests.planning.building import every_day, rule, venue

ZONES = ("foyer", "theatre", "cafe", "shop")


def clock(minute: int, second: int = 0) -> str:
    return f"{minute // 60 % 24:02d}:{minute % 60:02d}:{second:02d}"


@st.composite
def times(draw):
    kind = draw(st.sampled_from(["fixed", "interval", "anchor"]))
    if kind == "fixed":
        found = draw(st.lists(st.integers(600, 700), min_size=1, max_size=6))
        return {"fixed": {"times": [clock(m, draw(st.sampled_from([0, 0, 0, 20, 45]))) for m in found]}}
    if kind == "anchor":
        return {"fixed": {"times": [draw(st.sampled_from(["open", "open+20", "close-15", "close-1", "close"]))]}}
    start = draw(st.integers(600, 640))
    end = start + draw(st.integers(-5, 90))
    return {"interval": {"every_min": draw(st.integers(2, 30)), "start": clock(start), "end": clock(end)}}


@st.composite
def rules(draw, name: str):
    return rule(
        name,
        length_s=draw(st.sampled_from([1, 4.5, 10, 33.333, 60, 150])),
        zones=draw(st.lists(st.sampled_from([*ZONES, "all", "public"]), min_size=1, max_size=3)),
        priority=draw(st.sampled_from([10, 20, 20, 40, 40, 60, 80])),
        wait_s=draw(st.none() | st.sampled_from([0, 5, 30, 60, 300, 900])),
        says_time=draw(st.booleans()),
        together=draw(st.booleans()),
        open_only=draw(st.booleans()),
        blocked_zones=draw(st.sampled_from(["leave_out", "wait"])),
        **draw(times()),
    )


@st.composite
def quiets(draw):
    start = draw(st.integers(600, 690))
    return {
        "zones": draw(st.lists(st.sampled_from([*ZONES, "public"]), min_size=1, max_size=2)),
        "from": clock(start),
        "until": clock(start + draw(st.integers(1, 40))),
        "min_priority": draw(st.sampled_from([20, 40, 60, 101])),
    }


@st.composite
def venues(draw, *, least=2, most=8):
    limits = {}
    if draw(st.booleans()):
        limits = {"max_per_hour": draw(st.integers(1, 8)), "cap_below": draw(st.sampled_from([30, 50, 101]))}
    names = [f"r{i}" for i in range(draw(st.integers(least, most)))]
    return venue(
        *[draw(rules(name)) for name in names],
        zones=[{"id": z, "name": z.title(), "in_service": z != "shop" or draw(st.booleans())} for z in ZONES],
        groups=[{"id": "public", "zones": ["foyer", "theatre"]}],
        gap_s=draw(st.sampled_from([0.0, 3.0, 10.0])),
        quiet=draw(st.lists(quiets(), max_size=3)),
        limits=limits,
        hours=every_day(draw(st.sampled_from(["10:00-18:00", "10:30-11:15", "09:00-01:00"]))),
    )
