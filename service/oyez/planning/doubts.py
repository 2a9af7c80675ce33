"""What a rule says that its times do not bear out: a message that names a time but may wait, or names another.

Looks at titles and times alone; no calendar, no plan.
"""

from __future__ import annotations

from collections.abc import Iterator

from oyez.errors import Fault
from oyez.planning.saying import about_closing, about_opening, clock_said, minutes_said
from oyez.venue.models import Rule, VenueFile
from oyez.venue.units import Anchor, read_time

MAX_PATIENCE_MS = 60_000  # what a rule that says a time may wait at most


def message_doubts(venue: VenueFile, rule: Rule) -> Iterator[Fault]:
    """Warnings about one rule's words. Its clips' titles are read as one sentence, its own title as another."""
    titles = {clip.id: clip.title for clip in venue.clips}
    texts = tuple(dict.fromkeys([rule.title, " ".join(titles[c] for c in rule.clips if c in titles)]))
    named = _time_named(texts)
    if named is not None and rule.patience_ms > MAX_PATIENCE_MS:
        message = (
            f"says '{named}' but may start {rule.patience_ms // 1000} s late: give it says_time = true, "
            "it then waits at most 60 s"
        )
        yield _warning(rule, message, "says-time-but-waits")
    yield from _wrong_number(rule, texts)


def _warning(rule: Rule, message: str, code: str) -> Fault:
    return Fault(entry=f"rule '{rule.id}'", message=message, code=code, level="warning")


def _time_named(texts: tuple[str, ...]) -> str | None:
    for text in texts:
        minutes = minutes_said(text)
        if minutes:
            return _minutes(minutes[0])
        clock = clock_said(text)
        if clock is not None:
            return clock
    return None


def _minutes(count: int) -> str:
    return f"{count} minute{'' if count == 1 else 's'}"


def _wrong_number(rule: Rule, texts: tuple[str, ...]) -> Iterator[Fault]:
    """A closing call that names other minutes than lie between it and the closing."""
    if rule.fixed is None or not rule.fixed.times:
        return
    times = [read_time(text) for text in rule.fixed.times]
    anchors = [time for time in times if isinstance(time, Anchor) and time.offset_min < 0]
    if len(anchors) < len(times) or len({(a.edge, a.offset_min) for a in anchors}) != 1:
        return
    edge, lead_min = anchors[0].edge, -anchors[0].offset_min
    speaks_of_it = about_closing if edge == "close" else about_opening
    if not any(speaks_of_it(text) for text in texts):
        return
    for text in texts:
        said = minutes_said(text)
        if said and lead_min not in said:
            message = (
                f"says '{_minutes(said[0])}' but sounds at {rule.fixed.times[0]}: say {_minutes(lead_min)}, "
                f"or give it {edge}-{said[0]}"
            )
            yield _warning(rule, message, "says-other-minutes")
            return
