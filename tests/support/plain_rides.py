"""The plant by itself, nobody at the bars: coasting, full throttle, ramps of torque, steady turns.

No search for an equilibrium decides what comes out, only where a ride begins.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import root_scalar

from emulator.core.axes import roll_pitch_yaw, rotate, rotation_of
from emulator.vehicle.driveline import engine_torque, overall_ratio
from emulator.vehicle.equilibrium import AIR_DENSITY, rest_inputs
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.params import Vehicle
from emulator.vehicle.quasi_steady import (
    ACCELERATION,
    EQUAL_USE,
    FRONT_BRAKE,
    N_UNKNOWNS,
    REAR_TORQUE,
    ROLL,
    Machine,
    machine,
    solve,
    start,
)
from emulator.vehicle.state import (
    BRAKE_TWIST_FRONT,
    BRAKE_TWIST_REAR,
    CLUTCH_TWIST,
    ENGINE,
    FRONT,
    JOINT_RATE,
    OMEGA,
    QUATERNION,
    REAR,
    REAR_WHEEL,
    T_LOAD,
    T_SLIP_RATIO,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_DRIVE_TORQUE,
    U_GEAR,
    U_STEER_TORQUE,
    U_THROTTLE,
    U_WIND_X,
    VELOCITY,
    scratch,
)

Array = NDArray[np.float64]
STEP = 1e-3
_WINDOW = 50  # steps over which an acceleration is taken
_BEGUN = 0.92  # of a limit: where a ramp towards it begins
_RAISED_BY = 0.08  # of what it begins with, each second


def speed_of(x: Array) -> float:
    """Horizontal speed [m/s]."""
    vx, vy, _ = rotate(rotation_of(*x[QUATERNION : QUATERNION + 4]), *x[VELOCITY : VELOCITY + 3])
    return math.hypot(vx, vy)


def machine_of(vehicle: Vehicle) -> Machine:
    return machine(vehicle.body, vehicle.tyre, AIR_DENSITY)


def straight(c: Machine, speed: float, *conditions: tuple[int, float], guess: Array | None = None) -> Array:
    """The unknowns of a motion straight on; its state stays in ``c``."""
    kinds, values = zip((ROLL, 0.0), *conditions, strict=True)
    n = np.empty(N_UNKNOWNS)
    start(c, speed, n)
    if guess is not None:
        n[:] = guess
    assert solve(c, speed, 1.0, 0.0, True, np.array(kinds), np.array(values), n)
    return n


class Coasted(NamedTuple):
    """Times [s] and speeds [m/s] of every step, and the rear wheel's rate [rad/s] at the beginning."""

    times: Array
    speeds: Array
    rate: float

    def time_at(self, speed: float) -> float:
        return float(np.interp(-speed, -self.speeds, self.times))


def coast(vehicle: Vehicle, fast: float, slow: float) -> Coasted:
    """Roll in neutral from ``fast`` to ``slow`` [m/s]."""
    c = machine_of(vehicle)
    straight(c, fast, (FRONT_BRAKE, 0.0), (REAR_TORQUE, 0.0))
    x, u, s = c.x.copy(), rest_inputs(), scratch()
    u[U_GEAR] = 0.0
    x[BRAKE_TWIST_FRONT] = x[BRAKE_TWIST_REAR] = 0.0
    rate, speeds = float(x[JOINT_RATE + REAR_WHEEL]), [speed_of(x)]
    while speeds[-1] > slow:
        begin(vehicle.body, vehicle.tyre, x, u, s)
        finish(vehicle.body, vehicle.tyre, x, u, STEP, s)
        speeds.append(speed_of(x))
    return Coasted(STEP * np.arange(len(speeds)), np.array(speeds), rate)


def in_gear(vehicle: Vehicle, c: Machine, gear: int, throttle: float | None = None) -> tuple[Array, Array]:
    """State and inputs of the motion in ``c`` with engine, clutch and gear instead of a torque at the wheel.

    throttle  None: as much as holds the motion
    """
    body = vehicle.body[0]
    x, u = c.x.copy(), rest_inputs()
    ratio, primary = overall_ratio(body, gear), float(body["gearbox_primary"])
    x[ENGINE] = engine = float(x[JOINT_RATE + REAR_WHEEL]) * ratio
    x[CLUTCH_TWIST] = float(c.u[U_DRIVE_TORQUE]) / ratio * primary / float(body["clutch_stiffness"])
    x[BRAKE_TWIST_FRONT] = x[BRAKE_TWIST_REAR] = 0.0
    u[U_GEAR], u[U_STEER_TORQUE] = gear, c.u[U_STEER_TORQUE]
    if throttle is None:
        closed, wide = (engine_torque(body, engine, opening, 0.0) for opening in (0.0, 1.0))
        throttle = (float(c.u[U_DRIVE_TORQUE]) / ratio - closed) / (wide - closed)
        assert 0.0 <= throttle <= 1.0
    u[U_THROTTLE] = throttle
    return x, u


def full_throttle(vehicle: Vehicle, speed: float, gear: int, seconds: float = 1.0) -> float:
    """Acceleration [m/s^2] over the second half of a ride at full throttle from ``speed`` [m/s]."""
    c = machine_of(vehicle)
    straight(c, speed, (FRONT_BRAKE, 0.0), (ACCELERATION, 0.0))
    x, u = in_gear(vehicle, c, gear, throttle=1.0)
    s, half = scratch(), round(0.5 * seconds / STEP)
    for k in range(2 * half):
        if k == half:
            before = speed_of(x)
        begin(vehicle.body, vehicle.tyre, x, u, s)
        finish(vehicle.body, vehicle.tyre, x, u, STEP, s)
    return (speed_of(x) - before) / (half * STEP)


class Turned(NamedTuple):
    """Lean [rad], yaw rate [rad/s] and speed [m/s] at the end of a ride."""

    lean: float
    yaw_rate: float
    speed: float


def hold(vehicle: Vehicle, x: Array, u: Array, seconds: float) -> Turned:
    """Ride with the inputs held."""
    s = scratch()
    for _ in range(round(seconds / STEP)):
        begin(vehicle.body, vehicle.tyre, x, u, s)
        finish(vehicle.body, vehicle.tyre, x, u, STEP, s)
    R = rotation_of(*x[QUATERNION : QUATERNION + 4])
    return Turned(roll_pitch_yaw(R)[0], rotate(R, *x[OMEGA : OMEGA + 3])[2], speed_of(x))


class Reached(NamedTuple):
    """Greatest acceleration [m/s^2] until the wheel lifted or slid; whether it lifted before any slid."""

    acceleration: float
    lifted: bool


def raised_until_lost(vehicle: Vehicle, at: float, limit: float, *, equal_use: bool = False) -> Reached:
    """Drive (limit above 0) or brake ever harder, until the wheel lifts or the tyre that works slides.

    A rear wheel that is relieved by braking may lock before that; what it loses is little.

    at         [m/s]    speed of the air against the bike, held by a wind, and nearly of the bike as it comes
                        to its limit: that goes with both, since a tyre that slides faster holds less
    limit      [m/s^2]  about where it is expected: the ride begins at 0.92 of it and rises by 8 % a second
    equal_use  brake with both wheels, alike used, rather than with the front one alone
    """

    def missed(first: float) -> float:
        return _raised(vehicle, first, at, limit, equal_use)[1] - at

    near = at - limit
    first = root_scalar(missed, method="secant", x0=near, x1=near - missed(near), xtol=0.1).root
    reached, speed = _raised(vehicle, first, at, limit, equal_use)
    assert speed == pytest.approx(at, rel=0.03)
    return reached


def _raised(
    vehicle: Vehicle, first: float, air: float, limit: float, equal_use: bool
) -> tuple[Reached, float]:
    """The same, begun at a speed ``first`` [m/s]; also the speed [m/s] at the end."""
    c = machine_of(vehicle)
    driving = limit > 0.0
    c.u[U_WIND_X] = first - air
    other = (FRONT_BRAKE if driving else EQUAL_USE if equal_use else REAR_TORQUE, 0.0)
    n = None
    # In steps: so near to the peak a search from afar comes out beyond it, where the tyre slides.
    for part in np.linspace(0.2, 1.0, 9):
        n = straight(c, first, other, (ACCELERATION, float(part) * _BEGUN * limit), guess=n)
    assert n is not None
    x, u, s = c.x.copy(), rest_inputs(), scratch()
    brakes, body = (float(n[FRONT_BRAKE]), max(-float(n[REAR_TORQUE]), 0.0)), vehicle.body[0]
    if driving:
        x[BRAKE_TWIST_FRONT] = x[BRAKE_TWIST_REAR] = 0.0
    light, works = (FRONT, REAR) if driving else (REAR, FRONT)
    speeds, slid = [speed_of(x)], False
    for k in range(4000):
        more = 1.0 + _RAISED_BY * k * STEP
        if driving:
            u[U_DRIVE_TORQUE] = float(n[REAR_TORQUE]) * more
        else:
            u[U_BRAKE_FRONT] = brakes[0] * more / float(body["brakes_front_gain"])
            u[U_BRAKE_REAR] = brakes[1] * more / float(body["brakes_rear_gain"])
        u[U_WIND_X] = speeds[-1] - air
        begin(vehicle.body, vehicle.tyre, x, u, s)
        tyres = s[0]["tyre"]
        lifted = tyres[light, T_LOAD] <= 0.0
        slides = np.abs(tyres[:, T_SLIP_RATIO]) > 0.5
        slid = slid or bool(k > _WINDOW and slides.any())
        if k > _WINDOW and (lifted or slides[works]):
            break
        finish(vehicle.body, vehicle.tyre, x, u, STEP, s)
        speeds.append(speed_of(x))
    else:
        raise AssertionError("neither lifted nor slid")
    # Not that at the end: a tyre that slides has its peak behind it and holds less.
    v = np.array(speeds)
    gained = (v[_WINDOW:] - v[:-_WINDOW]) / (_WINDOW * STEP)
    return Reached(float(gained[np.argmax(gained * limit)]), bool(lifted) and not slid), speeds[-1]
