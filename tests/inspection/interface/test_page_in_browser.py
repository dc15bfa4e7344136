"""The page opened from disk in a browser: on a desk, on a phone, on paper.

Needs Debian's chromium (.ci/run installs it).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from emulator.inspection.interface.derive import Described
from emulator.inspection.interface.folder import write_interface
from tests.support.browser import Browser

PHONE, DESK = (390, 844), (1280, 900)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("browser")) as opened:
        yield opened


@pytest.fixture(scope="module")
def html(ridden: Described, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_interface(ridden, tmp_path_factory.mktemp("interface"))[0]


@pytest.mark.parametrize("size", [PHONE, DESK])
def test_it_opens_without_complaint_asks_for_nothing_and_fits(
    browser: Browser, html: Path, size: tuple[int, int]
) -> None:
    browser.complaints.clear()
    browser.requests.clear()
    browser.open(html, *size, phone=size == PHONE)
    assert browser.complaints == []
    assert browser.requests == [html.resolve().as_uri()]
    assert browser.eval("Math.max(innerWidth, document.documentElement.scrollWidth)") == size[0]
    drawings = browser.eval(
        "[...document.querySelectorAll('svg')].map(s => s.getBoundingClientRect()).map(r => [r.width, "
        "r.right])"
    )
    assert len(drawings) == 3
    assert all(width > 250 and right <= size[0] for width, right in drawings)
    # words of a drawing are as large as small print at least, and none stands out of it or on another
    smallest = browser.eval(
        "Math.min(...[...document.querySelectorAll('svg text')].map(t => t.getBoundingClientRect().height))"
    )
    assert smallest >= 11


def test_no_words_of_a_drawing_lie_on_others_or_outside(browser: Browser, html: Path) -> None:
    browser.open(html, *DESK)
    clashes = browser.eval(
        "[...document.querySelectorAll('svg')].flatMap(svg => {"
        "const frame = svg.getBoundingClientRect(), texts = [...svg.querySelectorAll('text')];"
        "const boxes = texts.map(t => t.getBoundingClientRect());"
        "const out = texts.filter((t, i) => boxes[i].left < frame.left - 1 || boxes[i].right > frame.right "
        "+ 1"
        " || boxes[i].top < frame.top - 1 || boxes[i].bottom > frame.bottom + 1).map(t => 'outside: ' + "
        "t.textContent);"
        "texts.forEach((t, i) => texts.forEach((u, j) => { const a = boxes[i], b = boxes[j];"
        "if (i < j && a.left < b.right - 1 && b.left < a.right - 1 && a.top < b.bottom - 3 && b.top < "
        "a.bottom - 3)"
        " out.push(t.textContent + ' / ' + u.textContent); })); return out; })"
    )
    assert clashes == []


def test_it_prints_without_standing_out(browser: Browser, html: Path) -> None:
    browser.open(html, *DESK)
    printed = browser.pdf()
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) >= 6
    browser.call("Emulation.setEmulatedMedia", media="print")
    try:
        wide = browser.eval("document.documentElement.scrollWidth > innerWidth")
    finally:
        browser.call("Emulation.setEmulatedMedia", media="")
    assert not wide
