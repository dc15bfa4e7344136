"""The plant ridden into its limit: a turn leaned over slowly at held speed until it is lost, by full
feedback.

The rider knows the state and is no part of what is tested: a linear-quadratic regulator of steering and drive
torque about steady turns short of the limit, which asks for ever more lean. What it reaches is the plant's.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_continuous_are

from emulator.core.axes import roll_pitch_yaw, rotate, rotation_of, wrapped
from emulator.core.compiled import jit
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.equilibrium import NoEquilibrium, Steady, steady_motion
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.linearise import (
    D_DEFLECTION,
    D_FORK,
    D_JOINT_RATE,
    D_OMEGA,
    D_STEER,
    D_SWINGARM,
    D_TORSION,
    D_VELOCITY,
    HEIGHT,
    N_DEVIATIONS,
    PITCH,
    ROLL,
    linearise,
)
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    DEFLECTION,
    FORK,
    JOINT,
    JOINT_RATE,
    N_X,
    OMEGA,
    POSITION,
    QUATERNION,
    STEER,
    SWINGARM,
    T_CAP_X,
    T_CAP_Y,
    TORSION,
    U_DRIVE_TORQUE,
    U_STEER_TORQUE,
    VELOCITY,
    scratch,
)

Array = NDArray[np.float64]

STEP = 1e-3
_ASTRAY = math.radians(1.0)  # of roll from the one asked for, from which the turn is lost
_HELD = 0.01  # [m/s] change of speed over that time of a speed that counts as held
_AVERAGED = 300  # steps over which what is reached is averaged
_KNOWN = 0.69  # of the strain at which all of a tread slides: up to there turns serve as references
_SLIDES = 0.985  # from here on all of it does: what is held then is no steady turn but a slide


class Reached(NamedTuple):
    """Lateral acceleration [m/s^2], lean [rad] and speed [m/s] of the hardest turning that lasted.

    lost: whether leaning on lost it.
    """

    lateral: float
    lean: float
    speed: float
    lost: bool


@jit
def _deviations(x, z):  # type: ignore[no-untyped-def]
    """Fill ``z`` with the states that ``linearise`` deviates; returns the rotation."""
    R = rotation_of(x[QUATERNION], x[QUATERNION + 1], x[QUATERNION + 2], x[QUATERNION + 3])
    z[HEIGHT] = x[POSITION + 2]
    z[ROLL], z[PITCH], _ = roll_pitch_yaw(R)
    z[D_SWINGARM], z[D_TORSION] = x[JOINT + SWINGARM], x[JOINT + TORSION]
    z[D_STEER], z[D_FORK] = x[JOINT + STEER], x[JOINT + FORK]
    for i in range(3):
        z[D_OMEGA + i], z[D_VELOCITY + i] = x[OMEGA + i], x[VELOCITY + i]
    for i in range(6):
        z[D_JOINT_RATE + i] = x[JOINT_RATE + i]
    for i in range(4):
        z[D_DEFLECTION + i] = x[DEFLECTION + i]
    return R


def deviations(x: Array) -> Array:
    """The states that ``linearise`` deviates, taken from a whole state."""
    z = np.empty(N_DEVIATIONS)
    _deviations(x, z)
    return z


def _gains(vehicle: Vehicle, steady: Steady) -> Array:
    linear = linearise(vehicle, steady)
    weights = np.full(N_DEVIATIONS, 1e-4)
    weights[ROLL], weights[D_OMEGA], weights[D_VELOCITY] = 3e5, 3e3, 3e3
    B = linear.B[:, :2]
    cost = np.diag([1.0, 0.05])
    P = solve_continuous_are(linear.A, B, np.diag(weights), cost)
    return np.asarray(np.linalg.solve(cost, B.T @ P))


@jit
def _strain(x, s):  # type: ignore[no-untyped-def]
    """The greater strain of the two treads, 1 where all of one slides."""
    most = 0.0
    for which in range(2):
        i, row = DEFLECTION + 2 * which, s[0].tyre[which]
        most = max(most, math.hypot(x[i] / row[T_CAP_X], x[i + 1] / row[T_CAP_Y]))
    return most


def turns(vehicle: Vehicle, speed: float, grip: float) -> list[Steady]:
    """Steady turns to the right in steps of lean, well short of the limit."""
    s, x_dot = scratch(), np.empty(N_X)
    found = [steady_motion(vehicle, speed, grip=grip)]
    while True:
        try:
            steady = steady_motion(
                vehicle, speed, found[-1].roll + math.radians(0.5), grip=grip, guess=found[-1]
            )
        except NoEquilibrium:
            return found
        derivative(vehicle.body, vehicle.tyre, steady.x, steady.u, s, x_dot)
        if _strain(steady.x, s) > _KNOWN:
            return found
        found.append(steady)


@jit
def _lean_over(  # type: ignore[no-untyped-def]
    body, tyre, x, u, s, leans, targets, torques, gains, lean, lean_rate, speed, off, answer, path
):
    """Ride until the turn is lost or ``path`` (n, 3), lateral acceleration, roll and speed, is full.

    Returns steps ridden, and whether it was lost.
    """
    before, rolled, quickened = 0.0, 0.0, 0.0
    last = leans.size - 1
    for n in range(path.shape[0]):
        lean += lean_rate * STEP
        # Beyond the known turns the last two point the way.
        k = 1
        while k < last and leans[k] < lean:
            k += 1
        part = (lean - leans[k - 1]) / (leans[k] - leans[k - 1])
        _deviations(x, off)
        for i in range(off.size):
            off[i] -= targets[k - 1, i] + part * (targets[k, i] - targets[k - 1, i])
        rolled += STEP * off[ROLL]
        quickened += STEP * off[D_VELOCITY]
        for j in range(2):
            answer[j] = torques[k - 1, j] + part * (torques[k, j] - torques[k - 1, j])
            for i in range(off.size):
                answer[j] -= gains[j, i] * off[i]
            # What the linear gains leave: a little of the roll error's integral, and of the speed's.
            answer[j] -= 0.5 * gains[j, ROLL] * rolled
        answer[1] -= 60.0 * quickened
        u[U_STEER_TORQUE] = min(max(answer[0], -400.0), 400.0)
        u[U_DRIVE_TORQUE] = min(max(answer[1], -1500.0), 1500.0)
        begin(body, tyre, x, u, s)
        finish(body, tyre, x, u, STEP, s)
        R = rotation_of(x[QUATERNION], x[QUATERNION + 1], x[QUATERNION + 2], x[QUATERNION + 3])
        roll = roll_pitch_yaw(R)[0]
        if _strain(x, s) > _SLIDES:
            return n, True
        vx, vy, _ = rotate(R, x[VELOCITY], x[VELOCITY + 1], x[VELOCITY + 2])
        v, course = math.hypot(vx, vy), math.atan2(vy, vx)
        if not math.isfinite(roll) or abs(roll - lean) > _ASTRAY or abs(v - speed) > 0.02 * speed:
            return n, True
        # The path's own, so that a bike that turns round is not taken for one that turns.
        path[n, 0] = -wrapped(course - before) / STEP * v
        path[n, 1], path[n, 2] = roll, v
        before = course
    return path.shape[0], False


def ridden_limit(
    vehicle: Vehicle, speed: float, grip: float, *, lean_rate: float = math.radians(0.2), most_s: float = 60.0
) -> Reached:
    """Lean over from steady turn to steady turn and beyond; speed [m/s], lean_rate [rad/s]."""
    known = turns(vehicle, speed, grip)
    start = max(len(known) - 4, 0)
    leans = np.array([k.roll for k in known])
    targets = np.array([deviations(k.x) for k in known])
    torques = np.array([(k.u[U_STEER_TORQUE], k.u[U_DRIVE_TORQUE]) for k in known])
    gains = _gains(vehicle, known[-1])
    x, u, s = known[start].x.copy(), known[start].u.copy(), scratch()
    path = np.empty((round(most_s / STEP), 3))
    ridden, lost = _lean_over(
        vehicle.body, vehicle.tyre, x, u, s, leans, targets, torques, gains, leans[start], lean_rate, speed,
        np.empty(N_DEVIATIONS), np.empty(2), path,
    )  # fmt: skip
    lateral, rolls, v = path[:ridden].T
    kernel = np.full(_AVERAGED, 1.0 / _AVERAGED)
    lasting = np.convolve(lateral, kernel, "valid")
    # At held speed: who lets it fall needs less drive, and turns harder than is looked for.
    lasting[v[: lasting.size] - v[_AVERAGED - 1 :] > _HELD] = -math.inf
    best = int(np.argmax(lasting[1:])) + 1  # the first difference is from no course
    then = slice(best, best + _AVERAGED)
    return Reached(float(lasting[best]), float(np.mean(rolls[then])), float(np.mean(v[then])), lost)
