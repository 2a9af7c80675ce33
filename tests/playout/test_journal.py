"""The journal: nothing acknowledged is lost, nothing torn is believed."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import pytest

from oyez.playout import journal as journal_module
from oyez.playout.journal import KEEP_MS, Journal


def claim(name: str, at_ms: int = 0) -> dict[str, object]:
    return {"kind": "claim", "id": name, "at_ms": at_ms}


def end(name: str, at_ms: int = 0) -> dict[str, object]:
    return {"kind": "end", "id": name, "at_ms": at_ms}


def test_records_come_back_in_order_with_their_boot(tmp_path: Path):
    first = Journal(tmp_path, boot="one")
    assert [first.append(claim("a")), first.append(end("a"))] == [1, 2]
    first.close()
    second = Journal(tmp_path, boot="two")
    assert second.append(claim("b")) == 3
    lines, more = second.since(1, 10)
    assert [(line.seq, line.boot, line.record["id"]) for line in lines] == [(2, "one", "a"), (3, "two", "b")]
    assert not more


def test_a_torn_last_line_is_cut_off_and_its_number_used_again(tmp_path: Path):
    first = Journal(tmp_path, boot="one")
    first.append(claim("a"))
    first.append(claim("b"))
    first.close()
    path = tmp_path / "journal.jsonl"
    whole = path.read_bytes()
    for cut in range(whole.index(b"\n") + 2, len(whole)):
        path.write_bytes(whole[:cut])
        again = Journal(tmp_path, boot="two")
        assert again.torn
        assert again.begun() == {"a"}
        assert again.append(claim("c")) == 2
        again.close()
        assert [json.loads(line)["seq"] for line in path.read_text().splitlines()] == [1, 2]


def test_a_whole_last_line_is_kept(tmp_path: Path):
    first = Journal(tmp_path, boot="one")
    first.append(claim("a"))
    first.close()
    again = Journal(tmp_path, boot="two")
    assert not again.torn
    assert again.begun() == {"a"}


def test_damage_in_the_middle_loses_only_what_is_damaged_and_keeps_it_for_a_person(tmp_path: Path):
    first = Journal(tmp_path, boot="one")
    for name in "abc":
        first.append(claim(name))
    first.close()
    path = tmp_path / "journal.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(lines[0] + b"\xff\x00garbage\n" + lines[2])
    again = Journal(tmp_path, boot="two")
    assert again.begun() == {"a", "c"}
    assert again.append(claim("d")) == 4
    assert b"garbage" in (tmp_path / "journal.torn").read_bytes()


def test_a_line_is_on_the_disk_before_append_returns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    order: list[str] = []
    journal = Journal(tmp_path, boot="one")
    real_write, real_sync = os.write, os.fdatasync
    monkeypatch.setattr(os, "write", lambda fd, data: order.append("write") or real_write(fd, data))
    monkeypatch.setattr(os, "fdatasync", lambda fd: order.append("sync") or real_sync(fd))
    journal.append(claim("a"))
    assert order == ["write", "sync"]


def test_trimming_keeps_what_is_not_taken_what_is_young_and_what_is_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(journal_module, "TRIM_OVER_BYTES", 100)
    now_ms = 10 * KEEP_MS
    journal = Journal(tmp_path, boot="one")
    for record in (
        claim("old", 1),
        end("old", 2),
        claim("open", 3),
        claim("young", now_ms - KEEP_MS + 1),
        end("young", now_ms),
        claim("new", 4),
        end("new", 5),
    ):
        journal.append(record)
    journal.take(5, now_ms=now_ms)
    assert journal.begun() == {"open", "young", "new"}
    assert journal.append(claim("next", now_ms)) == 8
    journal.close()
    again = Journal(tmp_path, boot="two")
    assert again.begun() == {"open", "young", "new", "next"}
    assert again.taken == 5
    assert [c["id"] for c in again.open_claims()] == ["open", "next"]


def test_without_confirmation_nothing_is_trimmed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(journal_module, "TRIM_OVER_BYTES", 100)
    journal = Journal(tmp_path, boot="one")
    for n in range(20):
        journal.append(claim(str(n), 1))
    journal.take(0, now_ms=10 * KEEP_MS)
    assert len(journal.begun()) == 20


def test_numbers_do_not_start_over_after_everything_was_trimmed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(journal_module, "TRIM_OVER_BYTES", 1)
    journal = Journal(tmp_path, boot="one")
    journal.append(claim("a", 1))
    journal.append(end("a", 2))
    journal.take(2, now_ms=10 * KEEP_MS)
    journal.close()
    again = Journal(tmp_path, boot="two")
    assert again.since(0, 10) == ((), False)
    assert again.append(claim("b", 1)) == 3


def test_a_full_disk_costs_the_spare_first_and_leaves_no_half_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    journal = Journal(tmp_path, boot="one")
    journal.append(claim("a"))
    real_write = os.write
    spare = tmp_path / "journal.spare"
    assert spare.stat().st_size > 0

    def full(fd: int, data: bytes) -> int:
        if spare.exists():
            real_write(fd, data[:10])
            raise OSError(errno.ENOSPC, "No space left on device")
        return real_write(fd, data)

    monkeypatch.setattr(os, "write", full)
    assert journal.append(claim("b")) == 2
    assert journal.fault == "the disk is full; the journal lives on its spare room"

    def fuller(fd: int, data: bytes) -> int:
        real_write(fd, data[:10])
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", fuller)
    with pytest.raises(OSError, match="No space"):
        journal.append(claim("c"))
    assert "cannot be written" in str(journal.fault)
    monkeypatch.undo()
    assert journal.append(claim("d")) == 3
    assert journal.fault is None
    journal.close()
    assert Journal(tmp_path, boot="two").begun() == {"a", "b", "d"}
