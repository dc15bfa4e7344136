"""The page of a rehearsal with defects, and the report of software that failed: on a phone and on paper.

Needs Debian's chromium (.ci/run installs it).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.inspection.rehearsal.conduct import conduct
from emulator.inspection.rehearsal.page import write_page
from emulator.inspection.sensors.capture import level_session
from emulator.report.page import page_html
from tests.support.browser import Browser
from tests.support.drawn_robot import DrawnExchange, Robot, with_rehearsal
from tests.support.scripted_robot import RIG

PHONE, PAPER = (390, 844), (794, 1123)  # of A4 at 96 to the inch
FLAWED = Robot(factors={"front_brake_Pa": 10.0}, missing=frozenset({"estimate_pose"}), notices=frozenset())
LEAST_OF_A_COLUMN = 140
"""Pixels: narrower, a sentence has a word a line."""


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    session = with_rehearsal(level_session(RIG), listen_s=0.5, answer_s=0.2, silence_s=0.25)
    found = conduct(session, DrawnExchange(session, FLAWED, 2), None)
    assert found.result == "defects"
    path = tmp_path_factory.mktemp("rehearsal") / "page.html"
    write_page(found, path)
    return path


def test_it_fits_a_phone_and_paper_with_sentences_that_are_read_in_lines(page: Path, tmp_path: Path) -> None:
    narrowest = (
        "Math.min(...[...document.querySelectorAll('td')].filter(t => t.innerText.split(' ').length > 5)"
        ".map(t => t.getBoundingClientRect().width))"
    )
    with Browser(tmp_path) as browser:
        browser.open(page, *PHONE, phone=True)
        assert browser.complaints == []
        assert browser.eval("document.documentElement.scrollWidth") == PHONE[0]
        hidden = "[...document.querySelectorAll('.scroll')].some(s => s.scrollWidth > s.clientWidth + 1)"
        assert not browser.eval(hidden)
        assert browser.eval(narrowest) > LEAST_OF_A_COLUMN
        browser.open(page, *PAPER)
        browser.call("Emulation.setEmulatedMedia", media="print")
        assert browser.eval("document.documentElement.scrollWidth") <= PAPER[0]
        assert browser.eval(narrowest) > LEAST_OF_A_COLUMN


def test_a_traceback_fits_a_phone(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    line = 'File "/home/somebody/a_folder_with_a_long_name/and_another_one/my_very_own_robot.py", line 80'
    text = page_html("page.html", "traceback", {}).replace(
        "<main>", f"<main><section><pre>{line}</pre></section>"
    )
    assert line in text
    path.write_text(text)
    with Browser(tmp_path) as browser:
        browser.open(path, *PHONE, phone=True)
        assert browser.eval("document.documentElement.scrollWidth") == PHONE[0]
