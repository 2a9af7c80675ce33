"""The answer of `oyez plan --why RULE@TIME`: what became of it, what stood in its way, what would help."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from zoneinfo import ZoneInfo

from oyez.planning.time import to_local
from oyez.planning.types import Plan
from oyez.planning.why import Why, explain, find_occurrences, why_tree
from oyez.venue.facts import ClipFacts
from oyez.venue.models import VenueFile


def show(venue: VenueFile, facts: Mapping[str, ClipFacts], plan: Plan, asked: str, *, as_json: bool) -> None:
    """Print the answer; a list with an entry a match as JSON. Raises InputError where nothing matches."""
    answers = [explain(venue, plan.date, facts, plan, entry) for entry in find_occurrences(venue, plan, asked)]
    if as_json:
        json.dump(why_tree(answers), sys.stdout, ensure_ascii=False, indent=2)
        sys.stdout.write("\n")
        return
    names = {zone.id: zone.name for zone in venue.zones}
    for answer in answers:
        print("\n".join(_lines(answer, ZoneInfo(plan.timezone), names)))


def _lines(why: Why, zone: ZoneInfo, names: Mapping[str, str]) -> list[str]:
    where = ", ".join(names[z] for z in why.zones) or "no zone"
    lines = [f"{why.title}, {_clock(zone, why.nominal_ms)}, {where}, priority {why.priority}"]
    if why.start_ms is None:
        lines.append(f"  found no place: {why.reason}")
    elif why.start_ms == why.nominal_ms:
        lines.append("  on time")
    else:
        lines.append(f"  starts at {_clock(zone, why.start_ms)}: {why.reason}")
    for s in why.suggestions:
        lines.append(f"  - {s.words}: it then starts at {_clock(zone, s.start_ms)}")
        lines += [f"      but {cost}" for cost in s.costs]
    return lines


def _clock(zone: ZoneInfo, at_ms: int) -> str:
    local = to_local(zone, at_ms)
    text = f"{local:%H:%M:%S}"
    return text if at_ms % 1000 == 0 else f"{text}.{at_ms % 1000:03d}"
