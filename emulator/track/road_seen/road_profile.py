"""The road's profile under the front wheel, from the fork's travel and the body's movement.

The wheel is where the body's front is, plus what the fork gives way; the road is where the wheel is, plus
what its tyre gives way::

    wheel = body + travel cos(rake)
    tyre  = (fork's force / cos(rake) + wheel's mass * wheel'') / (stiffness + damping d/dt)
    road  = wheel + tyre

The body's front follows from its vertical acceleration and its pitch rate. Twice integrated, an
accelerometer's noise and bias grow without bound below some frequency, and above another one the wheel's
acceleration is noise: between both the road is seen, waves of ``speed / frequency``. Fork and tyre are taken
as the vehicle file has them, springs linear, no friction, no stops. What is left out: forces along the bike
on the raked fork, which change slowly.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.constants import GRAVITY

Array = NDArray[np.float64]

STEP_s = 0.005
BAND_hz = (0.8, 20.0)
"""Waves that are seen, by frequency: half is left of them there."""
_ORDER = 4
ENDS_s = 1.5
"""At either end of a stretch nothing is told: that much is needed to each side."""


class Front(NamedTuple):
    """Figures of the front of a bike [SI], as its vehicle file has them."""

    rake_rad: float
    stiffness: float
    bump_damping: float
    rebound_damping: float
    mass: float
    tyre_stiffness: float
    tyre_damping: float
    axle_x: float
    load: float

    @staticmethod
    def of(values: Mapping[str, Mapping[str, float]]) -> Front:
        """From the values of a vehicle file."""
        return Front(
            values["steering"]["rake"],
            values["fork"]["stiffness"],
            values["fork"]["bump_damping"],
            values["fork"]["rebound_damping"],
            values["fork_lower"]["mass"] + values["front_wheel"]["mass"],
            values["tyre_front"]["vertical_stiffness"],
            values["tyre_front"]["vertical_damping"],
            values["front_wheel"]["x"],
            values["fork"]["design_force"] / math.cos(values["steering"]["rake"])
            + GRAVITY * (values["fork_lower"]["mass"] + values["front_wheel"]["mass"]),
        )


def seen_share(frequency_hz: NDArray[np.floating[Any]]) -> Array:
    """What is left of a wave of a frequency: 1 within the band."""
    f = np.abs(frequency_hz)
    with np.errstate(divide="ignore"):
        low = 1.0 / (1.0 + (BAND_hz[0] / np.maximum(f, 1e-9)) ** (2 * _ORDER))
    return np.asarray(low / (1.0 + (f / BAND_hz[1]) ** (2 * _ORDER)), np.float64)


def as_seen(heights: Array) -> Array:
    """Heights (n,) at steps of ``STEP_s`` as far as they are in the band; both ends level."""
    n = len(heights)
    spectrum = np.fft.rfft(heights, 2 * n)
    return np.asarray(np.fft.irfft(spectrum * seen_share(np.fft.rfftfreq(2 * n, STEP_s)), 2 * n)[:n])


def road_under_front(
    travel: Array, force_z: Array, pitch_rate: Array, unit_x: float, front: Front
) -> tuple[Array, Array]:
    """Heights of the road (n,) [m] and load of the wheel (n,) [N], as far as they are in the band.

    Where there is no load the wheel is in the air, and what is told is the wheel's way, not the road's. All
    are at steps of ``STEP_s``.

    travel      (n,) [m]      fork's compression along itself
    force_z     (n,) [m/s2]   specific force along the bike's vertical axis
    pitch_rate  (n,) [rad/s]  nose down positive
    unit_x      [m]           of the inertial unit, forward of the rear contact
    """
    n = len(travel)
    taper = np.ones(n)
    ends = min(round(0.5 * ENDS_s / STEP_s), n // 2)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(ends) + 0.5) / ends)
    taper[:ends], taper[n - ends :] = ramp, ramp[::-1]
    omega = 2.0 * np.pi * np.fft.rfftfreq(2 * n, STEP_s)
    share = seen_share(omega / (2.0 * np.pi))
    omega[0] = 1.0  # nothing is left of it

    def spectrum(values: Array) -> NDArray[np.complex128]:
        return np.asarray(np.fft.rfft((values - values.mean()) * taper, 2 * n) * share)

    def back(values: NDArray[np.complex128]) -> Array:
        return np.asarray(np.fft.irfft(values, 2 * n)[:n])

    cos = np.cos(front.rake_rad)
    moved = spectrum(travel)
    body = spectrum(force_z - GRAVITY) / -(omega**2) - spectrum(pitch_rate) * (front.axle_x - unit_x) / (
        1j * omega
    )
    wheel = body + moved * cos
    quick = back(1j * omega * moved)
    damping = np.where(quick > 0.0, front.bump_damping, front.rebound_damping) * quick
    held = np.fft.rfft(damping, 2 * n) * share
    force = (front.stiffness * moved + held) / cos - front.mass * omega**2 * wheel
    road = wheel + force / (front.tyre_stiffness + 1j * omega * front.tyre_damping)
    return back(road), front.load + back(force)
