"""Quiet windows of one operating day, resolved zone by zone. Half-open spans."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from oyez.planning.hours import OperatingDay
from oyez.planning.time import to_local
from oyez.planning.types import QuietSpan


def quiet_spans(day: OperatingDay, holds: Iterable[QuietSpan] = ()) -> tuple[QuietSpan, ...]:
    """Every quiet window of the day, one a zone, in the file's order of zones, then by start.

    `holds` are windows made by hand; they count like the others. One of a zone that is no more is left out.
    """
    venue = day.venue
    places = {z.id: i for i, z in enumerate(venue.zones)}
    found: list[QuietSpan] = [hold for hold in holds if hold.zone in places]
    for entry in venue.quiet:
        if not day.holds(entry.days, entry.from_date, entry.until_date, entry.except_dates, entry.on_holidays):
            continue
        for window in day.windows(entry.from_, entry.until, entry.hours):
            if window.end_ms <= window.start_ms:
                continue
            words = [f"{to_local(day.zone, at_ms):%H:%M}" for at_ms in (window.start_ms, window.end_ms)]
            found.extend(
                QuietSpan(
                    zone=zone_id,
                    start_ms=window.start_ms,
                    end_ms=window.end_ms,
                    min_priority=entry.min_priority,
                    music_off=entry.music == "off",
                    label=f"quiet {words[0]}-{words[1]}",
                )
                for zone_id in venue.resolve(entry.zones)
            )
    return tuple(sorted(found, key=lambda q: (places[q.zone], q.start_ms, q.end_ms, q.min_priority, q.label)))


def by_zone(spans: Iterable[QuietSpan]) -> Mapping[str, tuple[QuietSpan, ...]]:
    """The spans of each zone, in order."""
    found: dict[str, list[QuietSpan]] = {}
    for span in spans:
        found.setdefault(span.zone, []).append(span)
    return {zone: tuple(of) for zone, of in found.items()}
