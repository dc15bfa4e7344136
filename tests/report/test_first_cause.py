"""What began it stands first and is the same, whichever way a verdict is told: screen, page, JSON, JUnit."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from rich.console import Console

from emulator.core.trip_reasons import TripReason
from emulator.criteria.temporal import Compare, Eventually
from emulator.record.reader import Run, read_run
from emulator.report.run_report import write_report
from emulator.report.terminal import console_summary
from emulator.verdict.judge import Verdict, judge, write_verdict
from emulator.verdict.junit import RUN_CASE, write_junit
from tests.support.criteria_in_si import DistanceFromLine, Holds, NoFall
from tests.support.html_page import Page

LATE = {"sent": 200, "lost": 3, "first_lost_s": 9.0}
"""Changes to the GNSS row of a certificate: what nobody took from 9 s on."""


def silent(since: int) -> dict[str, Any]:
    """A robot that fell silent at that tick and stayed so, on a bench that kept going."""
    silence = {"watch": "drive", "frame": "drive", "id": "0x081", "how": "missing", "frames": 0}
    ticks = {"since_tick": since, "until_tick": since + 1500, "silent_ms": 151.0, "allowed_ms": 150.0}
    return {
        "ended": "tripped",
        "trip_code": int(TripReason.COMMAND),
        "trip_reason": "robot commands stale: no 'drive' (0x081) for 151 ms",
        "trip_tick": since + 151,
        "trip_evidence": {"silences": [silence | ticks]},
        "setting": {"link": "loopback", "reference": False},
        "waited": [[0, 20_000, 0.05]],
    }


STALLED = {"processes": {"bus": {"stalls": [[8000, 10_500]], "longest_ms": 2500.0}}}
COMPLETE: dict[str, Any] = {"ended": "complete"}
STOPPED = {"ended": "stopped", "stopped_by": "SIGINT", "end_tick": 10_000}
WIDE, NARROW = 2.0, 0.1
CASES: dict[str, tuple[dict[str, Any], float, dict[str, float], str, str]] = {
    # outcome, limit of the distance from the line [m], changes of the GNSS row; result, how it begins
    "a criterion missed": (COMPLETE, NARROW, {}, "fail", "distance from line: "),
    "a robot that leaves": (silent(8900), WIDE, LATE, "fail", "the rig tripped on the robot 9.1 s"),
    "a robot that leaves off its line": (silent(8900), NARROW, LATE, "fail", "the rig tripped on the robot"),
    "a bus that stalls": (silent(8900) | STALLED, WIDE, {}, "invalid", "the rig tripped 9.1 s"),
    "a bench that lost before": (silent(9900), WIDE, LATE, "invalid", "timing not kept: gnss: 3 frames lost"),
    "a loop that broke": (
        {"ended": "crashed", "trip_reason": "the loop stood still"},
        WIDE,
        {},
        "error",
        "the",
    ),
    "a bus that left": (
        COMPLETE | {"left": [{"role": "bus", "time_s": 3.0, "exit": -9, "signal": "SIGKILL"}]},
        WIDE,
        LATE,
        "invalid",
        "the virtual bus was gone (ended by SIGKILL)",
    ),
    "a person": (STOPPED, WIDE, LATE | {"first_lost_s": 11.0}, "stopped", "stopped by hand (SIGINT) 10.0 s"),
    "a person, after it went wrong": (STOPPED, NARROW, {}, "fail", "distance from line: "),
}


def judged(folder: Path, outcome: dict[str, Any], limit_m: float, gnss: dict[str, float]) -> Verdict:
    """The made-up ride of 20 s with that end."""
    run = read_run(folder)
    certificate = json.loads((folder / "certificate.json").read_text())
    certificate["outputs"]["gnss"] |= gnss
    criteria = [
        NoFall(),
        DistanceFromLine(limit_m),
        Holds(Eventually(Compare("truth.speed_m_s", "at_least", 90.0))),
    ]
    wanted = criteria if outcome["ended"] == "stopped" else criteria[:2]
    given = {"trip_reason": "", "trip_tick": None, "rig_problems": []} | outcome
    return judge(run, wanted, certificate, given)


def on_screen(run: Run) -> list[str]:
    """The reasons on a terminal, in their order."""
    screen = io.StringIO()
    Console(width=400, file=screen).print(console_summary(run))
    lines = [line.strip("│ \n") for line in screen.getvalue().splitlines()]
    return [line.removeprefix("· ") for line in lines if line.startswith("· ")]


def in_junit(folder: Path) -> list[str]:
    """First of what failed or was refused, in the order of the file; a criterion with its name before it."""
    told = []
    for case in ElementTree.parse(folder / "verdict.junit.xml").getroot().iter("testcase"):
        about_run = case.get("name") == RUN_CASE
        for element in case:
            if element.tag in ("failure", "error") or (element.tag == "skipped" and about_run):
                message = element.get("message", "")
                told.append(message if about_run else f"{case.get('name')}: {message}")
    return told


@pytest.mark.parametrize("name", CASES)
def test_all_four_begin_with_the_same(ride_folder: Callable[..., Path], name: str) -> None:
    outcome, limit_m, gnss, result, begins = CASES[name]
    folder = ride_folder()
    verdict = judged(folder, outcome, limit_m, gnss)
    assert verdict.result == result, verdict.reasons
    first = verdict.reasons[0]
    assert first.startswith(begins)
    write_verdict(folder, verdict)
    write_junit(folder, verdict, {})
    assert json.loads((folder / "verdict.json").read_text())["reasons"][0] == first
    assert on_screen(read_run(folder))[0] == first
    page = Page(write_report(folder).read_text(encoding="utf-8")).text
    places = [page.index(" ".join(reason.split())) for reason in verdict.reasons]
    assert places == sorted(places)
    assert in_junit(folder)[0].startswith(first)


def test_the_line_above_the_reasons_says_the_same(ride_folder: Callable[..., Path]) -> None:
    """Timing that only followed is not what the headline accuses."""
    outcome, limit_m, gnss, _, _ = CASES["a bus that left"]
    verdict = judged(ride_folder(), outcome, limit_m, gnss)
    assert len(verdict.reasons) == 2
    assert not verdict.timing_missed


def test_a_stop_after_it_went_wrong_fails_what_was_missed_and_nothing_else(
    ride_folder: Callable[..., Path],
) -> None:
    folder = ride_folder()
    outcome, limit_m, gnss, _, _ = CASES["a person, after it went wrong"]
    verdict = judged(folder, outcome, limit_m, gnss)
    assert [c.passed for c in verdict.criteria] == [True, False, False]
    write_junit(folder, verdict, {})
    root = ElementTree.parse(folder / "verdict.junit.xml").getroot()
    assert (root.get("failures"), root.get("errors"), root.get("skipped")) == ("1", "0", "1")
    assert in_junit(folder) == [verdict.reasons[0]]
    assert "stopped by hand" in (root.findtext(".//system-out") or "")
