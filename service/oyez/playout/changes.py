"""Who wants to know that something changed, and what: names in a bounded queue a subscriber.

A reader that is slow loses nothing it needs: a name already waiting is not put in twice, so a queue never holds
more than there are names.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Literal, Self

Changed = Literal["plan", "log", "state", "venue"]


class Subscription:
    """`get` waits for the next name; `close` ends it (also as a context manager)."""

    def __init__(self, leave: Callable[[Subscription], None]) -> None:
        self._leave = leave
        self._waiting: list[Changed] = []
        self._ready = threading.Condition()
        self.closed = False

    def put(self, name: Changed) -> None:
        with self._ready:
            if name not in self._waiting:
                self._waiting.append(name)
                self._ready.notify()

    def get(self, timeout: float | None = None) -> Changed | None:
        """The next name, None when nothing changed for `timeout` seconds or the subscription is closed."""
        with self._ready:
            if not self._waiting and not self.closed:
                self._ready.wait(timeout)
            return self._waiting.pop(0) if self._waiting else None

    def close(self) -> None:
        with self._ready:
            self.closed = True
            self._ready.notify_all()
        self._leave(self)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class Changes:
    """All subscriptions; may be used from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._subscribers: list[Subscription] = []

    def subscribe(self) -> Subscription:
        made = Subscription(self._forget)
        with self._lock:
            self._subscribers.append(made)
        return made

    def tell(self, *names: Changed) -> None:
        with self._lock:
            subscribers = list(self._subscribers)
        for subscriber in subscribers:
            for name in names:
                subscriber.put(name)

    def close(self) -> None:
        with self._lock:
            subscribers = list(self._subscribers)
        for subscriber in subscribers:
            subscriber.close()

    def _forget(self, subscriber: Subscription) -> None:
        with self._lock:
            if subscriber in self._subscribers:
                self._subscribers.remove(subscriber)
