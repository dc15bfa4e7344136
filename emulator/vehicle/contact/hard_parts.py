"""Hard parts of the bike on the road: what it scrapes on, falls on, slides on and lies on.

Each is a point of a body, on both sides. Pressed into the road by d > 0 at the rate d', it is pushed back by

    N = k d (1 + c d'), never below zero

a spring whose damping grows with its depth, so that nothing jumps as it touches or leaves (K. H. Hunt,
F. R. E. Crossley, *Coefficient of restitution interpreted as damping in vibroimpact*, J. Appl. Mech. 42
(1975), with a linear spring; from memory). A mass m that comes in at v gets so deep that
k d^2 / (2 m) = v / c - ln(1 + c v) / c^2. The damping k d c has a bound, which only the hardest falls reach:
a step could not follow what a state thrown deep below the road would get.

Friction is Coulomb's against the sliding velocity v, without its jump at rest:

    F = -mu N v / sqrt(v^2 + (mu N / C)^2)

Slow parts creep against the viscosity C: a bike of 200 kg on four parts, on a slope of 5 %, at 3 mm/s. C is
small enough for the step: what sticks has no rate above C over the lightest mass that a part moves.
Both forces only take energy, but for the spring's k d^2 / 2.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import cross
from emulator.core.compiled import Record, jit
from emulator.vehicle.state import (
    FORK,
    FRONT,
    JOINT,
    P_DEPTH,
    P_LOAD,
    P_SINKING,
    P_SLIDING,
    REAR,
    SWINGARM,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    Scratch,
)

NEAR = 0.01
"""[m] above the road from which a part counts as near: a step of a millisecond at 10 m/s."""
_VISCOSITY = 8e3  # [N s/m] C
_STRONGEST = 4.5e4  # [N s/m] bound of k d c
_DEEPEST = 0.1  # [m] a state thrown below the road gets no more push than that

Plane = tuple[float, float, float, float]
"""Road plane: upward unit normal in B, distance [m] of B's origin from it."""


@jit
def _lowest(par: Record, plane: Plane) -> float:
    """Height [m] over the plane of the lowest corner of the box that holds all hard parts."""
    nx, ny, nz, gap = plane
    low, high = par.parts_low, par.parts_high
    return (
        gap + min(nx * low[0], nx * high[0]) + min(ny * low[1], ny * high[1]) + min(nz * low[2], nz * high[2])
    )


@jit
def _place(
    par: Record, i: int, side: float, x: NDArray[np.float64], s: Scratch
) -> tuple[float, float, float]:
    """Place of part i in B [m], on the left (``side`` 1) or the right (-1)."""
    px, py, pz = par.part_x[i], side * par.part_y[i], par.part_z[i]
    body = par.part_body[i]
    if body == 0:
        return px, py, pz
    if body == 1:
        c, n = math.cos(x[JOINT + SWINGARM]), math.sin(x[JOINT + SWINGARM])
        dx, dz = px - par.rear_wheel_x, pz - par.rear_wheel_z
        centre = s.centre[REAR]
        return centre[0] + c * dx + n * dz, py, centre[2] - n * dx + c * dz
    if body == 4 and par.fork_bends != 0:
        # Above the bending: from its hinge along the steering axis a, forward along its axis.
        ca, sa = math.cos(par.steering_rake), math.sin(par.steering_rake)
        dx, dz = px - par.fork_bending_x, pz - par.fork_bending_z
        along, forward = dz * ca - dx * sa, dx * ca + dz * sa
        ax, ay, az = s.S[3, 0], s.S[3, 1], s.S[3, 2]
        fx, fy, fz = s.bend[0], s.bend[1], s.bend[2]
        ux, uy, uz = cross(ax, ay, az, fx, fy, fz)
        return (
            s.hinge[0] + ax * along + fx * forward + ux * py,
            s.hinge[1] + ay * along + fy * forward + uy * py,
            s.hinge[2] + az * along + fz * forward + uz * py,
        )
    # Steered: from the front wheel's centre along the steering axis a, forward across it, along the axle u.
    ca, sa = math.cos(par.steering_rake), math.sin(par.steering_rake)
    dx, dz = px - par.front_wheel_x, pz - par.front_wheel_z
    along, forward = dz * ca - dx * sa, dx * ca + dz * sa
    ax, ay, az = s.S[4, 3], s.S[4, 4], s.S[4, 5]
    ux, uy, uz = s.axle[FRONT, 0], s.axle[FRONT, 1], s.axle[FRONT, 2]
    fx, fy, fz = cross(ux, uy, uz, ax, ay, az)
    if body == 4:
        along -= x[JOINT + FORK]  # above the fork's travel
    centre = s.centre[FRONT]
    return (
        centre[0] + ax * along + fx * forward + ux * py,
        centre[1] + ay * along + fy * forward + uy * py,
        centre[2] + az * along + fz * forward + uz * py,
    )


@jit
def touch(
    par: Record,
    rear: Plane,
    front: Plane,
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    s: Scratch,
) -> None:
    """Add the road's forces on the hard parts to ``s.wrench``.

    rear, front  road planes under the wheels; under a part lies what is between, by how far forward it is
    Leaves in ``s.part`` what acts on each, and in ``s.near`` how many are nearer to the road than NEAR.
    """
    s.near = 0
    for i in range(par.parts):
        s.part[i, 0, P_LOAD] = s.part[i, 1, P_LOAD] = 0.0
    if par.parts == 0 or (_lowest(par, rear) > NEAR and _lowest(par, front) > NEAR):
        return
    for i in range(par.parts):
        w = par.part_share[i]
        nx, ny = rear[0] + w * (front[0] - rear[0]), rear[1] + w * (front[1] - rear[1])
        nz, gap = rear[2] + w * (front[2] - rear[2]), rear[3] + w * (front[3] - rear[3])
        lowest = gap + nx * par.part_x[i] + nz * par.part_z[i] - abs(ny) * par.part_y[i] - par.part_reach[i]
        if lowest > NEAR:
            continue
        norm = 1.0 / math.sqrt(nx * nx + ny * ny + nz * nz)
        nx, ny, nz, gap = nx * norm, ny * norm, nz * norm, gap * norm
        grip = u[U_GRIP_REAR] + w * (u[U_GRIP_FRONT] - u[U_GRIP_REAR])
        for k in range(2):
            px, py, pz = _place(par, i, 1.0 - 2.0 * k, x, s)
            height = gap + nx * px + ny * py + nz * pz
            if height < NEAR:
                s.near += 1
            if height < 0.0:
                _press(par, i, k, px, py, pz, nx, ny, nz, min(-height, _DEEPEST), grip, s)


@jit
def _press(
    par: Record,
    i: int,
    k: int,
    px: float,
    py: float,
    pz: float,
    nx: float,
    ny: float,
    nz: float,
    depth: float,
    grip: float,
    s: Scratch,
) -> None:
    """Part i, side k, at p in B is ``depth`` [m] in the road of normal n: push it back, hold it back."""
    body = par.part_body[i]
    V = s.V
    vx, vy, vz = cross(V[0, body], V[1, body], V[2, body], px, py, pz)
    vx, vy, vz = vx + V[3, body], vy + V[4, body], vz + V[5, body]
    sinking = -(vx * nx + vy * ny + vz * nz)
    spring = par.part_stiffness[i] * depth
    load = spring + min(spring * par.part_damping[i], _STRONGEST) * sinking
    if load <= 0.0:
        return
    vx, vy, vz = vx + sinking * nx, vy + sinking * ny, vz + sinking * nz
    sliding = math.sqrt(vx * vx + vy * vy + vz * vz)
    limit = par.part_friction[i] * grip * load
    share = 0.0
    if limit > 0.0:
        share = limit / math.hypot(sliding, limit / _VISCOSITY)
    fx, fy, fz = load * nx - share * vx, load * ny - share * vy, load * nz - share * vz
    mx, my, mz = cross(px, py, pz, fx, fy, fz)
    w = s.wrench[body]
    w[0] += mx
    w[1] += my
    w[2] += mz
    w[3] += fx
    w[4] += fy
    w[5] += fz
    out = s.part[i, k]
    out[P_LOAD], out[P_DEPTH], out[P_SINKING], out[P_SLIDING] = load, depth, sinking, sliding
