"""What people on site ask of a plan by hand: to skip an occurrence, to hold zones quiet, and what clips allow.

Pure; who asks and until when comes in, and is shown with every reason.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping

from oyez.planning.types import Live, Occurrence, QuietSpan
from oyez.venue.models import Clip, VenueFile

SKIPPED = "skipped by hand"


def hold(
    venue: VenueFile, zones: Iterable[str], *, start_ms: int, end_ms: int, min_priority: int, who: str
) -> tuple[QuietSpan, ...]:
    """A quiet window made by hand, one span a zone: nothing under `min_priority` sounds in [start_ms, end_ms).

    zones  zone ids, group ids, or "all"; the music goes on
    """
    return tuple(
        QuietSpan(
            zone=zone,
            start_ms=start_ms,
            end_ms=end_ms,
            min_priority=min_priority,
            music_off=False,
            label=f"held quiet by {who}",
            who=who,
        )
        for zone in venue.resolve(tuple(zones))
    )


def barred(
    venue: VenueFile, date: dt.date, found: Iterable[Occurrence], live: Live | None
) -> tuple[list[Occurrence], list[tuple[Occurrence, str]]]:
    """Occurrences that may be placed, and those that may not, each with the reason.

    Not placed is what was skipped (by its own id, or that of the occurrence whose zones it takes one by one) and
    what has a clip outside its campaign: one such clip takes the whole play with it.
    """
    skips = live.skips if live else frozenset()
    clips = {clip.id: clip for clip in venue.clips}
    said: dict[int, str | None] = {}
    free, out = [], []
    for o in found:
        if o.order not in said:
            said[o.order] = outside_campaign(venue, o.order, clips, date)
        reason = SKIPPED if o.id in skips or o.id.partition("/")[0] in skips else said[o.order]
        if reason is None:
            free.append(o)
        else:
            out.append((o, reason))
    return free, out


def outside_campaign(venue: VenueFile, order: int, clips: Mapping[str, Clip], date: dt.date) -> str | None:
    """Why the rule at that place has no sound on this operating day, None when all its clips are valid."""
    rule = venue.rules[order]
    for name in (rule.chime, *rule.clips):
        clip = clips.get(name or "")
        if clip is None or clip.valid_on(date):
            continue
        if clip.from_date is not None and date < clip.from_date:
            return f"its clip '{clip.id}' is not valid before {clip.from_date}"
        return f"its clip '{clip.id}' is not valid after {clip.until_date}"
    return None
