"""Whether an audio file is whole: what its container promises against what is there. Reads headers only.

Decoders pass over a missing end in silence; a clip cut off in mid-sentence must not. Each reader below knows one
container and returns a sentence when the file ends too early, None when it is whole or cannot be judged this way.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import BinaryIO

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
    return None


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
