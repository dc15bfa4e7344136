"""True motion at a point of the main frame: the seam between vehicle and sensors.

All take the rigid-body motion of the main frame B and a point S fixed in it at ``p_BS_B`` [m]; results are in
B components. Source: rigid-body kinematics.
"""

from __future__ import annotations

from emulator.core.axes import Vec3, cross
from emulator.core.compiled import jit


@jit
def velocity_at(w: Vec3, v: Vec3, p: Vec3) -> Vec3:
    """v_WS_B [m/s] of a point fixed in B: v + w x p."""
    cx, cy, cz = cross(w[0], w[1], w[2], p[0], p[1], p[2])
    return v[0] + cx, v[1] + cy, v[2] + cz


@jit
def specific_force_at(w: Vec3, v: Vec3, w_rate: Vec3, v_rate: Vec3, gravity_up: Vec3, p: Vec3) -> Vec3:
    """Specific force f_S_B [m/s^2] an ideal accelerometer at S senses; level and at rest (0, 0, +g).

    w, v            [rad/s], [m/s]        angular velocity and velocity of B's origin, B components
    w_rate, v_rate  [rad/s^2], [m/s^2]    rates of those *components* (so a_WB_B = v_rate + w x v)
    gravity_up      [m/s^2]               g times the world's up axis, B components

    Valid: W inertial. Neglected: Coriolis 2 w_e v, 7.3e-3 m/s^2 at 50 m/s with w_e = 7.292115e-5 rad/s
    (NIMA TR8350.2, from memory).
    """
    ax, ay, az = cross(w[0], w[1], w[2], v[0], v[1], v[2])
    bx, by, bz = cross(w_rate[0], w_rate[1], w_rate[2], p[0], p[1], p[2])
    cx, cy, cz = cross(w[0], w[1], w[2], p[0], p[1], p[2])
    cx, cy, cz = cross(w[0], w[1], w[2], cx, cy, cz)
    return (
        v_rate[0] + ax + bx + cx + gravity_up[0],
        v_rate[1] + ay + by + cy + gravity_up[1],
        v_rate[2] + az + bz + cz + gravity_up[2],
    )
