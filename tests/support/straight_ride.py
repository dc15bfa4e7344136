"""The plant ridden straight on, hands off: coasting, flat out, and driven or braked until a wheel lifts."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.vehicle.driveline import TOP_GEAR, overall_ratio
from emulator.vehicle.equilibrium import rest_inputs, steady_motion
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    CLUTCH_TWIST,
    DIRECT_DRIVE,
    ENGINE,
    FRONT,
    FRONT_WHEEL,
    JOINT_RATE,
    REAR,
    REAR_WHEEL,
    T_LOAD,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_DRIVE_TORQUE,
    U_GEAR,
    U_THROTTLE,
    VELOCITY,
    scratch,
)

Array = NDArray[np.float64]

STEP = 1e-3
_SETTLED = 2000  # steps without a greater acceleration after which there is none
_LASTS = 200  # steps over which an acceleration is averaged
_LIFTED = 0.01  # of its load: below this a wheel no longer presses
_PACE = 0.45  # [m/s] torque at the wheel raised over the load that is left: the lighter, the slower


class Lifted(NamedTuple):
    """Acceleration [m/s^2] at which a wheel left the road, or the most there was; whether it left."""

    acceleration: float
    lifted: bool


def running(vehicle: Vehicle, speed: float) -> tuple[Array, Array]:
    """State and inputs of running straight on at a speed [m/s], driven at the wheel."""
    steady = steady_motion(vehicle, speed)
    return steady.x.copy(), steady.u.copy()


def coasted(vehicle: Vehicle, fast: float, slow: float) -> float:
    """Time [s] in neutral from one speed [m/s] to a lower one."""
    x, u = running(vehicle, fast + 1.0)
    u[U_GEAR] = 0.0
    work, began, before = scratch(), math.nan, math.inf
    for i in range(1_000_000):
        begin(vehicle.body, vehicle.tyre, x, u, work)
        finish(vehicle.body, vehicle.tyre, x, u, STEP, work)
        for mark in (fast, slow):
            if before > mark >= x[VELOCITY]:
                at = STEP * (i + (before - mark) / (before - x[VELOCITY]))
                if mark == slow:
                    return at - began
                began = at
        before = float(x[VELOCITY])
    raise AssertionError("it never slowed down")


def flat_out(vehicle: Vehicle, near: float) -> float:
    """The greatest speed [m/s] at full throttle over all gears, each ridden until the speed stays."""
    best = 0.0
    for gear in range(1, TOP_GEAR + 1):
        ratio = overall_ratio(vehicle.body[0], gear)
        fastest = float(vehicle.body[0]["engine_limiter_speed"]) / ratio * float(vehicle.tyre[REAR]["radius"])
        if fastest < 0.9 * near:
            continue  # the limiter ends it well before
        x, u = running(vehicle, 0.9 * min(near, fastest))
        u[U_GEAR], u[U_THROTTLE], u[U_DRIVE_TORQUE] = gear, 1.0, 0.0
        x[ENGINE], x[CLUTCH_TWIST] = x[JOINT_RATE + REAR_WHEEL] * ratio, 0.0
        work, before = scratch(), 0.0
        while abs(x[VELOCITY] - before) > 2e-4 * near:
            before = float(x[VELOCITY])
            for _ in range(int(4.0 / STEP)):
                begin(vehicle.body, vehicle.tyre, x, u, work)
                finish(vehicle.body, vehicle.tyre, x, u, STEP, work)
        best = max(best, float(x[VELOCITY]))
    return best


def driven_until_it_lifts(vehicle: Vehicle, speed: float) -> Lifted:
    """Drive torque raised slowly until the front wheel presses no more."""
    return _raised(vehicle, speed, U_DRIVE_TORQUE, _PACE, FRONT)


def braked_until_it_lifts(vehicle: Vehicle, speed: float) -> Lifted:
    """Both brakes raised slowly, in proportion to the wheels' loads, until the rear presses no more."""
    gain = float(vehicle.body[0]["brakes_front_gain"])
    return _raised(vehicle, speed, U_BRAKE_FRONT, _PACE / gain, REAR)


def _raised(vehicle: Vehicle, speed: float, raised: int, per_load: float, wheel: int) -> Lifted:
    # The speed is put back each step, all of the twist and rolling with it: a limit belongs to a speed.
    x, u = running(vehicle, speed)
    u[:] = rest_inputs()
    u[U_GEAR] = DIRECT_DRIVE
    work, most, since = scratch(), 0.0, 0
    gains, radii = vehicle.body[0], vehicle.tyre["radius"]
    recent: list[float] = []
    load = all_of_it = float(steady_motion(vehicle, speed).loads[wheel])
    for _ in range(200_000):
        u[raised] += per_load * load * STEP
        begin(vehicle.body, vehicle.tyre, x, u, work)
        v, rates = x[VELOCITY : VELOCITY + 3], work[0]["k"][0][VELOCITY : VELOCITY + 3]
        gained = float(v @ rates) / float(np.linalg.norm(v))  # of the body's own axes, which pitch
        load = float(work[0]["tyre"][wheel][T_LOAD])
        finish(vehicle.body, vehicle.tyre, x, u, STEP, work)
        if raised == U_BRAKE_FRONT:
            share = load / float(work[0]["tyre"][FRONT][T_LOAD]) * radii[REAR] / radii[FRONT]
            u[U_BRAKE_REAR] = share * u[raised] * gains["brakes_front_gain"] / gains["brakes_rear_gain"]
        recent.append(gained)
        mean = float(np.mean(recent[-_LASTS:]))
        if load < _LIFTED * all_of_it:
            return Lifted(mean, True)
        if len(recent) > since + _SETTLED:
            return Lifted(most, False)
        if len(recent) >= _LASTS and abs(mean) > 1.001 * abs(most):
            most, since = mean, len(recent)
        scale = speed / float(np.linalg.norm(x[VELOCITY : VELOCITY + 3]))
        x[VELOCITY : VELOCITY + 3] *= scale
        x[JOINT_RATE + REAR_WHEEL] *= scale
        x[JOINT_RATE + FRONT_WHEEL] *= scale
    raise AssertionError("nothing ended it")
