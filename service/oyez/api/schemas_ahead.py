"""What goes over the wire when looking ahead: a rule's next times, what saving it would do, the feed's address."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from oyez.api.schemas import (
    FaultView,
    PlayId,
    Priority,
    Reason,
    RuleId,
    Shown,
    TitleText,
    ZoneId,
    at,
    ms,
)

RULE_EXAMPLE = {
    "id": "closing-15",
    "title": "Closing in fifteen minutes",
    "clips": ["closing-15"],
    "zones": ["public"],
    "priority": 60,
    "says_time": True,
    "fixed": {"times": ["close-15"]},
}


class NextTimeView(Shown):
    """One coming time at which a rule asks for its zones."""

    at_ms: int = ms("When it asks")
    local_at: str = at("When it asks")
    date: str = Field(description="Operating day it belongs to, ISO 8601 date", examples=["2026-11-27"])
    words: str = Field(description="The same as people say it", examples=["Fri 27 Nov, 17:45"])


class NextTimesView(Shown):
    rule: RuleId
    times: list[NextTimeView] = Field(
        description="The next times from now on, ascending; fewer than asked for where it gives no more",
        examples=[[]],
    )


class PreviewRequest(Shown):
    rule: dict[str, Any] = Field(
        description="The rule as its table in the venue file: seconds in `_s`, minutes in `_min`. One with the id "
        "of a rule that is there stands in its place, any other is added at the end",
        examples=[RULE_EXAMPLE],
    )
    days: int = Field(
        default=7,
        ge=1,
        le=31,
        description="How many operating days to look for conflicts, from today",
        examples=[7],
    )


class LostView(Shown):
    """An occurrence that would find no place."""

    id: PlayId
    rule: RuleId
    title: TitleText
    priority: Priority
    zones: list[ZoneId] = Field(description="Zone ids it asks for", examples=[["foyer"]])
    nominal_ms: int = ms("When it asks")
    nominal_at: str = at("When it asks")
    reason: Reason


class DifferenceView(Shown):
    """A play that would start at another time, come, go, or sound otherwise."""

    kind: Literal["moved", "added", "dropped", "changed"] = Field(
        description="What becomes of it", examples=["moved"]
    )
    date: str = Field(description="Operating day, ISO 8601 date", examples=["2026-11-27"])
    rule: RuleId
    title: TitleText
    priority: Priority
    zones: list[ZoneId] = Field(description="Zone ids in which it sounds", examples=[["foyer"]])
    before_ms: int | None = ms("Its start now, null where it has none")
    after_ms: int | None = ms("Its start then, null where it has none")
    reason: Reason


class PreviewView(Shown):
    """What saving a rule would do. With a fault no conflicts are shown, and no times where they are wrong."""

    sentence: str = Field(
        description="All of it in words", examples=["Next on Fri 27 Nov, 17:45. No conflict in the next 7 days."]
    )
    faults: list[FaultView] = Field(
        description="What is wrong with it, and what is legal but hardly meant", examples=[[]]
    )
    next: list[NextTimeView] = Field(description="Its next ten times", examples=[[]])
    days: int = Field(description="How many operating days were looked at for conflicts", examples=[7])
    lost: list[LostView] = Field(description="Its own occurrences that would find no place", examples=[[]])
    late: list[DifferenceView] = Field(
        description="Its own plays that would start late; `before_ms` is when they ask", examples=[[]]
    )
    others: list[DifferenceView] = Field(description="What would change for other rules' plays", examples=[[]])
    others_lost: list[LostView] = Field(
        description="Occurrences of other rules that would lose their place", examples=[[]]
    )


class FeedView(Shown):
    """A private address at which a calendar program finds the plan. Whoever has it can read the plan."""

    path: str | None = Field(
        description="Path of the calendar on this service, null while there is none; the long word is the secret",
        examples=["/feeds/4kT0aU4cVwq1w8Zr2bq0yqk3w9d1m5c7xZ3b8n6p2tE/plan.ics"],
    )
    days: int = Field(description="How many operating days it holds, from today", examples=[14])
