"""State matrices about a steady motion, their eigenvalues, and the names of the modes.

The deviation vector (23,) leaves out what can't matter on a flat road: place, heading and wheel angles::

    0 height  1 roll  2 pitch  3 swingarm  4 torsion  5 steer  6 fork
    7..9 angular velocity (body)  10..12 velocity (body)
    13..18 joint rates (swingarm, rear wheel, torsion, steer, fork, front wheel)
    19..22 tyre deflections (rear x, rear y, front x, front y)

and behind them, where they are modelled, a fork's bending and its rate, a robot's roll in its mount and the
rate of that.

Roll and pitch deviate in the yaw-pitch-roll sequence. Central differences of the same compiled derivative
that the loop runs; step sizes are scaled per state.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import quaternion_of, roll_pitch_yaw, rotate, rotation_of
from emulator.core.compiled import jit
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.equilibrium import Steady
from emulator.vehicle.params import JOINTS, Vehicle
from emulator.vehicle.state import (
    BEND,
    BEND_RATE,
    DEFLECTION,
    FORK,
    JOINT,
    JOINT_RATE,
    N_X,
    OMEGA,
    POSITION,
    QUATERNION,
    STEER,
    SWAY,
    SWAY_RATE,
    SWINGARM,
    TORSION,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_DRIVE_TORQUE,
    U_STEER_TORQUE,
    U_WIND_Y,
    VELOCITY,
    scratch,
)

N_DEVIATIONS = 23
HEIGHT, ROLL, PITCH, D_SWINGARM, D_TORSION, D_STEER, D_FORK = range(7)
D_OMEGA, D_VELOCITY, D_JOINT_RATE, D_DEFLECTION = 7, 10, 13, 19
_JOINT_OF = {D_SWINGARM: SWINGARM, D_TORSION: TORSION, D_STEER: STEER, D_FORK: FORK}

LATERAL = (ROLL, D_TORSION, D_STEER, 7, 9, 11, 15, 16, 20, 22)
"""Deviations that decouple from the rest when upright: roll, torsion, steer, roll and yaw rate, lateral
velocity, torsion and steer rate, lateral deflections rear and front."""

INPUTS = (U_STEER_TORQUE, U_DRIVE_TORQUE, U_BRAKE_FRONT, U_BRAKE_REAR)


Reading: TypeAlias = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]
"""(r, k) figures, in an array of their own, read of r states (r, N_X) and their rates (r, N_X)."""


class Linear(NamedTuple):
    """d/dt deviation = A deviation + B (steering torque, chain torque, front pressure, rear pressure)."""

    A: NDArray[np.float64]
    B: NDArray[np.float64]


def lateral_deviations(linear: Linear) -> tuple[int, ...]:
    """LATERAL, and what a fork that bends or a mount that gives has besides."""
    return LATERAL + tuple(range(N_DEVIATIONS, len(linear.A)))


def _besides(vehicle: Vehicle) -> tuple[int, ...]:
    """Places in the state of what deviates behind the 23."""
    body = vehicle.body[0]
    bending = (BEND, BEND_RATE) if body["fork_bends"] else ()
    return bending + ((SWAY, SWAY_RATE) if body["mount_gives"] else ())


def state_places(vehicle: Vehicle) -> NDArray[np.int64]:
    """(23 to 27,) place in the state of each deviation that is one of its numbers.

    -1 of roll and pitch, which are the quaternion's.
    """
    return _places(_besides(vehicle))


@cache
def _places(besides: tuple[int, ...]) -> NDArray[np.int64]:
    places = np.full(N_DEVIATIONS, -1)
    places[HEIGHT] = POSITION + 2
    for d, j in _JOINT_OF.items():
        places[d] = JOINT + j
    for first, there, count in (
        (D_OMEGA, OMEGA, 3),
        (D_VELOCITY, VELOCITY, 3),
        (D_JOINT_RATE, JOINT_RATE, 6),
        (D_DEFLECTION, DEFLECTION, 4),
    ):
        places[first : first + count] = there + np.arange(count)
    places = np.append(places, np.array(besides, np.int64))
    places.flags.writeable = False  # every caller has the same
    return places


@jit
def _to_deviation(
    places: NDArray[np.int64], x: NDArray[np.float64], xdot: NDArray[np.float64], out: NDArray[np.float64]
) -> None:
    """Rates of the deviation vector at state x with state rate xdot."""
    R = rotation_of(x[QUATERNION], x[QUATERNION + 1], x[QUATERNION + 2], x[QUATERNION + 3])
    roll, pitch, _ = roll_pitch_yaw(R)
    p, q, r = x[OMEGA], x[OMEGA + 1], x[OMEGA + 2]
    for k in range(len(places)):
        if places[k] >= 0:
            out[k] = xdot[places[k]]
    out[ROLL] = p + math.tan(pitch) * (q * math.sin(roll) + r * math.cos(roll))
    out[PITCH] = q * math.cos(roll) - r * math.sin(roll)


@jit
def _shift(x: NDArray[np.float64], index: int, step: float, places: NDArray[np.int64]) -> None:
    if index in (ROLL, PITCH):
        R = rotation_of(x[QUATERNION], x[QUATERNION + 1], x[QUATERNION + 2], x[QUATERNION + 3])
        roll, pitch, yaw = roll_pitch_yaw(R)
        quaternion_of(
            roll + (step if index == ROLL else 0.0),
            pitch + (step if index == PITCH else 0.0),
            yaw,
            x[QUATERNION : QUATERNION + 4],
        )
    else:
        x[places[index]] += step


_STEP = np.array(
    [1e-6] + [1e-5] * 5 + [1e-6] + [1e-4] * 3 + [1e-4] * 3 + [1e-4] * 6 + [1e-8] * 4 + [1e-5, 1e-4] * 2
)
_INPUT_STEP = np.array([1e-2, 1e-2, 1.0, 1.0])
_INPUT_PLACES = np.array(INPUTS)
_WIND_STEP = 0.1  # [m/s]


def linearise(vehicle: Vehicle, steady: Steady) -> Linear:
    """State matrix A (23, 23) and input matrix B (23, 4) about a steady motion; 25 or 27 with what gives.

    Rows and columns of locked joints are zero. At a standing brake the columns of the brakes are zero too:
    a brake that does not slip takes its torque from the wheel, not from the pressure.
    """
    return linearise_with(vehicle, steady, lambda x, xdot: xdot[:, :0])[0]


def linearise_with(vehicle: Vehicle, steady: Steady, read: Reading) -> tuple[Linear, NDArray[np.float64]]:
    """What :func:`linearise` gives, and :func:`linear_reading`'s part by the deviation, at one price."""
    x, xdot, rates = _motions_around(vehicle, steady)
    A, B = _by_differences(rates)
    for name, indices in (
        ("swingarm", (D_SWINGARM, D_JOINT_RATE)),
        ("frame_torsion", (D_TORSION, D_JOINT_RATE + TORSION)),
        ("steering", (D_STEER, D_JOINT_RATE + STEER)),
        ("fork", (D_FORK, D_JOINT_RATE + FORK)),
    ):
        if vehicle.body[0]["locked"][JOINTS.index(name)]:
            for k in indices:
                A[k, :] = A[:, k] = 0.0
                B[k, :] = 0.0
    return Linear(A, B), _by_differences(read(x, xdot))[0]


def imposed_steering(linear: Linear) -> Linear:
    """The same motion with the steering angle imposed: the first input is its acceleration [rad/s^2].

    In the row of the steering, a = A_s x + b torque + ..., with a given the torque is what it takes,
    (a - A_s x - ...) / b. Put into the other rows it leaves a bike whose steering obeys a alone. Source:
    definition. Raises ValueError if the steering is locked.
    """
    row = D_JOINT_RATE + STEER
    b = float(linear.B[row, 0])
    if b == 0.0:
        raise ValueError("expected a bike whose steering turns")
    per_torque = linear.B[:, 0] / b
    A = linear.A - np.outer(per_torque, linear.A[row])
    B = linear.B - np.outer(per_torque, linear.B[row])
    A[row], B[row], B[:, 0] = 0.0, 0.0, per_torque
    B[row, 0] = 1.0
    return Linear(A, B)


def held_steering(linear: Linear) -> Linear:
    """The same motion with the fork held where it is: no deviation of the steering, and no torque at it."""
    A, B = imposed_steering(linear)
    for k in (D_STEER, D_JOINT_RATE + STEER):
        A[k, :] = A[:, k] = B[k, :] = 0.0
    B[:, 0] = 0.0
    return Linear(A, B)


def followed_angle(linear: Linear, rate: float) -> Linear:
    """The same motion with a steering that follows an angle: the first input is that angle [rad].

    rate  [rad/s] of the critically damped follower, steer'' = rate^2 (angle - steer) - 2 rate steer'
    Raises ValueError as :func:`imposed_steering`.
    """
    A, B = imposed_steering(linear)
    A[:, D_STEER] -= rate * rate * B[:, 0]
    A[:, D_JOINT_RATE + STEER] -= 2.0 * rate * B[:, 0]
    B[:, 0] *= rate * rate
    return Linear(A, B)


def reaction_row(linear: Linear) -> tuple[NDArray[np.float64], float]:
    """Deviation of the reaction torque [N m] with the angle imposed: (23,) by the deviations, and by steer''.

    It is the torque that a free steering needs for the same motion.
    """
    row = D_JOINT_RATE + STEER
    b = float(linear.B[row, 0])
    return -linear.A[row] / b, 1.0 / b


def linear_reading(
    vehicle: Vehicle, steady: Steady, read: Reading
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What is read of a motion near a steady one: (k, 23 to 27) by its deviation, (k, 4) by the inputs.

    It is read of the state and its rate, so it may hold accelerations, which the inputs make at once.
    """
    x, xdot, _ = _motions_around(vehicle, steady)
    return _by_differences(read(x, xdot))


def _motions_around(
    vehicle: Vehicle, steady: Steady
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """States (r, N_X), their rates, the deviations' rates (r, 23 to 27) of motions beside a steady one.

    In pairs: each deviation, then each input, is more and less by its step.
    """
    places = state_places(vehicle)
    rows = 2 * (len(places) + len(INPUTS))
    x, u = np.tile(steady.x, (rows, 1)), np.tile(steady.u, (rows, 1))
    xdot, rates = np.zeros((rows, N_X)), np.zeros((rows, len(places)))
    _differ(vehicle.body, vehicle.tyre, places, scratch(), x, u, xdot, rates)
    return x, xdot, rates


@jit
def _differ(
    body: NDArray[np.void],
    tyre: NDArray[np.void],
    places: NDArray[np.int64],
    work: NDArray[np.void],
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    xdot: NDArray[np.float64],
    rates: NDArray[np.float64],
) -> None:
    n = len(places)
    for row in range(len(x)):
        k, side = row // 2, 1.0 - 2.0 * (row % 2)
        if k < n:
            _shift(x[row], k, side * _STEP[k], places)
        else:
            u[row, _INPUT_PLACES[k - n]] += side * _INPUT_STEP[k - n]
        derivative(body, tyre, x[row], u[row], work, xdot[row])
        _to_deviation(places, x[row], xdot[row], rates[row])


def _by_differences(read: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(k, 23 to 27) and (k, 4) of what is read (r, k) of the pairs: its derivative by deviation and input."""
    n = len(read) // 2 - len(INPUTS)
    steps = np.concatenate([_STEP[:n], _INPUT_STEP])
    found = ((read[0::2] - read[1::2]) / (2.0 * steps)[:, None]).T
    return np.ascontiguousarray(found[:, :n]), np.ascontiguousarray(found[:, n:])


def by_side_wind(vehicle: Vehicle, steady: Steady) -> NDArray[np.float64]:
    """Rates (23 to 27,) of the deviation by wind to the left [per m/s], as a column of B is by an input."""
    s, places = scratch(), state_places(vehicle)
    rates = []
    for side in (1.0, -1.0):
        u, xdot = steady.u.copy(), np.zeros(N_X)
        u[U_WIND_Y] += side * _WIND_STEP
        derivative(vehicle.body, vehicle.tyre, steady.x, u, s, xdot)
        rates.append(np.zeros(len(places)))
        _to_deviation(places, steady.x, xdot, rates[-1])
    return np.asarray((rates[0] - rates[1]) / (2.0 * _WIND_STEP))


def _course(x: NDArray[np.float64]) -> tuple[float, float]:
    """Rate of the heading [rad/s], and speed to the left of it [m/s] of the main frame's origin."""
    R = rotation_of(x[QUATERNION], x[QUATERNION + 1], x[QUATERNION + 2], x[QUATERNION + 3])
    roll, pitch, yaw = roll_pitch_yaw(R)
    _, q, r = x[OMEGA : OMEGA + 3]
    vx, vy, _ = rotate(R, x[VELOCITY], x[VELOCITY + 1], x[VELOCITY + 2])
    return (
        (q * math.sin(roll) + r * math.cos(roll)) / math.cos(pitch),
        math.cos(yaw) * vy - math.sin(yaw) * vx,
    )


def course_rows(steady: Steady) -> NDArray[np.float64]:
    """Rows (2, 23) over the deviations: rate of the heading [rad/s]; speed to the left of it [m/s].

    Of the main frame's origin, which is the place a line is followed with. They are what heading and place,
    which a state matrix leaves out, are integrated from.
    """
    rows, places = np.zeros((2, N_DEVIATIONS)), _places(())
    for k in range(N_DEVIATIONS):
        up, down = steady.x.copy(), steady.x.copy()
        _shift(up, k, _STEP[k], places)
        _shift(down, k, -_STEP[k], places)
        rows[:, k] = (np.array(_course(up)) - np.array(_course(down))) / (2.0 * _STEP[k])
    return rows


def lateral(linear: Linear) -> Linear:
    """The lateral part (10 states, and what gives besides; steering torque only) of an upright motion."""
    pick = np.array(lateral_deviations(linear))
    return Linear(linear.A[np.ix_(pick, pick)].copy(), linear.B[pick, 0:1].copy())


def steer_torque_of_roll_rate(linear: Linear) -> float:
    """Steering torque over roll rate [N m s/rad] of a bike that rolls through upright at a constant rate.

    ``linear`` is upright running. Lean then grows in proportion to time, and all that belongs to a steady
    turn of that lean with it: z = z_1 t + z_0 and torque = u_1 t + u_0 in dz/dt = A z + B torque gives
    A z_1 + B u_1 = 0 with a lean of 1, and A z_0 + B u_0 = z_1 with a lean of 0. Returned is u_0.
    Source: definition of the ramp response.
    """
    A, B = lateral(linear)
    # Lean is given; what is sought is the rest of the state, and the torque. Rows of locked joints are zero.
    matrix = np.hstack([A[:, 1:], B])
    turn = np.linalg.lstsq(matrix, -A[:, 0], rcond=None)[0]
    rolling = np.linalg.lstsq(matrix, np.concatenate([[1.0], turn[:-1]]), rcond=None)[0]
    return float(rolling[-1])
