"""A whole session on the loopback bench in real time: terminal and browser, from standby to the report.

Watchdogs are set wide (tests.support.desk): this is about the page, not about how busy the machine is.
"""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.support.browser import Browser
from tests.support.desk import Desk

GUST = """
  - kind: gust
    name: side wind
    at: {on_request: true}
    speed_m_s: 3.0
    from_deg: 90.0
    duration_s: 0.5
"""
_COLOURS = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]")


class Terminal:
    """A run started at a terminal of its own: what it says, and a person's keys."""

    def __init__(self, desk: Desk) -> None:
        self._end, other = pty.openpty()
        name, _, value = desk.mark.partition("=")
        rig, scenario = desk.files / "rigs" / "loopback.yaml", desk.files / "runs" / "first_lap.yaml"
        self.process = subprocess.Popen(
            [
                *(sys.executable, "-m", "emulator", "run", scenario, "--rig", rig),
                *("--console", "--port", "0", "--out", desk.folder),
            ],
            stdin=other,
            stdout=other,
            stderr=other,
            env={**os.environ, name: value},
            start_new_session=True,
        )
        os.close(other)
        desk.started.append(self.process)
        self._said = ""
        threading.Thread(target=self._read, daemon=True).start()  # or the run would wait for its reader

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self._end, 1 << 16):
                self._said += data.decode("utf-8", "replace")

    def said(self) -> str:
        """All of it so far."""
        return _COLOURS.sub("", self._said).replace("\r\n", "\n")

    def until(self, condition: Callable[[], object], seconds: float = 120.0) -> None:
        limit = time.monotonic() + seconds
        while not condition():
            assert time.monotonic() < limit, self.said()[-3000:]
            assert self.process.poll() is None, self.said()[-3000:]
            time.sleep(0.1)

    def enter(self) -> None:
        os.write(self._end, b"\n")

    def close(self) -> None:
        os.close(self._end)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    one = Desk(tmp_path)
    yield one
    assert one.left_over() == {}


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[Browser]:
    with Browser(tmp_path / "profile") as one:
        one.resize(1366, 768)
        yield one


def state(word: str) -> str:
    return f"document.getElementById('state-word').textContent === {word!r}"


def click(browser: Browser, selector: str) -> None:
    browser.eval(f"document.querySelector({selector!r}).click()")


@pytest.mark.timing
def test_from_standby_to_the_report(desk: Desk, browser: Browser) -> None:
    desk.scenario("events:\n", f"events:{GUST}")
    terminal = Terminal(desk)
    terminal.until(lambda: "press Enter here to arm" in terminal.said())
    said = terminal.said()
    address = re.search(r"http://127\.0\.0\.1:\d+/", said)[0]  # type: ignore[index]
    token_file = re.search(r"for this run only: in (\S+)", said)[1]  # type: ignore[index]
    token = Path(token_file).read_text().strip()

    # without the enable nothing leaves standby
    browser.visit(address)
    browser.until(state("STANDBY"), 60.0)
    browser.eval(f"document.getElementById('token').value = {token!r}")
    click(browser, "#operator button[type=submit]")
    browser.until("document.getElementById('operating').textContent === 'This page operates the bench.'")
    for control in (
        "[aria-label='start side wind']",
        "[aria-label='end side wind']",
        "#mark",
        "#acknowledge",
    ):
        click(browser, control)
        time.sleep(0.5)
        assert browser.eval(state("STANDBY")), control
    assert not any(text.startswith("standby ->") for _, _, text in desk.events())

    # with it the ride starts; an event by hand, then the robot dies
    terminal.enter()
    browser.until(state("RIDING"), 30.0)
    click(browser, "[aria-label='start side wind']")
    browser.until("document.getElementById('log').textContent.includes('side wind')", 30.0)
    os.kill(desk.processes()["robot"][0], signal.SIGKILL)
    browser.until(state("TRIPPED"), 30.0)
    assert "robot heartbeat lost" in browser.eval("document.getElementById('state-says').textContent")
    click(browser, "#acknowledge")
    browser.until(state("RIDE OVER"), 120.0)

    # its report, then the end
    terminal.until(lambda: "the live page stays until Enter" in terminal.said())
    browser.visit(f"{address}runs")
    browser.until("document.querySelector('a[href$=\"report.html\"]')")
    click(browser, "a[href$='report.html']")
    browser.until("document.title.length > 0 && document.querySelector('.verdict')", 60.0)
    terminal.enter()
    assert terminal.process.wait(60) in (1, 2)  # the robot's, or the bench's by whoever killed it
    terminal.close()
    assert not Path(token_file).exists()
    record = "".join(path.read_text(errors="replace") for path in desk.folder.glob("*.json*"))
    assert token not in record
    assert token not in said
    kinds = [(kind, text) for _, kind, text in desk.events()]
    assert ("mark", "mark 1, made by hand") in kinds
    assert browser.complaints == []
    assert [url for url in browser.requests if not url.startswith((address, "data:"))] == []
    assert json.loads((desk.folder / "verdict.json").read_text())["result"] in ("fail", "invalid")
