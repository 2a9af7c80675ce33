"""The page on the real service: the demo as a person starts it, a rule fired, its end found in the log."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator

import httpx
import pytest
from playwright.sync_api import Browser, expect

READY_S = 90.0  # a first start compiles


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port: int = found.getsockname()[1]
        return port


def ready(address: str) -> bool:
    try:
        return httpx.get(f"{address}/healthz", timeout=2).status_code == 200
    except httpx.HTTPError:
        return False


@pytest.fixture(scope="module")
def address(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("demo")
    port = free_port()
    with (folder / "talk.txt").open("wb") as talk:
        process = subprocess.Popen(
            [sys.executable, "-m", "oyez.cli", "demo", "--data", str(folder / "data"), "--port", str(port)],
            stdout=talk,
            stderr=talk,
        )
    try:
        until = time.monotonic() + READY_S
        while not ready(f"http://127.0.0.1:{port}"):
            said = (folder / "talk.txt").read_text(encoding="utf-8")
            assert process.poll() is None, said
            assert time.monotonic() < until, said
            time.sleep(0.1)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(10)


def test_a_rule_fired_on_the_page_sounds_and_is_found_in_the_log(browser: Browser, address: str) -> None:
    context = browser.new_context(viewport={"width": 360, "height": 740}, locale="en-GB")
    page = context.new_page()
    page.goto(address, wait_until="load")
    expect(page.locator("#now")).to_contain_text(re.compile("Music|in "), timeout=15_000)
    page.get_by_label("Your name in the log").fill("Front desk")
    page.get_by_role("button", name=re.compile("^Duty manager")).click()
    expect(page.locator(".said-back.good")).to_contain_text(re.compile("Starts (now|at) .*Staff corridor"))
    entry = page.locator("#log-list li", has_text="Duty manager to the ticket hall").first
    expect(entry).to_contain_text("Sounding now", timeout=15_000)
    expect(entry).to_contain_text("asked by Front desk")
    expect(entry).to_contain_text(re.compile("Sent to .*Staff corridor"), timeout=30_000)
    entry.get_by_text("Levels").click()
    expect(entry).to_contain_text(re.compile(r"Staff corridor: -\d+\.\d LUFS at the output"))
    page.get_by_role("button", name="Check the chain").click()
    expect(page.locator("#verified")).to_contain_text("The chain holds", timeout=10_000)
    context.close()


def test_a_zone_is_heard_in_the_browser(browser: Browser, address: str) -> None:
    context = browser.new_context(locale="en-GB")
    page = context.new_page()
    page.add_init_script(
        """const make = AudioContext.prototype.createBuffer;
        window.heard = { peak: 0, seconds: 0 };
        AudioContext.prototype.createBuffer = function (...args) {
          const buffer = make.apply(this, args);
          setTimeout(() => {
            heard.seconds += buffer.duration;
            for (const v of buffer.getChannelData(0)) heard.peak = Math.max(heard.peak, Math.abs(v));
          });
          return buffer;
        };"""
    )
    page.goto(address, wait_until="load")
    page.get_by_role("button", name="Listen to Ticket hall").click()
    expect(page.locator("#listening-state")).to_contain_text("Listening to Ticket hall", timeout=10_000)
    page.wait_for_timeout(3000)
    heard = page.evaluate("heard")
    assert heard["seconds"] > 2.0
    assert heard["peak"] > 0.005  # music, not silence
    context.close()
