"""The lean a bike can hold over speed, and what a line's target speed asks for; a ride is drawn beside.

Both are steady motions of the quasi-steady bike of :mod:`emulator.lap.ideal_lap`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.lap.ideal_lap import Bike, can_hold, needs
from emulator.road.line import Line

Array = NDArray[np.float64]

_SPEEDS = 33
_SLOWEST = 1.0  # [m/s] below, a circle gets smaller than the bike
_HALVINGS = 30  # of a curvature up to _MOST_g: leaves 1e-9 of it
_MOST_g = 4.0
_PLANNED = 400  # most places along the line


def limit_lean(bike: Bike, speeds: Array, grip: float) -> Array:
    """Greatest lean [rad] (k,) at which the tyres hold a steady turn on a flat road; NaN where none.

    speeds  (k,) [m/s]  above 0
    grip    [1]         friction coefficient of the road
    Both tyres keep their friction ellipse, the rear one drives against the air besides. Pegs are left out.
    """
    free = bike._replace(lean_limit=0.5 * math.pi)
    out = np.full(len(speeds), math.nan)
    for i, speed in enumerate(speeds):
        v = float(speed)
        low, high = 0.0, _MOST_g * bike.gravity / (v * v)
        if not can_hold(free, _flat(low, grip), v):
            continue
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            if can_hold(free, _flat(middle, grip), v):
                low = middle
            else:
                high = middle
        out[i] = needs(free, _flat(low, grip), v)[2]
    return out


def planned_roll(bike: Bike, line: Line) -> tuple[Array, Array]:
    """Speed [m/s] and roll [rad, positive to the right] (k,) that the target speed asks for along the line.

    Roll is against the horizon: the lean against the road and the road's bank.
    """
    rows = np.unique(np.linspace(0, line.station.size - 1, _PLANNED).astype(np.int64))
    roll = np.empty(len(rows))
    for k, i in enumerate(rows):
        at = np.array([line.curvature[i], line.bank[i], line.slope[i], 0.0, 1.0])
        roll[k] = float(line.bank[i]) - needs(bike, at, float(line.target_speed[i]))[2]
    return line.target_speed[rows], roll


def lean_envelope(bike: Bike, line: Line, grip: float) -> dict[str, Any]:
    """What a report draws a ride's leans beside, as numbers of a document; SI and radians."""
    top = max(float(np.max(line.target_speed)) * 1.1, 2.0 * _SLOWEST)
    speeds = np.linspace(_SLOWEST, top, _SPEEDS)
    limits = limit_lean(bike, speeds, grip)
    planned, roll = planned_roll(bike, line)
    return {
        "grip": grip,
        "speed_m_s": [round(float(v), 3) for v in speeds],
        "grip_rad": [round(float(v), 5) if math.isfinite(v) else None for v in limits],
        "peg_rad": round(float(bike.lean_limit), 5),
        "planned_m_s": [round(float(v), 3) for v in planned],
        "planned_roll_rad": [round(float(v), 5) for v in roll],
    }


def _flat(curvature: float, grip: float) -> Array:
    return np.array([curvature, 0.0, 0.0, 0.0, grip])
