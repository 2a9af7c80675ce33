"""The steps of importance, each with its defaults (a higher number is more important)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

AfterCut = Literal["restart", "drop"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    name: str
    priority: int
    wait_s: float
    after_cut: AfterCut


STEPS = (  # common practice
    Step(name="promo", priority=20, wait_s=600.0, after_cut="drop"),
    Step(name="information", priority=40, wait_s=300.0, after_cut="drop"),
    Step(name="house", priority=60, wait_s=60.0, after_cut="restart"),
    Step(name="desk", priority=80, wait_s=30.0, after_cut="restart"),
    Step(name="urgent", priority=90, wait_s=60.0, after_cut="restart"),
)


def step_of(priority: int) -> Step:
    """The highest step not above the priority; under the lowest step it is the lowest."""
    return max((s for s in STEPS if s.priority <= priority), key=lambda s: s.priority, default=STEPS[0])
