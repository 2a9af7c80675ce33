"""Looking ahead: a rule's next times, and what saving a rule as it is typed would do to the days to come."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Body, Path, Query

from oyez.api.problems import fault_view
from oyez.api.routes.common import Desk, Venue, facts_of, problems
from oyez.api.schemas_ahead import (
    RULE_EXAMPLE,
    DifferenceView,
    LostView,
    NextTimesView,
    NextTimeView,
    PreviewRequest,
    PreviewView,
)
from oyez.api.wording import iso
from oyez.errors import Fault, InputError, NotFound
from oyez.planning.ahead import Conflicts, NextTime, conflicts, next_times, with_rule
from oyez.planning.compare import Difference
from oyez.planning.time import to_local
from oyez.planning.types import Plan, Unplaced
from oyez.planning.warnings import find_warnings
from oyez.playout.around import plan_around
from oyez.venue.facts import ClipFacts
from oyez.venue.models import Rule, VenueFile
from oyez.venue.reader import Reading, read_tree
from oyez.venue.writer import venue_tree

router = APIRouter(prefix="/api/rules", tags=["rules"])

SHOWN = 10


@router.get("/{rule_id}/next", responses=problems(404, 409, 422))
def upcoming(
    director: Desk,
    venue: Venue,
    rule_id: Annotated[str, Path(description="A rule's id in the venue file", examples=["closing-15"])],
    count: Annotated[int, Query(ge=1, le=100, description="How many at most", examples=[SHOWN])] = SHOWN,
) -> NextTimesView:
    """The rule's next times from now on, whether or not it finds a place then. A manual rule has none."""
    rule = next((r for r in venue.rules if r.id == rule_id), None)
    if rule is None:
        raise NotFound(f"there is no rule '{rule_id}'")
    found = next_times(venue, rule, director.now_ms(), count)
    return NextTimesView(rule=rule_id, times=_times(venue, found))


@router.post("/preview", responses=problems(409, 413, 422))
def preview(
    director: Desk,
    venue: Venue,
    asked: Annotated[PreviewRequest, Body(examples=[{"rule": RULE_EXAMPLE, "days": 7}])],
) -> PreviewView:
    """What a rule would do if it were saved: faults in words, its next ten times, conflicts. Changes nothing."""
    reading, number = _read(venue, asked.rule)
    faults = _new_faults(venue, reading)
    rule = None if reading.readable is None else _at(reading.readable, number)
    times: Sequence[NextTime] = ()
    met: Conflicts | None = None
    if rule is not None and not _stand_in(reading, number, "fixed", "interval"):
        try:
            times = next_times(venue, rule, director.now_ms(), SHOWN)
        except InputError as error:
            faults += [_fault(rule, str(error))] if not faults else []
    if rule is not None and not any(f.level == "fault" for f in faults):
        facts = facts_of(director, venue)
        today = director.today()
        after = with_rule(venue, rule)
        told = find_warnings(after, today=today, facts=facts)
        faults += [w for w in told if w.entry == f"rule '{rule.id}'"]
        met = conflicts(venue, rule, facts, today, asked.days, planner=_planner(facts))
    shown = _times(venue, times)
    return PreviewView(
        sentence=_sentence(rule, shown, faults, met),
        faults=[fault_view(f) for f in faults],
        next=shown,
        days=asked.days,
        lost=[] if met is None else _lost(venue, met.lost),
        late=[] if met is None else _differences(met.late),
        others=[] if met is None else _differences(met.others),
        others_lost=[] if met is None else _lost(venue, met.others_lost),
    )


def _read(venue: VenueFile, tree: dict[str, Any]) -> tuple[Reading, int]:
    """The venue with the rule in its place or at the end, read as a venue file is; and the rule's place."""
    whole = venue_tree(venue)
    rules = list(whole.get("rules", ()))
    same = [i for i, r in enumerate(venue.rules) if r.id == tree.get("id")]
    number = same[0] if same else len(rules)
    rules[number : number + 1] = [tree]
    return read_tree({**whole, "rules": rules}, where=None), number


def _new_faults(venue: VenueFile, reading: Reading) -> list[Fault]:
    """What the rule brings, without what the venue had before. Everything is said of it by its name."""
    before = {(f.entry, f.message) for f in read_tree(venue_tree(venue), where=None).findings}
    return [f for f in reading.findings if (f.entry, f.message) not in before]


def _fault(rule: Rule, message: str) -> Fault:
    return Fault(entry=f"rule '{rule.id}'", message=message.removeprefix(f"rule '{rule.id}': "), code="bad-input")


def _at(venue: VenueFile, number: int) -> Rule | None:
    return venue.rules[number] if number < len(venue.rules) else None


def _stand_in(reading: Reading, number: int, *keys: str) -> bool:
    """Whether something of these inner tables could not be read."""
    return any(
        place[:2] == ("rules", number) and (len(place) == 2 or place[2] in keys) for place in reading.stand_ins
    )


def _planner(facts: dict[str, ClipFacts]) -> Any:
    """Plans around rules whose audio is not there: they are listed, and take no zone from others."""

    def plan_of(venue: VenueFile, date: dt.date) -> Plan:
        used = {name for r in venue.rules for name in (r.chime, *r.clips) if name}
        gone = {name: f"clip '{name}' has no audio" for name in sorted(used - facts.keys())}
        return plan_around(venue, date, facts, gone)

    return plan_of


def _times(venue: VenueFile, found: Iterable[NextTime]) -> list[NextTimeView]:
    zone = ZoneInfo(venue.venue.timezone)
    return [
        NextTimeView(at_ms=n.at_ms, local_at=iso(n.at_ms, zone), date=n.date.isoformat(), words=_words(zone, n))
        for n in found
    ]


def _words(zone: ZoneInfo, time: NextTime) -> str:
    """As people say it: Fri 27 Nov, 17:45; past midnight Fri 27 Nov night, 01:15."""
    local = to_local(zone, time.at_ms)
    clock = f"{local:%H:%M:%S}" if local.second else f"{local:%H:%M}"
    night = "" if local.date() == time.date else " night"
    return f"{time.date:%a} {time.date.day} {time.date:%b}{night}, {clock}"


def _lost(venue: VenueFile, found: Iterable[Unplaced]) -> list[LostView]:
    zone = ZoneInfo(venue.venue.timezone)
    return [
        LostView(
            id=u.id,
            rule=u.rule,
            title=u.title,
            priority=u.priority,
            zones=list(u.zones),
            nominal_ms=u.nominal_ms,
            nominal_at=iso(u.nominal_ms, zone),
            reason=u.reason,
        )
        for u in found
    ]


def _differences(found: Iterable[Difference]) -> list[DifferenceView]:
    return [
        DifferenceView(
            kind=d.kind,
            date=d.date.isoformat(),
            rule=d.rule,
            title=d.title,
            priority=d.priority,
            zones=list(d.zones),
            before_ms=d.before_ms,
            after_ms=d.after_ms,
            reason=d.reason,
        )
        for d in found
    ]


def _sentence(
    rule: Rule | None, times: Sequence[NextTimeView], faults: Sequence[Fault], met: Conflicts | None
) -> str:
    wrong = [f for f in faults if f.level == "fault"]
    if wrong:
        more = f", and {len(wrong) - 1} more" if len(wrong) > 1 else ""
        return f"It cannot be saved: {wrong[0].message}{more}."
    if times:
        first = f"Next on {times[0].words}."
    elif rule is not None and rule.fixed is None and rule.interval is None:
        first = "By hand: it sounds when someone fires it."
    else:
        first = "It never fires."
    return first if met is None else f"{first} {_met_words(met)}"


def _met_words(met: Conflicts) -> str:
    within = f"in the next {met.days} days" if met.days > 1 else "today"
    said = [
        words
        for number, words in (
            (len(met.lost), f"{len(met.lost)} of its own would find no place"),
            (len(met.late), f"{len(met.late)} of its own would start late"),
            (len(met.others_lost), f"{len(met.others_lost)} of others would lose their place"),
            (_moved(met), f"{_moved(met)} of others would start at another time"),
        )
        if number
    ]
    return f"{'; '.join(said)[:1].upper()}{'; '.join(said)[1:]} {within}." if said else f"No conflict {within}."


def _moved(met: Conflicts) -> int:
    return sum(d.kind == "moved" for d in met.others)
