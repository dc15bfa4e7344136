"""Robot frames on their way in, and the actuators behind them, through whole ticks."""

import itertools
import math

import numpy as np
import pytest

from emulator.config.rig.outputs import COMMAND_FRAMES
from emulator.config.scenario.events import Trigger
from emulator.core.signals import R_FRONT_BRAKE, R_STEER_TORQUE, R_THROTTLE, ROBOT_COMMANDS, RUNNING, TRIPPED
from emulator.plant.commands import SHIFT_DONE, SHIFT_FAILED, SHIFT_NONE, shift
from emulator.plant.records import RUN_DTYPE
from emulator.vehicle.state import (
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_CLUTCH,
    U_STEER_IMPOSED,
    U_STEER_TORQUE,
    U_THROTTLE,
)
from tests.support.events import GearboxEvent
from tests.support.scripted_robot import HELD_CLUTCH, Ride, variant, with_events

TICK_S = 1e-3


@pytest.fixture
def quiet(session):
    """A bench whose robot says only what the test sends."""
    ride = Ride(session)
    ride.every = 0
    return ride


def counts(ride, frame):
    heard = ride.bench.frame_counts()[frame]
    return tuple(heard[key] for key in ("accepted", "lost", "repeated", "damaged"))


# --- frames -------------------------------------------------------------------------------------------


def test_a_sound_frame_is_decoded_and_counted(quiet):
    quiet.robot.send(quiet.rx, "steering", {"steering_torque_Nm": -12.34, "steering_angle_rad": 0.01})
    quiet.step()
    assert quiet["robot.steering_torque_Nm"] == pytest.approx(-12.34, abs=0.005)
    assert quiet["robot.steering_angle_rad"] == pytest.approx(0.01, abs=0.000025)
    assert counts(quiet, "steering") == (1, 0, 0, 0)


def test_every_command_frame_reaches_its_own_signals(quiet):
    value = 0.3
    expected = {}
    for frame in COMMAND_FRAMES:
        names = quiet.session.codec.signals[quiet.session.codec.frame(frame)]
        quiet.robot.send(quiet.rx, frame, {name: value * (k + 1) for k, name in enumerate(names)})
        expected |= {name: value * (k + 1) for k, name in enumerate(names)}
    quiet.step()
    assert set(expected) == set(ROBOT_COMMANDS)
    for name, v in expected.items():
        step = {"gear_request": 0.5, "heartbeat": 0.5, "front_brake_Pa": 125.0, "rear_brake_Pa": 125.0}.get(
            name, 0.01
        )
        assert quiet[f"robot.{name}"] == pytest.approx(v, abs=step)


@pytest.mark.parametrize("byte", range(8))
def test_a_damaged_frame_is_counted_and_changes_nothing(quiet, byte):
    quiet.robot.send(quiet.rx, "steering", {"steering_torque_Nm": 5.0})
    quiet.step()
    fresh = int(quiet.plant.run[0]["steering_tick"])
    row = quiet.robot.send(quiet.rx, "steering", {"steering_torque_Nm": 50.0})
    quiet.rx.data[row, byte] ^= 0x10
    quiet.step()
    assert quiet["robot.steering_torque_Nm"] == 5.0
    assert counts(quiet, "steering") == (1, 0, 0, 1)
    assert quiet.plant.run[0]["steering_tick"] == fresh


def test_a_frame_of_another_length_is_damaged(quiet):
    row = quiet.robot.send(quiet.rx, "drive", HELD_CLUTCH["drive"])
    quiet.rx.length[row] = 7
    quiet.step()
    assert counts(quiet, "drive") == (0, 0, 0, 1)
    assert math.isnan(quiet["robot.throttle"])


def test_a_repeated_frame_is_counted_and_does_not_keep_the_command_fresh(quiet):
    quiet.robot.send(quiet.rx, "steering", {"steering_torque_Nm": 5.0})
    quiet.step()
    quiet.robot.alive["steering"] -= 1
    quiet.robot.send(quiet.rx, "steering", {"steering_torque_Nm": 9.0})
    quiet.step()
    assert counts(quiet, "steering") == (1, 0, 1, 0)
    assert quiet["robot.steering_torque_Nm"] == 5.0
    assert quiet.plant.run[0]["steering_tick"] == 0


@pytest.mark.parametrize("missing", [1, 2, 13])
def test_lost_frames_are_counted_by_the_gap_they_leave_also_over_the_wrap(quiet, missing):
    for _ in range(8):
        quiet.robot.send(quiet.rx, "gear", {"gear_request": 1.0})
    quiet.robot.send(quiet.rx, "gear", {"gear_request": 2.0}, skip=missing)
    quiet.step()
    assert counts(quiet, "gear") == (9, missing, 0, 0)
    assert quiet["robot.gear_request"] == 2.0


def test_a_value_that_is_not_available_leaves_the_last_one_and_is_not_fresh(quiet):
    quiet.robot.send(quiet.rx, "steering", {"steering_torque_Nm": 5.0})
    quiet.robot.send(quiet.rx, "drive", HELD_CLUTCH["drive"])
    quiet.step()
    quiet.robot.send(quiet.rx, "steering", {"steering_angle_rad": 0.1})
    quiet.robot.send(quiet.rx, "drive", {"clutch": 0.5})
    quiet.step()
    assert quiet["robot.steering_torque_Nm"] == 5.0
    assert quiet["robot.steering_angle_rad"] == pytest.approx(0.1)
    assert quiet["robot.throttle"] == 0.0
    assert quiet["robot.clutch"] == 0.5
    assert quiet.plant.run[0]["steering_tick"] == quiet.plant.run[0]["drive_tick"] == 0


def test_only_a_heartbeat_that_moves_is_a_heartbeat(quiet):
    ticks = []
    for beat in (4.0, 4.0, 5.0, 5.0, 5.0, 4.0, 65535.0, 0.0):
        quiet.robot.send(quiet.rx, "gear", {"gear_request": 1.0, "heartbeat": beat})
        quiet.step()
        ticks.append(int(quiet.plant.run[0]["heartbeat_tick"]))
    assert ticks == [0, 0, 2, 2, 2, 5, 6, 7]


def test_unknown_identifiers_and_frames_of_our_own_are_ignored(quiet):
    row = quiet.robot.send(quiet.rx, "steering", {"steering_torque_Nm": 5.0})
    quiet.rx.can_id[row] = 0x7FF
    row = quiet.robot.send(quiet.rx, "steering", {"steering_torque_Nm": 5.0})
    quiet.rx.can_id[row] |= 1 << 31  # the same number, but as a 29-bit identifier
    quiet.robot.send(quiet.rx, "lean", {"lean_rad": 0.5})
    before = quiet.plant.robot.counts.copy()
    quiet.step()
    assert np.array_equal(quiet.plant.robot.counts, before)
    assert math.isnan(quiet["robot.steering_torque_Nm"])
    assert set(quiet.bench.frame_counts()) == set(COMMAND_FRAMES)


def test_a_frame_sent_as_another_one_is_damaged(quiet):
    """Masquerade: right CRC for its own data id, wrong identifier."""
    row = quiet.robot.send(quiet.rx, "drive", HELD_CLUTCH["drive"])
    quiet.rx.can_id[row] = quiet.session.codec.table.can_id[quiet.session.codec.frame("steering")]
    quiet.step()
    assert counts(quiet, "steering") == (0, 0, 0, 1)


def test_of_two_frames_in_a_tick_the_last_one_holds(quiet):
    quiet.robot.send(quiet.rx, "steering", {"steering_torque_Nm": 1.0})
    quiet.robot.send(quiet.rx, "steering", {"steering_torque_Nm": 2.0})
    quiet.step()
    assert quiet["robot.steering_torque_Nm"] == 2.0


# --- actuators ----------------------------------------------------------------------------------------


def follow(ride, index, ticks):
    """The input after each of so many ticks."""
    out = []
    ride.step(ticks, lambda r: out.append(float(r.plant.u[index])))
    return np.array(out)


@pytest.mark.parametrize(
    ("frame", "signal", "index", "time_constant_ms", "asked"),
    [
        ("drive", "throttle", U_THROTTLE, 40.0, 0.8),
        ("drive", "clutch", U_CLUTCH, 30.0, 0.6),
        ("drive", "front_brake_Pa", U_BRAKE_FRONT, 30.0, 8e5),
        ("drive", "rear_brake_Pa", U_BRAKE_REAR, 30.0, 5e5),
        ("steering", "steering_torque_Nm", U_STEER_TORQUE, 8.0, 20.0),
    ],
)
def test_an_actuator_is_a_first_order_lag_exact_to_the_tick(
    quiet, frame, signal, index, time_constant_ms, asked
):
    quiet.robot.send(quiet.rx, frame, {signal: asked})
    got = follow(quiet, index, 200)
    n = np.arange(1, 201)
    # the step response of a first-order lag (closed form)
    np.testing.assert_allclose(got, asked * (1.0 - np.exp(-n / time_constant_ms)), rtol=1e-12, atol=1e-12)
    quiet.robot.send(quiet.rx, frame, {signal: 0.0})
    back = follow(quiet, index, 50)
    np.testing.assert_allclose(back, got[-1] * np.exp(-np.arange(1, 51) / time_constant_ms), rtol=1e-11)


def test_steering_torque_keeps_to_its_rate_and_its_limit(session):
    steering = session.rig.actuators.steering.model_copy(
        update={"time_constant_ms": 0.0, "rate_limit_Nm_s": 500.0, "limit_Nm": 30.0}
    )
    rig = {"actuators": session.rig.actuators.model_copy(update={"steering": steering})}
    ride = Ride(variant(session, rig=rig))
    ride.every = 0
    ride.robot.send(ride.rx, "steering", {"steering_torque_Nm": 300.0})
    np.testing.assert_allclose(
        follow(ride, U_STEER_TORQUE, 100), np.minimum(30.0, 0.5 * np.arange(1, 101)), rtol=1e-12
    )
    ride.robot.send(ride.rx, "steering", {"steering_torque_Nm": -300.0})
    np.testing.assert_allclose(
        follow(ride, U_STEER_TORQUE, 200), np.maximum(-30.0, 30.0 - 0.5 * np.arange(1, 201)), atol=1e-9
    )


def test_brakes_and_levers_keep_to_their_ends(quiet):
    quiet.robot.send(
        quiet.rx, "drive", {"throttle": 1.0, "clutch": 1.0, "front_brake_Pa": 16e6, "rear_brake_Pa": 16e6}
    )
    quiet.step(2000)
    u = quiet.plant.u
    assert u[U_BRAKE_FRONT] == 20e5  # limit_bar 20 of the rig
    assert u[U_BRAKE_REAR] == 25e5
    assert 0.999 < u[U_THROTTLE] <= 1.0
    assert 0.999 < u[U_CLUTCH] <= 1.0
    quiet.plant.robot.robot[R_THROTTLE] = -3.0  # a DBC may allow what a throttle can't
    quiet.plant.robot.robot[R_FRONT_BRAKE] = -1e6
    quiet.step(500)
    assert u[U_THROTTLE] == 0.0
    assert u[U_BRAKE_FRONT] == 0.0


def test_before_the_robot_was_heard_the_actuators_rest(quiet):
    quiet.step(50)
    for index in (U_STEER_TORQUE, U_THROTTLE, U_BRAKE_FRONT, U_BRAKE_REAR, U_CLUTCH):
        assert quiet.plant.u[index] == 0.0
    assert np.isnan(quiet.plant.robot.robot[R_STEER_TORQUE])


# --- gear change --------------------------------------------------------------------------------------


def gearbox(gear):
    state = np.zeros(1, RUN_DTYPE)[0]
    state["gear"] = gear
    state["shift_refused"] = -1
    return state


@pytest.mark.parametrize("shift_time", [0.001, 0.05, 0.08, 0.25])
def test_a_shift_is_neutral_for_its_time_to_the_tick(shift_time):
    r = gearbox(2)
    assert not shift(r, 3.0, 1.0, 0.0, shift_time, TICK_S)
    assert (int(r["gear"]), int(r["gear_target"])) == (0, 3)
    neutral = 1
    while not shift(r, 3.0, 1.0, 0.0, shift_time, TICK_S):
        neutral += 1
        assert neutral < 1000
    assert neutral == round(shift_time / TICK_S)
    assert r["gear"] == 3


@pytest.mark.parametrize(
    ("gear", "request_", "clutch", "throttle", "target"),
    [
        (1, 2.0, 1.0, 1.0, 2),
        (1, 2.0, 0.0, 0.0, 2),  # throttle shut: the dogs are unloaded
        (1, 2.0, 0.4, 0.5, None),  # loaded dogs hold
        (2, 6.0, 1.0, 0.0, 3),  # one gear at a time
        (5, 1.0, 1.0, 0.0, 4),
        (6, 9.0, 1.0, 0.0, None),  # no seventh gear
        (1, -4.0, 1.0, 0.0, 0),
        (0, 1.0, 1.0, 0.0, 1),
        (3, 3.0, 1.0, 0.0, None),
        (3, math.nan, 1.0, 0.0, None),
    ],
)
def test_gears_change_one_by_one_and_only_unloaded(gear, request_, clutch, throttle, target):
    r = gearbox(gear)
    done = [shift(r, request_, clutch, throttle, 0.02, TICK_S) for _ in range(21)]
    assert int(r["gear"]) == (gear if target is None else target) or r["shift_left"] > 0.0
    if target is None:
        assert not any(done)
    else:
        assert any(done)
        assert int(r["gear_target"]) in (target, target + (1 if request_ > target else -1))


def test_a_new_wish_during_a_shift_waits_for_its_end():
    r = gearbox(2)
    shift(r, 3.0, 1.0, 0.0, 0.01, TICK_S)
    while not shift(r, 1.0, 1.0, 0.0, 0.01, TICK_S):
        assert r["gear"] == 0
    assert r["gear"] == 3


def change(r, request_, ticks=40):
    """Ask with the clutch pulled for so many ticks; what the box answered, nothing left out."""
    return [a for a in (shift(r, request_, 1.0, 0.0, 0.02, TICK_S) for _ in range(ticks)) if a != SHIFT_NONE]


def test_a_missed_shift_leaves_the_old_gear_in_until_another_request():
    r = gearbox(2)
    r["shift_effect"] = 1
    assert change(r, 3.0) == [SHIFT_FAILED]
    assert r["gear"] == 2
    r["shift_effect"] = 0
    assert change(r, 3.0) == []  # the lever was moved; it has to come back first
    assert change(r, 2.0) == []
    assert change(r, 3.0) == [SHIFT_DONE]
    assert r["gear"] == 3


def test_a_false_neutral_lasts_until_another_request_and_then_finds_the_gear():
    r = gearbox(2)
    r["shift_effect"] = 2
    assert change(r, 3.0) == [SHIFT_FAILED]
    assert r["gear"] == 0
    r["shift_effect"] = 0
    assert change(r, 3.0) == []
    assert r["gear"] == 0
    assert change(r, 4.0, ticks=20) == []
    assert change(r, 4.0, ticks=1) == [SHIFT_DONE]
    assert r["gear"] == 3  # where the drum stood
    assert change(r, 4.0) == [SHIFT_DONE]
    assert r["gear"] == 4


@pytest.mark.parametrize(
    ("effect", "shown", "text"),
    [("missed", [1], "gear change missed"), ("false_neutral", [1, 0], "gear change ended in neutral")],
)
def test_a_gearbox_event_acts_on_changes_begun_meanwhile(session, effect, shown, text):
    event = GearboxEvent(kind="gearbox", name="box", at=Trigger(time_s=0.1), duration_s=1.0, effect=effect)
    ride = Ride(with_events(session, event)).start(200)
    ride.commands = {**HELD_CLUTCH, "gear": {"gear_request": 2.0}}
    ride.step(400)
    _, gear = ride.value("engine", "gear")
    assert [int(gear[0]), *(int(b) for a, b in itertools.pairwise(gear) if a != b)] == shown
    assert text in [e[4] for e in ride.events]
    ride.step(700)
    ride.commands = {**HELD_CLUTCH, "gear": {"gear_request": 1.0}}
    ride.step(200)
    ride.commands = {**HELD_CLUTCH, "gear": {"gear_request": 2.0}}
    ride.step(400)
    assert ride["truth.gear"] == 2.0


def test_a_gear_change_shows_on_the_wire_and_in_the_events(session):
    ride = Ride(session).start(200)
    ride.commands = {**HELD_CLUTCH, "gear": {"gear_request": 2.0}}
    ride.step(400)
    _, gear = ride.value("engine", "gear")
    shown = [int(gear[0]), *(int(b) for a, b in itertools.pairwise(gear) if a != b)]
    assert shown == [1, 0, 2]
    assert [e[4] for e in ride.events if e[4].startswith("gear")] == ["gear 2"]


# --- angle-driven steering ----------------------------------------------------------------------------


@pytest.fixture
def angle_driven(session):
    return variant(session, rig={"steering": "angle_driven"})


def test_an_imposed_angle_is_followed_and_gives_a_reaction_torque(angle_driven):
    ride = Ride(angle_driven).start(2500)
    assert ride.plant.u[U_STEER_IMPOSED] == 1.0
    straight = abs(ride["actuator.steering_torque_Nm"])
    ride.commands = {**HELD_CLUTCH, "steering": {"steering_torque_Nm": 0.0, "steering_angle_rad": 0.04}}
    angles, torques = [], []

    def note(r):
        angles.append(r["truth.steer_rad"])
        torques.append(r["actuator.steering_torque_Nm"])

    ride.step(400, note)
    # a critically damped follower of 20 Hz: overshoots nothing, is there within a tenth of a second
    assert max(angles) < 0.0401
    assert all(abs(a - 0.04) < 4e-4 for a in angles[120:])
    assert abs(ride["truth.steer_rate_rad_s"]) < 1e-2
    assert max(abs(t) for t in torques[150:]) > straight + 1.0  # the tyre pushes back at 5 m/s
    assert (
        abs(ride["truth.steer_rad"] - ride.value("steering_angle", "steering_angle_rad")[1][-1])
        < 5 * 0.0003 + 5e-5
    )


def test_with_an_imposed_angle_the_torque_command_moves_nothing(angle_driven):
    ride = Ride(angle_driven).start()
    ride.commands = {**HELD_CLUTCH, "steering": {"steering_torque_Nm": 40.0, "steering_angle_rad": 0.0}}
    ride.step(500)
    assert abs(ride["truth.steer_rad"]) < 1e-4


def test_the_reaction_torque_does_not_depend_on_a_torque_command(angle_driven):
    reactions = []
    for torque in (0.0, 20.0, 40.0):
        ride = Ride(angle_driven).start(2500)
        ride.commands = {
            **HELD_CLUTCH,
            "steering": {"steering_torque_Nm": torque, "steering_angle_rad": 0.04},
        }
        ride.step(600)
        reactions.append(ride["actuator.steering_torque_Nm"])
    assert reactions[0] > 5.0  # at 5 m/s the tyre pushes back
    assert reactions == [reactions[0]] * 3


def test_with_an_imposed_angle_it_is_the_angle_that_must_stay_fresh(angle_driven):
    ride = Ride(angle_driven)
    ride.commands = {**HELD_CLUTCH, "steering": {"steering_angle_rad": 0.0}}  # no torque sensor on this robot
    ride.start(500)
    assert ride.states[-1] == RUNNING
    ride.commands = {**HELD_CLUTCH, "steering": {"steering_torque_Nm": 0.0}}  # the angle sensor dies
    ride.step(400)
    assert ride.states[-1] == TRIPPED
