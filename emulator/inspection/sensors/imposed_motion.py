"""Motions that are put on the bike tick by tick, and what its sensors show of them by closed forms.

While the bench stands by the physics stands still and sensors show the state as it is; whoever writes a new
state before each tick moves the bike along exactly, without a robot. In a steady turn the body components of
both velocities are constant, so their rates, which a bench that stands by takes as zero, are zero, and the
specific force sensed is the turn's own. It is written here a second time from the circle alone: centripetal
acceleration towards the turn's axis and gravity, by elementary geometry rather than by the plant's twist.
A sway has rates: it is shown to the sensors once without them, which keeps roll and force apart, and once
with those of a rigid body that swings about its line on the ground, as a ride would be felt.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.config.rig.sensors import ComputedLean
from emulator.core.axes import roll_pitch_yaw, rotation_of
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.equilibrium import Steady
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    ENGINE,
    FRONT,
    FRONT_WHEEL,
    JOINT,
    JOINT_RATE,
    N_X,
    OMEGA,
    POSITION,
    QUATERNION,
    REAR,
    REAR_WHEEL,
    STEER,
    T_SLIP_RATIO,
    T_X,
    T_Y,
    T_Z,
    VELOCITY,
    scratch,
)

Motion: TypeAlias = Callable[[float, NDArray[np.float64]], None]
"""Writes the state (N_X,) of a time [s] in place; or the rates of its velocities (6,)."""


def turned(roll: float, pitch: float, heading: float) -> NDArray[np.float64]:
    """R_WB (3, 3): by heading about z, then pitch about the new y, then roll about the new x."""
    cr, sr, cp, sp = math.cos(roll), math.sin(roll), math.cos(pitch), math.sin(pitch)
    ch, sh = math.cos(heading), math.sin(heading)
    about_x = np.array([[1.0, 0.0, 0.0], [0.0, cr, -sr], [0.0, sr, cr]])
    about_y = np.array([[cp, 0.0, sp], [0.0, 1.0, 0.0], [-sp, 0.0, cp]])
    about_z = np.array([[ch, -sh, 0.0], [sh, ch, 0.0], [0.0, 0.0, 1.0]])
    return np.asarray(about_z @ about_y @ about_x)


@dataclass(frozen=True)
class SteadyTurn:
    """A steady motion as a place on its circle; heading 0 at time 0, the main frame's origin at x = y = 0."""

    steady: Steady
    gravity: float

    @cached_property
    def attitude(self) -> tuple[float, float]:
        """Roll and pitch [rad]."""
        q = self.steady.x[QUATERNION : QUATERNION + 4]
        roll, pitch, _ = roll_pitch_yaw(rotation_of(*(float(v) for v in q)))
        return roll, pitch

    @property
    def speed(self) -> float:
        """Horizontal speed [m/s] of the main frame's origin."""
        vx, vy = self._velocity
        return math.hypot(vx, vy)

    @cached_property
    def _turned(self) -> NDArray[np.float64]:
        """R_WB (3, 3) at heading 0."""
        return turned(*self.attitude, 0.0)

    @cached_property
    def _velocity(self) -> tuple[float, float]:
        v = self._turned @ self.steady.x[VELOCITY : VELOCITY + 3]
        return float(v[0]), float(v[1])

    @cached_property
    def _axis(self) -> NDArray[np.float64]:
        """(3,) [m] from the turn's axis to the main frame's origin: it goes round it, v = rate z x r."""
        vx, vy = self._velocity
        rate = self.steady.yaw_rate
        return np.array([vy / rate, -vx / rate, self.steady.x[POSITION + 2]])

    def heading(self, time_s: float) -> float:
        """[rad] at a time."""
        return self.steady.yaw_rate * time_s

    def from_axis(self, point: Sequence[float]) -> NDArray[np.float64]:
        """(3,) [m] from the turn's axis, at road height, to a point fixed in the main frame, at heading 0."""
        return np.asarray(self._axis + self._turned @ np.asarray(point))

    def at(self, time_s: float, point: Sequence[float]) -> NDArray[np.float64]:
        """(3,) [m] place of such a point in the world."""
        way = turned(0.0, 0.0, self.heading(time_s)) @ self.from_axis(point)
        start = self.from_axis((0.0, 0.0, 0.0))
        return np.asarray(way - np.array([start[0], start[1], 0.0]))

    def speed_of(self, point: Sequence[float]) -> float:
        """[m/s] over ground of such a point: rate times its distance from the axis."""
        r = self.from_axis(point)
        return abs(self.steady.yaw_rate) * math.hypot(float(r[0]), float(r[1]))

    def course_of(self, point: Sequence[float], time_s: float) -> float:
        """[rad] clockwise from north: at a right angle to the way to the axis."""
        r = self.from_axis(point)
        vx, vy = -self.steady.yaw_rate * r[1], self.steady.yaw_rate * r[0]
        return (math.pi / 2.0 - math.atan2(vy, vx) - self.heading(time_s)) % (2.0 * math.pi)

    def rates(self) -> NDArray[np.float64]:
        """(3,) [rad/s] in the main frame: (0, (v/R) sin roll, (v/R) cos roll), pitched with the frame."""
        return np.asarray(self._turned.T @ np.array([0.0, 0.0, self.steady.yaw_rate]))

    def force(self, point: Sequence[float]) -> NDArray[np.float64]:
        """(3,) [m/s^2] specific force at a point, in the main frame: towards the axis, and gravity."""
        r, rate = self.from_axis(point), self.steady.yaw_rate
        felt = np.array([-rate * rate * r[0], -rate * rate * r[1], self.gravity])
        return np.asarray(self._turned.T @ felt)

    @cached_property
    def _begun(self) -> tuple[float, float, float, float, float, float]:
        """Way from the axis to the main frame's origin along both of the world's axes, and quaternion, at
        heading 0: plain numbers, as a tick costs less than a product of small matrices."""
        east, north, _ = self._axis.tolist()
        w, a, b, c = self.steady.x[QUATERNION : QUATERNION + 4].tolist()
        return east, north, w, a, b, c

    def impose(self, time_s: float, x: NDArray[np.float64]) -> None:
        """Write the state at a time."""
        engine = x[ENGINE]
        x[:] = self.steady.x
        x[ENGINE] = engine  # it goes on as it did: the turn is held without it
        east, north, w, a, b, c = self._begun
        heading = self.heading(time_s)
        ch, sh = math.cos(heading), math.sin(heading)
        x[POSITION], x[POSITION + 1] = ch * east - sh * north - east, sh * east + ch * north - north
        ch, sh = math.cos(0.5 * heading), math.sin(0.5 * heading)
        x[QUATERNION] = ch * w - sh * c
        x[QUATERNION + 1] = ch * a - sh * b
        x[QUATERNION + 2] = ch * b + sh * a
        x[QUATERNION + 3] = ch * c + sh * w


def rear_tyre(steady: Steady, vehicle: Vehicle) -> tuple[NDArray[np.float64], float]:
    """(3,) [m] where the rear tyre touches, in the main frame, and its slip ratio, as the plant has them."""
    work, xdot = scratch(), np.zeros(N_X)
    derivative(vehicle.body, vehicle.tyre, steady.x, steady.u, work, xdot)
    tyre = work[0]["tyre"][REAR]
    return np.array([tyre[T_X], tyre[T_Y], tyre[T_Z]]), float(tyre[T_SLIP_RATIO])


def over_read(radius: float, crown: float, roll: float, sunk: float = 0.0) -> float:
    """What a wheel's spin times its nominal radius shows over the speed of its contact, less one.

    radius, crown  [m]  outer radius and radius of the round cross-section
    sunk           [m]  what of the tyre's deflection the rolling radius loses
    R / (R - t (1 - cos roll) - sunk cos roll) - 1. Source: geometry of a torus.
    """
    return radius / (radius - crown * (1.0 - math.cos(roll)) - sunk * math.cos(roll)) - 1.0


def lean_shown(
    sensor: ComputedLean,
    rates: NDArray[np.float64],
    force: NDArray[np.float64],
    told_speed: Callable[[float], float],
) -> float:
    """Lean [rad] a computing sensor settles at in a motion that does not change, without its noise.

    rates, force  (3,) true, main frame's axes, force at the sensor's place
    told_speed    the speed [m/s] it takes from the wheel when it shows so much lean
    The lean at which what it integrates, its roll rate w, is what the reference draws back over its time T:
    lean = reference(lean) + w (T - tick / 2), T - tick / 2 being tick (1 - p) / p of its share p a tick.
    """
    axes = turned(*sensor.mounting_rad).T
    wx, wy, wz = axes @ rates + np.asarray(sensor.rate_bias_rad_s)
    _, fy, fz = axes @ force + np.asarray(sensor.force_bias_m_s2)
    pull = -math.expm1(-1.0 / sensor.reference_time_constant_ms)
    lean = 0.0
    for _ in range(200):
        speed = told_speed(lean)
        lean = math.atan2(fy - speed * wz, fz + speed * wy) + wx * 1e-3 * (1.0 - pull) / pull
    return lean


@dataclass(frozen=True)
class Sway:
    """Roll, steer and speed swing together at one frequency on a straight way: for lags and gains.

    roll, steer  [rad] amplitudes; speed, surge [m/s] mean and amplitude; wheels roll without slip
    felt         the sensors get its accelerations, too
    """

    vehicle: Vehicle
    standing: NDArray[np.float64]
    hertz: float
    roll: float = 0.4
    steer: float = 0.3
    speed: float = 20.0
    surge: float = 1.0
    felt: bool = False

    def swing(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """The common factor, -1 to 1."""
        return np.sin(2.0 * math.pi * self.hertz * time_s)

    def impose(self, time_s: float, x: NDArray[np.float64]) -> None:
        """Write the state at a time."""
        turn = 2.0 * math.pi * self.hertz
        sine, cosine = math.sin(turn * time_s), math.cos(turn * time_s)
        x[:] = self.standing
        x[POSITION] += self.speed * time_s + self.surge / turn * (1.0 - cosine)
        half = 0.5 * self.roll * sine
        x[QUATERNION], x[QUATERNION + 1] = math.cos(half), math.sin(half)
        x[QUATERNION + 2] = x[QUATERNION + 3] = 0.0
        x[OMEGA] = self.roll * turn * cosine
        x[JOINT + STEER], x[JOINT_RATE + STEER] = self.steer * sine, self.steer * turn * cosine
        x[VELOCITY] = speed = self.speed + self.surge * sine
        rear, front = self._radii
        x[JOINT_RATE + REAR_WHEEL], x[JOINT_RATE + FRONT_WHEEL] = speed / rear, speed / front

    @cached_property
    def _radii(self) -> tuple[float, float]:
        """[m] of rear and front wheel."""
        radius = self.vehicle.tyre["radius"]
        return float(radius[REAR]), float(radius[FRONT])

    def accelerate(self, time_s: float, rates: NDArray[np.float64]) -> None:
        """Write the rates (6,) of angular velocity and velocity at a time: of roll, and of the surge."""
        turn = 2.0 * math.pi * self.hertz
        rates[:] = 0.0
        rates[0] = -self.roll * turn * turn * math.sin(turn * time_s)
        rates[3] = self.surge * turn * math.cos(turn * time_s)

    def force_of_roll(self, point: Sequence[float]) -> NDArray[np.complex128]:
        """(3,) [m/s^2] specific force at a point for a radian of the swing, main frame's axes, linear.

        About the ground line a point z up and y to the left is accelerated by -z and y times the roll
        acceleration; rolled, gravity has a part to the left.
        """
        _, y, z = point
        s = 2j * math.pi * self.hertz
        own = s * s if self.felt else 0.0
        along = s * self.surge / self.roll if self.felt else 0.0
        gravity = float(self.vehicle.body[0]["gravity"])
        return np.array([along, gravity - z * own, y * own], complex)
