"""The page of the clips in a real browser, on real audio: what it answers, what is heard, what is sent."""

from __future__ import annotations

import io
import re
import shutil
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from playwright.sync_api import Page, expect

from oyez.api.app import create_app
from oyez.api.ports import ClipEntry
from oyez.settings import Settings
from tests.api.asking import Served
from tests.api.clip_shelf import demo_clip, shelf
from tests.api.fake_director import FakeDirector

Open = Callable[..., Page]
WIDTHS = [360, 768, 1440]
MINUS = "\N{MINUS SIGN}"


@pytest.fixture(scope="module")
def stocked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Sequence[ClipEntry]]:
    data = tmp_path_factory.mktemp("stocked")
    return data, shelf(Settings(data_dir=data), drawn=True)


@pytest.fixture
def data(stocked: tuple[Path, Sequence[ClipEntry]], tmp_path: Path) -> Path:
    shutil.copytree(stocked[0], tmp_path / "data")
    return tmp_path / "data"


@pytest.fixture
def server(data: Path, director: FakeDirector, stocked: tuple[Path, Sequence[ClipEntry]]) -> Iterator[Served]:
    director.entries = stocked[1]
    made = Served(create_app(Settings(data_dir=data), director))
    made.start()
    yield made
    made.seconds_to_end()


def card(page: Page, clip: str) -> Any:
    return page.locator(f"#clip-{clip}")


def until(page: Page, holds: str) -> None:
    """Waits until an expression holds. (The page's own rules forbid to have it evaluated there.)"""
    for _ in range(100):
        if page.evaluate(holds):
            return
        page.wait_for_timeout(50)
    raise AssertionError(holds)


def flac(samples: np.ndarray) -> bytes:
    out = io.BytesIO()
    soundfile.write(out, samples, 48_000, format="FLAC")
    return out.getvalue()


def sound_file(name: str, samples: np.ndarray) -> dict[str, Any]:
    return {"name": name, "mimeType": "audio/flac", "buffer": flac(samples)}


def test_it_says_first_which_clips_are_fit_and_at_what_level(open_page: Open) -> None:
    page = open_page("/clips")
    expect(page.locator("#fit")).to_have_text(
        "3 of 6 clips are. 3 are not: Ray feeding, Closing in fifteen minutes and Three tones."
    )
    expect(page.locator("#level")).to_have_text(f"Speech at {MINUS}18.0 and chimes at {MINUS}22.0 LUFS.")
    expect(page.locator("#look")).to_have_text("Seal feeding.")
    sizes = page.evaluate(
        "() => [...document.querySelectorAll('main h2, main h3, main p, main dd, main li')]"
        ".map(e => [parseFloat(getComputedStyle(e).fontSize), !!e.closest('.answer')])"
    )
    assert max(size for size, answer in sizes if not answer) < max(size for size, answer in sizes if answer)


def test_what_needs_a_hand_comes_first_and_each_says_what_to_do(open_page: Open) -> None:
    page = open_page("/clips")
    verdicts = page.eval_on_selector_all(".clip", "all => all.map(e => e.dataset.verdict)")
    assert verdicts == ["missing", "quiet", "quiet", "look", "fit", "fit"]
    expect(card(page, "closing-15")).to_contain_text(
        re.compile(r"\d\d\.\d LU too quiet.*record it louder, or raise")
    )
    expect(card(page, "rays")).to_contain_text("Its audio is missing: add the very same file again")
    expect(card(page, "rays").get_by_role("button")).to_have_count(0)
    expect(card(page, "seals")).to_contain_text("There is silence, 1.9 s before it")
    expect(card(page, "welcome")).to_contain_text("Played by ")
    expect(card(page, "two-tone")).to_contain_text(re.compile(r"Opens \d+ announcements"))


def test_numbers_have_their_units(open_page: Open) -> None:
    page = open_page("/clips")
    text = card(page, "welcome").locator(".clip-numbers").inner_text()
    for unit in (" s", "LUFS", "dBTP", " dB"):
        assert unit in text
    assert re.search(rf"Gain in mono zones\s+[+{MINUS}]\d+\.\d dB", text)
    assert "Gain in stereo zones" in text


def test_the_picture_opens_with_its_own_words_and_at_its_own_width(open_page: Open) -> None:
    page = open_page("/clips", width=768)
    look = card(page, "welcome").get_by_role("button", name="Picture")
    expect(look).to_have_attribute("aria-expanded", "false")
    look.click()
    drawing = card(page, "welcome").locator("svg")
    expect(drawing).to_be_visible()
    expect(drawing).to_have_attribute("role", "img")
    box = drawing.bounding_box()
    room = card(page, "welcome").locator(".picture").bounding_box()
    assert box is not None
    assert room is not None
    assert box["width"] == pytest.approx(room["width"], abs=1.0)
    said = card(page, "welcome").get_by_role("img")
    expect(said).to_have_accessible_name("Loudness of Welcome over time")
    expect(said).to_have_accessible_description(re.compile(rf"Integrated loudness {MINUS}\d+\.\d LUFS"))
    page.set_viewport_size({"width": 500, "height": 900})
    until(page, "document.querySelector('#clip-welcome svg').getBoundingClientRect().width < 480")
    card(page, "welcome").get_by_role("button", name="Close picture").click()
    expect(drawing).to_be_hidden()


@pytest.mark.parametrize("dark", [False, True])
def test_every_part_of_the_picture_has_its_colour(open_page: Open, dark: bool) -> None:
    page = open_page("/clips", dark=dark)
    card(page, "welcome").get_by_role("button", name="Picture").click()
    page.wait_for_selector("#clip-welcome svg")
    bare = page.evaluate(
        "() => [...document.querySelectorAll('#clip-welcome svg polygon, #clip-welcome svg polyline')]"
        ".filter(e => { const s = getComputedStyle(e);"
        " return s.stroke === 'none' && (s.fill === 'none' || s.fill === 'rgb(0, 0, 0)') })"
        ".map(e => e.getAttribute('class'))"
    )
    assert bare == []
    assert page.evaluate("getComputedStyle(document.querySelector('#clip-welcome .short-term')).fill") == "none"


def test_a_picture_that_is_not_kept_yet_is_made(open_page: Open, data: Path) -> None:
    for kept in (data / "audio").rglob("*.picture.json"):
        kept.unlink()
    page = open_page("/clips")
    card(page, "seals").get_by_role("button", name="Picture").click()
    expect(card(page, "seals").locator("svg")).to_be_visible(timeout=60_000)


def test_a_picture_that_cannot_be_made_says_why(open_page: Open, data: Path) -> None:
    page = open_page("/clips")
    shutil.rmtree(data / "audio")
    card(page, "seals").get_by_role("button", name="Picture").click()
    expect(card(page, "seals").get_by_role("alert")).to_contain_text("its audio is not in the store")


def heard_gain(page: Page) -> float:
    found: float = page.evaluate("window.heard.gain.value")
    return found


WATCH_GAIN = """() => {
  const make = AudioContext.prototype.createGain;
  AudioContext.prototype.createGain = function () { return (window.heard = make.call(this)); };
}"""


def test_a_clip_is_heard_with_the_gain_it_airs_with(open_page: Open) -> None:
    page = open_page("/clips")
    page.evaluate(WATCH_GAIN)
    gains = {
        clip["id"]: {g["zone_channels"]: g for g in clip["gains"]}
        for clip in page.evaluate("fetch('/api/clips').then(answer => answer.json())")
    }
    card(page, "welcome").get_by_role("button", name="Listen").click()
    expect(page.locator("#listening-state")).to_contain_text(
        "Hearing Welcome as in mono zones, gain +", timeout=8000
    )
    expect(page.locator("#listening-state")).to_contain_text(
        "6 dB softer, like every clip: a browser has no limiter"
    )
    # 6 dB under the gain that plays in the zone
    assert heard_gain(page) == pytest.approx(10 ** ((gains["welcome"][1]["gain_db"] - 6) / 20), rel=1e-5)
    page.get_by_label("Listen as in").select_option("2")
    expect(page.locator("#listening-state")).to_contain_text("as in stereo zones")
    assert heard_gain(page) == pytest.approx(10 ** ((gains["welcome"][2]["gain_db"] - 6) / 20), rel=1e-5)
    until(page, "document.querySelector('#sound').currentTime > 0.2")
    card(page, "two-tone").get_by_role("button", name="Listen").click()
    expect(page.locator("#listening-state")).to_contain_text("Hearing Two tones", timeout=8000)
    assert heard_gain(page) == pytest.approx(10 ** ((gains["two-tone"][2]["gain_db"] - 6) / 20), rel=1e-5)
    assert page.locator(".hear[aria-pressed=true]").count() == 1
    page.get_by_role("button", name="Stop listening").click()
    expect(page.locator("#listening")).to_be_hidden()
    assert page.locator(".hear[aria-pressed=true]").count() == 0


def test_what_is_heard_moves_through_its_picture_and_ends_by_itself(open_page: Open) -> None:
    page = open_page("/clips")
    card(page, "two-tone").get_by_role("button", name="Picture").click()
    page.wait_for_selector("#clip-two-tone svg")
    card(page, "two-tone").get_by_role("button", name="Listen").click()
    place = "parseFloat(document.querySelector('#clip-two-tone .playhead').style.left)"
    until(page, f"{place} > 100")
    length = len(demo_clip("two-tone")) / 48_000
    left, width, at = page.evaluate(
        f"[{place}, Number(document.querySelector('#clip-two-tone svg').getAttribute('width')),"
        " document.querySelector('#sound').currentTime]"
    )
    assert left == pytest.approx(62 + at / length * (width - 62 - 14), abs=60)
    expect(page.locator("#listening")).to_be_hidden(timeout=length * 1000 + 5000)


def test_files_are_sent_and_each_refused_one_has_its_sentence(open_page: Open, director: FakeDirector) -> None:
    page = open_page("/clips")
    page.evaluate("localStorage.setItem('oyez-by', 'Front desk')")
    expect(page.locator("#send")).to_be_disabled()
    page.locator("#files").set_input_files(
        [
            sound_file("Lost ticket.flac", demo_clip("coach") * np.float32(0.9)),
            {"name": "words.wav", "mimeType": "audio/wav", "buffer": b"this is no audio" * 50},
            {"name": "empty.flac", "mimeType": "audio/flac", "buffer": b""},
            sound_file("not wanted.flac", demo_clip("gong")),
        ]
    )
    page.get_by_role("button", name="Leave out not wanted.flac").click()
    page.get_by_role("button", name="Add 3 files").click()
    rows = page.locator("#sending li")
    expect(rows.nth(0)).to_contain_text("Added as lost-ticket. Fit to air", timeout=60_000)
    expect(rows.nth(1)).to_contain_text("Not added: ", timeout=60_000)
    expect(rows.nth(1)).to_contain_text("words.wav")
    expect(rows.nth(2)).to_contain_text("is empty", timeout=60_000)
    expect(rows).to_have_count(3)
    expect(page.locator("#sent")).to_have_text("1 clip added, 2 files not: the reason stands beside each.")
    expect(card(page, "lost-ticket")).to_contain_text("Lost ticket")
    expect(card(page, "lost-ticket")).to_contain_text("No rule plays it.")
    expect(page.locator("#fit")).to_contain_text("4 of 7 clips are.")
    assert director.asked_by == ["Front desk"]


def test_files_can_be_dropped_and_said_to_be_chimes(open_page: Open, director: FakeDirector) -> None:
    page = open_page("/clips")
    page.get_by_label("They are").select_option("chime")
    content = flac(demo_clip("gong") * np.float32(0.8))
    page.evaluate(
        """bytes => {
          const dropped = new DataTransfer();
          dropped.items.add(new File([new Uint8Array(bytes)], 'New gong.flac', { type: 'audio/flac' }));
          for (const name of ['dragenter', 'dragover', 'drop'])
            document.querySelector('#upload').dispatchEvent(
              new DragEvent(name, { dataTransfer: dropped, bubbles: true, cancelable: true }));
        }""",
        list(content),
    )
    expect(page.locator("#sending li")).to_have_count(1)
    page.get_by_role("button", name="Add 1 file").click()
    expect(card(page, "new-gong")).to_contain_text("chime", timeout=60_000)
    assert director.added[0]["entry"].kind == "chime"
    assert page.evaluate("document.querySelector('#upload').className") == "drop"


def test_a_file_that_is_too_large_is_not_sent_at_all(open_page: Open, director: FakeDirector) -> None:
    page = open_page("/clips")
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.method))
    page.evaluate(
        """() => {
          const chosen = new DataTransfer();
          chosen.items.add(new File([new Uint8Array(210 * 1024 * 1024)], 'whole day.wav'));
          const drop = new DragEvent('drop', { dataTransfer: chosen, bubbles: true, cancelable: true });
          document.querySelector('#upload').dispatchEvent(drop);
        }"""
    )
    expect(page.locator("#sending li")).to_contain_text("Not added: is 210 MB, allowed are 199 MB")
    expect(page.locator("#send")).to_be_disabled()
    assert "POST" not in asked


def test_search_finds_titles_kinds_and_rules(open_page: Open) -> None:
    page = open_page("/clips")
    page.keyboard.press("/")
    expect(page.get_by_label("Search")).to_be_focused()
    page.keyboard.type("tones chime")
    expect(page.locator("#found")).to_have_text(
        "2 of 6 clips for \N{LEFT DOUBLE QUOTATION MARK}tones chime\N{RIGHT DOUBLE QUOTATION MARK}."
    )
    expect(card(page, "welcome")).to_be_hidden()
    page.get_by_label("Search").fill("no such thing")
    expect(page.locator("#found")).to_contain_text("Nothing for")
    page.keyboard.press("Escape")
    expect(card(page, "welcome")).to_be_visible()


def test_everything_can_be_done_with_the_keyboard_alone(open_page: Open) -> None:
    page = open_page("/clips")
    page.wait_for_selector(".clip")
    page.keyboard.press("Tab")
    expect(page.locator(".skip")).to_be_focused()
    page.keyboard.press("?")
    expect(page.locator("#keys")).to_be_visible()
    page.keyboard.press("Escape")
    page.keyboard.press("a")
    expect(page.locator("#files")).to_be_focused()
    page.keyboard.press("/")
    reached = set()
    for _ in range(14):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.textContent"))
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    assert {"Listen", "Picture"} <= reached
    card(page, "welcome").get_by_role("button", name="Listen").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#listening-state")).to_contain_text("Hearing Welcome", timeout=8000)
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press(" ")
    expect(page.locator("#listening-state")).to_contain_text("Paused Welcome")
    page.keyboard.press("Escape")
    expect(page.locator("#listening")).to_be_hidden()


def test_the_pages_lead_to_each_other(open_page: Open) -> None:
    page = open_page("/")
    page.get_by_role("link", name="Clips").click()
    expect(page.get_by_role("heading", name="Every clip")).to_be_visible()
    expect(page.get_by_role("link", name="Clips")).to_have_attribute("aria-current", "page")
    page.get_by_role("link", name="Today").click()
    expect(page.get_by_role("heading", name="The day in ribbons")).to_be_visible()


def test_an_empty_shelf_teaches(open_page: Open, director: FakeDirector) -> None:
    director.entries = []
    page = open_page("/clips")
    expect(page.locator("#fit")).to_contain_text("A clip is one recording")
    expect(page.locator("#fit")).to_contain_text("Drop your sound files below")
    expect(page.locator("#files")).to_be_visible()


def test_without_a_venue_it_says_what_to_do_first(open_page: Open, director: FakeDirector) -> None:
    director._venue = None
    page = open_page("/clips")
    expect(page.locator(".teach")).to_contain_text("oyez load quillfin.toml")


def test_clips_that_others_add_show_without_reloading(open_page: Open, director: FakeDirector) -> None:
    page = open_page("/clips")
    page.wait_for_selector("#clip-welcome")
    entries = director.entries
    assert entries is not None
    director.entries = [e for e in entries if e.id != "rays"]
    director.tell("venue")
    expect(card(page, "rays")).to_have_count(0)
    expect(page.locator("#fit")).to_contain_text("3 of 5 clips are.")


def test_a_lost_connection_is_said(open_page: Open, server: Served) -> None:
    page = open_page("/clips")
    page.wait_for_selector(".clip")
    server.seconds_to_end()
    expect(page.locator("#lost")).to_contain_text("Connection lost. What you see is", timeout=5000)
    card(page, "welcome").get_by_role("button", name="Picture").click()
    expect(card(page, "welcome").get_by_role("alert")).to_contain_text("No picture: The service does not answer")


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_runs_over_the_side(open_page: Open, width: int) -> None:
    page = open_page("/clips", width=width)
    page.locator("#files").set_input_files(
        [sound_file("a name that is longer than most people would care to type.flac", demo_clip("gong"))]
    )
    card(page, "welcome").get_by_role("button", name="Picture").click()
    page.wait_for_selector("#clip-welcome svg")
    over = page.evaluate(
        "() => [...document.querySelectorAll('body *')].filter(e => {"
        " const r = e.getBoundingClientRect(); return r.width && r.right > innerWidth + 0.5"
        " && !e.closest('.scroll, .skip') && getComputedStyle(e).position !== 'absolute' })"
        ".map(e => e.tagName + '.' + e.className)"
    )
    assert over == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", [360, 1440])
def test_targets_are_large_enough_for_fingers(open_page: Open, width: int) -> None:
    page = open_page("/clips", width=width)
    page.wait_for_selector(".clip")
    # WCAG 2.2 success criterion 2.5.5: 44 by 44 CSS pixels; a tick's target is its label
    small = page.evaluate(
        "() => [...document.querySelectorAll('button, .pages a, input:not([type=checkbox]), select, .tick')]"
        ".filter(e => e.offsetParent && (e.offsetHeight < 43.5 || e.offsetWidth < 43.5)).map(e => e.outerHTML)"
    )
    assert small == []


def test_the_first_load_is_light(open_page: Open) -> None:
    page = open_page("/clips")
    page.wait_for_timeout(500)
    sizes = page.evaluate(
        "() => performance.getEntriesByType('resource').concat(performance.getEntriesByType('navigation'))"
        ".reduce((sum, e) => sum + e.transferSize, 0)"
    )
    assert sizes < 400_000
