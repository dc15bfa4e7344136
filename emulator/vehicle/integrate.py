"""One step of the vehicle: classical Runge-Kutta of fourth order, then the friction elements' limits.

Sticking elements (tyre deflections, clutch and brake twists) may not store more than their friction limit;
after the step they are brought back to it. The first of the four derivatives is taken at the state the step
starts from, so the scratch memory after :func:`begin` holds the truth at that instant, for the sensors.

Hard parts on the road are stiff on light bodies, and their impacts last a few milliseconds: with one near,
the step is ridden in :data:`PARTS_OF_A_STEP`.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.vehicle.contact.tyre import slide_back
from emulator.vehicle.driveline import clutch_capacity, fade
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.state import (
    BRAKE_TWIST_FRONT,
    BRAKE_TWIST_REAR,
    CLUTCH_TWIST,
    DEFLECTION,
    DISC_FRONT,
    DISC_REAR,
    FRONT,
    IDLE,
    N_X,
    QUATERNION,
    REAR,
    T_CAP_X,
    T_CAP_Y,
    T_LOAD,
    T_STIFFNESS_RATIO,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_CLUTCH,
    Scratch,
)

PARTS_OF_A_STEP = 4
"""Steps that a step of a bike with a hard part on the road or next to it is ridden in."""


@jit
def begin(
    body: NDArray[np.void],
    tyre: NDArray[np.void],
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    work: NDArray[np.void],
) -> None:
    """First derivative of a step: truth at x with inputs u."""
    s = work[0]
    # by way of ``probe``, as the others of the step: for another kind of array there would be another copy of
    # all that a derivative is
    for i in range(N_X):
        s.probe[i] = x[i]
    derivative(body, tyre, s.probe, u, work, s.k[0])


@jit
def finish(
    body: NDArray[np.void],
    tyre: NDArray[np.void],
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    dt: float,
    work: NDArray[np.void],
) -> None:
    """The rest of the step begun with :func:`begin`: x is advanced by dt [s], inputs held."""
    parts = PARTS_OF_A_STEP if work[0].near > 0 else 1
    for part in range(parts):
        if part > 0:
            begin(body, tyre, x, u, work)
        advance(body, tyre, x, u, dt / parts, work)


@jit
def advance(
    body: NDArray[np.void],
    tyre: NDArray[np.void],
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    dt: float,
    work: NDArray[np.void],
) -> None:
    """One Runge-Kutta step from the derivative that :func:`begin` left.

    Hard parts that are far from the road at its start stay so.
    """
    s = work[0]
    k, probe = s.k, s.probe
    s.far, s.passing = 1 if s.near == 0 else 0, 1
    for i in range(N_X):
        probe[i] = x[i] + 0.5 * dt * k[0, i]
    derivative(body, tyre, probe, u, work, k[1])
    for i in range(N_X):
        probe[i] = x[i] + 0.5 * dt * k[1, i]
    derivative(body, tyre, probe, u, work, k[2])
    s.passing = 0
    for i in range(N_X):
        probe[i] = x[i] + dt * k[2, i]
    derivative(body, tyre, probe, u, work, k[3])
    for i in range(N_X):
        x[i] += dt / 6.0 * (k[0, i] + 2.0 * k[1, i] + 2.0 * k[2, i] + k[3, i])
    s.far = 0
    _limit(body[0], x, u, s)


@jit
def _limit(par: Record, x: NDArray[np.float64], u: NDArray[np.float64], s: Scratch) -> None:
    for which in (REAR, FRONT):
        if s.tyre[which, T_LOAD] > 0.0:
            i = DEFLECTION + 2 * which
            x[i], x[i + 1] = slide_back(
                x[i],
                x[i + 1],
                s.tyre[which, T_CAP_X],
                s.tyre[which, T_CAP_Y],
                s.tyre[which, T_STIFFNESS_RATIO],
            )
    limit = clutch_capacity(par, u[U_CLUTCH]) / par.clutch_stiffness
    x[CLUTCH_TWIST] = min(limit, max(-limit, x[CLUTCH_TWIST]))
    x[IDLE] = min(par.engine_idle_torque, max(0.0, x[IDLE]))
    limit = par.brakes_front_gain * u[U_BRAKE_FRONT] * fade(par, x[DISC_FRONT]) / par.brakes_stiffness
    x[BRAKE_TWIST_FRONT] = min(limit, max(-limit, x[BRAKE_TWIST_FRONT]))
    limit = par.brakes_rear_gain * u[U_BRAKE_REAR] * fade(par, x[DISC_REAR]) / par.brakes_stiffness
    x[BRAKE_TWIST_REAR] = min(limit, max(-limit, x[BRAKE_TWIST_REAR]))
    q = QUATERNION
    norm = math.sqrt(x[q] * x[q] + x[q + 1] * x[q + 1] + x[q + 2] * x[q + 2] + x[q + 3] * x[q + 3])
    for i in range(4):
        x[q + i] /= norm
