"""Where am I, how fast, how far over: the rider's own estimate from the emulated signals alone.

Roll comes from the roll gyro, drawn to the lean sensor; heading from the gyros, drawn to GNSS; speed from
the wheel that can be trusted, bridged by the longitudinal specific force; place by dead reckoning, drawn to
GNSS. Late measurements are compared with the rider's own past at their time of validity (constant-gain
observer; common practice, no source).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.compiled import Record, jit
from emulator.frames import wrapped
from emulator.robot.design import Design, drift_of
from emulator.robot.records import (
    HISTORY,
    Z_FX,
    Z_P,
    Z_Q,
    Z_R,
    Z_STEER,
    Z_STEER_RATE,
    Z_WHEEL_FRONT,
    Z_WHEEL_REAR,
)

STEP = 0.002
"""[s] control period."""

LEAN_PULL = 0.03
"""Share of a lean innovation taken over each sample."""
LEAN_BIAS_PULL = 0.02 * 0.01
"""[1/s] of a lean innovation that goes into the gyro's bias each sample."""
_WHEEL_PULL = 0.25
_PLACE_PULL = 0.30
_HEADING_PULL = 0.10  # of the angle the lateral innovation makes with the way since the last epoch
_HEADING_BIAS_PULL = 0.01
_SPEED_GATE = 1.5  # [m/s] a wheel further off than this is not believed


@jit
def rolling_speed(reading: float, radius: float, crown: float, roll: float) -> float:
    """Ground speed [m/s] of a wheel-speed reading (spin times nominal radius) at a roll angle.

    The leaning tyre rolls on a smaller radius: R - t (1 - cos roll).
    """
    return reading * (radius - crown * (1.0 - math.cos(roll))) / radius


@jit
def predict(d: Design, e: Record, seen: NDArray[np.float64]) -> None:
    """One control period of dead reckoning from the inertial unit and the fork sensor."""
    e.steer, e.steer_rate = seen[Z_STEER], seen[Z_STEER_RATE]
    e.roll_rate = seen[Z_P] - e.bias_p
    e.yaw_rate = seen[Z_R]
    e.roll += STEP * e.roll_rate
    e.turn_rate = seen[Z_Q] * math.sin(e.roll) + seen[Z_R] * math.cos(e.roll) - e.bias_turn
    e.heading += STEP * e.turn_rate
    e.speed = max(0.0, e.speed + STEP * seen[Z_FX])
    # The rear contact drifts outwards of the heading by what its tyre needs of slip.
    course = e.heading + drift_of(d, e.speed, e.roll)
    e.x += STEP * e.speed * math.cos(course)
    e.y += STEP * e.speed * math.sin(course)
    row = e.past[e.steps % HISTORY]
    row[0], row[1], row[2], row[3] = e.x, e.y, e.heading, e.roll


@jit
def _past(e: Record, age: float) -> int:
    steps = min(HISTORY - 1, max(0, int(age / STEP + 0.5)))
    return int((e.steps - steps) % HISTORY)


@jit
def see_lean(k: Record, e: Record, lean: float) -> None:
    """A fresh lean sample."""
    innovation = lean - e.past[_past(e, k.lean_age), 3]
    e.roll += LEAN_PULL * innovation
    e.bias_p -= LEAN_BIAS_PULL * innovation


@jit
def see_wheels(
    d: Design, k: Record, e: Record, seen: NDArray[np.float64], front_fresh: bool, rear_fresh: bool
) -> bool:
    """Fresh wheel speeds; the front one leads, it carries no drive. True if one was believed."""
    front = d.rolling[0] * rolling_speed(seen[Z_WHEEL_FRONT], k.front_radius, k.front_crown, e.roll)
    rear = d.rolling[1] * rolling_speed(seen[Z_WHEEL_REAR], k.rear_radius, k.rear_crown, e.roll)
    if front_fresh and abs(front - e.speed) < _SPEED_GATE + 0.05 * e.speed:
        e.speed += _WHEEL_PULL * (front - e.speed)
        return True
    if rear_fresh and abs(rear - e.speed) < _SPEED_GATE + 0.05 * e.speed:
        # The driven wheel slips a little: believe it less.
        e.speed += 0.4 * _WHEEL_PULL * (rear - e.speed)
        return True
    return False


@jit
def see_gnss(
    k: Record, e: Record, east: float, north: float, speed: float, age: float, interval: float
) -> None:
    """A GNSS epoch: antenna position [m], speed over ground [m/s], ``age`` [s] of its validity."""
    # Between two steps the newest row is the last step's, one behind the counter.
    past = e.past[_past(e, age + STEP)]
    c, s = math.cos(past[2]), math.sin(past[2])
    # The antenna swings out with roll: a metre up leans sin(roll) metres to the outside of upright.
    side = -k.antenna[2] * math.sin(past[3]) + k.antenna[1] * math.cos(past[3])
    ax = past[0] + k.antenna[0] * c - side * s
    ay = past[1] + k.antenna[0] * s + side * c
    dx, dy = east - ax, north - ay
    along, across = c * dx + s * dy, c * dy - s * dx
    e.x += _PLACE_PULL * dx
    e.y += _PLACE_PULL * dy
    for i in range(HISTORY):
        # What the rider remembers moves along, or the next epoch would count the same error again.
        e.past[i, 0] += _PLACE_PULL * dx
        e.past[i, 1] += _PLACE_PULL * dy
    if e.speed > 2.0:
        angle = across / (e.speed * interval)
        angle = min(0.2, max(-0.2, angle))
        turn = _HEADING_PULL * angle
        e.heading += turn
        for i in range(HISTORY):
            e.past[i, 2] += turn
        e.bias_turn -= _HEADING_BIAS_PULL * angle
        e.bias_turn = min(0.02, max(-0.02, e.bias_turn))
        e.speed += 0.05 * min(1.0, max(-1.0, along / interval))
    if speed > 3.0 and abs(speed - e.speed) > 2.0 * _SPEED_GATE:
        e.speed += 0.5 * (speed - e.speed)
    e.heading = wrapped(e.heading)
