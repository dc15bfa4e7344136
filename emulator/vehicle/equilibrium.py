"""Steady motion: standing, straight running and steady turning, found by root finding.

A steady turn is a constant twist in body axes whose angular velocity is vertical in the world, with all
joint rates zero but the wheels', all deflections constant, and a driving torque at the rear wheel that
balances drag. With an acceleration along the path the twist and the wheels' rates grow in proportion to the
speed instead (see :mod:`emulator.vehicle.quasi_steady`, which has brakes besides, and finds many motions
quickly, each from its neighbour). Sixteen unknowns against sixteen residuals,
and the bending of a fork that bends, and the roll of a robot whose mount gives, each against its own
acceleration:

    height, pitch, swingarm, torsion, steer, fork, lateral speed, yaw rate, wheel rates (2),
    deflections (4), steering torque, chain torque
    <->  twelve accelerations, four deflection rates
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import quaternion_of
from emulator.core.compiled import jit
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    BEND,
    BEND_RATE,
    DEFLECTION,
    DIRECT_DRIVE,
    FORK,
    FRONT_WHEEL,
    JOINT,
    JOINT_RATE,
    N_U,
    N_X,
    OMEGA,
    POSITION,
    QUATERNION,
    REAR_WHEEL,
    STEER,
    SWAY,
    SWAY_RATE,
    SWINGARM,
    T_LOAD,
    TORSION,
    U_AIR_DENSITY,
    U_DRIVE_TORQUE,
    U_GEAR,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    U_ROAD_REAR,
    U_STEER_TORQUE,
    VELOCITY,
    scratch,
)

AIR_DENSITY = 1.2
"""[kg/m^3] the usual round figure for bench work; common practice, no source."""


class NoEquilibrium(ValueError):
    """The steady motion asked for does not exist for this vehicle, or was not found."""


class Steady(NamedTuple):
    """A steady motion.

    x (N_X,) and u (N_U,) are state and inputs at it, ``roll`` [rad], ``drift`` [rad]
    course minus heading, ``curvature`` [1/m] of the rear contact's path (positive left),
    ``yaw_rate`` [rad/s], ``loads`` (rear, front) [N]; ``residual`` is the largest remaining acceleration.
    """

    x: NDArray[np.float64]
    u: NDArray[np.float64]
    roll: float
    drift: float
    curvature: float
    yaw_rate: float
    loads: tuple[float, float]
    residual: float


def rest_inputs(grip: float = 1.0) -> NDArray[np.float64]:
    """Inputs (N_U,) of a free bike with no rider action on a road of the given grip, clutch bypassed."""
    u = np.zeros(N_U)
    u[U_GEAR] = DIRECT_DRIVE
    u[U_GRIP_FRONT] = u[U_GRIP_REAR] = grip
    u[U_AIR_DENSITY] = AIR_DENSITY
    return u


_UNKNOWNS = (
    18  # the last are the bending of a fork that bends and a robot's roll, against their accelerations
)
_BENT, _SWAYED = 16, 17
# Scales of the unknowns: m, rad, m/s, rad/s, N m.
_SCALE = np.array(
    [1e-2, 1e-2, 1e-2, 1e-2, 1e-2, 1e-2, 1e-1, 1e-1, 1.0, 1.0, 1e-3, 1e-3, 1e-3, 1e-3, 1.0, 1.0, 1e-2, 1e-2]
)
_ARRIVED = 1e-6  # [m/s^2, rad/s^2] residual below which a motion counts as steady
_STRIDE = math.radians(10.0)  # of lean between one steady turn and the next, halved where they are not alike
_LEAST_STRIDE = math.radians(0.05)
_APART = 0.03  # [rad] of drift: what slides lies tens of degrees off
_SAME_SPEED = 0.05  # drift and lean turn the frame's velocity off its axis: no closer than this
_VANISHING = np.concatenate(
    [
        *(np.arange(first, first + count) for first, count in (
            (OMEGA, 3), (VELOCITY, 3), (JOINT_RATE, 6), (DEFLECTION, 4)
        )),
        [BEND_RATE, SWAY_RATE],
    ]
)  # fmt: skip
"""Rates in the state's, in the order of the residuals."""
_UNKNOWN_OF_JOINT = {SWINGARM: 2, TORSION: 3, STEER: 4, FORK: 5}


@jit
def _state(
    speed: float, roll: float, n: NDArray[np.float64], x: NDArray[np.float64], u: NDArray[np.float64]
) -> None:
    """Write the unknowns ``n`` into x and u for a steady motion at ``speed`` and ``roll``."""
    height, pitch, sideways, yaw_rate = n[0], n[1], n[6], n[7]
    x[:] = 0.0
    x[POSITION + 2] = height
    quaternion_of(roll, pitch, 0.0, x[QUATERNION : QUATERNION + 4])
    x[JOINT + SWINGARM], x[JOINT + TORSION], x[JOINT + STEER], x[JOINT + FORK] = n[2], n[3], n[4], n[5]
    cp, sp, cr, sr = math.cos(pitch), math.sin(pitch), math.cos(roll), math.sin(roll)
    x[OMEGA], x[OMEGA + 1], x[OMEGA + 2] = yaw_rate * -sp, yaw_rate * (cp * sr), yaw_rate * (cp * cr)
    # Horizontal velocity: `speed` along the heading, the rest to its left; no vertical velocity.
    x[VELOCITY] = cp * speed
    x[VELOCITY + 1] = sr * sp * speed + cr * sideways
    x[VELOCITY + 2] = cr * sp * speed - sr * sideways
    x[JOINT_RATE + REAR_WHEEL], x[JOINT_RATE + FRONT_WHEEL] = n[8], n[9]
    for i in range(4):
        x[DEFLECTION + i] = n[10 + i]
    u[U_STEER_TORQUE], u[U_DRIVE_TORQUE] = n[14], n[15]
    x[BEND], x[SWAY] = n[_BENT], n[_SWAYED]


@jit
def _residual(
    body: NDArray[np.void],
    tyre: NDArray[np.void],
    speed: float,
    roll: float,
    acceleration: float,
    free: NDArray[np.int64],
    guessed: NDArray[np.float64],
    m: NDArray[np.float64],
    n: NDArray[np.float64],
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    s: NDArray[np.void],
    xdot: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Accelerations and deflection rates (18,) that a steady motion has not, into ``out``.

    m  (len(free),) the free unknowns, each counted from one at its guess in its scale; they go into ``n``
    """
    for i in range(len(free)):
        n[free[i]] = guessed[i] + (m[i] - 1.0) * _SCALE[free[i]]
    _state(speed, roll, n, x, u)
    derivative(body, tyre, x, u, s, xdot)
    # A turning frame: the twist is constant in body axes, so its component rates vanish.
    for k in range(_UNKNOWNS):
        out[k] = xdot[_VANISHING[k]]
    if acceleration != 0.0:
        growth = acceleration / math.hypot(speed, n[6])  # [1/s]
        for i in range(3):
            out[3 + i] -= growth * x[VELOCITY + i]
        for joint in (REAR_WHEEL, FRONT_WHEEL):
            out[6 + joint] -= growth * x[JOINT_RATE + joint]


def steady_motion(
    vehicle: Vehicle,
    speed: float,
    roll: float = 0.0,
    *,
    grip: float = 1.0,
    acceleration: float = 0.0,
    guess: Steady | None = None,
) -> Steady:
    """Equilibrium at ``speed`` [m/s] > 0 and ``roll`` [rad] (positive right, so the turn is to the right).

    Past its limit a bike has other equilibria at the same lean, sliding or on its steering stop. This is the
    one that straight running leads to: lean is raised from there, or from ``guess``, in strides over which
    the drift hardly changes. ``acceleration`` [m/s^2] is along the path, by a torque of the rear wheel alone:
    quasi-steady, without the yaw acceleration of a turn. ``guess`` is a neighbouring equilibrium that this
    function returned. Locked joints stay at zero. Raises NoEquilibrium where none is found (beyond the tyres'
    grip, most often).
    """

    def near(lean: float, known: Steady | None) -> Steady:
        return _near(vehicle, speed, lean, grip, acceleration, known)

    if guess is not None:
        try:
            return _lean_over(near, speed, guess, roll)
        except NoEquilibrium:
            known = math.hypot(guess.x[VELOCITY], guess.x[VELOCITY + 1])
            if abs(known - speed) < _SAME_SPEED * speed:
                raise  # the way from upright leads through the guess
    upright = near(0.0, None)
    return upright if roll == 0.0 else _lean_over(near, speed, upright, roll)


def _lean_over(near: Callable[[float, Steady], Steady], speed: float, start: Steady, roll: float) -> Steady:
    """From a steady motion to its continuation at ``roll`` [rad]; ``near`` searches close to a known one."""
    at, stride = start, _STRIDE
    while True:
        last = abs(roll - at.roll) <= stride
        lean = roll if last else at.roll + math.copysign(stride, roll - at.roll)
        try:
            found: Steady | None = near(lean, at)
        except NoEquilibrium:
            found = None
        if found is None or abs(found.drift - at.drift) > _APART:
            stride = 0.5 * abs(lean - at.roll)
            if stride < _LEAST_STRIDE:
                raise NoEquilibrium(
                    f"no steady motion at {speed:.2f} m/s and {math.degrees(roll):.1f} deg of roll: "
                    f"straight running leads to {math.degrees(at.roll):.1f} deg and no further"
                )
            continue
        if last:
            return found
        at = found


def _near(
    vehicle: Vehicle, speed: float, roll: float, grip: float, acceleration: float, guess: Steady | None
) -> Steady:
    """A steady motion close to ``guess``, or to the design position."""
    from scipy.optimize import root

    s = scratch()
    x, u = np.zeros(N_X), rest_inputs(grip)
    body = vehicle.body[0]
    n = np.zeros(_UNKNOWNS)
    if guess is not None:
        old, oldu = guess.x, guess.u
        n[0] = old[POSITION + 2]
        n[1] = math.asin(
            2.0 * (old[QUATERNION] * old[QUATERNION + 2] - old[QUATERNION + 1] * old[QUATERNION + 3])
        )
        n[2:6] = old[JOINT + SWINGARM], old[JOINT + TORSION], old[JOINT + STEER], old[JOINT + FORK]
        n[6] = old[VELOCITY + 1]
        n[10:14] = old[DEFLECTION : DEFLECTION + 4]
        n[14], n[15] = oldu[U_STEER_TORQUE], oldu[U_DRIVE_TORQUE]
        n[_BENT], n[_SWAYED] = old[BEND], old[SWAY]
    # Move the guess to this roll: yaw rate of the ideal turn, height and rolling radius of the crowns.
    old_roll = 0.0 if guess is None else guess.roll
    n[7] = -float(body["gravity"]) * math.tan(roll) / max(speed, 0.1)
    turned = math.cos(old_roll) - math.cos(roll)
    n[0] += 0.5 * turned * float(vehicle.tyre[0]["crown_radius"] + vehicle.tyre[1]["crown_radius"])
    old_speed = None if guess is None else math.hypot(guess.x[VELOCITY], guess.x[VELOCITY + 1])
    for k, joint, tyre in ((8, REAR_WHEEL, vehicle.tyre[0]), (9, FRONT_WHEEL, vehicle.tyre[1])):
        ring, crown = float(tyre["radius"] - tyre["crown_radius"]), float(tyre["crown_radius"])
        radius = ring + crown * math.cos(roll)
        if guess is None or not old_speed:
            n[k] = speed / radius
        else:
            n[k] = (
                guess.x[JOINT_RATE + joint] * speed / old_speed * (ring + crown * math.cos(old_roll)) / radius
            )

    locked = [bool(flag) for flag in body["locked"]]
    # A locked joint gives up its unknown (stays zero) and its residual (its acceleration, always zero).
    free = [
        k for k in range(_UNKNOWNS) if not any(locked[j] and k == u_ for j, u_ in _UNKNOWN_OF_JOINT.items())
    ]
    kept = [k for k in range(_UNKNOWNS) if not (6 <= k < 12 and locked[k - 6])]
    for there, k in (("fork_bends", _BENT), ("mount_gives", _SWAYED)):
        if not body[there]:
            free.remove(k)
            kept.remove(k)

    places, kept_places, guessed = np.array(free), np.array(kept), n[free]
    xdot, value = np.zeros(N_X), np.empty(_UNKNOWNS)
    fixed = vehicle.body, vehicle.tyre, float(speed), float(roll), float(acceleration), places, guessed

    def scaled(m: NDArray[np.float64]) -> NDArray[np.float64]:
        # Counted from one at the guess: the solver's difference steps are relative, and would vanish at zero.
        _residual(*fixed, m, n, x, u, s, xdot, value)
        return value[kept_places]

    # The first step must stay near the guess: further off a contact opens and its derivative vanishes.
    start = np.ones(len(free))
    for factor in (1.0, 0.1, 10.0):
        solution = root(scaled, start, method="hybr", options={"eps": 1e-8, "factor": factor, "xtol": 1e-13})
        if float(np.max(np.abs(scaled(solution.x)))) < _ARRIVED:
            break
    scaled(solution.x)
    worst = float(np.max(np.abs(value)))
    if not worst < _ARRIVED:
        raise NoEquilibrium(
            f"no steady motion at {speed:.2f} m/s and {math.degrees(roll):.1f} deg of roll: "
            f"{worst:.3g} m/s^2 remain"
        )
    return Steady(
        x=x.copy(),
        u=u.copy(),
        roll=roll,
        drift=math.atan2(float(n[6]), speed),
        curvature=float(n[7]) / math.hypot(speed, float(n[6])),
        yaw_rate=float(n[7]),
        loads=(float(s[0]["tyre"][0, T_LOAD]), float(s[0]["tyre"][1, T_LOAD])),
        residual=worst,
    )


def standing(
    vehicle: Vehicle, x_m: float, y_m: float, heading: float, road: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """State (N_X,) of the bike standing upright at (x, y) [m], ``heading`` [rad].

    road  (6,) planes under rear and front tyre as in the inputs from U_ROAD_REAR on; None: level at height 0

    Four unknowns (height, pitch, swingarm, fork) against four in-plane accelerations; what pulls it down a
    slope is left to whoever holds it.
    Raises NoEquilibrium if the suspension can't carry the bike.
    """

    from scipy.optimize import root

    s, u = scratch(), rest_inputs()
    x, xdot = np.zeros(N_X), np.zeros(N_X)
    scale = np.array([1e-2, 1e-2, 1e-2, 1e-2])
    ground = slope = 0.0
    if road is not None:
        u[U_ROAD_REAR : U_ROAD_REAR + 6] = road
        ground = float(road[0] + road[1] * x_m + road[2] * y_m)
        slope = float(road[1] * math.cos(heading) + road[2] * math.sin(heading))

    def residual(n: NDArray[np.float64]) -> list[float]:
        x[:] = 0.0
        m = n * scale
        x[POSITION], x[POSITION + 1], x[POSITION + 2] = x_m, y_m, ground + m[0]
        quaternion_of(0.0, m[1] - math.atan(slope), heading, x[QUATERNION : QUATERNION + 4])
        x[JOINT + SWINGARM], x[JOINT + FORK] = m[2], m[3]
        derivative(vehicle.body, vehicle.tyre, x, u, s, xdot)
        return [xdot[VELOCITY + 2], xdot[OMEGA + 1], xdot[JOINT_RATE + SWINGARM], xdot[JOINT_RATE + FORK]]

    solution = root(residual, np.zeros(4), tol=1e-10)
    worst = float(np.max(np.abs(residual(solution.x))))
    if not worst <= 1e-6:
        raise NoEquilibrium(f"the bike finds no rest on its wheels: {worst:.3g} m/s^2 remain")
    return x
