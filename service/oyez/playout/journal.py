"""The engine's journal: what was claimed and what became of it, one JSON object a line, only ever appended.

Laws: `append` returns only after the line is on the disk (fsync), so what is claimed here was claimed before it
sounded. `seq` counts 1, 2, 3 ... and never goes back, not over restarts and not over trims. A line torn by a
crash was never acknowledged: it is cut off when the journal is opened. Trimming keeps every record not yet
taken over, and claims and ends of the last two days, so that "begun at most once" outlives a restart.
Never touches audio or the database.
"""

from __future__ import annotations

import errno
import json
import os
import threading
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

KEEP_MS = 2 * 86_400_000
TRIM_OVER_BYTES = 4 * 1024 * 1024
SPARE_BYTES = 256 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    seq: int
    boot: str
    record: Mapping[str, Any]

    @property
    def tree(self) -> dict[str, Any]:
        return {"seq": self.seq, "boot": self.boot, "record": dict(self.record)}

    @property
    def text(self) -> bytes:
        return json.dumps(self.tree, separators=(",", ":"), ensure_ascii=False).encode() + b"\n"


class Journal:
    """Open journal of one folder. Used from several threads; one lock orders the writes.

    A small spare file is kept beside it and given up when the disk is full, so that the plays of the next days can
    still be claimed while somebody makes room. `fault` says in words what keeps the last write from the disk.
    """

    def __init__(self, folder: Path, *, boot: str) -> None:
        self.path = folder / "journal.jsonl"
        self.boot = boot
        self.fault: str | None = None
        self.torn = False
        self.taken = 0
        self._spare = folder / "journal.spare"
        self._taken_path = folder / "journal-taken"
        self._lock = threading.Lock()
        folder.mkdir(parents=True, exist_ok=True)
        self._lines = self._read()
        with suppress(OSError, ValueError):
            self.taken = int(self._taken_path.read_text(encoding="ascii"))
        self.last_seq = max(self._lines[-1].seq if self._lines else 0, self.taken)
        self._file = os.open(self.path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o600)
        self._size = os.fstat(self._file).st_size
        _sync_folder(folder)
        self._keep_spare()

    def append(self, record: Mapping[str, Any]) -> int:
        """Write one record and wait for the disk. Returns its seq. Raises OSError when it could not be kept."""
        with self._lock:
            line = Line(seq=self.last_seq + 1, boot=self.boot, record=dict(record))
            try:
                self._write(line.text)
            except OSError as error:
                if error.errno != errno.ENOSPC or not self._give_up_spare():
                    self.fault = f"the journal cannot be written: {error.strerror}"
                    raise
                try:
                    self._write(line.text)
                except OSError as again:
                    self.fault = f"the journal cannot be written: {again.strerror}"
                    raise
                self.fault = "the disk is full; the journal lives on its spare room"
            else:
                self.fault = None
            self.last_seq = line.seq
            self._lines.append(line)
            return line.seq

    def since(self, seq: int, limit: int) -> tuple[tuple[Line, ...], bool]:
        """Up to `limit` lines after `seq`, and whether there are more. A seq past the end is read as 0."""
        with self._lock:
            after = seq if seq <= self.last_seq else 0
            found = [line for line in self._lines if line.seq > after]
        return tuple(found[:limit]), len(found) > limit

    def take(self, through: int, *, now_ms: int) -> None:
        """The database has everything up to `through`: remember it, and trim what is old when there is much."""
        with self._lock:
            self.taken = max(self.taken, min(through, self.last_seq))
            _replace(self._taken_path, str(self.taken).encode())
            if self._size > TRIM_OVER_BYTES:
                self._trim(now_ms)
            if self.fault is None and not self._spare.exists():
                self._keep_spare()

    def begun(self) -> frozenset[str]:
        """Ids that must not begin (again): claimed, ended or given up within what the journal keeps."""
        with self._lock:
            return frozenset(
                str(line.record["id"])
                for line in self._lines
                if line.record.get("kind") in {"claim", "end", "unsent"} and "id" in line.record
            )

    def open_claims(self) -> tuple[Mapping[str, Any], ...]:
        """Claims without an end, oldest first."""
        with self._lock:
            ended = {line.record.get("id") for line in self._lines if line.record.get("kind") == "end"}
            return tuple(
                line.record
                for line in self._lines
                if line.record.get("kind") == "claim" and line.record.get("id") not in ended
            )

    def close(self) -> None:
        with self._lock:
            os.close(self._file)

    def _read(self) -> list[Line]:
        """Every whole line; what follows the last newline, or is not a journal line, was torn and is cut off."""
        try:
            data = self.path.read_bytes()
        except FileNotFoundError:
            return []
        lines: list[Line] = []
        good = 0
        for text in data.splitlines(keepends=True):
            line = _read_line(text)
            if line is None:
                break
            lines.append(line)
            good += len(text)
        if good < len(data):
            self.torn = True
            if (
                data.count(b"\n", good) > 1
            ):  # more than one torn line: keep what cannot be read for a person to look at
                self.path.with_suffix(".torn").write_bytes(data[good:])
                lines.extend(_readable(data[good:]))
                _replace(self.path, b"".join(line.text for line in lines))
            else:
                with self.path.open("r+b") as file:
                    file.truncate(good)
                    os.fsync(file.fileno())
        return lines

    def _write(self, text: bytes) -> None:
        """All of the text or nothing of it, on the disk."""
        try:
            left = text
            while left:
                left = left[os.write(self._file, left) :]
            os.fdatasync(self._file)
        except OSError:
            with suppress(OSError):
                os.ftruncate(self._file, self._size)
            raise
        self._size += len(text)

    def _trim(self, now_ms: int) -> None:
        oldest = now_ms - KEEP_MS
        kept = [
            line
            for line in self._lines
            if line.seq > self.taken or int(line.record.get("at_ms", now_ms)) >= oldest
        ]
        ended = {line.record.get("id") for line in self._lines if line.record.get("kind") == "end"}
        open_lines = [
            line
            for line in self._lines
            if line.record.get("kind") == "claim" and line.record.get("id") not in ended and line not in kept
        ]
        kept = sorted([*open_lines, *kept], key=lambda line: line.seq)
        if len(kept) == len(self._lines):
            return
        data = b"".join(line.text for line in kept)
        _replace(self.path, data)
        os.close(self._file)
        self._file = os.open(self.path, os.O_WRONLY | os.O_APPEND | os.O_CLOEXEC)
        self._size = len(data)
        self._lines = kept

    def _keep_spare(self) -> None:
        with suppress(OSError):
            if not self._spare.exists():
                self._spare.write_bytes(b"\0" * SPARE_BYTES)

    def _give_up_spare(self) -> bool:
        try:
            self._spare.unlink()
        except OSError:
            return False
        return True


def _read_line(text: bytes) -> Line | None:
    if not text.endswith(b"\n"):
        return None
    try:
        tree = json.loads(text)
        return Line(seq=int(tree["seq"]), boot=str(tree["boot"]), record=dict(tree["record"]))
    except (ValueError, KeyError, TypeError):
        return None


def _readable(data: bytes) -> Iterator[Line]:
    for text in data.splitlines(keepends=True):
        line = _read_line(text)
        if line is not None:
            yield line


def _replace(path: Path, data: bytes) -> None:
    """Put a file in its place whole: temporary file, fsync, rename, fsync of the folder."""
    temporary = path.with_name(path.name + ".new")
    with temporary.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(path)
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


replace_file = _replace
