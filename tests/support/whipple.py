"""The bicycle of knife-edge wheels and rigid frames, linear about upright riding.

    M q'' + v C1 q' + (g K0 + v^2 K2) q = f

J. P. Meijaard, J. M. Papadopoulos, A. Ruina, A. L. Schwab, *Linearized dynamics equations for the balance and
steer of a bicycle: a benchmark and review*, Proc. R. Soc. A 463 (2007) 1955-1982, appendix A, from memory:
q = (roll, steer), axes forward, right, down from the rear contact. Each frame is one with its wheel, which
adds its spin only.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Half(NamedTuple):
    """A frame with its wheel: mass [kg], centre [m], inertia about it [kg m^2], the wheel's radius, spin."""

    mass: float
    x: float
    z: float
    Ixx: float
    Ixz: float
    Izz: float
    radius: float
    spin: float


def joined(frame: tuple[float, ...], wheel: tuple[float, ...], radius: float, spin: float) -> Half:
    """A frame and its wheel, each (mass, x, z, Ixx, Ixz, Izz) about its own centre, put together."""
    mass = frame[0] + wheel[0]
    x, z = ((frame[0] * frame[k] + wheel[0] * wheel[k]) / mass for k in (1, 2))
    Ixx = sum(p[3] + p[0] * (p[2] - z) ** 2 for p in (frame, wheel))
    Ixz = sum(p[4] - p[0] * (p[1] - x) * (p[2] - z) for p in (frame, wheel))
    Izz = sum(p[5] + p[0] * (p[1] - x) ** 2 for p in (frame, wheel))
    return Half(mass, x, z, Ixx, Ixz, Izz, radius, spin)


class Whipple(NamedTuple):
    """Wheelbase and trail [m], tilt of the steering axis [rad], both halves, and a damper of the steering."""

    wheelbase: float
    trail: float
    tilt: float
    rear: Half
    front: Half
    damping: float = 0.0
    """[N m s/rad]"""

    def matrices(self) -> tuple[Array, Array, Array, Array]:
        """M, C1, K0 and K2, each (2, 2)."""
        w, c, (rear, front) = self.wheelbase, self.trail, (self.rear, self.front)
        sin, cos = math.sin(self.tilt), math.cos(self.tilt)
        mass = rear.mass + front.mass
        x = (rear.mass * rear.x + front.mass * front.x) / mass
        z = (rear.mass * rear.z + front.mass * front.z) / mass
        Txx = sum(h.Ixx + h.mass * h.z**2 for h in (rear, front))
        Txz = sum(h.Ixz - h.mass * h.x * h.z for h in (rear, front))
        Tzz = sum(h.Izz + h.mass * h.x**2 for h in (rear, front))
        u = (front.x - w - c) * cos - front.z * sin
        along = front.mass * u**2 + front.Ixx * sin**2 + 2.0 * front.Ixz * sin * cos + front.Izz * cos**2
        with_roll = -front.mass * u * front.z + front.Ixx * sin + front.Ixz * cos
        with_yaw = front.mass * u * front.x + front.Ixz * sin + front.Izz * cos
        mu = c / w * cos
        spins = rear.spin / rear.radius, front.spin / front.radius
        spin, moment = sum(spins), front.mass * u + mu * mass * x
        off = with_roll + mu * Txz
        M = [[Txx, off], [off, along + 2.0 * mu * with_yaw + mu**2 * Tzz]]
        K0 = [[mass * z, -moment], [-moment, -moment * sin]]
        K2 = [[0.0, (spin - mass * z) / w * cos], [0.0, (moment + spins[1] * sin) / w * cos]]
        gyro = mu * spin + spins[1] * cos
        C1 = [
            [0.0, gyro + Txz / w * cos - mu * mass * z],
            [-gyro, with_yaw / w * cos + mu * (moment + Tzz / w * cos)],
        ]
        return np.array(M), np.array(C1), np.array(K0), np.array(K2)

    def linear(self, speed: float, gravity: float) -> tuple[Array, Array]:
        """A (4, 4) and B (4, 2) of x = (roll, steer, their rates), f = (roll moment, steering torque)."""
        M, C1, K0, K2 = self.matrices()
        inverse = np.linalg.inv(M)
        A, B = np.zeros((4, 4)), np.zeros((4, 2))
        A[:2, 2:] = np.eye(2)
        A[2:, :2] = -inverse @ (gravity * K0 + speed**2 * K2)
        A[2:, 2:] = -inverse @ (speed * C1 + np.diag([0.0, self.damping]))
        B[2:] = inverse
        return A, B
