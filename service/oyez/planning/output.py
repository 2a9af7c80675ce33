"""A plan as JSON and as CSV. The same plan gives the same bytes: fixed order of keys, no clock, no host."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from oyez.planning.time import to_local
from oyez.planning.types import LeftOut, Plan, Play, Unplaced

CSV_COLUMNS = (
    "outcome", "rule", "title", "priority", "nominal", "start", "end", "zones", "left_out", "chime", "clips",
    "reason", "nominal_ms", "start_ms", "end_ms",
)  # fmt: skip


def plan_tree(plan: Plan) -> dict[str, Any]:
    """The plan as plain JSON values; `_ms` are milliseconds of UTC since 1970, ducks are (ms, dB).

    `levels` says of each priority whether the plan is proven to be the best there is, given those above.
    """
    return {
        "venue": plan.venue,
        "date": plan.date.isoformat(),
        "timezone": plan.timezone,
        "starts_ms": plan.starts_ms,
        "ends_ms": plan.ends_ms,
        "plays": [_play_tree(p) for p in plan.plays],
        "unplaced": [_unplaced_tree(u) for u in plan.unplaced],
        "ducks": {zone: [[at_ms, float(db)] for at_ms, db in points] for zone, points in plan.ducks.items()},
        "levels": [
            {"priority": level, "proven": plan.proven[level]} for level in sorted(plan.proven, reverse=True)
        ],
    }


def _play_tree(play: Play) -> dict[str, Any]:
    return {
        "rule": play.rule,
        "nominal_ms": play.nominal_ms,
        "start_ms": play.start_ms,
        "end_ms": play.end_ms,
        "zones": list(play.zones),
        "priority": play.priority,
        "left_out": _left_out(play.left_out),
        "chime": play.chime,
        "clips": list(play.clips),
        "reason": play.reason,
    }


def _unplaced_tree(lost: Unplaced) -> dict[str, Any]:
    return {
        "rule": lost.rule,
        "nominal_ms": lost.nominal_ms,
        "zones": list(lost.zones),
        "priority": lost.priority,
        "left_out": _left_out(lost.left_out),
        "reason": lost.reason,
    }


def _left_out(left_out: tuple[LeftOut, ...]) -> list[dict[str, str]]:
    return [{"zone": left.zone, "reason": left.reason} for left in left_out]


def plan_json(plan: Plan) -> str:
    """`plan_tree` as JSON text, UTF-8, two spaces, a line end at the end."""
    return json.dumps(plan_tree(plan), ensure_ascii=False, indent=2) + "\n"


def plans_json(plans: Sequence[Plan]) -> str:
    """Several days as a JSON list, one `plan_tree` a day."""
    return json.dumps([plan_tree(plan) for plan in plans], ensure_ascii=False, indent=2) + "\n"


def plan_csv(plan: Plan) -> str:
    """The plays, then what found no place, a line each; local times ISO 8601 with offset. RFC 4180 line ends."""
    return plans_csv([plan])


def plans_csv(plans: Iterable[Plan]) -> str:
    """Several days one after the other, under one line of columns."""
    text = io.StringIO()
    rows: Rows = csv.writer(text)
    rows.writerow(CSV_COLUMNS)
    for plan in plans:
        _write_rows(rows, plan)
    return text.getvalue()


class Rows(Protocol):
    def writerow(self, row: Iterable[Any], /) -> Any: ...


def _write_rows(rows: Rows, plan: Plan) -> None:
    zone = ZoneInfo(plan.timezone)

    def local(at_ms: int) -> str:
        return to_local(zone, at_ms).isoformat(timespec="milliseconds")

    for p in plan.plays:
        rows.writerow(
            [
                "planned", p.rule, plain(p.title), p.priority,
                local(p.nominal_ms), local(p.start_ms), local(p.end_ms),
                " ".join(p.zones), _left_words(p.left_out), p.chime or "", " ".join(p.clips), plain(p.reason),
                p.nominal_ms, p.start_ms, p.end_ms,
            ]
        )  # fmt: skip
    for u in plan.unplaced:
        rows.writerow(
            [
                "no place", u.rule, plain(u.title), u.priority, local(u.nominal_ms), "", "",
                " ".join(u.zones), _left_words(u.left_out), "", "", plain(u.reason), u.nominal_ms, "", "",
            ]
        )  # fmt: skip


def _left_words(left_out: tuple[LeftOut, ...]) -> str:
    return "; ".join(f"{left.zone}: {left.reason}" for left in left_out)


def plain(text: str) -> str:
    """Text a spreadsheet will not take for a formula."""
    return "'" + text if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text
