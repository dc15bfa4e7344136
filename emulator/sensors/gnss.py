"""Errors of a GNSS receiver by the kind of its fix: slow drift, noise, velocity and course.

Position error on each of east, north and up is the sum of a first-order Gauss-Markov process (atmosphere,
orbits, multipath: it wanders) and white noise (tracking). Over an interval dt the process goes
u' = phi u + sqrt(1 - phi^2) n, phi = exp(-dt / correlation time), which is exact for any dt. It is kept
with unit variance and scaled by the fix in use, so a change of fix scales the error that is there. Velocity
noise is white on east and north (velocity comes from Doppler shifts, so it is there with any fix); course is
that velocity's, so its error is sigma / speed and grows at low speed, plus a part of its own. All but that
part grow with the dilution. Source: Gelb (ed.) 1974, *Applied Optimal
Estimation*, MIT Press, for the exponentially correlated process (from memory).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.random_streams import normal


class Accuracy(NamedTuple):
    """One sigma of each error with one kind of fix.

    drift_m             [m] correlated, east and north each
    drift_height_m      [m] correlated, up
    correlation_time_s  [s] of both; 0: the drift is white, too
    noise_m             [m] white, east and north each
    noise_height_m      [m] white, up
    velocity_m_s        [m/s] white, east and north each
    """

    drift_m: float = 0.0
    drift_height_m: float = 0.0
    correlation_time_s: float = 0.0
    noise_m: float = 0.0
    noise_height_m: float = 0.0
    velocity_m_s: float = 0.0


FIX_QUALITY = {"single": 1, "differential": 2, "fixed": 4, "float": 5}
"""Quality as in GGA by the fix's name in the rig."""

USUAL_ACCURACY = {
    "single": Accuracy(1.5, 2.5, 300.0, 0.3, 0.5, 0.05),
    "differential": Accuracy(0.4, 0.7, 120.0, 0.15, 0.25, 0.04),
    "float": Accuracy(0.15, 0.25, 60.0, 0.04, 0.07, 0.03),
    "fixed": Accuracy(0.008, 0.014, 30.0, 0.006, 0.010, 0.02),
}
"""What a good receiver has under open sky (common practice, no source)."""

QUALITIES = 6
"""Rows of the table that compiled code reads: one by quality 0 to 5."""


@jit
def position_fix(
    errors: NDArray[np.float64],
    u: NDArray[np.float64],
    east: float,
    north: float,
    up: float,
    streams: NDArray[np.uint64],
    i: int,
    dilution: float = 1.0,
) -> tuple[float, float, float]:
    """The place [m] the receiver shows for a true one.

    errors    (6,) as in Accuracy
    dilution  [1]  the dilution now over the one those are for
    """
    drift, drift_height = errors[0] * dilution, errors[1] * dilution
    noise, noise_height = errors[3] * dilution, errors[4] * dilution
    return (
        east + drift * u[0] + noise * normal(streams, i),
        north + drift * u[1] + noise * normal(streams, i),
        up + drift_height * u[2] + noise_height * normal(streams, i),
    )


@jit
def moving(
    sigma: float,
    course_sigma: float,
    course_from: float,
    east: float,
    north: float,
    streams: NDArray[np.uint64],
    i: int,
    course_stream: int,
) -> tuple[float, float]:
    """Speed over ground [m/s] and course [rad, clockwise from north, 0..2 pi) of a true velocity [m/s].

    sigma         [m/s] of east and north
    course_sigma  [rad] of the course, besides what the velocity's noise makes of it
    course_from   [m/s] below this speed, as the receiver has it, the course is NaN
    """
    east += sigma * normal(streams, i)
    north += sigma * normal(streams, i)
    own = course_sigma * normal(streams, course_stream)
    speed = math.hypot(east, north)
    if speed < course_from or speed == 0.0:
        return speed, math.nan
    return speed, (math.atan2(east, north) + own) % (2.0 * math.pi)


@jit
def reported_sigma(errors: NDArray[np.float64]) -> tuple[float, float]:
    """One sigma [m] of east (and north) and of up that the receiver states: drift and noise together."""
    return math.hypot(errors[0], errors[3]), math.hypot(errors[1], errors[4])
