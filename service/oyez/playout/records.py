"""What the engine writes into its journal, as plain trees. Values only.

claim   before it sounds          end    when it has ended, however
unsent  it will never sound       event  what happened to the engine itself
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from oyez.mixing.programme import Cue

HEARD = 0.8  # a round that was heard to 80 % is done


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneEnd:
    """How one zone's part ended: `cut` is the reason when it was, None when it went to its end.

    began  whether any of it sounded there
    by_person  the cut was somebody's stop, and so is final
    """

    zone: str
    cut: str | None
    end_ms: int
    loudness_lufs: float | None
    rounds_done: int
    began: bool
    by_person: bool = False

    @property
    def outcome(self) -> str:
        return "not_sent" if not self.began else "sent" if self.cut is None else "cut"


def claim(cue: Cue, *, at_ms: int) -> dict[str, Any]:
    """The cue carries its planned times. `gain_db` is that of the words (the first clip after a chime)."""
    words = next((i for i, s in enumerate(cue.segments) if s.round > 0), 0)
    clips = dict.fromkeys((s.clip, s.sha256) for s in cue.segments)
    return {
        "kind": "claim",
        "id": cue.id,
        "rule": cue.rule,
        "title": cue.title,
        "priority": cue.priority,
        "nominal_ms": cue.nominal_ms,
        "planned_ms": cue.start_ms,
        "planned_end_ms": cue.end_ms,
        "zones": [z.zone for z in cue.zones],
        "left_out": [list(pair) for pair in cue.left_out],
        "asked_by": cue.asked_by,
        "reason": cue.reason,
        "clips": [{"clip": clip, "sha256": sha256} for clip, sha256 in clips],
        "per_zone": [
            {
                "zone": z.zone,
                "gain_db": z.gains_db[words] if z.gains_db else None,
                "gains_db": list(z.gains_db),
                "duck_depth_db": z.depth_db,
            }
            for z in cue.zones
        ],
        "at_ms": at_ms,
    }


def end(cue: Cue, *, actual_ms: int | None, zones: Sequence[ZoneEnd], output: str, at_ms: int) -> dict[str, Any]:
    """`outcome` is that of the whole: sent when at least one zone heard it to its end, cut when none did.

    `rounds_done` are those heard in every zone. `by_person` says, for the whole and for each zone, that somebody
    stopped it: that is final, what is cut otherwise may start again. Records of earlier engines have no such key.
    """
    outcome = "not_sent" if actual_ms is None else "sent" if any(z.cut is None for z in zones) else "cut"
    by_reason: dict[str, list[str]] = {}
    for z in zones:
        if z.cut is not None:
            by_reason.setdefault(z.cut, []).append(z.zone)
    if outcome == "sent" and by_reason:
        reason = "; ".join([cue.reason, *(f"in {', '.join(where)}: {why}" for why, where in by_reason.items())])
    else:
        reason = "; ".join(by_reason) or cue.reason
    return {
        "kind": "end",
        "id": cue.id,
        "rule": cue.rule,
        "title": cue.title,
        "nominal_ms": cue.nominal_ms,
        "planned_ms": cue.start_ms,
        "actual_ms": actual_ms,
        "end_ms": max((z.end_ms for z in zones), default=at_ms),
        "outcome": outcome,
        "reason": reason,
        "per_zone": [
            {
                "zone": z.zone,
                "outcome": z.outcome,
                "reason": z.cut,
                "end_ms": z.end_ms,
                "loudness_lufs": None if z.loudness_lufs is None else round(z.loudness_lufs, 2),
                "rounds_done": z.rounds_done,
                "by_person": z.by_person,
            }
            for z in zones
        ],
        "by_person": any(z.by_person for z in zones),
        "rounds_done": min((z.rounds_done for z in zones), default=0),
        "output": output,
        "at_ms": at_ms,
    }


def cut_by_person(zone: Mapping[str, Any]) -> bool:
    """Whether somebody stopped it there: an entry of an end's `per_zone`, of this engine or an earlier one."""
    told = zone.get("by_person")
    return str(zone.get("reason") or "").startswith("stopped by ") if told is None else bool(told)


def unsent(cue: Cue, reason: str, *, at_ms: int) -> dict[str, Any]:
    return {
        "kind": "unsent",
        "id": cue.id,
        "rule": cue.rule,
        "title": cue.title,
        "priority": cue.priority,
        "nominal_ms": cue.nominal_ms,
        "zones": [z.zone for z in cue.zones],
        "left_out": [list(pair) for pair in cue.left_out],
        "reason": reason,
        "at_ms": at_ms,
    }


def event(what: str, reason: str, *, at_ms: int, **more: Any) -> dict[str, Any]:
    return {"kind": "event", "what": what, "reason": reason, "at_ms": at_ms, **more}


def closed_after_stop(claimed: dict[str, Any], *, last_seen_ms: int | None, at_ms: int) -> dict[str, Any]:
    """The end of a claim that an engine left open when it died. `last_seen_ms`: when it last wrote that it lived.

    Heard to its end if it lived past it; cut there if it lived past the start; otherwise nobody knows of a sound.
    """
    planned_ms, planned_end_ms = int(claimed["planned_ms"]), int(claimed["planned_end_ms"])
    seen_ms = planned_ms - 1 if last_seen_ms is None else last_seen_ms
    if seen_ms >= planned_end_ms:
        outcome, end_ms, reason = "sent", planned_end_ms, "the engine stopped before it could write the end"
    elif seen_ms >= planned_ms:
        outcome, end_ms, reason = "cut", seen_ms, "the engine stopped"
    else:
        outcome, end_ms, reason = "cut", planned_ms, "the engine stopped before it is known to have sounded"
    return {
        "kind": "end",
        "id": claimed["id"],
        "rule": claimed.get("rule"),
        "title": claimed.get("title"),
        "nominal_ms": claimed.get("nominal_ms"),
        "planned_ms": planned_ms,
        "actual_ms": planned_ms if seen_ms >= planned_ms else None,
        "end_ms": end_ms,
        "outcome": outcome,
        "reason": reason,
        "per_zone": [
            {
                "zone": z["zone"],
                "outcome": outcome,
                "reason": None if outcome == "sent" else reason,
                "end_ms": end_ms,
                "loudness_lufs": None,
                "rounds_done": 0,
            }
            for z in claimed.get("per_zone", ())
        ],
        "rounds_done": 0,
        "output": "unknown",
        "at_ms": at_ms,
    }


def rounds_done(cue: Cue, heard_frames: int) -> int:
    """Rounds heard to at least 80 % when the first `heard_frames` frames of the cue were heard."""
    done = 0
    for number in sorted({s.round for s in cue.segments if s.round > 0}):
        parts = [s for s in cue.segments if s.round == number]
        first = min(s.offset_frames for s in parts)
        last = max(s.offset_frames + s.frames for s in parts)
        if heard_frames >= first + HEARD * (last - first):
            done = number
    return done
