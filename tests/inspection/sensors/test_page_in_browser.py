"""The sensors' page in a browser: on a phone nothing has to be pushed aside, on a desk nothing stands out.

Needs Debian's chromium (.ci/run installs it).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.inspection.sensors.budget import budget_of
from emulator.inspection.sensors.capture import level_session
from emulator.inspection.sensors.page import SensorPage, write_sensors
from tests.support.browser import Browser

RIG = Path(__file__).parents[3] / "scenarios" / "rigs" / "loopback.yaml"
SIDEWAYS = (
    "[...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth + 1)"
    ".map(e => e.textContent.trim().slice(0, 30))"
)


@pytest.mark.slow
def test_nothing_has_to_be_pushed_aside(tmp_path: Path) -> None:
    session = level_session(RIG)
    path = tmp_path / "sensors.html"
    write_sensors(SensorPage(budget_of(session.rig, session.vehicle, session.codec)), path)
    with Browser(tmp_path / "browser") as browser:
        for width, phone in ((360, True), (1280, False)):
            browser.open(path, width, 800, phone=phone)
            assert browser.complaints == []
            assert browser.eval("document.documentElement.scrollWidth") <= width
            assert browser.eval(SIDEWAYS) == [], width
