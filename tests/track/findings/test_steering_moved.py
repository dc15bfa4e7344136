"""Steering that moves by itself is found where it was planted, and nobody is accused without proof.

The truth is the whole plant, which the finder does not know: it has the bike near one steady motion.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ruamel.yaml import YAML

from emulator.assembly.session import load_session
from emulator.record.reader import Run
from emulator.runs.in_memory import ride_in_memory
from emulator.track.findings.seen import FindingError, seen_around
from emulator.track.findings.steering_moved import SteeringMoved, find_steering_moved
from tests.guide.markdown import ROOT
from tests.support.demo_bike import RIG, LAG_s, demo_bike
from tests.support.device_log import TORQUES, device_log

ASKED, DELIVERED = TORQUES
PULSES = {9.0: 4.0, 12.0: -6.0, 15.0: 10.0}
"""Offsets [N m] of the actuator, for 0.15 s, by when they begin."""
LASTS_s = 0.15

pytestmark = pytest.mark.slow


def ridden(folder: Path, base: str, change: dict[str, Any]) -> Run:
    scenario = folder / "planted.yaml"
    with scenario.open("w") as file:
        based = {"based_on": str(ROOT / "scenarios" / "runs" / base), "name": "planted"}
        YAML().dump(based | change, file)
    return ride_in_memory(load_session(RIG, scenario)).run


def without(run: Run, *names: str) -> Run:
    kept = {name: run.signals[name] for name in run.signals if name not in names}
    return dataclasses.replace(run, signals=kept)


def found(log: Run, at_s: float) -> SteeringMoved:
    return find_steering_moved(log, seen_around(log, at_s), at_s, demo_bike()[0], LAG_s)


@pytest.fixture(scope="module")
def pulses(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Straight on, with an actuator that jumps three times."""
    events = [
        {
            "kind": "actuator",
            "name": f"jump {k}",
            "channel": "steering",
            "effect": "offset",
            "value": torque,
            "at": {"time_s": at_s},
            "duration_s": LASTS_s,
        }
        for k, (at_s, torque) in enumerate(PULSES.items())
    ]
    change = {"manoeuvre": {"kind": "straight", "length_m": 260.0}, "duration_limit_s": 40.0}
    run = ridden(tmp_path_factory.mktemp("pulses"), "short_straight.yaml", change | {"events": events})
    return device_log(run, np.random.default_rng(5), TORQUES)


@pytest.mark.parametrize("at_s", PULSES)
def test_a_jumping_actuator_is_found_and_accused(pulses: Run, at_s: float) -> None:
    moved = found(pulses, at_s + 0.3)
    assert (moved.cause, moved.delivered, moved.bump) == ("actuator", "offset", False)
    assert moved.from_s == pytest.approx(at_s, abs=0.03)
    assert moved.lasts_s == pytest.approx(LASTS_s, abs=0.03)
    assert moved.value == pytest.approx(PULSES[at_s], abs=0.6)


@pytest.mark.parametrize("at_s", PULSES)
def test_without_a_torque_behind_the_actuator_the_cause_is_open(pulses: Run, at_s: float) -> None:
    moved = found(without(pulses, DELIVERED), at_s + 0.3)
    assert (moved.cause, moved.measured, moved.delivered) == ("open", False, None)
    assert moved.from_s == pytest.approx(at_s, abs=0.05)
    impulse = PULSES[at_s] * LASTS_s
    assert moved.torque * moved.lasts_s == pytest.approx(impulse, rel=0.25)


@pytest.mark.parametrize("at_s", PULSES)
def test_steering_that_follows_what_was_measured_does_not_move_by_itself(pulses: Run, at_s: float) -> None:
    with pytest.raises(FindingError, match="the steering does not move by itself"):
        found(without(pulses, ASKED), at_s + 0.3)


def test_friction_of_the_bearings_is_no_movement_and_does_not_hide_one(pulses: Run) -> None:
    """Torques as measured with dry friction of 1 N m between sensor and fork, which takes as much of them."""
    turns = np.gradient(pulses.signals["output.steering_angle_rad"], 1e-3)
    smooth = np.convolve(turns, np.full(25, 0.04), mode="same")
    rubs = 1.0 * np.tanh(smooth / 0.02)
    signals = dict(pulses.signals) | {
        ASKED: pulses.signals[ASKED] + rubs,
        DELIVERED: pulses.signals[DELIVERED] + rubs,
    }
    log = dataclasses.replace(pulses, signals=signals)
    for calm_s in (10.5, 13.5):
        with pytest.raises(FindingError, match="the steering does not move by itself"):
            found(log, calm_s)
    assert found(log, 15.3).cause == "actuator"


def test_an_actuator_that_gives_nothing_is_told(tmp_path: Path) -> None:
    gone = {
        "kind": "actuator",
        "name": "gone",
        "channel": "steering",
        "effect": "no_response",
        "at": {"station_m": 90.0},
        "duration_s": 0.5,
    }
    run = ridden(tmp_path, "short_bend.yaml", {"events": [gone]})
    begins = float(run.time_s[np.searchsorted(run.signals["line.station_m"], 90.0)])
    moved = found(device_log(run, np.random.default_rng(1), TORQUES), begins + 0.3)
    assert (moved.cause, moved.delivered) == ("actuator", "no_response")
    assert moved.from_s == pytest.approx(begins, abs=0.1)
    assert moved.lasts_s == pytest.approx(0.5, abs=0.15)


def test_a_bump_is_told_from_an_actuator(tmp_path: Path) -> None:
    bump = {"name": "kerb", "at_m": 88.0, "length_m": 3.0, "height_m": 0.05}
    run = ridden(tmp_path, "short_bend.yaml", {"surface": {"bumps": [bump]}})
    log = device_log(run, np.random.default_rng(1), TORQUES)
    at_s = float(run.time_s[np.searchsorted(run.signals["line.station_m"], 88.0)])
    assert (found(log, at_s).cause, found(log, at_s).bump) == ("bump", True)
    # the same ride, of which nobody knows what the actuator did
    moved = found(without(log, DELIVERED), at_s)
    assert (moved.cause, moved.bump) == ("open", True)


def test_what_it_takes_is_told(pulses: Run) -> None:
    with pytest.raises(FindingError, match="map the torque that was asked of the steering"):
        found(without(pulses, *TORQUES), 9.3)
    with pytest.raises(FindingError, match=r"map output\.steering_angle_rad"):
        found(without(pulses, "output.steering_angle_rad", "truth.steer_rad"), 9.3)
    with pytest.raises(FindingError, match="riding above 5 m/s"):
        found(pulses, 2.0)
