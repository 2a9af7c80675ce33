"""The last hash of each chain, kept in a file of its own beside the database (`log-head` in the data folder).

It lets `verify` see that records were removed from the end, which no chain can show by itself. A head that the
database contradicts is never thrown away: it stays listed, so that the log goes on failing to verify.

What it cannot do: someone who may change the data folder can change this file too. Copy the head to another
place now and then (it is shown by `oyez log verify` and with the service's health); a copy that the log no
longer holds proves that it was changed. A record written just before a crash may be newer than the head.

    {"format": 1, "venues": {"1": {"log": [{"number": 12, "hash": "..."}], "journal": [...]}}}

The last entry of each list is the present head, those before it are the contradicted ones.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from oyez.errors import WorkFailed
from oyez.store.chain import Head

NAME = "log-head"


def read_heads(data_dir: Path, venue_id: int, chain: str) -> tuple[Head, ...] | None:
    """The heads kept for one chain ("log" or "journal"), the present one last. None when none was ever kept.

    Raises WorkFailed when the file is there but is not what this module writes.
    """
    entries = _read(data_dir / NAME).get(str(venue_id), {}).get(chain)
    if not entries:
        return None
    try:
        return tuple(Head(number=int(e["number"]), hash=str(e["hash"])) for e in entries)
    except (TypeError, KeyError, ValueError) as error:
        raise WorkFailed(
            f"{data_dir / NAME}: entry of venue {venue_id}, {chain}, is not a list of heads"
        ) from error


def keep_head(
    data_dir: Path, venue_id: int, chain: str, head: Head, *, hash_of: Callable[[int], str | None]
) -> bool:
    """Note the new head. Returns False when an earlier one is contradicted by the database (it stays listed).

    hash_of  the hash of a record by number as the database has it, None when there is no such record
    """
    path = data_dir / NAME
    with _alone(data_dir):
        venues = _read(path)
        kept = list(read_heads(data_dir, venue_id, chain) or ())
        good = True
        if kept:
            last = kept[-1]
            if last == head:
                return len(kept) == 1
            if last.number == 0 or hash_of(last.number) == last.hash:
                if last.number > head.number:
                    return len(kept) == 1  # somebody noted a newer one meanwhile
                kept.pop()
            good = not kept
        kept.append(head)
        entries = [{"number": h.number, "hash": h.hash} for h in kept]
        venues.setdefault(str(venue_id), {})[chain] = entries
        _write(path, {"format": 1, "venues": venues})
    return good


@contextlib.contextmanager
def _alone(data_dir: Path) -> Iterator[None]:
    """One thread of one process at a time: a command may load a venue while the service logs."""
    with (data_dir / f"{NAME}.lock").open("w", encoding="ascii") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _read(path: Path) -> dict[str, Any]:
    try:
        tree = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except ValueError as error:
        raise WorkFailed(f"{path}: is not JSON ({error}); the log's last hash cannot be compared") from error
    venues = tree.get("venues") if isinstance(tree, dict) else None
    if not isinstance(venues, dict):
        raise WorkFailed(f"{path}: has no 'venues'; the log's last hash cannot be compared")
    return venues


def _write(path: Path, tree: Any) -> None:
    made = path.with_name(f"{path.name}.new")
    with made.open("w", encoding="utf-8") as file:
        json.dump(tree, file, indent=1, sort_keys=True)
        file.flush()
        os.fsync(file.fileno())
    made.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
