"""The live page in a real browser: three sizes, its controls, and what it says when all is gone."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from emulator.core.signals import STANDBY, TRIPPED
from emulator.core.trip_reasons import TripReason
from emulator.plant.states import MISSING_ENABLE
from tests.support.browser import Browser
from tests.support.live_page import TOKEN, Served, served

pytestmark = pytest.mark.slow

LAPTOP, WALL, PHONE = (1366, 768, False), (1920, 1080, False), (390, 844, True)


@contextmanager
def riding(page: Served, **values: float) -> Iterator[dict[str, float]]:
    """A loop that comes round meanwhile; what is put into the mapping is in the rows from then on."""
    now: dict[str, float] = dict(values)
    over = threading.Event()

    def go() -> None:
        while not over.wait(0.02):
            page.cycle(20, **now)

    thread = threading.Thread(target=go)
    thread.start()
    try:
        yield now
    finally:
        over.set()
        thread.join()


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("profile")) as one:
        yield one


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Served]:
    with served(tmp_path) as one:
        one.cycle()
        yield one


def text(browser: Browser, name: str) -> str:
    shown: str = browser.eval(f"document.getElementById('{name}').textContent")
    return shown


def click(browser: Browser, selector: str) -> None:
    browser.eval(f"document.querySelector({selector!r}).click()")


def visit(browser: Browser, page: Served, size: tuple[int, int, bool] = LAPTOP) -> None:
    width, height, phone = size
    browser.resize(width, height, phone=phone)
    browser.complaints.clear()
    browser.requests.clear()
    browser.visit(page.address.url())
    browser.until("document.getElementById('speed').textContent !== '–'")


def assert_clean(browser: Browser, page: Served) -> None:
    assert browser.complaints == []
    assert [url for url in browser.requests if not url.startswith((page.address.url(), "data:"))] == []


def test_it_shows_the_ride_and_asks_nobody_else(browser: Browser, page: Served, tmp_path: Path) -> None:
    with riding(page):
        for size in (LAPTOP, WALL, PHONE):
            visit(browser, page, size)
            browser.until("document.getElementById('state-word').textContent === 'RIDING'")
            assert text(browser, "speed") == "72"
            assert text(browser, "lean") == "17°"
            assert text(browser, "lean-side") == "to the right"
            assert text(browser, "next") == "Next: half way in 20 m"
            assert "EMULATED" in browser.eval("document.querySelector('.emulated').innerText")
            assert "40 %, at most 40 % at 180 m" in text(browser, "margins")
            assert browser.eval("document.documentElement.scrollWidth <= innerWidth"), size
            stop = browser.eval(
                "(b => b.top >= 0 && b.bottom <= innerHeight && b.height >= 40)"
                "(document.getElementById('stop').getBoundingClientRect())"
            )
            assert stop, size
            assert "not an emergency stop" in browser.eval("document.body.innerText")
        assert_clean(browser, page)


def test_on_paper_there_is_nothing_to_press_and_the_state_is_whole(browser: Browser, page: Served) -> None:
    with riding(page):
        visit(browser, page, (700, 1000, False))  # about as wide as the paper
        browser.until("document.getElementById('state-word').textContent === 'RIDING'")
        browser.call("Emulation.setEmulatedMedia", media="print")
        try:
            shown = "[...document.querySelectorAll('button, input, nav')].filter(e => e.offsetParent)"
            assert browser.eval(f"{shown}.length") == 0
            lines = (
                "(e => e.getBoundingClientRect().height / parseFloat(getComputedStyle(e).lineHeight))"
                "(document.getElementById('state-word'))"
            )
            assert browser.eval(lines) < 1.5
            assert browser.eval("document.documentElement.scrollWidth <= innerWidth")
            assert "EMULATED" in browser.eval("document.querySelector('.emulated').innerText")
        finally:
            browser.call("Emulation.setEmulatedMedia", media="")


def test_a_bike_that_rolls_back_a_little_stands(browser: Browser, page: Served) -> None:
    with riding(page, truth__speed_m_s=-0.05):
        visit(browser, page)
        assert text(browser, "speed") == "0"


def test_state_and_margins_are_seen_on_the_wall_without_scrolling(browser: Browser, page: Served) -> None:
    with riding(page):
        visit(browser, page, WALL)
        sizes: dict[str, Any] = browser.eval(
            "Object.fromEntries(['state-word','speed','lean','next'].map(i => [i,"
            "parseFloat(getComputedStyle(document.getElementById(i)).fontSize)]))"
        )
        # from 3 m, 0.4 degrees are 21 mm; on a screen of 1.2 m width that is 33 px (own choice, no source)
        assert all(size >= 33 for size in sizes.values()), sizes
        bottom = browser.eval("document.querySelector('.wall').getBoundingClientRect().bottom")
        assert bottom <= WALL[1]


def test_a_very_wide_wall_is_filled(browser: Browser, page: Served) -> None:
    with riding(page):
        visit(browser, page, (3840, 2160, False))
        for part in (".wall", ".near"):
            reach = browser.eval(
                f"Math.max(...[...document.querySelectorAll('{part} > section:not(.strips)')]"
                ".map(s => s.getBoundingClientRect().right)) / innerWidth"
            )
            assert reach > 0.98, part


def test_without_javascript_the_page_claims_nothing(page: Served) -> None:
    status, body, _ = page.ask("GET", "/")
    html = body.decode()
    assert status == 200
    assert "<noscript>" in html
    assert "Stop at the bench's terminal" in html.partition("<noscript>")[2].partition("</noscript>")[0]
    assert '<button id="stop" type="button" disabled>' in html  # the script lets it be pressed


def test_a_record_that_was_shown_to_its_end_is_not_being_judged(browser: Browser, page: Served) -> None:
    visit(browser, page)
    over = "{loop: {state: 'ended', still_s: 0}, state: 'standby', missing: []}"
    for played, word in (("true", "RECORD OVER"), ("false", "AT REST")):
        said = browser.eval(f"import('/assets/words.js').then(m => m.stateWords({over}, {played}).join('|'))")
        assert said.split("|")[1] == word
        assert ("judged" in said) == (played == "false")


def test_in_standby_it_says_who_arms_and_that_no_page_can(browser: Browser, page: Served) -> None:
    with riding(page, bench__state=STANDBY) as now:
        visit(browser, page)
        browser.until("document.getElementById('state-word').textContent === 'STANDBY'")
        assert "Enter at the bench's own terminal. No page can give it." in text(browser, "state-says")
        now["bench__permissives_missing"] = MISSING_ENABLE
        browser.until("document.getElementById('state-says').textContent.includes('the button at the bench')")
        assert "No page can give it." in text(browser, "state-says")


def test_a_viewer_stops_and_an_operator_starts_an_event(browser: Browser, page: Served) -> None:
    with riding(page):
        visit(browser, page)
        start = "document.querySelector('[aria-label=\"start gust\"]')"
        assert browser.eval(f"{start}.disabled")
        browser.eval(f"document.getElementById('token').value = {'a wrong token that is long'!r}")
        click(browser, "#operator button[type=submit]")
        browser.until("document.getElementById('operator-says').textContent.includes('not that of this')")
        browser.complaints.clear()  # the browser itself notes a refusal
        browser.eval(f"document.getElementById('token').value = {TOKEN!r}")
        click(browser, "#operator button[type=submit]")
        browser.until("document.getElementById('operating').textContent === 'This page operates the bench.'")
        assert not browser.eval("document.querySelector('#operator label').offsetParent")  # nor its field
        click(browser, '[aria-label="start gust"]')
        browser.until("document.getElementById('operator-says').textContent === 'start: gust'")
        assert browser.eval("document.getElementById('token').value") == ""
        click(browser, "#stop")
        browser.until("document.getElementById('stop-says').textContent === 'asked to stop'")
        assert [m for m in page.told if "do" in m] == [{"do": "start", "event": 0}, {"do": "stop"}]
        assert_clean(browser, page)


def test_a_trip_says_what_to_do_and_is_acknowledged(browser: Browser, page: Served) -> None:
    with riding(page, bench__state=TRIPPED, bench__trip_reason=TripReason.HEARTBEAT):
        visit(browser, page)
        browser.until("document.getElementById('state-word').textContent === 'TRIPPED'")
        assert "robot heartbeat lost. What to do: look why" in text(browser, "state-says")
        browser.eval(f"document.getElementById('token').value = {TOKEN!r}")
        click(browser, "#operator button[type=submit]")
        browser.until(
            "(button => !button.disabled && !button.hidden)(document.getElementById('acknowledge'))"
        )
        click(browser, "#acknowledge")
        browser.until("document.getElementById('state-says').textContent.endsWith('Acknowledged.')")
        assert_clean(browser, page)


def test_a_supervisor_that_is_gone_and_a_service_that_is_gone_are_said(
    browser: Browser, page: Served
) -> None:
    with riding(page):
        visit(browser, page)
        page.beside.supervisor = "gone"
        browser.until("document.getElementById('state-word').textContent === 'NO SUPERVISOR'")
    page.close()
    browser.until("document.getElementById('state-word').textContent === 'NO CONNECTION'")
    assert browser.eval("document.getElementById('stop').disabled")


def test_no_serious_finding_of_accessibility(browser: Browser, page: Served) -> None:
    axe = (files("axe_core_python") / "axe.min.js").read_text(encoding="utf-8")
    with riding(page):
        visit(browser, page)
        for path in ("", "runs", "configuration", "guide/index.md", "sign-in"):
            browser.visit(page.address.url() + path)
            time.sleep(0.2)
            browser.call("Runtime.evaluate", expression=axe)
            found = browser.eval(
                "axe.run().then(r => r.violations.filter(v => ['serious','critical'].includes(v.impact))"
                ".map(v => v.id + ': ' + v.nodes.map(n => n.html).join(' | ')))"
            )
            assert found == [], path
