"""The README's pictures, from a demo that this starts itself: `python -m tests.screenshots [FOLDER]`.

Needs Chromium. Waits for the first call, so that the page shows music stepping back while it speaks.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from tests.bench.bench_service import start, stop

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / ".readme"
FIRST_CALL = "Seal feeding"
CALL_WITHIN_MS = 60_000
CALL_ENDS_MS = 12_000
DRAWN_MS = 1500
WIDE = {"width": 1200, "height": 860}
PHONE = {"width": 390, "height": 844}


def chromium() -> str:
    for name in ("chromium", "chromium-browser"):
        found = shutil.which(name)
        if found:
            return found
    raise SystemExit("no Chromium on this machine: apt install chromium")


def open_page(
    browser: Browser, address: str, size: dict[str, int], *, dark: bool = False, wait: str = "#lanes li"
) -> Page:
    context = browser.new_context(
        viewport=size,  # type: ignore[arg-type]
        color_scheme="dark" if dark else "light",
        locale="en-GB",
    )
    page = context.new_page()
    page.goto(address, wait_until="load")  # never "networkidle": live events keep one request open
    page.wait_for_selector(wait)
    return page


def take(browser: Browser, address: str, folder: Path) -> None:
    wide = open_page(browser, address, WIDE)
    wide.wait_for_function(
        "title => document.querySelector('#now').textContent.includes(title)",
        arg=FIRST_CALL,
        timeout=CALL_WITHIN_MS,
    )
    wide.wait_for_timeout(DRAWN_MS)
    wide.screenshot(path=folder / "speaking.png")
    wide.wait_for_timeout(CALL_ENDS_MS)
    wide.click("#zoom-now")
    for _ in range(3):
        wide.click("#zoom-in")
    wide.click("#zoom-now")
    wide.locator("#ribbons").screenshot(path=folder / "ribbons.png")
    wide.locator("#calls").screenshot(path=folder / "calls.png")
    wide.locator("#log details").first.locator("summary").click()
    wide.wait_for_timeout(DRAWN_MS)
    wide.locator("#log").screenshot(path=folder / "log.png")
    clips(browser, address, folder)
    phone = open_page(browser, address, PHONE, dark=True)
    phone.wait_for_timeout(DRAWN_MS)
    phone.screenshot(path=folder / "phone.png")


def clips(browser: Browser, address: str, folder: Path) -> None:
    page = open_page(browser, f"{address.rstrip('/')}/clips", WIDE, wait=".clip")
    page.locator("#clip-welcome .look").click()
    page.wait_for_selector("#clip-welcome svg")
    page.locator("#clip-welcome").screenshot(path=folder / "clips.png")


def main() -> int:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="oyez-pictures-") as temporary:
        data = Path(temporary) / "data"
        process, address = start(data)
        try:
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
                take(browser, address, folder)
                browser.close()
        finally:
            stop(process, data)
    for picture in sorted(folder.glob("*.png")):
        print(f"{picture}  {picture.stat().st_size / 1000:.0f} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
