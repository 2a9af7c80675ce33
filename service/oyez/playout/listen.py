"""What a listener gets: one zone's sound as s16le, live, over the engine's socket.

Follows the history at the listener's own pace. A slow listener loses the oldest sound; one that takes nothing for
ten seconds is let go. The audio thread knows nothing of it.
"""

from __future__ import annotations

import json
import socket
from time import monotonic, sleep

import numpy as np
import numpy.typing as npt

from oyez.errors import NotFound
from oyez.playout.clock import RATE
from oyez.playout.history import History
from oyez.playout.renderer import Renderer

CHUNK = RATE // 50
SEND_BUFFER_BYTES = 64 * 1024
STUCK_S = 10.0
NEW_ZONES_S = 1.0


def to_s16le(block: npt.NDArray[np.float32]) -> bytes:
    """Samples in -1..1 as interleaved little-endian int16, rounded; what is beyond is clipped."""
    data: bytes = np.rint(np.clip(block, -1.0, 32767.0 / 32768.0) * 32768.0).astype("<i2").tobytes()
    return data


def _place(renderer: Renderer, zone: str) -> tuple[History, slice]:
    """Where the zone's sound is kept. The zones of a programme just given come with a block or two: they are
    waited for.
    """
    until = monotonic() + NEW_ZONES_S
    while True:
        history, lanes = renderer.history, renderer.lanes
        if zone in lanes and lanes[zone].stop <= history.lanes:
            return history, lanes[zone]
        if monotonic() > until:
            raise NotFound(f"zone '{zone}': the engine has no such zone, it has {', '.join(lanes) or 'none'}")
        sleep(0.01)


def stream_zone(link: socket.socket, renderer: Renderer, zone: str) -> int:
    """Send the head line, then sound until the listener leaves or the engine stops. Returns the frames dropped.

    Raises NotFound before anything is sent when there is no such zone.
    """
    history, columns = _place(renderer, zone)
    link.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
    link.settimeout(STUCK_S)
    place = history.end
    behind = renderer.mixer.position - place
    head = {
        "ok": True,
        "zone": zone,
        "channels": columns.stop - columns.start,
        "sample_rate": RATE,
        "format": "s16le",
        "first_frame_ms": round(renderer.clock.utc_ms_at(place + behind), 3),
    }
    dropped = 0
    try:
        link.sendall(json.dumps(head).encode() + b"\n")
        while renderer.alive and renderer.history is history:
            if history.end - place < CHUNK:
                sleep(0.01)
                continue
            read = history.read(place, columns, at_most=4 * CHUNK)
            place, dropped = read.next, dropped + read.lost
            link.sendall(to_s16le(read.block))
    except OSError:
        return dropped  # the listener left, or took nothing for too long
    return dropped
