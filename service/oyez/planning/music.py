"""When each zone's music plays: its hours, on and in service, without the quiet windows that turn it off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from oyez.planning.hours import OperatingDay
from oyez.planning.types import QuietSpan, Span


def music_spans(day: OperatingDay, quiet: Mapping[str, Sequence[QuietSpan]]) -> dict[str, tuple[Span, ...]]:
    """Zone -> spans of the operating day in which its music plays, sorted, none touching another."""
    found: dict[str, tuple[Span, ...]] = {}
    for zone in day.venue.zones:
        spans: list[Span] = []
        if zone.on and zone.in_service and zone.source is not None:
            for period in day.opening(zone.hours).periods:
                if spans and period.start_ms <= spans[-1].end_ms:
                    spans[-1] = Span(start_ms=spans[-1].start_ms, end_ms=max(period.end_ms, spans[-1].end_ms))
                else:
                    spans.append(period)
            for window in quiet.get(zone.id, ()):
                if window.music_off:
                    spans = [part for span in spans for part in _without(span, window)]
        found[zone.id] = tuple(spans)
    return found


def _without(span: Span, window: QuietSpan) -> list[Span]:
    before = Span(start_ms=span.start_ms, end_ms=min(span.end_ms, window.start_ms))
    after = Span(start_ms=max(span.start_ms, window.end_ms), end_ms=span.end_ms)
    if window.end_ms <= span.start_ms or window.start_ms >= span.end_ms:
        return [span]
    return [part for part in (before, after) if part.end_ms > part.start_ms]
