"""The README's pictures, from a demo that this starts itself: `python -m tests.screenshots [FOLDER]`.

Needs Chromium. Waits until the first call has aired, so that every page has something to show.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from tests.bench.bench_service import start, stop

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / ".readme"
FIRST_CALL_HEARD_S = 40.0
SHOTS = {  # name: (width, height, colour scheme, whole page)
    "today": (1280, 800, "light", False),
    "today-dark": (1280, 800, "dark", False),
    "today-whole": (1280, 800, "light", True),
    "phone": (390, 844, "light", False),
}


def chromium() -> str:
    for name in ("chromium", "chromium-browser", "google-chrome"):
        found = shutil.which(name)
        if found:
            return found
    raise SystemExit("no Chromium on this machine: apt install chromium")


def settle(page: Page, address: str) -> None:
    page.goto(address, wait_until="load")  # never "networkidle": live events keep one request open
    page.wait_for_timeout(2500)


def main() -> int:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="oyez-shots-") as temporary:
        data = Path(temporary) / "data"
        process, address = start(data)
        try:
            time.sleep(FIRST_CALL_HEARD_S)
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
                for name, (width, height, scheme, whole) in SHOTS.items():
                    context = browser.new_context(
                        viewport={"width": width, "height": height},
                        color_scheme="dark" if scheme == "dark" else "light",
                        timezone_id="Europe/London",
                        locale="en-GB",
                    )
                    page = context.new_page()
                    settle(page, address)
                    page.screenshot(path=folder / f"{name}.png", full_page=whole)
                    context.close()
                browser.close()
        finally:
            stop(process, data)
    for picture in sorted(folder.glob("*.png")):
        print(f"{picture}  {picture.stat().st_size / 1000:.0f} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
