"""The reference robot steers by the fork's angle: gains, and rides in the virtual stage."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from emulator.assembly.session import Session, load_session, mission
from emulator.core.signals import RUNNING
from emulator.inspection.stability.survey import lean_of_zero_error
from emulator.record.reader import read_run
from emulator.record.writer import RunWriter
from emulator.robot.design import SPEEDS, Design, feedback_at
from emulator.robot.kept_design import kept_design
from emulator.robot.linear_loop import SteeringLoop
from emulator.robot.margins import loop_margin
from emulator.stages.virtual import VirtualRide
from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.linearise import linearise
from emulator.vehicle.modes import SteadyTurns
from emulator.vehicle.state import JOINT, STEER
from tests.support.scripted_robot import RIG, SCENARIOS

ANGLE_DRIVEN = RIG.with_name("angle_driven.yaml")
RUNS = SCENARIOS / "runs"
ZERO_OFF = math.radians(0.1)


@pytest.fixture(scope="module")
def session() -> Session:
    return load_session(ANGLE_DRIVEN, RUNS / "angle_driven" / "zero_off.yaml", parameters={"off": ZERO_OFF})


@pytest.fixture(scope="module")
def design(session: Session) -> Design:
    told = mission(session)
    return kept_design(told.vehicle, told.grip, told.timing, math.inf)


def signals(session: Session, folder: Path) -> dict[str, np.ndarray]:
    """What was recorded of a virtual ride while it ran."""
    with RunWriter(folder, session.manifest(stage="virtual")) as writer:
        VirtualRide(session).run(writer)
    run = read_run(folder)
    riding = run.signal("bench.state") == RUNNING
    names = ("truth.roll_rad", "truth.steer_rad", "robot.steering_angle_rad", "truth.fallen")
    return {name: run.signal(name)[riding] for name in names}


@pytest.mark.parametrize("speed", [v for v in SPEEDS if v > 3.0])
def test_its_steering_bears_a_delay_at_every_speed(session: Session, design: Design, speed: float) -> None:
    told = mission(session)
    assert told.timing is not None
    steady = steady_motion(told.vehicle, speed)
    loop = SteeringLoop(linearise(told.vehicle, steady), steady, feedback_at(design, speed, 0.0), told.timing)
    margin = loop_margin(loop)
    assert margin.growth < -0.1
    assert margin.delay > 0.030


def test_the_command_of_a_steady_turn_is_its_angle(design: Design) -> None:
    assert np.array_equal(design.command, design.steer)
    assert design.steer.any()


@pytest.mark.slow
def test_a_zero_that_slips_is_steered_against(session: Session, tmp_path: Path) -> None:
    seen = signals(session, tmp_path / "run")
    asked, steer, roll = (
        seen[name] for name in ("robot.steering_angle_rad", "truth.steer_rad", "truth.roll_rad")
    )
    assert not seen["truth.fallen"].any()
    after = slice(-6000, None)
    assert asked[after].mean() == pytest.approx(-ZERO_OFF, rel=0.05)
    assert abs(steer[after].mean()) < 0.05 * ZERO_OFF
    assert abs(math.degrees(roll[after].mean())) < 0.1
    assert math.degrees(np.abs(roll[10_000:14_000]).max()) < 1.0  # of the 1.4 degrees if nobody steered


def test_a_zero_error_is_the_steering_of_a_turn(session: Session) -> None:
    vehicle, speed, lean = mission(session).vehicle, 50.0 / 3.6, math.radians(1.5)
    worth = lean_of_zero_error(SteadyTurns(vehicle), speed)
    steer = abs(float(steady_motion(vehicle, speed, lean).x[JOINT + STEER]))
    assert worth == pytest.approx(ZERO_OFF * lean / steer, rel=0.01)
    assert math.degrees(worth) == pytest.approx(1.46, abs=0.01)  # as ridden below


@pytest.mark.timing
def test_the_lean_that_a_zero_error_is_worth_is_ridden(session: Session, tmp_path: Path) -> None:
    turn = tmp_path / "turn.yaml"
    turn.write_text(
        f"based_on: {RUNS / 'circle.yaml'}\nname: turn\nlaps: 1\nduration_limit_s: 30.0\n"
        "manoeuvre: {kind: circle, radius_m: 800.0, side: left}\nspeed: {top_speed_km_h: 50.0}\n"
    )
    seen = signals(load_session(ANGLE_DRIVEN, turn), tmp_path / "run")
    lean, steer = (abs(float(seen[name][-8000:].mean())) for name in ("truth.roll_rad", "truth.steer_rad"))
    ridden = ZERO_OFF * lean / steer
    computed = lean_of_zero_error(SteadyTurns(mission(session).vehicle), 50.0 / 3.6)
    assert ridden == pytest.approx(computed, rel=0.04)


@pytest.mark.timing
def test_it_rides_the_first_lap(tmp_path: Path) -> None:
    session = load_session(ANGLE_DRIVEN, RUNS / "first_lap.yaml")
    with RunWriter(tmp_path / "run", session.manifest(stage="virtual")) as writer:
        VirtualRide(session).run(writer)
    run = read_run(tmp_path / "run")
    assert not run.signal("truth.fallen").any()
    assert run.signal("line.station_m").max() >= session.finish_station
    assert np.abs(run.signal("line.offset_m")[run.signal("bench.state") == RUNNING]).max() < 1.5
