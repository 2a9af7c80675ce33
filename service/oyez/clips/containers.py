"""Whether an audio file is whole: what its container promises against what is there. Reads headers only.

Decoders pass over a missing end in silence; a clip cut off in mid-sentence must not. Each reader below knows one
container and returns a sentence when the file ends too early, None when it is whole or cannot be judged this way.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from oyez.errors import ClipRefused

_OGG_TAIL = 70_000  # a page is at most 65307 bytes
_STREAMED = {0, 0xFFFF_FFFF, 0x7FFF_FFFF}  # sizes written by programs that could not go back to fill them in


def missing_end(path: Path) -> str | None:
    """What shows that the file ends too early; None when nothing does."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(16)
        if head[:4] in {b"RIFF", b"RF64", b"BW64"} and head[8:12] == b"WAVE":
            return _riff(file, size)
        if head[:4] == b"FORM" and head[8:12] in {b"AIFF", b"AIFC"}:
            return _aiff(file, size)
        if head[:4] == b"OggS":
            return _ogg(file, size)
        if head[4:8] == b"ftyp":
            return _mp4(file, size)
        count = _mp3_count(file, head)
        if count is not None and count.bytes is not None and count.bytes > size - count.at:
            return _short("sound", count.bytes, size - count.at)
    return None


def is_mp3_without_count(path: Path) -> bool:
    """An MP3 stream that does not say how long it is. libsndfile guesses from the bit rate of its first frame,
    and drops what comes after where that rate is not kept.
    """
    with path.open("rb") as file:
        count = _mp3_count(file, file.read(16))
    return count is not None and count.frames is None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mp3Count:
    """at: where the first MPEG frame begins; frames and bytes as a Xing or Info tag in it states them."""

    at: int
    frames: int | None = None
    bytes: int | None = None


def _mp3_count(file: BinaryIO, head: bytes) -> _Mp3Count | None:
    """What an MPEG audio stream says of its length; None when it is no such stream."""
    at = 0
    if head[:3] == b"ID3" and len(head) >= 10:
        at = 10 + sum((byte & 0x7F) << shift for byte, shift in zip(head[6:10], (21, 14, 7, 0), strict=True))
        at += 10 if head[5] & 0x10 else 0
    file.seek(at)
    frame = file.read(200)
    if len(frame) < 4 or frame[0] != 0xFF or frame[1] & 0xE6 != 0xE2:  # sync, layer III
        return _Mp3Count(at=at) if head[:3] == b"ID3" else None
    mono, version_1 = frame[3] >> 6 == 3, frame[1] & 0x18 == 0x18
    tag = 4 + ((17 if mono else 32) if version_1 else (9 if mono else 17))
    if frame[tag : tag + 4] not in {b"Xing", b"Info"} or len(frame) < tag + 16:
        return _Mp3Count(at=at)
    (flags,) = struct.unpack_from(">I", frame, tag + 4)
    values = list(struct.unpack_from(">II", frame, tag + 8))
    frames = values.pop(0) if flags & 1 else None
    return _Mp3Count(at=at, frames=frames, bytes=values.pop(0) if flags & 2 else None)


def _short(part: str, promised: int, there: int) -> str:
    return f"its {part} should be {promised} bytes long, {there} are there"


def _riff(file: BinaryIO, size: int) -> str | None:
    """WAV, RF64 (EBU Tech 3306): the data chunk."""
    at, long_data = 12, None
    while at + 8 <= size:
        file.seek(at)
        name, length = struct.unpack("<4sI", file.read(8))
        if name == b"ds64":
            long_data = struct.unpack("<QQ", file.read(16))[1]
        if name == b"data":
            if length == 0xFFFF_FFFF and long_data is not None:
                length = long_data
            elif length in _STREAMED:
                return None
            there = size - at - 8
            return _short("sound", length, there) if length > there else None
        at += 8 + length + length % 2
    return "it ends before its sound begins"


def _aiff(file: BinaryIO, size: int) -> str | None:
    """AIFF and AIFF-C: the SSND chunk."""
    at = 12
    while at + 8 <= size:
        file.seek(at)
        name, length = struct.unpack(">4sI", file.read(8))
        if name == b"SSND":
            there = size - at - 8
            return _short("sound", length, there) if length > there and length not in _STREAMED else None
        at += 8 + length + length % 2
    return "it ends before its sound begins"


def _ogg(file: BinaryIO, size: int) -> str | None:
    """The last page is whole and says that it is the last (RFC 3533 section 6)."""
    file.seek(max(0, size - _OGG_TAIL))
    tail = file.read()
    at = tail.rfind(b"OggS")
    if at < 0 or at + 27 > len(tail):
        return "its last page is cut off"
    flags, segments = tail[at + 5], tail[at + 26]
    table = tail[at + 27 : at + 27 + segments]
    if len(table) < segments or at + 27 + segments + sum(table) > len(tail):
        return "its last page is cut off"
    return None if flags & 4 else "its last page is not marked as the last"


def _mp4(file: BinaryIO, size: int) -> str | None:
    """MP4, M4A (ISO/IEC 14496-12): the boxes of the top level."""
    at = 0
    while at + 8 <= size:
        file.seek(at)
        length, _ = struct.unpack(">I4s", file.read(8))
        if length == 1:
            raw = file.read(8)
            length = struct.unpack(">Q", raw)[0] if len(raw) == 8 else size + 1
        if length == 0:
            return None  # to the end of the file
        if length < 8:
            return "its boxes are damaged"
        if at + length > size:
            return _short("last box", length, size - at)
        at += length
    return None if at == size else "its last box is cut off"


def cut_short(name: str, promised_s: float, there_s: float) -> ClipRefused:
    """What is said of a file that decoded to less than its header promises."""
    return ClipRefused(
        name, f"is truncated: its header promises {promised_s:.1f} s, {there_s:.1f} s can be read", "truncated"
    )
