"""Working ahead in a thread."""

from __future__ import annotations

import threading
import time

import pytest

from oyez.clips.ahead import ahead


def test_all_items_come_in_order():
    with ahead(iter(range(100))) as items:
        assert list(items) == list(range(100))


def test_work_is_done_ahead_and_no_further_than_asked():
    made = []

    def make():
        for i in range(100):
            made.append(i)
            yield i

    with ahead(make(), depth=3) as items:
        next(items)
        until = time.monotonic() + 5
        while len(made) < 5 and time.monotonic() < until:
            time.sleep(0.01)
        time.sleep(0.05)
        assert len(made) == 5  # one used, three waiting, one in hand


def test_what_the_maker_raises_is_raised_to_the_user():
    def make():
        yield 1
        raise KeyError("gone")

    with ahead(make()) as items:
        assert next(items) == 1
        with pytest.raises(KeyError, match="gone"):
            next(items)


def test_leaving_early_ends_the_thread():
    before = threading.active_count()
    with ahead(iter(range(1_000_000))) as items:
        next(items)
    assert threading.active_count() == before
