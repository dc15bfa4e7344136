"""Dynamics of the body tree: main frame, swingarm, rear wheel, head torsion, steering, fork, front wheel.

Twelve speeds: the main frame's twist (angular, then linear, in its own components) and six joint rates. A
fork that bends has a thirteenth, between steering and travel. It borders the other twelve: they are solved as
without it, and once more for what it takes of them, so that a rigid fork pays nothing. A robot whose mount
gives hangs on the main frame alone: it is eliminated there before the rest is solved.
Every body's spatial quantities are taken at the *same* point, B's origin, in the *same* components, B's.
Then composite inertias are plain sums, no transform runs along the tree, and a wheel needs no rotation
for its spin because it is a body of revolution.

The equations are Newton and Euler's in spatial form (composite-rigid-body mass matrix, recursive bias,
sparse factors along the tree): R. Featherstone, *Rigid Body Dynamics Algorithms* (2008), chapters 5 and 6
(from memory). No angle is taken as small; trail and gyroscopic effects need no term of their own.

Gravity enters as an upward acceleration of the base.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import cross, rotate, rotation_about_xz, rotation_of, times
from emulator.core.compiled import Record, jit, jit_copied
from emulator.vehicle.state import (
    BEND,
    BEND_RATE,
    FORK,
    FRONT,
    JOINT,
    JOINT_RATE,
    N_BODIES,
    OMEGA,
    QUATERNION,
    REAR,
    ROBOT,
    STEER,
    SWAY,
    SWAY_RATE,
    SWINGARM,
    TORSION,
    Scratch,
)

# Parents of the twelve speeds: base chain 0..5, swingarm 6 and rear wheel 7, torsion 8 .. front wheel 11.
_PARENT = np.array([-1, 0, 1, 2, 3, 4, 5, 6, 5, 8, 9, 10])
# Parent body of each body, and the joint that carries it is body - 1.
_PARENT_BODY = np.array([-1, 0, 1, 0, 3, 4, 5])


Wrench = tuple[float, float, float, float, float, float]
"""Moment about B's origin and force, in B."""


@jit
def _set_joint(
    S: NDArray[np.float64], j: int, ax: float, ay: float, az: float, x: float, y: float, z: float
) -> None:
    """Revolute joint axis a through point (x, y, z): angular a, linear p x a."""
    S[j, 0], S[j, 1], S[j, 2] = ax, ay, az
    S[j, 3], S[j, 4], S[j, 5] = cross(x, y, z, ax, ay, az)


@jit
def _set_body(
    inertia: NDArray[np.float64],
    i: int,
    m: float,
    x: float,
    y: float,
    z: float,
    ixx: float,
    iyy: float,
    izz: float,
    ixy: float,
    ixz: float,
    iyz: float,
) -> None:
    """Mass m at (x, y, z) with tensor elements at the mass centre -> elements about B's origin."""
    inertia[0, i] = m
    inertia[1, i], inertia[2, i], inertia[3, i] = m * x, m * y, m * z
    inertia[4, i] = ixx + m * (y * y + z * z)
    inertia[5, i] = iyy + m * (x * x + z * z)
    inertia[6, i] = izz + m * (x * x + y * y)
    inertia[7, i] = ixy - m * x * y
    inertia[8, i] = ixz - m * x * z
    inertia[9, i] = iyz - m * y * z


@jit
def _set_wheel(
    inertia: NDArray[np.float64],
    i: int,
    m: float,
    spin: float,
    diametral: float,
    x: float,
    y: float,
    z: float,
    ux: float,
    uy: float,
    uz: float,
) -> None:
    """A body of revolution about the unit axis u."""
    d = spin - diametral
    _set_body(
        inertia,
        i,
        m,
        x,
        y,
        z,
        diametral + d * ux * ux,
        diametral + d * uy * uy,
        diametral + d * uz * uz,
        d * ux * uy,
        d * ux * uz,
        d * uy * uz,
    )


@jit
def _set_turned_body(
    inertia: NDArray[np.float64],
    i: int,
    R: tuple[float, float, float, float, float, float, float, float, float],
    m: float,
    x: float,
    y: float,
    z: float,
    ixx: float,
    iyy: float,
    izz: float,
    product: float,
) -> None:
    """A body given in design axes (product = integral of x z dm), turned by R, its centre at (x, y, z)."""
    # R T R^T with T = [[ixx, 0, -product], [0, iyy, 0], [-product, 0, izz]]
    a0, a1, a2 = R[0] * ixx - R[2] * product, R[1] * iyy, R[2] * izz - R[0] * product
    b0, b1, b2 = R[3] * ixx - R[5] * product, R[4] * iyy, R[5] * izz - R[3] * product
    c0, c1, c2 = R[6] * ixx - R[8] * product, R[7] * iyy, R[8] * izz - R[6] * product
    _set_body(
        inertia,
        i,
        m,
        x,
        y,
        z,
        a0 * R[0] + a1 * R[1] + a2 * R[2],
        b0 * R[3] + b1 * R[4] + b2 * R[5],
        c0 * R[6] + c1 * R[7] + c2 * R[8],
        a0 * R[3] + a1 * R[4] + a2 * R[5],
        a0 * R[6] + a1 * R[7] + a2 * R[8],
        b0 * R[6] + b1 * R[7] + b2 * R[8],
    )


@jit
def kinematics(par: Record, x: NDArray[np.float64], s: Scratch) -> None:
    """Fill R, S, V, inertia, centre and axle of the scratch memory from the state ``x`` (N_X,)."""
    R = rotation_of(x[QUATERNION], x[QUATERNION + 1], x[QUATERNION + 2], x[QUATERNION + 3])
    for i in range(9):
        s.R[i] = R[i]

    _set_turned_body(
        s.inertia,
        0,
        (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0),
        par.main_frame_mass,
        par.main_frame_x,
        0.0,
        par.main_frame_z,
        par.main_frame_ixx,
        par.main_frame_iyy,
        par.main_frame_izz,
        par.main_frame_ixz,
    )

    # Rear: swingarm about y through its pivot, wheel about y through its axle.
    c, n = math.cos(x[JOINT + SWINGARM]), math.sin(x[JOINT + SWINGARM])
    px, pz = par.swingarm_pivot_x, par.swingarm_pivot_z
    _set_joint(s.S, 0, 0.0, 1.0, 0.0, px, 0.0, pz)
    dx, dz = par.swingarm_x - px, par.swingarm_z - pz
    _set_turned_body(
        s.inertia,
        1,
        (c, 0.0, n, 0.0, 1.0, 0.0, -n, 0.0, c),
        par.swingarm_mass,
        px + c * dx + n * dz,
        0.0,
        pz - n * dx + c * dz,
        par.swingarm_ixx,
        par.swingarm_iyy,
        par.swingarm_izz,
        par.swingarm_ixz,
    )
    dx, dz = par.rear_wheel_x - px, par.rear_wheel_z - pz
    wx, wz = px + c * dx + n * dz, pz - n * dx + c * dz
    s.centre[REAR, 0], s.centre[REAR, 1], s.centre[REAR, 2] = wx, 0.0, wz
    s.axle[REAR, 0], s.axle[REAR, 1], s.axle[REAR, 2] = 0.0, 1.0, 0.0
    _set_joint(s.S, 1, 0.0, 1.0, 0.0, wx, 0.0, wz)
    _set_wheel(
        s.inertia,
        2,
        par.rear_wheel_mass,
        par.rear_wheel_spin_inertia,
        par.rear_wheel_diametral_inertia,
        wx,
        0.0,
        wz,
        0.0,
        1.0,
        0.0,
    )

    # Front: torsion of the frame, then steering about the turned axis, then fork travel along it.
    tx, tz = math.cos(par.frame_torsion_inclination), math.sin(par.frame_torsion_inclination)
    qx, qz = par.frame_torsion_x, par.frame_torsion_z
    _set_joint(s.S, 2, tx, 0.0, tz, qx, 0.0, qz)
    Rt = rotation_about_xz(tx, tz, x[JOINT + TORSION])
    ax, az = -math.sin(par.steering_rake), math.cos(par.steering_rake)
    Rf = times(Rt, rotation_about_xz(ax, az, x[JOINT + STEER]))
    dirx, diry, dirz = rotate(Rt, ax, 0.0, az)
    hx, hz = par.steering_axis_x, par.steering_axis_z
    ox, oy, oz = rotate(Rt, hx - qx, 0.0, hz - qz)
    ox, oz = ox + qx, oz + qz
    _set_joint(s.S, 3, dirx, diry, dirz, ox, oy, oz)
    Ru, ux, uy, uz = Rf, ox, oy, oz
    if par.fork_bends != 0:
        # What is below turns about the axis across the steering axis, through the hinge.
        Rf = times(Ru, rotation_about_xz(az, -ax, x[BEND]))
        bx, bz = par.fork_bending_x - hx, par.fork_bending_z - hz
        jx, jy, jz = rotate(Ru, bx, 0.0, bz)
        cx, cy, cz = rotate(Rf, bx, 0.0, bz)
        ox, oy, oz = ux + jx - cx, uy + jy - cy, uz + jz - cz
        jx, jy, jz = ux + jx, uy + jy, uz + jz
        s.hinge[0], s.hinge[1], s.hinge[2] = jx, jy, jz
        s.bend[0], s.bend[1], s.bend[2] = rotate(Ru, az, 0.0, -ax)
        s.bend[3], s.bend[4], s.bend[5] = cross(jx, jy, jz, s.bend[0], s.bend[1], s.bend[2])
        dirx, diry, dirz = rotate(Rf, ax, 0.0, az)
    for i in range(3):
        s.S[4, i] = 0.0
    s.S[4, 3], s.S[4, 4], s.S[4, 5] = dirx, diry, dirz

    for k in range(10):
        s.inertia[k, 3] = 0.0  # the twist joint carries no mass of its own
    bx, by, bz = rotate(Ru, par.steered_frame_x - hx, 0.0, par.steered_frame_z - hz)
    _set_turned_body(
        s.inertia,
        4,
        Ru,
        par.steered_frame_mass,
        bx + ux,
        by + uy,
        bz + uz,
        par.steered_frame_ixx,
        par.steered_frame_iyy,
        par.steered_frame_izz,
        par.steered_frame_ixz,
    )
    travel = x[JOINT + FORK]
    ox, oy, oz = ox + dirx * travel, oy + diry * travel, oz + dirz * travel
    bx, by, bz = rotate(Rf, par.fork_lower_x - hx, 0.0, par.fork_lower_z - hz)
    _set_turned_body(
        s.inertia,
        5,
        Rf,
        par.fork_lower_mass,
        bx + ox,
        by + oy,
        bz + oz,
        par.fork_lower_ixx,
        par.fork_lower_iyy,
        par.fork_lower_izz,
        par.fork_lower_ixz,
    )
    bx, by, bz = rotate(Rf, par.front_wheel_x - hx, 0.0, par.front_wheel_z - hz)
    bx, by, bz = bx + ox, by + oy, bz + oz
    s.centre[FRONT, 0], s.centre[FRONT, 1], s.centre[FRONT, 2] = bx, by, bz
    s.axle[FRONT, 0], s.axle[FRONT, 1], s.axle[FRONT, 2] = Rf[1], Rf[4], Rf[7]
    _set_joint(s.S, 5, Rf[1], Rf[4], Rf[7], bx, by, bz)
    _set_wheel(
        s.inertia,
        6,
        par.front_wheel_mass,
        par.front_wheel_spin_inertia,
        par.front_wheel_diametral_inertia,
        bx,
        by,
        bz,
        Rf[1],
        Rf[4],
        Rf[7],
    )

    for k in range(6):
        s.V[k, 0] = x[OMEGA + k]
    for b in range(1, 7):
        rate = x[JOINT_RATE + b - 1]
        parent = _PARENT_BODY[b]
        for k in range(6):
            s.V[k, b] = s.V[k, parent] + s.S[b - 1, k] * rate
    if par.fork_bends != 0:
        for k in range(6):
            s.V[k, 5] += s.bend[k] * x[BEND_RATE]
            s.V[k, 6] += s.bend[k] * x[BEND_RATE]
    if par.mount_gives != 0:
        up = par.robot_z - par.robot_mount_z
        Rr = rotation_about_xz(1.0, 0.0, x[SWAY])
        bx, by, bz = rotate(Rr, par.robot_x, 0.0, up)
        _set_turned_body(
            s.inertia,
            ROBOT,
            Rr,
            par.robot_mass,
            bx,
            by,
            bz + par.robot_mount_z,
            par.robot_ixx,
            par.robot_iyy,
            par.robot_izz,
            0.0,
        )
        for k in range(6):
            s.V[k, ROBOT] = s.V[k, 0]
        s.V[0, ROBOT] += x[SWAY_RATE]  # about the line along x at the mount's height
        s.V[4, ROBOT] += par.robot_mount_z * x[SWAY_RATE]


@jit
def accelerations(par: Record, steer_imposed: bool, steer_acceleration: float, s: Scratch) -> None:
    """Solve the equations of motion from kinematics, wrenches and torques; the result is in ``s.rhs``.

    Locked joints get zero acceleration; an imposed steering angle gets the given one, and the torque that
    this takes is left in ``s.reaction`` [N m].
    """
    S, V, A, f, M, rhs, inertia = s.S, s.V, s.A, s.f, s.M, s.rhs, s.inertia

    # Bias: accelerations and wrenches with all twelve accelerations zero, gravity as an upward one.
    A[0, 0] = A[1, 0] = A[2, 0] = 0.0
    for k in range(3):
        A[3 + k, 0] = par.gravity * s.R[6 + k]
    _carry_bias(A, V, 0, 1)
    _carry_bias(A, V, 1, 2)
    _carry_bias(A, V, 0, 3)
    _carry_bias(A, V, 3, 4)
    _carry_bias(A, V, 4, 5)
    _carry_bias(A, V, 5, 6)
    if par.fork_bends != 0:
        # Fork travel is carried by the bent fork: (bend rate) x (travel rate), the former what S leaves of V.
        bend = s.bend
        rate = (V[0, 5] - V[0, 4]) * bend[0] + (V[1, 5] - V[1, 4]) * bend[1] + (V[2, 5] - V[2, 4]) * bend[2]
        wx, wy, wz = rate * bend[0], rate * bend[1], rate * bend[2]
        sx, sy = V[3, 5] - V[3, 4] - rate * bend[3], V[4, 5] - V[4, 4] - rate * bend[4]
        wx, wy, wz = cross(wx, wy, wz, sx, sy, V[5, 5] - V[5, 4] - rate * bend[5])
        for b in range(5, 7):
            A[3, b] += wx
            A[4, b] += wy
            A[5, b] += wz
    if par.mount_gives != 0:
        _carry_bias(A, V, 0, ROBOT)
    _bias_wrenches(inertia, V, A, f)
    for b in range(N_BODIES):
        for k in range(6):
            f[k, b] -= s.wrench[b, k]

    # Towards the root: joint bias, composite inertias, mass matrix (lower triangle).
    F = _gather(s, 6, 5)
    M[11, 11], M[11, 10] = _along(S, 5, F), _along(S, 4, F)
    M[11, 9], M[11, 8] = _along(S, 3, F), _along(S, 2, F)
    F = _gather(s, 5, 4)
    M[10, 10], M[10, 9], M[10, 8] = _along(S, 4, F), _along(S, 3, F), _along(S, 2, F)
    F = _gather(s, 4, 3)
    M[9, 9], M[9, 8] = _along(S, 3, F), _along(S, 2, F)
    F = _gather(s, 3, 0)
    M[8, 8] = _along(S, 2, F)
    F = _gather(s, 2, 1)
    M[7, 7], M[7, 6] = _along(S, 1, F), _along(S, 0, F)
    F = _gather(s, 1, 0)
    M[6, 6] = _along(S, 0, F)
    over = swayed = 0.0
    if par.mount_gives != 0:
        over, swayed = _hang(par.robot_mount_z, s)
    for k in range(6):
        rhs[k] = -f[k, 0]
    m, hx, hy, hz = inertia[0, 0], inertia[1, 0], inertia[2, 0], inertia[3, 0]
    M[0, 0], M[1, 1], M[2, 2] = inertia[4, 0], inertia[5, 0], inertia[6, 0]
    M[1, 0], M[2, 0], M[2, 1] = inertia[7, 0], inertia[8, 0], inertia[9, 0]
    M[3, 0], M[3, 1], M[3, 2] = 0.0, hz, -hy
    M[4, 0], M[4, 1], M[4, 2] = -hz, 0.0, hx
    M[5, 0], M[5, 1], M[5, 2] = hy, -hx, 0.0
    M[3, 3] = M[4, 4] = M[5, 5] = m
    M[4, 3] = M[5, 3] = M[5, 4] = 0.0
    if par.mount_gives != 0:
        # Of the robot's row, hung a + q / over = swayed, the twist's rows keep what is left without q.
        for i in range(6):
            part = s.hung[i] * over
            rhs[i] -= part * swayed
            for j in range(i + 1):
                M[i, j] -= part * s.hung[j]

    diagonal = right = bent_steer = 0.0
    if par.fork_bends != 0:
        diagonal, right = _border(s)
        bent_steer = s.border[6 + STEER]

    # Joints with a given acceleration leave the system; their column moves to the right-hand side.
    steer_row = 6 + STEER
    steer_rhs = rhs[steer_row]
    c0, c1, c2, c3, c4, c5 = (
        M[steer_row, 0],
        M[steer_row, 1],
        M[steer_row, 2],
        M[steer_row, 3],
        M[steer_row, 4],
        M[steer_row, 5],
    )
    steer_diagonal = M[steer_row, steer_row]
    steer_torsion, fork_steer, wheel_steer = M[9, 8], M[10, 9], M[11, 9]
    for j in range(6):
        imposed = steer_imposed and j == STEER
        if par.locked[j] != 0 or imposed:
            row = 6 + j
            value = steer_acceleration if imposed else 0.0
            i = _PARENT[row]
            while i >= 0:
                rhs[i] -= M[row, i] * value
                M[row, i] = 0.0
                i = _PARENT[i]
            for child in range(row + 1, 12):
                if (row < 8) == (child < 8):
                    rhs[child] -= M[child, row] * value
                    M[child, row] = 0.0
            M[row, row] = 1.0
            rhs[row] = value
            right -= s.border[row] * value
            s.border[row] = 0.0

    _factor(M)
    s.bend_acceleration = 0.0
    if par.fork_bends != 0:
        s.bend_acceleration = _bordered(M, rhs, s.border, s.taken, diagonal, right)
    else:
        _substitute(M, rhs)
    s.sway_acceleration = 0.0
    if par.mount_gives != 0:
        left = swayed
        for k in range(6):
            left -= s.hung[k] * rhs[k]
        s.sway_acceleration = left * over

    s.reaction = 0.0
    if steer_imposed:
        s.reaction = (
            steer_diagonal * rhs[9]
            + steer_torsion * rhs[8]
            + fork_steer * rhs[10]
            + wheel_steer * rhs[11]
            + c0 * rhs[0]
            + c1 * rhs[1]
            + c2 * rhs[2]
            + c3 * rhs[3]
            + c4 * rhs[4]
            + c5 * rhs[5]
            - steer_rhs
        )
        if par.fork_bends != 0:
            s.reaction += bent_steer * s.bend_acceleration


@jit_copied
def _carry_bias(A: NDArray[np.float64], V: NDArray[np.float64], p: int, b: int) -> None:
    """Bias acceleration of body b on its parent p."""
    # V x (S qd) = V x (V - V_parent) = -V x V_parent = V_parent x V
    wx, wy, wz = cross(V[0, p], V[1, p], V[2, p], V[0, b], V[1, b], V[2, b])
    a1, a2, a3 = cross(V[0, p], V[1, p], V[2, p], V[3, b], V[4, b], V[5, b])
    b1, b2, b3 = cross(V[3, p], V[4, p], V[5, p], V[0, b], V[1, b], V[2, b])
    A[0, b], A[1, b], A[2, b] = A[0, p] + wx, A[1, p] + wy, A[2, p] + wz
    A[3, b], A[4, b], A[5, b] = A[3, p] + a1 + b1, A[4, p] + a2 + b2, A[5, p] + a3 + b3


@jit_copied
def _bias_wrenches(
    inertia: NDArray[np.float64],
    V: NDArray[np.float64],
    A: NDArray[np.float64],
    f: NDArray[np.float64],
) -> None:
    """What moves the bodies with all twelve accelerations zero.

    Their numbers lie side by side, so that one instruction computes several bodies.
    """
    for b in range(N_BODIES):
        m, hx, hy, hz = inertia[0, b], inertia[1, b], inertia[2, b], inertia[3, b]
        ixx, iyy, izz = inertia[4, b], inertia[5, b], inertia[6, b]
        ixy, ixz, iyz = inertia[7, b], inertia[8, b], inertia[9, b]
        w0, w1, w2, v0, v1, v2 = V[0, b], V[1, b], V[2, b], V[3, b], V[4, b], V[5, b]
        # momentum: angular L about the origin, linear P
        c0, c1, c2 = cross(hx, hy, hz, v0, v1, v2)
        L0 = ixx * w0 + ixy * w1 + ixz * w2 + c0
        L1 = ixy * w0 + iyy * w1 + iyz * w2 + c1
        L2 = ixz * w0 + iyz * w1 + izz * w2 + c2
        c0, c1, c2 = cross(w0, w1, w2, hx, hy, hz)
        P0, P1, P2 = m * v0 + c0, m * v1 + c1, m * v2 + c2
        t0, t1, t2, a0, a1, a2 = A[0, b], A[1, b], A[2, b], A[3, b], A[4, b], A[5, b]
        d0, d1, d2 = cross(hx, hy, hz, a0, a1, a2)
        e0, e1, e2 = cross(w0, w1, w2, L0, L1, L2)
        g0, g1, g2 = cross(v0, v1, v2, P0, P1, P2)
        f[0, b] = ixx * t0 + ixy * t1 + ixz * t2 + d0 + e0 + g0
        f[1, b] = ixy * t0 + iyy * t1 + iyz * t2 + d1 + e1 + g1
        f[2, b] = ixz * t0 + iyz * t1 + izz * t2 + d2 + e2 + g2
        d0, d1, d2 = cross(t0, t1, t2, hx, hy, hz)
        e0, e1, e2 = cross(w0, w1, w2, P0, P1, P2)
        f[3, b] = m * a0 + d0 + e0
        f[4, b] = m * a1 + d1 + e1
        f[5, b] = m * a2 + d2 + e2


@jit_copied
def _gather(s: Scratch, b: int, p: int) -> Wrench:
    """Bias and inertia of body b pass on to its parent p, and across its joint to the right-hand side.

    Returns the wrench that a unit acceleration of the joint takes: its row of the mass matrix left of the
    joints.
    """
    S, f, M, inertia = s.S, s.f, s.M, s.inertia
    j, row = b - 1, 5 + b
    bias = 0.0
    for k in range(6):
        bias += S[j, k] * f[k, b]
        f[k, p] += f[k, b]
    s.rhs[row] = s.torque[j] - bias
    m, hx, hy, hz = inertia[0, b], inertia[1, b], inertia[2, b], inertia[3, b]
    w0, w1, w2, v0, v1, v2 = S[j, 0], S[j, 1], S[j, 2], S[j, 3], S[j, 4], S[j, 5]
    c0, c1, c2 = cross(hx, hy, hz, v0, v1, v2)
    d0, d1, d2 = cross(w0, w1, w2, hx, hy, hz)
    F0 = inertia[4, b] * w0 + inertia[7, b] * w1 + inertia[8, b] * w2 + c0
    F1 = inertia[7, b] * w0 + inertia[5, b] * w1 + inertia[9, b] * w2 + c1
    F2 = inertia[8, b] * w0 + inertia[9, b] * w1 + inertia[6, b] * w2 + c2
    F3, F4, F5 = m * v0 + d0, m * v1 + d1, m * v2 + d2
    M[row, 0], M[row, 1], M[row, 2], M[row, 3], M[row, 4], M[row, 5] = F0, F1, F2, F3, F4, F5
    for k in range(10):
        inertia[k, p] += inertia[k, b]
    return F0, F1, F2, F3, F4, F5


@jit_copied
def _along(S: NDArray[np.float64], j: int, F: Wrench) -> float:
    """Work of a wrench on joint j."""
    return S[j, 0] * F[0] + S[j, 1] * F[1] + S[j, 2] * F[2] + S[j, 3] * F[3] + S[j, 4] * F[4] + S[j, 5] * F[5]


@jit
def _hang(z: float, s: Scratch) -> tuple[float, float]:
    """Fill ``s.hung`` and add the robot to the main frame, its axis along x being z [m] high.

    Returns one over the roll's inertia [1/(kg m2)] and the torque on it [N m].
    """
    inertia, f, c = s.inertia, s.f, s.hung
    m, hx, hy, hz = inertia[0, ROBOT], inertia[1, ROBOT], inertia[2, ROBOT], inertia[3, ROBOT]
    c[0] = inertia[4, ROBOT] - hz * z
    c[1], c[2] = inertia[7, ROBOT], inertia[8, ROBOT] + hx * z
    c[3], c[4], c[5] = 0.0, m * z - hz, hy
    for k in range(6):
        f[k, 0] += f[k, ROBOT]
    for k in range(10):
        inertia[k, 0] += inertia[k, ROBOT]
    return 1.0 / (c[0] + z * c[4]), s.sway_torque - f[0, ROBOT] - z * f[4, ROBOT]


@jit
def _border(s: Scratch) -> tuple[float, float]:
    """Fill ``s.border`` from composite inertias; return the bending's inertia [kg m2] and torque [N m]."""
    S, bend, inertia, f, c = s.S, s.bend, s.inertia, s.f, s.border
    m, hx, hy, hz = inertia[0, 5], inertia[1, 5], inertia[2, 5], inertia[3, 5]
    w0, w1, w2, v0, v1, v2 = bend[0], bend[1], bend[2], bend[3], bend[4], bend[5]
    c0, c1, c2 = cross(hx, hy, hz, v0, v1, v2)
    d0, d1, d2 = cross(w0, w1, w2, hx, hy, hz)
    c[0] = inertia[4, 5] * w0 + inertia[7, 5] * w1 + inertia[8, 5] * w2 + c0
    c[1] = inertia[7, 5] * w0 + inertia[5, 5] * w1 + inertia[9, 5] * w2 + c1
    c[2] = inertia[8, 5] * w0 + inertia[9, 5] * w1 + inertia[6, 5] * w2 + c2
    c[3], c[4], c[5] = m * v0 + d0, m * v1 + d1, m * v2 + d2
    diagonal, right = 0.0, s.bend_torque
    for k in range(6):
        diagonal += bend[k] * c[k]
        right -= bend[k] * f[k, 5]
    c[6] = c[7] = c[11] = 0.0  # the rear does not feel it but through the main frame
    for j in range(2, 5):  # torsion, steering, travel: by what it needs to turn all that it carries
        c[6 + j] = 0.0
        for k in range(6):
            c[6 + j] += S[j, k] * c[k]
    for k in range(6):  # the wheel's own momentum as it is spun up
        c[11] += bend[k] * s.M[11, k]
    return diagonal, right


@jit
def _bordered(
    M: NDArray[np.float64],
    b: NDArray[np.float64],
    c: NDArray[np.float64],
    z: NDArray[np.float64],
    diagonal: float,
    right: float,
) -> float:
    """Solve M a + c q = b, c a + diagonal q = right for a factored M: b becomes a, z is spoilt; returns q."""
    over, known = diagonal, right
    _substitute(M, b)
    for k in range(12):
        known -= c[k] * b[k]
    for k in range(12):
        z[k] = c[k]
    _substitute(M, z)
    for k in range(12):
        over -= c[k] * z[k]
    q = known / over
    for k in range(12):
        b[k] -= q * z[k]
    return q


@jit
def _factor(M: NDArray[np.float64]) -> None:
    """Factors in place of a symmetric M (lower triangle) with the sparsity of the tree.

    M = L^T D L with L non-zero only along paths to the root (Featherstone 2008, section 6.5, from memory).
    """
    # Row by row, each with the joint where its way to the main frame begins: what finds its way in a loop
    # takes half as long again.
    _factor_row(M, 11, 8)
    _factor_row(M, 10, 8)
    _factor_row(M, 9, 8)
    _factor_row(M, 8, 8)
    _factor_row(M, 7, 6)
    _factor_row(M, 6, 6)
    _factor_row(M, 5, 5)
    _factor_row(M, 4, 4)
    _factor_row(M, 3, 3)
    _factor_row(M, 2, 2)
    _factor_row(M, 1, 1)


@jit_copied
def _factor_row(M: NDArray[np.float64], k: int, first: int) -> None:
    """Row k becomes a factor, left of the diagonal; what it takes of the rows of those that carry it.

    first  row of the first joint from the main frame on k's path; k where none is
    """
    over = 1.0 / M[k, k]
    base = min(k, 6)
    for i in range(k - 1, first - 1, -1):
        a = M[k, i] * over
        for j in range(first, i + 1):
            M[i, j] -= a * M[k, j]
        for j in range(base):
            M[i, j] -= a * M[k, j]
        M[k, i] = a
    for i in range(base - 1, -1, -1):
        a = M[k, i] * over
        for j in range(i + 1):
            M[i, j] -= a * M[k, j]
        M[k, i] = a


@jit
def _substitute(M: NDArray[np.float64], b: NDArray[np.float64]) -> None:
    """Solve M a = b in place for an M that :func:`_factor` left."""
    _towards_root(M, b, 11, 8)
    _towards_root(M, b, 10, 8)
    _towards_root(M, b, 9, 8)
    _towards_root(M, b, 8, 8)
    _towards_root(M, b, 7, 6)
    _towards_root(M, b, 6, 6)
    _towards_root(M, b, 5, 5)
    _towards_root(M, b, 4, 4)
    _towards_root(M, b, 3, 3)
    _towards_root(M, b, 2, 2)
    _towards_root(M, b, 1, 1)
    for k in range(12):
        b[k] /= M[k, k]
    _from_root(M, b, 1, 1)
    _from_root(M, b, 2, 2)
    _from_root(M, b, 3, 3)
    _from_root(M, b, 4, 4)
    _from_root(M, b, 5, 5)
    _from_root(M, b, 6, 6)
    _from_root(M, b, 7, 6)
    _from_root(M, b, 8, 8)
    _from_root(M, b, 9, 8)
    _from_root(M, b, 10, 8)
    _from_root(M, b, 11, 8)


@jit_copied
def _towards_root(M: NDArray[np.float64], b: NDArray[np.float64], k: int, first: int) -> None:
    """What row k takes of those that carry it; ``first`` as of :func:`_factor_row`."""
    of = b[k]
    for j in range(first, k):
        b[j] -= M[k, j] * of
    for j in range(min(k, 6)):
        b[j] -= M[k, j] * of


@jit_copied
def _from_root(M: NDArray[np.float64], b: NDArray[np.float64], k: int, first: int) -> None:
    """What those that carry it take of row k; ``first`` as of :func:`_factor_row`."""
    left = b[k]
    for j in range(k - 1, first - 1, -1):
        left -= M[k, j] * b[j]
    for j in range(min(k, 6) - 1, -1, -1):
        left -= M[k, j] * b[j]
    b[k] = left
