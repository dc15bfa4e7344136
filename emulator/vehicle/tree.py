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
from emulator.core.compiled import Record, jit
from emulator.vehicle.state import (
    BEND,
    BEND_RATE,
    FORK,
    FRONT,
    JOINT,
    JOINT_RATE,
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
    inertia[i, 0] = m
    inertia[i, 1], inertia[i, 2], inertia[i, 3] = m * x, m * y, m * z
    inertia[i, 4] = ixx + m * (y * y + z * z)
    inertia[i, 5] = iyy + m * (x * x + z * z)
    inertia[i, 6] = izz + m * (x * x + y * y)
    inertia[i, 7] = ixy - m * x * y
    inertia[i, 8] = ixz - m * x * z
    inertia[i, 9] = iyz - m * y * z


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
        s.inertia[3, k] = 0.0  # the twist joint carries no mass of its own
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
        s.V[0, k] = x[OMEGA + k]
    for b in range(1, 7):
        rate = x[JOINT_RATE + b - 1]
        parent = _PARENT_BODY[b]
        for k in range(6):
            s.V[b, k] = s.V[parent, k] + s.S[b - 1, k] * rate
    if par.fork_bends != 0:
        for k in range(6):
            s.V[5, k] += s.bend[k] * x[BEND_RATE]
            s.V[6, k] += s.bend[k] * x[BEND_RATE]
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
            s.V[ROBOT, k] = s.V[0, k]
        s.V[ROBOT, 0] += x[SWAY_RATE]  # about the line along x at the mount's height
        s.V[ROBOT, 4] += par.robot_mount_z * x[SWAY_RATE]


@jit
def accelerations(par: Record, steer_imposed: bool, steer_acceleration: float, s: Scratch) -> None:
    """Solve the equations of motion from kinematics, wrenches and torques; the result is in ``s.rhs``.

    Locked joints get zero acceleration; an imposed steering angle gets the given one, and the torque that
    this takes is left in ``s.reaction`` [N m].
    """
    S, V, A, f, M, rhs, inertia = s.S, s.V, s.A, s.f, s.M, s.rhs, s.inertia

    # Bias: accelerations and wrenches with all twelve accelerations zero, gravity as an upward one.
    A[0, 0] = A[0, 1] = A[0, 2] = 0.0
    for k in range(3):
        A[0, 3 + k] = par.gravity * s.R[6 + k]
    for b in range(1, 7):
        p = _PARENT_BODY[b]
        j = b - 1
        # V x (S qd) = V x (V - V_parent) = -V x V_parent = V_parent x V
        wx, wy, wz = cross(V[p, 0], V[p, 1], V[p, 2], V[b, 0], V[b, 1], V[b, 2])
        a1, a2, a3 = cross(V[p, 0], V[p, 1], V[p, 2], V[b, 3], V[b, 4], V[b, 5])
        b1, b2, b3 = cross(V[p, 3], V[p, 4], V[p, 5], V[b, 0], V[b, 1], V[b, 2])
        A[b, 0], A[b, 1], A[b, 2] = A[p, 0] + wx, A[p, 1] + wy, A[p, 2] + wz
        A[b, 3], A[b, 4], A[b, 5] = A[p, 3] + a1 + b1, A[p, 4] + a2 + b2, A[p, 5] + a3 + b3
    if par.fork_bends != 0:
        # Fork travel is carried by the bent fork: (bend rate) x (travel rate), the former what S leaves of V.
        bend = s.bend
        rate = (V[5, 0] - V[4, 0]) * bend[0] + (V[5, 1] - V[4, 1]) * bend[1] + (V[5, 2] - V[4, 2]) * bend[2]
        wx, wy, wz = rate * bend[0], rate * bend[1], rate * bend[2]
        sx, sy = V[5, 3] - V[4, 3] - rate * bend[3], V[5, 4] - V[4, 4] - rate * bend[4]
        wx, wy, wz = cross(wx, wy, wz, sx, sy, V[5, 5] - V[4, 5] - rate * bend[5])
        for b in range(5, 7):
            A[b, 3] += wx
            A[b, 4] += wy
            A[b, 5] += wz
    bodies = 7
    if par.mount_gives != 0:
        bodies = 8
        b = ROBOT
        wx, wy, wz = cross(V[0, 0], V[0, 1], V[0, 2], V[b, 0], V[b, 1], V[b, 2])
        a1, a2, a3 = cross(V[0, 0], V[0, 1], V[0, 2], V[b, 3], V[b, 4], V[b, 5])
        b1, b2, b3 = cross(V[0, 3], V[0, 4], V[0, 5], V[b, 0], V[b, 1], V[b, 2])
        A[b, 0], A[b, 1], A[b, 2] = A[0, 0] + wx, A[0, 1] + wy, A[0, 2] + wz
        A[b, 3], A[b, 4], A[b, 5] = A[0, 3] + a1 + b1, A[0, 4] + a2 + b2, A[0, 5] + a3 + b3
    for b in range(bodies):
        m, hx, hy, hz = inertia[b, 0], inertia[b, 1], inertia[b, 2], inertia[b, 3]
        ixx, iyy, izz = inertia[b, 4], inertia[b, 5], inertia[b, 6]
        ixy, ixz, iyz = inertia[b, 7], inertia[b, 8], inertia[b, 9]
        w0, w1, w2, v0, v1, v2 = V[b, 0], V[b, 1], V[b, 2], V[b, 3], V[b, 4], V[b, 5]
        # momentum: angular L about the origin, linear P
        c0, c1, c2 = cross(hx, hy, hz, v0, v1, v2)
        L0 = ixx * w0 + ixy * w1 + ixz * w2 + c0
        L1 = ixy * w0 + iyy * w1 + iyz * w2 + c1
        L2 = ixz * w0 + iyz * w1 + izz * w2 + c2
        c0, c1, c2 = cross(w0, w1, w2, hx, hy, hz)
        P0, P1, P2 = m * v0 + c0, m * v1 + c1, m * v2 + c2
        t0, t1, t2, a0, a1, a2 = A[b, 0], A[b, 1], A[b, 2], A[b, 3], A[b, 4], A[b, 5]
        d0, d1, d2 = cross(hx, hy, hz, a0, a1, a2)
        e0, e1, e2 = cross(w0, w1, w2, L0, L1, L2)
        g0, g1, g2 = cross(v0, v1, v2, P0, P1, P2)
        f[b, 0] = ixx * t0 + ixy * t1 + ixz * t2 + d0 + e0 + g0 - s.wrench[b, 0]
        f[b, 1] = ixy * t0 + iyy * t1 + iyz * t2 + d1 + e1 + g1 - s.wrench[b, 1]
        f[b, 2] = ixz * t0 + iyz * t1 + izz * t2 + d2 + e2 + g2 - s.wrench[b, 2]
        d0, d1, d2 = cross(t0, t1, t2, hx, hy, hz)
        e0, e1, e2 = cross(w0, w1, w2, P0, P1, P2)
        f[b, 3] = m * a0 + d0 + e0 - s.wrench[b, 3]
        f[b, 4] = m * a1 + d1 + e1 - s.wrench[b, 4]
        f[b, 5] = m * a2 + d2 + e2 - s.wrench[b, 5]

    # Towards the root: joint bias, composite inertias, mass matrix (lower triangle).
    for b in range(6, 0, -1):
        p = _PARENT_BODY[b]
        j = b - 1
        bias = 0.0
        for k in range(6):
            bias += S[j, k] * f[b, k]
            f[p, k] += f[b, k]
        rhs[6 + j] = s.torque[j] - bias
        m, hx, hy, hz = inertia[b, 0], inertia[b, 1], inertia[b, 2], inertia[b, 3]
        w0, w1, w2, v0, v1, v2 = S[j, 0], S[j, 1], S[j, 2], S[j, 3], S[j, 4], S[j, 5]
        c0, c1, c2 = cross(hx, hy, hz, v0, v1, v2)
        d0, d1, d2 = cross(w0, w1, w2, hx, hy, hz)
        F0 = inertia[b, 4] * w0 + inertia[b, 7] * w1 + inertia[b, 8] * w2 + c0
        F1 = inertia[b, 7] * w0 + inertia[b, 5] * w1 + inertia[b, 9] * w2 + c1
        F2 = inertia[b, 8] * w0 + inertia[b, 9] * w1 + inertia[b, 6] * w2 + c2
        F3, F4, F5 = m * v0 + d0, m * v1 + d1, m * v2 + d2
        row = 6 + j
        M[row, 0], M[row, 1], M[row, 2], M[row, 3], M[row, 4], M[row, 5] = F0, F1, F2, F3, F4, F5
        i = row
        while i > 5:
            k = i - 6
            M[row, i] = (
                S[k, 0] * F0 + S[k, 1] * F1 + S[k, 2] * F2 + S[k, 3] * F3 + S[k, 4] * F4 + S[k, 5] * F5
            )
            i = _PARENT[i]
        for k in range(10):
            inertia[p, k] += inertia[b, k]
    over = swayed = 0.0
    if par.mount_gives != 0:
        over, swayed = _hang(par.robot_mount_z, s)
    for k in range(6):
        rhs[k] = -f[0, k]
    m, hx, hy, hz = inertia[0, 0], inertia[0, 1], inertia[0, 2], inertia[0, 3]
    M[0, 0], M[1, 1], M[2, 2] = inertia[0, 4], inertia[0, 5], inertia[0, 6]
    M[1, 0], M[2, 0], M[2, 1] = inertia[0, 7], inertia[0, 8], inertia[0, 9]
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


@jit
def _hang(z: float, s: Scratch) -> tuple[float, float]:
    """Fill ``s.hung`` and add the robot to the main frame, its axis along x being z [m] high.

    Returns one over the roll's inertia [1/(kg m2)] and the torque on it [N m].
    """
    inertia, f, c = s.inertia, s.f, s.hung
    m, hx, hy, hz = inertia[ROBOT, 0], inertia[ROBOT, 1], inertia[ROBOT, 2], inertia[ROBOT, 3]
    c[0] = inertia[ROBOT, 4] - hz * z
    c[1], c[2] = inertia[ROBOT, 7], inertia[ROBOT, 8] + hx * z
    c[3], c[4], c[5] = 0.0, m * z - hz, hy
    for k in range(6):
        f[0, k] += f[ROBOT, k]
    for k in range(10):
        inertia[0, k] += inertia[ROBOT, k]
    return 1.0 / (c[0] + z * c[4]), s.sway_torque - f[ROBOT, 0] - z * f[ROBOT, 4]


@jit
def _border(s: Scratch) -> tuple[float, float]:
    """Fill ``s.border`` from composite inertias; return the bending's inertia [kg m2] and torque [N m]."""
    S, bend, inertia, f, c = s.S, s.bend, s.inertia, s.f, s.border
    m, hx, hy, hz = inertia[5, 0], inertia[5, 1], inertia[5, 2], inertia[5, 3]
    w0, w1, w2, v0, v1, v2 = bend[0], bend[1], bend[2], bend[3], bend[4], bend[5]
    c0, c1, c2 = cross(hx, hy, hz, v0, v1, v2)
    d0, d1, d2 = cross(w0, w1, w2, hx, hy, hz)
    c[0] = inertia[5, 4] * w0 + inertia[5, 7] * w1 + inertia[5, 8] * w2 + c0
    c[1] = inertia[5, 7] * w0 + inertia[5, 5] * w1 + inertia[5, 9] * w2 + c1
    c[2] = inertia[5, 8] * w0 + inertia[5, 9] * w1 + inertia[5, 6] * w2 + c2
    c[3], c[4], c[5] = m * v0 + d0, m * v1 + d1, m * v2 + d2
    diagonal, right = 0.0, s.bend_torque
    for k in range(6):
        diagonal += bend[k] * c[k]
        right -= bend[k] * f[5, k]
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
    for k in range(11, -1, -1):
        inverse = 1.0 / M[k, k]
        i = _PARENT[k]
        while i >= 0:
            a = M[k, i] * inverse
            j = i
            while j >= 0:
                M[i, j] -= a * M[k, j]
                j = _PARENT[j]
            M[k, i] = a
            i = _PARENT[i]


@jit
def _substitute(M: NDArray[np.float64], b: NDArray[np.float64]) -> None:
    """Solve M a = b in place for an M that :func:`_factor` left."""
    for k in range(11, -1, -1):
        i = _PARENT[k]
        while i >= 0:
            b[i] -= M[k, i] * b[k]
            i = _PARENT[i]
    for k in range(12):
        b[k] /= M[k, k]
    for k in range(12):
        i = _PARENT[k]
        value = b[k]
        while i >= 0:
            value -= M[k, i] * b[i]
            i = _PARENT[i]
        b[k] = value
