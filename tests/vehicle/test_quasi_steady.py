"""Quasi-steady motions against steady ones, closed forms, and the plant that rides them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from emulator.core.axes import roll_pitch_yaw, rotation_of
from emulator.core.constants import GRAVITY
from emulator.vehicle.equilibrium import AIR_DENSITY, steady_motion
from emulator.vehicle.params import Vehicle
from emulator.vehicle.quasi_steady import (
    ACCELERATION,
    EQUAL_USE,
    FRONT_BRAKE,
    FRONT_LOAD,
    FRONT_RATE,
    N_STEER,
    N_UNKNOWNS,
    REAR_LOAD,
    REAR_RATE,
    REAR_ROLLS,
    REAR_TORQUE,
    ROLL,
    STEER_TORQUE,
    YAW_RATE,
    Machine,
    machine,
    solve,
    start,
)
from emulator.vehicle.state import (
    BRAKE_TWIST_FRONT,
    BRAKE_TWIST_REAR,
    FRONT,
    FRONT_WHEEL,
    JOINT,
    JOINT_RATE,
    OMEGA,
    QUATERNION,
    REAR,
    REAR_WHEEL,
    STEER,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_DRIVE_TORQUE,
    U_STEER_TORQUE,
    VELOCITY,
)
from tests.support.machines import AHEAD, BASE, MASS, block_on_wheels, demo, ride

Array = NDArray[np.float64]
Conditions = dict[int, float]


def motion(vehicle: Vehicle, speed: float, *asked: Conditions, grip: float = 1.0) -> tuple[Machine, Array]:
    """The motion that meets the last conditions, found by way of those before."""
    c = machine(vehicle.body, vehicle.tyre, AIR_DENSITY)
    n = np.empty(N_UNKNOWNS)
    start(c, speed, n)
    for conditions in asked:
        kinds, values = np.array(list(conditions)), np.array(list(conditions.values()), float)
        assert solve(c, speed, grip, 0.0, True, kinds, values, n)
    return c, n


def upright(a: float) -> Conditions:
    return {ROLL: 0.0, FRONT_BRAKE: 0.0, ACCELERATION: a}


def leaned(degrees: float, a: float = 0.0) -> Conditions:
    return upright(a) | {ROLL: math.radians(degrees)}


COASTING = {ROLL: 0.0, FRONT_BRAKE: 0.0, REAR_TORQUE: 0.0}


@pytest.mark.parametrize(("speed", "degrees"), [(10.0, 20.0), (25.0, -35.0), (45.0, 40.0)])
def test_without_acceleration_it_is_the_steady_motion(speed: float, degrees: float) -> None:
    vehicle, steps = demo(), tuple(np.linspace(0.125, 1.0, 8))
    steady = None
    for part in steps:
        steady = steady_motion(vehicle, speed, math.radians(part * degrees), guess=steady)
    assert steady is not None
    # the steady motion's speed is the heading's part, this one's the path's
    path = math.hypot(speed, speed * math.tan(steady.drift))
    _, n = motion(vehicle, path, COASTING, *(leaned(part * degrees) for part in (0.0, *steps)))
    assert n[YAW_RATE] == pytest.approx(steady.yaw_rate, rel=1e-5)
    assert n[N_STEER] == pytest.approx(steady.x[JOINT + STEER], rel=1e-4)
    assert n[STEER_TORQUE] == pytest.approx(steady.u[U_STEER_TORQUE], rel=1e-4)
    assert n[REAR_TORQUE] == pytest.approx(steady.u[U_DRIVE_TORQUE], rel=1e-4)


def test_a_steady_motion_with_acceleration_is_the_same_one() -> None:
    vehicle = demo()
    steady = steady_motion(vehicle, 25.0, acceleration=3.0, guess=steady_motion(vehicle, 25.0))
    c, n = motion(vehicle, 25.0, COASTING, upright(3.0))
    assert n[REAR_TORQUE] == pytest.approx(steady.u[U_DRIVE_TORQUE], rel=1e-6)
    assert (c.loads[REAR], c.loads[FRONT]) == pytest.approx(steady.loads, rel=1e-6)


@pytest.mark.parametrize("a", [-6.0, 4.0])
def test_load_transfer_is_height_over_wheelbase(a: float) -> None:
    # m a h / p on a block that hardly has wheels; h and p as the tyres' deflection leaves them
    height = 0.6
    conditions = upright(a) if a > 0.0 else {ROLL: 0.0, REAR_ROLLS: 0.0, ACCELERATION: a}
    c, _ = motion(block_on_wheels(height), 20.0, COASTING, conditions, grip=3.0)
    front = MASS * (GRAVITY * AHEAD - a * height) / BASE
    assert c.loads[FRONT] == pytest.approx(front, rel=0.01)
    assert c.loads[FRONT] + c.loads[REAR] == pytest.approx(MASS * GRAVITY, rel=1e-4)


@pytest.mark.parametrize(("degrees", "a"), [(0.0, 5.0), (0.0, -7.0), (30.0, 3.0), (-40.0, -3.0), (35.0, 0.0)])
def test_the_plant_rides_it(degrees: float, a: float) -> None:
    """For 0.2 s: the speed grows at a, lean and loads stay, the wheels keep their proportion to the speed."""
    vehicle, speed = demo(), 25.0
    braked = {EQUAL_USE: 0.0, ACCELERATION: a, ROLL: math.radians(degrees)}
    last = braked if a < 0.0 else leaned(degrees, a)
    c, n = motion(
        vehicle, speed, COASTING, upright(-1.0), leaned(0.5 * degrees, -1.0), leaned(degrees, 0.3 * a), last
    )
    if a < 0.0:
        assert c.uses[FRONT] == pytest.approx(c.uses[REAR], abs=1e-6)
        assert n[FRONT_BRAKE] > 0.0 > n[REAR_TORQUE]
    x, u = c.x.copy(), c.u.copy()
    # A brake that could hold anything would stop the wheel: take the pressure that gives its torque.
    body, rear = vehicle.body[0], max(-n[REAR_TORQUE], 0.0)
    u[U_BRAKE_FRONT] = n[FRONT_BRAKE] / body["brakes_front_gain"]
    u[U_BRAKE_REAR] = rear / body["brakes_rear_gain"]
    x[BRAKE_TWIST_FRONT], x[BRAKE_TWIST_REAR] = (t / body["brakes_stiffness"] for t in (n[FRONT_BRAKE], rear))
    seconds = 0.2
    before = x.copy()
    ride(vehicle, x, u, 1e-3, round(seconds / 1e-3))
    roll, _, _ = roll_pitch_yaw(rotation_of(*x[QUATERNION : QUATERNION + 4]))
    grown = float(
        np.linalg.norm(x[VELOCITY : VELOCITY + 3]) - np.linalg.norm(before[VELOCITY : VELOCITY + 3])
    )
    assert grown / seconds == pytest.approx(a, abs=0.05)
    assert roll == pytest.approx(math.radians(degrees), abs=0.01)
    for joint in (REAR_WHEEL, FRONT_WHEEL):
        before_over, after_over = (
            y[JOINT_RATE + joint] / float(np.linalg.norm(y[VELOCITY : VELOCITY + 3])) for y in (before, x)
        )
        assert after_over == pytest.approx(before_over, rel=2e-3)
    assert abs(float(x[OMEGA + 2]) - float(before[OMEGA + 2])) < 0.03


def test_a_wheel_lifts_where_weight_and_acceleration_balance_about_the_other_contact() -> None:
    height = 0.6
    vehicle = block_on_wheels(height)
    _, n = motion(
        vehicle, 20.0, COASTING, upright(3.0), {ROLL: 0.0, FRONT_BRAKE: 0.0, FRONT_LOAD: 1.0}, grip=3.0
    )
    assert n[ACCELERATION] == pytest.approx(GRAVITY * AHEAD / height, rel=0.02)
    _, n = motion(
        vehicle,
        20.0,
        COASTING,
        {ROLL: 0.0, REAR_ROLLS: 0.0, ACCELERATION: -5.0},
        {ROLL: 0.0, REAR_ROLLS: 0.0, REAR_LOAD: 1.0},
        grip=3.0,
    )
    assert n[ACCELERATION] == pytest.approx(-GRAVITY * (BASE - AHEAD) / height, rel=0.02)


def test_what_there_is_not_is_not_found() -> None:
    vehicle = demo()
    c, n = motion(vehicle, 20.0, COASTING)
    kinds, values = np.array([ROLL, FRONT_BRAKE, ACCELERATION]), np.array([0.0, 0.0, 30.0])
    assert not solve(c, 20.0, 1.0, 0.0, True, kinds, values, n)
    n[:] = math.nan
    assert not solve(c, 20.0, 1.0, 0.0, True, kinds, values, n)


def test_the_crankshafts_spin_takes_some_more_lean() -> None:
    vehicle = demo()
    turns = []
    for engine in (0.0, 1200.0):
        c = machine(vehicle.body, vehicle.tyre, AIR_DENSITY)
        n = np.empty(N_UNKNOWNS)
        start(c, 30.0, n)
        for degrees in (0.0, 15.0, 30.0):
            kinds = np.array([ROLL, FRONT_BRAKE, ACCELERATION])
            assert solve(c, 30.0, 1.0, engine, True, kinds, np.array([math.radians(degrees), 0.0, 0.0]), n)
        turns.append(-n[YAW_RATE] * 30.0)
        assert n[REAR_RATE] > 90.0
        assert n[FRONT_RATE] > 90.0
    # roll balance: m q g sin = m y (t + q cos) + (spins of the wheels + I w) yaw rate cos; I w = 0.022 * 1200
    body = vehicle.body[0]
    mass = sum(
        float(body[f"{name}_mass"])
        for name in ("main_frame", "swingarm", "rear_wheel", "steered_frame", "fork_lower", "front_wheel")
    )
    spin = 0.022 * 1200.0 * math.cos(math.radians(30.0)) / 30.0 / mass  # [m] beside t + q cos = 0.55 m
    assert turns[1] / turns[0] == pytest.approx(
        1.0 - spin / (0.08 + 0.54 * math.cos(math.radians(30.0))), abs=2e-3
    )
