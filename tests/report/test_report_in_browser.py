"""The report opened from disk in a browser: nothing complains, nothing is fetched, it fits, it can be used.

Needs Debian's chromium (.ci/run installs it).
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from emulator.core.signals import SIGNALS
from emulator.record.reader import Event, Run, read_run
from emulator.record.writer import RunWriter
from emulator.report.run_report import report_html, write_report
from tests.support.accessibility import axe
from tests.support.browser import Browser
from tests.support.made_up_ride import record_ride

PHONE, DESK = (390, 844), (1280, 900)
WOBBLE_S = (8.0, 10.0)
"""Where 9 Hz are planted in the steering angle; nothing else happens there."""


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("browser")) as opened:
        yield opened


def with_wobble(run: Run) -> Run:
    """The same ride with everything moving, and 9 Hz in the steering angle where no event is."""
    rng = np.random.default_rng(4)
    at, n = run.time_s, len(run.tick)
    signals = dict(run.signals)
    for signal in SIGNALS:
        if signal.name.startswith(("output.rate", "output.force", "truth.load", "truth.lat", "truth.long")):
            signals[signal.name] = np.sin(at / 3.0) + 0.02 * rng.normal(size=n)
        elif signal.name.startswith("truth.") and signal.name.endswith("rate_rad_s"):
            signals[signal.name] = 0.3 * np.sin(at) + 0.001 * rng.normal(size=n)
    inside = (at > WOBBLE_S[0]) & (at < WOBBLE_S[1])
    signals["truth.steer_rad"] = 0.002 * np.sin(at) + 0.004 * np.sin(2.0 * np.pi * 9.0 * at) * inside
    return replace(run, signals=signals)


@pytest.fixture(scope="module")
def report(whole_ride: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(report_html(with_wobble(read_run(whole_ride))), encoding="utf-8")
    return path


def opened(page: Browser, report: Path, size: tuple[int, int]) -> Browser:
    page.complaints.clear()
    page.requests.clear()
    page.open(report, *size, phone=size == PHONE)
    page.drawn()
    return page


def group(page: Browser, what: str) -> Any:
    return page.eval(f"Strips.groups.time.{what}")


def panel(page: Browser, title: str) -> str:
    """Id of the panel whose heading begins so."""
    return str(
        page.eval(
            "[...document.querySelectorAll('.panel')].find(p => p.querySelector('h3').textContent"
            f".startsWith('{title}')).querySelector('.figure').id"
        )
    )


def in_view(page: Browser, key: str) -> None:
    page.eval(f"document.getElementById('{key}').scrollIntoView({{block: 'center'}})")
    page.settle()
    page.settle()


@pytest.mark.parametrize("size", [PHONE, DESK])
def test_it_opens_without_complaint_asks_for_nothing_and_fits(
    page: Browser, report: Path, size: tuple[int, int]
) -> None:
    opened(page, report, size)
    assert page.complaints == []
    assert page.requests == [report.resolve().as_uri()]
    # a phone makes its window wider rather than let the page stand out: compared with the screen
    assert page.eval("Math.max(innerWidth, document.documentElement.scrollWidth)") == size[0]
    figures = page.eval("document.querySelectorAll('.figure').length")
    assert figures >= 20
    page.eval("Object.values(Strips.groups).flatMap(g => g.panels).forEach(p => p.place.scrollIntoView())")
    page.eval(
        "(async () => { for (const f of document.querySelectorAll('.figure')) { f.scrollIntoView();"
        "await new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r))); } })()"
    )
    assert page.eval("document.querySelectorAll('.figure svg.drawn').length") == figures
    wide = page.eval(
        "[...document.querySelectorAll('.figure svg')]"
        ".filter(s => s.getBoundingClientRect().right > innerWidth + 1).length"
    )
    assert wide == 0
    assert page.complaints == []


def test_a_browser_that_is_complained_to_is_heard(page: Browser, tmp_path: Path) -> None:
    """What the checks above stand on: errors, refused loads and requests do arrive here."""
    bad = tmp_path / "bad.html"
    bad.write_text("<img src='http://127.0.0.1:9/x.png'><script>console.error('oh'); nothing()</script>")
    page.complaints.clear()
    page.requests.clear()
    page.open(bad, *DESK)
    assert any("oh" in c for c in page.complaints)
    assert any("nothing is not defined" in c for c in page.complaints)
    assert "http://127.0.0.1:9/x.png" in page.requests


def test_it_is_small_and_opens_in_a_fraction_of_a_second_of_the_main_thread(
    page: Browser, report: Path
) -> None:
    """Twenty seconds of a ride of which everything moves; the lap as a whole is a test of its own."""
    assert report.stat().st_size < 500_000
    assert main_thread_s(page, report) < 1.0


def main_thread_s(page: Browser, report: Path) -> float:
    """CPU time [s] that the page's main thread takes until everything in view is drawn."""
    page.call("Page.navigate", url="about:blank")
    page.call("Performance.enable", timeDomain="threadTicks")
    opened(page, report, DESK)
    told = {m["name"]: m["value"] for m in page.call("Performance.getMetrics")["metrics"]}
    page.call("Performance.disable")
    return float(told["TaskDuration"])


def test_the_plan_has_equal_scales(page: Browser, report: Path) -> None:
    for size in (PHONE, DESK):
        opened(page, report, size)
        x, y = page.eval(
            "(() => { const {at} = Figures.shown.get(document.getElementById('plan'));"
            "return [Math.abs(at.x(1) - at.x(0)), Math.abs(at.y(1) - at.y(0))]; })()"
        )
        assert x == pytest.approx(y, rel=1e-6)


def test_labels_do_not_lie_on_each_other(page: Browser, report: Path) -> None:
    opened(page, report, DESK)
    overlaps = page.eval(
        "[...document.querySelectorAll('svg.drawn')].reduce((sum, svg) => {"
        "const boxes = [...svg.querySelectorAll('.label')].map(l => l.getBoundingClientRect());"
        "return sum + boxes.filter((a, i) => boxes.some((b, j) => j > i && a.left < b.right - 2"
        " && b.left < a.right - 2 && a.top < b.bottom - 4 && b.top < a.bottom - 4)).length; }, 0)"
    )
    assert overlaps == 0


def test_zooming_one_panel_by_keyboard_zooms_all_refits_them_and_home_shows_all_again(
    page: Browser, report: Path
) -> None:
    opened(page, report, DESK)
    low, high = group(page, "range")
    key = panel(page, "Roll, positive")
    for _ in range(400):  # by Tab alone, as without a mouse
        page.press("Tab")
        if page.eval("document.activeElement.id") == key:
            break
    assert page.eval("document.activeElement.id") == key
    page.settle()
    before = page.eval(f"document.getElementById('{key}').panel.at.y.high")
    for _ in range(3):
        page.press("+")
    page.press("ArrowRight")
    page.settle()
    width, middle = (high - low) / 8, (low + high) / 2 + 0.2 * (high - low) / 8
    assert group(page, "range") == pytest.approx([middle - width / 2, middle + width / 2], abs=1e-6)
    ends = page.eval("Strips.groups.time.panels.filter(p => p.seen).map(p => [p.at.x.low, p.at.x.high])")
    assert len(ends) >= 2
    assert all(pair == group(page, "range") for pair in ends)
    assert page.eval(f"document.getElementById('{key}').panel.at.y.high") != before
    page.press("Home")
    assert group(page, "range") == [low, high]


def test_a_gap_is_seen_at_the_foot_of_its_panel(page: Browser, report: Path) -> None:
    opened(page, report, DESK)
    key = panel(page, "Wheel speeds")
    in_view(page, key)
    (told,) = page.eval(f"[...document.querySelectorAll('#{key} .gap title')].map(t => t.textContent)")
    assert told == "sent, front: no value"
    assert page.eval(f"document.querySelector('#{key} .gap').getBoundingClientRect().width") > 40


def test_wobble_where_no_event_is_can_be_counted(page: Browser, report: Path) -> None:
    """Looked at closely, 9 Hz in the steering angle is a line with as many turns as it has half periods."""
    opened(page, report, DESK)
    key = panel(page, "Steering angle")
    in_view(page, key)
    page.eval("Strips.setRange(Strips.groups.time, 8.2, 9.8)")
    turns, height = page.eval(
        f"(() => {{ const d = document.querySelector('#{key} .drawn g[clip-path] path').getAttribute('d');"
        "const y = [...d.matchAll(/[ML]([-\\d.]+) ([-\\d.]+)/g)].map(m => Number(m[2]));"
        "const way = y.slice(1).map((v, i) => Math.sign(v - y[i])).filter(Boolean);"
        "const turns = way.filter((v, i) => i && v !== way[i - 1]).length;"
        "return [turns, Math.max(...y) - Math.min(...y)]; })()"
    )
    assert abs(turns - 2 * 9 * 1.6) <= 2
    assert height > 30


def test_an_event_and_a_criterion_lead_to_their_time_and_the_event_list_follows(
    page: Browser, report: Path
) -> None:
    opened(page, report, DESK)
    page.eval("document.querySelector('.bands a').click()")
    low, high = group(page, "range")
    from_s, to_s = page.eval(
        "['from', 'to'].map(key => Number(document.querySelector('.bands a').dataset[key]))"
    )
    assert low < from_s < to_s < high < from_s + 5
    assert group(page, "cursor") == from_s
    listed = (
        "[...document.querySelectorAll('table.events tbody tr:not(.outside)')].map(r => Number(r.dataset.at))"
    )
    assert all(low <= at <= high for at in page.eval(listed))
    assert page.eval(f"{listed}.length") == 2
    assert "2 of 6 events" in page.eval("document.getElementById('events-shown').textContent")
    page.eval("[...document.querySelectorAll('table.stack a')].pop().click()")
    assert group(page, "range") != [low, high]
    page.eval("Strips.setRange(Strips.groups.time, ...Strips.groups.time.whole)")
    assert page.eval(f"{listed}.length") == 6


def test_one_cursor_goes_through_all_panels_with_values_and_turns_the_bike(
    page: Browser, report: Path
) -> None:
    opened(page, report, DESK)
    in_view(page, panel(page, "Speed"))
    page.eval("Strips.setCursor(Strips.groups.time, 12)")
    seen = page.eval(
        "Strips.groups.time.panels.filter(p => p.seen)"
        ".map(p => [p.root.querySelectorAll('.cursor path').length, p.outputs[0].textContent])"
    )
    assert len(seen) >= 2
    assert all(lines == 1 and value for lines, value in seen)
    assert page.eval("document.getElementById('plan').querySelectorAll('.here').length") == 1
    told = page.eval("document.getElementById('pose').textContent")
    assert told.startswith("12.00 s, station ")
    lean = float(re.findall(r"lean ([\d.]+)°", told)[0]) * (1 if "right, steer" in told else -1)
    turned = page.eval("document.querySelector('.leaning').getAttribute('transform')")
    assert float(re.findall(r"[-\d.]+", turned)[0]) == pytest.approx(lean, abs=0.06)


def test_the_numbers_of_a_stretch_are_saved_as_csv(page: Browser, report: Path, whole_ride: Path) -> None:
    opened(page, report, DESK)
    page.eval("Strips.setRange(Strips.groups.time, 5, 7)")
    rows = list(csv.reader(io.StringIO(page.eval("Strips.csv(Strips.groups.time)"))))
    column = next(i for i, head in enumerate(rows[0]) if head == "Speed: true / km/h")
    assert rows[0][0] == "time / s"
    run = read_run(whole_ride)
    for row in rows[1:]:
        at = float(row[0])
        assert 5.0 <= at <= 7.0
        if row[column]:
            true = 3.6 * run.signals["truth.speed_m_s"][np.searchsorted(run.time_s, at - 1e-9)]
            assert float(row[column]) == pytest.approx(true, abs=0.01)
    assert sum(bool(row[column]) for row in rows[1:]) >= 2 / 0.04


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


def test_figures_are_printed_whole_on_at_most_12_sheets(page: Browser, report: Path) -> None:
    opened(page, report, DESK)
    page.eval("Strips.setRange(Strips.groups.time, 5, 7)")
    page.eval(
        "addEventListener('beforeprint', () => { window.printed = [...document.querySelectorAll('.strip')]"
        ".map(p => [p.panel.at.x.low, p.panel.at.x.high, p.querySelectorAll('svg.drawn').length]); });1"
    )
    printed = page.pdf()
    sheets = len(re.findall(rb"/Type\s*/Page\b", printed))
    assert 3 <= sheets <= 12
    whole = group(page, "whole")
    panels = page.eval("window.printed")
    assert len(panels) >= 15
    assert all(found == [*whole, 1] for found in panels)
    assert group(page, "range") == [5, 7]
    assert page.complaints == []
    assert not page.eval("document.documentElement.scrollWidth > innerWidth")


@pytest.mark.parametrize("size", [DESK, pytest.param(PHONE, marks=pytest.mark.timing)])
def test_axe_has_no_serious_finding(page: Browser, report: Path, size: tuple[int, int]) -> None:
    opened(page, report, size)
    assert axe(page) == []


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


@pytest.mark.timing
def test_a_lap_of_two_minutes_is_under_1_mb_opens_in_under_1_s_and_prints_on_12_sheets(
    page: Browser, tmp_path: Path
) -> None:
    """A ride of which every signal moves with noise, with ten events: more than a lap has."""
    run = read_run(record_ride(tmp_path / "run", 120.0))
    changes = [Event(int(t * 1000), t, "gear", "gear", "") for t in np.linspace(9, 110, 12)]
    run = with_wobble(replace(run, events=[*run.events, *changes]))
    path = tmp_path / "report.html"
    path.write_text(report_html(run), encoding="utf-8")
    assert path.stat().st_size < 1_000_000
    assert main_thread_s(page, path) < 1.0
    assert len(re.findall(rb"/Type\s*/Page\b", page.pdf())) <= 12
