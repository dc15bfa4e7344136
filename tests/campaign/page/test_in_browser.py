"""The morning page in a browser: opens fast, fits, prints on few sheets, is used by keyboard, reads well.

Needs Debian's chromium. The rules of accessibility are those of axe-core, which a package for tests carries.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from emulator.campaign.evidence.gathered import gather
from emulator.campaign.evidence.shown import evidence_html
from emulator.campaign.page.edges import write_edges
from emulator.campaign.page.night import read_night
from emulator.campaign.page.outputs import read_morning, write_morning
from tests.campaign.page.test_outputs import EDGE
from tests.support.accessibility import axe
from tests.support.browser import Browser
from tests.support.made_up_campaign import error, fallen, invalid, made_up_rows, write_campaign

PHONE, LAPTOP = (390, 844), (1280, 800)
SCENARIOS = tuple(f"ride number {k}" for k in range(1, 26))


def written(folder: Path, seeds: int) -> Path:
    """A page of 100 runs a seed, with something of everything, after a night before."""
    rows = made_up_rows(scenarios=SCENARIOS, seeds=seeds, spread=14.0, draw=2)
    rows[0], rows[1] = (
        invalid(rows[0], "imu_rates: 3 of 1,500 samples late"),
        error(rows[1], "the worker died"),
    )
    rows[2] = fallen(rows[2])
    missing = rows[-7:]
    tonight = write_campaign(folder / "tonight", rows[:-7], not_ridden=missing)
    (tonight / "acknowledged.yaml").write_text(
        "kind: acknowledged\nentries:\n"
        "- {disturbance: 'slow *', reason: known, name: A. Keeper, until: 2027-03-31}\n"
    )
    write_edges(tonight, [EDGE])
    before = write_campaign(
        folder / "before", made_up_rows(scenarios=SCENARIOS, seeds=seeds, spread=14.0, shift=1.0)
    )
    return write_morning(read_morning(tonight, baseline=before, earlier=[before]))


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("browser")) as opened:
        yield opened


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same kinds of things, fewer of them: what axe looks at takes it time."""
    return written(tmp_path_factory.mktemp("small"), 1)


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("night"), 5)


def test_500_runs_are_under_300_kb_and_print_on_4_sheets(browser: Browser, page: Path) -> None:
    assert page.stat().st_size < 300_000
    browser.open(page, *LAPTOP)
    sheets = len(re.findall(rb"/Type\s*/Page\b", browser.pdf()))
    assert 2 <= sheets <= 4


@pytest.mark.parametrize("size", [PHONE, LAPTOP])
def test_it_fits_complains_of_nothing_and_asks_for_nothing(
    browser: Browser, page: Path, size: tuple[int, int]
) -> None:
    browser.complaints.clear()
    browser.requests.clear()
    browser.open(page, *size, phone=size == PHONE)
    assert browser.complaints == []
    assert browser.requests == [page.resolve().as_uri()]
    assert browser.eval("Math.max(innerWidth, document.documentElement.scrollWidth)") == size[0]


@pytest.mark.parametrize("size", [LAPTOP, pytest.param(PHONE, marks=pytest.mark.timing)])
def test_axe_has_no_serious_finding(browser: Browser, small: Path, size: tuple[int, int]) -> None:
    browser.open(small, *size, phone=size == PHONE)
    assert axe(browser) == []


def test_axe_would_find_what_is_wrong(browser: Browser, tmp_path: Path) -> None:
    bad = tmp_path / "bad.html"
    bad.write_text("<p style='color:#bbb'>pale</p><img src='data:,'><input>")
    browser.open(bad, *LAPTOP)
    assert {one.partition(":")[0] for one in axe(browser)} >= {"color-contrast", "image-alt", "label"}


def test_evidence_reads_well_and_prints(browser: Browser, small: Path, tmp_path: Path) -> None:
    night = read_night(small.parent)
    shown = tmp_path / "evidence.html"
    shown.write_text(evidence_html(gather([night], [()], "rider 1.0")))
    for size in (PHONE, LAPTOP):
        browser.open(shown, *size, phone=size == PHONE)
        assert browser.eval("Math.max(innerWidth, document.documentElement.scrollWidth)") == size[0]
    assert axe(browser) == []
    assert len(re.findall(rb"/Type\s*/Page\b", browser.pdf())) >= 1


def test_runs_are_found_by_keyboard_alone(browser: Browser, page: Path) -> None:
    browser.open(page, *LAPTOP)
    shown = "document.querySelectorAll('.found tbody tr').length"
    assert browser.eval(shown) == 0
    for _ in range(100):
        browser.press("Tab")
        if browser.eval("document.activeElement.id") == "wanted":
            break
    assert browser.eval("document.activeElement.id") == "wanted"
    browser.type("ride_number_7 GNSS")
    browser.settle()
    assert browser.eval(shown) == 5
    assert browser.eval("document.querySelector('.search output').textContent") == "5 of 493 runs"
    assert "ride_number_7 · offset gnss" in browser.eval("document.querySelector('.found tbody').textContent")


def test_without_scripts_everything_but_the_search_is_there(browser: Browser, page: Path) -> None:
    browser.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        browser.load(page)
        root = browser.call("DOM.getDocument", depth=-1)["root"]
        text = browser.call("DOM.getOuterHTML", nodeId=root["nodeId"])["outerHTML"]
    finally:
        browser.call("Emulation.setScriptExecutionDisabled", value=False)
    for words in ("SURPRISES", "the worker died", "Thinnest margin of every run", "A. Keeper"):
        assert words in text


@pytest.mark.timing
def test_a_page_of_10_000_runs_opens_in_under_3_s(browser: Browser, tmp_path: Path) -> None:
    large = written(tmp_path, 100)
    began = time.perf_counter()
    browser.open(large, *LAPTOP)
    assert time.perf_counter() - began < 3.0
    assert browser.eval("JSON.parse(document.getElementById('runs').textContent).length") == 9993
