"""A browser of the machine's own, and the page on a made-up afternoon."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from oyez.api.app import create_app
from oyez.settings import Settings
from tests.api.asking import Served
from tests.api.fake_director import FakeDirector

FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync", "--autoplay-policy=no-user-gesture-required"]  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """For one module at a time: while it runs, the thread has an event loop that other tests must not meet."""
    path = next((found for name in ("chromium", "chromium-browser") if (found := shutil.which(name))), None)
    if path is None:
        pytest.skip("Chromium not found: apt-get install chromium")
    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield made
        made.close()


@pytest.fixture
def director() -> FakeDirector:
    return FakeDirector(now="14:24:20")


@pytest.fixture
def server(tmp_path: Path, director: FakeDirector) -> Iterator[Served]:
    made = Served(create_app(Settings(data_dir=tmp_path), director))
    made.start()
    yield made
    made.seconds_to_end()


Open = Callable[..., Page]


@pytest.fixture
def open_page(browser: Browser, server: Served) -> Iterator[Open]:
    """`open_page(path, width=, dark=)`. A script that fails, or asks another host, fails the test."""
    contexts = []
    wrong: list[str] = []

    def make(
        path: str = "/", *, width: int = 1440, height: int = 900, dark: bool = False, still: bool = False
    ) -> Page:
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if dark else "light",
            reduced_motion="reduce" if still else "no-preference",
            locale="en-GB",
        )
        contexts.append(context)
        page = context.new_page()
        base = f"http://127.0.0.1:{server.port}"
        page.on("pageerror", lambda error: wrong.append(f"script: {error}"))
        page.on("console", lambda said: wrong.append(said.text) if "Content Security" in said.text else None)
        page.on("request", lambda asked: wrong.append(asked.url) if not asked.url.startswith(base) else None)
        page.goto(base + path, wait_until="load")
        page.wait_for_selector("#lanes li, .teach, #clip-list li, #fit p")
        return page

    yield make
    for context in contexts:
        context.close()
    assert wrong == []
