"""From the director's threads to the event loop: one subscription and one thread, however many pages listen."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Iterator

from oyez.playout.changes import Changed, Subscription

_LOOK_S = 1.0


class Listener:
    """What one page has not been told yet. A name waits once, so it never grows."""

    def __init__(self) -> None:
        self._waiting: dict[Changed, None] = {}
        self._ready = asyncio.Event()

    def put(self, name: Changed) -> None:
        self._waiting[name] = None
        self._ready.set()

    async def get(self, timeout_s: float) -> list[Changed]:
        """All names waiting; none when nothing changed in time, or the service closes."""
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._ready.wait(), timeout_s)
        found = list(self._waiting)
        self._waiting.clear()
        self._ready.clear()
        return found

    def wake(self) -> None:
        self._ready.set()


class Relay:
    """Start and close it in the event loop."""

    def __init__(self, subscription: Subscription) -> None:
        self._subscription = subscription
        self._loop = asyncio.get_running_loop()
        self._listeners: set[Listener] = set()
        self.closing = asyncio.Event()
        self._thread = threading.Thread(target=self._carry, name="relay", daemon=True)
        self._thread.start()

    def _carry(self) -> None:
        while not self._subscription.closed:
            name = self._subscription.get(_LOOK_S)
            if name is not None:
                try:
                    self._loop.call_soon_threadsafe(self._tell, name)
                except RuntimeError:  # the loop is closed: nobody listens any more
                    return

    def _tell(self, name: Changed) -> None:
        for listener in self._listeners:
            listener.put(name)

    @contextlib.contextmanager
    def listener(self) -> Iterator[Listener]:
        made = Listener()
        self._listeners.add(made)
        try:
            yield made
        finally:
            self._listeners.discard(made)

    def let_go_soon(self) -> None:
        """The same from a signal handler or another thread."""
        self._loop.call_soon_threadsafe(self.let_go)

    def let_go(self) -> None:
        """End every open stream. Only in the loop's thread."""
        self.closing.set()
        for listener in self._listeners:
            listener.wake()

    def close(self) -> None:
        self.let_go()
        self._subscription.close()
        self._thread.join(2 * _LOOK_S)
