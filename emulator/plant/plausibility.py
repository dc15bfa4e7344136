"""Whether the robot's commands and measurements are plausible: each watched, each with a time it may be off.

    command_limit   a command beyond its actuator's limit, in any state
    command_rate    steering torque asked for faster than the actuator's rate limit follows, in any state
    steering_angle  |measured by the robot - steering angle the plant made|, while running
    lean_estimate   |the robot's estimate of roll - truth|, while running
    speed_estimate  |the robot's estimate of speed - truth|, while running

What was never sent is not compared as a command, and is beyond any bound as a measurement: a rig that asks
for the comparison wants it made. Feedback is compared with the truth of the tick before it arrived: bounds
have to leave room for its age.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.signals import (
    R_CLUTCH,
    R_FRONT_BRAKE,
    R_GEAR,
    R_REAR_BRAKE,
    R_ROLL,
    R_SPEED,
    R_STEER_ANGLE,
    R_STEER_TORQUE,
    R_THROTTLE,
    columns,
)
from emulator.vehicle.driveline import TOP_GEAR

MONITORS = ("command_limit", "command_rate", "steering_angle", "lean_estimate", "speed_estimate")
N_MONITORS = len(MONITORS)
COMMAND_LIMIT, COMMAND_RATE, STEERING_ANGLE, LEAN_ESTIMATE, SPEED_ESTIMATE = range(5)
LIMITED = ("steering torque", "throttle", "front brake", "rear brake", "clutch", "gear")
"""Commands with a limit; what command_limit tells is a place in this."""

_TRUE_ANGLE, _TRUE_ROLL, _TRUE_SPEED = columns("truth.steer_rad", "truth.roll_rad", "truth.speed_m_s")
_ROUNDING = 1.0 + 1e-9  # a command on the limit has gone through the DBC's factor


@jit
def beyond_limit(c: Record, robot: NDArray[np.float64]) -> int:
    """Place in LIMITED of the first command beyond its actuator's limit, -1 if none is.

    c      the rig's numbers
    robot  (13,) last valid values from the robot, SI; NaN before the first
    Limits are symmetric for torque, from 0 for the rest, the top gear for the gear; torque only counts where
    it drives the steering.
    """
    if c.angle_driven == 0 and abs(robot[R_STEER_TORQUE]) > c.steer_limit * _ROUNDING:
        return 0
    if robot[R_THROTTLE] > _ROUNDING or robot[R_THROTTLE] < 0.0:
        return 1
    if robot[R_FRONT_BRAKE] > c.front_brake_limit * _ROUNDING or robot[R_FRONT_BRAKE] < 0.0:
        return 2
    if robot[R_REAR_BRAKE] > c.rear_brake_limit * _ROUNDING or robot[R_REAR_BRAKE] < 0.0:
        return 3
    if robot[R_CLUTCH] > _ROUNDING or robot[R_CLUTCH] < 0.0:
        return 4
    if robot[R_GEAR] > TOP_GEAR or robot[R_GEAR] < 0.0:
        return 5
    return -1


@jit
def beyond_rate(c: Record, robot: NDArray[np.float64], torque: float) -> bool:
    """Whether the steering actuator, at ``torque`` [N m], runs at its rate limit to follow what is asked."""
    if c.angle_driven != 0 or np.isnan(robot[R_STEER_TORQUE]):
        return False
    commanded = min(c.steer_limit, max(-c.steer_limit, robot[R_STEER_TORQUE]))
    return bool(abs(c.steer_gain * (commanded - torque)) > c.steer_step * _ROUNDING)


@jit
def off(robot: NDArray[np.float64], row: NDArray[np.float64], which: int) -> float:
    """How far a measurement is off [rad] or [m/s]: STEERING_ANGLE, LEAN_ESTIMATE or SPEED_ESTIMATE.

    robot  as in :func:`beyond_limit`
    row    (len(SIGNALS),) recorded signals of the tick before
    NaN while the robot never sent it.
    """
    if which == STEERING_ANGLE:
        return float(robot[R_STEER_ANGLE] - row[_TRUE_ANGLE])
    if which == LEAN_ESTIMATE:
        return float(robot[R_ROLL] - row[_TRUE_ROLL])
    return float(robot[R_SPEED] - row[_TRUE_SPEED])


@jit
def follow(
    c: Record,
    r: Record,
    robot: NDArray[np.float64],
    row: NDArray[np.float64],
    torque: float,
    riding: bool,
) -> int:
    """One tick of all monitors: ``r.beyond`` counts for how many ticks in a row each was beyond its bound.

    torque  [N m] of the steering actuator in the tick before
    riding  whether the ride is on; measurements are only compared then
    Returns the mask of those whose time ran out in this tick. One that is off (0 ticks) counts nothing.
    """
    due = 0
    for i in range(N_MONITORS):
        if c.monitor_ticks[i] <= 0:
            continue
        if i == COMMAND_LIMIT:
            is_beyond = beyond_limit(c, robot) >= 0
        elif i == COMMAND_RATE:
            is_beyond = beyond_rate(c, robot, torque)
        else:
            # written as "not within", so that a NaN is beyond
            is_beyond = riding and not abs(off(robot, row, i)) <= c.monitor_bound[i]
        r.beyond[i] = r.beyond[i] + 1 if is_beyond else 0
        if r.beyond[i] == c.monitor_ticks[i] + 1:
            due |= 1 << i
    return due


def monitor_text(which: int, value: float) -> str:
    """The sentence of a monitor whose time ran out; ``value`` as :func:`off`, or a place in LIMITED."""
    if which == COMMAND_LIMIT:
        return f"{LIMITED[int(value)]} asked for beyond its actuator's limit for too long"
    if which == COMMAND_RATE:
        return "steering torque asked for faster than its actuator for too long"
    name = ("steering angle as measured", "lean as estimated", "speed as estimated")[which - STEERING_ANGLE]
    if math.isnan(value):
        return f"{name}: never sent"
    amount = f"{value * 3.6:+.1f} km/h" if which == SPEED_ESTIMATE else f"{math.degrees(value):+.2f} deg"
    return f"{name} is {amount} off the plant's, for too long"
