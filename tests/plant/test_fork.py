"""Angle-driven steering through whole ticks: the fork's stand-in, faults of its angle, the load motor."""

import math

import numpy as np
import pytest

from emulator.assembly.check import check_on_rig
from emulator.config.scenario.events import Trigger
from emulator.core.signals import RUNNING, TRIPPED
from emulator.shared_memory.status import Command
from emulator.vehicle.imposed_angle import FOLLOWER_RATE
from tests.support.events import ActuatorEvent, FaultEvent
from tests.support.scripted_robot import (
    HELD_CLUTCH,
    RIG,
    RUN,
    Ride,
    demo_session,
    fault,
    variant,
    with_events,
)

ANGLE_DRIVEN = RIG.with_name("angle_driven.yaml")
LAG_s, RATE_LIMIT, RESOLUTION = 0.012, 6.0, 2e-5


@pytest.fixture(scope="module")
def session():
    return demo_session(ANGLE_DRIVEN)


@pytest.fixture(scope="module")
def real_fork(session):
    """The same bench with the real fork's angle in place of the stand-in's."""
    return without(session, "fork")


def without(session, *keys):
    changed = session.rig.actuators.model_copy(update=dict.fromkeys(keys))
    return variant(session, rig={"actuators": changed})


def problems(rig, scenario):
    """What a run of the scenario on the rig is refused for, in words."""
    return [str(p) for found in check_on_rig([scenario], rig) for p in found.problems]


def held_at(angle):
    return {**HELD_CLUTCH, "steering": {"steering_angle_rad": angle}}


def angles_of(session, ticks, commands, *events, start=10):
    """The imposed angle [rad] of each tick, from the one on in which the commands change."""
    ride = Ride(with_events(session, *events)).start(start)
    ride.commands = commands
    seen = []
    ride.step(ticks, lambda _: seen.append(float(ride.plant.run[0]["fork_angle"])))
    return np.array(seen), ride


# ---- stand-in --------------------------------------------------------------------------------------------


def test_the_stand_in_lags_behind_the_angle_that_is_asked_for(session):
    angle, _ = angles_of(session, 100, held_at(0.02))
    since = int(np.flatnonzero(angle)[0])
    t = np.arange(1, 81) * 1e-3
    expected = 0.02 * (1.0 - np.exp(-t / LAG_s))
    assert np.max(np.abs(angle[since : since + 80] - expected)) <= 0.5 * RESOLUTION + 1e-9
    steps = angle / RESOLUTION
    assert np.max(np.abs(steps - np.rint(steps))) < 1e-6


def test_the_stand_in_turns_no_faster_than_its_rate_and_no_further_than_its_stop(session):
    angle, _ = angles_of(session, 300, held_at(1.2))
    assert np.max(np.diff(angle)) == pytest.approx(RATE_LIMIT * 1e-3, abs=RESOLUTION)
    stop = float(session.vehicle.body[0]["steering_stop_angle"])
    assert angle[-1] == pytest.approx(stop, abs=RESOLUTION)


def test_a_real_forks_angle_is_imposed_as_it_comes(real_fork):
    angle, ride = angles_of(real_fork, 150, held_at(0.02))
    assert set(np.unique(angle)) == {0.0, 0.02}
    since = int(np.flatnonzero(angle)[0])
    assert ride["truth.steer_rad"] == pytest.approx(0.02, abs=1e-5)
    # the follower's step response, at a time when it is half way
    ride = Ride(real_fork).start(10)
    ride.commands = held_at(0.02)
    ride.step(since + 14)
    t = FOLLOWER_RATE * 0.013
    assert ride["truth.steer_rad"] == pytest.approx(0.02 * (1.0 - (1.0 + t) * math.exp(-t)), abs=0.02 * 0.04)


# ---- faults ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("effect", "value", "expected"),
    [
        ("offset", 0.00175, 0.02175),
        ("stuck", 0.005, 0.005),
        ("gain", 0.5, 0.01),
        ("sign_change", None, -0.02),
    ],
)
@pytest.mark.parametrize("fork", ["real", "stand-in"])
def test_a_fault_of_the_measured_angle_turns_the_bikes_steering(
    session, real_fork, fork, effect, value, expected
):
    of = session if fork == "stand-in" else real_fork
    _, ride = angles_of(of, 400, held_at(0.02), fault("fork_angle_rad", effect, 0.05, 10.0, value))
    assert ride["truth.steer_rad"] == pytest.approx(expected, abs=3e-5)
    assert ride.value("steering_load", "fork_angle_rad")[1][-1] == pytest.approx(expected, abs=3e-5)


def test_a_frozen_angle_stays_what_it_was_and_a_late_one_comes_later(real_fork):
    angle, _ = angles_of(real_fork, 300, held_at(0.02), fault("fork_angle_rad", "freeze", 0.0, 0.2))
    assert not angle[:150].any()
    assert angle[-1] == 0.02
    late = FaultEvent(
        kind="fault",
        name="it",
        signal="fork_angle_rad",
        effect="delay",
        at=Trigger(time_s=0.0),
        delay_ms=40.0,
    )
    on_time, _ = angles_of(real_fork, 200, held_at(0.02))
    delayed, _ = angles_of(real_fork, 200, held_at(0.02), late)
    assert np.flatnonzero(delayed)[0] - np.flatnonzero(on_time)[0] == 40


@pytest.mark.parametrize(
    ("effect", "keys", "expected"),
    [
        ("stuck", {"value": 0.01}, 0.01),
        ("offset", {"value": -0.004}, 0.016),
        ("weak", {"factor": 0.5}, 0.01),
        ("free_play", {"value": 0.01}, 0.015),
        ("no_response", {}, 0.0),
    ],
)
def test_a_fault_of_the_stand_ins_drive(session, effect, keys, expected):
    event = ActuatorEvent(
        kind="actuator", name="it", channel="steering", effect=effect, at=Trigger(time_s=0.0), **keys
    )
    angle, _ = angles_of(session, 300, held_at(0.02), event)
    assert angle[-1] == pytest.approx(expected, abs=RESOLUTION)


def test_frames_with_the_angle_that_stay_away_trip_the_rig(session):
    ride = Ride(session).start(500)
    ride.commands = {name: values for name, values in held_at(0.0).items() if name != "steering"}
    ride.step(400)
    assert ride.states[-1] == TRIPPED


@pytest.mark.parametrize(
    ("rig", "effect", "words"),
    [
        ("angle_driven.yaml", "dropout", "kind frame, frame steering, effect loss"),
        ("loopback.yaml", "freeze", "expected a signal of this rig's outputs"),
    ],
)
def test_what_could_do_nothing_is_refused(tmp_path, rig, effect, words):
    scenario = tmp_path / "s.yaml"
    event = f"{{kind: fault, name: a, signal: fork_angle_rad, effect: {effect}, at: {{time_s: 1}}}}"
    scenario.write_text(f"based_on: {RUN}\nname: s\nevents:\n  - {event}\n")
    assert any(words in problem for problem in problems(RIG.with_name(rig), scenario))


# ---- reaction --------------------------------------------------------------------------------------------


def test_the_load_motor_gets_the_reaction_within_its_limit(session):
    ride = Ride(session).start(2500)
    ride.commands = held_at(0.04)
    ride.step(600)
    told = ride.value("steering_load", "reaction_torque_Nm")[1]
    assert told[-1] == pytest.approx(ride["actuator.steering_torque_Nm"], abs=0.1)
    assert told[-1] > 5.0
    small = session.rig.actuators.load_motor.model_copy(update={"limit_Nm": 3.0})
    limited = variant(
        session, rig={"actuators": session.rig.actuators.model_copy(update={"load_motor": small})}
    )
    ride = Ride(limited).start(2500)
    ride.commands = held_at(0.04)
    ride.step(600)
    told = ride.value("steering_load", "reaction_torque_Nm")[1]
    assert max(abs(told)) == pytest.approx(3.0, abs=0.005)
    assert ride["actuator.steering_torque_Nm"] > 5.0


def test_outside_a_ride_a_load_motor_is_asked_for_nothing(session):
    ride = Ride(session)
    ride.commands = held_at(0.2)  # a fork that is turned while the bench stands by
    ride.step(300)
    assert ride["truth.steer_rad"] == 0.0
    assert not np.any(ride.value("steering_load", "reaction_torque_Nm")[1])
    ride = Ride(session).start(2500)
    ride.commands = held_at(0.04)
    ride.step(600)
    assert ride.states[-1] == RUNNING
    ride.bench.command(Command.STOP, 0.0)
    ride.step(5000)
    assert ride.states[-1] != RUNNING
    told = ride.value("steering_load", "reaction_torque_Nm")[1]
    assert told[-1] == 0.0
    assert np.max(np.abs(np.diff(told[-4000:]))) < 1.0  # it went there in small steps


def test_a_torque_driven_rig_sends_no_reaction(tmp_path):
    rig = tmp_path / "rig.yaml"
    rig.write_text(f"based_on: {RIG}\noutputs:\n  steering_load: {{rate_hz: 100.0, latency_ms: 1.0}}\n")
    assert any("no angle is imposed that could react" in problem for problem in problems(rig, RUN))
    rig.write_text(f"based_on: {RIG}\nactuators:\n  load_motor: {{limit_Nm: 10.0}}\n")
    assert any("torque_driven: no angle is imposed" in problem for problem in problems(rig, RUN))
