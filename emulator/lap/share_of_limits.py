"""Target speed by what the vehicle itself can do, less a reserve: of a robot that is to ride fast.

It is the quasi-steady lap (:mod:`emulator.lap.ideal_lap`) of a bike that may use a share of the plant's own
limits: of the forces along at which a wheel lifts or a tyre gives up, and of the lateral acceleration that
lean and grip leave beside each of them. Its engine is whole: what the rider can't do with it, as changing
gear in no time, is not asked of the target. Then it is averaged over a window of riding time, as all target
speeds are, so that hands have time to go over from drive to brakes.

Source: own; that a smoothed speed keeps below its input: see ``emulator.lap.target_speed``.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.lap.ideal_lap import Bike, ideal_lap
from emulator.lap.target_speed import smoothed
from emulator.road.line import Line

Array = NDArray[np.float64]

_BRAKING_POWER = (
    1.2  # of both shares, braking and across, that add up to 1; an ellipse has 2. Chosen by riding
)


def with_share(
    bike: Bike,
    share: float,
    *,
    lateral_m_s2: float = math.inf,
    braking_m_s2: float = math.inf,
    drive_m_s2: float = math.inf,
    roll_rate_rad_s: float = math.inf,
) -> Bike:
    """The bike that uses ``share`` [1] of its limits, and no more than so much of each.

    lateral_m_s2               across, upright load
    braking_m_s2, drive_m_s2   of the tyres' force along over the mass: the air's drag brakes beside it
    """
    limits, g = bike.limits, bike.gravity
    ends = share * limits.ends
    ends[:, :, 0] = np.maximum(ends[:, :, 0], -braking_m_s2 / g)
    ends[:, :, 1] = np.minimum(ends[:, :, 1], drive_m_s2 / g)
    along = np.abs(np.cos(limits.angles))
    power = np.where(limits.angles < 0.5 * math.pi, _BRAKING_POWER, 2.0)
    left = (1.0 - along**power) ** (1.0 / power)  # of the lateral acceleration beside so much along
    ellipse = np.minimum(share * limits.ellipse, lateral_m_s2 / g * left / np.sin(limits.angles))
    return bike._replace(
        limits=limits._replace(ends=ends, ellipse=ellipse),
        roll_rate=np.minimum(bike.roll_rate, roll_rate_rad_s),
    )


def target_within(line: Line, bike: Bike, jerk_m_s3: float, top_speed_m_s: float, grip: float) -> Array:
    """Target speed [m/s] (n+1,) along the line within the limits of ``bike``, see ``with_share``.

    jerk_m_s3  about the greatest rate of change of acceleration; infinite: none is kept
    Raises ValueError as ``ideal_lap`` does.
    """
    helped = line.bank * line.curvature <= 0.0  # lean against the vertical is what there is a limit of
    bank = np.where(helped, 0.0, line.bank)
    speed = ideal_lap(line, bike, grip=grip, bank=bank, top_speed_m_s=top_speed_m_s).speed
    ends = bike.limits.ends
    if math.isinf(jerk_m_s3):
        return speed
    swing = bike.gravity * float((ends[:, :, 1] - ends[:, :, 0]).max())
    return smoothed(line, speed, swing / jerk_m_s3)
