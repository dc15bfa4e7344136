"""What a rig's lean sensor makes of the bike's roll, as a transfer function about a steady motion.

The sensor feels where it sits: its accelerometers the side acceleration that roll, yaw and the tyres' slip
make there, its gyros the pitch of their axes, its speed the front tyre's rolling radius. All of that follows
from the plant's own derivative, linearised; the filter is the one of :mod:`emulator.sensors.lean`, step by
step as it runs. So lag and gain hold for small roll about that motion, made by the steering torque.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.config.rig.sensors import ComputedLean, LeanSensor
from emulator.core.axes import rotation_of
from emulator.core.signals import TICK_NS
from emulator.sensors.imu import turned
from emulator.sensors.lean import Complex, filtered, reference_lean, told_speed
from emulator.sensors.motion_at_point import specific_force_at
from emulator.vehicle.equilibrium import Steady
from emulator.vehicle.linearise import ROLL, Linear, linear_reading
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import FRONT, FRONT_WHEEL, JOINT_RATE, OMEGA, QUATERNION, VELOCITY

Response: TypeAlias = Callable[[complex | Complex], Complex]
"""Lean that leaves the sensor for its delay line, over the roll of the main frame, at s [1/s]; any shape."""

_TICK_S = TICK_NS * 1e-9
_SMALL_rad = 1e-5


def share_of_tick(time_s: float) -> float:
    """Share of the way [1] a first-order lag goes in a tick: 1 - exp(-tick / time); 1 without one."""
    return -math.expm1(-_TICK_S / time_s) if time_s > 0.0 else 1.0


def told_radius(own: ComputedLean, vehicle: Vehicle) -> float:
    """Rolling radius [m] of the front tyre the sensor was told: the tyre's unless the rig says another."""
    return float(vehicle.tyre[FRONT]["radius"]) if own.rolling_radius_m is None else own.rolling_radius_m


def lag_s(response: Response, hertz: float) -> float:
    """Lag [s] of the lean at a frequency: its phase, within half a period, over the angular frequency."""
    turn = 2.0 * math.pi * hertz
    return -cmath.phase(complex(response(1j * turn))) / turn


def smoothed(sensor: LeanSensor, s: complex | Complex) -> Complex:
    """The first-order lag that every lean sensor has at its end, as it runs tick by tick."""
    go = share_of_tick(sensor.time_constant_ms * 1e-3)
    return np.asarray(go / (1.0 - (1.0 - go) * np.exp(-np.asarray(s, complex) * _TICK_S)))


def lean_response(sensor: LeanSensor, vehicle: Vehicle, steady: Steady, linear: Linear) -> Response:
    """How the sensor follows the roll near a steady motion, its delay line not included.

    linear  of the same motion (emulator.vehicle.linearise), or with what else is held there
    A sensor that is shown the true roll has only its lag.
    """
    own = sensor.computed
    if own is None:
        return lambda s: smoothed(sensor, s)
    read, again = _measured(own, vehicle, steady)
    by_deviation, by_input = linear_reading(
        vehicle, steady, lambda x, xdot: np.array([read(*one) for one in zip(x, xdot, strict=True)])
    )
    rows = np.zeros((3, len(linear.A)))
    rows[0, ROLL], rows[1:] = 1.0, by_deviation
    at_once = np.array([0.0, *by_input[:, 0]])  # the steering torque accelerates the frame without delay
    pull = share_of_tick(own.reference_time_constant_ms * 1e-3)

    def response(s: complex | Complex) -> Complex:
        at = np.asarray(s, complex)
        resolvent = at[..., None, None] * np.eye(len(linear.A)) - linear.A
        deviation = np.linalg.solve(resolvent, linear.B[:, :1])[..., 0]
        answers = deviation @ rows.T + at_once
        roll, rate, reference = answers[..., 0], answers[..., 1], answers[..., 2]
        lean = filtered(at, rate / roll, reference / roll, pull, _TICK_S, again)
        return np.asarray(lean * smoothed(sensor, at))

    return response


def _measured(
    own: ComputedLean, vehicle: Vehicle, steady: Steady
) -> tuple[Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]], float]:
    """Its roll rate and reference read of a state and its rate; how much of its own lean is in the latter."""
    axes = turned(*own.mounting_rad)  # from the main frame's components to its own
    gravity, radius = float(vehicle.body[0]["gravity"]), told_radius(own, vehicle)

    def read(
        x: NDArray[np.float64], xdot: NDArray[np.float64], lean: float = steady.roll
    ) -> NDArray[np.float64]:
        R = rotation_of(*(float(v) for v in x[QUATERNION : QUATERNION + 4]))
        force = specific_force_at(
            _vector(x, OMEGA),
            _vector(x, VELOCITY),
            _vector(xdot, OMEGA),
            _vector(xdot, VELOCITY),
            (gravity * R[6], gravity * R[7], gravity * R[8]),
            own.position_m,
        )
        wx, wy, wz = axes @ x[OMEGA : OMEGA + 3] + np.asarray(own.rate_bias_rad_s)
        _, fy, fz = axes @ np.asarray(force) + np.asarray(own.force_bias_m_s2)
        speed = told_speed(float(x[JOINT_RATE + FRONT_WHEEL]), radius, own.crown_radius_m, lean)
        return np.array([wx, reference_lean(wy, wz, fy, fz, speed)])

    still = np.zeros_like(steady.x)
    up, down = (read(steady.x, still, steady.roll + d)[1] for d in (_SMALL_rad, -_SMALL_rad))
    return read, float(up - down) / (2.0 * _SMALL_rad)


def _vector(of: NDArray[np.float64], first: int) -> tuple[float, float, float]:
    return float(of[first]), float(of[first + 1]), float(of[first + 2])
