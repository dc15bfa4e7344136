"""A made-up ride as devices of a track day log it: what rolls, turns and speeds up agrees, numbers are ours.

Standstill, straights on which it speeds up and brakes, and bends to both sides, all smooth. Nothing of it is
a measured motorcycle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.signal import oaconvolve
from scipy.spatial.transform import Rotation

G = 9.80665


@dataclass
class MadeUpRide:
    """Truth on a grid of 100 Hz: time [s], speed [m/s], lean [rad], turning [rad/s], heading, place [m]."""

    time_s: np.ndarray
    speed: np.ndarray
    lean: np.ndarray
    turning: np.ndarray
    heading: np.ndarray
    east: np.ndarray
    north: np.ndarray

    def force(self) -> np.ndarray:
        """(n, 3) specific force along the bike's axes, without a lever arm."""
        slope = np.gradient(self.speed, self.time_s)
        across = self.speed * self.turning
        sin, cos = np.sin(self.lean), np.cos(self.lean)
        return np.column_stack([slope, across * cos + G * sin, -across * sin + G * cos])

    def rate(self) -> np.ndarray:
        """(n, 3) angular rate along the bike's axes."""
        sin, cos = np.sin(self.lean), np.cos(self.lean)
        return np.column_stack([np.gradient(self.lean, self.time_s), self.turning * sin, self.turning * cos])


def made_up_ride(rng: np.random.Generator, seconds: float = 240.0, step_s: float = 0.01) -> MadeUpRide:
    time_s = np.arange(0.0, seconds, step_s)
    knots = np.arange(0.0, seconds + 6.0, 6.0)
    speeds = rng.uniform(12.0, 45.0, len(knots))
    speeds[knots < 12.0] = 0.0
    speed = smoothed(np.maximum(PchipInterpolator(knots, speeds)(time_s), 0.0), 0.2 / step_s)
    bends = rng.uniform(-0.35, 0.35, len(knots)) * (np.arange(len(knots)) % 3 == 1)
    turning = smoothed(np.interp(time_s, knots, bends), 0.4 / step_s) * (speed > 5.0)
    turning = smoothed(turning, 0.3 / step_s)
    heading = np.cumsum(turning) * step_s
    return MadeUpRide(
        time_s,
        speed,
        -np.arctan(speed * turning / G),
        turning,
        heading,
        np.cumsum(speed * np.cos(heading)) * step_s,
        np.cumsum(speed * np.sin(heading)) * step_s,
    )


def smoothed(values: np.ndarray, width: float) -> np.ndarray:
    """By a Gaussian of so many samples, folded at the ends, by frequencies: quicker if it is wide."""
    reach = round(4.0 * width)
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / width) ** 2)
    return oaconvolve(np.pad(values, reach, mode="symmetric"), weights / weights.sum(), mode="valid")


@dataclass
class Planted:
    """What is wrong with a log: its GNSS clock, how the inertial unit sits, noise."""

    offset_s: float = 0.0
    drift_ppm: float = 0.0
    mounting_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)


def logged(ride: MadeUpRide, rng: np.random.Generator, planted: Planted = Planted()) -> dict[str, np.ndarray]:  # noqa: B008
    """Columns of a logger at 100 Hz, and of a receiver at 10 Hz by its own clock (``gnss_time``).

    Noise of each: wheels 0.05 m/s, receiver 0.03 m/s and 0.2 degrees, forces 0.3 m/s2, rates 0.01 rad/s, lean
    0.005 rad; common practice, no source.
    """
    n = len(ride.time_s)
    turn = Rotation.from_euler("ZYX", np.array(planted.mounting_deg)[::-1], degrees=True).as_matrix()
    force = ride.force() @ turn + rng.normal(size=(n, 3)) * 0.3
    rate = ride.rate() @ turn + rng.normal(size=(n, 3)) * 0.01
    every = slice(3, None, 10)
    own = (ride.time_s[every] - planted.offset_s) / (1.0 + 1e-6 * planted.drift_ppm)
    m = len(own)
    return {
        "time": ride.time_s,
        "front": ride.speed + 0.05 * rng.normal(size=n),
        "rear": ride.speed * 1.01 + 0.05 * rng.normal(size=n),
        **{f"f{axis}": force[:, k] for k, axis in enumerate("xyz")},
        **{f"w{axis}": rate[:, k] for k, axis in enumerate("xyz")},
        "lean": ride.lean + 0.005 * rng.normal(size=n),
        "gnss_time": own,
        "gnss_speed": ride.speed[every] + 0.03 * rng.normal(size=m),
        "gnss_course": np.pi / 2 - ride.heading[every] + np.radians(0.2) * rng.normal(size=m),
        "gnss_east": ride.east[every] + 0.02 * rng.normal(size=m),
        "gnss_north": ride.north[every] + 0.02 * rng.normal(size=m),
    }
