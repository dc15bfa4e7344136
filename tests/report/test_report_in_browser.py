"""The report opened from disk in a browser: nothing complains, nothing is fetched, it fits, it can be used.

Needs Debian's chromium (.ci/run installs it).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from emulator.record.writer import RunWriter
from emulator.report.run_report import write_report
from tests.support.browser import Browser

PHONE, DESK = (390, 844), (1280, 900)


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("browser")) as opened:
        yield opened


@pytest.fixture(scope="module")
def report(whole_ride: Path) -> Path:
    return write_report(whole_ride)


def opened(page: Browser, report: Path, size: tuple[int, int]) -> Browser:
    page.complaints.clear()
    page.requests.clear()
    page.open(report, *size, phone=size == PHONE)
    return page


@pytest.mark.parametrize("size", [PHONE, DESK])
def test_it_opens_without_complaint_asks_for_nothing_and_fits(
    page: Browser, report: Path, size: tuple[int, int]
) -> None:
    opened(page, report, size)
    assert page.complaints == []
    assert page.requests == [report.resolve().as_uri()]
    # a phone makes its window wider rather than let the page stand out: compared with the screen
    assert page.eval("Math.max(innerWidth, document.documentElement.scrollWidth)") == size[0]
    figures = page.eval("Object.keys(JSON.parse(document.getElementById('figures').textContent)).length")
    assert figures >= 13
    assert page.eval("document.querySelectorAll('.figure .main-svg').length") >= figures
    wide = page.eval(
        "[...document.querySelectorAll('.figure .main-svg')]"
        ".filter(s => s.getBoundingClientRect().right > innerWidth + 1).length"
    )
    assert wide == 0


def test_a_browser_that_is_complained_to_is_heard(page: Browser, tmp_path: Path) -> None:
    """What the checks above stand on: errors, refused loads and requests do arrive here."""
    bad = tmp_path / "bad.html"
    bad.write_text("<img src='http://127.0.0.1:9/x.png'><script>console.error('oh'); nothing()</script>")
    opened(page, bad, DESK)
    assert any("oh" in c for c in page.complaints)
    assert any("nothing is not defined" in c for c in page.complaints)
    assert "http://127.0.0.1:9/x.png" in page.requests


def test_no_button_of_a_figure_sends_its_data_anywhere(page: Browser, report: Path) -> None:
    """plotly's own tool bar can upload the data of a figure; ours has these buttons and no others."""
    opened(page, report, DESK)
    bars = page.eval(
        "[...document.querySelectorAll('.figure .modebar')]"
        ".map(bar => [...bar.querySelectorAll('.modebar-btn')].map(button => button.dataset.title))"
    )
    offered = [bar for bar in bars if bar]
    assert len(offered) >= 13
    for bar in offered:
        assert bar == ["Zoom", "Pan", "Zoom in", "Zoom out", "Autoscale", "Reset axes"]


def test_the_plan_has_equal_scales(page: Browser, report: Path) -> None:
    for size in (PHONE, DESK):
        opened(page, report, size)
        x, y = page.eval(
            "(() => { const l = document.getElementById('plan')._fullLayout;"
            "return ['xaxis', 'yaxis'].map(a => l[a]._length / Math.abs(l[a].range[1] - l[a].range[0])); })()"
        )
        assert x == pytest.approx(y, rel=1e-3)


def test_zooming_one_panel_by_keyboard_zooms_all_and_home_shows_all_again(
    page: Browser, report: Path
) -> None:
    opened(page, report, DESK)
    ranges = (
        "[...document.querySelectorAll('.figure[id^=time]')].map(p => p._fullLayout.xaxis.range.map(Number))"
    )
    before = page.eval(ranges)
    assert len({tuple(r) for r in before}) == 1
    for _ in range(400):  # by Tab alone, as without a mouse
        page.press("Tab", 9)
        if page.eval("document.activeElement.id") == "time1":
            break
    assert page.eval("document.activeElement.id") == "time1"
    page.press("+", 187)
    page.press("ArrowRight", 39)
    page.settle()
    after = page.eval(ranges)
    (low, high) = before[0]
    width, middle = (high - low) / 2, (low + high) / 2 + 0.1 * (high - low)
    for found in after:
        assert found == pytest.approx([middle - width / 2, middle + width / 2], abs=1e-6)
    page.press("Home", 36)
    page.settle()
    assert page.eval(ranges) == before


def test_events_can_be_searched_and_are_folded_when_many(page: Browser, tmp_path: Path) -> None:
    with RunWriter(tmp_path / "run", {}) as writer:
        for k in range(60):
            writer.append_event(k, "gear", f"gear {k % 6}", "")
    opened(page, write_report(tmp_path / "run"), DESK)
    rows = "document.querySelectorAll('table.events tbody tr:not([hidden])').length"
    assert page.eval("document.querySelector('.events').closest('details').open") is False
    page.eval(
        "(() => { const box = document.querySelector('input[type=search]'); box.value = 'GEAR 3';"
        "box.dispatchEvent(new Event('input')); })()"
    )
    assert page.eval(rows) == 10
    assert page.eval("document.querySelector('.events').closest('details').open") is True
    assert "10 of 60" in page.eval("document.querySelector('.search').textContent")
    assert page.complaints == []


def test_figures_and_folded_parts_are_printed(page: Browser, report: Path) -> None:
    opened(page, report, DESK)
    printed = page.pdf()
    pages = len(re.findall(rb"/Type\s*/Page\b", printed))
    # twelve figures of 60 mm and more and the manifest's rows do not fit on fewer sheets
    assert pages >= 6
    assert page.complaints == []
    sideways = page.eval("document.documentElement.scrollWidth > innerWidth")
    assert not sideways


def test_without_scripts_the_verdict_and_the_tables_are_there(page: Browser, report: Path) -> None:
    page.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        page.load(report)
        root = page.call("DOM.getDocument", depth=-1)["root"]
        text = page.call("DOM.getOuterHTML", nodeId=root["nodeId"])["outerHTML"]
    finally:
        page.call("Emulation.setScriptExecutionDisabled", value=False)
    for part in ("PASS", "The figure needs JavaScript", "front wheel speed dropout", "Timing certificate"):
        assert part in text
