"""Axes, signs and rotations.

ISO 8855: x forward, y left, z up; angles positive by the right-hand rule, so roll is positive to the
right, pitch positive nose down, yaw and steer positive to the left. Worlds: W is east-north-up at the
scenario's origin and is taken as inertial. B is the main frame.

A symbol is ``quantity_target_expressed``: ``p_WB_W`` is the position of B's origin from W's origin in W
components, ``w_WB_B`` the angular velocity of B in W in B components, ``R_WB`` takes B components to W
components. Roll, pitch and yaw follow the sequence yaw, then pitch, then roll (intrinsic).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit

Vec3 = tuple[float, float, float]
Mat3 = tuple[float, float, float, float, float, float, float, float, float]


@jit
def cross(ax: float, ay: float, az: float, bx: float, by: float, bz: float) -> Vec3:
    """Cross product a x b."""
    return ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx


@jit
def rotation_of(qw: float, qx: float, qy: float, qz: float) -> Mat3:
    """R_WB, row by row, of a unit quaternion q_WB."""
    return (
        1.0 - 2.0 * (qy * qy + qz * qz),
        2.0 * (qx * qy - qw * qz),
        2.0 * (qx * qz + qw * qy),
        2.0 * (qx * qy + qw * qz),
        1.0 - 2.0 * (qx * qx + qz * qz),
        2.0 * (qy * qz - qw * qx),
        2.0 * (qx * qz - qw * qy),
        2.0 * (qy * qz + qw * qx),
        1.0 - 2.0 * (qx * qx + qy * qy),
    )


@jit
def rotation_about_xz(ax: float, az: float, angle: float) -> Mat3:
    """Rotation by ``angle`` [rad] about the unit axis (ax, 0, az), row by row (Rodrigues)."""
    c, s = math.cos(angle), math.sin(angle)
    k = 1.0 - c
    return (
        1.0 + k * (ax * ax - 1.0),
        -s * az,
        k * ax * az,
        s * az,
        c,
        -s * ax,
        k * ax * az,
        s * ax,
        1.0 + k * (az * az - 1.0),
    )


@jit
def times(a: Mat3, b: Mat3) -> Mat3:
    """Matrix product a b."""
    return (
        a[0] * b[0] + a[1] * b[3] + a[2] * b[6],
        a[0] * b[1] + a[1] * b[4] + a[2] * b[7],
        a[0] * b[2] + a[1] * b[5] + a[2] * b[8],
        a[3] * b[0] + a[4] * b[3] + a[5] * b[6],
        a[3] * b[1] + a[4] * b[4] + a[5] * b[7],
        a[3] * b[2] + a[4] * b[5] + a[5] * b[8],
        a[6] * b[0] + a[7] * b[3] + a[8] * b[6],
        a[6] * b[1] + a[7] * b[4] + a[8] * b[7],
        a[6] * b[2] + a[7] * b[5] + a[8] * b[8],
    )


@jit
def rotate(m: Mat3, x: float, y: float, z: float) -> Vec3:
    """Matrix times vector."""
    return (
        m[0] * x + m[1] * y + m[2] * z,
        m[3] * x + m[4] * y + m[5] * z,
        m[6] * x + m[7] * y + m[8] * z,
    )


@jit
def rotate_back(m: Mat3, x: float, y: float, z: float) -> Vec3:
    """Transposed matrix times vector."""
    return (
        m[0] * x + m[3] * y + m[6] * z,
        m[1] * x + m[4] * y + m[7] * z,
        m[2] * x + m[5] * y + m[8] * z,
    )


@jit
def roll_pitch_yaw(R: Mat3) -> Vec3:
    """Roll, pitch, yaw [rad] of R_WB; pitch within +-pi/2."""
    return (
        math.atan2(R[7], R[8]),
        math.asin(min(1.0, max(-1.0, -R[6]))),
        math.atan2(R[3], R[0]),
    )


@jit
def quaternion_of(roll: float, pitch: float, yaw: float, q: NDArray[np.float64]) -> None:
    """Write q_WB (w, x, y, z) of roll, pitch, yaw [rad] into ``q`` (4,)."""
    cr, sr = math.cos(0.5 * roll), math.sin(0.5 * roll)
    cp, sp = math.cos(0.5 * pitch), math.sin(0.5 * pitch)
    cy, sy = math.cos(0.5 * yaw), math.sin(0.5 * yaw)
    q[0] = cr * cp * cy + sr * sp * sy
    q[1] = sr * cp * cy - cr * sp * sy
    q[2] = cr * sp * cy + sr * cp * sy
    q[3] = cr * cp * sy - sr * sp * cy


@jit
def wrapped(angle: float) -> float:
    """The same angle within -pi..pi."""
    return angle - 2.0 * math.pi * math.floor((angle + math.pi) / (2.0 * math.pi))
