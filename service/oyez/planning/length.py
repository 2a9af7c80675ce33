"""How long a play lasts: chime, clips, pauses and rounds, in whole milliseconds."""

from __future__ import annotations

from collections.abc import Mapping

from oyez.errors import InputError
from oyez.planning.types import Span
from oyez.venue.facts import ClipFacts
from oyez.venue.models import Rule
from oyez.venue.units import to_ms


def rounds_of(rule: Rule, facts: Mapping[str, ClipFacts], rounds: int | None = None) -> tuple[Span, ...]:
    """Each round as a span counted from the start of the play.

    The chime sounds once, before the first round, with `pause_s` behind it; `pause_s` lies between the clips
    of a round, `repeat_gap_s` between rounds. `rounds` replaces the rule's `repeat`.
    Raises InputError when the duration of a clip is not known.
    """
    pause_ms, gap_ms = to_ms(rule.pause_s), to_ms(rule.repeat_gap_s)
    lengths = [_duration(rule, clip, facts) for clip in rule.clips]
    round_ms = sum(lengths) + pause_ms * (len(lengths) - 1)
    first_ms = 0 if rule.chime is None else _duration(rule, rule.chime, facts) + pause_ms
    step_ms = round_ms + gap_ms
    return tuple(
        Span(start_ms=first_ms + i * step_ms, end_ms=first_ms + i * step_ms + round_ms)
        for i in range(rule.repeat if rounds is None else rounds)
    )


def play_length_ms(rule: Rule, facts: Mapping[str, ClipFacts], rounds: int | None = None) -> int:
    """Duration of a whole play: to the end of its last round."""
    return rounds_of(rule, facts, rounds)[-1].end_ms


def _duration(rule: Rule, clip: str, facts: Mapping[str, ClipFacts]) -> int:
    known = facts.get(clip)
    if known is None:
        raise InputError(f"rule '{rule.id}': the duration of clip '{clip}' is not known, give it `duration_ms`")
    return known.duration_ms
