"""The page of a day, in a real browser, on a made-up afternoon of the demo venue."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from oyez.api.ports import Health
from tests.api.asking import Served
from tests.api.fake_director import DUCK, FakeDirector, at
from tests.pages.conftest import Open

WIDTHS = (360, 768, 1440)
RIBBON_PX = 46  # the height a ribbon has at 0 dB, and the range down to a hairline: the drawing's own scale
RANGE_DB = 24


def test_the_page_answers_what_is_heard_now_and_next_and_what_is_not(open_page: Open) -> None:
    page = open_page()
    expect(page.locator("#now")).to_have_text("Music in 9 zones, no announcement.")
    expect(page.locator("#next")).to_contain_text("Nursery tanks at 14:25")
    expect(page.locator("#next")).to_contain_text("in Hatchery nursery and Tide pools")
    expect(page.locator("#unheard")).to_contain_text("2 announcements find no place")
    expect(page.locator("#unheard")).to_contain_text("1 was cut, 1 not sent")
    sizes = page.evaluate(
        "() => Object.fromEntries(['#now', 'h1', '#ribbons-title', '#plan-table td']"
        ".map(s => [s, parseFloat(getComputedStyle(document.querySelector(s)).fontSize)]))"
    )
    assert sizes["#now"] == max(sizes.values())  # the answer is the largest type on the page


def test_state_and_cautions_stand_on_the_page_in_words(open_page: Open) -> None:
    page = open_page()
    expect(page.locator("#state")).to_have_text("No sound hardware: playing silently")
    expect(page.locator(".cautions")).to_contain_text("Not a voice-alarm system")
    page.get_by_role("button", name="All cautions").click()
    expect(page.locator("#cautions")).to_contain_text("EN 54-16")
    expect(page.locator("#cautions")).to_contain_text("Loud sound harms hearing")


def test_one_press_fires_and_says_what_happens(open_page: Open, director: FakeDirector) -> None:
    page = open_page()
    button = page.get_by_role("button", name=re.compile("^Duty manager"))
    expect(button).to_contain_text("Barnacle Café, Shop and Staff corridor")  # where, before the press
    page.get_by_label("Your name in the log").fill("Front desk")
    button.click()
    expect(page.locator(".said-back.good")).to_contain_text("Starts now in Barnacle Café, Shop and Staff corridor")
    expect(page.locator("#now")).to_contain_text("Duty manager to the ticket hall")
    expect(page.locator("#log-list li").first).to_contain_text("Duty manager to the ticket hall")
    expect(page.locator("#log-list li").first).to_contain_text("asked by Front desk")
    assert director.asked_by == ["Front desk"]


def test_a_second_press_while_it_sounds_asks_first(open_page: Open, director: FakeDirector) -> None:
    page = open_page()
    button = page.get_by_role("button", name=re.compile("^Duty manager"))
    button.click()
    expect(button).to_contain_text("Sounding now")
    button.click()
    expect(page.locator("#ask")).to_contain_text("Duty manager to the ticket hall is sounding")
    page.get_by_role("button", name="Leave it").click()
    assert len(director.asked_by) == 1
    button.click()
    page.get_by_role("button", name="Play it again").click()
    expect(page.locator("#ask")).to_be_hidden()
    for _ in range(50):
        if len(director.asked_by) == 2:
            return
        page.wait_for_timeout(100)
    raise AssertionError(director.asked_by)


def test_a_press_without_a_place_says_why(open_page: Open) -> None:
    page = open_page()
    page.get_by_role("button", name=re.compile("^Rain on the terrace")).click()
    expect(page.locator(".said-back.bad")).to_contain_text(
        "Not played: no place: Seal terrace and Ticket hall carry"
    )


def test_what_sounds_can_be_stopped(open_page: Open) -> None:
    page = open_page()
    page.get_by_role("button", name=re.compile("^Duty manager")).click()
    page.locator("#now").get_by_role("button", name="Stop").click()
    expect(page.locator("#now")).not_to_contain_text("Duty manager")
    expect(page.locator("#log-list li").first).to_contain_text("stopped by someone at 127.0.0.1")
    expect(page.locator("#log-list li").first).to_contain_text("Cut")


def test_what_others_do_shows_without_reloading(open_page: Open, director: FakeDirector) -> None:
    page = open_page()
    expect(page.locator("#now")).to_contain_text("no announcement")
    director.fire("duty-manager", asked_by="someone else")
    expect(page.locator("#now")).to_contain_text("Duty manager", timeout=3000)
    expect(page.locator("[data-zone=shop] .live")).to_have_text("Duty manager to the ticket hall")


def test_a_lost_connection_is_said_at_once_with_its_age(open_page: Open, server: Served) -> None:
    page = open_page()
    expect(page.locator("#now")).to_contain_text("Music")
    expect(page.locator("#lost")).to_be_hidden()
    server.seconds_to_end()
    expect(page.locator("#lost")).to_contain_text("Connection lost. What you see is", timeout=3000)
    expect(page.locator("#lost")).to_contain_text(re.compile(r"[3-9] s old"), timeout=9000)  # and it grows


def test_a_state_that_turns_bad_shows(open_page: Open, director: FakeDirector) -> None:
    page = open_page()
    expect(page.locator("#now")).to_contain_text("Music")
    director.state = Health(
        playing=False, output="none", sentence="Engine not answering", code="engine-gone", engine={}
    )
    page.evaluate("dispatchEvent(new Event('online'))")  # what the browser says when the network comes back
    expect(page.locator("#state")).to_have_text("Engine not answering")


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("path", ["/", "/day/2026-11-28", "/api/docs"])
def test_nothing_runs_over_the_side(open_page: Open, width: int, path: str) -> None:
    page = open_page(path, width=width) if path != "/api/docs" else _docs(open_page, width)
    page.wait_for_timeout(300)
    over = page.evaluate(
        "() => [...document.querySelectorAll('body *')].filter(e => {"
        " const r = e.getBoundingClientRect(); return r.width && r.right > innerWidth + 0.5"
        " && !e.closest('.scroll, .skip') && getComputedStyle(e).position !== 'absolute' })"
        ".map(e => e.tagName + '.' + e.className)"
    )
    assert over == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def _docs(open_page: Open, width: int) -> Page:
    page = open_page("/", width=width)
    page.get_by_role("link", name="API").click()
    page.wait_for_selector(".reference")
    return page


@pytest.mark.parametrize("width", [360, 1440])
def test_targets_are_large_enough_for_fingers(open_page: Open, width: int) -> None:
    page = open_page(width=width)
    page.wait_for_selector(".call")
    # WCAG 2.2 success criterion 2.5.5: 44 by 44 CSS pixels, links inside sentences excepted
    small = page.evaluate(
        "() => [...document.querySelectorAll('button, .days a, .jump a, .tools a, input')]"
        ".filter(e => e.offsetParent && (e.offsetHeight < 43.5 || e.offsetWidth < 43.5)).map(e => e.outerHTML)"
    )
    assert small == []
    assert page.evaluate("Math.min(...[...document.querySelectorAll('.call')].map(e => e.offsetHeight))") >= 72


def test_everything_can_be_done_with_the_keyboard_alone(open_page: Open, director: FakeDirector) -> None:
    page = open_page()
    expect(page.locator("#now")).to_contain_text("Music")
    page.keyboard.press("Tab")
    expect(page.locator(".skip")).to_be_focused()
    page.keyboard.press("?")
    expect(page.locator("#keys")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator("#keys")).to_be_hidden()

    def span() -> float:
        page.wait_for_timeout(80)
        found: float = page.evaluate("() => { const d = drawing.dataset; return d.to - d.from }")
        return found

    whole = span()
    page.keyboard.press("n")
    assert span() <= 20 * 60_000
    for _ in range(12):
        page.keyboard.press("+")
    assert span() == 60_000  # a minute is the closest
    page.keyboard.press("0")
    assert span() == 24 * 3_600_000 >= whole
    page.keyboard.press("c")
    focus = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert focus == "solid"  # visible
    for _ in range(3):
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#now")).to_contain_text("Duty manager to the ticket hall")
    assert len(director.asked_by) == 1


def _columns(page: Page, zone: int, times: list[int]) -> list[tuple[float, float]]:
    """At each time the middle of the drawing's column there (ms), and how high the music's ribbon is in it, in CSS
    pixels, counted in the drawing's own pixels.
    """
    found = page.evaluate(
        """([zone, times]) => {
          const style = getComputedStyle(document.documentElement);
          const lane = parseFloat(style.getPropertyValue('--lane'));
          const hex = style.getPropertyValue('--ribbon').trim();
          const want = [1, 3, 5].map(i => parseInt(hex.slice(i, i + 2), 16));
          const ratio = drawing.width / drawing.clientWidth;
          const [from, to] = [Number(drawing.dataset.from), Number(drawing.dataset.to)];
          const pen = drawing.getContext('2d');
          return times.map(ms => {
            const x = Math.floor((ms - from) / (to - from) * drawing.width);
            const data = pen.getImageData(x, Math.round(zone * lane * ratio), 1, Math.round(lane * ratio)).data;
            let sum = 0;
            for (let i = 0; i < data.length; i += 4)
              if (want.every((v, k) => Math.abs(data[i + k] - v) <= 3)) sum += 1;
            return [from + (x + 0.5) / drawing.width * (to - from), sum / ratio];
          });
        }""",
        [zone, times],
    )
    return [(middle, high) for middle, high in found]


def _duck_db(ms: float, start: int, end: int) -> float:
    """The music's gain under one play: design of the ducking, linear in dB, full depth exactly at the start."""
    if ms <= start:
        return -DUCK.depth_db * min(1.0, max(0.0, (ms - start + DUCK.fall_ms) / DUCK.fall_ms))
    rising = (ms - end - DUCK.hold_ms) / DUCK.rise_ms
    return -DUCK.depth_db * (1 - min(1.0, max(0.0, rising)))


def test_the_ribbon_is_as_thick_as_the_plan_says_down_to_the_fall(open_page: Open) -> None:
    page = open_page()
    expect(page.locator("#next")).to_contain_text("Nursery tanks")
    page.keyboard.press("n")
    for _ in range(8):
        page.keyboard.press("+")
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    page.wait_for_timeout(200)
    start, end = at("14:25"), at("14:25:11")
    rises = end + DUCK.hold_ms
    times = [start - 5000, start - 450, start - 300, start - 150, start + 5000, end + 150,
             rises + 400, rises + 800, rises + 1200, rises + 4000]  # fmt: skip
    for zone, level_db in ((1, 0.0), (6, -6.0)):  # tide pools, nursery
        for middle, high in _columns(page, zone, times):
            wanted = RIBBON_PX * (1 + (level_db + _duck_db(middle, start, end)) / RANGE_DB)
            assert high == pytest.approx(wanted, abs=2.0), middle - start  # an edge pixel on either side
    assert [high for _, high in _columns(page, 10, times)] == [0] * len(times)  # the corridor has no music


def test_closing_time_ends_the_ribbon(open_page: Open) -> None:
    page = open_page("/day/2026-11-28")
    page.wait_for_timeout(300)
    closed, opened = at("18:30") + 86_400_000, at("17:20") + 86_400_000
    assert _columns(page, 5, [closed])[0][1] == 0
    assert _columns(page, 5, [opened])[0][1] > 20


def test_a_press_on_a_block_tells_about_it(open_page: Open) -> None:
    page = open_page(width=768)
    page.wait_for_timeout(300)
    box = page.evaluate(
        """ms => {
          const { from, to } = drawing.dataset;
          const lane = parseFloat(getComputedStyle(document.documentElement).getPropertyValue('--lane'));
          return { x: (ms - from) / (to - from) * drawing.clientWidth, y: lane - 40 };
        }""",
        at("12:05") + 3000,
    )
    page.locator("#drawing").click(position=box)
    expect(page.locator("#picked")).to_contain_text("Ray feeding")
    expect(page.locator("#picked")).to_contain_text("A child is waiting outranked it")


def test_the_table_says_the_same_in_words(open_page: Open) -> None:
    page = open_page()
    first = page.locator("#plan-table tbody tr").first
    expect(first).to_contain_text("Nursery tanks")
    expect(first).to_contain_text("On time")
    page.get_by_role("button", name=re.compile("^Show all")).first.click()
    late = page.locator("#plan-table tr", has_text="15:40:14")
    expect(late).to_contain_text("14 s late, because Ray feeding was still speaking")
    evening = page.locator("#plan-table tr", has_text="The show, late opening")
    expect(evening).to_contain_text("not in Hatchery nursery: not in service")
    expect(page.locator("#unplaced")).to_contain_text("give it wait_s = 135")
    page.get_by_role("button", name=re.compile("earlier$")).click()
    expect(page.locator("#plan-table tr", has_text="Morning briefing")).to_contain_text("Sent")


def test_the_day_before_and_after_are_a_press_away(open_page: Open) -> None:
    page = open_page()
    expect(page.locator("#day-name")).to_contain_text("Friday 27 November")
    page.get_by_role("link", name="Day after").click()
    expect(page.locator("#day-name")).to_have_text("Saturday 28 November")
    expect(page.locator("#now-line")).to_be_hidden()
    page.get_by_role("link", name="Back to today").click()
    expect(page.locator("#day-name")).to_contain_text("Today")


def test_listening_says_what_it_does_and_plays_one_zone_at_a_time(open_page: Open) -> None:
    page = open_page()
    page.get_by_role("button", name="Listen to Ticket hall").click()
    expect(page.locator("#listening-state")).to_contain_text("Listening to Ticket hall", timeout=8000)
    page.get_by_role("button", name="Listen to Shop").click()
    expect(page.locator("#listening-state")).to_contain_text("Listening to Shop", timeout=8000)
    assert page.locator(".hear[aria-pressed=true]").count() == 1
    page.get_by_role("button", name="Stop listening").click()
    expect(page.locator("#listening")).to_be_hidden()
    assert page.locator(".hear[aria-pressed=true]").count() == 0


def test_the_chain_is_checked_on_request(open_page: Open) -> None:
    page = open_page()
    page.get_by_role("button", name="Check the chain").click()
    expect(page.locator("#verified")).to_contain_text("The chain holds: 12 records")


@pytest.mark.parametrize("dark", [False, True])
def test_words_stand_out_from_what_is_behind_them(open_page: Open, dark: bool) -> None:
    page = open_page(dark=dark)
    colours = page.evaluate(
        "() => Object.fromEntries(['paper', 'sheet', 'ground', 'ink', 'ink-soft', 'ribbon', 'accent',"
        " 'accent-soft', 'on-accent', 'edge'].map(n => [n,"
        " getComputedStyle(document.documentElement).getPropertyValue('--' + n).trim()]))"
    )

    def luminance(colour: str) -> float:  # WCAG 2.2, "relative luminance"
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    def contrast(one: str, other: str) -> float:
        high, low = sorted((luminance(colours[one]), luminance(colours[other])), reverse=True)
        return (high + 0.05) / (low + 0.05)

    for words, behind in [("ink", "paper"), ("ink", "sheet"), ("ink-soft", "paper"), ("ink-soft", "sheet"),
                          ("on-accent", "accent"), ("ink", "accent-soft"), ("ink-soft", "ground")]:  # fmt: skip
        assert contrast(words, behind) >= 4.5, (words, behind)  # success criterion 1.4.3
    for shape, behind in [("ribbon", "paper"), ("edge", "paper"), ("edge", "sheet"), ("ink", "ribbon")]:
        assert contrast(shape, behind) >= 2.8 if shape == "ribbon" else contrast(shape, behind) >= 3, (
            shape,
            behind,
        )


def test_the_first_load_is_light(open_page: Open, server: Served) -> None:
    page = open_page()
    page.wait_for_timeout(500)
    sizes = page.evaluate(
        "() => performance.getEntriesByType('resource').concat(performance.getEntriesByType('navigation'))"
        ".reduce((sum, e) => sum + e.transferSize, 0)"
    )
    assert sizes < 400_000
