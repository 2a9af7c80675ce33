"""How the service is, in numbers and in one sentence with a stable word for programs."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from oyez.errors import WorkFailed
from oyez.playout.keeper import Keeper
from oyez.playout.troubles import silence
from oyez.store import log
from oyez.store.database import journal_mode

LITTLE_BYTES = 200_000_000
HELD_S = 5.0  # a plan's proof may take a beat or two


def health(keeper: Keeper, state: Mapping[str, Any], *, held_s: float | None = None) -> dict[str, Any]:
    """As a JSON tree.

    held_s  for how long the heartbeat has waited for its last look to end

    code, sentence     the worst of what is wrong: "ok", "no-venue", "engine-gone", "database", "output-lost",
                       "output-unused", "log", "held-up", "disk", "silent" (works, but nothing reaches a
                       sound card)
    playing            the engine answers
    engine             boot, pid, started_ms, age_s since it answered, xruns, revision
    output             "card", "recording" or "silent", with `silent_reason`
    database           ok, fault, sqlite (version), journal_mode
    log                records, hash of the last one, whether the kept head agrees
    clock              offset_ms wall against elapsed time since the last jump, jumps, the engine's own figures
    tzdata, disk_free_bytes, revision
    """
    alive = state.get("engine") == "alive"
    now: Mapping[str, Any] = state if alive else state.get("last") or {}
    base = _database(keeper)
    free_bytes = _free(keeper)
    code, sentence = _worst(keeper, state, base, free_bytes, held_s)
    return {
        "code": code,
        "sentence": sentence,
        "playing": alive,
        "output": _output(now),
        "silent": bool(now.get("silent", True)),
        "silent_reason": now.get("silent_reason"),
        "outputs": list(now.get("outputs") or ()),
        "xruns": now.get("xruns"),
        "engine": {
            "alive": alive,
            "age_s": 0.0 if alive else state.get("age_s"),
            **{key: now.get(key) for key in ("boot", "pid", "started_ms", "revision", "starved", "late_blocks")},
        },
        "database": base,
        "log": _log(keeper),
        "clock": {
            "offset_ms": keeper.watch.drift_ms,
            "jumps": keeper.watch.jumps,
            "engine": now.get("clock"),
        },
        "tzdata": _tzdata(),
        "disk_free_bytes": free_bytes,
        "revision": None if keeper.gathered is None else keeper.gathered.revision,
        "fault": keeper.fault,
        "now_ms": keeper.clock.now_ms(),
    }


def _worst(
    keeper: Keeper,
    state: Mapping[str, Any],
    base: Mapping[str, Any],
    free_bytes: int | None,
    held_s: float | None,
) -> tuple[str, str]:
    if keeper.gathered is None:
        return ("fault", keeper.fault) if keeper.fault else ("no-venue", "There is no venue yet")
    if state.get("engine") != "alive":
        return "engine-gone", "The engine does not answer: nothing can be heard"
    if not base["ok"]:
        return "database", f"The database cannot be used: {base['fault']}"
    lost = [o for o in state.get("outputs") or () if o.get("health") == "lost"]
    if lost:
        return "output-lost", f"Output {lost[0].get('id')} is lost: {lost[0].get('detail') or 'no sound there'}"
    unused = [o for o in state.get("outputs") or () if o.get("health") == "unused"]
    if unused:
        return "output-unused", f"Output {unused[0].get('id')} is {unused[0].get('detail')}"
    if not all(keeper.books.heads_good.values()):
        return "log", "The log is not what was written: records are gone or altered"
    if keeper.fault:
        return "fault", keeper.fault
    if held_s is not None and held_s > HELD_S:
        return "held-up", f"The service is held up: what it does each second has not ended for {held_s:.0f} s"
    if free_bytes is not None and free_bytes < LITTLE_BYTES:
        return "disk", f"Only {free_bytes // 1_000_000} MB are left on the disk"
    if state.get("silent"):
        return "silent", silence(state)
    return "ok", "All well"


def _output(state: Mapping[str, Any]) -> str:
    if state.get("silent", True):
        kinds = {o.get("kind") for o in state.get("outputs") or ()}
        return "recording" if "recording" in kinds else "silent"
    return "card"


def _database(keeper: Keeper) -> dict[str, Any]:
    found: dict[str, Any] = {
        "ok": True,
        "fault": None,
        "sqlite": sqlite3.sqlite_version,
        "journal_mode": journal_mode(sqlite3.sqlite_version_info),
    }
    try:
        with keeper.database.read() as session:
            log.last_at_ms(session, 0)
    except WorkFailed as error:
        found |= {"ok": False, "fault": str(error)}
    return found


def _log(keeper: Keeper) -> dict[str, Any]:
    if keeper.gathered is None:
        return {"records": 0, "hash": None, "agrees": True}
    try:
        with keeper.database.read() as session:
            last = log.head(session, keeper.gathered.venue_id)
    except WorkFailed:
        return {"records": None, "hash": None, "agrees": None}
    return {"records": last.number, "hash": last.hash, "agrees": keeper.books.heads_good.get("log", True)}


def _free(keeper: Keeper) -> int | None:
    try:
        return shutil.disk_usage(keeper.settings.data_dir).free
    except OSError:
        return None


def _tzdata() -> str | None:
    try:
        return version("tzdata")
    except PackageNotFoundError:
        return None
