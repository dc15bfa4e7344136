"""Quasi-steady motion of the plant, compiled: what is held is chosen, the rest follows by Newton's method.

The bike turns at a constant rate and gains speed at a constant one: in axes that turn with it the twist only
grows in proportion to the speed, and so do the wheels' rates; deflections, suspension and lean stay. That is
d'Alembert's force of a uniform acceleration, with the wheels' spin beside it; the yaw acceleration of a
turn ridden faster and faster is left out. Nineteen unknowns (``n``)::

    height, pitch, swingarm, torsion, steer, fork, lateral speed, yaw rate, wheel rates (2),
    deflections (4), steering torque, rear wheel's torque, roll, front brake's torque, acceleration

meet twelve accelerations, four deflection rates, and three conditions of the caller's choice (``REAR_USE``
and the others): a lean or a tyre's use may be what is asked for, so that a fold in lean is no obstacle.

A driving torque comes through the chain, a braking one from the rear brake.
The bending of a fork that bends is a twentieth, the roll of a robot whose mount gives the next, each against
its own acceleration.
:mod:`emulator.vehicle.equilibrium` finds steady motions (no acceleration, no brake) from far off; this is
for thousands of them, each near the last.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import quaternion_of
from emulator.core.compiled import jit
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.state import (
    BEND,
    BEND_RATE,
    BRAKE_TWIST_FRONT,
    BRAKE_TWIST_REAR,
    DEFLECTION,
    DIRECT_DRIVE,
    ENGINE,
    FORK,
    FRONT,
    FRONT_WHEEL,
    JOINT,
    JOINT_RATE,
    N_U,
    N_X,
    OMEGA,
    POSITION,
    QUATERNION,
    REAR,
    REAR_WHEEL,
    STEER,
    SWAY,
    SWAY_RATE,
    SWINGARM,
    T_CAP_X,
    T_CAP_Y,
    T_LOAD,
    TORSION,
    U_AIR_DENSITY,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_DRIVE_TORQUE,
    U_GEAR,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    U_STEER_TORQUE,
    VELOCITY,
    scratch,
)

Array = NDArray[np.float64]

N_UNKNOWNS = 21
(HEIGHT, PITCH, N_SWINGARM, N_TORSION, N_STEER, N_FORK, SIDE_SPEED, YAW_RATE) = range(8)
REAR_RATE, FRONT_RATE, STRAIN = 8, 9, 10
STEER_TORQUE, REAR_TORQUE, ROLL, FRONT_BRAKE, ACCELERATION, N_BEND, N_SWAY = range(14, 21)

SLIDES = 3.0
"""A tyre's demand over its friction from which all its tread slides (``emulator.vehicle.contact.tyre``)."""

# What a condition asks for: the value of an unknown, by its number, or one of these.
REAR_USE, FRONT_USE, EQUAL_USE, REAR_ROLLS, REAR_LOAD, FRONT_LOAD = range(100, 106)

_ARRIVED = 1e-6  # [m/s^2, rad/s^2] largest residual of a motion that counts as found
_ITERATIONS = 40
_PRESSURE = 1e12  # [Pa] a brake that could hold anything: its twist then says what it holds
# Largest change of the unknowns in one iteration: further off a contact opens, and its derivative vanishes.
_STRIDE = np.array(
    [0.01, 0.03, 0.03, 0.01, 0.05, 0.02, 1.0, 0.3, 20.0, 20.0]
    + [0.01] * 4
    + [100.0, 500.0, 0.08, 500.0, 3.0, 0.01, 0.03]
)
_STEP = np.array([1e-7, 1e-7, 1e-7, 1e-7, 1e-7, 1e-7, 1e-6, 1e-6, 1e-5, 1e-5] + [1e-9] * 4)
_DIFFERENCE = np.concatenate([_STEP, np.array([1e-3, 1e-3, 1e-7, 1e-3, 1e-5, 1e-7, 1e-7])])
_UNKNOWN_OF_JOINT = np.array([N_SWINGARM, -1, N_TORSION, N_STEER, N_FORK, -1])


class Machine(NamedTuple):
    """A vehicle, and the memory that one search works in.

    body (1,), tyre (2,)      as in ``Vehicle``
    work (1,)                 scratch memory of the derivative; holds the truth of the last motion looked at
    x (N_X,), u (N_U,), xdot  state, inputs and rates of that motion
    r, m, slope               residual (21,), probe (21,), matrix (21, 21)
    uses, loads               (2,) rear, front, of the motion last found: demand over friction of the tyre,
    0 to
                              ``SLIDES``; load [N]
    """

    body: NDArray[np.void]
    tyre: NDArray[np.void]
    work: NDArray[np.void]
    x: Array
    u: Array
    xdot: Array
    r: Array
    m: Array
    slope: Array
    uses: Array
    loads: Array


def machine(body: NDArray[np.void], tyre: NDArray[np.void], air_density: float) -> Machine:
    """Memory for the motions of a vehicle in air of this density [kg/m^3], on its tyres alone.

    How far it may lean its file says (``fall.peg_angle``): nothing here scrapes.
    """
    body = body.copy()
    body["parts"] = 0
    u = np.zeros(N_U)
    u[U_GEAR], u[U_AIR_DENSITY] = DIRECT_DRIVE, air_density
    k = N_UNKNOWNS
    return Machine(
        body,
        tyre,
        scratch(),
        x=np.zeros(N_X),
        u=u,
        xdot=np.zeros(N_X),
        r=np.zeros(k),
        m=np.zeros(k),
        slope=np.zeros((k, k)),
        uses=np.zeros(2),
        loads=np.zeros(2),
    )


def start(c: Machine, speed: float, n: Array) -> None:
    """Fill ``n`` (21,) with a guess of running straight on at ``speed`` [m/s], near the design position."""
    n[:] = 0.0
    n[REAR_RATE] = speed / float(c.tyre[REAR]["radius"])
    n[FRONT_RATE] = speed / float(c.tyre[FRONT]["radius"])


@jit
def _use(c: Machine, which: int) -> float:
    out = c.work[0].tyre[which]
    if out[T_LOAD] <= 0.0:
        return SLIDES
    i = DEFLECTION + 2 * which
    return SLIDES * math.hypot(c.x[i] / out[T_CAP_X], c.x[i + 1] / out[T_CAP_Y])


@jit
def _write(c: Machine, speed: float, engine: float, n: Array) -> None:
    """State and inputs of the motion that the unknowns describe."""
    x, u, par = c.x, c.u, c.body[0]
    x[:] = 0.0
    x[POSITION + 2] = n[HEIGHT]
    quaternion_of(n[ROLL], n[PITCH], 0.0, x[QUATERNION : QUATERNION + 4])
    x[JOINT + SWINGARM], x[JOINT + TORSION] = n[N_SWINGARM], n[N_TORSION]
    x[JOINT + STEER], x[JOINT + FORK] = n[N_STEER], n[N_FORK]
    cp, sp, cr, sr = math.cos(n[PITCH]), math.sin(n[PITCH]), math.cos(n[ROLL]), math.sin(n[ROLL])
    x[OMEGA], x[OMEGA + 1], x[OMEGA + 2] = -sp * n[YAW_RATE], cp * sr * n[YAW_RATE], cp * cr * n[YAW_RATE]
    # The speed is the path's: the heading's part of it is what the lateral one leaves.
    left = n[SIDE_SPEED]
    ahead = math.sqrt(max(speed * speed - left * left, 0.25 * speed * speed))
    x[VELOCITY] = cp * ahead
    x[VELOCITY + 1] = sr * sp * ahead + cr * left
    x[VELOCITY + 2] = cr * sp * ahead - sr * left
    x[JOINT_RATE + REAR_WHEEL], x[JOINT_RATE + FRONT_WHEEL] = n[REAR_RATE], n[FRONT_RATE]
    for i in range(4):
        x[DEFLECTION + i] = n[STRAIN + i]
    x[ENGINE] = engine
    x[BEND], x[SWAY] = n[N_BEND], n[N_SWAY]
    u[U_STEER_TORQUE] = n[STEER_TORQUE]
    u[U_DRIVE_TORQUE] = max(n[REAR_TORQUE], 0.0)
    u[U_BRAKE_FRONT] = u[U_BRAKE_REAR] = _PRESSURE
    k, damping = par.brakes_stiffness, par.brakes_damping
    x[BRAKE_TWIST_FRONT] = (n[FRONT_BRAKE] - damping * n[FRONT_RATE]) / k
    x[BRAKE_TWIST_REAR] = (max(-n[REAR_TORQUE], 0.0) - damping * n[REAR_RATE]) / k


@jit
def _residual(
    c: Machine,
    speed: float,
    engine: float,
    front_spins: bool,
    kinds: NDArray[np.int64],
    values: Array,
    n: Array,
    r: Array,
) -> None:
    _write(c, speed, engine, n)
    x, xdot = c.x, c.xdot
    derivative(c.body, c.tyre, x, c.u, c.work, xdot)
    growth = n[ACCELERATION] / speed  # [1/s] of the twist and of what rolls
    for i in range(3):
        r[i] = xdot[OMEGA + i]
        r[3 + i] = xdot[VELOCITY + i] - growth * x[VELOCITY + i]
    for j in range(6):
        r[6 + j] = xdot[JOINT_RATE + j]
        unknown = _UNKNOWN_OF_JOINT[j]
        if unknown >= 0 and c.body[0].locked[j] != 0:
            r[6 + j] = 1e3 * n[unknown]
    r[6 + REAR_WHEEL] -= growth * n[REAR_RATE]
    if front_spins:
        r[6 + FRONT_WHEEL] -= growth * n[FRONT_RATE]
    for i in range(4):
        r[12 + i] = xdot[DEFLECTION + i]
    for i in range(3):
        kind = kinds[i]
        if kind == REAR_USE:
            got = _use(c, REAR)
        elif kind == FRONT_USE:
            got = _use(c, FRONT)
        elif kind == EQUAL_USE:
            got = _use(c, FRONT) - _use(c, REAR)
        elif kind == REAR_ROLLS:
            got = 1e3 * n[STRAIN]
        elif kind == REAR_LOAD:
            got = c.work[0].tyre[REAR, T_LOAD]
        elif kind == FRONT_LOAD:
            got = c.work[0].tyre[FRONT, T_LOAD]
        else:
            got = n[kind]
        r[16 + i] = got - values[i]
    r[N_BEND] = xdot[BEND_RATE] if c.body[0].fork_bends != 0 else 1e3 * n[N_BEND]
    r[N_SWAY] = xdot[SWAY_RATE]


@jit
def solve(
    c: Machine,
    speed: float,
    grip: float,
    engine: float,
    front_spins: bool,
    kinds: NDArray[np.int64],
    values: Array,
    n: Array,
) -> bool:
    """Move the guess ``n`` (21,) to the motion that meets the conditions; False if none was found.

    speed          [m/s]    along the path, above 0
    grip           [1]      friction coefficient of the road
    engine         [rad/s]  speed of the crankshaft, for its gyroscopic moment; the drive is a torque
    front_spins             False leaves the front wheel's spin as it is while the bike gains speed
    kinds, values  (3,)     conditions: an unknown's number or ``REAR_USE`` and the others, and what it has
                            to be; torques in N m, loads in N

    Found: ``c`` holds the motion's state, inputs and truth. Locked joints stay at zero. ``n`` is spoilt
    where none was found. Newton's method with difference quotients and bounded steps.
    """
    c.u[U_GRIP_FRONT] = c.u[U_GRIP_REAR] = grip
    r, m, slope = c.r, c.m, c.slope
    count = N_BEND
    if c.body[0].mount_gives != 0:
        count = N_UNKNOWNS
    elif c.body[0].fork_bends != 0:
        count = N_SWAY
    n[count:] = 0.0
    for _ in range(_ITERATIONS):
        _residual(c, speed, engine, front_spins, kinds, values, n, r)
        worst = 0.0
        for i in range(count):
            if not math.isfinite(r[i]):
                return False
            worst = max(worst, abs(r[i]))
        if worst < _ARRIVED:
            for which in (REAR, FRONT):
                c.uses[which] = _use(c, which)
                c.loads[which] = c.work[0].tyre[which, T_LOAD]
            return True
        for k in range(count):
            for i in range(N_UNKNOWNS):
                m[i] = n[i]
            m[k] += _DIFFERENCE[k]
            _residual(c, speed, engine, front_spins, kinds, values, m, slope[k])
            for i in range(count):
                slope[k, i] = (slope[k, i] - r[i]) / _DIFFERENCE[k]
        if not _eliminate(slope, r, count):
            return False
        least = 1.0
        for k in range(count):
            least = min(least, _STRIDE[k] / max(abs(r[k]), 1e-300))
        for k in range(count):
            n[k] -= least * r[k]
    return False


@jit
def _eliminate(rows: Array, b: Array, k: int) -> bool:
    """Solve A y = b in place, A (k, k) given by its columns as ``rows``; False where A is singular."""
    # Elimination on the transpose: columns of ``rows`` are the equations.
    for i in range(k):
        best, pivot = i, abs(rows[i, i])
        for j in range(i + 1, k):
            if abs(rows[i, j]) > pivot:
                best, pivot = j, abs(rows[i, j])
        if not pivot > 1e-14:
            return False
        if best != i:
            for row in range(i, k):
                rows[row, i], rows[row, best] = rows[row, best], rows[row, i]
            b[i], b[best] = b[best], b[i]
        over = 1.0 / rows[i, i]
        for j in range(i + 1, k):
            factor = rows[i, j] * over
            if factor != 0.0:
                for row in range(i, k):
                    rows[row, j] -= factor * rows[row, i]
                b[j] -= factor * b[i]
    for i in range(k - 1, -1, -1):
        value = b[i]
        for row in range(i + 1, k):
            value -= rows[row, i] * b[row]
        b[i] = value / rows[i, i]
    return True
