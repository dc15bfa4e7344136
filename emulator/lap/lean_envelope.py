"""The lean a bike can hold over speed, and what a line's target speed asks for; a ride is drawn beside.

Both are steady turns of the plant itself, see :mod:`emulator.lap.steady_limits`.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.lap.ideal_lap import Bike, lean_at
from emulator.lap.steady_limits import GripLimits
from emulator.road.line import Line

Array = NDArray[np.float64]

_PLANNED = 400  # most places along the line


def planned_roll(bike: Bike, line: Line) -> tuple[Array, Array]:
    """Speed [m/s] and roll [rad, positive to the right] (k,) that the target speed asks for along the line.

    Roll is against the horizon: the lean against the road and the road's bank.
    """
    rows = np.unique(np.linspace(0, line.station.size - 1, _PLANNED).astype(np.int64))
    roll = np.empty(len(rows))
    for k, i in enumerate(rows):
        at = np.array([line.curvature[i], line.bank[i], line.slope[i], 0.0, 1.0, 0.0, 0.0])
        roll[k] = float(line.bank[i]) - lean_at(bike, at, float(line.target_speed[i]))
    return line.target_speed[rows], roll


def lean_envelope(bike: Bike, limits: GripLimits, line: Line, grip: float) -> dict[str, Any]:
    """What a report draws a ride's leans beside, as numbers of a document; SI and radians.

    The limit is that of steady turns on a flat road of this grip, as long as the speed can be held: by
    grip, or at walking pace by the steering stop; each is None where the other ends it, or neither.
    """
    top = max(float(np.max(line.target_speed)) * 1.1, 2.0 * float(limits.held_speeds[0]))
    shown = limits.held_speeds <= max(top, float(limits.held_speeds[1]))
    planned, roll = planned_roll(bike, line)

    def leans(stopped: float) -> list[float | None]:
        return [
            round(float(lean), 5) if end == stopped and math.isfinite(lean) else None
            for lean, end in zip(limits.held_leans[shown], limits.stopped[shown], strict=True)
        ]

    return {
        "grip": grip,
        "speed_m_s": [round(float(v), 3) for v in limits.held_speeds[shown]],
        "grip_rad": leans(0.0),
        "stop_rad": leans(1.0),
        "peg_rad": round(float(bike.lean_limit), 5),
        "planned_m_s": [round(float(v), 3) for v in planned],
        "planned_roll_rad": [round(float(v), 5) for v in roll],
    }
