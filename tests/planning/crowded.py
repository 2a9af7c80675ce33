"""Crowded days by number: more announcements than fit easily. The same number gives the same day."""

import random

from oyez.venue.models import VenueFile
from tests.planning.building import rule, venue


def crowded_day(seed: int, *, rules: int | None = None) -> VenueFile:
    """A few zones, a busy hour or two, priorities with much in common, sometimes quiet windows and a cap."""
    r = random.Random(seed)
    zones = [f"z{i}" for i in range(r.randint(1, 5))]
    span_min = r.choice([20, 40, 90])
    made = []
    for i in range(rules or r.randint(6, 26)):
        count = r.choice([1, 1, 2, 4])
        minutes = sorted({r.randrange(600, 600 + span_min) for _ in range(count)})
        made.append(
            rule(
                f"r{i}",
                length_s=r.choice([8, 12, 20, 45, 90, 7.4]),
                zones=r.sample(zones, r.randint(1, min(3, len(zones)))),
                priority=r.choice([20, 20, 20, 40, 60]),
                wait_s=r.choice([0, 30, 60, 120, 300, 600]),
                fixed={"times": [f"{m // 60:02d}:{m % 60:02d}:{r.choice([0, 0, 15, 30]):02d}" for m in minutes]},
            )
        )
    quiet = []
    if r.random() < 0.4:
        start = r.randrange(600, 600 + span_min)
        quiet = [
            {
                "zones": [r.choice(zones)],
                "from": f"{start // 60:02d}:{start % 60:02d}",
                "until": f"{(start + 7) // 60:02d}:{(start + 7) % 60:02d}",
                "min_priority": r.choice([30, 50]),
            }
        ]
    limits = {"max_per_hour": r.randint(3, 12), "cap_below": r.choice([30, 101])} if r.random() < 0.3 else {}
    return venue(*made, zones=zones, gap_s=r.choice([0.0, 3.0, 3.0]), quiet=quiet, limits=limits)


def packed_day(seed: int) -> VenueFile:
    """Some 90 announcements of one priority, with much patience, into zones that just about hold them all."""
    r = random.Random(seed)
    zones = [f"z{i}" for i in range(r.randint(2, 6))]
    made = []
    for i in range(r.randint(20, 34)):
        minutes = sorted({r.randrange(600, 600 + 90) for _ in range(r.choice([2, 3, 4]))})
        made.append(
            rule(
                f"r{i}",
                length_s=r.choice([20, 30, 45, 60, 75]),
                zones=r.sample(zones, r.choice([1, 1, 2])),
                priority=40,
                wait_s=r.choice([60, 300, 600]),
                fixed={"times": [f"{m // 60:02d}:{m % 60:02d}" for m in minutes]},
            )
        )
    limits = {"max_per_hour": r.randint(14, 24)} if seed % 3 == 0 else {}
    return venue(*made, zones=zones, limits=limits)
