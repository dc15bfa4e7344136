"""The compiled bike played with inputs that were measured, from a state that is given; no loop, no bus.

A step is the one that the loop takes: place, grip and road under the tyres, inputs held, Runge-Kutta, limits
of the friction elements. So a record's own model, started from the record's own state, is the record.

About a played motion others lie close by. A deviation (41,) of one from it::

    0..2    place of the main frame [m]
    3..5    turn of the main frame about its own axes [rad]
    6..36   the rest of the state from its joints on (emulator.vehicle.state)

How deviations, inputs and parameters grow from one step to the next is had by central differences of that
very step (:func:`steps_differences`), so sliding tyres, slipping brakes and stops are in it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import rotate, rotation_of
from emulator.core.compiled import Record, jit
from emulator.core.signals import TICK_NS
from emulator.road.line import Line, Surface, grip_at, locate
from emulator.road.shape import RoadProfile, plane_under
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    FRONT,
    JOINT,
    N_U,
    N_X,
    POSITION,
    QUATERNION,
    REAR,
    T_X,
    T_Y,
    T_Z,
    U_AIR_DENSITY,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_CLUTCH,
    U_GEAR,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    U_ROAD_FRONT,
    U_ROAD_REAR,
    U_STEER_TORQUE,
    U_THROTTLE,
    U_WIND_X,
    U_WIND_Y,
    VELOCITY,
    scratch,
)

Values = NDArray[np.float64]

TICK_S = TICK_NS * 1e-9

PLAYED: tuple[tuple[str, int], ...] = (
    ("actuator.steering_torque_Nm", U_STEER_TORQUE),
    ("actuator.throttle", U_THROTTLE),
    ("actuator.front_brake_Pa", U_BRAKE_FRONT),
    ("actuator.rear_brake_Pa", U_BRAKE_REAR),
    ("actuator.clutch", U_CLUTCH),
    ("truth.gear", U_GEAR),
    ("truth.grip_front", U_GRIP_FRONT),
    ("truth.grip_rear", U_GRIP_REAR),
)
"""What is played of a record, and the input it is; the columns of ``inputs`` (n, 8), in this order.

A grip that is not a number is that of the road's surface.
"""
TORQUE, THROTTLE, BRAKE_FRONT, BRAKE_REAR, CLUTCH, GEAR, GRIP_FRONT, GRIP_REAR = range(len(PLAYED))
_INPUT = np.array([place for _name, place in PLAYED], np.int64)

N_DEVIATIONS = N_X - 1
TURN = 3
"""First of the three turns among the deviations."""
OF_STATE = JOINT - 6
"""From the joints on, place in the state less place among the deviations."""


class Course(NamedTuple):
    """Where it is ridden: line, grip and shape of the road, wind over the ground [m/s], air density."""

    line: Line
    surface: Surface
    profile: RoadProfile
    wind_x: float
    wind_y: float
    air_density: float


@jit
def _take_inputs(
    line: Line,
    surface: Surface,
    profile: RoadProfile,
    row: Values,
    x: Values,
    station: float,
    s: Record,
    u: Values,
) -> float:
    """Inputs of the step that begins, from a row of what was measured; returns the station [m]."""
    for k in range(row.shape[0]):
        u[_INPUT[k]] = row[k]
    R = rotation_of(x[QUATERNION], x[QUATERNION + 1], x[QUATERNION + 2], x[QUATERNION + 3])
    vx, vy, _ = rotate(R, x[VELOCITY], x[VELOCITY + 1], x[VELOCITY + 2])
    px, py = x[POSITION], x[POSITION + 1]
    station, _, _ = locate(line, px, py, station)
    for which in (REAR, FRONT):
        tx, ty, _ = rotate(R, s.tyre[which, T_X], s.tyre[which, T_Y], s.tyre[which, T_Z])
        tx, ty = px + tx, py + ty
        at, offset, _ = locate(line, tx, ty, station)
        place = U_GRIP_REAR if which == REAR else U_GRIP_FRONT
        if np.isnan(u[place]):
            u[place] = grip_at(surface, line, at, offset)
        if profile.uneven:
            i = U_ROAD_REAR if which == REAR else U_ROAD_FRONT
            u[i], u[i + 1], u[i + 2] = plane_under(profile, line, at, offset, tx, ty, vx, vy, TICK_S)
    return station


@jit
def _play(
    body: NDArray[np.void],
    tyre: NDArray[np.void],
    line: Line,
    surface: Surface,
    profile: RoadProfile,
    inputs: Values,
    station: float,
    u: Values,
    work: NDArray[np.void],
    states: Values,
    taken: Values,
) -> None:
    """Fill states (n+1, N_X) from the first row on, and the inputs taken (n, N_U)."""
    n = inputs.shape[0]
    x = states[n]
    for i in range(N_X):
        x[i] = states[0, i]
    begin(body, tyre, x, u, work)  # where the tyres touch
    for k in range(n):
        for i in range(N_X):
            states[k, i] = x[i]
        station = _take_inputs(line, surface, profile, inputs[k], x, station, work[0], u)
        for i in range(N_U):
            taken[k, i] = u[i]
        begin(body, tyre, x, u, work)
        finish(body, tyre, x, u, TICK_S, work)


class Played(NamedTuple):
    """A played motion of n ticks of a millisecond.

    states  (n+1, N_X)  at each tick and after the last
    taken   (n, N_U)    inputs of each step, with grip and road under the tyres
    """

    states: Values
    taken: Values


def play(vehicle: Vehicle, course: Course, start: Values, inputs: Values, station: float = np.nan) -> Played:
    """Play inputs (n, 8) as in PLAYED, a row a millisecond, from the state ``start`` (N_X,).

    station  [m] near the start; NaN: searched for on all the line
    Fails never: what diverges is left as it comes, with numbers that are none.
    """
    n = len(inputs)
    states, taken = np.zeros((n + 1, N_X)), np.zeros((n, N_U))
    states[0] = start
    u = np.zeros(N_U)
    u[U_WIND_X], u[U_WIND_Y], u[U_AIR_DENSITY] = course.wind_x, course.wind_y, course.air_density
    u[U_GRIP_FRONT] = u[U_GRIP_REAR] = 1.0
    rows = np.ascontiguousarray(inputs, np.float64)
    _play(
        vehicle.body,
        vehicle.tyre,
        course.line,
        course.surface,
        course.profile,
        rows,
        station,
        u,
        scratch(),
        states,
        taken,
    )
    return Played(states, taken)


# -- deviations --------------------------------------------------------------------------------------------


@jit
def shift(x: Values, deviation: int, by: float) -> None:
    """Add to one deviation of a state (N_X,), in place; a turn is that of a small angle."""
    if deviation < TURN:
        x[POSITION + deviation] += by
    elif deviation < TURN + 3:
        w, a, b, c = x[QUATERNION], x[QUATERNION + 1], x[QUATERNION + 2], x[QUATERNION + 3]
        h = 0.5 * by
        if deviation == TURN:
            tw, ta, tb, tc = -a, w, c, -b
        elif deviation == TURN + 1:
            tw, ta, tb, tc = -b, -c, w, a
        else:
            tw, ta, tb, tc = -c, b, -a, w
        norm = np.sqrt(1.0 + h * h)
        x[QUATERNION], x[QUATERNION + 1] = (w + h * tw) / norm, (a + h * ta) / norm
        x[QUATERNION + 2], x[QUATERNION + 3] = (b + h * tb) / norm, (c + h * tc) / norm
    else:
        x[deviation + OF_STATE] += by


@jit
def difference(x: Values, y: Values, d: Values) -> None:
    """Deviation d (41,) of state x from state y near it."""
    for i in range(3):
        d[i] = x[POSITION + i] - y[POSITION + i]
    w, a, b, c = y[QUATERNION], -y[QUATERNION + 1], -y[QUATERNION + 2], -y[QUATERNION + 3]
    W, A, B, C = x[QUATERNION], x[QUATERNION + 1], x[QUATERNION + 2], x[QUATERNION + 3]
    sign = 1.0 if w * W - a * A - b * B - c * C >= 0.0 else -1.0
    d[TURN] = 2.0 * sign * (w * A + a * W + b * C - c * B)
    d[TURN + 1] = 2.0 * sign * (w * B - a * C + b * W + c * A)
    d[TURN + 2] = 2.0 * sign * (w * C + a * B - b * A + c * W)
    for i in range(TURN + 3, N_DEVIATIONS):
        d[i] = x[i + OF_STATE] - y[i + OF_STATE]


STEPS = np.concatenate(
    [
        [1e-4, 1e-4, 1e-6],  # place
        [1e-6] * 3,  # turn
        [1e-6] * 6,  # joints
        [1e-5] * 3,  # angular velocity
        [1e-5] * 3,  # velocity
        [1e-5] * 6,  # joint rates
        [1e-8] * 4,  # deflections of the tyres
        [1e-3, 1e-6, 1e-6, 1e-6],  # engine, twists of clutch and brakes
        [1e-2, 1e-2, 1e-4, 1e-2, 1e-2],  # discs, idle, treads
        [1e-6, 1e-5],  # the fork's bending and its rate
        [1e-6, 1e-5],  # the robot's roll in its mount and its rate
    ]
)
"""(41,) steps of the differences, small beside what changes a bike's ride and large beside rounding."""
TORQUE_STEP = 1e-2  # [N m]


@jit
def steps_differences(
    bodies: NDArray[np.void],
    tyres: NDArray[np.void],
    over: Values,
    x: Values,
    u: Values,
    following: Values,
    one_sided: bool,
    work: NDArray[np.void],
    ends: Values,
    probe: Values,
    out: Values,
) -> None:
    """How one step from x (N_X,) with inputs u (N_U,) carries on what deviates.

    bodies  (1 + 2 p, 1)  the vehicle, then of each parameter with more and with less of it
    tyres   (1 + 2 p, 2)
    over    (p,)          difference of each parameter between the two
    following (N_X,)      where that step leads
    one_sided             deviations and torque to one side only, in half of the time: where sliding, slipping
                          or a stop begins within a difference, that side's alone
    work    (1,) scratch; ends (2, N_X), probe (N_U,): room
    out     (41, 41 + 1 + p)  by the deviations, the steering torque [N m] and the parameters
    """
    for i in range(N_U):
        probe[i] = u[i]
    for column in range(out.shape[1]):
        sides = 1 if one_sided and column <= N_DEVIATIONS else 2
        for side in range(sides):
            end = ends[side]
            sign = 1.0 if side == 0 else -1.0
            for i in range(N_X):
                end[i] = x[i]
            which = 0
            if column < N_DEVIATIONS:
                shift(end, column, sign * STEPS[column])
            elif column == N_DEVIATIONS:
                probe[U_STEER_TORQUE] = u[U_STEER_TORQUE] + sign * TORQUE_STEP
            else:
                which = 1 + 2 * (column - N_DEVIATIONS - 1) + side
            begin(bodies[which], tyres[which], end, probe, work)
            finish(bodies[which], tyres[which], end, probe, TICK_S, work)
            probe[U_STEER_TORQUE] = u[U_STEER_TORQUE]
        if column < N_DEVIATIONS:
            span = sides * STEPS[column]
        elif column == N_DEVIATIONS:
            span = sides * TORQUE_STEP
        else:
            span = over[column - N_DEVIATIONS - 1]
        difference(ends[0], ends[1] if sides == 2 else following, out[:, column])
        for i in range(N_DEVIATIONS):
            out[i, column] /= span
