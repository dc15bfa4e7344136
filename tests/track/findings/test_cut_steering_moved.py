"""From a log whose steering moved by itself to a scenario in which it moves so again."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ruamel.yaml import YAML

from emulator.assembly.session import load_session
from emulator.record.reader import Run, read_run
from emulator.runs.in_memory import ride_in_memory
from emulator.track.findings.cut import cut_finding
from emulator.track.findings.seen import seen_around
from emulator.track.findings.steering_moved import SteeringMoved, find_steering_moved
from tests.guide.markdown import ROOT
from tests.support.demo_bike import RIG, LAG_s, demo_bike
from tests.support.device_log import TORQUES, device_log
from tests.support.imported_ride import imported
from tests.support.ridden_once import ride_into

pytestmark = pytest.mark.slow

STATION_m = 90.0
MEASURED = ("wheel", "rate", "force", "lean", "steering", "gnss")


def fault(effect: str, duration_s: float, at_m: float = STATION_m, **more: float) -> dict[str, Any]:
    event = {"kind": "actuator", "name": "planted", "channel": "steering", "effect": effect}
    return {"events": [event | more | {"at": {"station_m": at_m}, "duration_s": duration_s}]}


DOES: dict[str, dict[str, Any]] = {
    "jumps": fault("offset", 0.2, value=15.0),
    "sticks": fault("stuck", 2.0, 85.0),
    "bump": {"surface": {"bumps": [{"name": "kerb", "at_m": 88.0, "length_m": 3.0, "height_m": 0.05}]}},
}


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Run]:
    """The ride in which the steering does that; each is ridden once."""
    folder = tmp_path_factory.mktemp("ridden")

    @functools.cache
    def of(which: str) -> Run:
        scenario, run = (folder / f"{which}{ending}" for ending in (".yaml", ""))
        with scenario.open("w") as file:
            based = {"based_on": str(ROOT / "scenarios" / "runs" / "short_bend.yaml"), "name": "planted"}
            YAML().dump(based | DOES[which], file)
        ride_into(load_session(RIG, scenario), run)
        return read_run(run)

    return of


def passes_s(run: Run, station_m: float) -> float:
    return float(run.time_s[np.searchsorted(run.signals["line.station_m"], station_m)])


def falls(run: Run) -> list[str]:
    return [event.text for event in run.events if event.kind == "fall"]


@pytest.mark.parametrize(
    ("which", "alone"),
    [
        pytest.param("jumps", False, id="jumps"),
        pytest.param("jumps", True, id="jumps, asked torque alone"),
        pytest.param("sticks", False, id="sticks"),
        pytest.param("bump", False, id="bump"),
    ],
)
def test_it_moves_so_again(which: str, alone: bool, ridden: Callable[[str], Run], tmp_path: Path) -> None:
    run = ridden(which)
    log = device_log(run, np.random.default_rng(2), (*TORQUES, "truth.fork_travel_m"))
    if alone:
        kept = {name: v for name, v in log.signals.items() if name != TORQUES[1]}
        log = dataclasses.replace(log, signals=kept)
    log.manifest["track"] = {"inertial_unit": {"position_m": [0.60, 0.0, 0.70]}}  # as the demo rig has it
    at_s = passes_s(run, STATION_m)
    cut = cut_finding(log, at_s + 0.2, "steering_moved", "kick", tmp_path / "findings", RIG)
    text = cut.scenario.read_text()
    assert ("bumps:" in text) == (which == "bump")
    held = ride_in_memory(load_session(RIG, cut.scenario))
    assert falls(held.run) == falls(run)
    assert (held.verdict.result == "fail") == bool(falls(run))
    # and what is seen of the new ride is what was seen of the log
    again_s = passes_s(held.run, cut.piece.station_m)
    seen = seen_around(held.run, again_s)
    now, was = find_steering_moved(held.run, seen, again_s, demo_bike()[0], LAG_s), cut.found
    assert isinstance(was, SteeringMoved)
    assert now.from_s == pytest.approx(again_s, abs=0.2)
    if alone:  # what was open is made by the actuator
        assert (was.cause, now.cause) == ("open", "actuator")
    else:
        assert (now.cause, now.delivered) == (was.cause, was.delivered)
    if which == "jumps":
        assert now.torque * now.lasts_s == pytest.approx(was.torque * was.lasts_s, rel=0.25)


def test_an_imported_log_does_as_well(ridden: Callable[[str], Run], tmp_path: Path) -> None:
    run = ridden("jumps")
    made = imported(run, tmp_path, "Kicked", MEASURED, *TORQUES)
    at_s = passes_s(run, STATION_m) - made.brought.zero_s
    log = read_run(made.folder)
    cut = cut_finding(log, at_s, "steering_moved", "kick", tmp_path / "findings", RIG)
    assert "gave +15" in cut.entry.seen
    assert "as measured behind it" in cut.entry.seen
    held = ride_in_memory(load_session(RIG, cut.scenario))
    assert held.verdict.result == "pass", held.verdict.reasons
