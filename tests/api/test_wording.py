"""Sentences for people that stand in time before what they speak of."""

from __future__ import annotations

import datetime as dt

from oyez.api.ports import Fired
from oyez.api.views import fired_view
from oyez.api.wording import happened
from oyez.store.log_entries import LogRecord, merge
from tests.api.fake_director import at, quillfin

START = at("10:51:34")
REASON = "'A child is waiting' sounds in Ticket hall and 1 more until 10:51:34"


def fired(reason: str) -> Fired:
    return Fired(
        id="rain@1!1",
        title="Rain on the terrace",
        start_ms=START,
        end_ms=START + 7_000,
        zones=("ticket-hall", "seal-terrace"),
        left_out=(),
        reason=reason,
    )


def test_a_press_that_waits_says_the_time_once_and_why() -> None:
    shown = fired_view(fired(f"starts in 22.8 s, 22.8 s late: {REASON}"), quillfin(), now_ms=START - 22_800)
    assert shown.sentence == f"Starts at 10:51:34 in Ticket hall and Seal terrace: {REASON}"


def test_what_was_claimed_ahead_of_its_time_is_not_said_to_sound() -> None:
    body = {
        "kind": "claim", "id": "rain@1!1", "title": "Rain", "nominal_ms": START - 20_000, "planned_ms": START,
        "planned_end_ms": START + 7_000, "zones": ["shop"], "reason": "on time", "at_ms": START - 20_000,
    }  # fmt: skip
    record = LogRecord(number=1, kind="claim", at_ms=1, occurrence="rain@1!1", body=body, hash="")
    (entry,) = merge([record])
    names = {"shop": "Shop"}
    assert happened(entry, names, dt.UTC, now_ms=START - 1) == "Starts at 10:51:34 in Shop: on time"
    assert happened(entry, names, dt.UTC, now_ms=START) == "Sounding in Shop"
