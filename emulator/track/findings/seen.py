"""What a record shows around an instant, by what devices measure: the same of a log as of a virtual run.

The forces are taken as those at the centre of mass, near which inertial units sit. A tyre's share of them
follows from the centre of percussion: of a bike whose yaw radius of gyration squared is the product of its
axles' distances from the centre of mass, what acts across on the front axle is the load there over gravity
times the acceleration across at that axle (rigid body; that it is nearly so on motorcycles: common practice,
no source).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from emulator.core.constants import GRAVITY
from emulator.core.errors import EmulatorError
from emulator.record.reader import Run

STEP_s = 0.01
BEFORE_s, AFTER_s = 4.0, 4.0
TO_AXLE_m = 0.7
"""From the centre of mass to either axle; a racing motorcycle's, common practice, no source."""
_SMOOTH_s = 0.03
_ROLLS_m_s, _LEAST_RATIO = 5.0, 0.85
NEEDED = ("truth.x_m", "truth.y_m", "truth.speed_m_s", "truth.roll_rad", "truth.yaw_rate_rad_s")

Values = NDArray[np.float64]


class FindingError(EmulatorError):
    """A record, an instant or a register that no finding can be cut from or put in."""

    exit_status = 3


class Seen(NamedTuple):
    """Around an instant, on an even grid; all (n,), NaN where the record has a gap.

    time_s          [s]      of the record
    east, north     [m]      of the reference point
    speed           [m/s]    of a log the wheel's times what the receiver says of it before anything slides
    lean            [rad]    positive to the right
    turning         [rad/s]  about the vertical, positive to the left
    along, across   [m/s2]   horizontal acceleration forward and to the left
    front, rear     [m/s]    speeds of the wheels
    fix             fix quality; NaN where the record has none
    station         [m]      beside the record's line; NaN where it has none
    """

    time_s: Values
    east: Values
    north: Values
    speed: Values
    lean: Values
    turning: Values
    along: Values
    across: Values
    front: Values
    rear: Values
    fix: Values
    station: Values

    @property
    def axle_used(self) -> tuple[Values, Values]:
        """(n,) horizontal acceleration at the front and the rear axle over gravity: the grip that is used."""
        front, rear = (np.hypot(self.along / GRAVITY, across) for across in self.axle_across)
        return front, rear

    @property
    def axle_across(self) -> tuple[Values, Values]:
        """(n,) acceleration to the left at the front and the rear axle over gravity."""
        spin = np.gradient(self.turning, STEP_s) * TO_AXLE_m
        return (self.across + spin) / GRAVITY, (self.across - spin) / GRAVITY

    def row(self, at_s: float) -> int:
        """Row of the instant."""
        return int(np.argmin(np.abs(self.time_s - at_s)))


def seen_around(run: Run, at_s: float) -> Seen:
    """What the record shows from four seconds before the instant to four behind it. Raises FindingError."""
    if not len(run.tick) or not run.time_s[0] <= at_s <= run.time_s[-1]:
        span = f"from {run.time_s[0]:.1f} to {run.time_s[-1]:.1f} s" if len(run.tick) else "nothing"
        raise FindingError(f"--at {at_s:g}: {run.folder} has {span}", advice="name an instant of the record")
    if missing := [name for name in NEEDED if name not in run.signals]:
        raise FindingError(
            f"{run.folder} has no {', '.join(missing)}, without which nothing can be cut",
            advice="map what stands for them: a speed, the lean, rates of the inertial unit, the place",
        )
    first = max(float(run.time_s[0]), at_s - BEFORE_s)
    time_s = np.arange(first, min(float(run.time_s[-1]), at_s + AFTER_s), STEP_s)
    rows = np.searchsorted(run.time_s, time_s + 1e-6, side="right") - 1
    of = on_grid(run, time_s)
    lean, speed = of("truth.roll_rad"), of("truth.speed_m_s")
    if run.manifest.get("stage") == "track" and "output.gnss_speed_m_s" in run.signals:
        speed = speed * _rolls_shorter(speed, of("output.gnss_speed_m_s"), time_s < at_s - 0.5)
    sin, cos = np.sin(lean), np.cos(lean)
    pitching = of("truth.pitch_rate_rad_s")
    turning = np.where(np.isfinite(pitching), pitching, 0.0) * sin + of("truth.yaw_rate_rad_s") * cos
    turning = _smooth(turning)
    across = _smooth(of("output.force_y_m_s2") * cos - of("output.force_z_m_s2") * sin)
    across = np.where(np.isfinite(across), across, speed * turning)
    along = _smooth(np.gradient(of("output.wheel_rear_m_s", "truth.speed_m_s"), STEP_s))
    force_x = _smooth(of("output.force_x_m_s2"))
    return Seen(
        time_s,
        of("truth.x_m"),
        of("truth.y_m"),
        speed,
        lean,
        turning,
        np.where(np.isfinite(force_x), force_x, along),
        across,
        of("output.wheel_front_m_s", "truth.speed_m_s"),
        of("output.wheel_rear_m_s", "truth.speed_m_s"),
        run.signals["output.gnss_fix"][rows] if "output.gnss_fix" in run.signals else of("none"),
        of("line.station_m"),
    )


def on_grid(run: Run, time_s: Values) -> Callable[..., Values]:
    """What reads the first of the columns named that the record has, joined between its rows, at instants.

    It returns (n,), NaN where the record has none of them or a gap.
    """
    first, last = np.searchsorted(run.time_s, time_s[[0, -1]] + 1e-6, side="right") - 1
    near = slice(max(int(first) - 1, 0), int(last) + 2)

    def of(*names: str) -> Values:
        for name in names:
            if name in run.signals and np.isfinite(run.signals[name][near]).any():
                return np.asarray(np.interp(time_s, run.time_s[near], run.signals[name][near]))
        return np.full(len(time_s), np.nan)

    return of


def _rolls_shorter(wheel: Values, over_ground: Values, rows: NDArray[np.bool_]) -> float:
    """Speed over ground for each of the wheel's: a tyre that leans rolls on a smaller radius than upright."""
    usable = rows & np.isfinite(wheel) & np.isfinite(over_ground) & (wheel > _ROLLS_m_s)
    ratio = float(np.median(over_ground[usable] / wheel[usable])) if usable.any() else 1.0
    return ratio if _LEAST_RATIO < ratio < 1.0 / _LEAST_RATIO else 1.0


def _smooth(values: Values) -> Values:
    known = np.isfinite(values)
    if not known.any():
        return values
    filled = np.interp(np.arange(len(values)), np.flatnonzero(known), values[known])
    return np.where(known, gaussian_filter1d(filled, _SMOOTH_s / STEP_s), np.nan)
