"""What shows only when entries are seen together: unknown names, things with one id, times without hours.

Takes a venue whose single values are valid; says everything that is wrong with it, and what is legal but
useless as far as that shows without a calendar.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from pathlib import PurePosixPath, PureWindowsPath

from oyez.errors import Fault
from oyez.venue.allowed import STAND_IN_ID, Place, nearest, quoted
from oyez.venue.finding import Finding
from oyez.venue.holidays import holiday_findings
from oyez.venue.hours import hours_findings
from oyez.venue.models import Clip, Fixed, Interval, Quiet, Rule, VenueFile
from oyez.venue.names import NOUNS, entry_name
from oyez.venue.outputs import output_findings
from oyez.venue.rrule import rrule_faults
from oyez.venue.units import Anchor, read_time


def find_faults(venue: VenueFile, *, where: str | None = None) -> tuple[Fault, ...]:
    """Every fault and warning between the entries of a venue, in the file's order."""
    order = list(VenueFile.model_fields)
    found = sorted(find_all(venue), key=lambda f: (order.index(str(f.place[0])), _number(f.place)))
    return tuple(
        Fault(where=where, entry=entry_name(venue, f.place), message=f.message, code=f.code, level=f.level)
        for f in found
    )


def _number(place: Place) -> int:
    return place[1] if len(place) > 1 and isinstance(place[1], int) else -1


def find_all(venue: VenueFile) -> list[Finding]:
    return [
        *_same_ids(venue),
        *hours_findings(venue),
        *holiday_findings(venue),
        *_unknown_names(venue),
        *_quiet(venue),
        *_rules(venue),
        *_files(venue),
        *output_findings(venue),
    ]


def _same_ids(venue: VenueFile) -> Iterator[Finding]:
    taken: dict[tuple[str, str], tuple[str, int]] = {}
    for table in NOUNS:
        for i, entry in enumerate(getattr(venue, table)):
            own = getattr(entry, "id", None)
            if own is None:
                continue
            place = (table, i, "id")
            if table in {"zones", "groups"} and own == "all":
                message = "id is 'all', which means every zone, allowed is any other"
                yield Finding(place=place, message=message, code="reserved-id")
            if table == "hours_sets" and own == "venue":
                message = "id is 'venue', which means the hours under [hours], allowed is any other"
                yield Finding(place=place, message=message, code="reserved-id")
            space = "zones" if table == "groups" else table  # rules name zones and groups in one breath
            first = taken.setdefault((space, own), (table, i))
            if first != (table, i):
                named = f"{NOUNS[first[0]]} {first[1] + 1} and {NOUNS[table]} {i + 1}"
                message = f"the id {quoted(own)} is given to {named}, allowed is each id once"
                also = ((first[0], first[1], "id"),)
                yield Finding(place=place, also=also, message=message, code="same-id")


def _unknown_names(venue: VenueFile) -> Iterator[Finding]:
    zones = [z.id for z in venue.zones]
    places = [*zones, *(g.id for g in venue.groups), "all"]
    clips = [c.id for c in venue.clips]
    sources = [s.id for s in venue.sources]
    hours = ["venue", *(h.id for h in venue.hours_sets)]
    for i, quiet in enumerate(venue.quiet):
        yield from _unknown(("quiet", i, "zones"), quiet.zones, places, "zone")
        yield from _unknown(("quiet", i, "hours"), quiet.hours, hours, "hours set")
    for i, zone in enumerate(venue.zones):
        yield from _unknown(("zones", i, "source"), zone.source, sources, "source")
        yield from _unknown(("zones", i, "hours"), zone.hours, hours, "hours set")
    for i, group in enumerate(venue.groups):
        yield from _unknown(("groups", i, "zones"), group.zones, zones, "zone")
    for i, rule in enumerate(venue.rules):
        yield from _unknown(("rules", i, "chime"), rule.chime, clips, "clip", code="unknown-chime")
        yield from _unknown(("rules", i, "clips"), rule.clips, clips, "clip")
        yield from _unknown(("rules", i, "zones"), rule.zones, places, "zone")
        yield from _unknown(("rules", i, "hours"), rule.hours, hours, "hours set")
    for i, season in enumerate(venue.seasons):
        yield from _unknown(("seasons", i, "hours"), season.hours, hours, "hours set")
    for i, single in enumerate(venue.hours_except):
        yield from _unknown(("hours_except", i, "hours"), single.hours, hours, "hours set")
    for i, output in enumerate(venue.outputs):
        for zone_id in output.zones:
            if zone_id not in zones:
                message = f"zones: {_no_such('zone', zone_id, zones)}"
                place: Place = ("outputs", i, "zones", zone_id)
                yield Finding(place=place, also=_TABLES_OF["zone"], message=message, code="unknown-zone")


_TABLES_OF: dict[str, tuple[Place, ...]] = {
    "zone": (("zones",), ("groups",)),
    "clip": (("clips",),),
    "source": (("sources",),),
    "hours set": (("hours_sets",),),
}
"""Where a name could have stood: when such a table is unreadable as a whole, its names are not called unknown."""


def _unknown(
    place: Place, names: str | Sequence[str] | None, known: Collection[str], noun: str, *, code: str = ""
) -> Iterator[Finding]:
    """Findings for the names (one, several or none) that nothing goes by."""
    code = code or f"unknown-{noun.partition(' ')[0]}"
    several = [] if names is None else [names] if isinstance(names, str) else names
    for i, name in enumerate(several):
        if name not in known:
            at = place if isinstance(names, str) else (*place, i)
            message = f"{place[-1]}: {_no_such(noun, name, known)}"
            yield Finding(place=at, also=_TABLES_OF[noun], message=message, code=code)


_SEARCHED = 300  # among more names, looking for the nearest takes longer than it helps


def _no_such(noun: str, name: str, known: Collection[str]) -> str:
    near = nearest(name, known) if len(known) <= _SEARCHED else None
    if near:
        return f"unknown {noun} {quoted(name)}, the nearest is '{near}'"
    some = sorted(set(known) - {STAND_IN_ID})
    listed = ", ".join(some[:12]) + (f" and {len(some) - 12} more" if len(some) > 12 else "")
    return f"unknown {noun} {quoted(name)}, " + (f"known are {listed}" if some else f"the file has no {noun}")


def _anchors(times: Sequence[tuple[Place, str]], hours: str, venue: VenueFile) -> Iterator[Finding]:
    """`open` and `close` need hours to be the edges of."""
    if hours != "venue" or venue.hours is not None:
        return
    for place, text in times:
        if isinstance(read_time(text), Anchor):
            message = (
                f"{'.'.join(str(p) for p in place[2:] if isinstance(p, str))} is '{text}', but the venue has no "
                "[hours]; allowed are clock times, or give it [hours]"
            )
            yield Finding(place=place, also=(("hours",),), message=message, code="no-hours")


def _backwards(place: Place, span: Clip | Fixed | Interval | Quiet) -> Iterator[Finding]:
    if span.from_date and span.until_date and span.from_date > span.until_date:
        never = "is never valid" if isinstance(span, Clip) else "never applies"
        message = f"{never}: from_date {span.from_date} is after until_date {span.until_date}"
        also = ((*place, "from_date"), (*place, "until_date"))
        yield Finding(place=place, also=also, message=message, code="dates-backwards", level="warning")


def _quiet(venue: VenueFile) -> Iterator[Finding]:
    for i, quiet in enumerate(venue.quiet):
        times: list[tuple[Place, str]] = [
            (("quiet", i, "from"), quiet.from_),
            (("quiet", i, "until"), quiet.until),
        ]
        yield from _anchors(times, quiet.hours, venue)
        yield from _backwards(("quiet", i), quiet)


def _rules(venue: VenueFile) -> Iterator[Finding]:
    kinds = {c.id: c.kind for c in venue.clips}
    for i, rule in enumerate(venue.rules):
        at: Place = ("rules", i)
        kind = kinds.get(rule.chime or "")
        if kind is not None and kind != "chime":
            message = f"chime is the clip {quoted(rule.chime or '')} of the kind '{kind}', it is levelled as such"
            number = next(n for n, c in enumerate(venue.clips) if c.id == rule.chime)
            also = (("clips", number, "kind"),)
            place = (*at, "chime")
            yield Finding(place=place, also=also, message=message, code="not-a-chime", level="warning")
        if rule.fixed is not None and rule.interval is not None:
            message = "has [rules.fixed] and [rules.interval], allowed is one of them, or none for a manual rule"
            yield Finding(place=(*at, "interval"), also=((*at, "fixed"),), message=message, code="two-whens")
        yield from _fixed(at, rule, venue)
        if rule.interval is not None:
            inner: Place = (*at, "interval")
            times: list[tuple[Place, str]] = [
                ((*inner, "start"), rule.interval.start),
                ((*inner, "end"), rule.interval.end),
            ]
            yield from _anchors(times, rule.hours, venue)
            yield from _backwards(inner, rule.interval)


def _fixed(at: Place, rule: Rule, venue: VenueFile) -> Iterator[Finding]:
    fixed = rule.fixed
    if fixed is None:
        return
    place: Place = (*at, "fixed")
    if fixed.rrule is None:
        if not fixed.times:
            message = "fixed has no time, allowed are times, or rrule with dtstart"
            yield Finding(place=place, message=message, code="no-times", lacking=True)
        for key in ("dtstart", "exdates", "rdates"):
            if getattr(fixed, key) not in (None, ()):
                message = f"fixed has {key} without rrule, allowed is {key} beside rrule only"
                yield Finding(place=(*place, key), also=((*place, "rrule"),), message=message, code=f"{key}-alone")
    else:
        for said in rrule_faults(fixed.rrule):
            yield Finding(place=(*place, "rrule"), message=f"fixed.rrule {said}", code="bad-rrule")
        if fixed.dtstart is None:
            message = "fixed has rrule without dtstart, allowed is rrule with dtstart, like 2026-11-06T20:00:00"
            yield Finding(place=(*place, "dtstart"), message=message, code="rrule-alone")
        only_times = ("times", "days", "from_date", "until_date", "except_dates")
        beside = [key for key in only_times if getattr(fixed, key) not in (None, ())]
        if beside:
            message = f"fixed has rrule and {', '.join(beside)}, allowed are those beside times only"
            yield Finding(place=(*place, "rrule"), message=message, code="beside-rrule")
    yield from _anchors([((*place, "times", n), text) for n, text in enumerate(fixed.times)], rule.hours, venue)
    yield from _backwards(place, fixed)


def _files(venue: VenueFile) -> Iterator[Finding]:
    for i, clip in enumerate(venue.clips):
        yield from _backwards(("clips", i), clip)
        if escapes(clip.file):
            yield _escaping(("clips", i, "file"), clip.file, "the venue file's folder")
    for i, source in enumerate(venue.sources):
        if escapes(source.folder):
            yield _escaping(("sources", i, "folder"), source.folder, "the venue file's folder")
    for i, output in enumerate(venue.outputs):
        if output.file is not None and escapes(output.file):
            yield _escaping(("outputs", i, "file"), output.file, "the recordings' folder")


def escapes(name: str) -> bool:
    """Whether a file name leads out of the folder it is meant to lie in, on any system."""
    as_windows = PureWindowsPath(name)
    path = PurePosixPath(name.replace("\\", "/"))
    return path.is_absolute() or bool(as_windows.drive) or ".." in path.parts


def _escaping(place: Place, name: str, folder: str) -> Finding:
    message = f"{place[-1]} is {quoted(name)}, allowed are names inside {folder}, without .. or / before them"
    return Finding(place=place, message=message, code="outside-folder")
