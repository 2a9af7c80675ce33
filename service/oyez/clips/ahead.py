"""Do the next blocks' work in a thread while this one is used: decoding and measuring then overlap."""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Iterator
from typing import TypeVar

Item = TypeVar("Item")


@contextlib.contextmanager
def ahead(items: Iterator[Item], depth: int = 4) -> Iterator[Iterator[Item]]:
    """Yield an iterator over the same items, made up to `depth` ahead. What the maker raises is raised here.

    When the block is left, in whatever way, the maker has ended: whatever `items` reads from may then be closed.
    """
    made: queue.Queue[tuple[Item | None, BaseException | None]] = queue.Queue(depth)
    stop = threading.Event()

    def put(item: Item | None, error: BaseException | None) -> None:
        while not stop.is_set():
            with contextlib.suppress(queue.Full):
                made.put((item, error), timeout=0.1)
                return

    def make() -> None:
        try:
            for item in items:
                put(item, None)
                if stop.is_set():
                    return
        except BaseException as error:  # noqa: BLE001 - raised again where the items are used
            put(None, error)
        else:
            put(None, None)

    def use() -> Iterator[Item]:
        while True:
            item, error = made.get()
            if error is not None:
                raise error
            if item is None:
                return
            yield item

    maker = threading.Thread(target=make, name="ahead", daemon=True)
    maker.start()
    try:
        yield use()
    finally:
        stop.set()
        maker.join()
